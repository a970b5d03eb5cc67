/* SPDX-License-Identifier: GPL-3.0-or-later */
/* store_rig: see the header. */
#include "store_rig.h"
#include "store/recording.h"

#include <glob.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

char store_path[96], store_err[512];
static char store_folder[64];

int store_set_up(void **state)
{
	(void)state;
	(void)snprintf(store_folder, sizeof(store_folder), "/tmp/lull-test-store-XXXXXX");
	if (!mkdtemp(store_folder))
		return -1;
	(void)snprintf(
		store_path, sizeof(store_path), "%s/night #1?.lull", store_folder); /* '#' and '?' mean something in a URI */
	store_err[0] = '\0';
	return 0;
}

/* Names in the folder; with `clear`, removes them. */
int store_files(bool clear)
{
	char pattern[sizeof(store_folder) + 2];
	glob_t found;
	int n = 0;

	(void)snprintf(pattern, sizeof(pattern), "%s/*", store_folder);
	int rc = glob(pattern, 0, NULL, &found);

	assert_true(rc == 0 || rc == GLOB_NOMATCH);
	for (size_t i = 0; rc == 0 && i < found.gl_pathc; i++) {
		n++;
		if (clear)
			(void)unlink(found.gl_pathv[i]);
	}
	globfree(&found);
	return n;
}

int store_tear_down(void **state)
{
	(void)state;
	char pattern[sizeof(store_folder) + 8];
	glob_t hidden;

	(void)store_files(true);
	(void)snprintf(pattern, sizeof(pattern), "%s/.lull*", store_folder);
	if (!glob(pattern, 0, NULL, &hidden)) {
		for (size_t i = 0; i < hidden.gl_pathc; i++)
			(void)unlink(hidden.gl_pathv[i]);
		globfree(&hidden);
	}
	return rmdir(store_folder);
}

/* --- a night with every kind of row, at the ends of their ranges --- */

