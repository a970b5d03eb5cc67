/* SPDX-License-Identifier: GPL-3.0-or-later */
/* receive_impl: what the files of the receiver process share; for them and their tests only. */
#ifndef LULL_DAEMON_RECEIVE_IMPL_H
#define LULL_DAEMON_RECEIVE_IMPL_H

#include <daemon/receiver.h>
#include <linux/can.h>
#include <sys/socket.h>

#define LULL_RECEIVE_AT_ONCE 64 /* frames a call */

/* --- receive_frame.c: one message of a CAN socket, taken apart. Pure. --- */

struct lull_received {
	uint32_t id; /* LULL_ID_EXTENDED, or error classes */
	uint8_t flags; /* LULL_FRAME_*, LULL_ENTRY_LOCAL */
	uint8_t len;
	const uint8_t *data; /* in the message */
	int64_t stamp; /* CLOCK_REALTIME by the kernel; 0: none */
	int64_t own; /* by the adapter's clock; 0: none */
	bool dropped_told;
	uint32_t dropped; /* by the socket since it was opened */
};
/* `bytes` of the message lie in `frame`. False: it is no CAN frame. */
bool lull_received_read(
	struct msghdr *, const struct canfd_frame *frame, unsigned bytes, struct lull_received *);

/* --- receive.c --- */

struct lull_receive_ear {
	int fd; /* -1: none */
	uint32_t generation;
	uint32_t dropped; /* by the socket, as last told */
	unsigned room; /* frames that fit into its buffer */
};

/* Gives a socket bound to the interface, or -errno; *buffer: bytes of its receive buffer. */
typedef int lull_receive_opener(int index, int *buffer);

struct lull_receive {
	struct lull_shared *shared;
	int kick, news;
	lull_receive_opener *open;
	bool wrote; /* entries since the last news */
	uint64_t ring_lost[LULL_BUS_MAX]; /* not told yet */
	struct lull_receive_ear ear[LULL_BUS_MAX];
	int64_t pace; /* ns until the next look; 0: the buses are quiet */
	/* Room for one call. */
	struct mmsghdr message[LULL_RECEIVE_AT_ONCE];
	struct iovec part[LULL_RECEIVE_AT_ONCE];
	struct canfd_frame frame[LULL_RECEIVE_AT_ONCE];
	_Alignas(8) uint8_t control[LULL_RECEIVE_AT_ONCE][128];
};

void lull_receive_begin(
	struct lull_receive *, struct lull_shared *, int kick, int news, lull_receive_opener *);
/* Sleeps until there is something to do, and does it. */
void lull_receive_turn(struct lull_receive *);

#endif
