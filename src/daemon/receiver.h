/* SPDX-License-Identifier: GPL-3.0-or-later */
/* receiver: the process that listens. It alone owns CAN sockets, one an interface, and does nothing but wait, receive, read
 * clocks and write entries into the ring. A seccomp filter takes from it all calls by which it could send: see
 * source/can_confine.h. It opens a socket when the main process asks for one; it ends with its parent. */
#ifndef LULL_DAEMON_RECEIVER_H
#define LULL_DAEMON_RECEIVER_H

#include <daemon/privileges.h>
#include <source/ring.h>
#include <sys/types.h>

/* What both processes share; the ring lies behind it. */
struct lull_shared {
	/* The main process asks: listen on this interface index (0: on none) for bus i. A new generation is a new socket. */
	struct {
		_Atomic int index;
		_Atomic uint32_t generation;
	} wanted[LULL_BUS_MAX];
	_Atomic uint32_t stop;
	_Atomic uint32_t ping, pong; /* the receiver copies ping to pong once it has looked at all sockets */
	/* What the receiver tells of itself, for status and watchdog. */
	_Atomic uint64_t frames, wakeups;
	_Atomic uint64_t lost_ring; /* frames for which the ring had no room */
	_Alignas(64) struct lull_ring ring;
};

struct lull_receiver {
	pid_t pid;
	struct lull_shared *shared; /* for the main process */
	size_t size;
	int kick; /* eventfd: wakes the receiver */
	int news; /* eventfd: the receiver has written into the ring */
};

/* Forks it; it becomes who is told and keeps CAP_NET_ADMIN if it is there, which a large receive buffer needs. bitrates: sum over
 * all buses, for the ring's size; confined: false leaves the seccomp filter out (not in earnest:
 * for tests under tools that need calls of their own). 0 or -errno. */
LULL_MUST_CHECK int lull_receiver_start(struct lull_receiver *, uint64_t bitrates, const struct lull_identity *, bool confined);
/* A new socket for bus i on interface index; 0: none. Answered by LULL_ENTRY_OPENED unless index is 0. */
void lull_receiver_listen(struct lull_receiver *, unsigned bus, int index);
void lull_receiver_ping(struct lull_receiver *);
bool lull_receiver_answered(const struct lull_receiver *); /* the last ping */
/* Ends and reaps it; at once if it does not end by itself. */
void lull_receiver_stop(struct lull_receiver *);

/* --- for the receiver's own files --- */

/* The receiver's life. Returns its exit status. */
int lull_receive(struct lull_shared *, int kick, int news);

#endif
