/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_night: rows in any order come out sorted, coverage resolved, instants dated. */
#include <lull/night.h>

#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>

#include <cmocka.h>

#define S(x) ((x)*LULL_SEC)

static void add_buses(struct lull_night *night, unsigned n)
{
	struct lull_sink sink = lull_night_sink(night);

	for (unsigned i = 0; i < n; i++) {
		struct lull_bus bus = {.first = LULL_NEVER, .last = LULL_NEVER};

		assert_int_equal(sink.bus(sink.ctx, i, &bus), 0);
	}
}

static void sorted_by_kind(void **state)
{
	struct lull_night night;

	(void)state;
	lull_night_init(&night);
	struct lull_sink sink = lull_night_sink(&night);

	for (int i = 40; i > 0; i--) {
		assert_int_equal(
			sink.stretch(sink.ctx,
				&(struct lull_stretch){.id = (uint32_t)i, .first = S(i / 2), .last = S(i)}),
			0);
		assert_int_equal(sink.cadence(sink.ctx, &(struct lull_cadence){.window = S(i)}), 0);
		assert_int_equal(
			sink.gap(sink.ctx,
				&(struct lull_gap){.last = S(i), .next = i == 40 ? LULL_NEVER : S(i + 1)}),
			0);
		assert_int_equal(sink.change(sink.ctx, &(struct lull_change){.t = S(i)}), 0);
		assert_int_equal(
			sink.edge(sink.ctx, &(struct lull_edge){.frame = {.t = S(i)}, .last_copy = S(i)}), 0);
		assert_int_equal(
			sink.mark(sink.ctx, &(struct lull_mark){.t = S(i), .value = (double)NAN}), 0);
		assert_int_equal(sink.clock(sink.ctx, &(struct lull_clock_map){.t = S(i)}), 0);
	}
	assert_int_equal(sink.left_out(sink.ctx, "a sentence"), 0);
	assert_int_equal(lull_night_sort(&night), 0);
	assert_int_equal(night.stretches.n, 40);
	for (size_t i = 1; i < 40; i++) {
		const struct lull_stretch *s = night.stretches.at;

		assert_true(s[i - 1].first < s[i].first ||
			(s[i - 1].first == s[i].first && s[i - 1].id < s[i].id));
		assert_true(night.cadences.at[i - 1].window < night.cadences.at[i].window);
		assert_true(night.gaps.at[i - 1].last < night.gaps.at[i].last);
		assert_true(night.changes.at[i - 1].t < night.changes.at[i].t);
		assert_true(night.edges.at[i - 1].frame.t < night.edges.at[i].frame.t);
		assert_true(night.marks.at[i - 1].t < night.marks.at[i].t);
		assert_true(night.clocks.at[i - 1].t < night.clocks.at[i].t);
	}
	assert_true(night.end == S(40));
	assert_string_equal(night.left_out.at[0], "a sentence");
	lull_night_clear(&night);
	assert_null(night.stretches.at);
}

static void buses(void **state)
{
	struct lull_night night;
	struct lull_bus bus = {.name = "can2", .last = S(9), .frames = 4};

	(void)state;
	lull_night_init(&night);
	struct lull_sink sink = lull_night_sink(&night);

	assert_int_equal(sink.bus(sink.ctx, LULL_BUS_MAX, &bus), -EINVAL);
	assert_int_equal(sink.bus(sink.ctx, 2, &bus), 0);
	bus.frames = 5;
	assert_int_equal(sink.bus(sink.ctx, 2, &bus), 0);
	assert_int_equal(night.bus_count, 3);
	assert_int_equal(night.bus[2].frames, 5);
	assert_true(night.bus[0].last == LULL_NEVER);
	assert_int_equal(lull_night_sort(&night), 0);
	assert_true(night.end == S(9));
	lull_night_clear(&night);
}

enum {
	ALL = LULL_BUS_ALL,
	OBS = LULL_OBSERVED,
	ENDED = LULL_BLIND_CAPTURE_ENDED,
	DEAF = LULL_BLIND_NOT_LISTENING,
	STEP = LULL_BLIND_CLOCK_STEP,
	LOST = LULL_BLIND_FRAMES_LOST
};

/* Coverage as (bus, why, from s, to s); a row with from > to ends a list. */
struct told {
	int bus, why;
	int64_t from, to;
};
#define END_OF_LIST \
	{ \
		0, 0, 1, 0 \
	}

