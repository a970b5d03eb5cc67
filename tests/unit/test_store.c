/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_store: what goes into a recording comes out again, or the recording does not come to be. */
#include "store_rig.h"
#include "store/journal.h"
#include "store/recording.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

static void round_trip(void **state)
{
	struct lull_night night;

	(void)state;
	store_write_full_night(false);
	assert_int_equal(store_files(false), 1);
	if (lull_store_load(store_path, &night, store_err, sizeof(store_err)))
		fail_msg("%s", store_err);
	store_is_full_night(&night);
	lull_night_clear(&night);
	/* Reading leaves nothing beside it. */
	assert_int_equal(store_files(false), 1);

	char *text = lull_store_read_text(store_path, "capture", store_err, sizeof(store_err));

	assert_non_null(text);
	assert_string_equal(text, "");
	free(text);
	assert_null(lull_store_read_text(store_path, "nothing", store_err, sizeof(store_err)));
	assert_string_equal(store_err, "");
}

/* One file in rollback mode (SQLite file format 2.1.3: bytes 18, 19 are 1), our mark at byte 68, readable for all
 * whom the umask lets. */
static void closed_is_one_plain_file(void **state)
{
	unsigned char head[100];
	struct stat st;

	(void)state;
	mode_t mask = umask(022);

	store_write_full_night(false);
	(void)umask(mask);
	assert_int_equal(store_files(false), 1);
	assert_int_equal(stat(store_path, &st), 0);
	assert_int_equal(st.st_mode & 0777, 0644);
	int fd = open(store_path, O_RDONLY | O_CLOEXEC);

	assert_int_equal(read(fd, head, sizeof(head)), sizeof(head));
	close(fd);
	assert_memory_equal(head, "SQLite format 3", 16);
	assert_int_equal(head[18], 1);
	assert_int_equal(head[19], 1);
	assert_memory_equal(head + 68, "lull", 4);
	assert_int_equal(head[63], LULL_SCHEMA_VERSION);
}

