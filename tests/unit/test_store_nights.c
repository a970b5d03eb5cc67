/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_store_nights: what the observer makes of invented nights can be kept, and a night that was read and written
 * again is the same recording. */
#include <lull/observe.h>
#include "source/simulate.h"
#include "store/store.h"

#include <setjmp.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

#include <cmocka.h>

struct feed {
	struct lull_observer *observer;
	int64_t zero; /* stamp of the first frame; 0: none yet */
	lull_time last;
	int lost; /* frames that the observer did not take: a stepping clock needs a retimer */
};

static int feed_frame(void *ctx, const struct lull_frame *frame)
{
	struct feed *feed = ctx;
	struct lull_frame f = *frame;

	if (!feed->zero)
		feed->zero = f.t;
	f.t -= feed->zero;
	if (lull_observer_frame(feed->observer, &f))
		feed->lost++;
	else if (f.t > feed->last)
		feed->last = f.t;
	return 0;
}

static struct lull_store *create(const char *path)
{
	char err[512] = "";
	struct lull_store *store = lull_store_create(path, true, err, sizeof(err));

	if (!store)
		fail_msg("%s", err);
	return store;
}

static void commit(struct lull_store *store)
{
	char err[512] = "";

	if (lull_store_commit(store, err, sizeof(err)))
		fail_msg("%s", err);
}

static void record(const char *scenario, const char *path)
{
	struct lull_store *store = create(path);
	struct lull_sink rows = lull_store_sink(store);
	struct feed feed = {.observer = lull_observer_new(&rows)};
	const struct lull_sim_sink frames = {.ctx = &feed, .frame = feed_frame};
	const struct lull_sim_options options = {.scenario = scenario, .seed = 7, .hours = 0.3};
	struct lull_sim_night night;

	assert_non_null(feed.observer);
	for (int i = 0; i < 4; i++) {
		char name[8];

		(void)snprintf(name, sizeof(name), "can%d", i);
		assert_int_equal(lull_observer_bus(feed.observer, name, 500000, 0), i);
	}
	assert_int_equal(lull_sim_run(&options, &frames, &night), 0);
	assert_int_equal(lull_observer_finish(feed.observer, feed.last), 0);
	lull_observer_free(feed.observer);
	lull_sim_clear(&night);
	commit(store);
}

#define PUT_ALL(sink, kind, array) \
	for (size_t i = 0; i < (array).n; i++) \
	assert_int_equal((sink).kind((sink).ctx, &(array).at[i]), 0)

static void write_again(const struct lull_night *night, const char *path)
{
	struct lull_store *store = create(path);
	struct lull_sink sink = lull_store_sink(store);

	for (unsigned i = 0; i < night->bus_count; i++)
		assert_int_equal(sink.bus(sink.ctx, i, &night->bus[i]), 0);
	PUT_ALL(sink, stretch, night->stretches);
	PUT_ALL(sink, cadence, night->cadences);
	PUT_ALL(sink, gap, night->gaps);
	PUT_ALL(sink, change, night->changes);
	PUT_ALL(sink, edge, night->edges);
	commit(store);
}

/* Rows of one that the other lacks, whichever way round, in the tables that sorting does not change. */
static int differences(const char *one, const char *other)
{
	static const char *const tables[] = {"bus", "stretch", "cadence", "gap", "change", "edge"};
	sqlite3 *db;
	int n = 0;

	assert_int_equal(sqlite3_open(one, &db), SQLITE_OK);
	char *attach = sqlite3_mprintf("ATTACH %Q AS other", other);

	assert_int_equal(sqlite3_exec(db, attach, NULL, NULL, NULL), SQLITE_OK);
	sqlite3_free(attach);
	for (size_t i = 0; i < sizeof(tables) / sizeof(tables[0]); i++) {
		const char *t = tables[i];
		sqlite3_stmt *stmt;
		char *sql = sqlite3_mprintf(
			"SELECT (SELECT count(*) FROM (SELECT * FROM main.\"%w\" EXCEPT SELECT * FROM "
			"other.\"%w\"))"
			" + (SELECT count(*) FROM (SELECT * FROM other.\"%w\" EXCEPT SELECT * FROM "
			"main.\"%w\"))"
			" + abs((SELECT count(*) FROM main.\"%w\") - (SELECT count(*) FROM other.\"%w\"))",
			t, t, t, t, t, t);

		assert_int_equal(sqlite3_prepare_v2(db, sql, -1, &stmt, NULL), SQLITE_OK);
		assert_int_equal(sqlite3_step(stmt), SQLITE_ROW);
		n += sqlite3_column_int(stmt, 0);
		sqlite3_finalize(stmt);
		sqlite3_free(sql);
	}
	sqlite3_close(db);
	return n;
}

static void every_scenario(void **state)
{
	char folder[] = "/tmp/lull-test-nights-XXXXXX", first[64], second[64];
	size_t scenarios, stretches = 0, edges = 0;
	const struct lull_sim_scenario *scenario = lull_sim_scenarios(&scenarios);

	(void)state;
	assert_non_null(mkdtemp(folder));
	(void)snprintf(first, sizeof(first), "%s/first.lull", folder);
	(void)snprintf(second, sizeof(second), "%s/second.lull", folder);
	for (size_t i = 0; i < scenarios; i++) {
		struct lull_night night;
		char err[512] = "";

		record(scenario[i].name, first);
		if (lull_store_load(first, &night, err, sizeof(err)))
			fail_msg("%s: %s", scenario[i].name, err);
		write_again(&night, second);
		if (differences(first, second))
			fail_msg("%s: %d rows differ", scenario[i].name, differences(first, second));
		stretches += night.stretches.n;
		edges += night.edges.n;
		lull_night_clear(&night);
	}
	assert_true(scenarios && stretches > 50 * scenarios && edges > 10 * scenarios);
	(void)unlink(first);
	(void)unlink(second);
	assert_int_equal(rmdir(folder), 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(every_scenario),
	};
	return cmocka_run_group_tests_name("store_nights", tests, NULL, NULL);
}
