/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_weights: probabilities stay probabilities, and doubts only take away. */
#include "core/weights.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>

#include <cmocka.h>

static void test_range(void **state)
{
	(void)state;
	for (int clue = 0; clue < LULL_CLUE_COUNT; clue++) {
		double plain = case_weight((enum lull_clue)clue, 0, 0);
		assert_true(plain > 0 && plain <= MOST_STATED);
		assert_string_not_equal(lull_clue_name((enum lull_clue)clue), "?");
		for (unsigned doubts = 1; doubts < 16; doubts++) {
			double less = case_weight((enum lull_clue)clue, doubts, 0);
			assert_true(less > 0 && less <= plain + 1e-12);
			for (unsigned more = 1; more < 16; more <<= 1)
				assert_true(case_weight((enum lull_clue)clue, doubts | more, 0) <= less + 1e-12);
		}
	}
	assert_string_equal(lull_clue_name(LULL_CLUE_COUNT), "?");
}

/* The logistic model by hand: odds 1 times the factor of one doubt. */
static void test_odds(void **state)
{
	(void)state;
	double odds = case_weight(LULL_CLUE_NONE, LULL_DOUBT_INFERRED, 0);
	odds /= 1 - odds;
	double both = case_weight(LULL_CLUE_NONE, LULL_DOUBT_INFERRED | LULL_DOUBT_ONCE, 0), once = case_weight(LULL_CLUE_NONE, LULL_DOUBT_ONCE, 0);
	assert_true(fabs(both / (1 - both) - odds * once / (1 - once)) < 1e-9);
}

/* What timing alone put together is no surer than that: of ten IDs eight that are the node's, told with more care than need be. */
static void test_sender(void **state)
{
	(void)state;
	double known = case_weight(LULL_CLUE_ACTIVE_BIT, 0, 0), eight = KIN_ODDS * 4 / (1 + KIN_ODDS * 4);
	assert_true(fabs(case_weight(LULL_CLUE_ACTIVE_BIT, 0, 0.8) - known * eight) < 1e-9);
	double before = 0;
	for (int percent = 50; percent < 100; percent += 7) {
		double now = case_weight(LULL_CLUE_LEFT_ALONE, LULL_DOUBT_INFERRED, percent / 100.0);
		assert_true(now > before && now <= case_weight(LULL_CLUE_LEFT_ALONE, LULL_DOUBT_INFERRED, 0));
		before = now;
	}
}

/* A confirmed test is worth more than a likely one, and that than any list. */
static void test_order(void **state)
{
	(void)state;
	assert_true(case_weight(LULL_CLUE_PULL_CONFIRMED, 0, 0) > case_weight(LULL_CLUE_PULL_LIKELY, 0, 0));
	assert_true(case_weight(LULL_CLUE_PULL_LIKELY, 0, 0) > case_weight(LULL_CLUE_PULL_SEVERAL, 0, 0));
	assert_true(case_weight(LULL_CLUE_UNACKNOWLEDGED, LULL_DOUBT_FIRST_THERE, 0) < case_weight(LULL_CLUE_UNACKNOWLEDGED, 0, 0));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_range),
		cmocka_unit_test(test_odds),
		cmocka_unit_test(test_sender),
		cmocka_unit_test(test_order),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
