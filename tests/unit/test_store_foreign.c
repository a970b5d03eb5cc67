/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_store_foreign: files from elsewhere: what is no recording, damaged, hostile, older or in use. */
#include "store_rig.h"
#include "store/journal.h"
#include "store/recording.h"

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>
#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

static void refused(int error, const char *word)
{
	struct lull_night night;

	store_err[0] = '\0';
	int r = lull_store_load(store_path, &night, store_err, sizeof(store_err));

	if (r != error || !strstr(store_err, word))
		fail_msg("%d (not %d), '%s' without '%s'", r, error, store_err, word);
	assert_non_null(strstr(store_err, store_path));
	assert_null(night.stretches.at);
	assert_int_equal(night.bus_count, 0);
}

static void no_recording(void **state)
{
	(void)state;
	refused(-ENOENT, "No such file");
	FILE *file = fopen(store_path, "w");

	fclose(file);
	refused(-EBADMSG, "no SQLite file");
	file = fopen(store_path, "w");
	(void)fputs("time,id,data\n1,2,3\n", file);
	fclose(file);
	refused(-EBADMSG, "no SQLite file");
	file = fopen(store_path, "w");
	(void)fwrite("SQLite format 3", 1, 16, file);
	fclose(file);
	refused(-EBADMSG, "damaged");
	assert_int_equal(unlink(store_path), 0);
	assert_int_equal(mkdir(store_path, 0700), 0);
	refused(-EBADMSG, "no SQLite file");
	assert_int_equal(rmdir(store_path), 0);
	assert_int_equal(mkfifo(store_path, 0600), 0);
	refused(-EBADMSG, "no SQLite file");
	assert_int_equal(unlink(store_path), 0);
	assert_int_equal(store_run(store_path, "CREATE TABLE stretch (a)"), SQLITE_OK);
	refused(-EBADMSG, "no recording");
}

static void newer_and_unknown_versions(void **state)
{
	(void)state;
	store_write_full_night(false);
	assert_int_equal(store_run(store_path, "PRAGMA user_version = 7"), SQLITE_OK);
	/* One that does not say who made it. */
	refused(-ENOTSUP, "newer lull (schema 7");
	/* As a later version leaves it, whatever else that version has changed: the table of texts stays. */
	assert_int_equal(store_run(store_path,
				 "INSERT OR REPLACE INTO text VALUES ('created-by', 'lulld 0.9'), "
				 "('readable-from', 'lull 0.8');"
				 "DROP TABLE stretch; CREATE TABLE stretch (other)"),
		SQLITE_OK);
	refused(-ENOTSUP, "written by lulld 0.9; needs lull 0.8 or newer (this is lull " LULL_VERSION ")");
	struct lull_journal_past past;

	assert_null(lull_journal_open(store_path, &past, store_err, sizeof(store_err)));
	assert_int_equal(errno, ENOTSUP);
	assert_non_null(strstr(store_err, "needs lull 0.8 or newer"));
	/* What it says is not believed further than a short harmless text; a table of other columns says nothing. */
	assert_int_equal(
		store_run(store_path,
			"UPDATE text SET value = 'lull ' || char(27) || '[2J' WHERE key = 'readable-from'"),
		SQLITE_OK);
	refused(-ENOTSUP, "needs lull ?[2J or newer");
	assert_int_equal(store_run(store_path,
				 "UPDATE text SET value = printf('%500s', 'x') WHERE key = 'created-by'"),
		SQLITE_OK);
	refused(-ENOTSUP, "newer lull (schema 7");
	assert_int_equal(store_run(store_path,
				 "DROP TABLE text; CREATE TABLE text (key, value AS (zeroblob(1)));"
				 "INSERT INTO text VALUES ('created-by'), ('readable-from')"),
		SQLITE_OK);
	refused(-ENOTSUP, "newer lull (schema 7");
	assert_null(lull_store_read_text(store_path, "profile", store_err, sizeof(store_err)));
	assert_non_null(strstr(store_err, "newer"));
	assert_int_equal(store_run(store_path, "PRAGMA user_version = -3"), SQLITE_OK);
	refused(-EBADMSG, "no schema -3");
}

