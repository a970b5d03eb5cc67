/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stretch: runs of one ID: opened, learned, followed, closed. Pure. */
#include "tap.h"

#include <math.h>

#define RUN_LENGTH 8 /* successive gaps that disagree in the same sense are another rate */
#define RATES 8 /* so many, and one more each window; beyond it the ID is event-driven */
#define STOPS 16 /* so many, and twelve more each window: an ID may not fill the recording with rows */
#define CHANGE_ROWS 64
#define CHANGE_ROWS_CHATTY 4
#define EVENT_AVERAGE 8 /* frames a stretch, below which an ID is event-driven */
#define CONFIRM 256 /* arrivals after which the nominal period is looked at again */
#define CONFIRMED UINT8_MAX /* learned_from of a period that was */
#define BLOCK_LEAST 4 /* arrivals, of which one at least came without delay, most likely */
#define BLOCK_MOST (1 << 24)
#define PROVISIONAL 9 /* arrivals, thus 8 gaps, after which a first period is in use */

int64_t lull_stretch_limit(const struct lull_slot *slot, const struct lull_slot_rest *rest)
{
	int64_t period = slot->slow & LULL_SLOW_LEARN ? rest->period : slot->phase.period;

	if (!period || period > 10 * LULL_SEC / 3)
		return 10 * LULL_SEC;
	return 3 * period > LULL_SEC ? 3 * period : LULL_SEC;
}

void lull_stretch_bits(struct lull_slot_rest *rest, const struct lull_frame *frame)
{
	struct lull_frame_bits bits = lull_frame_bits(frame);

	rest->bits += bits.nominal + bits.data;
	rest->bits_frames++;
}

int lull_stretch_change(struct lull_tap *tap, unsigned at, lull_time t, uint64_t payload, unsigned len)
{
	struct lull_slot_rest *rest = &tap->ids.rest[at];

	if (rest->changes >= (rest->chatty ? CHANGE_ROWS_CHATTY : CHANGE_ROWS)) {
		rest->changes_left_out++;
		return 0;
	}
	if (!tap->sink->change)
		return 0;
	const struct lull_change row = {
		.id = tap->ids.slots[at].id,
		.bus = tap->index,
		.len = (uint8_t)(len < 2 ? len : 2),
		.byte = {(uint8_t)payload, (uint8_t)(payload >> 8)},
		.t = t,
	};

	return tap->sink->change(tap->sink->ctx, &row);
}

int lull_stretch_changed(struct lull_tap *tap, unsigned at, lull_time t, uint64_t payload, unsigned len)
{
	tap->ids.rest[at].changes++;
	return lull_stretch_change(tap, at, t, payload, len);
}

/* --- the floor --- */

static void next_block(struct lull_slot *slot, const struct lull_slot_rest *rest)
{
	slot->left = rest->block;
	slot->low = INFINITY;
}

/* The line so far, where it is told well enough to compare arrivals of one block. */
static void learn_slope(struct lull_slot *slot)
{
	double kk = slot->n * slot->skk - slot->sk * slot->sk;

	if (slot->n >= 8 && kk > 0)
		slot->slope = (slot->n * slot->skr - slot->sk * slot->sr) / kk;
}

void lull_stretch_block(struct lull_slot *slot, struct lull_slot_rest *rest)
{
	if (rest->floor.n == LULL_FLOOR_MOST) {
		lull_floor_halve(&rest->floor, slot->slope);
		rest->block += rest->block < BLOCK_MOST ? rest->block : 0;
	}
	/* frames out of turn share an index */
	if (!rest->floor.n || slot->low_k > rest->floor.k[rest->floor.n - 1])
		lull_floor_add(&rest->floor, slot->low_k, (int64_t)(slot->low + slot->slope * (double)slot->low_k));
	learn_slope(slot);
	next_block(slot, rest);
}

/* A window is over: the next begins with short blocks again. */
static void clear_floor(struct lull_slot *slot, struct lull_slot_rest *rest)
{
	rest->floor = (struct lull_floor){0};
	rest->block = BLOCK_LEAST;
	next_block(slot, rest);
}

