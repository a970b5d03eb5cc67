/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_floor: the earliest arrivals and the line below all of them. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "core/floor.h"

#include <lull/night.h>
#include <lull/observe.h>

#include <math.h>

/* Numerical Recipes' quick generator: any will do here. */
static uint32_t state;
static double uniform(void)
{
	state = 1664525u * state + 1013904223u;
	return (double)(state >> 8) / (1 << 24);
}

/* One ID of that period and rate for `seconds`, as the observer keeps it. Half of the frames have to wait, by up to 600 us. */
static struct lull_stretch heard(int64_t period, double ppm, double seconds, int64_t grid)
{
	struct lull_night night;
	lull_night_init(&night);
	struct lull_sink sink = lull_night_sink(&night);
	struct lull_observer *o = lull_observer_new(&sink);

	assert_non_null(o);
	assert_int_equal(lull_observer_bus(o, "can0", 500000, 0), 0);
	lull_time end = 0, other = 0;
	const double step = (double)period * (1 + 1e-6 * ppm);
	const unsigned frames = (unsigned)ceil((1e9 * seconds - 123456) / step);
	for (unsigned i = 0; i < frames; i++) {
		double due = 1e9 + 123456 + i * step;
		double wait = uniform();
		struct lull_frame frame = { .id = 0x123, .len = 8, .t = (lull_time)(due + (wait < 0.5 ? 0 : (wait - 0.5) * 1.2e6)) };

		if (grid)
			frame.t = frame.t / grid * grid;
		for (; other < frame.t; other += 300 * LULL_MS) { /* the bus has other life */
			struct lull_frame filler = { .id = 0x7f0, .len = 8, .t = other };

			assert_int_equal(lull_observer_frame(o, &filler), 0);
		}
		assert_int_equal(lull_observer_frame(o, &frame), 0);
		end = frame.t;
	}
	assert_int_equal(lull_observer_finish(o, end), 0);
	lull_observer_free(o);
	assert_int_equal(lull_night_sort(&night), 0);
	assert_int_equal(night.stretches.n, 2);
	struct lull_stretch s = night.stretches.at[night.stretches.at[0].id == 0x7f0];
	assert_int_equal(s.id, 0x123);
	for (size_t i = 0; i < night.cadences.n; i++) {
		if (night.cadences.at[i].id != 0x123 || night.cadences.at[i].window != 2 * LULL_CADENCE)
			continue;
		assert_int_equal(s.floor.n, 0);
		s.fit = night.cadences.at[i].fit; /* the third window stands for all */
		s.floor = night.cadences.at[i].floor;
	}
	lull_night_clear(&night);
	return s;
}

static void tells_the_rate_better_than_the_mean(void **unused)
{
	static const struct {
		int64_t period;
		double ppm, seconds, within;
	} table[] = {
		{ 100 * LULL_MS, 40, 60, 0.05 }, { 20 * LULL_MS, -80, 60, 0.05 }, { 1000 * LULL_MS, 25, 60, 0.1 },
		{ 500 * LULL_MS, -3906, 120, 0.1 }, { 100 * LULL_MS, 12, 900, 0.02 },
	};

	(void)unused;
	state = 11;
	for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
		double mean_off = 0, floor_off = 0;

		for (unsigned again = 0; again < 20; again++) {
			struct lull_stretch s = heard(table[i].period, table[i].ppm, table[i].seconds, 0);
			struct lull_floor_line line;
			double mean = lull_fit_ppm(&s.fit, s.period_ns, NULL), off;

			assert_true(s.floor.n >= 8 && s.floor.n <= LULL_FLOOR_MOST);
			for (uint32_t k = 1; k < s.floor.n; k++)
				assert_true(s.floor.k[k] > s.floor.k[k - 1]);
			assert_true(lull_floor_line(&s.floor, 0, &line));
			/* the period in use may be another than the one that the frames were made with */
			double truth = ((double)table[i].period * (1 + 1e-6 * table[i].ppm) / (double)s.period_ns - 1) * 1e6;
			off = fabs(1e6 * line.slope / (double)s.period_ns - truth);
			floor_off += off / 20;
			mean_off += fabs(mean - truth) / 20;
			assert_true(off <= table[i].within + 6e6 * line.slope_sd / (double)s.period_ns);
		}
		assert_true(floor_off < table[i].within);
		assert_true(floor_off < 0.5 * mean_off);
	}
}

/* Of a coarse stamp the line shows where it comes to the next place of the grid, and not before. */
static void finds_the_line_between_coarse_stamps(void **unused)
{
	struct lull_floor_line line;

	(void)unused;
	state = 5;
	struct lull_stretch s = heard(100 * LULL_MS, 50, 200, LULL_MS);
	assert_true(lull_floor_line(&s.floor, LULL_MS, &line));
	assert_true(fabs(1e6 * line.slope / (double)s.period_ns - 50) < 1);
	s = heard(100 * LULL_MS, 3, 200, LULL_MS);
	assert_false(lull_floor_line(&s.floor, LULL_MS, &line));
}

static void needs_some_arrivals(void **unused)
{
	struct lull_floor f = { 0 };
	struct lull_floor_line line;

	(void)unused;
	assert_false(lull_floor_line(&f, 0, &line));
	for (uint32_t i = 0; i < LULL_FLOOR_MOST; i++)
		lull_floor_add(&f, 10 * i, 100 * (int64_t)i * (i % 3 ? 2 : 1));
	lull_floor_halve(&f, 10);
	assert_int_equal(f.n, LULL_FLOOR_MOST / 2);
	assert_int_equal(f.k[0], 0);
	assert_int_equal(f.k[1], 30);
	struct lull_floor before = lull_floor_split(&f, 30);
	assert_int_equal(before.n, 2);
	assert_int_equal(f.n, LULL_FLOOR_MOST / 2 - 2);
	assert_true(f.k[0] > 30);
	/* all at one index, as a hostile file may have it */
	for (uint32_t i = 0; i < f.n; i++)
		f.k[i] = 7;
	assert_false(lull_floor_line(&f, 0, &line));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(tells_the_rate_better_than_the_mean),
		cmocka_unit_test(finds_the_line_between_coarse_stamps),
		cmocka_unit_test(needs_some_arrivals),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
