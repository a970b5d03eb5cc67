/* SPDX-License-Identifier: GPL-3.0-or-later */
/* compare: two nights made by hand beside each other; and the counts behind it against published limits. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include <core/counts.h>
#include <core/pairing.h>
#include <lull/compare.h>
#include "made_pair.h"

static const struct lull_compared *measure(const struct lull_comparison *c, enum lull_measure what)
{
	for (size_t i = 0; i < c->measures.n; i++)
		if (c->measures.at[i].what == what)
			return &c->measures.at[i];
	fail_msg("no measure %s", lull_measure_name(what));
	return NULL;
}

struct two {
	struct made_night before, after;
	struct lull_comparison c;
};

static void pair_up(struct two *t)
{
	assert_int_equal(lull_compare(&t->before.night, &t->before.v, &t->after.night, &t->after.v, &t->c), 0);
}

static void drop(struct two *t)
{
	lull_comparison_clear(&t->c);
	made_night_free(&t->before);
	made_night_free(&t->after);
}

/* Exact limits for a Poisson mean, 95 %: Garwood 1936; n = 0 is -ln(0.025) [calc], the others [mem]. */
static void intervals_as_published(void **state)
{
	static const struct {
		size_t n;
		double low, high;
	} table[] = { { 0, 0, 3.6889 }, { 1, 0.0253, 5.5716 }, { 5, 1.6235, 11.6683 }, { 10, 4.7954, 18.3904 } };
	double low, high;
	(void)state;
	for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
		counts_interval(table[i].n, &low, &high);
		assert_true(fabs(low - table[i].low) < 1e-3 && fabs(high - table[i].high) < 1e-3);
	}
	counts_interval(0, &low, &high);
	assert_true(fabs(high + log(0.025)) < 1e-9);
	/* by hand: 5 of 5 in one of two equal times: 1/32; none: certain; a third of the time: 1/27 */
	assert_true(fabs(counts_chance_of_more(5, 10, 0, 10) - 1.0 / 32) < 1e-12);
	assert_true(fabs(counts_chance_of_more(3, 1, 0, 2) - 1.0 / 27) < 1e-12);
	assert_true(counts_chance_of_more(0, 1, 7, 1) == 1);
}

static void repaired(void **state)
{
	struct two t = { 0 };
	(void)state;
	made_night_new(&t.before, 1500, 20, 180);
	made_finding(&t.before, LULL_WOKEN_AGAIN, 0, LULL_WAKER, 0.9);
	made_finding(&t.before, LULL_LATE_TO_SLEEP, 1, LULL_KEEPER, 0.9);
	made_night_new(&t.after, 200, 0, 12);
	made_finding(&t.after, LULL_WITHIN_LIMIT, -1, LULL_KEEPER, 0);
	pair_up(&t);
	assert_int_equal(t.c.outcome, LULL_WORKED);
	assert_int_equal(lull_comparison_status(&t.c), 0);
	assert_int_equal(t.c.findings.n, 2);
	for (size_t i = 0; i < 2; i++)
		assert_int_equal(t.c.findings.at[i].fate, LULL_GONE);
	for (int m = 0; m < LULL_MEASURE_COUNT; m++)
		assert_int_equal(measure(&t.c, (enum lull_measure)m)->difference, LULL_LESS);
	assert_true(measure(&t.c, LULL_QUIET_DRAW)->before.low > 50 && measure(&t.c, LULL_QUIET_DRAW)->after.high < 50);
	assert_int_equal(t.c.ids_shared, 3);
	drop(&t);
}

