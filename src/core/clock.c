/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clock: what time alone does to a bus: stretches end, silences begin, windows are over, blindness. Pure. */
#include "tap.h"

#define SWEEP LULL_SEC
#define STOPS_FORGOTTEN 12
#define BUS_SILENCE LULL_SEC
#define ERROR_TOKENS 64
#define ENTRY_TOKENS 64
#define ENTRY_TOKENS_PER_WINDOW 30

int lull_tap_close(struct lull_tap *tap, unsigned slot, enum lull_end end)
{
	if (tap->ids.slots[slot].slow & LULL_SLOW_EVENTS)
		return lull_events_close(tap, slot, end);
	return lull_stretch_close(tap, slot, end);
}

static int close_all(struct lull_tap *tap, enum lull_end end)
{
	int err = lull_overflow_close(tap, end);

	while (tap->active_n && !err)
		err = lull_tap_close(tap, tap->active[tap->active_n - 1], end);
	return err;
}

int lull_tap_close_events(struct lull_tap *tap, enum lull_end end)
{
	int err = 0;

	for (unsigned i = tap->active_n; i-- > 0 && !err;)
		if (tap->ids.slots[tap->active[i]].slow & LULL_SLOW_EVENTS)
			err = lull_events_close(tap, tap->active[i], end);
	return err;
}

static int tell_silence(struct lull_tap *tap)
{
	tap->silence_told = true;
	for (unsigned i = 0; i < tap->ids.used; i++)
		tap->ids.slots[i].slow |= LULL_SLOW_UNSEEN;
	return lull_edges_silence(&tap->edges, tap->sink);
}

static int sweep(struct lull_tap *tap, lull_time t)
{
	lull_time since = lull_tap_silent_since(tap);
	bool silent = since != LULL_NEVER && t - since >= BUS_SILENCE;
	int err = 0;

	for (unsigned i = tap->active_n; i-- > 0 && !err;) {
		unsigned at = tap->active[i];
		struct lull_slot *slot = &tap->ids.slots[at];
		struct lull_slot_rest *rest = &tap->ids.rest[at];

		if (slot->slow & LULL_SLOW_EVENTS)
			continue;
		if (!slot->slow && !rest->confirmed)
			lull_stretch_confirm(slot, rest);
		/* As long as no period is known the stretch may wait 10 s, but not through a silence of the bus. */
		bool unknown = slot->slow & LULL_SLOW_LEARN && !rest->period;

		if (t - slot->last > lull_stretch_limit(slot, rest) || (silent && unknown))
			err = lull_stretch_close(tap, at, LULL_END_GAP);
	}
	return err;
}

/* Start of the cadence window of t. */
static lull_time window_of(lull_time t)
{
	return t - t % LULL_CADENCE;
}

static int end_window(struct lull_tap *tap, lull_time t)
{
	lull_time over = tap->window + LULL_CADENCE;
	int err = lull_overflow_close(tap, LULL_END_OPEN);

	for (unsigned i = tap->active_n; i-- > 0 && !err;) {
		unsigned at = tap->active[i];

		if (!(tap->ids.slots[at].slow & LULL_SLOW_EVENTS))
			err = lull_stretch_window(tap, at);
		else
			err = lull_events_close(tap, at,
				over - tap->ids.slots[at].last > 10 * LULL_SEC ? LULL_END_GAP : LULL_END_OPEN);
	}
	for (unsigned i = 0; i < tap->ids.used; i++) {
		struct lull_slot_rest *rest = &tap->ids.rest[i];

		rest->rates = (uint8_t)(rest->rates - (rest->rates > 0));
		rest->stops = (uint8_t)(rest->stops > STOPS_FORGOTTEN ? rest->stops - STOPS_FORGOTTEN : 0);
	}
	tap->window = window_of(t);
	tap->edges.error_tokens += tap->edges.error_tokens < ERROR_TOKENS;
	tap->ids.tokens += ENTRY_TOKENS_PER_WINDOW;
	if (tap->ids.tokens > ENTRY_TOKENS)
		tap->ids.tokens = ENTRY_TOKENS;
	return err;
}

int lull_tap_advance(struct lull_tap *tap, lull_time t)
{
	lull_time since = lull_tap_silent_since(tap);
	int err = 0;

	if (since != LULL_NEVER && !tap->silence_told && t - since >= LULL_EDGE_SILENCE)
		err = tell_silence(tap);
	if (!err)
		err = sweep(tap, t);
	if (!err && tap->window == LULL_NEVER)
		tap->window = window_of(t);
	else if (!err && t >= tap->window + LULL_CADENCE)
		err = end_window(tap, t);
	/* A frame after a second of silence must find the alarm due, whatever ticks there were in between. */
	lull_time from = since != LULL_NEVER && since < t ? since : t;

	tap->alarm = from + SWEEP < tap->window + LULL_CADENCE ? from + SWEEP : tap->window + LULL_CADENCE;
	return err;
}

static int gap_row(struct lull_tap *tap, lull_time until, lull_time next)
{
	lull_time since = lull_tap_silent_since(tap);

	if (since == LULL_NEVER || until - since < BUS_SILENCE || !tap->sink->gap)
		return 0;
	const struct lull_gap row = {
		.bus = tap->index,
		.last = since,
		.next = next,
		.last_id = tap->last >= tap->heard_since ? tap->last_id : LULL_ID_NONE,
		.next_id = LULL_ID_NONE,
	};

	return tap->sink->gap(tap->sink->ctx, &row);
}

int lull_tap_blind(struct lull_tap *tap, lull_time from, lull_time to, enum lull_end end)
{
	lull_time since = lull_tap_silent_since(tap);

	if (since != LULL_NEVER && from < since)
		from = since;
	int err = lull_tap_advance(tap, from);

	if (!err)
		err = gap_row(tap, from, from);
	if (!err)
		err = close_all(tap, end);
	if (!err)
		err = lull_edges_drop(&tap->edges, tap->sink, false);
	if (to > tap->heard_since)
		tap->heard_since = to;
	tap->silence_told = false;
	tap->alarm = LULL_NEVER;
	return err;
}

int lull_tap_finish(struct lull_tap *tap, lull_time end)
{
	if (tap->last != LULL_NEVER && end < tap->last)
		end = tap->last;
	int err = lull_tap_advance(tap, end);

	if (!err)
		err = gap_row(tap, end, LULL_NEVER);
	if (!err)
		err = close_all(tap, LULL_END_OPEN);
	if (!err)
		err = lull_edges_drop(&tap->edges, tap->sink, true);
	tap->row.last = tap->last;
	if (!err && tap->sink->bus)
		err = tap->sink->bus(tap->sink->ctx, tap->index, &tap->row);
	return err;
}
