/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ring: entries of various length from one process to another, through memory that both share. One writes, one reads; neither
 * waits for the other. Pure. */
#ifndef LULL_SOURCE_RING_H
#define LULL_SOURCE_RING_H

#include <lull/terms.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>

enum lull_entry_kind {
	LULL_ENTRY_SKIP, /* nothing: the ring begins anew behind it */
	LULL_ENTRY_FRAME, /* stamp: CLOCK_REALTIME, by the kernel at reception */
	LULL_ENTRY_FRAME_HW, /* the same, and before the payload 8 bytes: the adapter's own clock */
	LULL_ENTRY_CLOCK, /* stamp: CLOCK_REALTIME, data: CLOCK_BOOTTIME (8 bytes), read at one moment; frames that follow had been received
			   * by then */
	LULL_ENTRY_LOST, /* id: how many frames, flags: enum lull_lost_where; stamp: CLOCK_BOOTTIME at which it was known */
	LULL_ENTRY_OPENED, /* answer to a request: id: its generation, data: errno, size of the receive buffer (4 bytes each) */
	LULL_ENTRY_BROKEN, /* a socket gave an error: id: its generation, data: errno; stamp: CLOCK_BOOTTIME */
	LULL_ENTRY_COUNT
};

enum lull_lost_where { LULL_LOST_SOCKET, LULL_LOST_RING };

struct lull_entry {
	uint16_t size; /* bytes with this head, a multiple of 8 */
	uint8_t kind; /* enum lull_entry_kind */
	uint8_t bus;
	uint32_t id;
	int64_t stamp;
	uint8_t flags; /* LULL_FRAME_*, and LULL_ENTRY_LOCAL */
	uint8_t len;
	uint8_t data[]; /* len bytes */
};
#define LULL_ENTRY_HEAD offsetof(struct lull_entry, data)
#define LULL_ENTRY_LOCAL 0x80 /* sent by this computer */
#define LULL_ENTRY_DATA (64 + 8) /* most payload */

/* Lies at the start of the shared memory. Writer and reader each have a cache line of their own. */
struct lull_ring {
	_Alignas(64) _Atomic uint64_t head; /* bytes ever written */
	_Alignas(64) _Atomic uint64_t tail; /* bytes ever read */
	_Alignas(64) uint64_t size; /* of data, a power of two */
	_Alignas(64) uint8_t data[];
};

/* Bytes for a ring that holds `seconds` of full load at the sum of bit rates told: frames of 8 bytes, 111 bits each. A power of
 * two, 256 KiB to 64 MiB. */
size_t lull_ring_bytes(uint64_t bitrates, unsigned seconds);
/* `memory` holds sizeof(struct lull_ring) + size bytes, zeroed. */
void lull_ring_init(struct lull_ring *, size_t size);

/* --- the writer --- */

/* Room for an entry with len bytes of data; NULL: the ring is full. Fill it in (size is set) and put it. */
struct lull_entry *lull_ring_room(struct lull_ring *, unsigned len);
/* Makes all entries since the last put visible to the reader up to this one. */
void lull_ring_put(struct lull_ring *, const struct lull_entry *);

/* --- the reader --- */

/* The next entry; NULL: none. It stays valid until it is taken. The writer is another process: what it wrote is checked so far that
 * no read goes astray; an entry that cannot be is -EBADMSG in *err, and the ring is of no use any more. */
const struct lull_entry *lull_ring_peek(struct lull_ring *, int *err);
void lull_ring_take(struct lull_ring *, const struct lull_entry *);

#endif