static const struct coverage_case {
	const char *what;
	unsigned buses;
	int64_t mark; /* s; sets the end of the recording; 0 none */
	struct told in[8], out[12];
} coverage_cases[] = {
	{"the extent of a capture, and no more", 1, 100, {{0, OBS, 0, 60}, END_OF_LIST},
		{{0, OBS, 0, 60}, {0, ENDED, 60, 100}, END_OF_LIST}},
	{"told observation extends it", 1, 0,
		{{0, OBS, 10, 60}, {0, ENDED, 60, 100}, {ALL, OBS, 5, 90}, END_OF_LIST},
		{{0, DEAF, 0, 5}, {0, OBS, 5, 90}, {0, ENDED, 90, 100}, END_OF_LIST}},
	{"a told blind reason beats observed", 1, 0, {{0, OBS, 0, 100}, {ALL, DEAF, 20, 30}, END_OF_LIST},
		{{0, OBS, 0, 20}, {0, DEAF, 20, 30}, {0, OBS, 30, 100}, END_OF_LIST}},
	{"rows for all buses count for each", 2, 0, {{ALL, OBS, 0, 50}, {1, LOST, 10, 20}, END_OF_LIST},
		{{0, OBS, 0, 50}, {1, OBS, 0, 10}, {1, LOST, 10, 20}, {1, OBS, 20, 50}, END_OF_LIST}},
	{"without a bus they stay for all", 0, 0, {{ALL, OBS, 0, 50}, {ALL, DEAF, 40, 60}, END_OF_LIST},
		{{ALL, OBS, 0, 40}, {ALL, DEAF, 40, 60}, END_OF_LIST}},
	{"nobody listened at all", 1, 30, {END_OF_LIST}, {{0, DEAF, 0, 30}, END_OF_LIST}},
	{"a hole between two observations", 1, 0, {{0, OBS, 0, 10}, {0, OBS, 20, 30}, END_OF_LIST},
		{{0, OBS, 0, 10}, {0, DEAF, 10, 20}, {0, OBS, 20, 30}, END_OF_LIST}},
	{"neighbours and overlaps of one reason join", 1, 0,
		{{0, OBS, 0, 10}, {0, OBS, 10, 20}, {0, OBS, 15, 40}, {0, OBS, 16, 17}, END_OF_LIST},
		{{0, OBS, 0, 40}, END_OF_LIST}},
	{"a spot within observed time stays", 1, 0,
		{{0, OBS, 0, 40}, {0, STEP, 20, 20}, {0, OBS, 40, 50}, END_OF_LIST},
		{{0, OBS, 0, 20}, {0, STEP, 20, 20}, {0, OBS, 20, 50}, END_OF_LIST}},
	{"a spot in blind time says nothing new", 1, 0,
		{{0, OBS, 0, 40}, {0, LOST, 10, 30}, {0, STEP, 20, 20}, {0, STEP, 30, 30}, END_OF_LIST},
		{{0, OBS, 0, 10}, {0, LOST, 10, 30}, {0, OBS, 30, 40}, END_OF_LIST}},
	{"the specific reason beats not listening", 1, 0, {{0, DEAF, 0, 40}, {0, LOST, 10, 30}, END_OF_LIST},
		{{0, DEAF, 0, 10}, {0, LOST, 10, 30}, {0, DEAF, 30, 40}, END_OF_LIST}},
	{"rows that run backwards are passed over; time before zero is cut", 1, 0,
		{{0, OBS, -5, 40}, {0, LOST, 30, 29}, {0, OBS, -9, -7}, END_OF_LIST}, {{0, OBS, 0, 40}}},
	{"a bus that only coverage names", 1, 0, {{2, OBS, 0, 10}, {0, OBS, 0, 10}, END_OF_LIST},
		{{0, OBS, 0, 10}, {1, DEAF, 0, 10}, {2, OBS, 0, 10}, END_OF_LIST}},
};

static bool is_row(const struct told *row)
{
	/* the case of rows that run backwards has one of them in it, but not by a whole second from 1 to 0 */
	return !(row->from == 1 && row->to == 0) && !(row->from == 0 && row->to == 0);
}

static void coverage_resolved(void **state)
{
	(void)state;
	for (size_t c = 0; c < sizeof(coverage_cases) / sizeof(coverage_cases[0]); c++) {
		const struct coverage_case *k = &coverage_cases[c];
		struct lull_night night;

		lull_night_init(&night);
		struct lull_sink sink = lull_night_sink(&night);

		add_buses(&night, k->buses);
		if (k->mark)
			assert_int_equal(sink.mark(sink.ctx, &(struct lull_mark){.t = S(k->mark)}), 0);
		for (size_t i = 0; i < 8 && is_row(&k->in[i]); i++) {
			struct lull_coverage row = {(uint8_t)k->in[i].bus, (uint8_t)k->in[i].why,
				S(k->in[i].from), S(k->in[i].to)};

			assert_int_equal(sink.coverage(sink.ctx, &row), 0);
		}
		/* The second time nothing may change. */
		for (int again = 0; again < 2; again++) {
			size_t n = 0;

			assert_int_equal(lull_night_sort(&night), 0);
			/* out is listed by bus; the night is by time. */
			for (; n < 12 && is_row(&k->out[n]); n++) {
				bool found = false;

				for (size_t i = 0; i < night.coverage.n; i++) {
					const struct lull_coverage *row = &night.coverage.at[i];

					found |= row->bus == k->out[n].bus && row->why == k->out[n].why &&
						row->from == S(k->out[n].from) && row->to == S(k->out[n].to);
				}
				if (!found)
					fail_msg("%s: row %zu is missing", k->what, n);
			}
			if (n != night.coverage.n)
				fail_msg("%s: %zu rows, not %zu", k->what, night.coverage.n, n);
			for (size_t i = 1; i < n; i++)
				assert_true(night.coverage.at[i - 1].from <= night.coverage.at[i].from);
		}
		lull_night_clear(&night);
	}
}

