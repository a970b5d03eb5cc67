/* SPDX-License-Identifier: GPL-3.0-or-later */
/* columns: which member of a row is which column, and each value's range, for writing and reading alike. */
#include "recording.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *kind_word(int i)
{
	switch ((enum lull_stretch_kind)i) {
	case LULL_STRETCH_CYCLIC: return "cyclic";
	case LULL_STRETCH_EVENTS: return "events";
	case LULL_STRETCH_OVERFLOW: return "overflow";
	}
	return "?";
}

static const char *edge_word(int i)
{
	switch ((enum lull_edge_kind)i) {
	case LULL_EDGE_FIRST: return "first";
	case LULL_EDGE_LAST: return "last";
	case LULL_EDGE_NEW_ID: return "new";
	}
	return "?";
}

static const char *gap_word(int i)
{
	switch ((enum lull_gap_kind)i) {
	case LULL_GAP_SILENCE: return "silence";
	case LULL_GAP_PAUSE: return "pause";
	}
	return "?";
}

static const char *quantity_word(int i)
{
	switch ((enum lull_quantity)i) {
	case LULL_CURRENT: return "current";
	case LULL_VOLTAGE: return "voltage";
	}
	return "?";
}

static const char *outcome_word(int i)
{
	switch ((enum lull_repair_outcome)i) {
	case LULL_REPAIR_CONFIRMED: return "confirmed";
	case LULL_REPAIR_WRONG: return "wrong";
	case LULL_REPAIR_OTHER: return "other";
	}
	return "?";
}

static const char *end_word(int i)
{
	return lull_end_name((enum lull_end)i);
}

static const char *coverage_word(int i)
{
	return lull_coverage_name((enum lull_coverage_why)i);
}

static const char *mark_word(int i)
{
	return lull_mark_name((enum lull_mark_kind)i);
}

/* 0 and 0 where a value is no number, or its `limit` or its own format bounds it. */
#define WHOLE(from, to) \
	{ \
		.least = (from), .most = (to) \
	}
#define REAL(from, to) \
	{ \
		.real_least = (from), .real_most = (to) \
	}
const struct lull_bounds lull_bounds[LULL_COL_KINDS] = {
	[LULL_COL_BUS] = WHOLE(0, LULL_BUS_MAX - 1),
	[LULL_COL_BUS_OR_ALL] = WHOLE(0, LULL_BUS_MAX - 1),
	[LULL_COL_TIME] = WHOLE(0, LULL_TIME_LIMIT),
	[LULL_COL_TIME_OR_NEVER] = WHOLE(0, LULL_TIME_LIMIT),
	[LULL_COL_SHIFT] = WHOLE(-LULL_TIME_LIMIT, LULL_TIME_LIMIT),
	[LULL_COL_STEP] = WHOLE(1, LULL_TIME_LIMIT),
	[LULL_COL_UTC] = WHOLE(-LULL_UTC_LIMIT, LULL_UTC_LIMIT),
	[LULL_COL_UINT32] = WHOLE(0, UINT32_MAX),
	[LULL_COL_BIT_RATE] = WHOLE(0, 1000000000),
	[LULL_COL_UINT64] = WHOLE(0, LULL_COUNT_LIMIT),
	[LULL_COL_COUNT] = WHOLE(0, LULL_COUNT_LIMIT),
	[LULL_COL_BITS64] = WHOLE(INT64_MIN, INT64_MAX),
	[LULL_COL_FLAG] = WHOLE(0, 1),
	[LULL_COL_REAL] = REAL(-1e10, 1e10), /* s: three hundred years; mA: ten million amperes */
	[LULL_COL_REAL_OR_NAN] = REAL(-1e10, 1e10),
	[LULL_COL_ARRIVALS] = REAL(0, (double)LULL_COUNT_LIMIT),
	[LULL_COL_SUM] = REAL(-1e52,
		1e52), /* of as many squares of the longest time; products of two are far from overflow */
};

#define FLAGS_OF_DATA (LULL_FRAME_REMOTE | LULL_FRAME_FD | LULL_FRAME_BRS | LULL_FRAME_ESI)
#define FLAGS_ALL (FLAGS_OF_DATA | LULL_FRAME_ERROR | LULL_FRAME_SENT)

