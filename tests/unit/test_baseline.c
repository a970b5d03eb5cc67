/* SPDX-License-Identifier: GPL-3.0-or-later */
/* baseline: what a good night takes away, and what it must not. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <cmocka.h>

#include <lull/baseline.h>
#include "made_pair.h"

struct two {
	struct made_night now, good;
};

static void apply(struct two *t)
{
	assert_int_equal(lull_baseline(&t->now.night, &t->now.v, NULL, &t->good.night, &t->good.v), 0);
	assert_true(t->now.v.findings.n > 0);
}

static void drop(struct two *t)
{
	made_night_free(&t->now);
	made_night_free(&t->good);
}

/* Wakes of the night and of the good night, all begun by alpha. `quiet`: the draw. */
static void wakes(struct two *t, size_t now, size_t good, double quiet)
{
	memset(t, 0, sizeof *t);
	made_night_new(&t->now, 200, now, quiet);
	made_finding(&t->now, LULL_WOKEN_AGAIN, 0, LULL_WAKER, 0.9);
	made_night_new(&t->good, 220, good, 12);
	made_finding(&t->good, LULL_WITHIN_LIMIT, -1, LULL_KEEPER, 0);
}

static bool left_out_says(const struct lull_verdict *v, const char *words)
{
	for (size_t i = 0; i < v->left_out.n; i++)
		if (strstr(v->left_out.at[i], words))
			return true;
	return false;
}

/* Rate as there: dropped. Then trade rule 1 decides: within-limit only with a measured draw below the limit. */
static void housekeeping(void **state)
{
	static const struct {
		double quiet;
		bool lost;
		enum lull_code code;
	} table[] = { { 12, false, LULL_WITHIN_LIMIT }, { 12, true, LULL_DRAW_NOT_MEASURED }, { NAN, false, LULL_DRAW_NOT_MEASURED },
		{ 49, false, LULL_DRAW_NOT_MEASURED }, { -60, false, LULL_DRAW_NOT_MEASURED } };
	(void)state;
	for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
		struct two t;
		wakes(&t, 21, 20, table[i].quiet);
		t.now.v.current.average_mA = table[i].quiet;
		if (table[i].lost)
			t.now.v.current.lost_at = 30000 * LULL_SEC;
		apply(&t);
		assert_int_equal(t.now.v.findings.n, 1);
		assert_int_equal(t.now.v.findings.at[0].code, table[i].code);
		assert_int_equal(lull_verdict_status(&t.now.v), table[i].code == LULL_WITHIN_LIMIT ? 0 : 1);
		assert_true(left_out_says(&t.now.v, "taken away"));
		assert_true(t.now.v.findings.at[0].evidence.n > 0 && t.now.v.findings.at[0].next.n > 0);
		drop(&t);
	}
}

static void stays(struct two *t)
{
	apply(t);
	assert_int_equal(t->now.v.findings.n, 1);
	assert_int_equal(t->now.v.findings.at[0].code, LULL_WOKEN_AGAIN);
	assert_int_equal(t->now.v.findings.at[0].named, 0);
	assert_false(left_out_says(&t->now.v, "taken away"));
	drop(t);
}

static void more_longer_dearer_another(void **state)
{
	struct two t;
	(void)state;
	wakes(&t, 40, 20, 12); /* more often */
	stays(&t);
	wakes(&t, 3, 2, 12); /* two wakes are no rate */
	stays(&t);
	wakes(&t, 8, 4, 12); /* twice as many, though the counts alone allow it */
	stays(&t);
	wakes(&t, 20, 0, 12);
	stays(&t);
	wakes(&t, 20, 20, 12); /* one long wake among as many */
	t.now.v.spells.at[3].to += 600 * LULL_SEC;
	stays(&t);
	wakes(&t, 20, 20, 12); /* dearer */
	for (size_t i = 1; i <= 20; i++) {
		t.now.v.spells.at[i].charge_mAs = 50000;
		t.good.v.spells.at[i].charge_mAs = 20000;
	}
	stays(&t);
	wakes(&t, 20, 20, 12); /* as there, but the night's average is above the limit */
	t.now.v.current.average_mA = 80;
	stays(&t);
	wakes(&t, 20, 20, 12); /* another node begins in the good night */
	for (size_t i = 1; i <= 20; i++)
		t.good.v.spells.at[i].first_id = 0x200;
	stays(&t);
}