/* Gone, but nobody measured the draw: no all-clear, and the status says so. */
static void gone_without_all_clear(void **state)
{
	struct two t = { 0 };
	(void)state;
	made_night_new(&t.before, 200, 20, NAN);
	made_finding(&t.before, LULL_WOKEN_AGAIN, 0, LULL_WAKER, 0.9);
	made_night_new(&t.after, 200, 0, NAN);
	made_finding(&t.after, LULL_DRAW_NOT_MEASURED, -1, LULL_KEEPER, 0);
	pair_up(&t);
	assert_int_equal(t.c.outcome, LULL_WORKED);
	assert_int_equal(lull_comparison_status(&t.c), 1);
	assert_int_equal(measure(&t.c, LULL_QUIET_DRAW)->difference, LULL_NOT_KNOWN);
	assert_int_equal(measure(&t.c, LULL_CHARGE_A_DAY)->difference, LULL_NOT_KNOWN);
	assert_int_equal(measure(&t.c, LULL_TIME_TO_SLEEP)->difference, LULL_NO_MORE_THAN_NOISE);
	drop(&t);
}

/* Three wakes before and none after in as much time: 1 in 8 by chance, so nothing is gone yet. */
static void too_few_to_tell(void **state)
{
	struct two t = { 0 };
	(void)state;
	made_night_new(&t.before, 200, 3, 12);
	made_finding(&t.before, LULL_WOKEN_AGAIN, 0, LULL_WAKER, 0.9);
	made_night_new(&t.after, 200, 0, 12);
	made_finding(&t.after, LULL_WITHIN_LIMIT, -1, LULL_KEEPER, 0);
	pair_up(&t);
	assert_int_equal(measure(&t.c, LULL_WAKES_A_DAY)->difference, LULL_NO_MORE_THAN_NOISE);
	assert_int_equal(t.c.findings.at[0].fate, LULL_FATE_UNKNOWN);
	assert_int_equal(t.c.outcome, LULL_UNDECIDED);
	assert_int_equal(lull_comparison_status(&t.c), 1);
	drop(&t);
}

/* The same three, but a group of them came like clockwork: as many beats as the night after has were missed. */
static void a_beat_that_stopped(void **state)
{
	static const struct {
		double period_s;
		bool skips;
		enum lull_fate fate;
	} cases[] = { { 1800, false, LULL_GONE }, { 1800, true, LULL_FATE_UNKNOWN }, { 20000, false, LULL_FATE_UNKNOWN } };
	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct two t = { 0 };
		struct lull_wake_group *g = calloc(1, sizeof *g);
		assert_non_null(g);
		made_night_new(&t.before, 200, 3, 12);
		made_finding(&t.before, LULL_WOKEN_AGAIN, 0, LULL_WAKER, 0.9);
		*g = (struct lull_wake_group){ .waker = 0, .n = 3, .rhythm = LULL_RHYTHM_PERIODIC, .period_s = cases[i].period_s, .skips = cases[i].skips };
		t.before.v.wakes.at = g;
		t.before.v.wakes.n = t.before.v.wakes.room = 1;
		made_night_new(&t.after, 200, 0, 12);
		made_finding(&t.after, LULL_WITHIN_LIMIT, -1, LULL_KEEPER, 0);
		pair_up(&t);
		assert_int_equal(t.c.findings.at[0].fate, cases[i].fate);
		drop(&t);
	}
}