/* Fields of a struct lull_column; ROW is the struct at hand. */
#define COL(name, kind, member) name, LULL_COL_##kind, offsetof(ROW, member), 0, NULL
#define COL_UP_TO(name, kind, member, limit) name, LULL_COL_##kind, offsetof(ROW, member), limit, NULL
#define COL_ARRAY(name, kind, member) \
	name, LULL_COL_##kind, offsetof(ROW, member), sizeof(((ROW *)0)->member), NULL
#define COL_WORD(name, member, count, word) name, LULL_COL_WORD, offsetof(ROW, member), count, word

#define ROW struct lull_bus_row
static const struct lull_column bus_columns[] = {
	{COL("bus", BUS, index)},
	{COL_ARRAY("name", TEXT, bus.name)},
	{COL("bitrate", BIT_RATE, bus.bitrate)},
	{COL("bitrate_data", BIT_RATE, bus.bitrate_data)},
	{COL("frames", UINT64, bus.frames)},
	{COL("bits", UINT64, bus.bits)},
	{COL("errors", UINT64, bus.errors)},
	{COL("overflow", UINT64, bus.overflow)},
	{COL("overflow_ids", UINT32, bus.overflow_ids)},
	{COL("first_ns", TIME_OR_NEVER, bus.first)},
	{COL("last_ns", TIME_OR_NEVER, bus.last)},
	{COL("sent", COUNT, bus.sent)},
};
#undef ROW

#define ROW struct lull_stretch
static const struct lull_column stretch_columns[] = {
	{COL("bus", BUS, bus)},
	{COL("id", ID, id)},
	{COL_WORD("kind", kind, LULL_STRETCH_OVERFLOW + 1, kind_word)},
	{COL_WORD("ended", end, LULL_END_RATE + 1, end_word)},
	{COL_UP_TO("flags", UINT8, flags, FLAGS_ALL)},
	{COL("first_ns", TIME, first)},
	{COL("last_ns", TIME, last)},
	{COL("frames", UINT64, frames)},
	{COL("bits", UINT64, bits)},
	{COL("period_ns", TIME, period_ns)},
	{COL("last_index", UINT64, index)},
	{COL("gap_min_ns", TIME, gap_min)},
	{COL("gap_max_ns", TIME, gap_max)},
	{COL("fit_n", ARRIVALS, fit.n)},
	{COL("fit_sk", SUM, fit.sk)},
	{COL("fit_skk", SUM, fit.skk)},
	{COL("fit_sr", SUM, fit.sr)},
	{COL("fit_skr", SUM, fit.skr)},
	{COL("fit_srr", SUM, fit.srr)},
	{COL("fit_r_min_ns", SHIFT, fit.r_min)},
	{COL("back_to_back", UINT32, back_to_back)},
	{COL("changes", UINT32, changes)},
	{COL_UP_TO("length", UINT8, len, LULL_PAYLOAD_KEPT)},
	{COL_ARRAY("payload_first", BYTES, payload_first)},
	{COL_ARRAY("payload_second", BYTES, payload_second)},
	{COL_ARRAY("payload_last", BYTES, payload_last)},
	{COL("changed_bits", BITS64, changed_bits)},
	{COL("gap_bins", BINS, bins)},
	{COL("floor", FLOOR, floor)},
	{COL("ceiling", FLOOR, ceiling)},
	{COL("changes_left_out", COUNT, changes_left_out)},
	{COL("sent", COUNT, sent)},
};
#undef ROW

#define ROW struct lull_cadence
static const struct lull_column cadence_columns[] = {
	{COL("bus", BUS, bus)},
	{COL("id", ID, id)},
	{COL("stretch_first_ns", TIME, stretch_first)},
	{COL("window_ns", TIME, window)},
	{COL("period_ns", TIME, period_ns)},
	{COL("fit_n", ARRIVALS, fit.n)},
	{COL("fit_sk", SUM, fit.sk)},
	{COL("fit_skk", SUM, fit.skk)},
	{COL("fit_sr", SUM, fit.sr)},
	{COL("fit_skr", SUM, fit.skr)},
	{COL("fit_srr", SUM, fit.srr)},
	{COL("fit_r_min_ns", SHIFT, fit.r_min)},
	{COL("floor", FLOOR, floor)},
	{COL("ceiling", FLOOR, ceiling)},
};
#undef ROW

