/* SPDX-License-Identifier: GPL-3.0-or-later */
/* jump: what a leap of a source's clock was: a silence, a step of the clock, or lost frames. Pure.
 *
 * Three stories are held against the phases of the IDs that were alive:
 *   step    one offset puts every ID's first frame where it was due next;
 *   lost    every ID's first frame lies on its old grid without any offset, a whole number of periods later;
 *   silence neither, since senders start anew when they boot; or every ID's first frame comes as far from the others' as
 *           when they began before the leap, since a wake line boots all of a bus in the same order each time.
 * IDs of one sender keep their phases among themselves also through a restart. So what counts is not how many IDs
 * agree but how rare it would be that a single sender stopped, or began again, at an instant that looks like none of it:
 * one in so many `chances`. */
#include "jump.h"

#include <math.h>
#include <stdlib.h>

#define AT_MOST 96 /* IDs looked at: the steadiest */
#define SLOWEST (2 * LULL_SEC) /* slower ones may not show within the look-ahead */
#define CHANCES 60.0 /* decide; keepers that fall silent are far more common than steps and losses */
#define CHANCES_OPEN 15.0 /* leave it open */
#define VOICES 8 /* so many phases are hardly one sender's: */
#define CHANCES_MANY 4.0 /* then these decide */
#define CROWD 16 /* so many phases are several senders' */
#define CERTAIN_STEP (30 * 24 * 60 * LULL_MIN) /* no night is as long as this */
#define RETURN (5 * LULL_SEC) /* a leap that undoes earlier steps to within this */
#define YOUNG (10 * LULL_SEC) /* so early, an ID not heard yet is no new one */
#define SHORT (5 * LULL_SEC) /* a leap that is not taken out of the time line whatever the phases say */
#define BOOT_JITTER (5 * LULL_MS) /* of a sender's first frame after a wake */
#define RATE_ERROR 10e-6 /* of a sender's rate, over the leap */
#define RATE_UNKNOWN 150e-6

/* One ID that was alive when the leap came. */
struct witness {
	int64_t period, blur; /* blur: how far from its due instant it may come */
	lull_time due;
	lull_time began; /* before the leap; LULL_NEVER unknown */
	lull_time came; /* LULL_NEVER: not within the look-ahead */
	double ppm; /* 0 unknown */
	double steadiness; /* blur / period */
};

struct tally {
	unsigned agree, against;
	double chances;
};

static int by_bus_and_id(const void *x, const void *y)
{
	const struct lull_rhythm *a = x, *b = y;

	if (a->bus != b->bus)
		return a->bus < b->bus ? -1 : 1;
	return (a->id > b->id) - (a->id < b->id);
}

static int by_steadiness(const void *x, const void *y)
{
	const struct witness *a = x, *b = y;

	return (a->steadiness > b->steadiness) - (a->steadiness < b->steadiness);
}

static int by_period(const void *x, const void *y)
{
	const struct witness *a = x, *b = y;

	if (a->period != b->period)
		return a->period < b->period ? -1 : 1;
	return (a->due > b->due) - (a->due < b->due);
}

static bool is_alive(const struct lull_rhythm *rhythm, lull_time before)
{
	return rhythm->period_ns > 0 && before - rhythm->last <= rhythm->period_ns + rhythm->period_ns / 2;
}

static const struct lull_rhythm *rhythm_of(const struct lull_jump *jump, const struct lull_frame *frame)
{
	const struct lull_rhythm key = {.bus = frame->bus, .id = frame->id};

	return bsearch(&key, jump->rhythms, jump->rhythm_count, sizeof(key), by_bus_and_id);
}

/* Instant of the first frame of an ID after the leap. */
static lull_time first_of(const struct lull_jump *jump, const struct lull_rhythm *rhythm)
{
	for (size_t i = 0; i < jump->after_count; i++)
		if (jump->after[i].id == rhythm->id && jump->after[i].bus == rhythm->bus &&
			!(jump->after[i].flags & LULL_FRAME_ERROR))
			return jump->after[i].t;
	return LULL_NEVER;
}

/* The steadiest of those that were alive; returns how many. *passed: for how many the leap took longer than they would
 * have stayed silent. */
