/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pcap_out: writes frames as pcap with nanoseconds and LINKTYPE_CAN_SOCKETCAN. */
#ifndef LULL_SOURCE_PCAP_OUT_H
#define LULL_SOURCE_PCAP_OUT_H

#include <lull/frame.h>
#include <stdio.h>

struct lull_pcap_out;

/* Takes the file over. -ENOMEM, or -EIO if the head cannot be written; then the file is closed. */
LULL_MUST_CHECK int lull_pcap_out_open(struct lull_pcap_out **, FILE *);
/* t: UTC. Errors of writing show at the next flush. */
void lull_pcap_out_frame(struct lull_pcap_out *, const struct lull_frame *, int64_t t);
/* Hands all to the file. -EIO, now or since it was opened. */
LULL_MUST_CHECK int lull_pcap_out_flush(struct lull_pcap_out *);
/* Closes the file, too. NULL is fine. */
void lull_pcap_out_close(struct lull_pcap_out *);
/* Name and version of the library. */
const char *lull_pcap_library(void);

#endif
