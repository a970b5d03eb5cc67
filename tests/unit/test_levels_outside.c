/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_levels_outside: edges between levels against breakpoints() of R's strucchange (Zeileis, Leisch, Hornik, Kleiber, Journal
 * of Statistical Software 7, 2002; exact least squares after Bai and Perron, number of breaks by BIC). */
#include <lull/current.h>

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

enum { MOST = 16 };

/* Arguments: the data, and how many breaks there are (0: by BIC, which takes one too many now and then). Lines of the answer:
 * NA, or one break each; the mean of each level follows "means". */
static const char script[] =
	"suppressMessages(library(strucchange)); y <- scan(commandArgs(TRUE)[1], quiet = TRUE); "
	"k <- as.integer(commandArgs(TRUE)[2]); "
	"b <- breakpoints(y ~ 1, h = 12, breaks = if (k > 0) k else NULL); cat(b$breakpoints, sep = "
	"\"\\n\"); cat(\"\\nmeans\\n\"); "
	"cat(format(tapply(y, breakfactor(b), mean), digits = 12), sep = \"\\n\"); cat(\"\\n\")";

static void need_strucchange(void)
{
	/* No user input in it. */
	if (system("Rscript -e 'library(strucchange)' >/dev/null 2>&1") != 0) { /* NOLINT(cert-env33-c) */
		print_message(
			"SKIPPED: needs Rscript and its strucchange (r-base-core, r-cran-strucchange)\n");
		skip();
	}
}

static size_t breaks_of_r(const float *x, size_t n, size_t told, size_t *at, double *mean)
{
	char data[] = "/tmp/lull-levels-XXXXXX", command[sizeof(script) + 128], line[256];
	int fd = mkstemp(data);
	FILE *file = fd >= 0 ? fdopen(fd, "w") : NULL;
	size_t breaks = 0, means = 0;
	bool in_means = false;

	assert_non_null(file);
	for (size_t i = 0; i < n; i++)
		assert_true(fprintf(file, "%.9g\n", (double)x[i]) > 0);
	assert_int_equal(fclose(file), 0);
	(void)snprintf(command, sizeof(command), "Rscript -e '%s' %s %zu", script, data, told);
	FILE *answer = popen(command, "r"); /* NOLINT(cert-env33-c) */

	assert_non_null(answer);
	while (fgets(line, sizeof(line), answer)) {
		char *end;
		double value = strtod(line, &end);

		if (strncmp(line, "means", 5) == 0)
			in_means = true;
		else if (end != line && !isnan(value) && in_means && means < MOST)
			mean[means++] = value;
		else if (end != line && !isnan(value) && !in_means && breaks < MOST)
			at[breaks++] = (size_t)value;
	}
	assert_int_equal(pclose(answer), 0);
	assert_int_equal(unlink(data), 0);
	assert_int_equal(means, breaks + 1);
	return breaks;
}

/* As many breaks, each within a few samples, and the same means. */
static void same(const float *x, size_t n, size_t told, size_t within, double mean_within)
{
	const struct lull_level_rule rule = {.noise = (double)NAN, .penalty = (double)NAN};
	size_t at[MOST] = {0}, levels, breaks;
	double mean[MOST + 1] = {0};
	struct lull_level *level;

	breaks = breaks_of_r(x, n, told, at, mean);
	assert_int_equal(lull_find_levels(NULL, x, n, &rule, &level, &levels), 0);
	assert_int_equal(levels, breaks + 1);
	for (size_t k = 0; k < levels; k++) {
		if (k > 0)
			assert_true(fabs((double)level[k].from - (double)at[k - 1]) <= (double)within);
		assert_true(fabs(level[k].mean - mean[k]) <= mean_within);
	}
	free(level);
}

static void nile(void **state)
{
	const char *shared = getenv("LULL_SHARED");
	char path[4096], line[256];
	float flow[200];
	size_t n = 0;

	(void)state;
	need_strucchange();
	(void)snprintf(path, sizeof(path), "%s/data/tables/nile.csv", shared ? shared : "../shared");
	FILE *file = fopen(path, "r");

	if (!file) {
		print_message("SKIPPED: %s is not there\n", path);
		skip();
	}
	while (n < 200 && fgets(line, sizeof(line), file)) {
		char *comma;

		(void)strtol(line, &comma, 10);
		if (comma != line && *comma == ',')
			flow[n++] = strtof(comma + 1, NULL);
	}
	(void)fclose(file);
	assert_int_equal(n, 100);
	same(flow, n, 0, 0, 1e-3);
}

static void invented(void **state)
{
	static const struct {
		size_t n, breaks, at[3];
		double to[4];
	} cases[] = {
		{240, 2, {80, 160, 240}, {20, 40, 25}},
		{240, 0, {240, 240, 240}, {20}},
		{300, 3, {60, 130, 220}, {20, 35, 60, 22}},
		{200, 1, {150, 200, 200}, {300, 20}},
	};
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	float x[300];

	(void)state;
	need_strucchange();
	for (unsigned c = 0; c < sizeof(cases) / sizeof(*cases); c++) {
		gsl_rng_set(rng, c + 1);
		for (size_t i = 0, k = 0; i < cases[c].n; i++) {
			while (k < 3 && i >= cases[c].at[k])
				k++;
			x[i] = (float)(cases[c].to[k] + gsl_ran_gaussian(rng, 5));
		}
		same(x, cases[c].n, cases[c].breaks, 1, 0.5);
	}
	gsl_rng_free(rng);
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(nile), cmocka_unit_test(invented)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
