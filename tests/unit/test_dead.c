/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_dead: when a clamp log is no measurement, and when it only looks so. All logs are invented. */
#include <lull/current.h>

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#define NO ((double)NAN)

enum { N = 28800 };

/* A night of 8 h at 1 Hz: half an hour awake, then `quiet` mA with six wakes of a minute. */
struct night {
	double quiet, noise, digit;
	unsigned seed;
};

static struct lull_series make(const struct night *night)
{
	struct lull_series s = {
		.s = malloc(N * sizeof(double)), .mA = malloc(N * sizeof(float)), .n = N, .step_s = 1};
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);

	assert_non_null(s.s);
	assert_non_null(s.mA);
	gsl_rng_set(rng, night->seed);
	for (size_t i = 0; i < N; i++) {
		bool awake = i < 1800 || (i > 3000 && i % 4000 < 60);
		double x = night->quiet + gsl_ran_gaussian(rng, night->noise);

		if (awake)
			x += 400 + gsl_ran_gaussian(rng, 15);
		s.s[i] = (double)i;
		s.mA[i] = (float)(night->digit > 0 ? round(x / night->digit) * night->digit : x);
	}
	gsl_rng_free(rng);
	return s;
}

static size_t find(const struct lull_series *s, double range, double wanted, struct lull_dead **dead)
{
	size_t n;

	assert_int_equal(lull_find_dead(s, range, wanted, dead, &n), 0);
	return n;
}

/* Coarse, fine and no digit, from no noise to plenty: a living log is never called dead. */
static void alive(void **state)
{
	static const double digits[] = {0, 0.1, 1, 10}, noises[] = {0.3, 2, 5, 15};

	(void)state;
	for (unsigned i = 0; i < 4; i++)
		for (unsigned k = 0; k < 4; k++)
			for (unsigned seed = 1; seed <= 3; seed++) {
				struct lull_series s =
					make(&(struct night){15 + 3.0 * seed, noises[k], digits[i], seed});
				struct lull_dead *dead;

				assert_int_equal(find(&s, 60000, NO, &dead), 0);
				free(dead);
				lull_series_clear(&s);
			}
}

/* A meter without noise of its own, and one that rests on its 10 mA digit all night long. */
static void still_but_alive(void **state)
{
	static const double digits[] = {0.1, 1, 10};

	(void)state;
	for (unsigned i = 0; i < 3; i++) {
		struct lull_series s = make(&(struct night){21.3, 0, digits[i], 1});
		struct lull_dead *dead;

		assert_int_equal(find(&s, NO, NO, &dead), 0);
		lull_series_clear(&s);
	}
	struct lull_series s = make(&(struct night){20, 0, 10, 1});
	struct lull_dead *dead;

	for (size_t i = 0; i < N; i++)
		s.mA[i] = 20;
	assert_int_equal(find(&s, NO, NO, &dead), 0);
	lull_series_clear(&s);
}

/* Its digits stop in the quiet: from that very sample on, to its end or until it goes on. */
static void frozen(void **state)
{
	static const struct night nights[] = {{20, 5, 0.1, 1}, {20, 2, 1, 2}, {25, 15, 10, 3}, {20, 3, 0, 4}};

	(void)state;
	for (unsigned i = 0; i < 4; i++)
		for (unsigned ends = 0; ends < 2; ends++) {
			struct lull_series s = make(&nights[i]);
			size_t from = 14500, to = ends ? 15800 : N;
			struct lull_dead *dead;

			/* A reading from the midst of its level, as a meter that hangs shows it. */
			while (fabs((double)s.mA[from] - nights[i].quiet) > fmax(nights[i].digit, 1))
				from++;
			for (size_t k = from; k < to; k++)
				s.mA[k] = s.mA[from];
			assert_int_equal(find(&s, 60000, NO, &dead), 1);
			assert_int_equal(dead[0].why, LULL_DEAD_FROZEN);
			/* The sample before may have had the same digits. */
			assert_true(fabs(dead[0].from_s - (double)from) <= 2);
			assert_true(fabs(dead[0].to_s - (double)(to - 1)) <= 2);
			free(dead);
			lull_series_clear(&s);
		}
}