static void still_and_new(void **state)
{
	struct two t = { 0 };
	(void)state;
	made_night_new(&t.before, -1, 0, NAN);
	made_finding(&t.before, LULL_HELD_AWAKE, 0, LULL_KEEPER, 0.9);
	made_night_new(&t.after, 1500, 0, NAN);
	made_finding(&t.after, LULL_LATE_TO_SLEEP, 0, LULL_KEEPER, 0.9);
	pair_up(&t);
	/* held, now late: one fault in two degrees; the sleep that was never seen took longer than 1500 s */
	assert_int_equal(t.c.findings.n, 1);
	assert_int_equal(t.c.findings.at[0].fate, LULL_STILL);
	assert_int_equal(measure(&t.c, LULL_TIME_TO_SLEEP)->difference, LULL_LESS);
	assert_true(isinf(measure(&t.c, LULL_TIME_TO_SLEEP)->before.high));
	assert_int_equal(measure(&t.c, LULL_WAKES_A_DAY)->difference, LULL_NOT_KNOWN);
	assert_int_equal(t.c.outcome, LULL_PARTLY);
	drop(&t);

	memset(&t, 0, sizeof t);
	made_night_new(&t.before, 200, 20, NAN);
	made_finding(&t.before, LULL_WOKEN_AGAIN, 0, LULL_WAKER, 0.9);
	made_night_new(&t.after, 200, 20, NAN);
	made_finding(&t.after, LULL_WOKEN_AGAIN, 1, LULL_WAKER, 0.9);
	pair_up(&t);
	/* another waker is another finding, and the wakes are as many: the first is not shown to be gone */
	assert_int_equal(t.c.findings.n, 2);
	assert_int_equal(t.c.findings.at[0].fate, LULL_FATE_UNKNOWN);
	assert_int_equal(t.c.findings.at[1].fate, LULL_NEW);
	assert_int_equal(t.c.outcome, LULL_DID_NOT_WORK);
	drop(&t);
}

static void nothing_and_another_car(void **state)
{
	struct two t = { 0 };
	(void)state;
	made_night_new(&t.before, 200, 0, 12);
	made_finding(&t.before, LULL_WITHIN_LIMIT, -1, LULL_KEEPER, 0);
	made_night_new(&t.after, 200, 0, 12.5);
	made_finding(&t.after, LULL_WITHIN_LIMIT, -1, LULL_KEEPER, 0);
	pair_up(&t);
	assert_int_equal(t.c.outcome, LULL_NOTHING_BEFORE);
	assert_int_equal(measure(&t.c, LULL_QUIET_DRAW)->difference, LULL_NO_MORE_THAN_NOISE);
	lull_comparison_clear(&t.c);
	for (size_t i = 0; i < t.after.v.ids.n; i++)
		t.after.v.ids.at[i].id += 0x400;
	pair_up(&t);
	assert_true(lull_comparison_doubtful(&t.c));
	assert_int_equal(t.c.outcome, LULL_UNDECIDED);
	drop(&t);
}

/* A night whose bus has another name, beside others: nothing is concluded from it. */
static void bus_not_there(void **state)
{
	struct two t = { 0 };
	(void)state;
	made_night_new(&t.before, 1500, 0, NAN);
	made_finding(&t.before, LULL_LATE_TO_SLEEP, 0, LULL_KEEPER, 0.9);
	made_night_new(&t.after, 200, 0, NAN);
	strcpy(t.after.night.bus[0].name, "engine");
	assert_int_equal(pairing_bus(&t.before.night, 0, &t.after.night), 0); /* one each: the same */
	t.after.night.bus_count = 2;
	strcpy(t.after.night.bus[1].name, "chassis");
	made_finding(&t.after, LULL_DRAW_NOT_MEASURED, -1, LULL_KEEPER, 0);
	pair_up(&t);
	assert_int_equal(t.c.findings.at[0].fate, LULL_FATE_UNKNOWN);
	assert_int_equal(t.c.outcome, LULL_UNDECIDED);
	for (size_t i = 0; i < t.c.measures.n; i++)
		assert_int_equal(t.c.measures.at[i].difference, LULL_NOT_KNOWN);
	drop(&t);
}

int main(void)
{
	const struct CMUnitTest tests[] = { cmocka_unit_test(intervals_as_published), cmocka_unit_test(repaired),
		cmocka_unit_test(gone_without_all_clear), cmocka_unit_test(too_few_to_tell), cmocka_unit_test(a_beat_that_stopped), cmocka_unit_test(still_and_new),
		cmocka_unit_test(nothing_and_another_car), cmocka_unit_test(bus_not_there) };
	return cmocka_run_group_tests(tests, NULL, NULL);
}