static void good_night_that_shows_nothing(void **state)
{
	struct two t;
	(void)state;
	wakes(&t, 20, 20, 12); /* another car */
	for (size_t i = 0; i < 3; i++)
		t.good.v.ids.at[i].id += 0x400;
	stays(&t);
	wakes(&t, 20, 20, 12); /* never seen asleep */
	t.good.v.bus[0].first_quiet = LULL_NEVER;
	stays(&t);
	wakes(&t, 20, 20, 12); /* this very night */
	made_night_free(&t.good);
	memset(&t.good, 0, sizeof t.good);
	made_night_new(&t.good, 200, 20, 12);
	stays(&t);
}

/* What else was found remains, and nothing is said to be well. */
static void others_stay(void **state)
{
	struct two t;
	(void)state;
	wakes(&t, 20, 20, 12);
	made_finding(&t.now, LULL_PULSES_WHILE_QUIET, -1, LULL_LOAD, 0);
	apply(&t);
	assert_int_equal(t.now.v.findings.n, 1);
	assert_int_equal(t.now.v.findings.at[0].code, LULL_PULSES_WHILE_QUIET);
	drop(&t);
}

/* Woken from outside, each time the same node first, as often as in the good night. */
static void from_outside(void **state)
{
	struct two t = { 0 };
	(void)state;
	made_night_new(&t.now, 200, 20, 12);
	made_finding(&t.now, LULL_WOKEN_FROM_OUTSIDE, -1, LULL_RELAY, 0);
	made_night_new(&t.good, 220, 20, 12);
	apply(&t);
	assert_int_equal(t.now.v.findings.at[0].code, LULL_WITHIN_LIMIT);
	drop(&t);
}

static void keeper(struct two *t, double now, double good, int node)
{
	memset(t, 0, sizeof *t);
	made_night_new(&t->now, now, 0, 12);
	made_finding(&t->now, now < 0 ? LULL_HELD_AWAKE : LULL_LATE_TO_SLEEP, node, LULL_KEEPER, 0.9);
	made_night_new(&t->good, good, 0, 12);
	apply(t);
	assert_int_equal(t->now.v.findings.n, 1);
}

/* The finding stays whatever the good night says: the limit is the limit. Only the accusation goes. */
static void run_on(void **state)
{
	struct two t;
	(void)state;
	keeper(&t, 1500, 1450, 2);
	assert_int_equal(t.now.v.findings.at[0].code, LULL_LATE_TO_SLEEP);
	assert_int_equal(t.now.v.findings.at[0].named, -1);
	assert_true(t.now.v.findings.at[0].suspects.at[0].confidence <= 0.5);
	assert_true(left_out_says(&t.now.v, "run-on of carol"));
	drop(&t);
	keeper(&t, 1500, 1450, 0); /* alpha is not last there */
	assert_int_equal(t.now.v.findings.at[0].named, 0);
	drop(&t);
	keeper(&t, 3000, 1450, 2); /* last there as well, but not for so long */
	assert_int_equal(t.now.v.findings.at[0].named, 0);
	drop(&t);
	keeper(&t, -1, 200, 2); /* held all night */
	assert_int_equal(t.now.v.findings.at[0].named, 0);
	assert_true(t.now.v.findings.at[0].evidence.n > 0);
	drop(&t);
}

int main(void)
{
	const struct CMUnitTest tests[] = { cmocka_unit_test(housekeeping), cmocka_unit_test(more_longer_dearer_another),
		cmocka_unit_test(good_night_that_shows_nothing), cmocka_unit_test(others_stay), cmocka_unit_test(from_outside),
		cmocka_unit_test(run_on) };
	return cmocka_run_group_tests(tests, NULL, NULL);
}
