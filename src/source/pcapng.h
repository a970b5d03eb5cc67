/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pcapng: walks the blocks of a pcapng stream on their way to libpcap, which does not tell a packet's
 * interface: hands on only what libpcap is to see, and keeps each packet's interface in a queue.
 * Layout: draft-ietf-opsawg-pcapng. */
#ifndef LULL_SOURCE_PCAPNG_H
#define LULL_SOURCE_PCAPNG_H

#include <source/capture_impl.h>
#include <stdio.h>

struct lull_pcapng;

struct lull_pcapng_interface {
	int bus; /* of the capture; -1: none yet */
	unsigned number; /* within its section */
	uint16_t link; /* the file's link type */
	bool swapped; /* the section's byte order is not ours */
	char name[LULL_BUS_NAME]; /* "" if the file gives none */
};

/* Reads the capture's stream. NULL: out of memory. */
struct lull_pcapng *lull_pcapng_new(struct lull_capture *);
void lull_pcapng_free(struct lull_pcapng *);
/* The walked stream; every interface in it says link type 227. Close it before the walker. */
FILE *lull_pcapng_stdio(struct lull_pcapng *);
/* The interface of the next packet that libpcap gives, NULL if there is none. Valid until the next call. */
struct lull_pcapng_interface *lull_pcapng_next(struct lull_pcapng *);
/* Interfaces seen so far, and how many of them carry CAN; the link type of the first. */
unsigned lull_pcapng_interfaces(const struct lull_pcapng *, unsigned *with_can, unsigned *first_link);
/* Byte of the file's (uncompressed) content up to which blocks were whole; NULL or what was wrong there. */
const char *lull_pcapng_damage(const struct lull_pcapng *, uint64_t *byte);
bool lull_link_is_can(unsigned link);

#endif
