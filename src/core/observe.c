/* SPDX-License-Identifier: GPL-3.0-or-later */
/* observe: frames in, rows out: the short way that nearly every frame takes, and the way round. Pure. */
#include <lull/observe.h>

#include "tap.h"
#include <errno.h>
#include <stdlib.h>

#define REORDER LULL_SEC /* frames of a bus may be out of order by so much */
#define TIME_MAX (INT64_MAX / 4)
#define COPY_LEAST LULL_MS
#define COPY_COARSE (5 * LULL_MS / 2) /* for IDs whose period is far longer */
#define EVENT_CUT LULL_MIN /* event rows do not span a silence of the bus as long as this */

struct lull_observer {
	struct lull_sink sink;
	int error; /* of the sink: the work has ended */
	unsigned buses;
	struct lull_tap *tap[LULL_BUS_MAX];
};

struct lull_observer *lull_observer_new(const struct lull_sink *sink)
{
	struct lull_observer *observer = calloc(1, sizeof(*observer));

	if (observer)
		observer->sink = *sink;
	return observer;
}

static void tap_free(struct lull_tap *tap)
{
	lull_idtable_clear(&tap->ids);
	free(tap);
}

void lull_observer_free(struct lull_observer *observer)
{
	if (!observer)
		return;
	for (unsigned i = 0; i < observer->buses; i++)
		tap_free(observer->tap[i]);
	free(observer);
}

/* What a sink refuses ends the work; every later call must see it, so no frame may take the short way. */
static int outcome(struct lull_observer *observer, int err)
{
	if (!err)
		return 0;
	observer->error = err;
	for (unsigned i = 0; i < observer->buses; i++)
		observer->tap[i]->alarm = LULL_NEVER;
	return err;
}

static void set_rates(struct lull_tap *tap, uint32_t bitrate, uint32_t bitrate_data)
{
	if (bitrate)
		tap->row.bitrate = bitrate;
	if (bitrate_data)
		tap->row.bitrate_data = bitrate_data;
	/* Three of the longest classical frames. */
	int64_t three = tap->row.bitrate ? 3 * 160 * LULL_SEC / tap->row.bitrate : 0;

	tap->copy_ns = three > COPY_LEAST ? three : COPY_LEAST;
}

static struct lull_tap *tap_new(struct lull_observer *observer, const char *name)
{
	struct lull_tap *tap = calloc(1, sizeof(*tap));

	if (!tap)
		return NULL;
	if (lull_idtable_init(&tap->ids)) {
		free(tap);
		return NULL;
	}
	tap->sink = &observer->sink;
	tap->index = (uint8_t)observer->buses;
	tap->last = tap->alarm = tap->heard_since = tap->window = LULL_NEVER;
	tap->last_id = LULL_ID_NONE;
	tap->row.first = tap->row.last = LULL_NEVER;
	tap->row.sent = LULL_NOT_COUNTED;
	memcpy(tap->row.name, name, strnlen(name, LULL_BUS_NAME - 1));
	lull_edges_init(&tap->edges);
	return tap;
}

int lull_observer_bus(struct lull_observer *observer, const char *name, uint32_t bitrate, uint32_t bitrate_data)
{
	if (observer->error)
		return observer->error;
	for (unsigned i = 0; i < observer->buses; i++) {
		if (strncmp(observer->tap[i]->row.name, name, LULL_BUS_NAME - 1) != 0)
			continue;
		set_rates(observer->tap[i], bitrate, bitrate_data);
		return (int)i;
	}
	if (observer->buses == LULL_BUS_MAX)
		return -ENOSPC;
	struct lull_tap *tap = tap_new(observer, name);

	if (!tap)
		return -ENOMEM;
	set_rates(tap, bitrate, bitrate_data);
	observer->tap[observer->buses++] = tap;
	int err = observer->sink.bus ? observer->sink.bus(observer->sink.ctx, tap->index, &tap->row) : 0;

	return err ? outcome(observer, err) : tap->index;
}

/* --- the way round --- */