static void into_block(struct lull_slot *slot, struct lull_slot_rest *rest, int64_t k, int64_t r)
{
	double above = (double)r - slot->slope * (double)k;

	if (above < slot->low) {
		slot->low = above;
		slot->low_k = (uint32_t)k;
	}
	if (!--slot->left)
		lull_stretch_block(slot, rest);
}

/* --- opening --- */

void lull_stretch_clear(struct lull_slot *slot, struct lull_slot_rest *rest, lull_time first)
{
	slot->changed = 0;
	slot->phase = (struct lull_phase){0};
	slot->sk = slot->skk = slot->sr = slot->skr = slot->srr = 0;
	slot->r_min = INT64_MAX;
	slot->n = slot->frames = 0;
	slot->gap_min = UINT32_MAX;
	slot->gap_max = 0;
	slot->flags = 0;
	rest->first = first;
	rest->fit = (struct lull_fit){0};
	slot->slope = 0;
	clear_floor(slot, rest);
	rest->fit_window = LULL_NEVER;
	rest->frames = rest->bits = 0;
	rest->bits_frames = rest->back_to_back = rest->changes = rest->changes_left_out = 0;
	rest->payload_second = 0;
	rest->cadence = rest->confirmed = false;
	rest->run = 0;
	rest->followers = 0;
}

int lull_stretch_first(struct lull_tap *tap, unsigned at, const struct lull_frame *frame, lull_time t)
{
	struct lull_slot *slot = &tap->ids.slots[at];
	struct lull_slot_rest *rest = &tap->ids.rest[at];
	unsigned len;
	uint64_t payload = lull_payload(frame, &len);

	lull_stretch_clear(slot, rest, t);
	slot->flags = frame->flags;
	slot->last = t;
	slot->payload = rest->payload_first = payload;
	slot->len = rest->len_first = (uint8_t)len;
	slot->frames = 1;
	lull_stretch_bits(rest, frame);
	lull_tap_activate(tap, at);
	return lull_stretch_change(tap, at, t, payload, len);
}

/* A slow sender's stretches hold one frame or one burst each as long as its period is unknown: it is learned from
 * where they start. */
static void learn_from_starts(struct lull_slot *slot, struct lull_slot_rest *rest, lull_time t)
{
	int64_t gap = t - rest->first, lasted = slot->last - rest->first;

	if (lasted > gap / 4) {
		rest->starts = 0;
		return;
	}
	rest->start_gap[rest->starts++ % 4] = gap;
	if (rest->starts < 4)
		return;
	rest->starts = 4;
	int64_t least = INT64_MAX, most = 0, sum = 0;

	for (unsigned i = 0; i < 4; i++) {
		least = rest->start_gap[i] < least ? rest->start_gap[i] : least;
		most = rest->start_gap[i] > most ? rest->start_gap[i] : most;
		sum += rest->start_gap[i] / 4;
	}
	if (most - least <= least / 5 && most <= 10 * LULL_SEC) {
		rest->period = lull_rhythm_nominal((double)sum, 0.02);
		rest->learned_from = 5;
		rest->burst = lasted > 0 ? sum / 6 : 0;
	}
	/* Room for the next: the oldest goes. */
	memmove(rest->start_gap, rest->start_gap + 1, 3 * sizeof(*rest->start_gap));
	rest->starts = 3;
}

int lull_stretch_open(struct lull_tap *tap, unsigned at, const struct lull_frame *frame, lull_time t)
{
	struct lull_slot *slot = &tap->ids.slots[at];
	struct lull_slot_rest *rest = &tap->ids.rest[at];

	if (slot->last != LULL_NEVER && slot->last >= tap->heard_since)
		learn_from_starts(slot, rest, t);
	else
		rest->starts = 0;
	slot->slow = (uint8_t)((slot->slow & LULL_SLOW_UNSEEN) | LULL_SLOW_LEARN);
	rest->held.zero = t;
	rest->held.n = 1;
	rest->held.at[0] = 0;
	return lull_stretch_first(tap, at, frame, t);
}

/* --- learning --- */

/* The period of a stretch from what its arrivals say and what is remembered of the ID, 0 if neither is enough. A
 * remembered period that agrees is kept, so that the stretches of an ID have one nominal period. */
