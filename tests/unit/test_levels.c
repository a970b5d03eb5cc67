/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_levels: levels, steps, ramps and pulses against open data sets, and against logs invented with known truth. */
#include <lull/current.h>

#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#define NO ((double)NAN)
#define assert_near(a, b, within) assert_true(fabs((a) - (b)) <= (within))

enum { NIGHT = 28800 };

static const struct lull_level_rule plain = {.noise = NO, .penalty = NO},
				    ramps = {.noise = NO, .penalty = NO, .ramps = true};

/* --- open data --- */

static void in_shared(char *path, size_t size, const char *name)
{
	const char *shared = getenv("LULL_SHARED");

	(void)snprintf(path, size, "%s/data/%s", shared ? shared : "../shared", name);
}

/* Two columns of a CSV of numbers; lines that do not begin with one are skipped. */
static size_t read_table(const char *name, double *a, float *b, size_t room)
{
	char path[4096], line[256];

	in_shared(path, sizeof(path), name);
	FILE *file = fopen(path, "r");
	size_t n = 0;

	if (!file) {
		print_message("SKIPPED: %s is not there\n", path);
		skip();
	}
	while (n < room && fgets(line, sizeof(line), file)) {
		char *comma;

		a[n] = strtod(line, &comma);
		if (comma != line && *comma == ',')
			b[n++] = strtof(comma + 1, NULL);
	}
	(void)fclose(file);
	return n;
}

/* Annual flow of the Nile, 1871 to 1970 (Cobb 1978; python3-statsmodels' copy): one break after the 28th value (1898), means
 * 1097.75 and 849.972, residual sum of squares 1,597,457.19. */
static void nile(void **state)
{
	double year[200];
	float flow[200];
	size_t n = read_table("tables/nile.csv", year, flow, 200), levels;
	struct lull_level *level;

	(void)state;
	assert_int_equal(n, 100);
	for (unsigned r = 0; r < 2; r++) {
		double rss = 0;

		assert_int_equal(lull_find_levels(year, flow, n, r ? &ramps : &plain, &level, &levels), 0);
		assert_int_equal(levels, 2);
		assert_int_equal(level[0].to, 28);
		assert_near(level[0].mean, 1097.75, 1e-3);
		assert_near(level[1].mean, 849.972, 1e-3);
		assert_true(level[0].slope == 0 && level[1].slope == 0);
		for (size_t k = 0; k < levels; k++)
			for (size_t i = level[k].from; i < level[k].to; i++)
				rss += pow((double)flow[i] - level[k].mean, 2);
		assert_near(rss, 1597457.19, 0.05);
		free(level);
	}
}

/* NIST StRD "Norris", certified: slope 1.00211681802045, intercept -0.262323073774029, residual standard deviation
 * 0.884796396144373. In the order of x its points are a ramp; the readings are float here. */
static void norris(void **state)
{
	double x[64] = {0};
	float y[64] = {0};
	size_t n = read_table("tables/norris.csv", x, y, 64), levels;
	struct lull_level *level;

	(void)state;
	assert_int_equal(n, 36);
	for (size_t i = 1; i < n; i++)
		for (size_t k = i; k > 0 && x[k] < x[k - 1]; k--) {
			double tx = x[k];
			float ty = y[k];

			x[k] = x[k - 1];
			y[k] = y[k - 1];
			x[k - 1] = tx;
			y[k - 1] = ty;
		}
	assert_int_equal(lull_find_levels(x, y, n, &ramps, &level, &levels), 0);
	assert_int_equal(levels, 1);
	assert_near(level[0].slope, 1.00211681802045, 1e-7);
	/* The mean of a ramp is its value halfway in time. */
	assert_near(level[0].mean, -0.262323073774029 + 1.00211681802045 * 0.5 * (x[0] + x[n - 1]), 0.5);
	/* About the line: 36 in place of 34 degrees of freedom. */
	assert_near(level[0].noise, 0.884796396144373, 0.03);
	free(level);
}

