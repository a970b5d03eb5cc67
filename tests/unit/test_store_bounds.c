/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_store_bounds: what a recording may hold, column by column: the ends of each range are read, what lies beyond is refused by
 * table and column, and any night that is read can be judged. */
#include "../nights/every_form.h"
#include "store_rig.h"
#include "store/recording.h"

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>
#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

static const struct lull_clamp log_of_the_clamp = {.present = true, .mV_per_A = 100, .samples = 3};
static int32_t samples[] = {1000, LULL_NO_SAMPLE, -7};

/* Rows in every table. */
static void write_all_tables(void)
{
	struct lull_store *store = store_create(true);
	struct lull_sink sink = lull_store_sink(store);
	const struct lull_stretch stretch = {.id = 0x100,
		.last = 9,
		.frames = 4,
		.period_ns = 3,
		.index = 3,
		.gap_max = 3,
		.fit = {.n = 4, .sk = 6, .skk = 14}};
	const struct lull_cadence cadence = {
		.id = 0x100, .period_ns = 3, .fit = {.n = 4, .sk = 6, .skk = 14}};

	store_put_buses(&sink);
	assert_int_equal(sink.stretch(sink.ctx, &stretch), 0);
	assert_int_equal(sink.cadence(sink.ctx, &cadence), 0);
	assert_int_equal(sink.gap(sink.ctx, &store_gap_rows[1]), 0);
	assert_int_equal(sink.change(sink.ctx, &(struct lull_change){.id = 0x100, .len = 2}), 0);
	assert_int_equal(sink.edge(sink.ctx, &store_edge_rows[0]), 0);
	assert_int_equal(sink.coverage(sink.ctx, &(struct lull_coverage){.bus = 1, .to = 4}), 0);
	assert_int_equal(sink.mark(sink.ctx, &store_mark_rows[1]), 0);
	assert_int_equal(sink.clock(sink.ctx, &(struct lull_clock_map){.utc_ns = 1}), 0);
	assert_int_equal(sink.clamp(sink.ctx, &log_of_the_clamp), 0);
	assert_int_equal(
		sink.chunk(sink.ctx,
			&(struct lull_chunk){.step_ns = LULL_SEC, .count = COUNT(samples), .uA = samples}),
		0);
	assert_int_equal(sink.repair(sink.ctx, &(struct lull_repair){.utc_ns = 1, .module = "x"}), 0);
	if (lull_store_commit(store, store_err, sizeof(store_err)))
		fail_msg("%s", store_err);
}

/* That recording in memory, where a change costs nothing. */
static sqlite3 *recording;

static int set_up(void **state)
{
	sqlite3 *file;

	if (store_set_up(state))
		return -1;
	write_all_tables();
	assert_int_equal(sqlite3_open(store_path, &file), SQLITE_OK);
	assert_int_equal(sqlite3_open(":memory:", &recording), SQLITE_OK);
	sqlite3_backup *copy = sqlite3_backup_init(recording, "main", file, "main");

	assert_non_null(copy);
	assert_int_equal(sqlite3_backup_step(copy, -1), SQLITE_DONE);
	assert_int_equal(sqlite3_backup_finish(copy), SQLITE_OK);
	return sqlite3_close(file);
}

static int tear_down(void **state)
{
	return sqlite3_close(recording) || store_tear_down(state);
}

/* What reading it answers with this change; what is read is judged and told in every form. -EINVAL: the table itself does not take it. */
static int load_with(const char *table, const char *column, const char *value)
{
	char sql[300];
	const struct lull_question ask = lull_question_default();
	struct lull_night night;
	int r = -EINVAL;

	(void)snprintf(sql, sizeof(sql), "UPDATE \"%s\" SET %s = %s", table, column, value);
	store_err[0] = '\0';
	/* What reads has a transaction of its own, so that a copy is changed. */
	sqlite3 *db;
	sqlite3_int64 size;
	unsigned char *bytes = sqlite3_serialize(recording, "main", &size, 0);

	assert_non_null(bytes);
	assert_int_equal(sqlite3_open(":memory:", &db), SQLITE_OK);
	assert_int_equal(sqlite3_deserialize(db, "main", bytes, size, size,
				 SQLITE_DESERIALIZE_FREEONCLOSE | SQLITE_DESERIALIZE_RESIZEABLE),
		SQLITE_OK);
	if (sqlite3_exec(db, sql, NULL, NULL, NULL) == SQLITE_OK) {
		r = lull_store_load_database(
			db, "memory", lull_schemas, lull_schema_count, &night, store_err, sizeof(store_err));
		if (!r)
			every_form(&night, &(struct every_form){.ask = &ask});
		lull_night_clear(&night);
	}
	(void)sqlite3_close(db);
	return r;
}

static void refused(const struct lull_table *table, const struct lull_column *column, const char *value)
{
	char where[80];
	int r = load_with(table->name, column->name, value);

	(void)snprintf(where, sizeof(where), "table '%s', row 1: impossible value in column %s", table->name,
		column->name);
	if (r != -EBADMSG || !strstr(store_err, where))
		fail_msg("%s.%s = %s: %d, '%s'", table->name, column->name, value, r, store_err);
}

