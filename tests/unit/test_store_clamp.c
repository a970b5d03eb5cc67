/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_store_clamp: the clamp's log in a recording; and recordings from before there was one. */
#include "store/recording.h"
#include "store/store.h"

#include "recording_1.h"

#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

static char path[64], err[512];

static int set_up(void **state)
{
	(void)state;
	(void)snprintf(path, sizeof path, "/tmp/lull-test-clamp-XXXXXX");
	const int fd = mkstemp(path);
	if (fd < 0)
		return -1;
	close(fd);
	return 0;
}

static int tear_down(void **state)
{
	(void)state;
	return unlink(path);
}

static const struct lull_clamp clamp_row = {.present = true,
	.mV_per_A = 100,
	.range_A = (double)NAN,
	.inverted = true,
	.first_s = -12.25,
	.dated = true,
	.start_utc_ns = INT64_C(1772750467123456789),
	.zero_before_mA = -3.5,
	.zero_after_mA = (double)NAN,
	.logger_mA = 290,
	.samples = 5,
	.skipped = LULL_COUNT_LIMIT,
	.live = true};

/* The ends of the range, the empty mark, and values whose bytes are all different. */
static int32_t some[] = {0, 1, -1, INT32_MAX, INT32_MIN + 1, LULL_NO_SAMPLE, 0x01020304};
static int32_t one[] = {-42};

static void write_log(void)
{
	struct lull_store *store = lull_store_create(path, true, err, sizeof err);
	if (!store)
		fail_msg("%s", err);
	const struct lull_sink sink = lull_store_sink(store);
	const struct lull_clamp early = {.present = true, .samples = 1, .mV_per_A = 10}, none = {0};
	const struct lull_chunk a = {0, 50 * LULL_MS, 7, some, 0},
				b = {LULL_TIME_LIMIT, LULL_TIME_LIMIT, 1, one, 0};
	assert_int_equal(sink.clamp(sink.ctx, &early), 0);
	assert_int_equal(sink.chunk(sink.ctx, &a), 0);
	assert_int_equal(sink.chunk(sink.ctx, &b), 0);
	assert_int_equal(sink.clamp(sink.ctx, &clamp_row), 0); /* the last one holds */
	assert_int_equal(sink.clamp(sink.ctx, &none), 0); /* no log: no row */
	if (lull_store_commit(store, err, sizeof err))
		fail_msg("%s", err);
}

static void log_comes_back(void **state)
{
	struct lull_night night;
	(void)state;
	write_log();
	if (lull_store_load(path, &night, err, sizeof err))
		fail_msg("%s", err);
	const struct lull_clamp *c = &night.clamp;
	assert_true(c->present && c->mV_per_A == 100 && isnan(c->range_A) && c->inverted && c->first_s == -12.25 && c->dated);
	assert_true(c->start_utc_ns == clamp_row.start_utc_ns && c->zero_before_mA == -3.5 && isnan(c->zero_after_mA));
	assert_true(c->logger_mA == 290 && c->samples == 5 && c->skipped == LULL_COUNT_LIMIT && c->live);
	assert_int_equal(night.chunks.n, 2);
	assert_true(night.chunks.at[0].tau_ns == 0 && night.chunks.at[0].step_ns == 50 * LULL_MS);
	assert_int_equal(night.chunks.at[0].count, 7);
	assert_memory_equal(night.chunks.at[0].uA, some, sizeof some);
	assert_true(night.chunks.at[1].tau_ns == LULL_TIME_LIMIT && night.chunks.at[1].uA[0] == -42);
	lull_night_clear(&night);
}

/* As the schema's comment says: 32 bits each, low byte first. */
static void samples_lie_low_byte_first(void **state)
{
	sqlite3 *db;
	sqlite3_stmt *stmt;
	(void)state;
	write_log();
	assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
	assert_int_equal(sqlite3_prepare_v2(db, "SELECT hex(uA) FROM chunk WHERE count = 7", -1, &stmt, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_step(stmt), SQLITE_ROW);
	assert_string_equal((const char *)sqlite3_column_text(stmt, 0),
		"0000000001000000FFFFFFFFFFFFFF7F010000800000008004030201");
	sqlite3_finalize(stmt);
	sqlite3_close(db);
}

static void bad_chunks_are_refused(void **state)
{
	const struct lull_chunk bad[] = {{0, LULL_SEC, 0, some, 0}, {0, 0, 1, some, 0}, {0, -1, 1, some, 0},
		{-1, LULL_SEC, 1, some, 0}, {LULL_TIME_LIMIT + 1, LULL_SEC, 1, some, 0},
		{0, LULL_TIME_LIMIT, 2, some, 0}, {0, LULL_SEC, 1, NULL, 0},
		{0, 1, LULL_CHUNK_LIMIT + 1, some, 0}, {0, LULL_SEC, 1, some, LULL_CHANNELS}};
	(void)state;
	for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
		struct lull_store *store = lull_store_create(path, true, err, sizeof err);
		assert_non_null(store);
		const struct lull_sink sink = lull_store_sink(store);
		assert_int_equal(sink.chunk(sink.ctx, &bad[i]), -EINVAL);
		assert_int_equal(lull_store_commit(store, err, sizeof err), -EINVAL);
	}
	struct lull_store *store = lull_store_create(path, true, err, sizeof err);
	const struct lull_sink sink = lull_store_sink(store);
	struct lull_clamp endless = clamp_row;
	endless.first_s = (double)INFINITY;
	assert_int_equal(sink.clamp(sink.ctx, &endless), -EINVAL);
	lull_store_abandon(store);
}

