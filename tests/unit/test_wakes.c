/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Tests of wakes: groups that look alike, their rhythm, and what came before them. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "made_night.h"

static bool says(const struct lull_finding *f, const char *what)
{
	for (size_t i = 0; i < f->evidence.n; i++)
		if (strstr(f->evidence.at[i], what))
			return true;
	return false;
}

/* All that are woken boot in their order, 20 ms apart. */
static void wakes(struct script *s, double t, double lasting, unsigned nodes)
{
	for (unsigned i = 0; i < nodes; i++)
		sends(s, 0x200 + 0x11 * i, 0.1, t + 0.02 * i, t + lasting, 0xa5a5);
}

/* Short ones with few senders every half hour, and long ones with all of them now and then: two kinds. */
static void two_kinds(void **state)
{
	(void)state;
	static const double odd[] = { 2500, 4900, 6000, 10050, 11300 };
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	for (unsigned i = 0; i < 8; i++)
		wakes(&s, 1000 + 1800 * i, 5, 3);
	for (unsigned i = 0; i < 5; i++)
		wakes(&s, odd[i], 60, 6);
	covered(&s, 0, 16000, LULL_OBSERVED);
	judge(&s, 16000, NULL, &v);
	assert_int_equal(v.wakes.n, 2);
	assert_int_equal(v.wakes.at[0].n, 8);
	assert_int_equal(v.wakes.at[0].rhythm, LULL_RHYTHM_PERIODIC);
	assert_true(fabs(v.wakes.at[0].period_s - 1800) < 1);
	assert_true(v.wakes.at[0].chance < 1e-6);
	assert_true(fabs(v.wakes.at[0].length_s - 5) < 0.3);
	assert_int_equal(v.wakes.at[0].ids, 3);
	assert_int_equal(v.wakes.at[0].first_id, 0x200);
	assert_int_equal(v.wakes.at[1].n, 5);
	assert_int_equal(v.wakes.at[1].rhythm, LULL_RHYTHM_IRREGULAR);
	assert_int_equal(v.wakes.at[1].ids, 6);
	assert_true(isnan(v.wakes.at[1].charge_mAs));
	size_t told[2] = { 0 };
	for (size_t i = 0; i < v.spells.n; i++)
		if (v.spells.at[i].group >= 0)
			told[v.spells.at[i].group]++;
	assert_int_equal(told[0], 8);
	assert_int_equal(told[1], 5);
	assert_int_equal(v.findings.at[0].code, LULL_WOKEN_FROM_OUTSIDE);
	assert_true(says(&v.findings.at[0], "Of one kind are 8 wakes"));
	lull_verdict_clear(&v);
}

/* Current that rises `lead` before the first frame of each wake; deliberate ones behave as the sender's own boot does. */
static void with_current(struct script *s, double lead, double own, lull_time step, bool known)
{
	s->sample_step = step;
	parks(s, 0, 0);
	draws(s, 120, 400);
	for (unsigned i = 0; i < 8; i++) {
		double at = 1000 + 700 * i + 37 * (i % 3), first = at - (i >= 3 ? lead : own);
		if (i < 3 && !known)
			continue;
		wakes(s, at, 8, 6);
		draws(s, first, 12);
		draws(s, at + 8.5, 400);
		if (i < 3)
			marked(s, at - 0.5, LULL_MARK_DOOR);
	}
	draws(s, 8000, 12);
	covered(s, 0, 8000, LULL_OBSERVED);
}

/* 0.6 s before the first frame where the same sender's own lead is 0.1 s: somebody else was awake first (trade rule 20). */
static void the_current_rises_first(void **state)
{
	(void)state;
	static const struct {
		double lead;
		lull_time step;
		bool known, told, measured;
	} cases[] = {
		{ 0.6, 50 * LULL_MS, true, true, true },
		{ 0.1, 50 * LULL_MS, true, false, true },
		{ 0.6, 50 * LULL_MS, false, false, true }, /* nothing to compare with */
		{ 0.6, 200 * LULL_MS, true, false, false }, /* too few samples */
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct script s = { 0 };
		struct lull_verdict v;
		with_current(&s, cases[i].lead, 0.1, cases[i].step, cases[i].known);
		judge(&s, 8000, NULL, &v);
		assert_int_equal(v.wakes.n, 1);
		assert_int_equal(v.wakes.at[0].n, 5);
		assert_true(isfinite(v.wakes.at[0].charge_mAs));
		if (cases[i].measured)
			assert_true(fabs(v.wakes.at[0].rise_s - cases[i].lead) < 0.06);
		else
			assert_true(isnan(v.wakes.at[0].rise_s));
		if (cases[i].measured && cases[i].known)
			assert_true(fabs(v.wakes.at[0].known_rise_s - 0.1) < 0.06);
		bool told = false;
		for (size_t k = 0; k < v.findings.n; k++)
			told |= says(&v.findings.at[k], "woken from outside this bus");
		assert_int_equal(told, cases[i].told);
		lull_verdict_clear(&v);
	}
}