static void expect(sqlite3 *db, const char *sql, const char *answer)
{
	sqlite3_stmt *stmt;

	assert_int_equal(sqlite3_prepare_v2(db, sql, -1, &stmt, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_step(stmt), SQLITE_ROW);
	assert_string_equal((const char *)sqlite3_column_text(stmt, 0), answer);
	sqlite3_finalize(stmt);
}

/* What anybody sees with an SQLite tool. */
static void readable_by_others(void **state)
{
	sqlite3 *db;

	(void)state;
	store_write_full_night(false);
	assert_int_equal(sqlite3_open(store_path, &db), SQLITE_OK);
	expect(db, "PRAGMA integrity_check", "ok");
	expect(db, "SELECT uuid || ' ' || vehicle || ' ' || recorder FROM identity",
		"0193f2a1-7c5e-7d3b-8a41-d29c0e6f5b17 blue estate 7 5f1c0a9e-3b7d-4e52-9c86-a1b2c3d4e5f6");
	expect(db, "SELECT value FROM text WHERE key = 'readable-from'", "lull 0.2");
	expect(db, "SELECT group_concat(id) FROM (SELECT id FROM stretches)", "0x7FF,0x1FFFFFFF,none,0x000");
	expect(db, "SELECT bus || ' ' || kind || ' ' || ended FROM stretches WHERE id = '0x1FFFFFFF'",
		"can0 events open");
	expect(db,
		"SELECT j.value FROM stretch s, json_each(s.gap_bins) j WHERE s.kind = 'events' AND j.key = "
		"5",
		"123456");
	expect(db, "SELECT next_id FROM silences WHERE to_s = 1e-9", "0x00000123");
	expect(db, "SELECT id || hex(data) FROM edges WHERE kind = 'last'",
		"error30303030303230303030303030303030");
	expect(db, "SELECT why FROM covered WHERE bus = 'all'", "observed");
	expect(db, "SELECT kind FROM marks WHERE value = 420.5", "test load");
	/* Every column of every table says what it is. */
	expect(db,
		"SELECT count(*) FROM sqlite_master m WHERE m.type = 'table' AND m.sql NOT LIKE 'CREATE "
		"TABLE % ( -- %' AND "
		"m.name NOT LIKE 'sqlite_%'",
		"0");
	sqlite3_close(db);
}

static void name_taken(void **state)
{
	struct lull_night night;
	struct lull_store *store;

	(void)state;
	store_write_full_night(false);
	assert_null(lull_store_create(store_path, false, store_err, sizeof(store_err)));
	assert_int_equal(errno, EEXIST);
	assert_non_null(strstr(store_err, "--force"));

	/* With force the old one stays until the new one is complete. */
	store = store_create(true);
	assert_int_equal(lull_store_load(store_path, &night, store_err, sizeof(store_err)), 0);
	store_is_full_night(&night);
	lull_night_clear(&night);
	assert_int_equal(lull_store_commit(store, store_err, sizeof(store_err)), 0);
	assert_int_equal(lull_store_load(store_path, &night, store_err, sizeof(store_err)), 0);
	assert_int_equal(night.stretches.n, 0);
	lull_night_clear(&night);
	assert_int_equal(store_files(false), 1);

	/* Taken meanwhile. */
	assert_int_equal(unlink(store_path), 0);
	store = store_create(false);
	int fd = open(store_path, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);

	assert_true(fd >= 0);
	close(fd);
	assert_int_equal(lull_store_commit(store, store_err, sizeof(store_err)), -EEXIST);
	assert_int_equal(store_files(false), 1);

	assert_null(lull_store_create("/nonexistent/night.lull", false, store_err, sizeof(store_err)));
	assert_int_equal(errno, ENOENT);
}

static void given_up(void **state)
{
	struct lull_store *store = store_create(false);
	struct lull_sink sink = lull_store_sink(store);

	(void)state;
	store_put_buses(&sink);
	store_put_stretches(&sink);
	lull_store_abandon(store);
	assert_int_equal(store_files(false), 0);
}

/* A writer that is gone from one instant to the next, in the middle of a batch: the name it was to have does not
 * exist, and what stood there before stands there still. */
static void writer_killed(void **state)
{
	struct lull_night night;

	(void)state;
	for (int before = 0; before < 2; before++) {
		pid_t child;
		int status;

		if (before)
			store_write_full_night(false);
		child = fork();
		if (!child) {
			struct lull_store *store = lull_store_create(store_path, true, store_err, sizeof(store_err));
			struct lull_sink sink = lull_store_sink(store);

			for (int i = 0; i < 6000; i++) {
				if (sink.gap(sink.ctx, &store_gap_rows[1]))
					_exit(1);
			}
			_exit(0);
		}
		assert_int_equal(waitpid(child, &status, 0), child);
		assert_int_equal(status, 0);
		assert_int_equal(access(store_path, F_OK), before ? 0 : -1);
		if (before) {
			assert_int_equal(lull_store_load(store_path, &night, store_err, sizeof(store_err)), 0);
			store_is_full_night(&night);
			lull_night_clear(&night);
		}
	}
}

/* No room left on the card: an error, nothing in the place of the recording, nothing beside it. */
static void no_room(void **state)
{
	const struct rlimit small = {96 * 1024, 96 * 1024};
	int status;
	pid_t child = fork();

	(void)state;
	if (!child) {
		struct lull_store *store = lull_store_create(store_path, false, store_err, sizeof(store_err));
		struct lull_sink sink = lull_store_sink(store);
		int r = 0;

		(void)signal(SIGXFSZ, SIG_IGN);
		if (setrlimit(RLIMIT_FSIZE, &small))
			_exit(1);
		for (int i = 0; i < 50000 && !r; i++)
			r = sink.gap(sink.ctx, &store_gap_rows[1]);
		if (r >= 0 || lull_store_commit(store, store_err, sizeof(store_err)) != r ||
			!strstr(store_err, "nothing was written"))
			_exit(2);
		_exit(0);
	}
	assert_int_equal(waitpid(child, &status, 0), child);
	assert_int_equal(status, 0);
	assert_int_equal(store_files(false), 0);
}

/* Cut off at whatever point of making the tables: no recording, and nothing beside it. */
static void failed_creation_leaves_nothing(void **state)
{
	(void)state;
	for (rlim_t size = 0; size <= 64 * 1024; size += 4096) {
		int status;
		pid_t child = fork();

		if (!child) {
			const struct rlimit small = {size, size};

			(void)signal(SIGXFSZ, SIG_IGN);
			if (setrlimit(RLIMIT_FSIZE, &small))
				_exit(1);
			if (lull_journal_create(store_path, store_err, sizeof(store_err)) || !store_err[0])
				_exit(2);
			if (lull_store_create(store_path, false, store_err, sizeof(store_err)) ||
				!store_err[0])
				_exit(3);
			_exit(0);
		}
		assert_int_equal(waitpid(child, &status, 0), child);
		assert_int_equal(status, 0);
		assert_int_equal(store_files(false), 0);
	}
	/* One that was made and is not wanted after all. */
	struct lull_journal *journal = lull_journal_create(store_path, store_err, sizeof(store_err));

	assert_non_null(journal);
	assert_int_equal(store_files(false), 4);
	lull_journal_discard(journal);
	assert_int_equal(store_files(false), 0);
}

static void many_rows(void **state)
{
	struct lull_store *store = store_create(false);
	struct lull_sink sink = lull_store_sink(store);
	struct lull_night night;
	enum { ROWS = 3 * 4096 + 5 };

	(void)state;
	store_put_buses(&sink);
	for (int i = ROWS; i > 0; i--) {
		struct lull_gap gap = {.bus = 0,
			.last = i * LULL_SEC,
			.next = (i + 1) * LULL_SEC,
			.last_id = 1,
			.next_id = 2};

		assert_int_equal(sink.gap(sink.ctx, &gap), 0);
	}
	assert_int_equal(lull_store_commit(store, store_err, sizeof(store_err)), 0);
	assert_int_equal(lull_store_load(store_path, &night, store_err, sizeof(store_err)), 0);
	assert_int_equal(night.gaps.n, ROWS);
	for (size_t i = 0; i < ROWS; i++)
		assert_true(night.gaps.at[i].last == (int64_t)(i + 1) * LULL_SEC);
	lull_night_clear(&night);
}

/* What could not be read back is not written, and the whole is refused rather than left with a hole. */
static void bad_rows_are_refused(void **state)
{
	(void)state;
	for (int i = 0; i < 9; i++) {
		struct lull_store *store = store_create(false);
		struct lull_sink sink = lull_store_sink(store);
		struct lull_stretch stretch = store_stretch_rows[0];
		struct lull_edge edge = store_edge_rows[0];
		struct lull_mark mark = store_mark_rows[0];
		int r = 0;

		switch (i) {
		case 0: stretch.first = -1, r = sink.stretch(sink.ctx, &stretch); break;
		case 1: stretch.bus = LULL_BUS_MAX, r = sink.stretch(sink.ctx, &stretch); break;
		case 2: stretch.fit.srr = (double)INFINITY, r = sink.stretch(sink.ctx, &stretch); break;
		case 3: stretch.id = 0x800, r = sink.stretch(sink.ctx, &stretch); break;
		case 4: stretch.last = LULL_TIME_LIMIT + 1, r = sink.stretch(sink.ctx, &stretch); break;
		case 5: edge.frame.len = 65, r = sink.edge(sink.ctx, &edge); break;
		case 6: memset(mark.text, 'x', sizeof(mark.text)), r = sink.mark(sink.ctx, &mark); break;
		case 7: r = sink.bus(sink.ctx, LULL_BUS_MAX, &store_bus_rows[0]); break;
		case 8: r = sink.coverage(sink.ctx, &(struct lull_coverage){.from = 2, .to = 1}); break;
		}
		assert_int_equal(r, -EINVAL);
		assert_int_equal(sink.gap(sink.ctx, &store_gap_rows[1]), -EINVAL);
		assert_int_equal(lull_store_text(store, "a", "b"), -EINVAL);
		assert_int_equal(lull_store_commit(store, store_err, sizeof(store_err)), -EINVAL);
		assert_int_equal(store_files(false), 0);
	}
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, store_set_up, store_tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		TEST(round_trip),
		TEST(closed_is_one_plain_file),
		TEST(readable_by_others),
		TEST(name_taken),
		TEST(given_up),
		TEST(writer_killed),
		TEST(no_room),
		TEST(failed_creation_leaves_nothing),
		TEST(many_rows),
		TEST(bad_rows_are_refused),
	};
	return cmocka_run_group_tests_name("store", tests, NULL, NULL);
}
