/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_series: chunks of a clamp log become one run of samples. */
#include <lull/current.h>

#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

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

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(chunks_in_order),
		cmocka_unit_test(nothing),
		cmocka_unit_test(no_step),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
