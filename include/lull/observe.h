/* SPDX-License-Identifier: GPL-3.0-or-later */
/* observe: frames in, rows out. Pure. The live recorder and the import of a capture run this same code.
 *
 * Per frame one table look-up and O(1) arithmetic; all tables are sized when a bus is made, so memory does not
 * depend on what the night brings.
 *
 * Period. Learned from the first 33 arrivals of a stretch and rounded to what a designer would have written down (the
 * roundest of whole seconds ... 0.1 ms within 0.5 %); looked at once more after 256. An ID keeps its period over its
 * stretches as long as they agree with it. Frames that follow in a burst (multi-frame messages) and copies sent back to
 * back are counted but have no index of their own. The index comes from a smoothed phase, which equals the sum of
 * round(gap/period) without its slips. As long as no period is known a stretch waits 10 s for the next frame, but not
 * through a silence of the bus of 1 s.
 *
 * Rows. A stretch ends with LULL_END_RATE after 8 gaps in a row that are more than 25 % longer, or shorter, than the
 * period; these frames begin the next one. An ID is event-driven (one LULL_STRETCH_EVENTS row per cadence window) once its
 * last 8 stretches average under 8 frames, or while it makes more than about 12 stretches a window or changes its rate
 * again and again; it is cyclic again after 16 gaps that agree within 25 %, then 32, 64 ... An event row ends with
 * LULL_END_OPEN where its window ended within 10 s of its last frame, LULL_END_GAP where it was silent longer; it spans no
 * silence of the bus of 1 min. period_ns of an event row is the mean gap where the gaps agree (an ID slower than 10 s), else
 * 0. Rows of the overflow entry end with LULL_END_OPEN at each window.
 *
 * Silences. A gap row is a silence that was observed from end to end: it begins with a frame or, with last_id
 * LULL_ID_NONE, with the end of a blind time (or the first tick before any frame); it ends with a frame or, with next_id
 * LULL_ID_NONE, with the start of a blind time or the end of the recording (next = LULL_NEVER). So the first frame after a
 * blind time looks like a wake only if 1 s of silence was observed before it. Error frames are no life of a bus: they end no
 * silence.
 *
 * Edges. Each frame goes out once: as LULL_EDGE_FIRST among the first 64 distinct ones after a silence of 2 s (and at the
 * very beginning), else as LULL_EDGE_NEW_ID if it is its ID's first in the spell, else as LULL_EDGE_LAST among the last 64
 * before a silence. A spell shorter than 64 frames thus has FIRST rows only. Of these 64 at most 32 are error frames;
 * like ones in a row are one entry with a count. Error frames within 2 s before the first frame belong to its spell; bursts
 * of errors that no frame follows are kept as LULL_EDGE_FIRST, 64 of them and one more each window. */
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
 * bus's last is taken at that last instant (adapters reorder), an earlier one is -EINVAL. So it is with instant 0. Also
 * -EINVAL, and nothing happens: no such bus, an ID that is neither standard nor extended, more than 64 bytes, a time beyond
 * some 73 years. Any other error is the sink's and ends the work: all later calls return it. */
LULL_MUST_CHECK int lull_observer_frame(struct lull_observer *, const struct lull_frame *);

/* Time passes without frames: closes what has ended by now. Cheap; call about once a second when live. For a bus that
 * no frame was heard on, the first tick says since when it is listened to. */
LULL_MUST_CHECK int lull_observer_tick(struct lull_observer *, lull_time now);

/* The bus (or LULL_BUS_ALL) cannot be heard from `from` to `to`: open stretches end with
 * LULL_END_BLIND (LULL_END_LOSS for LULL_BLIND_FRAMES_LOST), the row goes to the sink, and the
 * time counts as no silence: no gap row spans it. What lies before the bus's last frame is no more made blind. -EINVAL for
 * from > to, negative times and LULL_OBSERVED. */
LULL_MUST_CHECK int lull_observer_blind(struct lull_observer *, unsigned bus, lull_time from, lull_time to,
	enum lull_coverage_why);

/* End of observation: everything is written out, buses too. `end` is at least the last frame's time.
 * The observer can only be freed afterwards. */
LULL_MUST_CHECK int lull_observer_finish(struct lull_observer *, lull_time end);

/* What a recording would end with if it ended now: the rows that lull_observer_finish(observer, now) would give to its sink go
 * to `sink`, and the observer stays as it is. For a recorder that has to be found whole after a power cut. 0, -ENOMEM, the
 * sink's error (which does not end the observer's work), or -ESHUTDOWN and the like if that has ended. */
LULL_MUST_CHECK int lull_observer_glance(const struct lull_observer *, lull_time now, const struct lull_sink *sink);

/* What the observer remembers of an ID's rhythm, for judging jumps in a source's clock. Visits
 * the IDs of a bus (or LULL_BUS_ALL) heard since `since`. */
struct lull_rhythm {
	uint32_t id;
	uint8_t bus;
	lull_time began; /* first frame of the stretch that is open; LULL_NEVER: none is */
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
 * hole as best the phases tell, a clock map row is emitted, and the spot is covered by a blind row.
 *
 * Phases prove only as much as a single sender that stops and starts by chance would not show (src/core/jump.c), and nothing
 * where the IDs come as far from each other as when they began: senders that boot in a fixed order do so each time. Error
 * frames or copies back to back right after the jump prove a silence. A jump of 30 days or more, or one that takes earlier
 * steps back, is a step whatever the phases say; one of 5 s or less is never taken out of the time line but stays blind.
 * The clock map's utc_ns is the source's stamp as it is, its error that of the place of the step: where stamps are no
 * dates, give a sink without `clock`. Blind rows are made for each bus that the source has shown. */
struct lull_retimer;
/* origin_ns: the source stamp that is recording time 0 for this source. */
struct lull_retimer *lull_retimer_new(struct lull_observer *, const struct lull_sink *, int64_t origin_ns);
void lull_retimer_free(struct lull_retimer *);
/* Frame with the source's own stamp in t (ns since 1970 or since anything), bus already the observer's
 * index. Calls lull_observer_frame() at once or after the look-ahead. -EINVAL: this frame, or some that were held back,
 * could not be placed; the rest goes on. */
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