/* Six senders boot in their order after `first`, which sends `copies` unacknowledged frames and outlasts them. */
static void begun_by(struct script *s, double t, uint32_t first, unsigned copies, double delay)
{
	once(s, first, t, 0xa5a5, copies);
	sends(s, first, 0.1, t + 0.1, t + 9, 0xa5a5);
	if (first != 0x200)
		sends(s, 0x200, 0.1, t + delay, t + 12, 0xa5a5);
	else
		sends(s, 0x200, 0.1, t + 0.2, t + 12, 0xa5a5);
	for (unsigned i = 1; i < 6; i++)
		sends(s, 0x200 + 0x11 * i, 0.1, t + 0.06 + 0.02 * i, t + 6 + 0.3 * i, 0xa5a5);
}

/* In wakes that doors cause another ID of the gateway comes first, and this one 2 ms after it: no controller boots so soon, so it was
 * up already and is first there too. 70 ms after it, it was woken. */
static void up_already(void **state)
{
	(void)state;
	static const double delays[] = { 0.002, 0.07 };
	for (size_t k = 0; k < 2; k++) {
		struct script s = { 0 };
		struct lull_verdict v;
		parks(&s, 0, 0);
		marked(&s, 60, LULL_MARK_KEY_OFF);
		for (unsigned i = 0; i < 3; i++) {
			begun_by(&s, 500 + 200 * i, 0x2f0, 1, delays[k]);
			marked(&s, 500 + 200 * i - 0.5, LULL_MARK_DOOR);
		}
		for (unsigned i = 0; i < 5; i++)
			begun_by(&s, 2000 + 1000 * i, 0x200, 6, 0);
		covered(&s, 0, 8000, LULL_OBSERVED);
		judge(&s, 8000, NULL, &v);
		const struct lull_finding *f = &v.findings.at[0];
		if (!k) {
			assert_int_equal(f->code, LULL_WOKEN_FROM_OUTSIDE);
			assert_int_equal(f->named, -1);
			assert_int_equal(f->suspects.n, 1);
			assert_int_equal(f->suspects.at[0].role, LULL_RELAY);
			assert_int_equal(f->suspects.at[0].ids[0], 0x200);
			assert_true(f->next.n && strstr(f->next.at[0], "Look behind"));
		} else {
			assert_int_equal(f->code, LULL_WOKEN_AGAIN);
			assert_int_equal(f->named, 0);
			assert_int_equal(f->suspects.at[0].ids[0], 0x200);
		}
		lull_verdict_clear(&v);
	}
}

/* Doors are told at once by an ID that keeps no timer and is not heard again; 0x200 speaks 80 ms later, outlasts all others, and begins
 * by itself at night. The first ID may well be its own: then it is first and last in known wakes, as gateways are. Where the
 * sender of the first ID goes on sending, another began; and where one of the others comes sooner than at night, it was up. */
static void first_of_nobody_known(void **state)
{
	enum { NOBODY, GOES_ON, ONE_SOONER, CASES };

	(void)state;
	for (int known = NOBODY; known < CASES; known++) {
		struct script s = { 0 };
		struct lull_verdict v;
		parks(&s, 0, 0);
		marked(&s, 60, LULL_MARK_KEY_OFF);
		for (unsigned i = 0; i < 3; i++) {
			double t = 500 + 200 * i;
			once(&s, 0x6f0, t, 0, 1);
			if (known == GOES_ON)
				sends(&s, 0x6f0, 0.1, t + 0.1, t + 9, 0);
			if (known == ONE_SOONER)
				once(&s, 0x233, t + 0.012, 0xa5a5, 1);
			begun_by(&s, t + 0.08, 0x200, 1, 0);
			marked(&s, t - 0.5, LULL_MARK_DOOR);
		}
		for (unsigned i = 0; i < 5; i++)
			begun_by(&s, 2000 + 1000 * i, 0x200, 6, 0);
		covered(&s, 0, 8000, LULL_OBSERVED);
		judge(&s, 8000, NULL, &v);
		const struct lull_finding *f = &v.findings.at[0];
		if (known) {
			assert_int_equal(f->code, LULL_WOKEN_AGAIN);
			assert_int_equal(f->named, 0);
			assert_int_equal(f->suspects.at[0].ids[0], 0x200);
		} else {
			assert_int_equal(f->code, LULL_WOKEN_FROM_OUTSIDE);
			assert_int_equal(f->named, -1);
			assert_int_equal(f->suspects.at[0].role, LULL_RELAY);
			assert_int_equal(f->suspects.at[0].ids[0], 0x200);
			assert_true(says(f, "of nobody known"));
		}
		lull_verdict_clear(&v);
	}
}

/* The recording's first frame begins its first spell, and no gap before it says whose it was. */
static void the_first_spell_has_its_own_first(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	begun_by(&s, 30, 0x300, 6, 0.07);
	covered(&s, 0, 4000, LULL_OBSERVED);
	judge(&s, 4000, NULL, &v);
	assert_int_equal(v.spells.n, 1);
	assert_int_equal(v.spells.at[0].first_id, 0x300);
	assert_int_equal(v.spells.at[0].last_id, 0x200);
	lull_verdict_clear(&v);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(two_kinds),
		cmocka_unit_test(the_current_rises_first),
		cmocka_unit_test(up_already),
		cmocka_unit_test(first_of_nobody_known),
		cmocka_unit_test(the_first_spell_has_its_own_first),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