#define ROW struct lull_gap
static const struct lull_column gap_columns[] = {
	{COL("bus", BUS, bus)},
	{COL("last_ns", TIME_OR_NEVER, last)},
	{COL("next_ns", TIME_OR_NEVER, next)},
	{COL("last_id", ID, last_id)},
	{COL("next_id", ID, next_id)},
	{COL_WORD("kind", kind, LULL_GAP_PAUSE + 1, gap_word)},
	{COL("paused", UINT32, paused)},
	{COL("went_on", UINT32, went_on)},
};
#undef ROW

#define ROW struct lull_change
static const struct lull_column change_columns[] = {
	{COL("bus", BUS, bus)},
	{COL("id", ID, id)},
	{COL("t_ns", TIME, t)},
	{COL_UP_TO("length", UINT8, len, 2)},
	{COL_ARRAY("bytes", BYTES, byte)},
};
#undef ROW

#define ROW struct lull_edge
static const struct lull_column edge_columns[] = {
	{COL_WORD("kind", kind, LULL_EDGE_NEW_ID + 1, edge_word)},
	{COL("copies", UINT32, copies)},
	{COL("t_ns", TIME, frame.t)},
	{COL("last_copy_ns", TIME, last_copy)},
	{COL("bus", BUS, frame.bus)},
	{COL_UP_TO("flags", UINT8, frame.flags, FLAGS_ALL)},
	{COL("id", ERROR_OR_ID, frame.id)},
	{COL_UP_TO("length", UINT8, frame.len, 64)},
	{COL("data", PAYLOAD, frame.data)},
};
#undef ROW

#define ROW struct lull_coverage
static const struct lull_column coverage_columns[] = {
	{COL("bus", BUS_OR_ALL, bus)},
	{COL_WORD("why", why, LULL_COVERAGE_COUNT, coverage_word)},
	{COL("from_ns", TIME, from)},
	{COL("to_ns", TIME, to)},
};
#undef ROW

#define ROW struct lull_mark
static const struct lull_column mark_columns[] = {
	{COL("t_ns", TIME, t)},
	{COL_WORD("kind", kind, LULL_MARK_COUNT, mark_word)},
	{COL("value", REAL_OR_NAN, value)},
	{COL_ARRAY("name", TEXT, name)},
	{COL_ARRAY("text", TEXT, text)},
};
#undef ROW

#define ROW struct lull_clock_map
static const struct lull_column clock_columns[] = {
	{COL("t_ns", TIME, t)},
	{COL("utc_ns", UTC, utc_ns)},
	{COL("error_ns", TIME, error_ns)},
};
#undef ROW

#define ROW struct lull_clamp
static const struct lull_column clamp_columns[] = {
	{COL("mV_per_A", REAL_OR_NAN, mV_per_A)},
	{COL("range_A", REAL_OR_NAN, range_A)},
	{COL("inverted", FLAG, inverted)},
	{COL("first_s", REAL, first_s)},
	{COL("dated", FLAG, dated)},
	{COL("start_utc_ns", UTC, start_utc_ns)},
	{COL("zero_before_mA", REAL_OR_NAN, zero_before_mA)},
	{COL("zero_after_mA", REAL_OR_NAN, zero_after_mA)},
	{COL("logger_mA", REAL_OR_NAN, logger_mA)},
	{COL("samples", UINT64, samples)},
	{COL("skipped", UINT64, skipped)},
	{COL("live", FLAG, live)},
	{COL_UP_TO("channel", UINT8, channel, LULL_CHANNELS - 1)},
	{COL_WORD("quantity", quantity, LULL_VOLTAGE + 1, quantity_word)},
};
#undef ROW

#define ROW struct lull_chunk
static const struct lull_column chunk_columns[] = {
	{COL("tau_ns", TIME, tau_ns)},
	{COL("step_ns", STEP, step_ns)},
	{COL("count", UINT32, count)},
	{COL("uA", SAMPLES, uA)},
	{COL_UP_TO("channel", UINT8, channel, LULL_CHANNELS - 1)},
};
#undef ROW