static size_t read_series(unsigned number, float *x, size_t room)
{
	char name[128], path[4096];
	json_error_t error;

	(void)snprintf(name, sizeof(name), "tcpd/quality_control_%u_quality_control_%u.json", number, number);
	in_shared(path, sizeof(path), name);
	json_t *root = json_load_file(path, 0, &error);

	if (!root) {
		print_message("SKIPPED: %s: %s\n", path, error.text);
		skip();
	}
	json_t *raw = json_object_get(json_array_get(json_object_get(root, "series"), 0), "raw");
	size_t n = json_array_size(raw);

	assert_in_range(n, 1, room);
	for (size_t i = 0; i < n; i++)
		x[i] = (float)json_number_value(json_array_get(raw, i));
	json_decref(root);
	return n;
}

/* Turing Change Point Dataset, quality-control series: 1 to 4 change at 146, 97, 179 and 341, series 5 does not. Its annotators
 * put the changes at 143-146, 97-99, 178-180 and 338-342. Series 4 also swings slowly; one annotator marked 159, 238 and
 * 468 there as well, so more levels than two are not wrong. */
static void quality_control(void **state)
{
	static const struct {
		size_t lo, hi;
		bool alone;
	} truth[] = {{143, 146, true}, {97, 99, true}, {178, 180, true}, {338, 342, false}};
	float x[1000];
	struct lull_level *level;
	size_t levels;

	(void)state;
	for (unsigned q = 0; q < 4; q++)
		for (unsigned r = 0; r < 2; r++) {
			size_t n = read_series(q + 1, x, 1000), found = 0;

			assert_int_equal(
				lull_find_levels(NULL, x, n, r ? &ramps : &plain, &level, &levels), 0);
			for (size_t k = 1; k < levels; k++)
				found += level[k].from >= truth[q].lo && level[k].from <= truth[q].hi;
			assert_int_equal(found, 1);
			if (truth[q].alone)
				assert_int_equal(levels, 2);
			free(level);
		}
	size_t n = read_series(5, x, 1000);

	assert_int_equal(lull_find_levels(NULL, x, n, &ramps, &level, &levels), 0);
	assert_int_equal(levels, 1);
	free(level);
}

/* --- invented logs --- */

/* Noise of standard deviation sd with correlation phi from sample to sample. */
static void add_noise(gsl_rng *rng, float *x, size_t n, double sd, double phi)
{
	double e = gsl_ran_gaussian(rng, sd);

	for (size_t i = 0; i < n; i++) {
		x[i] += (float)e;
		e = phi * e + gsl_ran_gaussian(rng, sd * sqrt(1 - phi * phi));
	}
}

static void at_rate(double *s, size_t n, double step)
{
	for (size_t i = 0; i < n; i++)
		s[i] = step * (double)i;
}

/* 200 seeds each: one level in 95 % of them, and the mean's error bar (1.96 standard errors) holds 90 to 99 %. */
static void noise_alone(void **state)
{
	static const struct {
		size_t n;
		double phi;
		unsigned least_single;
	} cases[] = {{100, 0, 190}, {300, 0, 190}, {3000, 0, 190}, {3000, 0.5, 190}, {10000, 0.8, 190}};
	float *x = malloc(10000 * sizeof(*x));
	double *s = malloc(10000 * sizeof(*s));
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	assert_non_null(x);
	assert_non_null(s);
	at_rate(s, 10000, 1);
	for (unsigned c = 0; c < sizeof(cases) / sizeof(*cases); c++) {
		unsigned single = 0, covered = 0;

		for (unsigned seed = 0; seed < 200; seed++) {
			struct lull_level *level;
			size_t levels;

			gsl_rng_set(rng, seed + 1);
			for (size_t i = 0; i < cases[c].n; i++)
				x[i] = 20;
			add_noise(rng, x, cases[c].n, 5, cases[c].phi);
			assert_int_equal(lull_find_levels(s, x, cases[c].n, &ramps, &level, &levels), 0);
			if (levels == 1 && level[0].slope == 0) {
				single++;
				covered += fabs(level[0].mean - 20) < 1.96 * level[0].error;
				assert_near(level[0].noise, 5, 1.5);
			}
			free(level);
		}
		print_message("n %zu, phi %g: one level in %u of 200, error bar right in %u of %u\n",
			cases[c].n, cases[c].phi, single, covered, single);
		assert_true(single >= cases[c].least_single);
		assert_true(covered >= 0.9 * single && covered <= 0.995 * single);
	}
	free(x);
	free(s);
	gsl_rng_free(rng);
}

