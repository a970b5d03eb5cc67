/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_nm: IDs that look like network management are taken for it only where the bus ends as it then does. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "made_night.h"

#define FAMILY 4

/* Six times awake: the family stops one by one, everything else `after[k]` seconds later. */
static void night(struct script *s, const double after[6])
{
	for (unsigned k = 0; k < 6; k++) {
		double begin = 100 + 400 * k, last = begin + 40;
		for (unsigned i = 0; i < FAMILY; i++)
			sends(s, 0x500 + 3 * i, 0.5, begin + 0.01 * i, last - 7 * i, 3 * i);
		for (unsigned i = 0; i < 5; i++)
			sends(s, 0x210 + 9 * i, 0.1, begin + 0.02 * i, last + after[k], 0x33 + i);
	}
	covered(s, 0, 2800, LULL_OBSERVED);
}

static unsigned recognised(const struct lull_verdict *v)
{
	unsigned n = 0;
	for (size_t i = 0; i < v->nodes.n; i++)
		n += v->nodes.at[i].nm_address >= 0;
	return n;
}

static void test_ends(void **state)
{
	(void)state;
	static const struct {
		double after[6];
		unsigned nodes;
	} cases[] = {
		{ { 2, 2.1, 1.9, 2, 2.2, 2 }, FAMILY },
		{ { 2, 2.1, 1.9, 2, 9, 2 }, FAMILY }, /* a tester held it once */
		{ { 1, 4, 9, 6, 12, 2.5 }, 0 },
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct script s = { 0 };
		struct lull_verdict v;
		night(&s, cases[i].after);
		judge(&s, 2800, NULL, &v);
		assert_int_equal(recognised(&v), cases[i].nodes);
		lull_verdict_clear(&v);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_ends),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