const struct lull_bus store_bus_rows[] = {
	{.name = "can0",
		.bitrate = 500000,
		.bitrate_data = 2000000,
		.frames = 7,
		.bits = 900,
		.errors = 3,
		.sent = 4,
		.overflow = 2,
		.overflow_ids = 1,
		.first = 0,
		.last = LULL_TIME_LIMIT},
	{.name = "a bus with a name of 31 bytes..",
		.bitrate = 1000000000,
		.frames = LULL_COUNT_LIMIT,
		.bits = LULL_COUNT_LIMIT,
		.errors = LULL_COUNT_LIMIT,
		.sent = LULL_NOT_COUNTED,
		.overflow = LULL_COUNT_LIMIT,
		.overflow_ids = UINT32_MAX,
		.first = LULL_NEVER,
		.last = LULL_NEVER},
};
const struct lull_stretch store_stretch_rows[] = {
	{.id = 0x7ff,
		.bus = 1,
		.kind = LULL_STRETCH_CYCLIC,
		.end = LULL_END_RATE,
		.flags = LULL_FRAME_FD | LULL_FRAME_BRS | LULL_FRAME_SENT,
		.first = 0,
		.last = LULL_TIME_LIMIT,
		.frames = LULL_COUNT_LIMIT,
		.bits = LULL_COUNT_LIMIT,
		.period_ns = LULL_TIME_LIMIT,
		.index = LULL_COUNT_LIMIT,
		.gap_min = 1,
		.gap_max = LULL_TIME_LIMIT,
		.fit = {1e16, 2e16, 1e52, 0.1, -2.5e-310, 1e52, -LULL_TIME_LIMIT},
		.floor = {3, {0, 1, 2}, {-LULL_TIME_LIMIT, -1, LULL_TIME_LIMIT}},
		.ceiling = {2, {0, 2}, {LULL_TIME_LIMIT, -LULL_TIME_LIMIT}},
		.back_to_back = UINT32_MAX,
		.changes = UINT32_MAX,
		.changes_left_out = LULL_COUNT_LIMIT,
		.sent = 1,
		.len = 8,
		.payload_first = {0, 1, 2, 0, 0, 0, 0, 255},
		.payload_second = {255, 255, 255, 255, 255, 255, 255, 255},
		.changed_bits = UINT64_MAX},
	{.id = 0x1fffffffu | LULL_ID_EXTENDED,
		.bus = 0,
		.kind = LULL_STRETCH_EVENTS,
		.end = LULL_END_OPEN,
		.first = 5,
		.last = 5,
		.frames = 1,
		.payload_last = {1},
		.len = 1,
		.sent = LULL_NOT_COUNTED,
		.changes_left_out = LULL_NOT_COUNTED,
		.bins = {1, [5] = 123456, [LULL_GAP_BINS - 1] = UINT32_MAX}},
	{.id = LULL_ID_NONE,
		.bus = 0,
		.kind = LULL_STRETCH_OVERFLOW,
		.end = LULL_END_BLIND,
		.first = 6,
		.last = 9,
		.frames = 2},
	{.id = 0,
		.bus = 0,
		.end = LULL_END_EVICTED,
		.first = 7,
		.last = 9,
		.changed_bits = UINT64_C(1) << 63,
		.frames = 2},
};
static const struct lull_cadence store_cadence_rows[] = {
	{.id = 0x123,
		.bus = 1,
		.stretch_first = 3,
		.window = LULL_CADENCE,
		.period_ns = 10 * LULL_MS,
		.fit = {3, 4, 5, 6, 7, 8, LULL_TIME_LIMIT},
		.floor = {16, {0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15}, {5, [15] = -7}},
		.ceiling = {1, {7}, {-1}}},
};
const struct lull_gap store_gap_rows[] = {
	{.bus = 0,
		.last = LULL_NEVER,
		.next = 1,
		.last_id = LULL_ID_NONE,
		.next_id = 0x123u | LULL_ID_EXTENDED},
	{.bus = 1, .last = 0, .next = LULL_NEVER, .last_id = 0x700, .next_id = LULL_ID_NONE},
	{.bus = 0,
		.kind = LULL_GAP_PAUSE,
		.last = 1,
		.next = 2,
		.last_id = 1,
		.next_id = 2,
		.paused = UINT32_MAX,
		.went_on = 1},
};
static const struct lull_change store_change_rows[] = {
	{.id = 0x6a0, .bus = 0, .len = 0, .byte = {0, 0}, .t = 0},
	{.id = 0x6a0, .bus = 1, .len = 2, .byte = {255, 1}, .t = LULL_TIME_LIMIT},
};
const struct lull_edge store_edge_rows[] = {
	{.kind = LULL_EDGE_FIRST,
		.copies = UINT32_MAX,
		.last_copy = LULL_TIME_LIMIT,
		.frame = {.t = 1,
			.id = 0x100,
			.bus = 0,
			.flags = LULL_FRAME_FD | LULL_FRAME_ESI,
			.len = 64,
			.data = {[0] = 1, [63] = 9}}},
	{.kind = LULL_EDGE_LAST,
		.copies = 1,
		.last_copy = 2,
		.frame = {.t = 2,
			.id = 0x1fffffffu,
			.bus = 1,
			.flags = LULL_FRAME_ERROR | LULL_FRAME_SENT,
			.len = 8,
			.data = {0, 0, 2}}},
	{.kind = LULL_EDGE_NEW_ID,
		.copies = 1,
		.last_copy = 3,
		.frame = {.t = 3, .id = 1, .bus = 0, .flags = LULL_FRAME_REMOTE, .len = 8}},
	{.kind = LULL_EDGE_NEW_ID,
		.copies = 1,
		.last_copy = 4,
		.frame = {.t = 4, .id = 1, .bus = 0, .len = 0}},
};
static const struct lull_coverage store_coverage_rows[] = {
	{.bus = LULL_BUS_ALL, .why = LULL_OBSERVED, .from = 0, .to = LULL_TIME_LIMIT},
	{.bus = 1, .why = LULL_BLIND_POWER, .from = 4, .to = 5},
};
const struct lull_mark store_mark_rows[] = {
	{.t = 0,
		.kind = LULL_MARK_OTHER,
		.value = (double)NAN,
		.text = "Kofferraum zu \xc3\xa4\xe2\x82\xac \xf0\x9f\x9a\x97"},
	{.t = LULL_TIME_LIMIT,
		.kind = LULL_MARK_TEST_LOAD,
		.value = 420.5,
		.name = "x",
		.text = "test load 420.5 mA"},
};
static const struct lull_clock_map store_clock_rows[] = {
	{.t = 0, .utc_ns = -LULL_UTC_LIMIT, .error_ns = LULL_TIME_LIMIT},
	{.t = LULL_TIME_LIMIT, .utc_ns = LULL_UTC_LIMIT, .error_ns = 0},
};