static int64_t choose_period(struct lull_slot_rest *rest, const struct lull_rhythm_estimate *estimate)
{
	if (!(estimate->period > 0) || estimate->used < 3)
		return rest->period;
	double blur = estimate->error / estimate->period;
	int64_t own = lull_rhythm_nominal(estimate->period, fmin(fmax(2 * blur, 0.005), 0.03));
	double off = rest->period ? fabs(estimate->period / (double)rest->period - 1) : 1;
	double least = rest->learned_from == CONFIRMED ? 0.05 : 0.02;
	bool same = off <= (estimate->used < PROVISIONAL ? 0.25 : fmin(fmax(3 * blur, least), 0.1));

	if (rest->learned_from >= estimate->used && (same || estimate->used < PROVISIONAL))
		return rest->period;
	if (same || !rest->period || estimate->used >= PROVISIONAL || estimate->used >= rest->learned_from) {
		rest->period = own;
		rest->learned_from = (uint8_t)estimate->used;
	}
	return own;
}

/* Ends the learning: what was held goes into the fit. early: there may be few arrivals. */
static void learned(struct lull_slot *slot, struct lull_slot_rest *rest, bool early)
{
	int64_t at[LULL_LEARN];
	unsigned n = rest->held.n;

	for (unsigned i = 0; i < n; i++)
		at[i] = (int64_t)rest->held.at[i] * LULL_HELD_UNIT;
	struct lull_rhythm_estimate estimate = lull_rhythm_estimate(at, n, rest->burst);

	if (estimate.burst) {
		rest->burst = estimate.burst;
		if (!early && estimate.used < PROVISIONAL) {
			/* Most were followers: hold on to the bursts' first frames and wait for more of them. */
			rest->held.n = estimate.used;
			for (unsigned i = 0; i < estimate.used; i++)
				rest->held.at[i] = (uint32_t)(at[i] / LULL_HELD_UNIT);
			return;
		}
	}
	int64_t period = choose_period(rest, &estimate);

	if (!period) {
		rest->held.n = 1; /* all at one instant: nothing to learn from, wait for others */
		return;
	}
	slot->slow &= (uint8_t)~LULL_SLOW_LEARN;
	lull_phase_start(&slot->phase, rest->first, period);
	int64_t k[LULL_LEARN];

	for (unsigned i = 0; i < estimate.used; i++) {
		at[i] = i || at[i] ? lull_phase_step(&slot->phase, rest->first + at[i]) : 0;
		k[i] = slot->phase.k;
		lull_stretch_moments(slot, at[i]);
	}
	learn_slope(slot);
	clear_floor(slot, rest);
	for (unsigned i = 0; i < estimate.used; i++)
		into_block(slot, rest, k[i], at[i]);
}

/* The lower end of the fitted line, less two standard deviations. */
static int64_t line_bottom(const struct lull_slot *slot)
{
	double n = slot->n, kk = n * slot->skk - slot->sk * slot->sk, slope = (n * slot->skr - slot->sk * slot->sr) / kk;
	double start = (slot->sr - slope * slot->sk) / n, end = start + slope * (double)slot->phase.k;
	double rr = (n * slot->srr - slot->sr * slot->sr - slope * slope * kk) / (n * n);

	return (int64_t)(fmin(start, end) - 2 * sqrt(fmax(rr, 0)));
}

/* Jitter that lasts (a logger's full buffer, a bus just waking) can spoil the first arrivals: a period off by 2 % was
 * seen. Its index is right all the same, so the moments can be taken over to the better nominal period. */
void lull_stretch_confirm(struct lull_slot *slot, struct lull_slot_rest *rest)
{
	double kk = slot->n * slot->skk - slot->sk * slot->sk;

	if (rest->confirmed || slot->slow || slot->n < CONFIRM || rest->fit.n > 0 || !(kk > 0))
		return;
	double slope = (slot->n * slot->skr - slot->sk * slot->sr) / kk;
	int64_t period = lull_rhythm_nominal((double)slot->phase.period + slope, 0.005);
	double off = (double)(period - slot->phase.period);

	rest->confirmed = true;
	if (fabs(slope) > 0.005 * (double)slot->phase.period && off != 0) {
		slot->srr += off * (off * slot->skk - 2 * slot->skr);
		slot->skr -= off * slot->skk;
		slot->sr -= off * slot->sk;
		lull_floor_turn(&rest->floor, off);
		slot->slope -= off;
		slot->phase.line += slot->phase.k * (period - slot->phase.period);
		slot->phase.due += period - slot->phase.period;
		slot->phase.period = period;
		slot->r_min = line_bottom(slot); /* cannot be taken over: about the least there can have been */
	}
	rest->period = slot->phase.period;
	rest->learned_from = CONFIRMED;
}

