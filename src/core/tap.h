/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tap: one bus being observed: its IDs, its open stretches, its silences. Shared by observe, clock, stretch and events.
 * Pure. */
#ifndef LULL_CORE_TAP_H
#define LULL_CORE_TAP_H

#include "edges.h"
#include "idtable.h"
#include <lull/observe.h>
#include <endian.h>
#include <string.h>

/* Frames of IDs that the full table could not take. */
struct lull_overflow {
	uint64_t frames, bits, total_bits; /* bits: of the last frame looked at */
	lull_time first, last;
	int64_t gap_min, gap_max;
	uint32_t bins[LULL_GAP_BINS];
	uint8_t flags;
	uint64_t seen[1024]; /* by hash: set bits are a lower bound of how many IDs there were */
};

struct lull_tap {
	const struct lull_sink *sink; /* the observer's */
	lull_time last; /* last frame; LULL_NEVER: none yet */
	lull_time alarm; /* at this instant or later the bus's clock has work to do; LULL_NEVER: always */
	uint32_t last_id;
	uint8_t index;
	bool silence_told; /* the edges know of the present silence */
	lull_time heard_since; /* end of the last blind time, or start of observation; LULL_NEVER: neither known */
	lull_time window; /* start of the present cadence window */
	int64_t copy_ns; /* an equal frame within this may be a copy sent back to back */
	unsigned active_n;
	uint16_t active[LULL_SLOTS]; /* slots with an open stretch or event row */
	struct lull_idtable ids;
	struct lull_edges edges;
	struct lull_overflow overflow;
	struct lull_bus row;
};

/* Since when the bus is silent as far as was observed; LULL_NEVER: nothing was observed yet. */
static inline lull_time lull_tap_silent_since(const struct lull_tap *tap)
{
	return tap->last > tap->heard_since ? tap->last : tap->heard_since;
}

/* --- clock.c: what time alone does to a bus --- */

/* Closes what has ended by t, tells the edges of a silence, ends cadence windows. Due when t >= alarm. */
LULL_MUST_CHECK int lull_tap_advance(struct lull_tap *, lull_time t);
/* The bus cannot be heard from `from` to `to`. */
LULL_MUST_CHECK int lull_tap_blind(struct lull_tap *, lull_time from, lull_time to, enum lull_end);
LULL_MUST_CHECK int lull_tap_finish(struct lull_tap *, lull_time end);
/* Ends an open stretch or row. */
LULL_MUST_CHECK int lull_tap_close(struct lull_tap *, unsigned slot, enum lull_end);
/* Ends the event rows only. */
LULL_MUST_CHECK int lull_tap_close_events(struct lull_tap *, enum lull_end);

/* Payload as the slots keep it: byte 0 lowest, zero beyond len. */
static inline uint64_t lull_payload(const struct lull_frame *frame, unsigned *len)
{
	uint64_t raw;

	*len = frame->flags & LULL_FRAME_REMOTE ? 0 : frame->len < LULL_PAYLOAD_KEPT ? frame->len : LULL_PAYLOAD_KEPT;
	memcpy(&raw, frame->data, sizeof(raw));
	raw = le64toh(raw);
	return *len < LULL_PAYLOAD_KEPT ? raw & ((UINT64_C(1) << (8 * *len)) - 1) : raw;
}

/* --- stretch.c: runs of one ID --- */

/* A frame that opens a stretch; the slot has none. */
LULL_MUST_CHECK int lull_stretch_open(struct lull_tap *, unsigned slot, const struct lull_frame *, lull_time t);
/* A frame of an open stretch that cannot take the short way. copy: it repeats the one before, back to back. */
LULL_MUST_CHECK int lull_stretch_frame(struct lull_tap *, unsigned slot, const struct lull_frame *, lull_time t, bool copy);
LULL_MUST_CHECK int lull_stretch_close(struct lull_tap *, unsigned slot, enum lull_end);
/* The present cadence window is over, the stretch goes on. */
LULL_MUST_CHECK int lull_stretch_window(struct lull_tap *, unsigned slot);
/* Looks at the nominal period once more when there are arrivals enough. */
void lull_stretch_confirm(struct lull_slot *, struct lull_slot_rest *);
/* So long may the ID be silent within a stretch. */
int64_t lull_stretch_limit(const struct lull_slot *, const struct lull_slot_rest *);
/* The row for bytes 0 and 1 at the start of a stretch. */
LULL_MUST_CHECK int lull_stretch_change(struct lull_tap *, unsigned slot, lull_time t, uint64_t payload, unsigned len);
/* The same when they changed: counted. */
LULL_MUST_CHECK int lull_stretch_changed(struct lull_tap *, unsigned slot, lull_time t, uint64_t payload, unsigned len);
/* Looks at the bits of a frame, as is done for one in 16. */
void lull_stretch_bits(struct lull_slot_rest *, const struct lull_frame *);
/* What the ID's rhythm is now: period (0 unknown), instant at which it is expected next, jitter. */
struct lull_rhythm lull_stretch_rhythm(const struct lull_tap *, unsigned slot);