static const struct lull_repair store_repair_rows[] = {
	{.utc_ns = -LULL_UTC_LIMIT,
		.outcome = LULL_REPAIR_CONFIRMED,
		.module = "door rear left",
		.text = "plug corroded"},
	{.utc_ns = LULL_UTC_LIMIT, .outcome = LULL_REPAIR_OTHER},
};
static int32_t store_microvolts[] = {12600000, -1};
static const struct lull_clamp store_clamp_rows[] = {
	{.present = true, .channel = 1, .quantity = LULL_VOLTAGE, .mV_per_A = (double)NAN, .samples = 1},
	{.present = true,
		.channel = LULL_CHANNELS - 1,
		.quantity = LULL_CURRENT,
		.mV_per_A = 1,
		.samples = 3},
	{.present = true,
		.channel = 1,
		.quantity = LULL_VOLTAGE,
		.mV_per_A = (double)NAN,
		.samples = 2,
		.live = true},
};
static const struct lull_chunk store_chunk_rows[] = {
	{.channel = 1, .tau_ns = 5, .step_ns = LULL_SEC, .count = 2, .uA = store_microvolts},
};
const struct lull_night_identity store_identity = {
	.uuid = "0193f2a1-7c5e-7d3b-8a41-d29c0e6f5b17", /* version 7: whatever version it is, it is kept */
	.recorder = "5f1c0a9e-3b7d-4e52-9c86-a1b2c3d4e5f6",
	.vehicle = "blue estate 7",
	.model = "K\xc3\xa4"
		 "fer",
};

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))
#define PUT_ALL(sink, kind) \
	for (size_t i = 0; i < COUNT(store_##kind##_rows); i++) \
	assert_int_equal((sink).kind((sink).ctx, &store_##kind##_rows[i]), 0)

void store_put_buses(const struct lull_sink *sink)
{
	for (unsigned i = 0; i < COUNT(store_bus_rows); i++)
		assert_int_equal(sink->bus(sink->ctx, i, &store_bus_rows[i]), 0);
}

void store_put_stretches(const struct lull_sink *sink)
{
	PUT_ALL(*sink, stretch);
}

struct lull_store *store_create(bool force)
{
	struct lull_store *store = lull_store_create(store_path, force, store_err, sizeof(store_err));

	if (!store)
		fail_msg("%s", store_err);
	return store;
}

void store_write_full_night(bool force)
{
	struct lull_store *store = store_create(force);
	struct lull_sink sink = lull_store_sink(store);

	store_put_buses(&sink);
	PUT_ALL(sink, stretch);
	PUT_ALL(sink, cadence);
	PUT_ALL(sink, gap);
	PUT_ALL(sink, change);
	PUT_ALL(sink, edge);
	PUT_ALL(sink, coverage);
	PUT_ALL(sink, mark);
	PUT_ALL(sink, clock);
	PUT_ALL(sink, repair);
	PUT_ALL(sink, clamp);
	PUT_ALL(sink, chunk);
	assert_int_equal(lull_store_identity(store, &store_identity), 0);
	store_put_buses(&sink); /* again, as on changes: the later row replaces */
	assert_int_equal(sink.left_out(sink.ctx, "2 lines were no frames"), 0);
	assert_int_equal(lull_store_text(store, "profile", "[limits]\nold = 1\n"), 0);
	assert_int_equal(lull_store_text(store, "profile", "[limits]\ndraw_mA = 50\n"), 0);
	assert_int_equal(lull_store_text(store, "capture", ""), 0);
	if (lull_store_commit(store, store_err, sizeof(store_err)))
		fail_msg("%s", store_err);
}

#define SAME(a, b, member) assert_true((a)->member == (b)->member)
#define SAME_BYTES(a, b, member) assert_memory_equal(&(a)->member, &(b)->member, sizeof((a)->member))

static void same_fit(const struct lull_fit *a, const struct lull_fit *b)
{
	SAME(a, b, n);
	SAME(a, b, sk);
	SAME(a, b, skk);
	SAME(a, b, sr);
	SAME(a, b, skr);
	SAME(a, b, srr);
	SAME(a, b, r_min);
}

static void same_floor(const struct lull_floor *a, const struct lull_floor *b)
{
	SAME(a, b, n);
	for (uint32_t i = 0; i < a->n; i++) {
		SAME(a, b, k[i]);
		SAME(a, b, r[i]);
	}
}

static void same_stretch(const struct lull_stretch *a, const struct lull_stretch *b)
{
	SAME(a, b, id);
	SAME(a, b, bus);
	SAME(a, b, kind);
	SAME(a, b, end);
	SAME(a, b, flags);
	SAME(a, b, first);
	SAME(a, b, last);
	SAME(a, b, frames);
	SAME(a, b, bits);
	SAME(a, b, period_ns);
	SAME(a, b, index);
	SAME(a, b, gap_min);
	SAME(a, b, gap_max);
	same_fit(&a->fit, &b->fit);
	same_floor(&a->floor, &b->floor);
	same_floor(&a->ceiling, &b->ceiling);
	SAME(a, b, changes_left_out);
	SAME(a, b, sent);
	SAME(a, b, back_to_back);
	SAME(a, b, changes);
	SAME(a, b, len);
	SAME_BYTES(a, b, payload_first);
	SAME_BYTES(a, b, payload_second);
	SAME_BYTES(a, b, payload_last);
	SAME(a, b, changed_bits);
	SAME_BYTES(a, b, bins);
}

static void same_edge(const struct lull_edge *a, const struct lull_edge *b)
{
	SAME(a, b, kind);
	SAME(a, b, copies);
	SAME(a, b, last_copy);
	SAME(a, b, frame.t);
	SAME(a, b, frame.id);
	SAME(a, b, frame.bus);
	SAME(a, b, frame.flags);
	SAME(a, b, frame.len);
	SAME_BYTES(a, b, frame.data);
}

void store_is_full_night(const struct lull_night *night)
{
	assert_int_equal(night->bus_count, COUNT(store_bus_rows));
	for (size_t i = 0; i < COUNT(store_bus_rows); i++) {
		const struct lull_bus *a = &night->bus[i], *b = &store_bus_rows[i];

		assert_string_equal(a->name, b->name);
		SAME(a, b, bitrate);
		SAME(a, b, bitrate_data);
		SAME(a, b, frames);
		SAME(a, b, bits);
		SAME(a, b, errors);
		SAME(a, b, sent);
		SAME(a, b, overflow);
		SAME(a, b, overflow_ids);
		SAME(a, b, first);
		SAME(a, b, last);
	}
	assert_int_equal(night->stretches.n, COUNT(store_stretch_rows));
	for (size_t i = 0; i < COUNT(store_stretch_rows); i++)
		same_stretch(&night->stretches.at[i], &store_stretch_rows[i]);
	assert_int_equal(night->cadences.n, 1);
	SAME(&night->cadences.at[0], &store_cadence_rows[0], id);
	SAME(&night->cadences.at[0], &store_cadence_rows[0], bus);
	SAME(&night->cadences.at[0], &store_cadence_rows[0], stretch_first);
	SAME(&night->cadences.at[0], &store_cadence_rows[0], window);
	SAME(&night->cadences.at[0], &store_cadence_rows[0], period_ns);
	same_fit(&night->cadences.at[0].fit, &store_cadence_rows[0].fit);
	same_floor(&night->cadences.at[0].floor, &store_cadence_rows[0].floor);
	same_floor(&night->cadences.at[0].ceiling, &store_cadence_rows[0].ceiling);
	assert_int_equal(night->gaps.n, COUNT(store_gap_rows));
	for (size_t i = 0; i < COUNT(store_gap_rows); i++) {
		SAME(&night->gaps.at[i], &store_gap_rows[i], bus);
		SAME(&night->gaps.at[i], &store_gap_rows[i], kind);
		SAME(&night->gaps.at[i], &store_gap_rows[i], paused);
		SAME(&night->gaps.at[i], &store_gap_rows[i], went_on);
		SAME(&night->gaps.at[i], &store_gap_rows[i], last);
		SAME(&night->gaps.at[i], &store_gap_rows[i], next);
		SAME(&night->gaps.at[i], &store_gap_rows[i], last_id);
		SAME(&night->gaps.at[i], &store_gap_rows[i], next_id);
	}
	assert_int_equal(night->changes.n, COUNT(store_change_rows));
	for (size_t i = 0; i < COUNT(store_change_rows); i++) {
		SAME(&night->changes.at[i], &store_change_rows[i], id);
		SAME(&night->changes.at[i], &store_change_rows[i], bus);
		SAME(&night->changes.at[i], &store_change_rows[i], len);
		SAME(&night->changes.at[i], &store_change_rows[i], t);
		SAME_BYTES(&night->changes.at[i], &store_change_rows[i], byte);
	}
	assert_int_equal(night->edges.n, COUNT(store_edge_rows));
	for (size_t i = 0; i < COUNT(store_edge_rows); i++)
		same_edge(&night->edges.at[i], &store_edge_rows[i]);
	assert_int_equal(night->marks.n, COUNT(store_mark_rows));
	for (size_t i = 0; i < COUNT(store_mark_rows); i++) {
		const struct lull_mark *a = &night->marks.at[i], *b = &store_mark_rows[i];

		SAME(a, b, t);
		SAME(a, b, kind);
		assert_true(a->value == b->value || (isnan(a->value) && isnan(b->value)));
		assert_string_equal(a->name, b->name);
		assert_string_equal(a->text, b->text);
	}
	assert_int_equal(night->clocks.n, COUNT(store_clock_rows));
	for (size_t i = 0; i < COUNT(store_clock_rows); i++) {
		SAME(&night->clocks.at[i], &store_clock_rows[i], t);
		SAME(&night->clocks.at[i], &store_clock_rows[i], utc_ns);
		SAME(&night->clocks.at[i], &store_clock_rows[i], error_ns);
	}
	assert_int_equal(night->repairs.n, COUNT(store_repair_rows));
	for (size_t i = 0; i < COUNT(store_repair_rows); i++) {
		SAME(&night->repairs.at[i], &store_repair_rows[i], utc_ns);
		SAME(&night->repairs.at[i], &store_repair_rows[i], outcome);
		assert_string_equal(night->repairs.at[i].module, store_repair_rows[i].module);
		assert_string_equal(night->repairs.at[i].text, store_repair_rows[i].text);
	}
	/* Channels beside the current: of each the last row holds, and the current knows nothing of them. */
	assert_false(night->clamp.present);
	assert_int_equal(night->chunks.n, 0);
	assert_int_equal(night->further.n, 2);
	assert_true(night->further.at[0].channel == 1 && night->further.at[0].quantity == LULL_VOLTAGE);
	assert_true(night->further.at[0].samples == 2 && night->further.at[0].live &&
		isnan(night->further.at[0].mV_per_A));
	assert_true(night->further.at[1].channel == LULL_CHANNELS - 1 && night->further.at[1].samples == 3);
	assert_int_equal(night->further_chunks.n, 1);
	assert_true(night->further_chunks.at[0].channel == 1 && night->further_chunks.at[0].tau_ns == 5);
	assert_memory_equal(night->further_chunks.at[0].uA, store_microvolts, sizeof store_microvolts);
	assert_string_equal(night->identity.uuid, store_identity.uuid);
	assert_string_equal(night->identity.recorder, store_identity.recorder);
	assert_string_equal(night->identity.vehicle, store_identity.vehicle);
	assert_string_equal(night->identity.model, store_identity.model);
	/* Coverage has been resolved: bus 0 observed, bus 1 with its hole. */
	assert_int_equal(night->coverage.n, 4);
	assert_true(night->coverage.at[0].bus == 0 && night->coverage.at[0].to == LULL_TIME_LIMIT);
	assert_true(night->coverage.at[2].why == LULL_BLIND_POWER && night->coverage.at[2].from == 4);
	assert_int_equal(night->left_out.n, 1);
	assert_string_equal(night->left_out.at[0], "2 lines were no frames");
	assert_string_equal(night->profile, "[limits]\ndraw_mA = 50\n");
	assert_true(night->end == LULL_TIME_LIMIT);
}

int store_run(const char *file, const char *sql)
{
	sqlite3 *db;
	int rc = sqlite3_open(file, &db);

	if (rc == SQLITE_OK)
		rc = sqlite3_exec(db, sql, NULL, NULL, NULL);
	(void)sqlite3_close(db);
	return rc;
}
