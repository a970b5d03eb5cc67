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
		double plain = case_weight((enum lull_clue)clue, 0);
		assert_true(plain > 0 && plain <= 0.995);
		assert_string_not_equal(lull_clue_name((enum lull_clue)clue), "?");
		for (unsigned doubts = 1; doubts < 16; doubts++) {
			double less = case_weight((enum lull_clue)clue, doubts);
			assert_true(less > 0 && less <= plain + 1e-12);
			for (unsigned more = 1; more < 16; more <<= 1)
				assert_true(case_weight((enum lull_clue)clue, doubts | more) <= less + 1e-12);
		}
	}
	assert_string_equal(lull_clue_name(LULL_CLUE_COUNT), "?");
}

/* The logistic model by hand: odds 1 times the factor of one doubt. */
static void test_odds(void **state)
{
	(void)state;
	double odds = case_weight(LULL_CLUE_NONE, LULL_DOUBT_INFERRED);
	odds /= 1 - odds;
	double both = case_weight(LULL_CLUE_NONE, LULL_DOUBT_INFERRED | LULL_DOUBT_ONCE), once = case_weight(LULL_CLUE_NONE, LULL_DOUBT_ONCE);
	assert_true(fabs(both / (1 - both) - odds * once / (1 - once)) < 1e-9);
}

/* A confirmed test is worth more than a likely one, and that than any list. */
static void test_order(void **state)
{
	(void)state;
	assert_true(case_weight(LULL_CLUE_PULL_CONFIRMED, 0) > case_weight(LULL_CLUE_PULL_LIKELY, 0));
	assert_true(case_weight(LULL_CLUE_PULL_LIKELY, 0) > case_weight(LULL_CLUE_PULL_SEVERAL, 0));
	assert_true(case_weight(LULL_CLUE_UNACKNOWLEDGED, LULL_DOUBT_FIRST_THERE) < case_weight(LULL_CLUE_UNACKNOWLEDGED, 0));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_range),
		cmocka_unit_test(test_odds),
		cmocka_unit_test(test_order),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