/* Each of these makes a recording lie or run code of its own. */
static void hostile_contents(void **state)
{
	static const struct {
		const char *sql, *word;
	} cases[] = {
		{"UPDATE stretch SET bus = 16", "bus"},
		{"UPDATE stretch SET bus = -1", "bus"},
		{"DELETE FROM bus WHERE bus = 1", "bus"},
		{"UPDATE stretch SET first_ns = -1", "first_ns"},
		{"UPDATE stretch SET first_ns = 9223372036854775807", "first_ns"},
		{"UPDATE stretch SET first_ns = 1.5", "first_ns"},
		{"UPDATE stretch SET first_ns = 9, last_ns = 8", "contradict"},
		{"UPDATE stretch SET kind = 'other'", "kind"},
		{"UPDATE stretch SET ended = x'00'", "ended"},
		{"UPDATE stretch SET id = 2048", "id"},
		{"UPDATE stretch SET id = 0xa0000000", "id"},
		{"UPDATE stretch SET id = -1", "id"},
		{"UPDATE stretch SET flags = 64", "flags"},
		{"UPDATE stretch SET frames = -1", "frames"},
		{"UPDATE stretch SET fit_n = 9e999", "fit_n"},
		{"UPDATE stretch SET fit_n = 'x'", "fit_n"},
		{"UPDATE stretch SET fit_r_min_ns = -9223372036854775807", "fit_r_min_ns"},
		{"UPDATE stretch SET changes = 4294967296", "changes"},
		{"UPDATE stretch SET payload_first = x'00'", "payload_first"},
		{"UPDATE stretch SET payload_first = '12345678'", "payload_first"},
		{"UPDATE stretch SET length = 9", "length"},
		{"UPDATE stretch SET gap_bins = '[1,2,3]'", "gap_bins"},
		{"UPDATE stretch SET gap_bins = replace(gap_bins, '123456', '99999999999')", "gap_bins"},
		{"UPDATE stretch SET gap_bins = gap_bins || ' '", "gap_bins"},
		{"UPDATE stretch SET gap_bins = '['", "gap_bins"},
		{"UPDATE stretch SET floor = x''", "floor"},
		{"UPDATE stretch SET floor = '123456789012'", "floor"},
		{"UPDATE stretch SET floor = zeroblob(11)", "floor"},
		{"UPDATE stretch SET floor = zeroblob(24)", "floor"},
		{"UPDATE stretch SET floor = zeroblob(204)", "floor"},
		{"UPDATE stretch SET floor = x'010000000000000000000080'", "floor"},
		{"UPDATE cadence SET floor = zeroblob(13)", "floor"},
		{"UPDATE stretch SET ceiling = zeroblob(11)", "ceiling"},
		{"UPDATE cadence SET ceiling = ''", "ceiling"},
		{"UPDATE stretch SET sent = -1", "sent"},
		{"UPDATE stretch SET changes_left_out = x'31'", "changes_left_out"},
		{"UPDATE bus SET sent = 1.5", "sent"},
		{"UPDATE gap SET kind = 'short'", "kind"},
		{"UPDATE gap SET paused = 4294967296", "paused"},
		{"UPDATE gap SET went_on = -1", "went_on"},
		{"UPDATE clamp SET channel = 8", "channel"},
		{"UPDATE clamp SET quantity = 'power'", "quantity"},
		{"UPDATE chunk SET channel = -1", "channel"},
		{"UPDATE repair SET outcome = ''", "outcome"},
		{"UPDATE repair SET module = printf('%.*c', 64, 'x')", "module"},
		{"UPDATE repair SET utc_ns = 'now'", "utc_ns"},
		{"UPDATE text SET value = 'x' WHERE key = 'uuid'", "text 'uuid' is no UUID"},
		{"UPDATE text SET value = upper(value) WHERE key = 'recorder'", "text 'recorder' is no UUID"},
		{"UPDATE text SET value = printf('%.*c', 128, 'x') WHERE key = 'vehicle'",
			"text 'vehicle' is no name"},
		{"UPDATE text SET value = x'00' WHERE key = 'model'", "model"},
		{"DROP TABLE repair", "'repair' is missing"},
		{"UPDATE edge SET length = 65", "length"},
		{"UPDATE edge SET length = 63", "data"},
		{"UPDATE edge SET data = zeroblob(1000000)", "data"},
		{"UPDATE edge SET data = NULL", "data"},
		{"UPDATE edge SET copies = 0", "contradict"},
		{"UPDATE edge SET id = 4294967296", "id"},
		{"UPDATE coverage SET why = 'OBSERVED'", "why"},
		{"UPDATE coverage SET to_ns = -5", "to_ns"},
		{"UPDATE mark SET name = printf('%.*c', 64, 'x')", "name"},
		{"UPDATE mark SET text = 'a' || char(0) || 'b'", "text"},
		{"UPDATE mark SET value = 9e999", "value"},
		{"UPDATE bus SET name = ''||char(0)", "name"},
		{"UPDATE bus SET first_ns = NULL", "contradict"},
		{"UPDATE clock SET error_ns = -1", "error_ns"},
		{"UPDATE left_out SET sentence = x'ff'", "left_out"},
		{"UPDATE text SET value = x'00' WHERE key = 'profile'", "profile"},
		{"DROP TABLE gap", "'gap' is missing"},
		{"DROP TABLE gap; CREATE VIEW gap AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 "
		 "FROM n) "
		 "SELECT 0 AS bus, 0 AS last_ns, 0 AS next_ns, 0 AS last_id, 0 AS next_id FROM n",
			"'gap' is missing"},
		{"DROP TABLE gap; CREATE VIRTUAL TABLE gap USING fts5(bus, last_ns, next_ns, last_id, "
		 "next_id)",
			"'gap' is not as lull makes it"},
		{"ALTER TABLE gap ADD COLUMN more AS (hex(zeroblob(1000000)))",
			"'gap' is not as lull makes it"},
		{"WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 2000010) "
		 "INSERT INTO left_out SELECT '' FROM n; INSERT INTO mark SELECT 0, 'door', NULL, '', '' "
		 "FROM left_out",
			"more than 2000000 rows"},
	};

	(void)state;
	for (size_t i = 0; i < COUNT(cases); i++) {
		store_write_full_night(true);
		int rc = store_run(store_path, cases[i].sql);

		if (rc != SQLITE_OK)
			fail_msg("%s: %s", cases[i].sql, sqlite3_errstr(rc));
		refused(-EBADMSG, cases[i].word);
	}
}