static void hold(struct lull_slot_rest *rest, lull_time t)
{
	if (rest->held.n < LULL_LEARN)
		rest->held.at[rest->held.n++] = (uint32_t)((t - rest->held.zero) / LULL_HELD_UNIT);
}

static void learn(struct lull_slot *slot, struct lull_slot_rest *rest, lull_time t, int64_t gap)
{
	if (rest->burst && gap < rest->burst) {
		if (++rest->followers < UINT8_MAX)
			return;
		rest->burst = 0; /* that is no burst */
		rest->held.n = 0;
		rest->held.zero = rest->first;
	}
	rest->followers = 0;
	hold(rest, t);
	/* Arrivals this close together may as well be one burst of a slow sender. */
	if (rest->held.n == PROVISIONAL && !rest->period && t - rest->held.zero >= 200 * LULL_MS) {
		int64_t at[LULL_LEARN];

		for (unsigned i = 0; i < PROVISIONAL; i++)
			at[i] = (int64_t)rest->held.at[i] * LULL_HELD_UNIT;
		struct lull_rhythm_estimate estimate = lull_rhythm_estimate(at, PROVISIONAL, 0);

		if (!estimate.burst)
			(void)choose_period(rest, &estimate);
	}
	/* Held arrivals are 32 bits wide; with bursts thinned again and again they could run out. */
	if (rest->held.n == LULL_LEARN || t - rest->held.zero > 900 * LULL_SEC)
		learned(slot, rest, t - rest->held.zero > 900 * LULL_SEC);
}

/* --- closing --- */

static int cadence_row(struct lull_tap *tap, unsigned at, lull_time window, const struct lull_fit *fit, const struct lull_floor *floor)
{
	const struct lull_slot *slot = &tap->ids.slots[at];

	if (!tap->sink->cadence || !(fit->n > 0))
		return 0;
	const struct lull_cadence row = {
		.id = slot->id,
		.bus = tap->index,
		.stretch_first = tap->ids.rest[at].first,
		.window = window,
		.period_ns = slot->phase.period,
		.fit = *fit,
		.floor = *floor,
	};

	return tap->sink->cadence(tap->sink->ctx, &row);
}

/* Adds the present window to the stretch's fit; rows go out once the stretch is longer than a window. */
static int end_window(struct lull_tap *tap, unsigned at)
{
	struct lull_slot *slot = &tap->ids.slots[at];
	struct lull_slot_rest *rest = &tap->ids.rest[at];
	const struct lull_fit fit = {slot->n, slot->sk, slot->skk, slot->sr, slot->skr, slot->srr, slot->r_min};
	int err = 0;

	rest->frames += slot->frames;
	slot->frames = 0;
	if (!slot->n)
		return 0;
	if (rest->fit_window == LULL_NEVER) {
		rest->fit_window = tap->window;
	} else if (slot->last - rest->first >= LULL_CADENCE) {
		if (!rest->cadence) {
			struct lull_floor before = lull_floor_split(&rest->floor, rest->floor_split);

			err = cadence_row(tap, at, rest->fit_window, &rest->fit, &before);
		}
		rest->cadence = true;
		if (!err)
			err = cadence_row(tap, at, tap->window, &fit, &rest->floor);
	}
	lull_fit_join(&rest->fit, &fit);
	if (rest->cadence)
		clear_floor(slot, rest);
	else
		rest->floor_split = (uint32_t)slot->phase.k;
	slot->sk = slot->skk = slot->sr = slot->skr = slot->srr = 0;
	slot->r_min = INT64_MAX;
	slot->n = 0;
	return err;
}