static void change(const char *sql)
{
	sqlite3 *db;
	assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
	if (sqlite3_exec(db, sql, NULL, NULL, NULL) != SQLITE_OK)
		fail_msg("%s: %s", sql, sqlite3_errmsg(db));
	sqlite3_close(db);
}

static void hostile_contents(void **state)
{
	static const struct {
		const char *sql, *word;
	} cases[] = {
		{"UPDATE chunk SET count = 0", "uA"},
		{"UPDATE chunk SET count = 8", "uA"},
		{"UPDATE chunk SET count = 4294967295", "uA"},
		{"UPDATE chunk SET count = -1", "count"},
		{"UPDATE chunk SET uA = NULL WHERE 0; UPDATE chunk SET uA = x'00'", "uA"},
		{"UPDATE chunk SET uA = '1234567812345678123456781234'", "uA"},
		{"UPDATE chunk SET uA = zeroblob(8000000), count = 2000000", "uA"},
		{"UPDATE chunk SET step_ns = 0", "step_ns"},
		{"UPDATE chunk SET step_ns = 9223372036854775807", "step_ns"},
		{"UPDATE chunk SET step_ns = 315000000000000000", "contradict"},
		{"UPDATE chunk SET tau_ns = -1", "tau_ns"},
		{"UPDATE clamp SET mV_per_A = 9e999", "mV_per_A"},
		{"UPDATE clamp SET inverted = 2", "inverted"},
		{"UPDATE clamp SET live = 'x'", "live"},
		{"UPDATE clamp SET samples = -1", "samples"},
		{"UPDATE clamp SET start_utc_ns = 0.5", "start_utc_ns"},
		{"DROP TABLE chunk", "'chunk' is missing"},
		{"DROP TABLE clamp; CREATE VIEW clamp AS SELECT 1", "'clamp' is missing"},
	};
	struct lull_night night;
	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		write_log();
		change(cases[i].sql);
		err[0] = 0;
		const int r = lull_store_load(path, &night, err, sizeof err);
		if (r != -EBADMSG || !strstr(err, cases[i].word))
			fail_msg("%s: %d, '%s'", cases[i].sql, r, err);
		assert_null(night.chunks.at);
	}
}

/* recording_1.h: a recording as version 1 wrote it, with a row or two of each table. */
static void version_1_is_read(void **state)
{
	struct lull_night night;
	(void)state;
	change(recording_1);
	if (lull_store_load(path, &night, err, sizeof err))
		fail_msg("%s", err);
	assert_int_equal(night.bus_count, 1);
	assert_string_equal(night.bus[0].name, "can0");
	assert_int_equal(night.stretches.n, 2);
	assert_int_equal(night.stretches.at[0].id, 0x100);
	assert_int_equal(night.stretches.at[0].frames, 6001);
	assert_int_equal(night.changes.n, 2);
	assert_int_equal(night.coverage.n, 3);
	assert_int_equal(night.coverage.at[1].why, LULL_BLIND_UNDECIDED);
	assert_int_equal(night.edges.n, 2);
	assert_int_equal(night.marks.n, 1);
	assert_string_equal(night.marks.at[0].text, "key off");
	assert_int_equal(night.left_out.n, 1);
	assert_string_equal(night.profile, "[limits]\ndraw_mA = 30\n");
	assert_false(night.clamp.present);
	assert_int_equal(night.chunks.n, 0);
	lull_night_clear(&night);

	/* The file stays what it was. */
	sqlite3 *db;
	sqlite3_stmt *stmt;
	assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
	assert_int_equal(sqlite3_prepare_v2(db,
		"SELECT (SELECT user_version FROM pragma_user_version), count(*) FROM sqlite_master WHERE name = 'chunk'", -1,
		&stmt, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_step(stmt), SQLITE_ROW);
	assert_int_equal(sqlite3_column_int(stmt, 0), 1);
	assert_int_equal(sqlite3_column_int(stmt, 1), 0);
	sqlite3_finalize(stmt);
	sqlite3_close(db);

	/* A version 1 that has a table of that name already is none of ours. */
	change("CREATE TABLE chunk (tau_ns, step_ns, count, uA)");
	assert_int_equal(lull_store_load(path, &night, err, sizeof err), -EBADMSG);
	assert_null(night.stretches.at);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		TEST(log_comes_back),
		TEST(samples_lie_low_byte_first),
		TEST(bad_chunks_are_refused),
		TEST(hostile_contents),
		TEST(version_1_is_read),
	};
	return cmocka_run_group_tests_name("store, clamp", tests, NULL, NULL);
}