#define ROW struct lull_repair
static const struct lull_column repair_columns[] = {
	{COL("utc_ns", UTC, utc_ns)},
	{COL_WORD("outcome", outcome, LULL_REPAIR_OTHER + 1, outcome_word)},
	{COL_ARRAY("module", TEXT, module)},
	{COL_ARRAY("text", TEXT, text)},
};
#undef ROW

static bool bus_agrees(const union lull_any_row *row)
{
	const struct lull_bus *bus = &row->bus.bus;

	return (bus->first == LULL_NEVER) == (bus->last == LULL_NEVER) && bus->first <= bus->last;
}

/* Where the analysis puts a frame of that index, and how far from it the arrivals lie: nowhere beyond what an instant may be. */
static bool within(double index, int64_t period_ns)
{
	return fabs(index) * (double)period_ns <= 2 * (double)LULL_TIME_LIMIT;
}

static bool fit_agrees(const struct lull_fit *fit, int64_t period_ns)
{
	if (fit->n < 1)
		return !(fit->n > 0);
	return within(fit->sk / fit->n, period_ns) && fabs(fit->sr / fit->n) <= (double)LULL_TIME_LIMIT &&
		fit->skk >= 0 && fit->srr >= 0;
}

static bool floor_agrees(const struct lull_floor *floor, int64_t period_ns)
{
	return !floor->n || within(floor->k[floor->n - 1], period_ns);
}

static bool stretch_agrees(const union lull_any_row *row)
{
	const struct lull_stretch *s = &row->stretch;

	return s->first <= s->last && s->gap_min <= s->gap_max && fit_agrees(&s->fit, s->period_ns) &&
		floor_agrees(&s->floor, s->period_ns) && floor_agrees(&s->ceiling, s->period_ns);
}

static bool cadence_agrees(const union lull_any_row *row)
{
	const struct lull_cadence *c = &row->cadence;

	return fit_agrees(&c->fit, c->period_ns) && floor_agrees(&c->floor, c->period_ns) &&
		floor_agrees(&c->ceiling, c->period_ns);
}

static bool gap_agrees(const union lull_any_row *row)
{
	/* a silence has one end at least; LULL_NEVER is below every instant */
	return row->gap.next == LULL_NEVER ? row->gap.last != LULL_NEVER : row->gap.last <= row->gap.next;
}

static bool edge_agrees(const union lull_any_row *row)
{
	return row->edge.frame.t <= row->edge.last_copy && row->edge.copies;
}

static bool coverage_agrees(const union lull_any_row *row)
{
	return row->coverage.from <= row->coverage.to;
}

static bool chunk_agrees(const union lull_any_row *row)
{
	const struct lull_chunk *c = &row->chunk;

	return c->count && c->step_ns > 0 && c->step_ns <= LULL_TIME_LIMIT / c->count;
}

#define TABLE(name) #name, name##_columns, sizeof(name##_columns) / sizeof(name##_columns[0])
const struct lull_table lull_tables[LULL_TABLE_COUNT] = {
	[LULL_TABLE_BUS] = {TABLE(bus), bus_agrees},
	[LULL_TABLE_STRETCH] = {TABLE(stretch), stretch_agrees},
	[LULL_TABLE_CADENCE] = {TABLE(cadence), cadence_agrees},
	[LULL_TABLE_GAP] = {TABLE(gap), gap_agrees},
	[LULL_TABLE_CHANGE] = {TABLE(change), NULL},
	[LULL_TABLE_EDGE] = {TABLE(edge), edge_agrees},
	[LULL_TABLE_COVERAGE] = {TABLE(coverage), coverage_agrees},
	[LULL_TABLE_MARK] = {TABLE(mark), NULL},
	[LULL_TABLE_CLOCK] = {TABLE(clock), NULL},
	[LULL_TABLE_CLAMP] = {TABLE(clamp), NULL},
	[LULL_TABLE_CHUNK] = {TABLE(chunk), chunk_agrees},
	[LULL_TABLE_REPAIR] = {TABLE(repair), NULL},
};