/* Switched on late, never alive, or with a clamp whose battery ends. */
static void flat(void **state)
{
	struct lull_series s = make(&(struct night){20, 4, 0.5, 1});
	struct lull_dead *dead;

	(void)state;
	for (size_t i = 0; i < 2500; i++)
		s.mA[i] = 0.5;
	assert_int_equal(find(&s, NO, NO, &dead), 1);
	assert_int_equal(dead[0].why, LULL_DEAD_FLAT);
	assert_true(dead[0].from_s == 0 && fabs(dead[0].to_s - 2499) <= 1);
	free(dead);

	static const double values[] = {0, 12.3};

	for (unsigned v = 0; v < 2; v++) {
		for (size_t i = 0; i < N; i++)
			s.mA[i] = (float)values[v];
		assert_int_equal(find(&s, NO, NO, &dead), 1);
		assert_int_equal(dead[0].why, LULL_DEAD_FLAT);
		assert_true(dead[0].from_s == 0 && dead[0].to_s == N - 1);
		free(dead);
	}
	lull_series_clear(&s);

	s = make(&(struct night){30, 4, 0.5, 2});
	for (size_t i = 21000; i < N; i++) /* the meter alone */
		s.mA[i] = i * 2654435761U % 7 == 0 ? 0.5F : 0;
	assert_int_equal(find(&s, NO, NO, &dead), 1);
	assert_int_equal(dead[0].why, LULL_DEAD_FLAT);
	assert_true(dead[0].from_s == 21000 && dead[0].to_s == N - 1);
	free(dead);
	lull_series_clear(&s);
}

static void saturated(void **state)
{
	struct lull_series s = make(&(struct night){20, 4, 0, 1});
	struct lull_dead *dead;

	(void)state;
	for (size_t i = 100; i < 400; i++)
		s.mA[i] = i % 50 == 0 ? 9700 : 10000;
	for (size_t i = 600; i < 620; i++)
		s.mA[i] = -10000;
	s.mA[800] = 9900; /* short of it */
	assert_int_equal(find(&s, 10000, NO, &dead), 7);
	for (size_t i = 0; i < 7; i++)
		assert_int_equal(dead[i].why, LULL_DEAD_SATURATED);
	assert_true(dead[0].from_s >= 100 && dead[5].to_s == 399);
	assert_true(dead[6].from_s == 600 && dead[6].to_s == 619);
	free(dead);
	/* No range told: nothing to be at the end of. */
	assert_int_equal(find(&s, NO, NO, &dead), 0);
	lull_series_clear(&s);
}

static void missing(void **state)
{
	struct lull_series s = make(&(struct night){20, 4, 1, 1});
	struct lull_dead *dead;

	(void)state;
	memmove(s.s + 5000, s.s + 5040, (N - 5040) * sizeof(*s.s)); /* 41 s without samples */
	s.n = N - 40;
	for (size_t i = 9000; i < s.n; i++) /* 9 s do not count */
		s.s[i] += 8;
	double last = s.s[s.n - 1];

	assert_int_equal(find(&s, NO, last + 5, &dead), 1);
	assert_int_equal(dead[0].why, LULL_DEAD_DROPPED);
	assert_true(dead[0].from_s == 4999 && dead[0].to_s == 5040);
	free(dead);
	assert_int_equal(find(&s, NO, last + 3600, &dead), 2);
	assert_int_equal(dead[1].why, LULL_DEAD_ENDED);
	assert_true(dead[1].from_s == last && dead[1].to_s == last + 3600);
	free(dead);
	lull_series_clear(&s);
}

/* Nothing at all, one sample, no numbers. */
static void odd(void **state)
{
	double t[200];
	float x[200];
	struct lull_series s = {.s = t, .mA = x, .step_s = 1};
	struct lull_dead *dead;

	(void)state;
	assert_int_equal(find(&s, NO, NO, &dead), 0);
	assert_int_equal(find(&s, 60000, 7200, &dead), 1);
	assert_int_equal(dead[0].why, LULL_DEAD_ENDED);
	free(dead);
	for (size_t i = 0; i < 200; i++) {
		t[i] = (double)i;
		x[i] = i % 3 ? NAN : (float)i;
	}
	for (s.n = 1; s.n <= 200; s.n++)
		assert_int_equal(find(&s, 60000, NO, &dead), 0);
}

