/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_series: chunks of a clamp log become one run of samples. */
#include <lull/current.h>

#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

static void chunks_in_order(void **state)
{
	int32_t a[] = {10000, LULL_NO_SAMPLE, 12500}, b[] = {-7, 8}, c[] = {1};
	struct lull_chunk chunk[] = {
		{.tau_ns = 0, .step_ns = LULL_SEC, .count = 3, .uA = a},
		/* laps over the last by half a step backwards: its first sample is not later */
		{.tau_ns = 2 * LULL_SEC, .step_ns = LULL_SEC, .count = 2, .uA = b},
		{.tau_ns = 100 * LULL_SEC, .step_ns = LULL_SEC / 5, .count = 1, .uA = c},
	};
	struct lull_series s;

	(void)state;
	assert_int_equal(lull_series_from_chunks(chunk, 3, &s), 0);
	assert_int_equal(s.n, 4);
	assert_true(s.s[0] == 0 && s.s[1] == 2 && s.s[2] == 3 && s.s[3] == 100);
	assert_true(fabsf(s.mA[0] - 10) < 1e-5F && fabsf(s.mA[1] - 12.5F) < 1e-5F);
	assert_true(fabsf(s.mA[2] - 0.008F) < 1e-6F && fabsf(s.mA[3] - 0.001F) < 1e-6F);
	assert_true(s.step_s == 1); /* five of six samples */
	lull_series_clear(&s);
	assert_null(s.s);
	assert_null(s.mA);
}

static void nothing(void **state)
{
	struct lull_series s;

	(void)state;
	assert_int_equal(lull_series_from_chunks(NULL, 0, &s), 0);
	assert_int_equal(s.n, 0);
	lull_series_clear(&s);
}

static void no_step(void **state)
{
	int32_t a[] = {1};
	struct lull_chunk chunk = {.tau_ns = 0, .step_ns = 0, .count = 1, .uA = a};
	struct lull_series s;

	(void)state;
	assert_int_equal(lull_series_from_chunks(&chunk, 1, &s), -EINVAL);
	assert_null(s.s);
}

/* A made log of three million samples: levels of its thinned form are those of all samples. */
static void thinned_levels(void **state)
{
	enum { SAMPLES = 3000000, STEPS = 9, MOST = 500000 };
	static const double at[STEPS] = {100000, 100900, 400000, 401200, 950000, 1500000, 1500600, 2200000, 2900000};
	static const float mA[STEPS + 1] = {40, 900, 40, 520, 40, 75, 1300, 75, 48, 40};
	int32_t *uA = malloc(SAMPLES * sizeof *uA);
	struct lull_level_rule rule = {.noise = (double)NAN, .penalty = (double)NAN, .ramps = true};
	struct lull_level *level[2];
	struct lull_series s[2];
	size_t n[2];
	uint32_t seed = 1;

	(void)state;
	assert_non_null(uA);
	for (int i = 0, k = 0; i < SAMPLES; i++) {
		double noise = 0;

		k += k < STEPS && i >= at[k];
		for (int j = 0; j < 4; j++) {
			seed = seed * 1664525u + 1013904223u;
			noise += (double)(seed >> 8) / (1 << 24) - 0.5;
		}
		/* now and then a reading of nothing */
		uA[i] = (int32_t)(1e3 * ((double)mA[k] + 7 * noise)) + (i % 20011 == 77 ? 2000000 : 0);
	}
	struct lull_chunk chunk = {.step_ns = 20000000, .count = SAMPLES, .uA = uA};

	assert_int_equal(lull_series_thinned(&chunk, 1, MOST, &s[0]), 0);
	assert_int_equal(lull_series_from_chunks(&chunk, 1, &s[1]), 0);
	assert_int_equal(s[0].n, MOST);
	assert_true(fabs(s[0].step_s - 0.12) < 1e-12);
	for (int i = 0; i < 2; i++) {
		assert_int_equal(lull_find_levels(s[i].s, s[i].mA, s[i].n, &rule, &level[i], &n[i]), 0);
		assert_int_equal(n[i], STEPS + 1);
		for (int k = 0; k <= STEPS; k++) {
			assert_true(fabs(level[i][k].mean - (double)mA[k]) < 1);
			if (k)
				assert_true(fabs(s[i].s[level[i][k].from] - 0.02 * at[k - 1]) < 0.13);
		}
		free(level[i]);
		lull_series_clear(&s[i]);
	}
	/* readings as they are */
	assert_int_equal(lull_series_picked(&chunk, 1, MOST, &s[0]), 0);
	assert_int_equal(s[0].n, MOST);
	assert_true(s[0].mA[1] == (float)(1e-3 * uA[6]) && fabs(s[0].s[1] - 0.12) < 1e-12);
	lull_series_clear(&s[0]);
	free(uA);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(chunks_in_order),
		cmocka_unit_test(nothing),
		cmocka_unit_test(no_step),
		cmocka_unit_test(thinned_levels),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
