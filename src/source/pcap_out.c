/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pcap_out: frames as pcap, through libpcap. */
#include <source/libpcap.h>
#include <source/pcap_out.h>

#include <arpa/inet.h>
#include <errno.h>
#include <linux/can.h>
#include <stdlib.h>
#include <string.h>

#define SNAPLEN 262144
#define HEAD 8 /* struct can_frame and canfd_frame up to the data */

#ifndef CANFD_FDF
#define CANFD_FDF 0x04
#endif

struct lull_pcap_out {
	pcap_t *dead;
	pcap_dumper_t *dumper;
};

int lull_pcap_out_open(struct lull_pcap_out **out, FILE *file)
{
	struct lull_pcap_out *o = calloc(1, sizeof *o);

	*out = NULL;
	if (o)
		o->dead = pcap_open_dead_with_tstamp_precision(
			DLT_CAN_SOCKETCAN, SNAPLEN, PCAP_TSTAMP_PRECISION_NANO);
	if (!o || !o->dead) {
		(void)fclose(file);
		free(o);
		return -ENOMEM;
	}
	/* Where the head cannot be written libpcap closes the file. */
	o->dumper = pcap_dump_fopen(o->dead, file);
	if (!o->dumper) {
		lull_pcap_out_close(o);
		return -EIO;
	}
	*out = o;
	return 0;
}

void lull_pcap_out_frame(struct lull_pcap_out *o, const struct lull_frame *f, int64_t t)
{
	uint8_t bytes[HEAD + CANFD_MAX_DLEN] = {0};
	const uint8_t length = f->len > CANFD_MAX_DLEN ? CANFD_MAX_DLEN : f->len;
	const uint32_t payload = f->flags & LULL_FRAME_REMOTE ? 0 : length;
	uint32_t id = f->id & LULL_ID_BITS;

	if (f->flags & LULL_FRAME_ERROR)
		id |= CAN_ERR_FLAG;
	else
		id |= (f->id & LULL_ID_EXTENDED ? CAN_EFF_FLAG : 0) |
			(f->flags & LULL_FRAME_REMOTE ? CAN_RTR_FLAG : 0);
	id = htonl(id);
	memcpy(bytes, &id, sizeof id);
	bytes[4] = length;
	if (f->flags & LULL_FRAME_FD)
		bytes[5] = (uint8_t)(CANFD_FDF | (f->flags & LULL_FRAME_BRS ? CANFD_BRS : 0) |
			(f->flags & LULL_FRAME_ESI ? CANFD_ESI : 0));
	memcpy(bytes + HEAD, f->data, payload);
	const struct pcap_pkthdr head = {
		/* With nanoseconds, tv_usec holds these. The file has 32 bits for seconds, whatever time_t has. */
		.ts = {.tv_sec = (time_t)(t / LULL_SEC), .tv_usec = (suseconds_t)(t % LULL_SEC)},
		.caplen = HEAD + payload,
		.len = HEAD + payload};

	pcap_dump((u_char *)o->dumper, &head, bytes);
}

int lull_pcap_out_flush(struct lull_pcap_out *o)
{
	return pcap_dump_flush(o->dumper) || ferror(pcap_dump_file(o->dumper)) ? -EIO : 0;
}

void lull_pcap_out_close(struct lull_pcap_out *o)
{
	if (!o)
		return;
	if (o->dumper)
		pcap_dump_close(o->dumper);
	if (o->dead)
		pcap_close(o->dead);
	free(o);
}

const char *lull_pcap_library(void)
{
	return pcap_lib_version();
}