struct change {
	size_t at;
	double by;
};

static float *made(gsl_rng *rng, size_t n, const struct change *c, size_t changes, double sd, double phi)
{
	float *x = malloc(n * sizeof(*x));
	double level = 20;

	assert_non_null(x);
	for (size_t i = 0, k = 0; i < n; i++) {
		while (c && k < changes && c[k].at == i)
			level += c[k++].by;
		x[i] = (float)level;
	}
	add_noise(rng, x, n, sd, phi);
	return x;
}

/* Exactly the changes told, each within so many samples. */
static bool finds(
	const double *s, const float *x, size_t n, const struct change *c, size_t changes, size_t within)
{
	struct lull_level *level;
	size_t levels;

	assert_int_equal(lull_find_levels(s, x, n, &ramps, &level, &levels), 0);
	bool right = levels == changes + 1;

	for (size_t k = 0; k < levels; k++) { /* whole and in order */
		assert_int_equal(level[k].from, k ? level[k - 1].to : 0);
		assert_true(level[k].to > level[k].from);
		assert_true(isfinite(level[k].mean) && isfinite(level[k].error) && isfinite(level[k].noise) &&
			isfinite(level[k].slope));
		if (k > 0 && right)
			right = (level[k].from > c[k - 1].at ? level[k].from - c[k - 1].at
							     : c[k - 1].at - level[k].from) <= within;
	}
	assert_int_equal(level[levels - 1].to, n);
	free(level);
	return right;
}

/* What must be found, and what must not, in 20 seeds of each. */
static void steps(void **state)
{
	static const struct change one[] = {{9000, 25}}, small[] = {{9000, 5}},
				   stairs[] = {{7000, 5}, {14000, 5}, {21000, 5}},
				   wake[] = {{5000, 200}, {5600, -120}, {6500, -80}},
				   brief[] = {{4000, 300}, {4002, -300}, {9000, 80}, {9005, -80},
					   {20000, 150}, {20001 + 2, -150}};
	static const struct {
		const char *what;
		const struct change *c;
		size_t changes;
		double sd, phi;
		size_t within;
		unsigned least;
	} cases[] = {
		{"5 sd", one, 1, 5, 0, 2, 20},
		{"5 sd, slow noise", one, 1, 5, 0.5, 2, 19},
		{"1 sd", small, 1, 5, 0, 30, 19},
		{"stairs of 5 mA in two hours each", stairs, 3, 5, 0, 40, 19},
		{"a wake", wake, 3, 8, 0.3, 2, 19},
		{"wakes of 2 to 5 s", brief, 6, 5, 0, 1, 19},
	};
	double *s = malloc(NIGHT * sizeof(*s));
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	assert_non_null(s);
	at_rate(s, NIGHT, 1);
	for (unsigned k = 0; k < sizeof(cases) / sizeof(*cases); k++) {
		unsigned right = 0;

		for (unsigned seed = 1; seed <= 20; seed++) {
			gsl_rng_set(rng, seed);
			float *x = made(rng, NIGHT, cases[k].c, cases[k].changes, cases[k].sd, cases[k].phi);

			right += finds(s, x, NIGHT, cases[k].c, cases[k].changes, cases[k].within);
			free(x);
		}
		print_message("%s: %u of 20\n", cases[k].what, right);
		assert_true(right >= cases[k].least);
	}
	free(s);
	gsl_rng_free(rng);
}