/* How soon an equal frame counts as a copy sent back to back. */
static int64_t copy_limit(const struct lull_tap *tap, unsigned at)
{
	const struct lull_slot *slot = &tap->ids.slots[at];
	int64_t period = slot->phase.period ? slot->phase.period : tap->ids.rest[at].period;

	if (!period)
		return tap->copy_ns;
	if (period >= 8 * COPY_COARSE && tap->copy_ns < COPY_COARSE)
		return COPY_COARSE;
	return tap->copy_ns < period / 4 ? tap->copy_ns : period / 4;
}

/* Does the frame repeat its ID's last one at once? Payloads longer than a slot keeps are compared where the frame
 * before on the bus is that one. */
static bool is_copy(const struct lull_tap *tap, unsigned at, const struct lull_edge *newest,
	const struct lull_frame *frame, lull_time t)
{
	const struct lull_slot *slot = &tap->ids.slots[at];
	unsigned len;
	uint64_t payload = lull_payload(frame, &len);

	if (tap->ids.rest[at].active == LULL_SLOT_NONE || payload != slot->payload || len != slot->len ||
		t - slot->last > copy_limit(tap, at))
		return false;
	if (frame->len <= LULL_PAYLOAD_KEPT)
		return true;
	return newest && newest->frame.id == frame->id && newest->frame.len == frame->len &&
		!memcmp(newest->frame.data, frame->data, frame->len);
}

/* The slot of a frame's ID, new if need be and possible; LULL_SLOT_NONE: the overflow entry. */
static unsigned slot_of(struct lull_tap *tap, uint32_t id, lull_time t, int *err)
{
	unsigned at = lull_idtable_find(&tap->ids, id);

	if (at == LULL_SLOT_NONE)
		at = lull_idtable_add(&tap->ids, id);
	if (at != LULL_SLOT_NONE)
		return at;
	at = lull_idtable_victim(&tap->ids, id, t);
	if (at == LULL_SLOT_NONE)
		return at;
	if (tap->ids.rest[at].active != LULL_SLOT_NONE)
		*err = lull_tap_close(tap, at, LULL_END_EVICTED);
	lull_idtable_replace(&tap->ids, at, id);
	return at;
}

static int into_stretch(struct lull_tap *tap, unsigned at, const struct lull_frame *frame, lull_time t, bool copy)
{
	struct lull_slot *slot = &tap->ids.slots[at];

	if (!(slot->slow & (LULL_SLOW_CLOSED | LULL_SLOW_EVENTS)) &&
		t - slot->last > lull_stretch_limit(slot, &tap->ids.rest[at])) {
		int err = lull_stretch_close(tap, at, LULL_END_GAP);

		if (err)
			return err;
	}
	if (slot->slow & LULL_SLOW_EVENTS)
		return lull_events_frame(tap, at, frame, t, copy);
	if (slot->slow & LULL_SLOW_CLOSED)
		return lull_stretch_open(tap, at, frame, t);
	return lull_stretch_frame(tap, at, frame, t, copy);
}

/* Data and remote frames. */
static int life(struct lull_tap *tap, const struct lull_frame *frame)
{
	lull_time t = frame->t;
	int err = 0;
	unsigned at = slot_of(tap, frame->id, t, &err);

	if (err)
		return err;
	struct lull_edge *newest = lull_edges_newest(&tap->edges);
	bool copy = at != LULL_SLOT_NONE && is_copy(tap, at, newest, frame, t);

	if (copy && newest && newest->frame.id == frame->id && newest->frame.flags == frame->flags) {
		newest->copies += newest->copies < UINT32_MAX;
		newest->last_copy = t;
	} else {
		bool unseen = at != LULL_SLOT_NONE && tap->ids.slots[at].slow & LULL_SLOW_UNSEEN;

		err = lull_edges_add(&tap->edges, tap->sink, frame, unseen);
		if (err)
			return err;
		if (at != LULL_SLOT_NONE)
			tap->ids.slots[at].slow &= (uint8_t)~LULL_SLOW_UNSEEN;
	}
	tap->last = t;
	tap->last_id = frame->id;
	tap->row.frames++;
	if (tap->row.first == LULL_NEVER)
		tap->row.first = t;
	if (at != LULL_SLOT_NONE)
		return into_stretch(tap, at, frame, t, copy);
	lull_overflow_frame(tap, frame, t);
	return 0;
}

