/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_solve: least squares over steps, plain and non-negative. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <core/regress.h>

static void sum_of(struct regress_sum *sum, size_t columns, const struct regress_step *step, size_t n)
{
	*sum = (struct regress_sum){ .n = columns };
	for (size_t i = 0; i < n; i++)
		regress_add(sum, &step[i], 1);
}

static void close_to(double a, double b)
{
	if (!(fabs(a - b) < 1e-9))
		fail_msg("%.12g, not %.12g", a, b);
}

/* The two examples of scipy.optimize.nnls, from memory: rows (1 0) (1 0) (0 1). */
static void published_examples(void **state)
{
	(void)state;
	static const struct regress_step first[] = { { .up = 1, .y = 2 }, { .up = 1, .y = 1 }, { .up = 2, .y = 1 } };
	static const struct regress_step second[] = { { .up = 1, .y = -1 }, { .up = 1, .y = -1 }, { .up = 2, .y = -1 } };
	struct regress_sum sum;
	double beta[REGRESS_COLUMNS];
	sum_of(&sum, 2, first, 3);
	assert_int_equal(regress_non_negative(&sum, beta), 0);
	close_to(beta[0], 1.5);
	close_to(beta[1], 1);
	sum_of(&sum, 2, second, 3);
	assert_int_equal(regress_non_negative(&sum, beta), 0);
	close_to(beta[0], 0);
	close_to(beta[1], 0);
}

/* Against every subset of columns, tried one by one: the best one without a value below zero. */
static void against_all_subsets(void **state)
{
	(void)state;
	unsigned seed = 7;
	for (int round = 0; round < 200; round++) {
		enum { COLUMNS = 4, STEPS = 9 };
		struct regress_step step[STEPS];
		for (int i = 0; i < STEPS; i++) {
			seed = seed * 1103515245u + 12345u;
			uint64_t up = seed >> 16 & 15;
			seed = seed * 1103515245u + 12345u;
			step[i] = (struct regress_step){ .up = up, .down = seed >> 16 & 15 & ~up };
			seed = seed * 1103515245u + 12345u;
			step[i].y = (double)(seed >> 16 & 0xff) - 100;
		}
		struct regress_sum sum;
		double beta[REGRESS_COLUMNS], least = INFINITY, got = 0;
		sum_of(&sum, COLUMNS, step, STEPS);
		assert_int_equal(regress_non_negative(&sum, beta), 0);
		for (unsigned subset = 0; subset < 16; subset++) {
			struct regress_plain plain;
			struct regress_sum part;
			struct regress_step masked[STEPS];
			double squares = 0;
			bool below = false;
			for (int i = 0; i < STEPS; i++) {
				masked[i] = step[i];
				masked[i].up &= subset;
				masked[i].down &= subset;
			}
			sum_of(&part, COLUMNS, masked, STEPS);
			assert_int_equal(regress_plain(&part, &plain), 0);
			for (int k = 0; k < COLUMNS; k++)
				below |= plain.beta[k] < -1e-9;
			for (int i = 0; i < STEPS && !below; i++) {
				double left = step[i].y;
				for (int k = 0; k < COLUMNS; k++)
					left -= plain.beta[k] * ((double)(step[i].up >> k & 1) - (double)(step[i].down >> k & 1));
				squares += left * left;
			}
			if (!below)
				least = fmin(least, squares);
		}
		for (int i = 0; i < STEPS; i++) {
			double left = step[i].y;
			for (int k = 0; k < COLUMNS; k++)
				left -= beta[k] * ((double)(step[i].up >> k & 1) - (double)(step[i].down >> k & 1));
			got += left * left;
		}
		for (int k = 0; k < COLUMNS; k++)
			assert_true(beta[k] >= 0);
		if (got > least * (1 + 1e-9) + 1e-6)
			fail_msg("round %d: %.6f, but %.6f can be had", round, got, least);
	}
}

/* Two columns that move together only are open, their sum is not. */
static void what_is_open(void **state)
{
	(void)state;
	static const struct regress_step step[] = { { .up = 3, .y = 10 }, { .down = 3, .y = -12 }, { .up = 4, .y = 5 } };
	struct regress_sum sum;
	struct regress_plain plain;
	sum_of(&sum, 3, step, 3);
	assert_int_equal(regress_plain(&sum, &plain), 0);
	close_to(plain.open[0], 0.5);
	close_to(plain.open[1], -0.5);
	close_to(plain.open[8], 0);
	close_to(plain.beta[0] + plain.beta[1], 11);
	close_to(plain.beta[2], 5);
	close_to(plain.inverse[0] + plain.inverse[1] + plain.inverse[3] + plain.inverse[4], 0.5);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(published_examples),
		cmocka_unit_test(against_all_subsets),
		cmocka_unit_test(what_is_open),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
