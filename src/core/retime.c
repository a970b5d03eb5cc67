/* SPDX-License-Identifier: GPL-3.0-or-later */
/* retime: a source's stamps -> recording time; leaps of its clock are held until they can be judged. Pure. */
#include <lull/observe.h>

#include "jump.h"
#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define LEAP LULL_SEC
#define LOOK_TIME (2 * LULL_SEC)
#define LOOK_FRAMES 4096
#define RHYTHMS 8192
/* Stamps beyond (years 1933 and 2116 where they are dates) are broken; so bounded, a stamp less any offset fits. */
#define STAMP_MIN (-(INT64_C(1) << 60))
#define STAMP_MAX (INT64_C(1) << 62)
/* Judging takes time, by IDs known and frames held. It is bounded for captures whose clock leaps all the time; a night of
 * thousands of wakes stays far below. */
#define EFFORT (INT64_C(1) << 25)
#define EFFORT_PER_FRAME 64

#define HABIT_LENGTH (10 * LULL_SEC)
#define HABIT_REACH (30 * LULL_SEC)

struct lull_retimer {
	struct lull_observer *observer;
	struct lull_sink sink;
	int64_t offset; /* recording time = stamp - offset */
	int64_t origin;
	lull_time start, last; /* first and latest frame passed on; LULL_NEVER: none yet */
	lull_time leapt; /* where the leap before ended; LULL_NEVER: none yet */
	unsigned steps;
	uint32_t buses; /* that came by, a bit each */
	uint64_t frames, effort;
	size_t held_count;
	lull_time held_last; /* latest of the held */
	struct lull_frame *held; /* with t on the clock before the leap */
	struct lull_rhythm *rhythms;
};

static int64_t bounded(int64_t stamp)
{
	return stamp < STAMP_MIN ? STAMP_MIN : stamp > STAMP_MAX ? STAMP_MAX : stamp;
}

struct lull_retimer *lull_retimer_new(struct lull_observer *observer, const struct lull_sink *sink, int64_t origin_ns)
{
	struct lull_retimer *retimer = calloc(1, sizeof(*retimer));

	if (!retimer)
		return NULL;
	retimer->observer = observer;
	retimer->sink = *sink;
	retimer->origin = bounded(origin_ns);
	retimer->offset = retimer->origin;
	retimer->start = retimer->last = retimer->leapt = LULL_NEVER;
	/* Only touched when the clock leaps. */
	retimer->held = malloc(LOOK_FRAMES * sizeof(*retimer->held));
	retimer->rhythms = malloc(RHYTHMS * sizeof(*retimer->rhythms));
	if (retimer->held && retimer->rhythms)
		return retimer;
	lull_retimer_free(retimer);
	return NULL;
}

void lull_retimer_free(struct lull_retimer *retimer)
{
	if (!retimer)
		return;
	free(retimer->held);
	free(retimer->rhythms);
	free(retimer);
}

static int pass(struct lull_retimer *retimer, const struct lull_frame *frame)
{
	int err = lull_observer_frame(retimer->observer, frame);

	if (err)
		return err;
	if (retimer->last == LULL_NEVER)
		retimer->start = frame->t;
	if (retimer->last == LULL_NEVER || frame->t > retimer->last)
		retimer->last = frame->t;
	retimer->frames++;
	if (frame->bus < LULL_BUS_MAX)
		retimer->buses |= UINT32_C(1) << frame->bus;
	return 0;
}

static int blind(struct lull_retimer *retimer, lull_time to, enum lull_coverage_why why)
{
	lull_time from = retimer->last > 0 ? retimer->last : 0;
	int err = 0;

	if (to < from)
		to = from;
	for (unsigned bus = 0; bus < LULL_BUS_MAX && !err; bus++)
		if (retimer->buses & UINT32_C(1) << bus)
			err = lull_observer_blind(retimer->observer, bus, from, to, why);
	return err;
}

static struct lull_jump_verdict judge(struct lull_retimer *retimer)
{
	struct lull_jump jump = {
		.start = retimer->start,
		.before = retimer->last,
		.undone = retimer->offset - retimer->origin,
		.rhythms = retimer->rhythms,
		.after = retimer->held,
		.after_count = retimer->held_count,
	};

	if (retimer->effort < EFFORT + retimer->frames * EFFORT_PER_FRAME) {
		for (unsigned bus = 0; bus < LULL_BUS_MAX; bus++)
			if (retimer->buses & UINT32_C(1) << bus)
				jump.rhythm_count += lull_observer_rhythms(retimer->observer, bus, LULL_NEVER + 1,
					retimer->rhythms + jump.rhythm_count, RHYTHMS - jump.rhythm_count);
		retimer->effort += jump.rhythm_count + retimer->held_count * EFFORT_PER_FRAME;
	}
	return lull_jump_judge(&jump, retimer->rhythms);
}

