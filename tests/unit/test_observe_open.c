/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_observe_open: what the observer makes of open captures. */
#include "observe_rig.h"
#include "open_captures.h"
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

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
	struct observe_rig b;

	if (!open_capture_volvo(&list))
		skip();
	observe_begin(&b);
	for (size_t i = 0; i < list.n; i++)
		assert_int_equal(lull_observer_frame(b.observer, &list.at[i]), 0);
	observe_end(&b, list.at[list.n - 1].t);
	assert_int_equal(list.n, 245144);
	assert_int_equal(b.night.bus[0].frames, 245144);
	assert_int_equal(b.night.stretches.n, 50);
	for (size_t g = 0; g < sizeof(groups) / sizeof(*groups); g++)
		for (size_t i = 0; i < 8 && groups[g].ids[i]; i++) {
			const struct lull_stretch *row = observe_only_row(&b, groups[g].ids[i]);
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

/* Clock skew in ppm of the period by the published estimator: in batches of N intervals O_avg = T - (a_N - a_0) / N and O_acc += N O_avg;
 * minus the slope of O_acc over the time elapsed (Sagong, Ying, Clark, Bushnell, Poovendran, "Cloaking the Clock", 2018). */
static double published_ppm(const struct frame_list *list, uint32_t id, double period_s, unsigned batch, double *error)
{
	double a0 = NAN, start = NAN, acc = 0, n = 0, st = 0, so = 0, stt = 0, sto = 0, soo = 0;
	unsigned k = 0;

	for (size_t i = 0; i < list->n; i++) {
		const double a = (double)list->at[i].t / 1e9;

		if (list->at[i].id != id || (list->at[i].flags & LULL_FRAME_ERROR))
			continue;
		if (isnan(start)) {
			start = a0 = a;
			continue;
		}
		if (++k < batch)
			continue;
		acc += batch * (period_s - (a - a0) / batch);
		n++;
		st += a - start;
		so += acc;
		stt += (a - start) * (a - start);
		sto += (a - start) * acc;
		soo += acc * acc;
		a0 = a;
		k = 0;
	}
	const double across = stt - st * st / n, with = sto - st * so / n, slope = with / across;

	*error = 1e6 * sqrt(fmax(soo - so * so / n - slope * with, 0) / (n - 2) / across);
	return -1e6 * slope;
}

/* Batches of 20 and 30 and the fit over all arrivals say the same, within three standard errors of what jitter leaves open. */
static void the_published_estimator_agrees(void **state)
{
	static const uint32_t ids[] = {0x120, 0x130, 0x1b0, 0x1d8, 0x288, 0x350};
	struct frame_list list = {0};
	struct observe_rig b;

	(void)state;
	if (!open_capture_volvo(&list))
		skip();
	observe_begin(&b);
	for (size_t i = 0; i < list.n; i++)
		assert_int_equal(lull_observer_frame(b.observer, &list.at[i]), 0);
	observe_end(&b, list.at[list.n - 1].t);
	for (size_t i = 0; i < sizeof(ids) / sizeof(*ids); i++) {
		const struct lull_stretch *row = observe_only_row(&b, ids[i]);
		const double period = (double)row->period_ns / 1e9, ppm = lull_fit_ppm(&row->fit, row->period_ns, NULL);
		double e20, e30;
		const double twenty = published_ppm(&list, ids[i], period, 20, &e20), thirty = published_ppm(&list, ids[i], period, 30, &e30);

		assert_int_equal(row->index, row->frames - 1);
		if (fabs(twenty - thirty) > 3 * hypot(e20, e30) || fabs(twenty - ppm) > 3 * e20 || fabs(thirty - ppm) > 3 * e30)
			fail_msg("0x%03X: fit %.2f ppm, published estimator %.2f +-%.2f and %.2f +-%.2f", ids[i], ppm, twenty, e20, thirty, e30);
		assert_true(e20 < 5 && e30 < 5); /* else it would say nothing */
		print_message("0x%03X: fit %.2f ppm, published estimator %.2f +-%.2f and %.2f +-%.2f\n", ids[i], ppm, twenty, e20, thirty, e30);
	}
	lull_night_clear(&b.night);
	frame_list_clear(&list);
}

/* data/nmea2000/can0-2.pcap: 292 IDs in 60 s, many of them irregular or in bursts. A rule of 3 periods or 1 s alone made
 * over 2,000 rows of it. */
static void an_irregular_bus_leaves_few_rows(void **state)
{
	(void)state;
	struct frame_list list = {0};
	struct observe_rig b;
	lull_time last = 0;
	const int minutes = 10;

	if (!open_capture_pcap("nmea2000/can0-2.pcap", &list))
		skip();
	observe_begin(&b);
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
	observe_end(&b, last);
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
		cmocka_unit_test(the_published_estimator_agrees),
		cmocka_unit_test(an_irregular_bus_leaves_few_rows),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
