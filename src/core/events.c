/* SPDX-License-Identifier: GPL-3.0-or-later */
/* events: rows of event-driven IDs, one for each cadence window, and of what the full table could not take. Pure. */
#include "tap.h"

#define REGULAR 16 /* successive gaps that agree make an ID cyclic again; doubled each time it fell back */
#define PATIENCE 6

/* Bin of LULL_GAP_BINS: [62.5 us * 2^i, 62.5 us * 2^(i+1)); what is beyond counts in the last, below in the first. */
static unsigned gap_bin(int64_t gap)
{
	uint64_t units = (uint64_t)gap / 62500;

	if (units < 2)
		return 0;
	unsigned bin = 63 - (unsigned)__builtin_clzll(units);

	return bin < LULL_GAP_BINS ? bin : LULL_GAP_BINS - 1;
}

static void count_gap(uint32_t *bins, int64_t *least, int64_t *most, int64_t gap)
{
	bins[gap_bin(gap)]++;
	if (gap < *least)
		*least = gap;
	if (gap > *most)
		*most = gap;
}

/* True once the ID has kept a period long enough to be called cyclic. */
static bool is_regular(struct lull_slot_rest *rest, int64_t gap)
{
	int64_t off = gap - rest->event_gap;

	if (rest->event_gap && off <= rest->event_gap / 4 && off >= -(rest->event_gap / 4)) {
		rest->regular = (uint16_t)(rest->regular + (rest->regular < UINT16_MAX));
		rest->event_gap += off / 8;
	} else {
		rest->regular = 0;
		rest->event_gap = gap;
	}
	return rest->regular >= REGULAR << rest->patience && rest->event_gap <= 9 * LULL_SEC;
}

static int begin_row(struct lull_tap *tap, unsigned at, const struct lull_frame *frame, lull_time t)
{
	struct lull_slot *slot = &tap->ids.slots[at];
	struct lull_slot_rest *rest = &tap->ids.rest[at];

	slot->slow = (uint8_t)((slot->slow & LULL_SLOW_UNSEEN) | LULL_SLOW_EVENTS);
	memset(&rest->events, 0, sizeof(rest->events));
	rest->events.gap_min = INT64_MAX;
	return lull_stretch_first(tap, at, frame, t);
}

int lull_events_frame(struct lull_tap *tap, unsigned at, const struct lull_frame *frame, lull_time t, bool copy)
{
	struct lull_slot *slot = &tap->ids.slots[at];
	struct lull_slot_rest *rest = &tap->ids.rest[at];
	bool closed = rest->active == LULL_SLOT_NONE;
	int64_t gap = slot->last >= tap->heard_since ? t - slot->last : -1;

	if (gap >= 0 && !copy && is_regular(rest, gap)) {
		int err = closed ? 0 : lull_events_close(tap, at, LULL_END_RATE);

		slot->slow = (uint8_t)((slot->slow & LULL_SLOW_UNSEEN) | LULL_SLOW_CLOSED);
		rest->patience = (uint8_t)(rest->patience + (rest->patience < PATIENCE));
		rest->short_n = rest->short_at = rest->rates = rest->stops = 0;
		rest->regular = 0;
		rest->period = lull_rhythm_nominal((double)rest->event_gap, 0.02);
		rest->learned_from = 5;
		rest->burst = 0;
		return err ? err : lull_stretch_open(tap, at, frame, t);
	}
	if (closed) {
		int err = begin_row(tap, at, frame, t);

		if (gap >= 0)
			count_gap(rest->events.bins, &rest->events.gap_min, &rest->events.gap_max, gap);
		return err;
	}
	/* Longer gaps than a slot's 32 bits hold are counted apart; here only what the frames say is noted. */
	int err = lull_stretch_note(tap, at, frame, t, 0);

	if (rest->frames + slot->frames == 2)
		rest->payload_second = slot->payload;
	if (copy)
		rest->back_to_back += rest->back_to_back < UINT32_MAX;
	if (gap >= 0)
		count_gap(rest->events.bins, &rest->events.gap_min, &rest->events.gap_max, gap);
	return err;
}

int lull_events_close(struct lull_tap *tap, unsigned at, enum lull_end end)
{
	struct lull_slot *slot = &tap->ids.slots[at];
	struct lull_slot_rest *rest = &tap->ids.rest[at];
	uint64_t frames = rest->frames + slot->frames;
	struct lull_stretch row = {
		.id = slot->id,
		.bus = tap->index,
		.kind = LULL_STRETCH_EVENTS,
		.end = (uint8_t)end,
		.flags = slot->flags,
		.first = rest->first,
		.last = slot->last,
		.frames = frames,
		.bits = lull_stretch_bits_of(rest, frames),
		.period_ns = rest->regular >= 4 ? rest->event_gap : 0,
		.back_to_back = rest->back_to_back,
		.changes = rest->changes,
		.len = rest->len_first,
		.changed_bits = slot->changed,
		.changes_left_out = rest->changes_left_out,
		.sent = LULL_NOT_COUNTED,
	};

	if (rest->events.gap_min != INT64_MAX) {
		row.gap_min = rest->events.gap_min;
		row.gap_max = rest->events.gap_max;
	}
	memcpy(row.bins, rest->events.bins, sizeof(row.bins));
	lull_stretch_payload(row.payload_first, rest->payload_first);
	lull_stretch_payload(row.payload_second, rest->payload_second);
	lull_stretch_payload(row.payload_last, slot->payload);
	tap->row.bits += row.bits;
	lull_stretch_over(tap, at, frames);
	return tap->sink->stretch ? tap->sink->stretch(tap->sink->ctx, &row) : 0;
}

void lull_overflow_frame(struct lull_tap *tap, const struct lull_frame *frame, lull_time t)
{
	struct lull_overflow *over = &tap->overflow;
	uint32_t hash = frame->id * UINT32_C(0x9E3779B1);
	uint64_t bit = UINT64_C(1) << (hash >> 16 & 63), *word = &over->seen[hash >> 22];

	if (!(*word & bit)) {
		*word |= bit;
		tap->row.overflow_ids++;
	}
	if (!over->frames) {
		over->first = t;
		over->gap_min = INT64_MAX;
		over->gap_max = 0;
		over->flags = 0;
		memset(over->bins, 0, sizeof(over->bins));
	} else {
		count_gap(over->bins, &over->gap_min, &over->gap_max, t - over->last);
	}
	if (!(over->frames % 16)) {
		struct lull_frame_bits bits = lull_frame_bits(frame);

		over->bits = bits.nominal + bits.data;
	}
	tap->row.bits += over->bits;
	over->total_bits += over->bits;
	over->frames++;
	over->flags |= frame->flags;
	over->last = t;
	tap->row.overflow++;
}

int lull_overflow_close(struct lull_tap *tap, enum lull_end end)
{
	struct lull_overflow *over = &tap->overflow;
	struct lull_stretch row = {
		.id = LULL_ID_NONE,
		.bus = tap->index,
		.kind = LULL_STRETCH_OVERFLOW,
		.end = (uint8_t)end,
		.flags = over->flags,
		.first = over->first,
		.last = over->last,
		.frames = over->frames,
		.bits = over->total_bits,
		.sent = LULL_NOT_COUNTED,
	};

	if (!over->frames)
		return 0;
	if (over->frames > 1) {
		row.gap_min = over->gap_min;
		row.gap_max = over->gap_max;
	}
	memcpy(row.bins, over->bins, sizeof(row.bins));
	over->frames = over->total_bits = 0;
	return tap->sink->stretch ? tap->sink->stretch(tap->sink->ctx, &row) : 0;
}
