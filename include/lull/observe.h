/* SPDX-License-Identifier: GPL-3.0-or-later */
/* observe: frames in, rows out. Pure. The live recorder and the import of a capture run this same code.
 *
 * Per frame one table look-up and O(1) arithmetic; all tables are sized at start, so memory does not
 * depend on what the night brings. */
#ifndef LULL_OBSERVE_H
#define LULL_OBSERVE_H

#include <lull/rows.h>

struct lull_observer;

/* Caller frees with lull_observer_free(). The sink is copied. NULL: out of memory. */
struct lull_observer *lull_observer_new(const struct lull_sink *);
void lull_observer_free(struct lull_observer *);

/* Index of the bus (0..LULL_BUS_MAX-1), made if new; -ENOSPC. Bit rates 0: unknown. */
LULL_MUST_CHECK int lull_observer_bus(struct lull_observer *, const char *name, uint32_t bitrate,
	uint32_t bitrate_data);

/* One frame in recording time. Time may not run backwards on a bus: a frame up to 1 s before the
 * bus's last is taken at that last instant (adapters reorder), an earlier one is -EINVAL. */
LULL_MUST_CHECK int lull_observer_frame(struct lull_observer *, const struct lull_frame *);

/* Time passes without frames: closes what has ended by now. Cheap; call about once a second when live. */
LULL_MUST_CHECK int lull_observer_tick(struct lull_observer *, lull_time now);

/* The bus (or LULL_BUS_ALL) cannot be heard from `from` to `to`: open stretches end with
 * LULL_END_BLIND (LULL_END_LOSS for LULL_BLIND_FRAMES_LOST), the row goes to the sink, and the
 * time counts as no silence: no gap row spans it. */
LULL_MUST_CHECK int lull_observer_blind(struct lull_observer *, unsigned bus, lull_time from, lull_time to,
	enum lull_coverage_why);

/* End of observation: everything is written out, buses too. `end` is at least the last frame's time.
 * The observer can only be freed afterwards. */
LULL_MUST_CHECK int lull_observer_finish(struct lull_observer *, lull_time end);

/* What the observer remembers of an ID's rhythm, for judging jumps in a source's clock. Visits
 * the IDs of a bus (or LULL_BUS_ALL) heard since `since`. */
struct lull_rhythm {
	uint32_t id;
	uint8_t bus;
	lull_time last; /* last frame */
	int64_t period_ns; /* 0 unknown */
	lull_time next; /* when the next frame is due by its smoothed phase; LULL_NEVER without a period */
	double ppm; /* its real period against period_ns, as far as told; 0 unknown */
	int64_t jitter_ns; /* standard deviation about a straight line; 0 unknown */
	int64_t burst_ns; /* > 0: talks in bursts, frames closer than this to the one before follow it */
	uint64_t frames; /* so far */
};
size_t lull_observer_rhythms(const struct lull_observer *, unsigned bus, lull_time since, struct lull_rhythm *out,
	size_t max);

/* --- retime: a source's stamps -> recording time, with its steps told from silences ---
 *
 * One retimer per source clock (one capture file). Frames of all its buses pass through in file order.
 * A stamp that runs back by more than 1 s is a clock step. A jump forward of 1 s or more is looked at
 * with up to 2 s or 4,096 frames of what follows: if the IDs that were alive (heard within 1.5 periods of
 * the jump) go on in phase with one common offset that is not a whole silence, it is a clock step; if
 * they go on in phase on the unbroken clock (no boot order), frames were lost; if they restart, it
 * is a silence; else it is blind as LULL_BLIND_UNDECIDED. After a step the recording goes on without a
 * hole as best the phases tell, a clock map row is emitted, and the spot is covered by a blind row. */
struct lull_retimer;
/* origin_ns: the source stamp that is recording time 0 for this source. */
struct lull_retimer *lull_retimer_new(struct lull_observer *, const struct lull_sink *, int64_t origin_ns);
void lull_retimer_free(struct lull_retimer *);
/* Frame with the source's own stamp in t (ns since 1970 or since anything), bus already the observer's
 * index. Calls lull_observer_frame() at once or after the look-ahead. */
LULL_MUST_CHECK int lull_retimer_frame(struct lull_retimer *, const struct lull_frame *);
/* Pushes out what is held back. */
LULL_MUST_CHECK int lull_retimer_flush(struct lull_retimer *);
/* Recording time of the last frame passed on, LULL_NEVER before the first; and the conversion now in
 * force (recording time = stamp - offset). */
lull_time lull_retimer_last(const struct lull_retimer *);
int64_t lull_retimer_offset(const struct lull_retimer *);
/* Clock steps seen so far. */
unsigned lull_retimer_steps(const struct lull_retimer *);

#endif
