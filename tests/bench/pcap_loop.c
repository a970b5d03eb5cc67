/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pcap_loop: reads a capture through libpcap and does nothing with it: what any reader on libpcap starts from.
 * usage: pcap_loop FILE */
#include <source/libpcap.h>
#include <stdint.h>
#include <stdio.h>

static void count(u_char *user, const struct pcap_pkthdr *header, const u_char *packet)
{
	(void)header;
	(void)packet;
	++*(uint64_t *)(void *)user;
}

int main(int argc, char **argv)
{
	char err[PCAP_ERRBUF_SIZE] = "usage: pcap_loop FILE";
	pcap_t *pcap = NULL;
	if (argc == 2)
		pcap = pcap_open_offline_with_tstamp_precision(argv[1], PCAP_TSTAMP_PRECISION_NANO, err);
	if (!pcap) {
		fprintf(stderr, "pcap_loop: %s\n", err);
		return 1;
	}
	uint64_t frames = 0;
	if (pcap_loop(pcap, -1, count, (u_char *)(void *)&frames) < 0) {
		fprintf(stderr, "pcap_loop: %s\n", pcap_geterr(pcap));
		pcap_close(pcap);
		return 1;
	}
	pcap_close(pcap);
	printf("%llu\n", (unsigned long long)frames);
	return 0;
}
