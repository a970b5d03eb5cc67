/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_observe_open: what the observer makes of open captures. */
#include <lull/night.h>
#include <lull/observe.h>

#include "open_captures.h"
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

struct bench {
	struct lull_night night;
	struct lull_sink sink;
	struct lull_observer *observer;
	int bus;
};

static void begin(struct bench *b)
{
	lull_night_init(&b->night);
	b->sink = lull_night_sink(&b->night);
	b->observer = lull_observer_new(&b->sink);
	assert_non_null(b->observer);
	b->bus = lull_observer_bus(b->observer, "can0", 500000, 0);
	assert_int_equal(b->bus, 0);
}

static void end(struct bench *b, lull_time t)
{
	assert_int_equal(lull_observer_finish(b->observer, t), 0);
	lull_observer_free(b->observer);
	assert_int_equal(lull_night_sort(&b->night), 0);
}

static size_t rows_of(const struct bench *b, uint32_t id, const struct lull_stretch **first)
{
	size_t n = 0;

	for (size_t i = 0; i < b->night.stretches.n; i++) {
		if (b->night.stretches.at[i].id != id)
			continue;
		if (!n++ && first)
			*first = &b->night.stretches.at[i];
	}
	return n;
}

static const struct lull_stretch *only_row(const struct bench *b, uint32_t id)
{
	const struct lull_stretch *row = NULL;

	assert_int_equal(rows_of(b, id, &row), 1);
	return row;
}

/* Clock groups of data/volvo_v40, reference-values.md: measured there by a straight line over all arrivals. */
static void volvo_clock_groups_come_out(void **state)
{
	(void)state;
	static const struct {
		double low, high;
		uint32_t ids[8];
	} groups[] = {
		{-70, -65, {0x120, 0x130, 0x150, 0x0f5}},
		{-51, -47, {0x1b0, 0x1b5, 0x1d8, 0x1e0, 0x2c3}},
		{275, 287, {0x288, 0x350, 0x3c8}},
	};
	struct frame_list list = {0};
	struct bench b;

	if (!open_capture_volvo(&list))
		skip();
	begin(&b);
	for (size_t i = 0; i < list.n; i++)
		assert_int_equal(lull_observer_frame(b.observer, &list.at[i]), 0);
	end(&b, list.at[list.n - 1].t);
	assert_int_equal(list.n, 245144);
	assert_int_equal(b.night.bus[0].frames, 245144);
	assert_int_equal(b.night.stretches.n, 50);
	for (size_t g = 0; g < sizeof(groups) / sizeof(*groups); g++)
		for (size_t i = 0; i < 8 && groups[g].ids[i]; i++) {
			const struct lull_stretch *row = only_row(&b, groups[g].ids[i]);
			double ppm = lull_fit_ppm(&row->fit, row->period_ns, NULL);

			assert_true(ppm > groups[g].low - 3 && ppm < groups[g].high + 3);
		}
	size_t group = 0;

	for (size_t i = 0; i < b.night.stretches.n; i++) {
		const struct lull_stretch *row = &b.night.stretches.at[i];
		double ppm = row->period_ns ? lull_fit_ppm(&row->fit, row->period_ns, NULL) : 0;

		group += ppm > 50 - 3 && ppm < 56 + 3;
		assert_int_equal(row->period_ns % LULL_MS, 0);
	}
	assert_in_range(group, 16, 20); /* about 18 */
	lull_night_clear(&b.night);
	frame_list_clear(&list);
}

/* data/nmea2000/can0-2.pcap: 292 IDs in 60 s, many of them irregular or in bursts. A rule of 3 periods or 1 s alone made
 * over 2,000 rows of it. */
static void an_irregular_bus_leaves_few_rows(void **state)
{
	(void)state;
	struct frame_list list = {0};
	struct bench b;
	lull_time last = 0;
	const int minutes = 10;

	if (!open_capture_pcap("nmea2000/can0-2.pcap", &list))
		skip();
	begin(&b);
	lull_time zero = list.at[0].t;
	lull_time length = list.at[list.n - 1].t - zero + LULL_MS;

	/* Ten minutes of it: the capture, over and over. */
	for (int k = 0; k < minutes; k++)
		for (size_t i = 0; i < list.n; i++) {
			struct lull_frame f = list.at[i];

			last = f.t += k * length - zero;
			assert_int_equal(lull_observer_frame(b.observer, &f), 0);
			if (!k && i + 1 == list.n)
				assert_true(b.night.stretches.n + b.night.cadences.n + b.night.gaps.n < 300);
		}
	end(&b, last);
	assert_int_equal(b.night.bus[0].frames, (size_t)minutes * list.n);
	size_t rows = b.night.stretches.n + b.night.cadences.n + b.night.gaps.n;

	print_message("%zu stretches, %zu cadences, %zu gaps, %zu changes in %d minutes\n", b.night.stretches.n,
		b.night.cadences.n, b.night.gaps.n, b.night.changes.n, minutes);
	assert_true(rows / (size_t)minutes < 250);
	lull_night_clear(&b.night);
	frame_list_clear(&list);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(volvo_clock_groups_come_out),
		cmocka_unit_test(an_irregular_bus_leaves_few_rows),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
