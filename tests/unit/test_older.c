/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_older: recordings that earlier versions of the recorder left broken off, found by the one of today. The files and how
 * they were made: tests/golden/older. */
#include <daemon/book_impl.h>
#include <lull/night.h>
#include <source/stream.h>
#include <store/recording.h>
#include <store/store.h>
#include <store/uuid.h>

#include "store_rig.h"
#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <cmocka.h>

/* As make_broken_off.c has them. */
#define BOOT_0 (1000 * LULL_SEC)
#define UTC_0 (INT64_C(1772750000) * LULL_SEC)
#define END (430 * LULL_SEC)

static struct lull_config config;
static struct lull_book_plan plan;

static void unpack(const char *name)
{
	uint8_t piece[65536];
	char from[256];
	int error;

	(void)snprintf(from, sizeof from, "tests/golden/%s/recording.lull.zst", name);
	struct lull_stream *stream = lull_stream_open(from, &error);

	if (!stream) {
		fail_msg("%s: %s (unit tests run from the top folder)", from, strerror(error));
		return;
	}
	int fd = open(store_path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);

	assert_true(fd >= 0);
	for (size_t n; (n = lull_stream_read(stream, piece, sizeof piece)) > 0;)
		assert_int_equal(write(fd, piece, n), n);
	assert_null(lull_stream_damage(stream));
	assert_int_equal(close(fd), 0);
	lull_stream_close(stream);
}