/* A frame ends a silence. */
static int end_silence(struct lull_tap *tap, const struct lull_frame *frame)
{
	lull_time since = lull_tap_silent_since(tap), t = frame->t;
	int err = 0;

	if (since == LULL_NEVER || t - since < LULL_SEC)
		return 0;
	if (t - since >= EVENT_CUT)
		err = lull_tap_close_events(tap, LULL_END_GAP);
	tap->silence_told = false;
	if (err || !tap->sink->gap)
		return err;
	const struct lull_gap row = {
		.bus = tap->index,
		.last = since,
		.next = t,
		.last_id = tap->last >= tap->heard_since ? tap->last_id : LULL_ID_NONE,
		.next_id = frame->id,
	};

	return tap->sink->gap(tap->sink->ctx, &row);
}

/* The frame's time is in order. */
static int way_round(struct lull_tap *tap, const struct lull_frame *frame)
{
	int err = frame->t >= tap->alarm ? lull_tap_advance(tap, frame->t) : 0;

	if (err)
		return err;
	if (frame->flags & LULL_FRAME_ERROR) {
		tap->row.errors++;
		return lull_edges_error(&tap->edges, tap->sink, frame);
	}
	err = end_silence(tap, frame);
	return err ? err : life(tap, frame);
}

static int in_order(struct lull_observer *observer, struct lull_tap *tap, const struct lull_frame *frame)
{
	lull_time t = frame->t;

	if (observer->error)
		return observer->error;
	if (t < -REORDER || t > TIME_MAX || frame->len > sizeof(frame->data) ||
		(!(frame->flags & LULL_FRAME_ERROR) && !lull_id_is_valid(frame->id)))
		return -EINVAL;
	if (t < 0)
		t = 0;
	if (t < tap->last) {
		if (tap->last - t > REORDER)
			return -EINVAL;
		t = tap->last;
	}
	if (t == frame->t)
		return outcome(observer, way_round(tap, frame));
	struct lull_frame moved = *frame;

	moved.t = t;
	return outcome(observer, way_round(tap, &moved));
}

/* --- the short way --- */

int lull_observer_frame(struct lull_observer *observer, const struct lull_frame *frame)
{
	if (frame->bus >= observer->buses)
		return -EINVAL;
	struct lull_tap *tap = observer->tap[frame->bus];
	uint32_t id = frame->id;
	lull_time t = frame->t;

	if (t < tap->last || t >= tap->alarm || id == tap->last_id ||
		frame->flags & LULL_FRAME_ERROR || frame->len > sizeof(frame->data) || !lull_id_is_valid(id))
		return in_order(observer, tap, frame);
	unsigned at = lull_idtable_find(&tap->ids, id);

	if (at == LULL_SLOT_NONE || tap->ids.slots[at].slow)
		return in_order(observer, tap, frame);
	struct lull_slot *slot = &tap->ids.slots[at];
	int64_t period = slot->phase.period, quarter = period >> 2, gap = t - slot->last, late = t - slot->phase.due;

	if ((uint64_t)(gap - period + quarter) > (uint64_t)(2 * quarter) ||
		(uint64_t)(late + 2 * quarter) > (uint64_t)(4 * quarter))
		return in_order(observer, tap, frame);
	/* As lull_phase_step() does for the next index. */
	slot->phase.k++;
	slot->phase.line += period;
	slot->phase.due += period + (late >> LULL_PHASE_SHIFT);
	lull_stretch_moments(slot, t - slot->phase.line);
	lull_stretch_earliest(tap, at, t - slot->phase.line);
	tap->last = t;
	tap->last_id = id;
	tap->row.frames++;
	int err = lull_stretch_note(tap, at, frame, t, gap);

	if (!err)
		err = lull_edges_add(&tap->edges, tap->sink, frame, false);
	return __builtin_expect(err, 0) ? outcome(observer, err) : 0;
}

/* --- time and the end --- */

