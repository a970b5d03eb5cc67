/* SPDX-License-Identifier: GPL-3.0-or-later */
/* libpcap: its header, to be included by this name only (library_time.h says why). */
#ifndef LULL_SOURCE_LIBPCAP_H
#define LULL_SOURCE_LIBPCAP_H

#include <pcap/pcap.h>
#include <source/library_time.h>

LULL_LIBRARY_TIME(struct pcap_pkthdr, ts.tv_sec);

#endif
