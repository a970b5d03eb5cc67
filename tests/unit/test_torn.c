/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Power cuts at many moments of a recording's making: what is left opens, is sound, and lacks at most the last batch. */
#include "store/journal.h"
#include "store/recording.h"
#include "store_rig.h"
#include "torn_vfs.h"

#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

/* What a test looks for in what a cut has left. */
struct watch {
	char after[128]; /* the recording that the cut has left */
	const char *count_sql;
	uint64_t random;
	unsigned one_in; /* of so many moments */
	int64_t put, kept; /* rows handed over; of these, those promised to survive */
	int64_t batch; /* rows come in so many at once, all or none */
	bool load; /* what is left must be a recording that can be judged */
	unsigned cuts, unsound, lost, invented, halved, unread;
};

static int number_of(sqlite3 *db, const char *sql, int64_t *out)
{
	sqlite3_stmt *stmt = NULL;
	int rc = sqlite3_prepare_v2(db, sql, -1, &stmt, NULL);

	if (rc == SQLITE_OK)
		rc = sqlite3_step(stmt);
	if (rc == SQLITE_ROW)
		*out = sqlite3_column_int64(stmt, 0);
	(void)sqlite3_finalize(stmt);
	return rc == SQLITE_ROW ? 0 : -1;
}

static bool is_sound(sqlite3 *db)
{
	sqlite3_stmt *stmt = NULL;
	bool sound = sqlite3_prepare_v2(db, "PRAGMA integrity_check", -1, &stmt, NULL) == SQLITE_OK &&
		sqlite3_step(stmt) == SQLITE_ROW && !strcmp((const char *)sqlite3_column_text(stmt, 0), "ok");

	(void)sqlite3_finalize(stmt);
	return sound;
}

static void look(struct watch *w)
{
	sqlite3 *db = NULL;
	int64_t rows = 0;

	w->cuts++;
	if (sqlite3_open_v2(w->after, &db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, "unix") != SQLITE_OK ||
		sqlite3_exec(db, "PRAGMA synchronous = OFF", NULL, NULL, NULL) != SQLITE_OK || !is_sound(db))
		w->unsound++;
	else if (number_of(db, w->count_sql, &rows))
		rows = 0; /* before there was a table */
	if (rows < w->kept)
		w->lost++;
	if (rows > w->put)
		w->invented++;
	if (w->batch && rows % w->batch)
		w->halved++;
	(void)sqlite3_close(db);
	if (w->load && w->kept) {
		struct lull_night night;
		char err[512];

		if (lull_store_load(w->after, &night, err, sizeof(err)))
			w->unread++;
		lull_night_clear(&night);
	}
}

static void perhaps_cut(void *ctx)
{
	struct watch *w = ctx;

	w->random = w->random * UINT64_C(6364136223846793005) + 1442695040888963407U;
	if ((w->random >> 33) % w->one_in)
		return;
	uint64_t random = w->random | 1;

	if (!torn_first())
		return;
	torn_cut(torn_first(), w->after, (enum torn_how)((w->random >> 20) % TORN_COUNT), &random);
	look(w);
}

static void watch_begin(struct watch *w, unsigned one_in, uint64_t seed)
{
	*w = (struct watch){.one_in = one_in, .random = seed};
	(void)snprintf(w->after, sizeof(w->after), "%s.after", store_path);
}

/* --- the watch itself: it sees what SQLite promises, and misses nothing where it promises less --- */

