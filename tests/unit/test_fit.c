/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_fit: the line from moments against NIST's certified values and GSL's own fit. */
#include <lull/rows.h>

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>
#include <gsl/gsl_fit.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#define assert_near(a, b, within) assert_true(fabs((a) - (b)) <= (within))

static void add(struct lull_fit *fit, double k, double r)
{
	if (!(fit->n > 0) || r < (double)fit->r_min)
		fit->r_min = (int64_t)floor(r);
	fit->n += 1;
	fit->sk += k;
	fit->skk += k * k;
	fit->sr += r;
	fit->skr += k * r;
	fit->srr += r * r;
}

/* NIST StRD linear regression "Norris" (36 observations): slope 1.00211681802045, its standard error
 * 0.429796848199937E-03, residual standard deviation 0.884796396144373. The data are in the shared folder. */
static void norris(void **state)
{
	const char *shared = getenv("LULL_SHARED");
	char path[4096], line[256];
	struct lull_fit fit = {0};

	(void)state;
	(void)snprintf(path, sizeof(path), "%s/data/tables/norris.csv", shared ? shared : "../shared");
	FILE *file = fopen(path, "r");

	if (!file) {
		print_message("SKIPPED: %s is not there\n", path);
		skip();
	}
	while (fgets(line, sizeof(line), file)) {
		char *rest, *comma;
		double x = strtod(line, &comma), y = 0;

		if (comma == line || *comma != ',')
			continue;
		y = strtod(comma + 1, &rest);
		assert_ptr_not_equal(rest, comma + 1);
		add(&fit, x, y);
	}
	fclose(file);
	assert_near(fit.n, 36, 0);
	/* With a period of 1e6 ns a slope of 1 ns a period is 1 ppm. */
	double error, slope = lull_fit_ppm(&fit, 1000000, &error);

	assert_near(slope, 1.00211681802045, 1e-12);
	assert_near(error, 0.429796848199937e-3, 1e-13);
	assert_near(lull_fit_residual(&fit) * sqrt(36.0 / 34.0), 0.884796396144373, 1e-10);
}

/* A window late in a long stretch, as cadence rows hold it: k far from 0. */
static void like_gsl(void **state)
{
	enum { N = 3000 };
	static double k[N], r[N];
	static const double start[] = {0, 1000, 3e6};
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	for (size_t s = 0; s < sizeof(start) / sizeof(start[0]); s++) {
		struct lull_fit fit = {0}, early = {0}, late = {0};
		double c0, c1, cov00, cov01, cov11, sumsq, error;
		int64_t least = INT64_MAX;

		for (int i = 0; i < N; i++) {
			k[i] = start[s] + i;
			r[i] = floor(-0.53 * k[i] + gsl_ran_gaussian(rng, 40000) + 1e5);
			least = (int64_t)r[i] < least ? (int64_t)r[i] : least;
			add(&fit, k[i], r[i]);
			add(i < N / 3 ? &early : &late, k[i], r[i]);
		}
		gsl_fit_linear(k, 1, r, 1, N, &c0, &c1, &cov00, &cov01, &cov11, &sumsq);
		double ppm = lull_fit_ppm(&fit, 10 * LULL_MS, &error);

		assert_near(ppm, c1 * 0.1, 1e-6);
		assert_near(error / (sqrt(cov11) * 0.1), 1, 1e-6);
		assert_near(lull_fit_residual(&fit) / sqrt(sumsq / N), 1, 1e-6);

		/* Two halves joined are the whole. */
		lull_fit_join(&early, &late);
		assert_near(lull_fit_ppm(&early, 10 * LULL_MS, NULL), ppm, 1e-6);
		assert_true(early.r_min == least);
	}
	gsl_rng_free(rng);
}

static void too_little(void **state)
{
	struct lull_fit fit = {0}, other = {0};
	double error;

	(void)state;
	assert_true(isnan(lull_fit_ppm(&fit, LULL_SEC, &error)) && isnan(error));
	assert_true(isnan(lull_fit_residual(&fit)));
	add(&fit, 0, 0);
	add(&fit, 1, 100);
	assert_true(isnan(lull_fit_ppm(&fit, LULL_SEC, &error)) && isnan(error));
	assert_near(lull_fit_residual(&fit), 0, 1e-9);
	add(&fit, 2, 200);
	assert_near(lull_fit_ppm(&fit, LULL_SEC, &error), 0.1, 1e-12);
	assert_near(error, 0, 1e-9);
	assert_true(isnan(lull_fit_ppm(&fit, 0, NULL)));
	/* All k equal: no slope; the residual is about the mean. */
	for (int i = 0; i < 4; i++)
		add(&other, 7, i % 2 ? 10 : -10);
	assert_true(isnan(lull_fit_ppm(&other, LULL_SEC, &error)) && isnan(error));
	assert_near(lull_fit_residual(&other), 10, 1e-9);
	/* Joining nothing changes nothing, and r_min of an empty fit is no minimum. */
	struct lull_fit empty = {0};

	lull_fit_join(&empty, &fit);
	assert_near(empty.n, 3, 0);
	struct lull_fit positive = {.n = 1, .r_min = 50}, none = {.r_min = 0};

	lull_fit_join(&positive, &none);
	assert_true(positive.r_min == 50);
	lull_fit_join(&none, &positive);
	assert_true(none.r_min == 50);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(norris),
		cmocka_unit_test(like_gsl),
		cmocka_unit_test(too_little),
	};
	return cmocka_run_group_tests_name("fit", tests, NULL, NULL);
}