/* What stretches and event rows begin and end with. */
LULL_MUST_CHECK int lull_stretch_first(struct lull_tap *, unsigned slot, const struct lull_frame *, lull_time t);
void lull_stretch_clear(struct lull_slot *, struct lull_slot_rest *, lull_time first);
void lull_stretch_over(struct lull_tap *, unsigned slot, uint64_t frames);
uint64_t lull_stretch_bits_of(const struct lull_slot_rest *, uint64_t frames); /* mean of those looked at */
void lull_stretch_payload(uint8_t to[LULL_PAYLOAD_KEPT], uint64_t payload);

/* A block of arrivals is full: its earliest goes into the floor. */
void lull_stretch_block(struct lull_slot *, struct lull_slot_rest *);

/* One arrival into the moments. */
static inline void lull_stretch_moments(struct lull_slot *slot, int64_t r)
{
	double k = (double)slot->phase.k, rd = (double)r;

	slot->n++;
	slot->sk += k;
	slot->skk += k * k;
	slot->sr += rd;
	slot->skr += k * rd;
	slot->srr += rd * rd;
	if (r < slot->r_min)
		slot->r_min = r;
}

/* The same arrival into its block. */
static inline void lull_stretch_earliest(struct lull_tap *tap, unsigned at, int64_t r)
{
	struct lull_slot *slot = &tap->ids.slots[at];
	double above = (double)r - slot->slope * (double)slot->phase.k;

	if (above < slot->low) {
		slot->low = above;
		slot->low_k = (uint32_t)slot->phase.k;
	}
	if (!--slot->left)
		lull_stretch_block(slot, &tap->ids.rest[at]);
}

static inline void lull_stretch_gap(struct lull_slot *slot, int64_t gap)
{
	uint32_t units = (uint32_t)((uint64_t)gap / LULL_GAP_UNIT);

	if (units < slot->gap_min)
		slot->gap_min = units;
	if (units > slot->gap_max)
		slot->gap_max = units;
}

/* What every frame of an open stretch or row leaves in its slot, the fit aside. */
LULL_MUST_CHECK static inline int lull_stretch_note(struct lull_tap *tap, unsigned at, const struct lull_frame *frame,
	lull_time t, int64_t gap)
{
	struct lull_slot *slot = &tap->ids.slots[at];
	unsigned len;
	uint64_t payload = lull_payload(frame, &len), changed = payload ^ slot->payload;

	slot->payload = payload;
	slot->changed |= changed;
	slot->flags |= frame->flags;
	slot->last = t;
	lull_stretch_gap(slot, gap);
	if (!(++slot->frames % 16))
		lull_stretch_bits(&tap->ids.rest[at], frame);
	if (changed & 0xffff || len != slot->len) {
		bool shown = changed & 0xffff || (len < 2 ? len : 2) != (slot->len < 2 ? slot->len : 2);

		slot->len = (uint8_t)len;
		if (shown)
			return lull_stretch_changed(tap, at, t, payload, len);
	}
	return 0;
}

/* --- events.c: rows of event-driven IDs and of the overflow --- */

LULL_MUST_CHECK int lull_events_frame(struct lull_tap *, unsigned slot, const struct lull_frame *, lull_time t, bool copy);
/* Writes the open row out; the ID stays event-driven. */
LULL_MUST_CHECK int lull_events_close(struct lull_tap *, unsigned slot, enum lull_end);
void lull_overflow_frame(struct lull_tap *, const struct lull_frame *, lull_time t);
LULL_MUST_CHECK int lull_overflow_close(struct lull_tap *, enum lull_end);

/* --- the list of what is open --- */

static inline void lull_tap_activate(struct lull_tap *tap, unsigned slot)
{
	tap->ids.rest[slot].active = (uint16_t)tap->active_n;
	tap->active[tap->active_n++] = (uint16_t)slot;
}

static inline void lull_tap_retire(struct lull_tap *tap, unsigned slot)
{
	unsigned at = tap->ids.rest[slot].active, moved = tap->active[--tap->active_n];

	tap->active[at] = (uint16_t)moved;
	tap->ids.rest[moved].active = (uint16_t)at;
	tap->ids.rest[slot].active = LULL_SLOT_NONE;
}

#endif