static unsigned find_witnesses(const struct lull_jump *jump, struct witness *out, unsigned *passed)
{
	struct witness all[4 * AT_MOST] = {0};
	unsigned n = 0;
	lull_time first = jump->after[0].t;

	*passed = 0;
	for (size_t i = 0; i < jump->rhythm_count; i++) {
		const struct lull_rhythm *rhythm = &jump->rhythms[i];
		int64_t period = rhythm->period_ns;

		if (!is_alive(rhythm, jump->before))
			continue;
		*passed += first > rhythm->next + period / 2;
		if (period > SLOWEST || n == 4 * AT_MOST)
			continue;
		int64_t blur = rhythm->jitter_ns ? 3 * rhythm->jitter_ns + LULL_MS / 2 : period / 8;

		if (blur > period / 4)
			blur = period / 4;
		all[n++] = (struct witness){
			.period = period,
			.blur = blur,
			.due = rhythm->next,
			.began = rhythm->began,
			.came = first_of(jump, rhythm),
			.ppm = rhythm->ppm,
			.steadiness = (double)blur / (double)period,
		};
	}
	if (n > 1)
		qsort(all, n, sizeof(*all), by_steadiness);
	/* The jittery ones say little; they are heard only where there is nobody else. */
	unsigned steady = 0;

	while (steady < n && all[steady].steadiness < 1.0 / 6)
		steady++;
	if (steady >= 3)
		n = steady;
	if (n > AT_MOST)
		n = AT_MOST;
	for (unsigned i = 0; i < n; i++)
		out[i] = all[i];
	if (n > 1)
		qsort(out, n, sizeof(*out), by_period);
	return n;
}

/* Witnesses with the same period and phase send as one; returns how many different ones there are. Sorted by period. */
static unsigned different(const struct witness *w, unsigned n)
{
	unsigned total = 0;

	for (unsigned i = 0; i < n; i++) {
		bool known = false;

		for (unsigned k = i; k-- > 0 && !known && w[i].period - w[k].period <= w[i].period / 100;) {
			int64_t apart = llabs(w[i].due - w[k].due) % w[i].period, width = w[i].blur + w[k].blur;

			known = apart <= width || w[i].period - apart <= width;
		}
		total += !known;
	}
	return total;
}

/* How well one offset explains the arrivals. */
static struct tally tally_step(const struct lull_jump *jump, const struct witness *w, unsigned n, int64_t shift)
{
	struct tally tally = {0};
	lull_time heard_to = jump->after[jump->after_count - 1].t - shift;
	int64_t longest = 0, blur = INT64_MAX, idle = jump->after[0].t - shift - jump->before;

	for (unsigned i = 0; i < n; i++) {
		if (w[i].came == LULL_NEVER) {
			tally.against += heard_to > w[i].due + w[i].period;
			continue;
		}
		if (llabs(w[i].came - shift - w[i].due) > w[i].blur) {
			tally.against++;
			continue;
		}
		tally.agree++;
		longest = w[i].period > longest ? w[i].period : longest;
		blur = w[i].blur < blur ? w[i].blur : blur;
	}
	/* A schedule that stops anywhere between its last frame and its first one looks as if it had not stopped. */
	if (tally.agree)
		tally.chances = (double)longest / (double)((idle > 0 ? idle : 0) + 2 * blur);
	return tally;
}

static struct tally best_step(const struct lull_jump *jump, const struct witness *w, unsigned n, int64_t *shift,
	int64_t *error)
{
	struct tally best = {0};

	for (unsigned i = 0; i < n; i++) {
		if (w[i].came == LULL_NEVER)
			continue;
		struct tally tally = tally_step(jump, w, n, w[i].came - w[i].due);

		if (tally.agree <= best.agree)
			continue;
		best = tally;
		*shift = w[i].came - w[i].due;
	}
	/* The mean of those that agree, each by its weight. */
	double sum = 0, weight = 0;

	for (unsigned i = 0; i < n && best.agree; i++) {
		if (w[i].came == LULL_NEVER)
			continue;
		double off = (double)(w[i].came - w[i].due - *shift);

		if (fabs(off) > (double)w[i].blur)
			continue;
		double own = 1 / ((double)w[i].blur + 1);

		sum += own * off;
		weight += own;
	}
	if (best.agree) {
		*shift += (int64_t)(sum / weight);
		*error = (int64_t)(best.agree / weight) + 1;
	}
	return best;
}

