/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_rhythm: period from a few arrivals, nominal periods, the phase that follows a sender. */
#include "core/rhythm.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <cmocka.h>

static void nominal_periods_are_round(void **state)
{
	(void)state;
	static const struct {
		double ms, tolerance, nominal_ms;
	} cases[] = {
		{20.02, 0.005, 20}, {19.93, 0.005, 20}, {24.98, 0.005, 25}, {12.49, 0.005, 12.5}, {100.3, 0.005, 100},
		{100.6, 0.005, 101}, {100.6, 0.01, 100}, {1000.3, 0.005, 1000}, {997, 0.005, 1000}, {333.4, 0.005, 333},
		{16.67, 0.005, 16.7}, {2.503, 0.005, 2.5}, {0.573, 0.005, 0.573}, {59990, 0.005, 60000}, {0, 0.005, 1e-6},
		{0.0000001, 0.005, 1e-6},
	};

	for (size_t i = 0; i < sizeof(cases) / sizeof(*cases); i++)
		assert_int_equal(lull_rhythm_nominal(cases[i].ms * 1e6, cases[i].tolerance), llround(cases[i].nominal_ms * 1e6));
	assert_int_equal(lull_rhythm_nominal((double)NAN, 0.005), 1);
}

static void a_period_is_found_in_spite_of_losses_and_jitter(void **state)
{
	(void)state;
	/* 20 ms, jitter of +-3 ms in a fixed pattern, every seventh frame lost. */
	static const int64_t jitter[] = {0, 3, -2, 1, -3, 2, 0, -1, 3, -3};
	int64_t at[LULL_LEARN];
	unsigned n = 0;

	for (int k = 0; n < LULL_LEARN; k++)
		if (k % 7 != 3)
			at[n++] = (k * 20 + jitter[k % 10]) * LULL_MS;
	struct lull_rhythm_estimate e = lull_rhythm_estimate(at, n, 0);

	assert_true(fabs(e.period - 20e6) < 1e5);
	assert_true(e.error > 0 && e.error < 1e5);
	assert_int_equal(e.burst, 0);
	assert_int_equal(e.used, LULL_LEARN);
}

static void bursts_are_thinned(void **state)
{
	(void)state;
	int64_t at[LULL_LEARN];

	for (unsigned i = 0; i < LULL_LEARN; i++)
		at[i] = (i / 5) * 250 * LULL_MS + (i % 5) * 600 * LULL_US;
	struct lull_rhythm_estimate e = lull_rhythm_estimate(at, LULL_LEARN, 0);

	assert_true(e.burst > LULL_MS && e.burst < 250 * LULL_MS);
	assert_int_equal(e.used, 7);
	assert_true(fabs(e.period - 250e6) < 1e3);
	for (unsigned i = 0; i < e.used; i++)
		assert_int_equal(at[i], i * 250 * LULL_MS);
}

static void what_is_no_rhythm_has_no_period(void **state)
{
	(void)state;
	int64_t same[5] = {0};
	int64_t burst[9] = {0, 1, 2, 3, 4, 5, 6, 7, LULL_SEC};
	int64_t few[3] = {0, 100, 200};

	assert_true(lull_rhythm_estimate(same, 5, 0).period == 0);
	assert_true(lull_rhythm_estimate(same, 1, 0).period == 0);
	struct lull_rhythm_estimate e = lull_rhythm_estimate(burst, 9, 0); /* a burst and one more frame */

	assert_int_equal(e.used, 2);
	assert_true(lull_rhythm_estimate(few, 3, 0).period == 100);
}

static void the_phase_keeps_its_index(void **state)
{
	(void)state;
	struct lull_phase phase;

	lull_phase_start(&phase, 1000, 100 * LULL_MS);
	/* In time, late by 45 %, in time, one out of turn, then three lost. */
	static const struct {
		int64_t ms, k;
	} frames[] = {{100, 1}, {245, 2}, {300, 3}, {301, 3}, {400, 4}, {800, 8}, {900, 9}};

	for (size_t i = 0; i < sizeof(frames) / sizeof(*frames); i++) {
		int64_t r = lull_phase_step(&phase, 1000 + frames[i].ms * LULL_MS);

		assert_int_equal(phase.k, frames[i].k);
		assert_int_equal(r, (frames[i].ms - 100 * frames[i].k) * LULL_MS);
	}
}

/* A sum of rounded gaps slips when one frame is early by 0.3 and the next late by 0.3 periods; the phase does not. */
static void the_phase_does_not_slip_with_jitter(void **state)
{
	(void)state;
	struct lull_phase phase;
	uint64_t noise = 1;

	lull_phase_start(&phase, 0, 10 * LULL_MS);
	for (int k = 1; k < 100000; k++) {
		noise = noise * UINT64_C(6364136223846793005) + 1442695040888963407;
		int64_t jitter = (int64_t)((noise >> 33) % 7000000) - 3500000;

		/* 300 ppm fast as well */
		(void)lull_phase_step(&phase, k * INT64_C(9997000) + jitter);
		assert_true(llabs(phase.k - k) <= 1);
	}
	assert_true(llabs(phase.k - 99999) <= 1);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(nominal_periods_are_round),
		cmocka_unit_test(a_period_is_found_in_spite_of_losses_and_jitter),
		cmocka_unit_test(bursts_are_thinned),
		cmocka_unit_test(what_is_no_rhythm_has_no_period),
		cmocka_unit_test(the_phase_keeps_its_index),
		cmocka_unit_test(the_phase_does_not_slip_with_jitter),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
