/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_store: what goes into a recording comes out again; what is no recording is refused. */
#include "store/recording.h"
#include "store/store.h"

#include <errno.h>
#include <fcntl.h>
#include <glob.h>
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

static char folder[64], path[96], err[512];

static int set_up(void **state)
{
	(void)state;
	(void)snprintf(folder, sizeof(folder), "/tmp/lull-test-store-XXXXXX");
	if (!mkdtemp(folder))
		return -1;
	(void)snprintf(
		path, sizeof(path), "%s/night #1?.lull", folder); /* '#' and '?' mean something in a URI */
	err[0] = '\0';
	return 0;
}

/* Names in the folder; with `clear`, removes them. */
static int files(bool clear)
{
	char pattern[sizeof(folder) + 2];
	glob_t found;
	int n = 0;

	(void)snprintf(pattern, sizeof(pattern), "%s/*", folder);
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

static int tear_down(void **state)
{
	(void)state;
	(void)files(true);
	return rmdir(folder);
}

/* --- a night with every kind of row, at the ends of their ranges --- */

static const struct lull_bus bus_rows[] = {
	{.name = "can0",
		.bitrate = 500000,
		.bitrate_data = 2000000,
		.frames = 7,
		.bits = 900,
		.errors = 3,
		.overflow = 2,
		.overflow_ids = 1,
		.first = 0,
		.last = LULL_TIME_LIMIT},
	{.name = "a bus with a name of 31 bytes..",
		.bitrate = UINT32_MAX,
		.frames = INT64_MAX,
		.bits = INT64_MAX,
		.errors = INT64_MAX,
		.overflow = INT64_MAX,
		.overflow_ids = UINT32_MAX,
		.first = LULL_NEVER,
		.last = LULL_NEVER},
};
static const struct lull_stretch stretch_rows[] = {
	{.id = 0x7ff,
		.bus = 1,
		.kind = LULL_STRETCH_CYCLIC,
		.end = LULL_END_RATE,
		.flags = LULL_FRAME_FD | LULL_FRAME_BRS,
		.first = 0,
		.last = LULL_TIME_LIMIT,
		.frames = INT64_MAX,
		.bits = INT64_MAX,
		.period_ns = LULL_TIME_LIMIT,
		.index = INT64_MAX,
		.gap_min = 1,
		.gap_max = LULL_TIME_LIMIT,
		.fit = {1e15, 1e300, -1e300, 0.1, -2.5e-310, 1.7976931348623157e308, -LULL_TIME_LIMIT},
		.back_to_back = UINT32_MAX,
		.changes = UINT32_MAX,
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
static const struct lull_cadence cadence_rows[] = {
	{.id = 0x123,
		.bus = 1,
		.stretch_first = 3,
		.window = LULL_CADENCE,
		.period_ns = 10 * LULL_MS,
		.fit = {3, 4, 5, 6, 7, 8, LULL_TIME_LIMIT}},
};
static const struct lull_gap gap_rows[] = {
	{.bus = 0,
		.last = LULL_NEVER,
		.next = 1,
		.last_id = LULL_ID_NONE,
		.next_id = 0x123u | LULL_ID_EXTENDED},
	{.bus = 1, .last = 0, .next = LULL_NEVER, .last_id = 0x700, .next_id = LULL_ID_NONE},
};
static const struct lull_change change_rows[] = {
	{.id = 0x6a0, .bus = 0, .len = 0, .byte = {0, 0}, .t = 0},
	{.id = 0x6a0, .bus = 1, .len = 2, .byte = {255, 1}, .t = LULL_TIME_LIMIT},
};
static const struct lull_edge edge_rows[] = {
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
			.flags = LULL_FRAME_ERROR,
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
static const struct lull_coverage coverage_rows[] = {
	{.bus = LULL_BUS_ALL, .why = LULL_OBSERVED, .from = 0, .to = LULL_TIME_LIMIT},
	{.bus = 1, .why = LULL_BLIND_POWER, .from = 4, .to = 5},
};
static const struct lull_mark mark_rows[] = {
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
static const struct lull_clock_map clock_rows[] = {
	{.t = 0, .utc_ns = INT64_MIN, .error_ns = LULL_TIME_LIMIT},
	{.t = LULL_TIME_LIMIT, .utc_ns = INT64_MAX, .error_ns = 0},
};

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))
#define PUT_ALL(sink, kind) \
	for (size_t i = 0; i < COUNT(kind##_rows); i++) \
	assert_int_equal((sink).kind((sink).ctx, &kind##_rows[i]), 0)

static void put_buses(const struct lull_sink *sink)
{
	for (unsigned i = 0; i < COUNT(bus_rows); i++)
		assert_int_equal(sink->bus(sink->ctx, i, &bus_rows[i]), 0);
}

static struct lull_store *create(bool force)
{
	struct lull_store *store = lull_store_create(path, force, err, sizeof(err));

	if (!store)
		fail_msg("%s", err);
	return store;
}

static void write_full_night(bool force)
{
	struct lull_store *store = create(force);
	struct lull_sink sink = lull_store_sink(store);

	put_buses(&sink);
	PUT_ALL(sink, stretch);
	PUT_ALL(sink, cadence);
	PUT_ALL(sink, gap);
	PUT_ALL(sink, change);
	PUT_ALL(sink, edge);
	PUT_ALL(sink, coverage);
	PUT_ALL(sink, mark);
	PUT_ALL(sink, clock);
	put_buses(&sink); /* again, as on changes: the later row replaces */
	assert_int_equal(sink.left_out(sink.ctx, "2 lines were no frames"), 0);
	assert_int_equal(lull_store_text(store, "profile", "[limits]\nold = 1\n"), 0);
	assert_int_equal(lull_store_text(store, "profile", "[limits]\ndraw_mA = 50\n"), 0);
	assert_int_equal(lull_store_text(store, "capture", ""), 0);
	if (lull_store_commit(store, err, sizeof(err)))
		fail_msg("%s", err);
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

static void is_full_night(const struct lull_night *night)
{
	assert_int_equal(night->bus_count, COUNT(bus_rows));
	for (size_t i = 0; i < COUNT(bus_rows); i++) {
		const struct lull_bus *a = &night->bus[i], *b = &bus_rows[i];

		assert_string_equal(a->name, b->name);
		SAME(a, b, bitrate);
		SAME(a, b, bitrate_data);
		SAME(a, b, frames);
		SAME(a, b, bits);
		SAME(a, b, errors);
		SAME(a, b, overflow);
		SAME(a, b, overflow_ids);
		SAME(a, b, first);
		SAME(a, b, last);
	}
	assert_int_equal(night->stretches.n, COUNT(stretch_rows));
	for (size_t i = 0; i < COUNT(stretch_rows); i++)
		same_stretch(&night->stretches.at[i], &stretch_rows[i]);
	assert_int_equal(night->cadences.n, 1);
	SAME(&night->cadences.at[0], &cadence_rows[0], id);
	SAME(&night->cadences.at[0], &cadence_rows[0], bus);
	SAME(&night->cadences.at[0], &cadence_rows[0], stretch_first);
	SAME(&night->cadences.at[0], &cadence_rows[0], window);
	SAME(&night->cadences.at[0], &cadence_rows[0], period_ns);
	same_fit(&night->cadences.at[0].fit, &cadence_rows[0].fit);
	assert_int_equal(night->gaps.n, COUNT(gap_rows));
	for (size_t i = 0; i < COUNT(gap_rows); i++) {
		SAME(&night->gaps.at[i], &gap_rows[i], bus);
		SAME(&night->gaps.at[i], &gap_rows[i], last);
		SAME(&night->gaps.at[i], &gap_rows[i], next);
		SAME(&night->gaps.at[i], &gap_rows[i], last_id);
		SAME(&night->gaps.at[i], &gap_rows[i], next_id);
	}
	assert_int_equal(night->changes.n, COUNT(change_rows));
	for (size_t i = 0; i < COUNT(change_rows); i++) {
		SAME(&night->changes.at[i], &change_rows[i], id);
		SAME(&night->changes.at[i], &change_rows[i], bus);
		SAME(&night->changes.at[i], &change_rows[i], len);
		SAME(&night->changes.at[i], &change_rows[i], t);
		SAME_BYTES(&night->changes.at[i], &change_rows[i], byte);
	}
	assert_int_equal(night->edges.n, COUNT(edge_rows));
	for (size_t i = 0; i < COUNT(edge_rows); i++)
		same_edge(&night->edges.at[i], &edge_rows[i]);
	assert_int_equal(night->marks.n, COUNT(mark_rows));
	for (size_t i = 0; i < COUNT(mark_rows); i++) {
		const struct lull_mark *a = &night->marks.at[i], *b = &mark_rows[i];

		SAME(a, b, t);
		SAME(a, b, kind);
		assert_true(a->value == b->value || (isnan(a->value) && isnan(b->value)));
		assert_string_equal(a->name, b->name);
		assert_string_equal(a->text, b->text);
	}
	assert_int_equal(night->clocks.n, COUNT(clock_rows));
	for (size_t i = 0; i < COUNT(clock_rows); i++) {
		SAME(&night->clocks.at[i], &clock_rows[i], t);
		SAME(&night->clocks.at[i], &clock_rows[i], utc_ns);
		SAME(&night->clocks.at[i], &clock_rows[i], error_ns);
	}
	/* Coverage has been resolved: bus 0 observed, bus 1 with its hole. */
	assert_int_equal(night->coverage.n, 4);
	assert_true(night->coverage.at[0].bus == 0 && night->coverage.at[0].to == LULL_TIME_LIMIT);
	assert_true(night->coverage.at[2].why == LULL_BLIND_POWER && night->coverage.at[2].from == 4);
	assert_int_equal(night->left_out.n, 1);
	assert_string_equal(night->left_out.at[0], "2 lines were no frames");
	assert_string_equal(night->profile, "[limits]\ndraw_mA = 50\n");
	assert_true(night->end == LULL_TIME_LIMIT);
}

static void round_trip(void **state)
{
	struct lull_night night;

	(void)state;
	write_full_night(false);
	assert_int_equal(files(false), 1);
	if (lull_store_load(path, &night, err, sizeof(err)))
		fail_msg("%s", err);
	is_full_night(&night);
	lull_night_clear(&night);
	/* Reading leaves nothing beside it. */
	assert_int_equal(files(false), 1);

	char *text = lull_store_read_text(path, "capture", err, sizeof(err));

	assert_non_null(text);
	assert_string_equal(text, "");
	free(text);
	assert_null(lull_store_read_text(path, "nothing", err, sizeof(err)));
	assert_string_equal(err, "");
}

/* One file in rollback mode (SQLite file format 2.1.3: bytes 18, 19 are 1), our mark at byte 68, readable for all
 * whom the umask lets. */
static void closed_is_one_plain_file(void **state)
{
	unsigned char head[100];
	struct stat st;

	(void)state;
	mode_t mask = umask(022);

	write_full_night(false);
	(void)umask(mask);
	assert_int_equal(files(false), 1);
	assert_int_equal(stat(path, &st), 0);
	assert_int_equal(st.st_mode & 0777, 0644);
	int fd = open(path, O_RDONLY | O_CLOEXEC);

	assert_int_equal(read(fd, head, sizeof(head)), sizeof(head));
	close(fd);
	assert_memory_equal(head, "SQLite format 3", 16);
	assert_int_equal(head[18], 1);
	assert_int_equal(head[19], 1);
	assert_memory_equal(head + 68, "lull", 4);
	assert_int_equal(head[63], LULL_SCHEMA_VERSION);
}

static int run(const char *file, const char *sql)
{
	sqlite3 *db;
	int rc = sqlite3_open(file, &db);

	if (rc == SQLITE_OK)
		rc = sqlite3_exec(db, sql, NULL, NULL, NULL);
	(void)sqlite3_close(db);
	return rc;
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
	write_full_night(false);
	assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
	expect(db, "PRAGMA integrity_check", "ok");
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
	write_full_night(false);
	assert_null(lull_store_create(path, false, err, sizeof(err)));
	assert_int_equal(errno, EEXIST);
	assert_non_null(strstr(err, "--force"));

	/* With force the old one stays until the new one is complete. */
	store = create(true);
	assert_int_equal(lull_store_load(path, &night, err, sizeof(err)), 0);
	is_full_night(&night);
	lull_night_clear(&night);
	assert_int_equal(lull_store_commit(store, err, sizeof(err)), 0);
	assert_int_equal(lull_store_load(path, &night, err, sizeof(err)), 0);
	assert_int_equal(night.stretches.n, 0);
	lull_night_clear(&night);
	assert_int_equal(files(false), 1);

	/* Taken meanwhile. */
	assert_int_equal(unlink(path), 0);
	store = create(false);
	int fd = open(path, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);

	assert_true(fd >= 0);
	close(fd);
	assert_int_equal(lull_store_commit(store, err, sizeof(err)), -EEXIST);
	assert_int_equal(files(false), 1);

	assert_null(lull_store_create("/nonexistent/night.lull", false, err, sizeof(err)));
	assert_int_equal(errno, ENOENT);
}

static void given_up(void **state)
{
	struct lull_store *store = create(false);
	struct lull_sink sink = lull_store_sink(store);

	(void)state;
	put_buses(&sink);
	PUT_ALL(sink, stretch);
	lull_store_abandon(store);
	assert_int_equal(files(false), 0);
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
			write_full_night(false);
		child = fork();
		if (!child) {
			struct lull_store *store = lull_store_create(path, true, err, sizeof(err));
			struct lull_sink sink = lull_store_sink(store);

			for (int i = 0; i < 6000; i++) {
				if (sink.gap(sink.ctx, &gap_rows[1]))
					_exit(1);
			}
			_exit(0);
		}
		assert_int_equal(waitpid(child, &status, 0), child);
		assert_int_equal(status, 0);
		assert_int_equal(access(path, F_OK), before ? 0 : -1);
		if (before) {
			assert_int_equal(lull_store_load(path, &night, err, sizeof(err)), 0);
			is_full_night(&night);
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
		struct lull_store *store = lull_store_create(path, false, err, sizeof(err));
		struct lull_sink sink = lull_store_sink(store);
		int r = 0;

		(void)signal(SIGXFSZ, SIG_IGN);
		if (setrlimit(RLIMIT_FSIZE, &small))
			_exit(1);
		for (int i = 0; i < 50000 && !r; i++)
			r = sink.gap(sink.ctx, &gap_rows[1]);
		if (r >= 0 || lull_store_commit(store, err, sizeof(err)) != r ||
			!strstr(err, "nothing was written"))
			_exit(2);
		_exit(0);
	}
	assert_int_equal(waitpid(child, &status, 0), child);
	assert_int_equal(status, 0);
	assert_int_equal(files(false), 0);
}

static void many_rows(void **state)
{
	struct lull_store *store = create(false);
	struct lull_sink sink = lull_store_sink(store);
	struct lull_night night;
	enum { ROWS = 3 * 4096 + 5 };

	(void)state;
	put_buses(&sink);
	for (int i = ROWS; i > 0; i--) {
		struct lull_gap gap = {.bus = 0,
			.last = i * LULL_SEC,
			.next = (i + 1) * LULL_SEC,
			.last_id = 1,
			.next_id = 2};

		assert_int_equal(sink.gap(sink.ctx, &gap), 0);
	}
	assert_int_equal(lull_store_commit(store, err, sizeof(err)), 0);
	assert_int_equal(lull_store_load(path, &night, err, sizeof(err)), 0);
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
		struct lull_store *store = create(false);
		struct lull_sink sink = lull_store_sink(store);
		struct lull_stretch stretch = stretch_rows[0];
		struct lull_edge edge = edge_rows[0];
		struct lull_mark mark = mark_rows[0];
		int r = 0;

		switch (i) {
		case 0: stretch.first = -1, r = sink.stretch(sink.ctx, &stretch); break;
		case 1: stretch.bus = LULL_BUS_MAX, r = sink.stretch(sink.ctx, &stretch); break;
		case 2: stretch.fit.srr = (double)INFINITY, r = sink.stretch(sink.ctx, &stretch); break;
		case 3: stretch.id = 0x800, r = sink.stretch(sink.ctx, &stretch); break;
		case 4: stretch.last = LULL_TIME_LIMIT + 1, r = sink.stretch(sink.ctx, &stretch); break;
		case 5: edge.frame.len = 65, r = sink.edge(sink.ctx, &edge); break;
		case 6: memset(mark.text, 'x', sizeof(mark.text)), r = sink.mark(sink.ctx, &mark); break;
		case 7: r = sink.bus(sink.ctx, LULL_BUS_MAX, &bus_rows[0]); break;
		case 8: r = sink.coverage(sink.ctx, &(struct lull_coverage){.from = 2, .to = 1}); break;
		}
		assert_int_equal(r, -EINVAL);
		assert_int_equal(sink.gap(sink.ctx, &gap_rows[1]), -EINVAL);
		assert_int_equal(lull_store_text(store, "a", "b"), -EINVAL);
		assert_int_equal(lull_store_commit(store, err, sizeof(err)), -EINVAL);
		assert_int_equal(files(false), 0);
	}
}

/* --- files from elsewhere --- */

static void refused(int error, const char *word)
{
	struct lull_night night;

	err[0] = '\0';
	int r = lull_store_load(path, &night, err, sizeof(err));

	if (r != error || !strstr(err, word))
		fail_msg("%d (not %d), '%s' without '%s'", r, error, err, word);
	assert_non_null(strstr(err, path));
	assert_null(night.stretches.at);
	assert_int_equal(night.bus_count, 0);
}

static void no_recording(void **state)
{
	(void)state;
	refused(-ENOENT, "No such file");
	FILE *file = fopen(path, "w");

	fclose(file);
	refused(-EBADMSG, "no SQLite file");
	file = fopen(path, "w");
	(void)fputs("time,id,data\n1,2,3\n", file);
	fclose(file);
	refused(-EBADMSG, "no SQLite file");
	file = fopen(path, "w");
	(void)fwrite("SQLite format 3", 1, 16, file);
	fclose(file);
	refused(-EBADMSG, "damaged");
	assert_int_equal(unlink(path), 0);
	assert_int_equal(mkdir(path, 0700), 0);
	refused(-EBADMSG, "no SQLite file");
	assert_int_equal(rmdir(path), 0);
	assert_int_equal(mkfifo(path, 0600), 0);
	refused(-EBADMSG, "no SQLite file");
	assert_int_equal(unlink(path), 0);
	assert_int_equal(run(path, "CREATE TABLE stretch (a)"), SQLITE_OK);
	refused(-EBADMSG, "no recording");
}

static void newer_and_unknown_versions(void **state)
{
	(void)state;
	write_full_night(false);
	assert_int_equal(run(path, "PRAGMA user_version = 7"), SQLITE_OK);
	refused(-ENOTSUP, "newer lull (schema 7");
	assert_null(lull_store_read_text(path, "profile", err, sizeof(err)));
	assert_non_null(strstr(err, "newer"));
	assert_int_equal(run(path, "PRAGMA user_version = -3"), SQLITE_OK);
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
		{"UPDATE stretch SET flags = 32", "flags"},
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
		write_full_night(true);
		int rc = run(path, cases[i].sql);

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
	write_full_night(false);
	assert_int_equal(run(path,
				 "CREATE TABLE notes (t, note CHECK (randomblob(9) IS NOT NULL)); INSERT "
				 "INTO notes VALUES (1, 2);"
				 "CREATE INDEX by_id ON stretch (id); CREATE VIEW mine AS SELECT * FROM "
				 "stretches; ANALYZE;"
				 "CREATE TRIGGER t AFTER INSERT ON mark BEGIN DELETE FROM stretch; END;"),
		SQLITE_OK);
	if (lull_store_load(path, &night, err, sizeof(err)))
		fail_msg("%s", err);
	is_full_night(&night);
	lull_night_clear(&night);
}

static void control_characters_do_not_pass(void **state)
{
	struct lull_night night;

	(void)state;
	write_full_night(false);
	assert_int_equal(run(path,
				 "UPDATE mark SET text = 'a' || char(27) || '[2J' || char(155) || char(228) "
				 "|| char(10) || "
				 "CAST(x'c328ff' AS TEXT); UPDATE left_out SET sentence = char(7) || 'b'"),
		SQLITE_OK);
	assert_int_equal(lull_store_load(path, &night, err, sizeof(err)), 0);
	assert_string_equal(night.marks.at[0].text,
		"a?[2J??\xc3\xa4?"
		"?(?");
	assert_string_equal(night.left_out.at[0], "?b");
	lull_night_clear(&night);
}

static unsigned char *whole_file(size_t *size)
{
	FILE *file = fopen(path, "rb");
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
	FILE *file = fopen(path, "wb");

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
	write_full_night(false);
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
		err[0] = '\0';
		int r = lull_store_load(path, &night, err, sizeof(err));

		if (r) {
			bad++;
			assert_true(r < 0);
			assert_non_null(strstr(err, path));
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

	assert_int_equal(run(path, older_sql), SQLITE_OK);
	assert_int_equal(run(path,
				 "PRAGMA application_id = 0x6c756c6c; INSERT INTO mark VALUES (5, 'hello');"
				 "INSERT INTO coverage VALUES (NULL, 'observed', 0, 9)"),
		SQLITE_OK);
	unsigned char *bytes = whole_file(&before);

	assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
	if (lull_store_load_database(db, path, schemas, 2, &night, err, sizeof(err)))
		fail_msg("%s", err);
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

	assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
	assert_int_equal(lull_store_load_database(db, path, broken, 2, &night, err, sizeof(err)), -EBADMSG);
	sqlite3_close(db);
	assert_int_equal(run(path, "ALTER TABLE mark ADD COLUMN more AS (1)"), SQLITE_OK);
	assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
	assert_int_equal(lull_store_load_database(db, path, schemas, 2, &night, err, sizeof(err)), -EBADMSG);
	sqlite3_close(db);
	sqlite3_free(to_next);
}

/* A recording that another process is still writing is read as of its last commit. */
static void read_while_written(void **state)
{
	struct lull_night night;
	sqlite3 *writer;

	(void)state;
	write_full_night(false);
	assert_int_equal(sqlite3_open(path, &writer), SQLITE_OK);
	assert_int_equal(
		sqlite3_exec(writer,
			"PRAGMA journal_mode = WAL; INSERT INTO mark VALUES (1, 'door', NULL, '', 'in');"
			"BEGIN; INSERT INTO mark VALUES (2, 'door', NULL, '', 'not yet')",
			NULL, NULL, NULL),
		SQLITE_OK);
	assert_int_equal(lull_store_load(path, &night, err, sizeof(err)), 0);
	assert_int_equal(night.marks.n, 3);
	assert_string_equal(night.marks.at[1].text, "in");
	lull_night_clear(&night);
	sqlite3_close(writer);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

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
		TEST(many_rows),
		TEST(bad_rows_are_refused),
		TEST(no_recording),
		TEST(newer_and_unknown_versions),
		TEST(hostile_contents),
		TEST(additions_are_left_alone),
		TEST(control_characters_do_not_pass),
		TEST(damaged_anywhere),
		TEST(older_schema_is_migrated),
		TEST(read_while_written),
	};
	return cmocka_run_group_tests_name("store", tests, NULL, NULL);
}