/* How many begin as they did before the leap, in the same order and at the same distances. */
static unsigned best_start(const struct witness *w, unsigned n)
{
	unsigned best = 0;

	for (unsigned i = 0; i < n; i++) {
		unsigned agree = 0;

		if (w[i].came == LULL_NEVER || w[i].began == LULL_NEVER)
			continue;
		for (unsigned k = 0; k < n; k++) {
			int64_t width = w[k].blur > BOOT_JITTER ? w[k].blur : BOOT_JITTER;

			if (w[k].came == LULL_NEVER || w[k].began == LULL_NEVER)
				continue;
			if (width > w[k].period / 4)
				width = w[k].period / 4;
			agree += llabs((w[k].came - w[i].came) - (w[k].began - w[i].began)) <= width;
		}
		best = agree > best ? agree : best;
	}
	return best;
}

/* How well the old grid explains the arrivals. */
static struct tally tally_lost(const struct lull_jump *jump, const struct witness *w, unsigned n)
{
	struct tally tally = {0};
	lull_time first = jump->after[0].t, heard_to = jump->after[jump->after_count - 1].t;

	for (unsigned i = 0; i < n; i++) {
		double period = (double)w[i].period * (1 + w[i].ppm * 1e-6);
		double drift = w[i].ppm != 0 ? RATE_ERROR : RATE_UNKNOWN;
		double blur = (double)w[i].blur + drift * (double)(first - jump->before);

		if (blur > period / 4)
			continue; /* too long a time to know its grid */
		if (w[i].came == LULL_NEVER) {
			tally.against += heard_to > first + 2 * w[i].period;
			continue;
		}
		double off = fabs(remainder((double)(w[i].came - w[i].due), period));
		bool agree = off <= blur && w[i].came - first <= w[i].period + w[i].period / 2;

		tally.agree += agree;
		tally.against += !agree;
		if (agree && period / (2 * blur) > tally.chances)
			tally.chances = period / (2 * blur);
	}
	return tally;
}

static bool holds(const struct tally *tally, unsigned against, double chances)
{
	return tally->agree >= 2 && tally->agree >= against * tally->against && tally->chances >= chances;
}

/* A sender that nobody acknowledged: error frames before the first frame, or copies of it back to back. */
static bool is_unacknowledged(const struct lull_jump *jump)
{
	const struct lull_frame *first = &jump->after[0];
	unsigned copies = 0;

	if (first->flags & LULL_FRAME_ERROR)
		return true;
	const struct lull_rhythm *rhythm = rhythm_of(jump, first);
	int64_t most = 5 * LULL_MS / 2;

	if (rhythm && rhythm->period_ns)
		most = most < rhythm->period_ns / 4 ? most : rhythm->period_ns / 4;
	for (size_t i = 1; i < jump->after_count; i++) {
		const struct lull_frame *next = &jump->after[i];

		if (next->flags & LULL_FRAME_ERROR)
			return next->t - first->t <= 10 * LULL_MS;
		if (next->id != first->id || next->bus != first->bus || next->len != first->len ||
			next->t - next[-1].t > most)
			break;
		for (unsigned k = 0; k < next->len && k < sizeof(next->data); k++)
			if (next->data[k] != first->data[k])
				return copies >= 2;
		copies++;
	}
	return copies >= 2;
}

/* IDs after the leap that were not alive before: *started those that have a period, or repeat; returns all of them. */
static unsigned find_new(const struct lull_jump *jump, unsigned *started)
{
	unsigned all = 0;
	bool young = jump->before - jump->start < YOUNG;

	*started = 0;
	for (size_t i = 0; i < jump->after_count && i < 512; i++) {
		const struct lull_frame *frame = &jump->after[i];
		bool seen = frame->flags & LULL_FRAME_ERROR;

		for (size_t k = 0; k < i && !seen; k++)
			seen = jump->after[k].id == frame->id && jump->after[k].bus == frame->bus;
		if (seen)
			continue;
		const struct lull_rhythm *rhythm = rhythm_of(jump, frame);

		if (!rhythm) {
			all += !young;
			continue;
		}
		if (is_alive(rhythm, jump->before) || jump->before - rhythm->last <= 2 * LULL_SEC)
			continue;
		all++;
		*started += rhythm->period_ns > 0 && rhythm->period_ns <= LULL_SEC && rhythm->frames >= 16;
	}
	return all;
}