/* Other columns may still be contradicted by it. */
static void not_impossible(
	const struct lull_table *table, const struct lull_column *column, const char *value)
{
	char here[80];
	int r = load_with(table->name, column->name, value);

	(void)snprintf(here, sizeof(here), "column %s", column->name);
	if (r && (r != -EBADMSG || strstr(store_err, here)))
		fail_msg("%s.%s = %s: %d, '%s'", table->name, column->name, value, r, store_err);
}

/* SQLite's own form, to the last digit. */
static const char *whole(char text[static 32], int64_t value)
{
	(void)snprintf(text, 32, "%lld", (long long)value);
	return text;
}

static const char *real(char text[static 32], double value)
{
	(void)snprintf(text, 32, "%.17e", value);
	return text;
}

static void beyond_its_range(const struct lull_table *table, const struct lull_column *column)
{
	const struct lull_bounds *b = &lull_bounds[column->kind];
	char text[32];

	if (b->least < b->most) {
		not_impossible(table, column, whole(text, b->least));
		not_impossible(table, column, whole(text, b->most));
		if (b->least > INT64_MIN)
			refused(table, column, whole(text, b->least - 1));
		if (b->most < INT64_MAX)
			refused(table, column, whole(text, b->most + 1));
		refused(table, column, "0.5");
		refused(table, column, "x'00'");
	}
	if (b->real_least < b->real_most) {
		not_impossible(table, column, real(text, b->real_least));
		not_impossible(table, column, real(text, b->real_most));
		refused(table, column, real(text, b->real_least - 1e-9 * b->real_most));
		refused(table, column, real(text, b->real_most * (1 + 1e-9)));
		refused(table, column, "9e999");
		refused(table, column, "-9e999");
		refused(table, column, "x'00'");
	}
}

static void every_column_has_its_range(void **state)
{
	size_t bounded = 0;

	(void)state;
	for (int t = 0; t < LULL_TABLE_COUNT; t++)
		for (size_t i = 0; i < lull_tables[t].column_count; i++) {
			const struct lull_column *c = &lull_tables[t].columns[i];
			const struct lull_bounds *b = &lull_bounds[c->kind];

			/* a bus's own number is its row's key, and rows of other buses would be of none */
			if (c->kind == LULL_COL_BUS || c->kind == LULL_COL_BUS_OR_ALL)
				continue;
			beyond_its_range(&lull_tables[t], c);
			bounded += b->least < b->most || b->real_least < b->real_most;
		}
	assert_true(bounded >= 50);
}

/* NULL is refused by the loader, whatever a table says of it, but where it has a meaning. */
static void null_where_it_means_something(void **state)
{
	(void)state;
	for (int t = 0; t < LULL_TABLE_COUNT; t++)
		for (size_t i = 0; i < lull_tables[t].column_count; i++) {
			const struct lull_column *c = &lull_tables[t].columns[i];
			int r = load_with(lull_tables[t].name, c->name, "NULL");
			bool meant = c->kind == LULL_COL_BUS_OR_ALL || c->kind == LULL_COL_ID ||
				c->kind == LULL_COL_ERROR_OR_ID || c->kind == LULL_COL_TIME_OR_NEVER ||
				c->kind == LULL_COL_REAL_OR_NAN || c->kind == LULL_COL_BINS ||
				c->kind == LULL_COL_FLOOR || c->kind == LULL_COL_COUNT ||
				(t == LULL_TABLE_BUS && c->kind == LULL_COL_BUS);

			if (!r && !meant)
				fail_msg("%s.%s may be NULL", lull_tables[t].name, c->name);
		}
}

/* Values that are possible one by one. */
static void columns_that_contradict_each_other(void **state)
{
	static const struct {
		const char *table, *column, *value;
	} cases[] = {
		{"gap", "last_ns", "NULL"}, /* next_ns is NULL already */
		{"stretch", "last_ns", "0, first_ns = 1"},
		{"stretch", "gap_min_ns", "gap_max_ns + 1"},
		{"stretch", "fit_n", "0.5"},
		{"stretch", "fit_sk", "1e40"},
		{"stretch", "fit_sk", "-1e40"},
		{"stretch", "fit_sr", "1e40"},
		{"stretch", "fit_skk", "-1.0"},
		{"stretch", "fit_srr", "-1.0"},
		{"stretch", "floor",
			"x'000000000000000000000000ffffffff0000000000000000', period_ns = "
			"315000000000000000, fit_sk = 0"},
		{"cadence", "fit_n", "0.5"},
		{"cadence", "fit_sk", "1e40"},
		{"cadence", "period_ns", "315000000000000000, fit_sk = 9"},
		{"cadence", "floor",
			"x'000000000000000000000000ffffffff0000000000000000', period_ns = "
			"315000000000000000, fit_sk = 0"},
		{"coverage", "to_ns", "0, from_ns = 1"},
		{"chunk", "step_ns", "315000000000000000"},
	};

	(void)state;
	for (size_t i = 0; i < COUNT(cases); i++) {
		int r = load_with(cases[i].table, cases[i].column, cases[i].value);

		if (r != -EBADMSG || !strstr(store_err, "contradict") || !strstr(store_err, cases[i].table))
			fail_msg("%s.%s = %s: %d, '%s'", cases[i].table, cases[i].column, cases[i].value, r,
				store_err);
	}
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		TEST(every_column_has_its_range),
		TEST(null_where_it_means_something),
		TEST(columns_that_contradict_each_other),
	};
	return cmocka_run_group_tests_name("store_bounds", tests, NULL, NULL);
}