static int set_clock(struct lull_retimer *retimer, const struct lull_jump_verdict *verdict)
{
	lull_time first = retimer->held[0].t - verdict->shift;
	const struct lull_clock_map map = {
		.t = first,
		.utc_ns = first + retimer->offset + verdict->shift,
		.error_ns = verdict->error,
	};

	retimer->offset += verdict->shift;
	retimer->steps++;
	for (size_t i = 0; i < retimer->held_count; i++)
		retimer->held[i].t -= verdict->shift;
	int err = blind(retimer, first, LULL_BLIND_CLOCK_STEP);

	if (!err && retimer->sink.clock)
		err = retimer->sink.clock(retimer->sink.ctx, &map);
	return err;
}

/* Where leaps of a few seconds follow each other the traffic itself pauses like that (a poll in bursts), and its phases
 * go on through each pause: nothing was lost. */
static bool is_short(const struct lull_retimer *retimer)
{
	int64_t length;

	return !__builtin_sub_overflow(retimer->held[0].t, retimer->last, &length) && length >= 0 && length <= HABIT_LENGTH;
}

static bool is_habit(const struct lull_retimer *retimer)
{
	return retimer->leapt != LULL_NEVER && is_short(retimer) && retimer->last - retimer->leapt <= HABIT_REACH;
}

/* Judges the leap and lets go of what was held. -EINVAL: some of it could not be placed. */
static int settle(struct lull_retimer *retimer)
{
	int err = 0, misplaced = 0;

	if (!retimer->held_count)
		return 0;
	struct lull_jump_verdict verdict = {.kind = LULL_JUMP_SILENCE};

	bool is_pause = is_short(retimer);

	if (!is_habit(retimer))
		verdict = judge(retimer);
	switch (verdict.kind) {
	case LULL_JUMP_SILENCE:
		break;
	case LULL_JUMP_STEP:
		err = set_clock(retimer, &verdict);
		break;
	case LULL_JUMP_LOST:
		err = blind(retimer, retimer->held[0].t, LULL_BLIND_FRAMES_LOST);
		break;
	case LULL_JUMP_UNDECIDED:
		err = blind(retimer, retimer->held[0].t, LULL_BLIND_UNDECIDED);
		break;
	}
	if (is_pause)
		retimer->leapt = retimer->held[0].t;
	for (size_t i = 0; i < retimer->held_count && !err; i++) {
		err = pass(retimer, &retimer->held[i]);
		if (err == -EINVAL) {
			misplaced = err;
			err = 0;
		}
	}
	retimer->held_count = 0;
	return err ? err : misplaced;
}

static void hold(struct lull_retimer *retimer, const struct lull_frame *frame)
{
	if (!retimer->held_count || frame->t > retimer->held_last)
		retimer->held_last = frame->t;
	retimer->held[retimer->held_count++] = *frame;
}

static bool leaps(lull_time before, lull_time t)
{
	int64_t by;

	return __builtin_sub_overflow(t, before, &by) || by >= LEAP || by < -LEAP;
}

int lull_retimer_frame(struct lull_retimer *retimer, const struct lull_frame *frame)
{
	struct lull_frame timed = *frame;
	int64_t stamp = bounded(frame->t);
	int err = 0;

	timed.t = stamp - retimer->offset;
	if (retimer->held_count) {
		if (!leaps(retimer->held_last, timed.t)) {
			hold(retimer, &timed);
			if (retimer->held_count == LOOK_FRAMES || timed.t - retimer->held[0].t >= LOOK_TIME)
				return settle(retimer);
			return 0;
		}
		/* It leaps again: the first leap is judged by what there is. */
		err = settle(retimer);
		if (err && err != -EINVAL)
			return err;
		timed.t = stamp - retimer->offset;
	}
	if (retimer->last != LULL_NEVER && leaps(retimer->last, timed.t)) {
		hold(retimer, &timed);
		return err;
	}
	int own = pass(retimer, &timed);

	return own ? own : err;
}

int lull_retimer_flush(struct lull_retimer *retimer)
{
	return settle(retimer);
}

lull_time lull_retimer_last(const struct lull_retimer *retimer)
{
	return retimer->last;
}

int64_t lull_retimer_offset(const struct lull_retimer *retimer)
{
	return retimer->offset;
}

unsigned lull_retimer_steps(const struct lull_retimer *retimer)
{
	return retimer->steps;
}