int lull_stretch_window(struct lull_tap *tap, unsigned at)
{
	struct lull_slot *slot = &tap->ids.slots[at];
	struct lull_slot_rest *rest = &tap->ids.rest[at];

	if (slot->slow & LULL_SLOW_LEARN) {
		if (rest->held.n < 3)
			return 0;
		learned(slot, rest, true);
	}
	rest->run = 0;
	slot->slow &= (uint8_t)~LULL_SLOW_RUN;
	return end_window(tap, at);
}

/* Short stretches again and again: event-driven from now on. */
static void remember_length(struct lull_slot *slot, struct lull_slot_rest *rest, uint64_t frames)
{
	unsigned sum = 0;

	rest->short_frames[rest->short_at++ % 8] = (uint8_t)(frames < UINT8_MAX ? frames : UINT8_MAX);
	rest->short_at %= 8;
	if (rest->short_n < 8)
		rest->short_n++;
	for (unsigned i = 0; i < rest->short_n; i++)
		sum += rest->short_frames[i];
	rest->stops++;
	if ((rest->short_n == 8 && sum < 8 * EVENT_AVERAGE) || rest->stops > STOPS)
		slot->slow |= LULL_SLOW_EVENTS;
	if (frames >= 1000)
		rest->patience = 0;
}

void lull_stretch_payload(uint8_t to[LULL_PAYLOAD_KEPT], uint64_t payload)
{
	payload = htole64(payload);
	memcpy(to, &payload, LULL_PAYLOAD_KEPT);
}

void lull_stretch_over(struct lull_tap *tap, unsigned at, uint64_t frames)
{
	struct lull_slot_rest *rest = &tap->ids.rest[at];

	rest->frames_ever += frames;
	if (rest->changes >= CHANGE_ROWS || rest->changes >= frames / 2 + 8)
		rest->chatty = true;
	else if (rest->changes < 8)
		rest->chatty = false;
	lull_tap_retire(tap, at);
}

uint64_t lull_stretch_bits_of(const struct lull_slot_rest *rest, uint64_t frames)
{
	return (uint64_t)((double)frames * (double)rest->bits / rest->bits_frames + 0.5);
}

int lull_stretch_close(struct lull_tap *tap, unsigned at, enum lull_end end)
{
	struct lull_slot *slot = &tap->ids.slots[at];
	struct lull_slot_rest *rest = &tap->ids.rest[at];

	if (slot->slow & LULL_SLOW_LEARN)
		learned(slot, rest, true);
	int err = end_window(tap, at);
	uint64_t frames = rest->frames;
	struct lull_stretch row = {
		.id = slot->id,
		.bus = tap->index,
		.kind = LULL_STRETCH_CYCLIC,
		.end = (uint8_t)end,
		.flags = slot->flags,
		.first = rest->first,
		.last = slot->last,
		.frames = frames,
		.bits = lull_stretch_bits_of(rest, frames),
		.period_ns = slot->phase.period,
		.index = (uint64_t)slot->phase.k,
		.fit = rest->fit,
		.floor = rest->floor, /* empty after cadence rows */
		.back_to_back = rest->back_to_back,
		.changes = rest->changes,
		.len = rest->len_first,
		.changed_bits = slot->changed,
		.changes_left_out = rest->changes_left_out,
		.sent = LULL_NOT_COUNTED,
	};

	if (frames > 1) {
		row.gap_min = (int64_t)slot->gap_min * LULL_GAP_UNIT;
		row.gap_max = (int64_t)slot->gap_max * LULL_GAP_UNIT;
	}
	lull_stretch_payload(row.payload_first, rest->payload_first);
	lull_stretch_payload(row.payload_second, rest->payload_second);
	lull_stretch_payload(row.payload_last, slot->payload);
	tap->row.bits += row.bits;
	if ((double)slot->phase.period * (double)frames < (double)(slot->last - rest->first) / 4) {
		rest->period = 0; /* it was that of a burst, or of another time */
		rest->learned_from = 0;
	}
	if (rest->fit.n >= 8)
		rest->jitter = (int64_t)fmin(lull_fit_residual(&rest->fit), 1e10) + 1;
	lull_stretch_over(tap, at, frames);
	slot->slow = (uint8_t)((slot->slow & LULL_SLOW_UNSEEN) | LULL_SLOW_CLOSED);
	if (end == LULL_END_GAP || end == LULL_END_RATE)
		remember_length(slot, rest, frames);
	if (!err && tap->sink->stretch)
		err = tap->sink->stretch(tap->sink->ctx, &row);
	return err;
}