int lull_observer_tick(struct lull_observer *observer, lull_time now)
{
	if (observer->error)
		return observer->error;
	if (now < 0 || now > TIME_MAX)
		return -EINVAL;
	for (unsigned i = 0; i < observer->buses; i++) {
		struct lull_tap *tap = observer->tap[i];
		int err = 0;

		if (lull_tap_silent_since(tap) == LULL_NEVER)
			tap->heard_since = now;
		else if (now >= lull_tap_silent_since(tap) && now >= tap->alarm)
			err = lull_tap_advance(tap, now);
		if (err)
			return outcome(observer, err);
	}
	return 0;
}

static bool bus_matches(unsigned bus, unsigned index)
{
	return bus == LULL_BUS_ALL || bus == index;
}

int lull_observer_blind(struct lull_observer *observer, unsigned bus, lull_time from, lull_time to,
	enum lull_coverage_why why)
{
	int err = 0;

	if (observer->error)
		return observer->error;
	if ((bus != LULL_BUS_ALL && bus >= observer->buses) || from < 0 || to < from || to > TIME_MAX ||
		(unsigned)why >= LULL_COVERAGE_COUNT || why == LULL_OBSERVED)
		return -EINVAL;
	for (unsigned i = 0; i < observer->buses && !err; i++)
		if (bus_matches(bus, i))
			err = lull_tap_blind(observer->tap[i], from, to,
				why == LULL_BLIND_FRAMES_LOST ? LULL_END_LOSS : LULL_END_BLIND);
	if (!err && observer->sink.coverage) {
		const struct lull_coverage row = {.bus = (uint8_t)bus, .why = (uint8_t)why, .from = from, .to = to};

		err = observer->sink.coverage(observer->sink.ctx, &row);
	}
	return outcome(observer, err);
}

int lull_observer_finish(struct lull_observer *observer, lull_time end)
{
	int err = 0;

	if (observer->error)
		return observer->error;
	if (end < 0 || end > TIME_MAX)
		return -EINVAL;
	for (unsigned i = 0; i < observer->buses && !err; i++)
		err = lull_tap_finish(observer->tap[i], end);
	/* Nothing can follow. */
	(void)outcome(observer, err ? err : -ESHUTDOWN);
	return err;
}

/* A copy of the bus comes to its end in its stead. */
static int glance(const struct lull_tap *tap, lull_time now, const struct lull_sink *sink)
{
	struct lull_tap *copy = malloc(sizeof(*copy));
	size_t slots = tap->ids.used ? tap->ids.used : 1;
	int err = -ENOMEM;

	if (!copy)
		return err;
	*copy = *tap;
	copy->sink = sink;
	/* No ID is new at the end: slots that are used will do. */
	copy->ids.slots = aligned_alloc(64, slots * sizeof(*copy->ids.slots));
	copy->ids.rest = malloc(slots * sizeof(*copy->ids.rest));
	if (copy->ids.slots && copy->ids.rest) {
		memcpy(copy->ids.slots, tap->ids.slots, tap->ids.used * sizeof(*copy->ids.slots));
		memcpy(copy->ids.rest, tap->ids.rest, tap->ids.used * sizeof(*copy->ids.rest));
		err = lull_tap_finish(copy, now);
	}
	tap_free(copy);
	return err;
}

int lull_observer_glance(const struct lull_observer *observer, lull_time now, const struct lull_sink *sink)
{
	int err = observer->error;

	if (!err && (now < 0 || now > TIME_MAX))
		err = -EINVAL;
	for (unsigned i = 0; i < observer->buses && !err; i++)
		err = glance(observer->tap[i], now, sink);
	return err;
}

size_t lull_observer_rhythms(const struct lull_observer *observer, unsigned bus, lull_time since,
	struct lull_rhythm *out, size_t max)
{
	size_t n = 0;

	for (unsigned i = 0; i < observer->buses; i++) {
		const struct lull_tap *tap = observer->tap[i];

		if (!bus_matches(bus, i))
			continue;
		for (unsigned at = 0; at < tap->ids.used && n < max; at++)
			if (tap->ids.slots[at].last != LULL_NEVER && tap->ids.slots[at].last >= since)
				out[n++] = lull_stretch_rhythm(tap, at);
	}
	return n;
}
