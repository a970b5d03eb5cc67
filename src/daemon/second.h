/* SPDX-License-Identifier: GPL-3.0-or-later */
/* second: what the main process does each second, and in which order. Time is an argument: no clock is read and no event is
 * waited for, so that a test can let a write take a minute.
 *
 * Frames come first: time passes on the buses only up to the instant by which the receiver has fetched all frames, and only
 * when nothing waits in the ring. So neither a slow disk nor a receiver that stands still makes a silence. */
#ifndef LULL_DAEMON_SECOND_H
#define LULL_DAEMON_SECOND_H

#include <daemon/clamp_feed.h>
#include <daemon/ears.h>
#include <limits.h>

#define LULL_AT_ONCE 20000 /* entries of the ring before other events have their turn */

struct lull_second {
	struct lull_config *config;
	struct lull_ears ears; /* its book is the recording at hand */
	struct lull_clamp_feed *clamp; /* NULL: none */
	struct lull_night_identity car; /* vehicle and model as the profile has them */
	const char *profile; /* text to keep with recordings; NULL; borrowed */
	uint64_t watchdog_us; /* 0: nobody watches */
	/* Instants are CLOCK_BOOTTIME. */
	int64_t pinged; /* the receiver was asked last */
	int64_t fed;
	uint64_t bytes_told;
	uint64_t bytes_gone; /* written to files that are closed */
	int64_t bytes_at;
	int64_t keep_flushed;
	char kept_beside[PATH_MAX]; /* the recording that frames are kept beside */
	int64_t space_at;
	bool scarce; /* less is free than should be */
};

/* The first recording; config, profile and the ears' receiver are set. -errno: out of memory and the like. A recording that
 * cannot be begun is no error: it is held in memory. */
LULL_MUST_CHECK int lull_second_begin(struct lull_second *, const struct lull_moment *);
/* Ends the recording at hand and begins the next one. Buses that are blind stay so. */
LULL_MUST_CHECK int lull_second_next(struct lull_second *, const struct lull_moment *);
/* The receiver is asked to look at all sockets, and to read the clocks. */
void lull_second_ping(struct lull_second *, const struct lull_moment *);
/* Takes all that is in the ring. */
LULL_MUST_CHECK int lull_second_take(struct lull_second *);
/* Call each second. 0; 1: frames still wait, and time did not pass: call again as soon as other events had their turn; -errno: the
 * end. */
LULL_MUST_CHECK int lull_second_pass(struct lull_second *, const struct lull_moment *);

#endif