/* --- change of rate --- */

/* The frames of the run become the first ones of a new stretch. */
static int change_rate(struct lull_tap *tap, unsigned at)
{
	struct lull_slot *slot = &tap->ids.slots[at];
	struct lull_slot_rest *rest = &tap->ids.rest[at];
	const struct lull_slot now = *slot;

	rest->rates++;
	if (rest->rates > RATES) {
		int err = lull_stretch_close(tap, at, LULL_END_RATE);

		slot->slow |= LULL_SLOW_EVENTS;
		return err;
	}
	uint32_t held[RUN_LENGTH];
	lull_time zero = rest->held.zero;

	memcpy(held, rest->held.at, sizeof(held));
	*slot = rest->before;
	slot->slow &= (uint8_t)~LULL_SLOW_RUN;
	int err = lull_stretch_close(tap, at, LULL_END_RATE);

	if (err || slot->slow & LULL_SLOW_EVENTS) {
		/* Event rows begin with the next frame; these few are only counted. */
		rest->frames_ever += now.frames - rest->before.frames;
		slot->last = now.last;
		return err;
	}
	uint64_t run_payload = rest->run_payload, run_second = rest->run_second;
	uint64_t bits = rest->bits;
	uint32_t bits_frames = rest->bits_frames;

	lull_stretch_clear(slot, rest, zero + (int64_t)held[0] * LULL_HELD_UNIT);
	rest->bits = bits;
	rest->bits_frames = bits_frames;
	rest->period = rest->burst = 0;
	rest->learned_from = rest->starts = 0;
	slot->slow = LULL_SLOW_LEARN;
	slot->flags = now.flags;
	slot->last = now.last;
	slot->payload = now.payload;
	slot->changed = (run_payload ^ run_second) | (run_payload ^ now.payload);
	slot->len = rest->len_first = now.len;
	slot->frames = now.frames - rest->before.frames;
	rest->payload_first = run_payload;
	rest->payload_second = run_second;
	rest->held.zero = rest->first;
	rest->held.n = RUN_LENGTH;
	for (unsigned i = 0; i < RUN_LENGTH; i++) {
		rest->held.at[i] = held[i] - held[0];
		if (i)
			lull_stretch_gap(slot, (int64_t)(held[i] - held[i - 1]) * LULL_HELD_UNIT);
	}
	lull_tap_activate(tap, at);
	err = lull_stretch_change(tap, at, rest->first, run_payload, now.len);
	/* the stretch before may have had its fill of rows: what changed within the run is told again */
	if (!err && (run_payload ^ now.payload) & 0xffff)
		err = lull_stretch_changed(tap, at, now.last, now.payload, now.len);
	return err;
}

/* Keeps count of gaps that disagree with the period in the same sense; called before the frame is noted. */
static void follow_run(struct lull_slot *slot, struct lull_slot_rest *rest, int64_t gap)
{
	int64_t off = gap - slot->phase.period;

	if (off <= slot->phase.period / 4 && off >= -(slot->phase.period / 4)) {
		rest->run = 0;
		slot->slow &= (uint8_t)~LULL_SLOW_RUN;
		return;
	}
	if ((off > 0 && rest->run > 0) || (off < 0 && rest->run < 0)) {
		rest->run = (int8_t)(rest->run + (off > 0 ? 1 : -1));
		return;
	}
	rest->before = *slot;
	rest->run = off > 0 ? 1 : -1;
	rest->held.zero = slot->last;
	rest->held.n = 0;
	slot->slow |= LULL_SLOW_RUN;
}