static void make_plain(struct watch *w, const char *pragmas)
{
	sqlite3 *db = NULL;

	w->count_sql = "SELECT count(*) FROM t";
	torn_begin(".lull", perhaps_cut, w);
	assert_int_equal(sqlite3_open(store_path, &db), SQLITE_OK);
	assert_int_equal(sqlite3_exec(db, pragmas, NULL, NULL, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_exec(db, "CREATE TABLE t (n INTEGER PRIMARY KEY, x BLOB)", NULL, NULL, NULL),
		SQLITE_OK);
	for (int batch = 0; batch < 150; batch++) {
		assert_int_equal(sqlite3_exec(db, "BEGIN", NULL, NULL, NULL), SQLITE_OK);
		for (int i = 0; i < 10; i++) {
			w->put++;
			assert_int_equal(sqlite3_exec(db, "INSERT INTO t (x) VALUES (randomblob(700))", NULL,
						 NULL, NULL),
				SQLITE_OK);
		}
		assert_int_equal(sqlite3_exec(db, "COMMIT", NULL, NULL, NULL), SQLITE_OK);
		w->kept = w->put;
	}
	assert_int_equal(sqlite3_close(db), SQLITE_OK);
	torn_end();
	assert_true(w->cuts > 50);
}

static void synced_commits_survive(void **state)
{
	static const char *const safe[] = {
		"PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA wal_autocheckpoint = 40;",
		"PRAGMA journal_mode = DELETE; PRAGMA synchronous = EXTRA;",
	};

	(void)state;
	for (size_t i = 0; i < sizeof(safe) / sizeof(safe[0]); i++) {
		struct watch w;

		watch_begin(&w, 6, 11 + i);
		make_plain(&w, safe[i]);
		assert_int_equal(w.unsound, 0);
		assert_int_equal(w.lost, 0);
		assert_int_equal(w.invented, 0);
		(void)store_files(true);
	}
}

static void less_synced_ones_are_caught(void **state)
{
	struct watch w;

	(void)state;
	watch_begin(&w, 6, 21);
	make_plain(&w,
		"PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL; PRAGMA wal_autocheckpoint = 40;");
	assert_int_equal(w.unsound, 0);
	assert_true(w.lost > 0);
	(void)store_files(true);

	watch_begin(&w, 6, 22);
	make_plain(
		&w, "PRAGMA journal_mode = WAL; PRAGMA synchronous = OFF; PRAGMA wal_autocheckpoint = 40;");
	assert_true(w.unsound > 0);
	assert_true(w.lost > 0);
}

/* --- an import: whole or not there --- */

static void import_is_synced_before_it_is_in_place(void **state)
{
	struct lull_night night;
	struct watch w;

	(void)state;
	watch_begin(&w, 3, 31);
	w.count_sql = "SELECT count(*) FROM gap";
	torn_begin(".lull", perhaps_cut, &w);
	struct lull_store *store = store_create(false);
	struct lull_sink sink = lull_store_sink(store);

	while (w.put < 9000) {
		const struct lull_gap gap = {
			.last = w.put * LULL_SEC, .next = w.put * LULL_SEC + 2, .last_id = 1, .next_id = 2};

		/* It may be committed before the call returns. */
		w.put++;
		assert_int_equal(sink.gap(sink.ctx, &gap), 0);
	}
	store_put_buses(&sink);
	assert_int_equal(lull_store_commit(store, store_err, sizeof(store_err)), 0);
	/* What stands in its place then has nothing that a cut could take. */
	assert_non_null(torn_first());
	assert_int_equal(torn_unsynced(torn_first()), 0);
	torn_end();
	assert_true(w.cuts > 20);
	assert_int_equal(w.unsound, 0);
	assert_int_equal(w.invented, 0);
	assert_int_equal(lull_store_load(store_path, &night, store_err, sizeof(store_err)), 0);
	assert_int_equal(night.gaps.n, 9000);
	lull_night_clear(&night);
}

/* --- a recording that is being made --- */

#define BATCH 40

static void fill_batch(struct lull_night *rows, struct lull_night *open, int64_t batch)
{
	struct lull_sink final = lull_night_sink(rows), still = lull_night_sink(open);

	lull_night_init(rows);
	lull_night_init(open);
	for (int64_t i = 0; i < BATCH; i++) {
		const lull_time t = (batch * 100 + i) * LULL_SEC;
		const struct lull_gap gap = {.last = t, .next = t + LULL_SEC / 2, .last_id = 1, .next_id = 2};
		struct lull_stretch stretch = store_stretch_rows[0];

		stretch.bus = 0;
		stretch.first = t;
		stretch.last = t + LULL_SEC;
		assert_int_equal(final.gap(final.ctx, &gap), 0);
		assert_int_equal(final.stretch(final.ctx, &stretch), 0);
		if (i < 3)
			assert_int_equal(still.stretch(still.ctx, &stretch), 0);
	}
	rows->bus_count = 1;
	rows->bus[0] = store_bus_rows[0];
}

static void write_batches(struct lull_journal *journal, struct watch *w, int64_t from, int64_t to)
{
	for (int64_t batch = from; batch < to; batch++) {
		const struct lull_coverage coverage = {
			.why = LULL_OBSERVED, .to = (batch + 1) * 100 * LULL_SEC};
		struct lull_night rows, open;

		fill_batch(&rows, &open, batch);
		w->put += BATCH;
		assert_int_equal(lull_journal_write(journal, &rows, &open, &coverage, 1), 0);
		w->kept = w->put;
		lull_night_clear(&rows);
		lull_night_clear(&open);
	}
}

static void recording_loses_at_most_its_last_batch(void **state)
{
	const struct lull_session first = {.boot = "boot 1"},
				  second = {.boot = "boot 2", .from = 20000 * LULL_SEC};
	struct lull_journal_past past;
	struct lull_night night;
	struct watch w;

	(void)state;
	watch_begin(&w, 30, 41);
	w.count_sql = "SELECT count(*) FROM gap WHERE rowid < (1 << 40)";
	w.batch = BATCH;
	w.load = true;
	torn_begin(".lull", perhaps_cut, &w);
	struct lull_journal *journal = lull_journal_create(store_path, store_err, sizeof(store_err));

	assert_non_null(journal);
	assert_int_equal(lull_journal_session(journal, &first), 0);
	write_batches(journal, &w, 0, 100);
	/* Broken off, and gone on with. */
	lull_journal_abandon(journal);
	journal = lull_journal_open(store_path, &past, store_err, sizeof(store_err));
	assert_non_null(journal);
	assert_int_equal(lull_journal_settle(journal, past.until), 0);
	assert_int_equal(lull_journal_session(journal, &second), 0);
	write_batches(journal, &w, 100, 200);
	assert_int_equal(lull_journal_close(journal, 20000 * LULL_SEC, store_err, sizeof(store_err)), 0);
	assert_int_equal(torn_unsynced(store_path), 0);
	torn_end();
	assert_true(w.cuts > 60);
	assert_int_equal(w.unsound, 0);
	assert_int_equal(w.lost, 0);
	assert_int_equal(w.invented, 0);
	assert_int_equal(w.halved, 0);
	assert_int_equal(w.unread, 0);
	assert_int_equal(lull_store_load(store_path, &night, store_err, sizeof(store_err)), 0);
	assert_int_equal(night.gaps.n, 200 * BATCH);
	lull_night_clear(&night);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(synced_commits_survive, store_set_up, store_tear_down),
		cmocka_unit_test_setup_teardown(less_synced_ones_are_caught, store_set_up, store_tear_down),
		cmocka_unit_test_setup_teardown(
			import_is_synced_before_it_is_in_place, store_set_up, store_tear_down),
		cmocka_unit_test_setup_teardown(
			recording_loses_at_most_its_last_batch, store_set_up, store_tear_down),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