/* Nobody said that the bus was observed: its frames do, as far as they go and as far as no blind row speaks. */
static void extent_of_frames(void **state)
{
	static const struct lull_coverage want[] = {
		{0, DEAF, 0, S(10)},
		{0, OBS, S(10), S(20)},
		{0, STEP, S(20), S(20)},
		{0, OBS, S(20), S(30)},
		{0, ENDED, S(30), S(40)},
		{0, OBS, S(40), S(50)},
		{0, ENDED, S(50), S(60)},
	};
	struct lull_night night;

	(void)state;
	lull_night_init(&night);
	struct lull_sink sink = lull_night_sink(&night);

	assert_int_equal(sink.bus(sink.ctx, 0, &(struct lull_bus){.first = S(10), .last = S(50)}), 0);
	assert_int_equal(sink.coverage(sink.ctx, &(struct lull_coverage){0, STEP, S(20), S(20)}), 0);
	assert_int_equal(sink.coverage(sink.ctx, &(struct lull_coverage){0, ENDED, S(30), S(40)}), 0);
	assert_int_equal(sink.mark(sink.ctx, &(struct lull_mark){.t = S(60)}), 0);
	for (int again = 0; again < 2; again++) {
		assert_int_equal(lull_night_sort(&night), 0);
		assert_int_equal(night.coverage.n, sizeof(want) / sizeof(want[0]));
		for (size_t i = 0; i < night.coverage.n; i++) {
			assert_int_equal(night.coverage.at[i].why, want[i].why);
			assert_true(night.coverage.at[i].from == want[i].from &&
				night.coverage.at[i].to == want[i].to);
		}
	}
	/* One observed row, and it is taken at its word. */
	assert_int_equal(sink.coverage(sink.ctx, &(struct lull_coverage){0, OBS, 0, S(5)}), 0);
	night.coverage.at[0] = night.coverage.at[--night.coverage.n];
	night.coverage.n = 1;
	assert_int_equal(lull_night_sort(&night), 0);
	assert_int_equal(night.coverage.n, 2);
	assert_true(night.coverage.at[1].why == ENDED && night.coverage.at[1].from == S(5));
	lull_night_clear(&night);
}

static void dates(void **state)
{
	struct lull_night night;
	const int64_t utc = INT64_C(1772750467) * LULL_SEC;

	(void)state;
	lull_night_init(&night);
	struct lull_sink sink = lull_night_sink(&night);

	assert_true(lull_night_utc(&night, 0) == INT64_MIN);
	/* A clock that steps by two weeks at 100 s: each side keeps its own date. */
	assert_int_equal(sink.clock(sink.ctx, &(struct lull_clock_map){S(0), utc, LULL_SEC}), 0);
	assert_int_equal(
		sink.clock(sink.ctx,
			&(struct lull_clock_map){S(100), utc + S(100) - 14 * 1440 * LULL_MIN, LULL_SEC}),
		0);
	assert_int_equal(lull_night_sort(&night), 0);
	assert_true(lull_night_utc(&night, S(99)) == utc + S(99));
	assert_true(lull_night_utc(&night, S(101)) == utc + S(101) - 14 * 1440 * LULL_MIN);
	assert_true(lull_night_utc(&night, LULL_NEVER) == INT64_MIN);
	/* A far better reading later on (network time at last) dates everything before it. */
	assert_int_equal(sink.clock(sink.ctx, &(struct lull_clock_map){S(200), utc + S(7200), LULL_MS}), 0);
	assert_int_equal(lull_night_sort(&night), 0);
	assert_true(lull_night_utc(&night, S(99)) == utc + S(7099));
	assert_true(lull_night_utc(&night, 0) == utc + S(7000));
	/* Out of range: no date, and no overflow. */
	night.clocks.n = 1;
	night.clocks.at[0] = (struct lull_clock_map){0, INT64_MAX - 5, 0};
	assert_true(lull_night_utc(&night, S(1)) == INT64_MIN);
	lull_night_clear(&night);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(sorted_by_kind),
		cmocka_unit_test(buses),
		cmocka_unit_test(coverage_resolved),
		cmocka_unit_test(extent_of_frames),
		cmocka_unit_test(dates),
	};
	return cmocka_run_group_tests_name("night", tests, NULL, NULL);
}