/* Thermal drift of 20 mA in a night is one sloping level, with a step of 4 mA in it two. */
static void drift(void **state)
{
	static const struct change step[] = {{14000, 4}};
	double *s = malloc(NIGHT * sizeof(*s));
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	unsigned right = 0, covered = 0;

	(void)state;
	assert_non_null(s);
	at_rate(s, NIGHT, 1);
	for (unsigned seed = 1; seed <= 20; seed++)
		for (unsigned steps_in = 0; steps_in < 2; steps_in++) {
			struct lull_level *level;
			size_t levels;

			gsl_rng_set(rng, seed);
			float *x = made(rng, NIGHT, step, steps_in, 5, 0.5);

			for (size_t i = 0; i < NIGHT; i++)
				x[i] += (float)(20 * s[i] / NIGHT);
			assert_int_equal(lull_find_levels(s, x, NIGHT, &ramps, &level, &levels), 0);
			if (levels == 1 + steps_in) {
				bool good = !steps_in || (level[1].from > 13850 && level[1].from < 14150);

				for (size_t k = 0; k < levels; k++)
					good = good && fabs(level[k].slope * NIGHT - 20) < 2;
				right += good;
				covered += fabs(level[0].mean - 20 - 20 * s[level[0].to / 2] / NIGHT) <
					1.96 * level[0].error + 0.01;
			}
			free(level);
			/* Without leave to slope it is a staircase. */
			assert_int_equal(lull_find_levels(s, x, NIGHT, &plain, &level, &levels), 0);
			assert_true(levels > 2 + steps_in);
			free(level);
			free(x);
		}
	print_message("drift: %u of 40, error bar right in %u\n", right, covered);
	assert_true(right >= 38);
	assert_true(covered >= 35);
	free(s);
	gsl_rng_free(rng);
}

/* Awake, the draw wanders: ten times the noise of the quiet, and slow. It is one level all the same, and neither hides the
 * quiet's small step nor spoils its error bar. */
static void uneven(void **state)
{
	static const struct change c[] = {
		{1500, -400}, {6000, 400}, {6120, -400}, {14000, 3}, {20000, 250}, {20090, -250}};
	double *s = malloc(NIGHT * sizeof(*s));
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	unsigned right = 0, quiet = 0;

	(void)state;
	assert_non_null(s);
	at_rate(s, NIGHT, 1);
	for (unsigned seed = 1; seed <= 20; seed++) {
		struct lull_level *level;
		size_t levels;

		gsl_rng_set(rng, seed);
		float *x = made(rng, NIGHT, c, 6, 2, 0);

		add_noise(rng, x, 1500, 20, 0.7);
		add_noise(rng, x + 6000, 120, 20, 0.7);
		add_noise(rng, x + 20000, 90, 20, 0.7);
		assert_int_equal(lull_find_levels(s, x, NIGHT, &ramps, &level, &levels), 0);
		right += levels == 7;
		for (size_t k = 0; k < levels; k++) /* before and after the step of 3 mA */
			if (level[k].to - level[k].from > 4000)
				quiet += fabs(level[k].mean - (level[k].from < 13000 ? -380 : -377)) <
					1.96 * level[k].error;
		free(level);
		free(x);
	}
	print_message(
		"uneven when awake: %u of 20, error bar of the quiet right in %u of 80\n", right, quiet);
	assert_true(right >= 16);
	assert_true(quiet >= 72);
	free(s);
	gsl_rng_free(rng);
}