/* Additions of a user's own do no harm, and are not read. */
static void additions_are_left_alone(void **state)
{
	struct lull_night night;

	(void)state;
	store_write_full_night(false);
	assert_int_equal(store_run(store_path,
				 "CREATE TABLE notes (t, note CHECK (randomblob(9) IS NOT NULL)); INSERT "
				 "INTO notes VALUES (1, 2);"
				 "CREATE INDEX by_id ON stretch (id); CREATE VIEW mine AS SELECT * FROM "
				 "stretches; ANALYZE;"
				 "CREATE TRIGGER t AFTER INSERT ON mark BEGIN DELETE FROM stretch; END;"),
		SQLITE_OK);
	if (lull_store_load(store_path, &night, store_err, sizeof(store_err)))
		fail_msg("%s", store_err);
	store_is_full_night(&night);
	lull_night_clear(&night);
}

static void control_characters_do_not_pass(void **state)
{
	struct lull_night night;

	(void)state;
	store_write_full_night(false);
	assert_int_equal(store_run(store_path,
				 "UPDATE mark SET text = 'a' || char(27) || '[2J' || char(155) || char(228) "
				 "|| char(10) || "
				 "CAST(x'c328ff' AS TEXT); UPDATE left_out SET sentence = char(7) || 'b'"),
		SQLITE_OK);
	assert_int_equal(lull_store_load(store_path, &night, store_err, sizeof(store_err)), 0);
	assert_string_equal(night.marks.at[0].text,
		"a?[2J??\xc3\xa4?"
		"?(?");
	assert_string_equal(night.left_out.at[0], "?b");
	lull_night_clear(&night);
}

static unsigned char *whole_file(size_t *size)
{
	FILE *file = fopen(store_path, "rb");
	unsigned char *bytes;

	assert_non_null(file);
	assert_int_equal(fseek(file, 0, SEEK_END), 0);
	*size = (size_t)ftell(file);
	rewind(file);
	bytes = malloc(*size);
	assert_non_null(bytes);
	assert_int_equal(fread(bytes, 1, *size, file), *size);
	fclose(file);
	return bytes;
}

static void put_file(const unsigned char *bytes, size_t size)
{
	FILE *file = fopen(store_path, "wb");

	assert_non_null(file);
	assert_int_equal(fwrite(bytes, 1, size, file), size);
	fclose(file);
}

/* Wherever the damage is: a message or an unhurt night, never a crash. */
static void damaged_anywhere(void **state)
{
	size_t size;
	unsigned long random = 12345, bad = 0;
	struct lull_night night;

	(void)state;
	store_write_full_night(false);
	unsigned char *bytes = whole_file(&size), *copy = malloc(size);

	assert_non_null(copy);
	for (int i = 0; i < 400; i++) {
		size_t cut = size;

		memcpy(copy, bytes, size);
		random = random * 6364136223846793005ul + 1442695040888963407ul;
		if (i % 4 == 0)
			cut = (random >> 33) % size;
		else if (i % 4 == 1) /* a block of a card lost */
			memset(copy + (random >> 33) % (size / 512) * 512, 0, 512);
		else
			copy[(random >> 33) % size] ^= (unsigned char)(1 + (random >> 20 & 0x7f));
		put_file(copy, cut);
		store_err[0] = '\0';
		int r = lull_store_load(store_path, &night, store_err, sizeof(store_err));

		if (r) {
			bad++;
			assert_true(r < 0);
			assert_non_null(strstr(store_err, store_path));
			if (cut < size)
				assert_int_equal(r, -EBADMSG);
		} else {
			assert_int_equal(cut, size);
		}
		lull_night_clear(&night);
	}
	/* All the cuts, and a good part of the rest, must have been noticed. */
	assert_true(bad >= 130);
	free(bytes);
	free(copy);
}