/* Where no phase tells how far the clock was set, the first frame comes right after the last. */
static struct lull_jump_verdict step(const struct lull_jump *jump, const struct tally *tally, int64_t shift, int64_t error)
{
	lull_time first = jump->after[0].t;
	bool told = tally->agree >= 1 && first - shift >= jump->before - SLOWEST && first - shift <= jump->before + SLOWEST;

	if (!told) {
		shift = first - jump->before - LULL_MS;
		error = LULL_SEC;
	} else if (first - shift < jump->before) {
		shift = first - jump->before;
	}
	return (struct lull_jump_verdict){LULL_JUMP_STEP, shift, error};
}

/* Does the leap take the clock back to where it ran at first? */
static bool is_return(const struct lull_jump *jump, int64_t length)
{
	int64_t left;

	if (jump->undone >= -2 * RETURN && jump->undone <= 2 * RETURN)
		return false;
	return !__builtin_add_overflow(length, jump->undone, &left) && left <= RETURN && left >= -RETURN;
}

struct lull_jump_verdict lull_jump_judge(const struct lull_jump *jump, struct lull_rhythm *rhythms)
{
	const struct lull_jump_verdict silence = {.kind = LULL_JUMP_SILENCE}, lost = {.kind = LULL_JUMP_LOST},
				       undecided = {.kind = LULL_JUMP_UNDECIDED};
	struct witness w[AT_MOST];
	int64_t length = jump->after[0].t - jump->before, shift = 0, error = LULL_SEC;
	unsigned passed, started;

	if (jump->rhythm_count > 1)
		qsort(rhythms, jump->rhythm_count, sizeof(*rhythms), by_bus_and_id);
	unsigned n = find_witnesses(jump, w, &passed);
	struct tally as_step = best_step(jump, w, n, &shift, &error);

	if (length < 0 || length >= CERTAIN_STEP || is_return(jump, length))
		return step(jump, &as_step, shift, error);
	/* Nobody was missed: slow senders are like that. */
	if (!passed || is_unacknowledged(jump))
		return silence;
	unsigned voices = different(w, n), fresh = find_new(jump, &started);
	struct tally as_lost = tally_lost(jump, w, n);

	if (voices <= 2) {
		/* One sender or two: a restart may look like anything. */
		if (fresh || !voices)
			return silence;
		for (unsigned i = 0; i < n; i++)
			if (w[i].came == LULL_NEVER ||
				fabs(remainder((double)(w[i].came - w[i].due), (double)w[i].period)) > (double)w[i].blur)
				return silence;
		return undecided;
	}
	if (4 * started > as_step.agree && 4 * started > as_lost.agree)
		return silence; /* IDs that had stopped before are there again */
	unsigned as_start = best_start(w, n);

	if (as_start >= 2 && as_start >= as_step.agree && as_start >= as_lost.agree)
		return silence;
	double enough = voices >= VOICES ? CHANCES_MANY : CHANCES;

	if (holds(&as_lost, 8, enough))
		return lost;
	/* Taking out a few seconds gains nothing, and senders that wait for a blocked bus look the same: open, but blind. */
	if (length <= SHORT && holds(&as_step, 3, enough))
		return undecided;
	if (holds(&as_step, 8, enough))
		return step(jump, &as_step, shift, error);
	/* A restart scatters senders by their boot times. Where most of so many phases keep in step among themselves none of them
	 * restarted, whatever a few young or jittery ones say. */
	if (voices >= CROWD && 2 * as_step.agree >= 3 * as_step.against && as_step.chances >= CHANCES)
		return step(jump, &as_step, shift, error);
	return holds(&as_lost, 8, CHANCES_OPEN) || holds(&as_step, 8, CHANCES_OPEN) ? undecided : silence;
}