static void version_of(int wanted)
{
	sqlite3_stmt *stmt;
	sqlite3 *db;

	assert_int_equal(sqlite3_open_v2(store_path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_prepare_v2(db, "PRAGMA user_version", -1, &stmt, NULL), SQLITE_OK);
	assert_int_equal(sqlite3_step(stmt), SQLITE_ROW);
	assert_int_equal(sqlite3_column_int(stmt, 0), wanted);
	(void)sqlite3_finalize(stmt);
	(void)sqlite3_close(db);
}

static struct lull_book *book_at(lull_time t)
{
	const struct lull_moment now = {
		.boot = BOOT_0 + t, .utc = UTC_0 + t, .error = LULL_MS, .dated = true};
	struct lull_book *book = lull_book_open(&plan, &now, store_err, sizeof store_err);

	if (!book)
		fail_msg("%s", store_err);
	return book;
}

static void set_plan(void)
{
	static char folder[sizeof store_path];

	memcpy(folder, store_path, sizeof folder);
	lull_config_defaults(&config);
	(void)snprintf(config.folder, sizeof config.folder, "%s", dirname(folder));
	config.bus_count = 1;
	(void)snprintf(config.bus[0].name, sizeof config.bus[0].name, "body");
	config.bus[0].bitrate = 500000;
	plan = (struct lull_book_plan){.config = &config, .boot = "00000000-0000-0000-0000-000000000001"};
}

static void load(struct lull_night *night)
{
	if (lull_store_load(store_path, night, store_err, sizeof store_err))
		fail_msg("%s", store_err);
}

/* Gone on with, in the same file, which has today's schema then: nothing of the time before is lost. */
static void gone_on_with(const char *name, int version)
{
	struct lull_night before, after;

	unpack(name);
	version_of(version);
	load(&before);
	assert_string_equal(before.identity.uuid, "");
	assert_int_equal(before.stretches.n, 6);
	assert_true(
		before.stretches.at[0].sent == LULL_NOT_COUNTED && before.bus[0].sent == LULL_NOT_COUNTED);
	version_of(version); /* reading changes nothing */

	set_plan();
	strcpy(plan.identity.vehicle, "blue estate");
	struct lull_book *book = book_at(440 * LULL_SEC);

	assert_string_equal(lull_book_path(book), store_path);
	assert_int_equal(lull_book_hears(book, 0, LULL_BLIND_NOT_LISTENING, BOOT_0 + 440 * LULL_SEC), 0);
	for (lull_time t = 440 * LULL_SEC; t < 500 * LULL_SEC; t += 10 * LULL_MS) {
		const struct lull_frame f = {.t = BOOT_0 + t, .id = 0x120, .len = 8};
		const struct lull_moment now = {
			.boot = BOOT_0 + t, .utc = UTC_0 + t, .error = LULL_MS, .dated = true};

		assert_int_equal(lull_book_frame(book, &f), 0);
		if (t % LULL_SEC == 0)
			assert_int_equal(lull_book_tick(book, &now), 0);
	}
	const struct lull_moment end = {.boot = BOOT_0 + 500 * LULL_SEC,
		.utc = UTC_0 + 500 * LULL_SEC,
		.error = LULL_MS,
		.dated = true};

	assert_int_equal(lull_book_close(book, &end), 0);
	assert_int_equal(store_files(false), 1);
	version_of(LULL_SCHEMA_VERSION);
	load(&after);
	assert_true(lull_uuid_valid(after.identity.uuid));
	assert_string_equal(after.identity.vehicle, "blue estate");
	assert_int_equal(after.bus[0].frames, before.bus[0].frames + 6000);
	assert_int_equal(after.stretches.n, before.stretches.n + 1);
	assert_int_equal(after.marks.n, before.marks.n);
	assert_int_equal(after.edges.n > before.edges.n, 1);
	for (size_t i = 0; i < before.stretches.n; i++) {
		const struct lull_stretch *a = &before.stretches.at[i], *b = &after.stretches.at[i];

		assert_true(a->id == b->id && a->first == b->first && a->last == b->last &&
			a->frames == b->frames);
		assert_int_equal(b->end, a->end == LULL_END_OPEN ? LULL_END_BLIND : a->end);
	}
	assert_true(after.end == 500 * LULL_SEC);
	assert_int_equal(after.coverage.at[after.coverage.n - 2].why, LULL_BLIND_RESTARTED);
	lull_night_clear(&before);
	lull_night_clear(&after);
}

static void schema_3_goes_on(void **state)
{
	(void)state;
	gone_on_with("broken-off-3", 3);
}

static void schema_4_goes_on(void **state)
{
	(void)state;
	gone_on_with("broken-off-4", 4);
}

/* Too old to be gone on with: closed as it was broken off, and a new one is begun. */
static void old_one_is_closed(void **state)
{
	struct lull_night before, after;

	(void)state;
	unpack("broken-off-4");
	load(&before);
	set_plan();
	struct lull_book *book = book_at(86400 * LULL_SEC);

	assert_string_not_equal(lull_book_path(book), store_path);
	const struct lull_moment end = {.boot = BOOT_0 + 86401 * LULL_SEC};

	assert_int_equal(lull_book_close(book, &end), 0);
	load(&after);
	assert_int_equal(after.stretches.n, before.stretches.n);
	assert_true(after.end == before.end);
	lull_night_clear(&before);
	lull_night_clear(&after);
}

/* A look that leads to nothing, and a step of the migration that fails, leave the file as it was. */
static void looked_at_only(void **state)
{
	struct lull_journal_past past;
	struct stat st;

	(void)state;
	unpack("broken-off-4");
	struct lull_journal *journal = lull_journal_open(store_path, &past, store_err, sizeof store_err);

	if (!journal)
		fail_msg("%s", store_err);
	assert_true(past.until == END - 10 * LULL_MS);
	assert_false(past.stopped);
	assert_int_equal(past.bus_count, 1);
	assert_string_equal(past.bus[0].name, "body");
	assert_string_equal(past.identity.uuid, "");
	lull_journal_abandon(journal);
	version_of(4);

	/* Somebody's own table of that name is in the way. */
	assert_int_equal(store_run(store_path, "CREATE TABLE repair (mine)"), SQLITE_OK);
	errno = 0;
	assert_null(lull_journal_open(store_path, &past, store_err, sizeof store_err));
	assert_int_equal(errno, EBADMSG);
	version_of(4);
	assert_int_equal(stat(store_path, &st), 0);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, store_set_up, store_tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		TEST(schema_3_goes_on),
		TEST(schema_4_goes_on),
		TEST(old_one_is_closed),
		TEST(looked_at_only),
	};
	return cmocka_run_group_tests_name("older", tests, NULL, NULL);
}
