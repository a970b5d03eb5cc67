/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Tests of even: evenly spaced, on a beat with skips, or chance. */
#include "core/even.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>

#include <cmocka.h>

/* scipy 1.10: stats.bartlett() on groups of three observations whose sample variances are the quiet times, and chi2.cdf(). */
static void as_scipy_has_it(void **state)
{
	(void)state;
	static const struct {
		double quiet[6];
		size_t n;
		double statistic, chance;
	} cases[] = {
		{ { 1800, 1803, 1797, 1805, 1801 }, 5, 9.45387168845476e-06, 1.11719260316872e-11 },
		{ { 120, 900, 33, 4000, 610, 77 }, 6, 11.792967126392, 0.962262588667927 },
		{ { 10, 11, 9, 30 }, 4, 0.882700931781598, 0.170399662160646 },
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		double statistic;
		double chance = even_chance(cases[i].quiet, cases[i].n, &statistic);
		assert_true(fabs(statistic - cases[i].statistic) < 1e-9 * (1 + cases[i].statistic));
		assert_true(fabs(chance - cases[i].chance) < 1e-9 + 1e-6 * cases[i].chance);
	}
	assert_true(isnan(even_chance(cases[0].quiet, 2, NULL)));
	assert_true(isnan(even_chance((const double[]){ 1, 0, 2 }, 3, NULL)));
}

/* Rayleigh's statistic is bounded by what is known of it: all alike is certain, spread evenly is nothing. */
static void directions(void **state)
{
	(void)state;
	double alike[12] = { 0 }, spread[12];
	for (size_t i = 0; i < 12; i++)
		spread[i] = 2 * M_PI * (double)i / 12;
	assert_true(even_rayleigh(alike, 12) < 1e-4);
	assert_true(even_rayleigh(spread, 12) > 0.99);
}

struct series {
	double from[64], to[64];
	size_t n;
};

static struct even made(gsl_rng *r, size_t n, int kind)
{
	struct series s = { .n = n };
	double t = 100;
	for (size_t i = 0; i < n; i++) {
		s.from[i] = t;
		s.to[i] = t + 20 + 2 * gsl_rng_uniform(r);
		if (kind == 0)
			t = s.to[i] + gsl_ran_exponential(r, 1500); /* at random while asleep */
		else if (kind == 3)
			t += 60 + 60 * gsl_rng_uniform(r); /* alike, but no beat */
		else if (kind == 1)
			t += 1800 + gsl_ran_gaussian(r, 15);
		else
			t += 600 * (double)(1 + gsl_rng_uniform_int(r, 4)) + gsl_ran_gaussian(r, 5);
	}
	return even_of(s.from, s.to, n);
}

/* Of wakes at random few come out as periodic; of periodic ones, with and without skips, nearly all do, with the right period. */
static void on_made_wakes(void **state)
{
	(void)state;
	gsl_rng *r = gsl_rng_alloc(gsl_rng_taus2);
	unsigned wrong = 0, found = 0, beats = 0, like = 0;
	assert_non_null(r);
	gsl_rng_set(r, 20260401);
	for (unsigned i = 0; i < 2000; i++)
		wrong += made(r, 4 + i % 30, 0).rhythm == LULL_RHYTHM_PERIODIC;
	for (unsigned i = 0; i < 500; i++) {
		struct even e = made(r, 6 + i % 30, 1);
		found += e.rhythm == LULL_RHYTHM_PERIODIC && fabs(e.period_s - 1800) < 30;
		e = made(r, 12 + i % 30, 2);
		beats += e.rhythm == LULL_RHYTHM_PERIODIC && fabs(e.period_s - 600) < 10;
	}
	for (unsigned i = 0; i < 500; i++)
		like += made(r, 20 + i % 30, 3).rhythm == LULL_RHYTHM_PERIODIC;
	gsl_rng_free(r);
	assert_true(like <= 5);
	print_message("at random called periodic: %u of 2000; periodic found %u of 500; beats with skips found %u of 500\n", wrong, found, beats);
	assert_true(wrong <= 30);
	assert_true(found >= 490);
	assert_true(beats >= 450);
}

static void too_few(void **state)
{
	(void)state;
	const double from[] = { 0, 100, 200, 300 }, to[] = { 10, 110, 210, 310 };
	assert_int_equal(even_of(from, to, 0).rhythm, LULL_RHYTHM_FEW);
	assert_true(isnan(even_of(from, to, 1).period_s));
	assert_int_equal(even_of(from, to, 3).rhythm, LULL_RHYTHM_FEW);
	assert_true(fabs(even_of(from, to, 3).period_s - 100) < 1e-9);
	assert_int_equal(even_of(from, to, 4).rhythm, LULL_RHYTHM_PERIODIC);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(as_scipy_has_it),
		cmocka_unit_test(directions),
		cmocka_unit_test(on_made_wakes),
		cmocka_unit_test(too_few),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