static void names(void **state)
{
	(void)state;
	for (enum lull_dead_why a = LULL_DEAD_ENDED; a <= LULL_DEAD_DROPPED; a++)
		for (enum lull_dead_why b = LULL_DEAD_ENDED; b < a; b++)
			assert_string_not_equal(lull_dead_name(a), lull_dead_name(b));
}

/* The meter went off minutes after key-off: little was seen of it alive, its last digit flickers now and then, and for hours it
 * shows nothing. With a digit of 10 mA that may be a quiet car. */
static void nothing_after_a_short_life(void **state)
{
	(void)state;
	for (int coarse = 0; coarse < 2; coarse++) {
		struct lull_series s = {.s = malloc(N * sizeof(double)), .mA = malloc(N * sizeof(float)), .n = N, .step_s = 2};
		struct lull_dead *dead;
		const double digit = coarse ? 10 : 0.1;

		assert_non_null(s.s);
		assert_non_null(s.mA);
		for (size_t i = 0; i < N; i++) {
			double x = i < 80 ? -10000 : i < 100 ? -3000 - 13.7 * (double)(i % 7) : i % 2000 == 0 ? digit : 0;

			s.s[i] = 2.0 * (double)i;
			s.mA[i] = (float)(round(x / digit) * digit);
		}
		size_t n = find(&s, 10000, NO, &dead);
		bool lost = n && dead[n - 1].why == LULL_DEAD_FLAT && dead[n - 1].to_s >= s.s[N - 1];
		assert_int_equal(lost, !coarse);
		if (lost)
			assert_float_equal(dead[n - 1].from_s, 200, 1);
		free(dead);
		lull_series_clear(&s);
	}
}

/* Frozen soon after key-off: no 64 samples are on one level, and none elsewhere is as low. With a digit of 10 mA it may be a quiet car. */
static void frozen_while_settling(void **state)
{
	static const double digits[] = {0.1, 1, 10};

	(void)state;
	for (unsigned i = 0; i < 3; i++) {
		struct lull_series s = make(&(struct night){20, 4, digits[i], 5});
		struct lull_dead *dead;
		size_t n;

		for (size_t k = 0; k < N; k++) {
			double x = k < 60 ? (double)s.mA[k] + 700 - 10 * (double)k : 150;

			s.mA[k] = (float)(round(x / digits[i]) * digits[i]);
		}
		n = find(&s, 60000, NO, &dead);
		assert_int_equal(n, i < 2 ? 1 : 0);
		if (n) {
			assert_true(fabs(dead[0].from_s - 60) <= 2);
			assert_true(dead[0].to_s > N - 2);
		}
		free(dead);
		lull_series_clear(&s);
	}
}

/* A hole and a flicker of one digit do not bring a frozen meter back: it died once. */
static void frozen_with_flicker_and_a_hole(void **state)
{
	struct lull_series s = make(&(struct night){20, 3, 1, 6});
	struct lull_dead *dead;
	size_t from = 14500, kept = 0, n;

	(void)state;
	while (fabs((double)s.mA[from] - 20) > 1)
		from++;
	for (size_t k = from; k < N; k++)
		s.mA[k] = s.mA[from] + (k % 173 < 2 || k % 997 < 40 ? 1 : 0);
	for (size_t k = 0; k < N; k++)
		if (k < 20000 || k > 20300) {
			s.s[kept] = s.s[k];
			s.mA[kept++] = s.mA[k];
		}
	s.n = kept;
	n = find(&s, 60000, NO, &dead);
	double first = INFINITY, last = 0;
	for (size_t i = 0; i < n; i++) {
		if (dead[i].why == LULL_DEAD_DROPPED)
			continue;
		assert_true(last == 0 || dead[i].from_s <= last + 20);
		first = fmin(first, dead[i].from_s);
		last = fmax(last, dead[i].to_s);
	}
	assert_true(fabs(first - (double)from) <= 60);
	assert_true(last > N - 2);
	free(dead);
	lull_series_clear(&s);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(alive),
		cmocka_unit_test(still_but_alive),
		cmocka_unit_test(frozen),
		cmocka_unit_test(frozen_while_settling),
		cmocka_unit_test(frozen_with_flicker_and_a_hole),
		cmocka_unit_test(flat),
		cmocka_unit_test(saturated),
		cmocka_unit_test(missing),
		cmocka_unit_test(nothing_after_a_short_life),
		cmocka_unit_test(odd),
		cmocka_unit_test(names),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