/* Single outliers move nothing and are no levels; a wake of a second in a slow log, again and again alike, is. */
static void singles(void **state)
{
	static const struct change none[1];
	double *s = malloc(NIGHT * sizeof(*s));
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct lull_level *level;
	size_t levels;

	(void)state;
	assert_non_null(s);
	at_rate(s, NIGHT, 1);
	gsl_rng_set(rng, 3);
	float *x = made(rng, NIGHT, none, 0, 4, 0);

	for (unsigned k = 0; k < 90; k++) /* a third of a percent, never two together */
		x[150 + 300 * k] += (float)gsl_ran_flat(rng, -900, 900);
	assert_int_equal(lull_find_levels(s, x, NIGHT, &ramps, &level, &levels), 0);
	assert_int_equal(levels, 1);
	assert_near(level[0].mean, 20, 3 * level[0].error);
	assert_near(level[0].noise, 4, 0.2);
	free(level);
	free(x);

	x = made(rng, NIGHT, none, 0, 4, 0);
	for (unsigned k = 0; k < 12; k++)
		x[1000 + 1800 * k] += 250;
	assert_int_equal(lull_find_levels(s, x, NIGHT, &ramps, &level, &levels), 0);
	assert_int_equal(levels, 25);
	for (unsigned k = 0; k < 12; k++) {
		assert_int_equal(level[2 * k + 1].from, 1000 + 1800 * k);
		assert_int_equal(level[2 * k + 1].to, 1001 + 1800 * k);
		assert_near(level[2 * k + 1].mean, 270, 20);
	}
	free(level);
	free(x);
	free(s);
	gsl_rng_free(rng);
}

/* The meter's last digit: no noise at all, flicker between two digits, and noise over many. */
static void digits(void **state)
{
	static const struct change wakes[] = {
		{5000, 300}, {5020, -300}, {9000, 40}, {9400, -40}, {20000, 300}, {20003, -300}};
	static const struct {
		double digit, sd;
	} cases[] = {{10, 0}, {10, 2}, {10, 6}, {1, 0}, {1, 0.5}, {1, 3}, {0.1, 2}};
	double *s = malloc(NIGHT * sizeof(*s));
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	assert_non_null(s);
	at_rate(s, NIGHT, 1);
	for (unsigned k = 0; k < sizeof(cases) / sizeof(*cases); k++) {
		struct lull_level *level;
		size_t levels;

		gsl_rng_set(rng, k + 1);
		float *x = made(rng, NIGHT, wakes, 6, cases[k].sd, 0);

		for (size_t i = 0; i < NIGHT; i++) /* 23.2 mA when quiet */
			x[i] = (float)(round(((double)x[i] + 3.2) / cases[k].digit) * cases[k].digit);
		assert_true(finds(s, x, NIGHT, wakes, 6, 1));
		assert_int_equal(lull_find_levels(s, x, NIGHT, &ramps, &level, &levels), 0);
		/* Rounding is in the error bar. */
		assert_near(level[0].mean, 23.2,
			2 * level[0].error + (cases[k].sd > 0 ? 0 : 0.5 * cases[k].digit));
		free(level);
		free(x);
	}
	free(s);
	gsl_rng_free(rng);
}

/* 50 samples a second of 49.93 Hz mains ripple, twice the noise high: aliased to a swing of 14 s, which is no level. A
 * step and short pulses stand out all the same. */
static void mains(void **state)
{
	static const struct change c[] = {
		{60000, 40}, {100000, 150}, {100025, -150}, {150000, 150}, {150200, -150}};
	const size_t n = 200000;
	double *s = malloc(n * sizeof(*s));
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	assert_non_null(s);
	at_rate(s, n, 0.02);
	gsl_rng_set(rng, 1);
	float *x = made(rng, n, c, 5, 5, 0);

	for (size_t i = 0; i < n; i++)
		x[i] += (float)(10 * sin(2 * M_PI * 49.93 * s[i]));
	assert_true(finds(s, x, n, c, 5, 8));
	free(x);
	free(s);
	gsl_rng_free(rng);
}