static int follow(struct lull_tap *tap, unsigned at, lull_time t, int64_t gap)
{
	struct lull_slot *slot = &tap->ids.slots[at];
	struct lull_slot_rest *rest = &tap->ids.rest[at];

	if (slot->slow & LULL_SLOW_RUN) {
		hold(rest, t);
		if (rest->held.n == 1)
			rest->run_payload = slot->payload;
		else if (rest->held.n == 2)
			rest->run_second = slot->payload;
		if (rest->held.n == RUN_LENGTH)
			return change_rate(tap, at);
	}
	int64_t r = lull_phase_step(&slot->phase, t);

	if (gap >= slot->phase.period / 4) {
		lull_stretch_moments(slot, r);
		if (!(slot->slow & LULL_SLOW_RUN)) /* of another rate, perhaps */
			lull_stretch_earliest(tap, at, r);
	}
	return 0;
}

int lull_stretch_frame(struct lull_tap *tap, unsigned at, const struct lull_frame *frame, lull_time t, bool copy)
{
	struct lull_slot *slot = &tap->ids.slots[at];
	struct lull_slot_rest *rest = &tap->ids.rest[at];
	int64_t gap = t - slot->last;
	bool learning = slot->slow & LULL_SLOW_LEARN, follower = false;

	if (!copy && !learning) {
		follower = rest->burst && gap < rest->burst;
		rest->followers = follower ? (uint8_t)(rest->followers + (rest->followers < UINT8_MAX)) : 0;
		if (rest->followers == UINT8_MAX)
			rest->burst = 0; /* that is no burst any more but another rate */
		else if (slot->phase.period && !follower)
			follow_run(slot, rest, gap);
	}
	int err = lull_stretch_note(tap, at, frame, t, gap);

	if (err)
		return err;
	if (rest->frames + slot->frames == 2)
		rest->payload_second = slot->payload;
	if (copy) {
		rest->back_to_back += rest->back_to_back < UINT32_MAX;
		return 0;
	}
	if (learning)
		learn(slot, rest, t, gap);
	else if (slot->phase.period && !follower)
		return follow(tap, at, t, gap);
	return 0;
}

/* --- what is known of the rhythm --- */

struct lull_rhythm lull_stretch_rhythm(const struct lull_tap *tap, unsigned at)
{
	const struct lull_slot *slot = &tap->ids.slots[at];
	const struct lull_slot_rest *rest = &tap->ids.rest[at];
	struct lull_rhythm rhythm = {.id = slot->id, .bus = tap->index, .last = slot->last, .next = LULL_NEVER,
		.began = slot->slow & LULL_SLOW_CLOSED ? LULL_NEVER : rest->first};
	bool cyclic = !(slot->slow & (LULL_SLOW_CLOSED | LULL_SLOW_EVENTS | LULL_SLOW_LEARN)) && slot->phase.period;
	struct lull_fit fit = rest->fit;

	if (cyclic) {
		const struct lull_fit window = {slot->n, slot->sk, slot->skk, slot->sr, slot->skr, slot->srr, slot->r_min};

		lull_fit_join(&fit, &window);
		rhythm.period_ns = slot->phase.period;
		rhythm.next = slot->phase.due;
	} else if (slot->slow & LULL_SLOW_EVENTS) {
		rhythm.period_ns = rest->regular >= 4 ? rest->event_gap : 0;
	} else {
		rhythm.period_ns = rest->period;
		if (!(slot->slow & LULL_SLOW_CLOSED) && !rhythm.period_ns && rest->held.n >= 4) {
			int64_t held[LULL_LEARN];

			for (unsigned i = 0; i < rest->held.n; i++)
				held[i] = (int64_t)rest->held.at[i] * LULL_HELD_UNIT;
			struct lull_rhythm_estimate estimate = lull_rhythm_estimate(held, rest->held.n, 0);

			rhythm.period_ns = estimate.burst ? 0 : (int64_t)estimate.period;
		}
	}
	if (rhythm.period_ns && rhythm.next == LULL_NEVER)
		rhythm.next = slot->last + rhythm.period_ns;
	rhythm.jitter_ns = rest->jitter;
	if (cyclic && fit.n >= 8) {
		double error, ppm = lull_fit_ppm(&fit, rhythm.period_ns, &error);

		rhythm.jitter_ns = (int64_t)fmin(lull_fit_residual(&fit), 1e10) + 1;
		rhythm.ppm = error < 20 ? ppm : 0;
	}
	rhythm.burst_ns = rest->burst;
	rhythm.frames = rest->frames_ever + rest->frames + slot->frames;
	return rhythm;
}
