/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_nm: IDs that look like network management are taken for it only where the bus ends as it then does. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

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

static bool says(const struct lull_finding *f, const char *what)
{
	for (size_t i = 0; i < f->evidence.n; i++)
		if (strstr(f->evidence.at[i], what))
			return true;
	return false;
}

/* Key on: all four send NM. Then two go on to the end, `period` apart each, by one timer or by two. Five more send on. */
static void two_ask(struct script *s, double period, bool one_timer)
{
	for (unsigned i = 0; i < FAMILY; i++)
		sends(s, 0x500 + 3 * i, 0.5, 0.01 * i, 62, 3 * i);
	for (unsigned i = 0; i < 5; i++) {
		sends(s, 0x110 + 9 * i, 0.05, 0.003 * i, 60, 0x44 + i);
		sends(s, 0x210 + 9 * i, 0.1, 0.02 * i, 3600, 0x33 + i);
	}
	sends_with(s, 0x500, 0x500, period, 75, 3600, 0);
	sends_with(s, 0x503, one_timer ? 0x500 : 0x503, period, 75.3, 3600, 3);
	covered(s, 0, 3600, LULL_OBSERVED);
}

/* Bus-load reduction: the two shortest timers take turns, slower than the cycle; the family is one all the same, and others that still
 * send may ask unheard (trade rule 10). Two timers of their own hide nobody. */
static void test_turns(void **state)
{
	(void)state;
	for (int one_timer = 0; one_timer < 2; one_timer++) {
		struct script s = { 0 };
		struct lull_verdict v;
		two_ask(&s, one_timer ? 0.8 : 0.5, one_timer);
		judge(&s, 3600, NULL, &v);
		assert_int_equal(recognised(&v), FAMILY);
		const struct lull_finding *f = &v.findings.at[0];
		assert_int_equal(f->code, LULL_HELD_AWAKE);
		assert_int_equal(f->named, -1);
		assert_int_equal(says(f, "take turns in one rhythm"), one_timer);
		assert_int_equal(f->suspects.n > 2, one_timer);
		assert_true(f->suspects.at[0].confidence > 0.4 && f->suspects.at[1].confidence > 0.4);
		lull_verdict_clear(&v);
	}
}

/* Beside a test of a plug the report says that such a name was inferred; without a test, the finding's own evidence does. */
static void test_inferred_beside_a_pull(void **state)
{
	(void)state;
	for (unsigned pulled = 0; pulled < 2; pulled++) {
		struct script s = { 0 };
		struct lull_verdict v;
		two_ask(&s, 0.5, false);
		if (pulled) {
			marked(&s, 3000, LULL_MARK_UNPLUGGED);
			strcpy(s.marks.at[s.marks.n - 1].name, "rear lid");
		}
		judge(&s, 3600, NULL, &v);
		assert_int_equal(says(&v.findings.at[0], "was inferred from how its frames are made"), pulled);
		lull_verdict_clear(&v);
	}
}

/* Partial networks (control bit 0x40): what the keeper asks for is shown, also where it changed, and who left before is not accused. */
static void test_clusters(void **state)
{
	(void)state;
	static const char *const said[] = { "(bytes 2 to 7: 03 00 00 00 00 00): nodes", "(bytes 2 to 7: 01 00 00 00 00 00, before that 03 00 00 00 00 00)" };
	for (int changes = 0; changes < 2; changes++) {
		struct script s = { 0 };
		struct lull_verdict v;
		for (unsigned i = 0; i < FAMILY; i++)
			sends(&s, 0x500 + 3 * i, 0.5, 0.01 * i, i ? 62 + 9 * i : 3600, 3 * i | 0x4000);
		for (unsigned i = 0; i < 5; i++) {
			sends(&s, 0x110 + 9 * i, 0.05, 0.003 * i, 60, 0x44 + i);
			sends(&s, 0x210 + 9 * i, 0.1, 0.02 * i, i < 3 ? 3600 : 70 + 5 * i, 0x33 + i);
		}
		for (size_t i = 0; i < s.frames.n; i++) {
			struct lull_frame *f = &s.frames.at[i];
			if (f->id < 0x500)
				continue;
			f->len = 8;
			memset(f->data + 2, 0, 6);
			f->data[2] = changes && f->t > 1800 * LULL_SEC ? 1 : 3;
		}
		covered(&s, 0, 3600, LULL_OBSERVED);
		judge(&s, 3600, NULL, &v);
		const struct lull_finding *f = &v.findings.at[0];
		assert_int_equal(f->code, LULL_HELD_AWAKE);
		assert_int_equal(f->named, 0);
		assert_int_equal(f->suspects.n, 1);
		assert_int_equal(f->suspects.at[0].ids[0], 0x500);
		assert_true(says(f, said[changes]));
		lull_verdict_clear(&v);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_ends),
		cmocka_unit_test(test_turns),
		cmocka_unit_test(test_clusters),
		cmocka_unit_test(test_inferred_beside_a_pull),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