/* Longer than what is looked at sample by sample: blocks, with edges placed to the sample. */
static void long_log(void **state)
{
	const size_t n = 2500000;
	struct change c[40];
	double *s = malloc(n * sizeof(*s));
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	assert_non_null(s);
	at_rate(s, n, 0.02);
	for (size_t k = 0; k < 40; k += 2) {
		c[k] = (struct change){50000 + 60000 * k + 7 * k, 150};
		c[k + 1] = (struct change){c[k].at + (k < 20 ? 40 : 20001), -150};
	}
	gsl_rng_set(rng, 1);
	float *x = made(rng, n, c, 40, 8, 0.3);

	assert_true(finds(s, x, n, c, 40, 2));
	free(x);
	free(s);
	gsl_rng_free(rng);
}

/* Steps below the least one are joined; a noise that is told is believed. */
static void rules(void **state)
{
	static const struct change c[] = {{5000, 10}, {10000, 100}};
	struct lull_level_rule least = ramps, loud = ramps;
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct lull_level *level;
	size_t levels;

	(void)state;
	gsl_rng_set(rng, 1);
	float *x = made(rng, 15000, c, 2, 4, 0);

	assert_true(finds(NULL, x, 15000, c, 2, 5));
	least.least_step = 30;
	assert_int_equal(lull_find_levels(NULL, x, 15000, &least, &level, &levels), 0);
	assert_int_equal(levels, 2);
	assert_int_equal(level[1].from, 10000);
	assert_near(level[0].mean, 25, 2);
	free(level);
	loud.noise = 2000;
	assert_int_equal(lull_find_levels(NULL, x, 15000, &loud, &level, &levels), 0);
	assert_int_equal(levels, 1);
	free(level);
	free(x);
	gsl_rng_free(rng);
}

/* Nothing, one sample, no numbers, numbers of any size, all alike: an answer, and no NAN in it. */
static void odd(void **state)
{
	static const float values[] = {
		0, 1, -1, 5, 1e-30F, 1e30F, -3e38F, 3e38F, NAN, INFINITY, -INFINITY, 0, 0, 7, 7, 7};
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	float x[300];
	double s[300];

	(void)state;
	gsl_rng_set(rng, 1);
	for (unsigned round = 0; round < 3000; round++) {
		size_t n = gsl_rng_uniform_int(rng, round % 10 ? 20 : 300), levels, finite = 0,
		       kinds = 1 + gsl_rng_uniform_int(rng, 16);
		struct lull_level *level;

		for (size_t i = 0; i < n; i++) {
			x[i] = values[(gsl_rng_uniform_int(rng, 16) % kinds + round) % 16];
			s[i] = round % 5 ? (double)i : gsl_rng_uniform(rng); /* a clock that runs anyhow */
			finite += isfinite(x[i]) != 0;
		}
		assert_int_equal(lull_find_levels(round % 3 ? s : NULL, x, n, round % 2 ? &ramps : NULL,
					 &level, &levels),
			0);
		assert_true((levels == 0) == (finite == 0));
		for (size_t k = 0; k < levels; k++) {
			assert_int_equal(level[k].from, k ? level[k - 1].to : 0);
			assert_true(level[k].to > level[k].from);
			assert_true(isfinite(level[k].mean) && isfinite(level[k].error) &&
				isfinite(level[k].noise) && isfinite(level[k].slope));
		}
		if (levels > 0)
			assert_int_equal(level[levels - 1].to, n);
		free(level);
	}
	gsl_rng_free(rng);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(nile),
		cmocka_unit_test(norris),
		cmocka_unit_test(quality_control),
		cmocka_unit_test(noise_alone),
		cmocka_unit_test(steps),
		cmocka_unit_test(drift),
		cmocka_unit_test(uneven),
		cmocka_unit_test(singles),
		cmocka_unit_test(digits),
		cmocka_unit_test(mains),
		cmocka_unit_test(long_log),
		cmocka_unit_test(rules),
		cmocka_unit_test(odd),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