/* --- older schemas --- */

/* A version 0 that never was, in which a mark had its text only and coverage counted in seconds. */
static const char older_sql[] =
	"CREATE TABLE coverage (bus INTEGER, why TEXT NOT NULL, from_s INTEGER, to_s INTEGER);"
	"CREATE TABLE mark (t_ns INTEGER NOT NULL, text TEXT NOT NULL);";

static void older_schema_is_migrated(void **state)
{
	const struct lull_schema *now = &lull_schemas[lull_schema_count - 1];
	struct lull_night night;
	sqlite3 *db;
	size_t before, after;

	(void)state;
	char *to_next = sqlite3_mprintf(
		"ALTER TABLE coverage RENAME TO old_coverage; ALTER TABLE mark RENAME TO old_mark; %s"
		"INSERT INTO coverage SELECT bus, why, from_s * 1000000000, to_s * 1000000000 FROM "
		"old_coverage;"
		"INSERT INTO mark SELECT t_ns, 'other', NULL, '', text FROM old_mark;",
		now->sql);
	const struct lull_schema schemas[] = {{0, older_sql, to_next}, {1, now->sql, NULL}};

	assert_int_equal(store_run(store_path, older_sql), SQLITE_OK);
	assert_int_equal(store_run(store_path,
				 "PRAGMA application_id = 0x6c756c6c; INSERT INTO mark VALUES (5, 'hello');"
				 "INSERT INTO coverage VALUES (NULL, 'observed', 0, 9)"),
		SQLITE_OK);
	unsigned char *bytes = whole_file(&before);

	assert_int_equal(sqlite3_open_v2(store_path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
	if (lull_store_load_database(db, store_path, schemas, 2, &night, store_err, sizeof(store_err)))
		fail_msg("%s", store_err);
	assert_int_equal(night.marks.n, 1);
	assert_string_equal(night.marks.at[0].text, "hello");
	assert_int_equal(night.marks.at[0].kind, LULL_MARK_OTHER);
	assert_int_equal(night.coverage.n, 1);
	assert_true(night.coverage.at[0].to == 9 * LULL_SEC);
	lull_night_clear(&night);
	sqlite3_close(db);
	/* The file stays as it is. */
	unsigned char *same = whole_file(&after);

	assert_int_equal(before, after);
	assert_memory_equal(bytes, same, before);
	free(same);
	free(bytes);

	/* A step that fails is an error, not half a night; nor is an old table of another shape taken. */
	const struct lull_schema broken[] = {
		{0, older_sql, "ALTER TABLE nothing RENAME TO more"}, {1, now->sql, NULL}};

	assert_int_equal(sqlite3_open_v2(store_path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
	assert_int_equal(lull_store_load_database(db, store_path, broken, 2, &night, store_err, sizeof(store_err)), -EBADMSG);
	sqlite3_close(db);
	assert_int_equal(store_run(store_path, "ALTER TABLE mark ADD COLUMN more AS (1)"), SQLITE_OK);
	assert_int_equal(sqlite3_open_v2(store_path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
	assert_int_equal(lull_store_load_database(db, store_path, schemas, 2, &night, store_err, sizeof(store_err)), -EBADMSG);
	sqlite3_close(db);
	sqlite3_free(to_next);
}

/* A recording that another process is still writing is read as of its last commit. */
static void read_while_written(void **state)
{
	struct lull_night night;
	sqlite3 *writer;

	(void)state;
	store_write_full_night(false);
	assert_int_equal(sqlite3_open(store_path, &writer), SQLITE_OK);
	assert_int_equal(
		sqlite3_exec(writer,
			"PRAGMA journal_mode = WAL; INSERT INTO mark VALUES (1, 'door', NULL, '', 'in');"
			"BEGIN; INSERT INTO mark VALUES (2, 'door', NULL, '', 'not yet')",
			NULL, NULL, NULL),
		SQLITE_OK);
	assert_int_equal(lull_store_load(store_path, &night, store_err, sizeof(store_err)), 0);
	assert_int_equal(night.marks.n, 3);
	assert_string_equal(night.marks.at[1].text, "in");
	lull_night_clear(&night);
	sqlite3_close(writer);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, store_set_up, store_tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		TEST(no_recording),
		TEST(newer_and_unknown_versions),
		TEST(hostile_contents),
		TEST(additions_are_left_alone),
		TEST(control_characters_do_not_pass),
		TEST(damaged_anywhere),
		TEST(older_schema_is_migrated),
		TEST(read_while_written),
	};
	return cmocka_run_group_tests_name("store_foreign", tests, NULL, NULL);
}
