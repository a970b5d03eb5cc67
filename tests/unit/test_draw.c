/* SPDX-License-Identifier: GPL-3.0-or-later */
/* draw: what the current adds to small nights made by hand. The log is a live one, so nothing has to be lined up. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "made_night.h"

#include <source/profile.h>

/* Key on, settling, asleep from 105 s on, at a quiet level. */
static void evening(struct script *s, double quiet_mA)
{
	parks(s, 0, 0);
	draws(s, 60, 9000);
	draws(s, 105, 900);
	draws(s, 700, quiet_mA + 120); /* retained supply */
	draws(s, 20000, quiet_mA);
	covered(s, 0, 20000, LULL_OBSERVED);
}

static void within_the_limit(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	evening(&s, 18);
	judge(&s, 20000, NULL, &v);
	only(&v, LULL_WITHIN_LIMIT);
	assert_int_equal(lull_verdict_status(&v), 0);
	assert_true(fabs(v.current.quiet_mA - 18) < 1);
	assert_true(v.current.quiet_error_mA > 0 && v.current.quiet_error_mA < 3);
	/* 595 s at +120 mA, the settling of 45 s at 900, the rest at 18: over 19,940 s */
	double average = (45 * 900 + 595 * 138 + 19300 * 18) / 19940.0;
	assert_true(fabs(v.current.average_mA - average) < 1);
	assert_true(fabs(v.current.charge_mAh - average * 19940 / 3600) < 6);
	lull_verdict_clear(&v);
}

static void draws_while_quiet(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	evening(&s, 310);
	judge(&s, 20000, NULL, &v);
	const struct lull_finding *f = only(&v, LULL_DRAW_WHILE_QUIET);
	assert_int_equal(f->named, -1);
	assert_true(fabs(f->cost_mAh_per_day - (310 - 50) * 24) < 100);
	assert_true(f->next.n >= 3);
	lull_verdict_clear(&v);
}

/* An interval across the limit is too near to say. */
static void too_near_the_limit(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	evening(&s, 45);
	s.clamp.zero_after_mA = NAN; /* the drift of the night stays open */
	judge(&s, 20000, NULL, &v);
	const struct lull_finding *f = only(&v, LULL_DRAW_NOT_MEASURED);
	assert_non_null(strstr(f->text, "too near the limit"));
	assert_true(v.current.quiet_error_mA > 8);
	lull_verdict_clear(&v);
}

static void zero_is_taken_off(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	evening(&s, 18 + 200); /* the clamp stands 200 mA off */
	s.clamp.zero_before_mA = s.clamp.zero_after_mA = 200;
	judge(&s, 20000, NULL, &v);
	only(&v, LULL_WITHIN_LIMIT);
	assert_true(fabs(v.current.quiet_mA - 18) < 1);
	assert_true(fabs(v.current.zero_mA - 200) < 1e-6);
	lull_verdict_clear(&v);
}

/* Nobody told a zero, but marks say when the clamp was off the cable: 150 mA off before, 160 after. */
static void zero_by_marks(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	draws(&s, 20, 150);
	draws(&s, 60, 9150);
	draws(&s, 105, 1050);
	for (int k = 0; k < 20; k++) /* drifting */
		draws(&s, 105 + (k + 1) * 990, 18 + 150 + 10 * (k + 0.5) / 20);
	draws(&s, 20000, 160);
	s.clamp.zero_before_mA = s.clamp.zero_after_mA = NAN;
	marked(&s, 12, LULL_MARK_CLAMP_ZERO);
	marked(&s, 19950, LULL_MARK_CLAMP_ZERO);
	covered(&s, 0, 20000, LULL_OBSERVED);
	judge(&s, 20000, NULL, &v);
	only(&v, LULL_WITHIN_LIMIT);
	assert_true(v.current.zero_before && v.current.zero_after);
	assert_true(fabs(v.current.zero_mA - 155) < 2);
	assert_true(fabs(v.current.quiet_mA - 18) < 3);
	/* two readings of 20 and 95 samples with a noise of 2 mA, the digit's 1 mA, and a bend of a fifth of the drift of 10 mA */
	assert_true(v.current.quiet_error_mA > 2 && v.current.quiet_error_mA < 4);
	lull_verdict_clear(&v);
}

static bool has_code(const struct lull_verdict *v, enum lull_code code)
{
	for (size_t i = 0; i < v->findings.n; i++)
		if (v->findings.at[i].code == code)
			return true;
	return false;
}

/* A night that draws 120 mA asleep, the clamp off the cable for `off_s` at its end, with a mark so long after it was taken off. */
static void taken_off(double off_s, double mark_after_s, bool told, struct lull_verdict *v)
{
	struct script s = { 0 };
	parks(&s, 0, 0);
	draws(&s, 60, 9000);
	draws(&s, 105, 900);
	draws(&s, 20000 - off_s, 120);
	draws(&s, 20000, 0);
	s.clamp.zero_before_mA = 0;
	s.clamp.zero_after_mA = told ? 0 : NAN;
	marked(&s, 20000 - off_s + mark_after_s, LULL_MARK_CLAMP_ZERO);
	covered(&s, 0, 20000, LULL_OBSERVED);
	judge(&s, 20000, NULL, v);
}

/* What the clamp reads beside the cable is no draw, for however long: neither the quiet level nor in the average. */
static void off_the_cable_is_no_draw(void **state)
{
	static const struct {
		double off_s, mark_after_s;
		bool told, lost;
	} cases[] = { { 40, 20, true, false }, { 40, 20, false, false }, { 500, 250, true, false }, { 800, 30, true, false }, { 2400, 60, true, true },
		{ 2400, 60, false, true }, { 2400, 600, false, true } };
	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct lull_verdict v;
		taken_off(cases[i].off_s, cases[i].mark_after_s, cases[i].told, &v);
		assert_true(has_code(&v, LULL_DRAW_WHILE_QUIET));
		assert_int_equal(has_code(&v, LULL_CLAMP_LOST), cases[i].lost);
		assert_true(fabs(v.current.quiet_mA - 120) < 1);
		/* 45 s at 900 mA, the rest until it was taken off at 120; the off-time is in neither */
		double average = 120 + 45 * 780 / (20000 - 60 - cases[i].off_s);
		assert_true(fabs(v.current.average_mA - average) < 1);
		assert_int_equal(v.current.dead.n, 1);
		assert_true(fabs((double)v.current.dead.at[0].from / 1e9 - (20000 - cases[i].off_s)) < 3);
		lull_verdict_clear(&v);
	}
}

/* Held awake all night with a current that seems to flow into the battery: what that costs is not known; it is not nothing. */
static void no_cost_by_a_current_the_other_way(void **state)
{
	(void)state;
	for (int way = -1; way <= 1; way += 2) {
		struct script s = { 0 };
		struct lull_verdict v;
		bool held = false;
		parks(&s, 1, 20000);
		draws(&s, 20000, way * 900);
		s.clamp.zero_before_mA = s.clamp.zero_after_mA = NAN;
		covered(&s, 0, 20000, LULL_OBSERVED);
		judge(&s, 20000, NULL, &v);
		for (size_t i = 0; i < v.findings.n; i++) {
			const struct lull_finding *f = &v.findings.at[i];
			if (f->code != LULL_HELD_AWAKE)
				continue;
			held = true;
			assert_int_equal(isfinite(f->cost_mAh_per_day), way > 0);
		}
		assert_true(held);
		lull_verdict_clear(&v);
	}
}

/* Nobody told the clamp's range: readings that stand at the end of its scale for a minute are no draw of 10 A. A current that comes near
 * it, and one that goes beyond it, are. */
static void a_usual_range_is_seen(void **state)
{
	static const struct {
		double mV_per_A, mA;
		bool saturated;
	} cases[] = { { 100, 10000, true }, { 10, 60000, true }, { 100, 12000, false }, { 100, 9400, false }, { 10, 10000, false }, { 50, 10000, false } };
	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct script s = { 0 };
		struct lull_verdict v;
		evening(&s, 18);
		for (size_t k = 9000; k < 9050; k++)
			s.uA.at[k] = (int32_t)(cases[i].mA * 1e3);
		s.clamp.mV_per_A = cases[i].mV_per_A;
		s.clamp.range_A = NAN;
		judge(&s, 20000, NULL, &v);
		assert_int_equal(isfinite(v.current.range_taken_A), cases[i].saturated);
		assert_int_equal(v.current.dead.n, cases[i].saturated);
		lull_verdict_clear(&v);
	}
}

/* A car that draws next to nothing: the zero cannot be told from it, and its night stays its night. */
static void a_zero_that_does_not_show(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	evening(&s, 1);
	marked(&s, 19950, LULL_MARK_CLAMP_ZERO);
	judge(&s, 20000, NULL, &v);
	only(&v, LULL_WITHIN_LIMIT);
	assert_true(fabs(v.current.quiet_mA - 1) < 1);
	assert_int_equal(v.current.dead.n, 0);
	lull_verdict_clear(&v);
}

/* A wake close to the mark lies above what is before and after it: no zero. Off and on again in the night: no step, no pulse. */
static void a_wake_is_no_zero(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	draws(&s, 60, 9000);
	draws(&s, 105, 900);
	draws(&s, 9000, 30);
	draws(&s, 9060, 0); /* off, and hung back a little otherwise */
	draws(&s, 19900, 34);
	draws(&s, 19940, 600);
	draws(&s, 20000, 34);
	s.clamp.zero_before_mA = s.clamp.zero_after_mA = NAN;
	marked(&s, 9030, LULL_MARK_CLAMP_ZERO);
	marked(&s, 19950, LULL_MARK_CLAMP_ZERO);
	covered(&s, 0, 20000, LULL_OBSERVED);
	judge(&s, 20000, NULL, &v);
	assert_true(fabs(v.current.zero_mA) < 2);
	assert_true(fabs(v.current.quiet_mA - 33) < 3);
	assert_int_equal(v.current.dead.n, 1);
	for (size_t i = 0; i < v.current.steps.n; i++)
		assert_true(fabs((double)v.current.steps.at[i].at / 1e9 - 9030) > 100);
	lull_verdict_clear(&v);
}

static void the_logger_is_taken_off(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	evening(&s, 18 + 290);
	s.clamp.logger_mA = 290;
	judge(&s, 20000, NULL, &v);
	only(&v, LULL_WITHIN_LIMIT);
	assert_true(fabs(v.current.quiet_mA - 18) < 1);
	lull_verdict_clear(&v);
}

static const char *because(const struct lull_verdict *v, double t)
{
	for (size_t i = 0; i < v->current.steps.n; i++)
		if (fabs((double)v->current.steps.at[i].at - 1e9 * t) < 3e9)
			return v->current.steps.at[i].because ? v->current.steps.at[i].because : "";
	return "no step";
}

/* A step has a reason: an edge of the bus, the key, what is switched off after it, and what a node does while its bus is awake. */
static void steps_have_reasons(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	sends(&s, 0x300, 0.1, 9000, 9060, 0xa5a5);
	draws(&s, 60, 9000);
	draws(&s, 105, 900);
	draws(&s, 700, 138);
	draws(&s, 9000, 18);
	draws(&s, 9030, 1018);
	draws(&s, 9060, 518); /* half of it falls in the middle of the wake */
	draws(&s, 20000, 18);
	covered(&s, 0, 20000, LULL_OBSERVED);
	judge(&s, 20000, NULL, &v);
	assert_string_equal(because(&v, 60), "key-off");
	assert_non_null(strstr(because(&v, 700), "after key-off, downwards"));
	assert_non_null(strstr(because(&v, 9000), "wakes"));
	assert_string_equal(because(&v, 9030), "while bus can0 is awake");
	assert_non_null(strstr(because(&v, 9060), "falls quiet"));
	lull_verdict_clear(&v);
}

static void a_reversed_clamp_is_turned(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	evening(&s, 18);
	for (size_t i = 0; i < s.uA.n; i++)
		s.uA.at[i] = -s.uA.at[i];
	judge(&s, 20000, NULL, &v);
	only(&v, LULL_WITHIN_LIMIT);
	assert_true(v.current.reversed);
	assert_true(fabs(v.current.quiet_mA - 18) < 1);
	lull_verdict_clear(&v);
}

/* Five pulses of 2 A for 20 s with the bus quiet. */
static void pulses_with_the_bus_quiet(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	draws(&s, 60, 9000);
	draws(&s, 105, 900);
	for (unsigned k = 0; k < 5; k++) {
		draws(&s, 3000 + 3100 * k, 18);
		draws(&s, 3020 + 3100 * k, 2018);
	}
	draws(&s, 20000, 18);
	covered(&s, 0, 20000, LULL_OBSERVED);
	judge(&s, 20000, NULL, &v);
	const struct lull_finding *f = only(&v, LULL_PULSES_WHILE_QUIET);
	/* 5 x 2 A x 20 s in 19,940 s, a day: 240.7 mAh */
	assert_true(fabs(f->cost_mAh_per_day - 5 * 2000 * 20 / 3600.0 * 86400 / 19940) < 25);
	assert_int_equal(f->named, -1);
	lull_verdict_clear(&v);
}

/* A heater, 100 mA more for 25 minutes and off for 20: the car's own level is the lower one, also where the log ends with the heater on. */
static void what_comes_and_goes_is_above_the_quiet_level(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	draws(&s, 60, 9000);
	draws(&s, 105, 900);
	for (unsigned k = 0; k < 7; k++) {
		draws(&s, 1400 + 2700 * k, 18);
		draws(&s, 2900 + 2700 * k, 118);
	}
	covered(&s, 0, 19100, LULL_OBSERVED);
	judge(&s, 19100, NULL, &v);
	assert_true(fabs(v.current.quiet_mA - 18) < 2);
	bool pulses = false;
	for (size_t i = 0; i < v.findings.n; i++) {
		pulses |= v.findings.at[i].code == LULL_PULSES_WHILE_QUIET;
		assert_int_not_equal(v.findings.at[i].code, LULL_DRAW_WHILE_QUIET);
	}
	assert_true(pulses);
	lull_verdict_clear(&v);
}

/* A log with nothing but pulses in it, begun hours before the recording: it cannot be lined up, but the bus shows no wake that they might
 * be. What a bus that was not heard for an hour did in it nobody knows. */
static void pulses_in_a_log_that_is_not_lined_up(void **state)
{
	(void)state;
	for (int deaf = 0; deaf < 2; deaf++) {
		struct script s = { 0 };
		struct lull_verdict v;
		bool pulses = false, clear = false;
		parks(&s, 0, 0);
		for (unsigned k = 0; k < 4; k++) {
			draws(&s, 21000 + 2000 * k, 18);
			draws(&s, 21020 + 2000 * k, 2018);
		}
		draws(&s, 30000, 18);
		s.clamp.live = false;
		covered(&s, 0, deaf ? 9000 : 20000, LULL_OBSERVED);
		if (deaf) {
			covered(&s, 9000, 12600, LULL_BLIND_ADAPTER_GONE);
			covered(&s, 12600, 20000, LULL_OBSERVED);
		}
		judge(&s, 20000, NULL, &v);
		assert_false(v.current.lineup.paired);
		for (size_t i = 0; i < v.findings.n; i++) {
			pulses |= v.findings.at[i].code == LULL_PULSES_WHILE_QUIET;
			clear |= v.findings.at[i].code == LULL_WITHIN_LIMIT;
		}
		assert_int_equal(pulses, !deaf);
		assert_false(pulses && clear);
		/* 18 mA and four times 2 A for 20 s in some eight hours, of which the first half hour and the last ten minutes do not count */
		assert_true(fabs(v.current.average_mA - 18 - 4 * 2000 * 20 / 28000.0) < 0.7);
		lull_verdict_clear(&v);
	}
}

/* The key on, a known load twice, relays that drop: nothing of it is the life of a bus that is never heard. */
static void what_a_visitor_does_is_no_life(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	draws(&s, 60, 18);
	draws(&s, 120, 6000);
	draws(&s, 200, 600);
	for (unsigned k = 0; k < 3; k++) {
		marked(&s, 200 + 20 * k, LULL_MARK_TEST_LOAD);
		draws(&s, 208 + 20 * k, 1000);
		draws(&s, 220 + 20 * k, 600);
	}
	draws(&s, 500, 300);
	draws(&s, 20000, 18);
	covered(&s, 0, 20000, LULL_OBSERVED);
	judge(&s, 20000, NULL, &v);
	for (size_t i = 0; i < v.findings.n; i++)
		assert_int_not_equal(v.findings.at[i].code, LULL_BUS_NOT_VISIBLE);
	lull_verdict_clear(&v);
}

static void a_dead_log_is_never_a_low_draw(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	draws(&s, 60, 9000);
	draws(&s, 105, 900);
	draws(&s, 4000, 18);
	covered(&s, 0, 20000, LULL_OBSERVED);
	/* the clamp's battery is empty: its output falls to zero and stays there to the last digit */
	size_t alive = s.uA.n;
	draws(&s, 20000, 0);
	for (size_t i = alive; i < s.uA.n; i++)
		s.uA.at[i] = 0;
	judge(&s, 20000, NULL, &v);
	bool lost = false;
	for (size_t i = 0; i < v.findings.n; i++) {
		lost |= v.findings.at[i].code == LULL_CLAMP_LOST;
		assert_int_not_equal(v.findings.at[i].code, LULL_WITHIN_LIMIT);
	}
	assert_true(lost);
	assert_true(fabs(lull_seconds(v.current.lost_at) - 4000) < 120);
	lull_verdict_clear(&v);
}

/* Lost 25 min after key-off, while 400 mA of retained supply still flowed: nothing is known of the quiet level. */
static void lost_before_the_quiet_level(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	draws(&s, 60, 9000);
	draws(&s, 105, 900);
	draws(&s, 1600, 400);
	covered(&s, 0, 20000, LULL_OBSERVED);
	judge(&s, 20000, NULL, &v);
	bool lost = false;
	for (size_t i = 0; i < v.findings.n; i++) {
		lost |= v.findings.at[i].code == LULL_CLAMP_LOST;
		assert_int_not_equal(v.findings.at[i].code, LULL_DRAW_WHILE_QUIET);
	}
	assert_true(lost);
	assert_true(fabs(v.current.lost_log_s - 1600) < 5);
	lull_verdict_clear(&v);
}

/* A waker that costs: six wakes of 20 s at +1.5 A. */
static void a_wake_has_its_cost(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	draws(&s, 60, 9000);
	draws(&s, 105, 900);
	for (unsigned k = 0; k < 6; k++) {
		double t = 3000 + 2500 * k;
		draws(&s, t, 18);
		draws(&s, t + 21, 1518);
		once(&s, 0x244, t, 0xa5a5, 60);
		sends(&s, 0x244, 0.1, t + 0.06, t + 20, 0xa5a5);
		sends(&s, 0x211, 0.1, t + 0.05, t + 20, 0xa5a5);
		sends(&s, 0x222, 0.1, t + 0.09, t + 20, 0xa5a5);
	}
	draws(&s, 20000, 18);
	covered(&s, 0, 20000, LULL_OBSERVED);
	judge(&s, 20000, NULL, &v);
	const struct lull_finding *f = only(&v, LULL_WOKEN_AGAIN);
	assert_true(fabs(f->cost_mAh_per_day - 6 * 1500 * 21 / 3600.0 * 86400 / 19940) < 20);
	assert_string_equal(f->cost_basis, "per parked day, from less than half a day");
	for (size_t i = 0; i < v.spells.n; i++)
		if (v.spells.at[i].kind == LULL_SPELL_WAKE)
			assert_true(fabs(v.spells.at[i].charge_mAs - 1500 * 21) < 1500);
	lull_verdict_clear(&v);
}

/* Longer than a sample by little: one sample of it or two, and the band knows. */
static void a_wake_of_one_sample(void **state)
{
	(void)state;
	struct script s = { .sample_step = 5 * LULL_SEC };
	struct lull_verdict v;
	parks(&s, 0, 0);
	draws(&s, 60, 9000);
	draws(&s, 105, 900);
	for (unsigned k = 0; k < 8; k++) {
		double t = 3000.1 + 1999.3 * k;
		draws(&s, t, 18);
		draws(&s, t + 7, 718);
		sends(&s, 0x211, 0.1, t + 0.05, t + 7, 0xa5a5);
		sends(&s, 0x222, 0.1, t + 0.09, t + 7, 0xa5a5);
	}
	draws(&s, 20000, 18);
	covered(&s, 0, 20000, LULL_OBSERVED);
	judge(&s, 20000, NULL, &v);
	unsigned wakes = 0, apart = 0;
	for (size_t i = 0; i < v.spells.n; i++) {
		const struct lull_spell *spell = &v.spells.at[i];
		if (spell->kind != LULL_SPELL_WAKE)
			continue;
		wakes++;
		apart += fabs(spell->charge_mAs - 700 * 7) > 300;
		assert_true(fabs(spell->charge_mAs - 700 * 7) <= spell->charge_error_mAs);
	}
	assert_int_equal(wakes, 8);
	assert_true(apart > 4);
	lull_verdict_clear(&v);
}

/* 460 mA are switched 7 s on, 3 s off, 5 s on, while the car switches 156 mA on within the first time and 195 mA off within the second:
 * read for itself, the load is 460 mA all the same. The clamp reads a tenth too little. */
static void a_load_beside_the_cars_own_steps(void **state)
{
	(void)state;
	struct script s = { .sample_step = LULL_SEC / 10 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	draws(&s, 60, 9000);
	draws(&s, 105, 900);
	draws(&s, 200, 220);
	draws(&s, 205.5, 220 + 460);
	draws(&s, 207, 220 + 156 + 460);
	draws(&s, 210, 220 + 156);
	draws(&s, 211.8, 220 + 156 + 460);
	draws(&s, 215, 220 - 39 + 460);
	draws(&s, 700, 220 - 39);
	draws(&s, 20000, 18);
	marked(&s, 200.3, LULL_MARK_TEST_LOAD);
	s.marks.at[0].value = 460;
	for (size_t i = 0; i < s.uA.n; i++)
		s.uA.at[i] = (int32_t)lround(s.uA.at[i] * 0.9);
	covered(&s, 0, 20000, LULL_OBSERVED);
	judge(&s, 20000, NULL, &v);
	assert_true(fabs(v.current.gain - 1 / 0.9) < 0.02);
	assert_true(fabs(v.current.gain - 1 / 0.9) < 3 * v.current.gain_error);
	assert_false(v.current.load_unread);
	lull_verdict_clear(&v);
}

/* A sample every 5 s shows the load, and not how large it is: the gain stays as it is, and that is said. */
static void a_load_too_brief_for_the_log(void **state)
{
	(void)state;
	struct script s = { .sample_step = 5 * LULL_SEC };
	struct lull_verdict v;
	evening(&s, 18);
	for (size_t i = 201; i < 204; i++)
		s.uA.at[i] += 500000;
	marked(&s, 1004, LULL_MARK_TEST_LOAD);
	s.marks.at[0].value = 1000;
	judge(&s, 20000, NULL, &v);
	assert_true(isnan(v.current.gain));
	assert_true(v.current.load_unread);
	only(&v, LULL_WITHIN_LIMIT);
	lull_verdict_clear(&v);
}

enum { FIRST, SECOND, THIRD, SENDERS };
static const uint32_t sender[SENDERS] = { 0x211, 0x244, 0x2a7 };
static const double sender_mA[SENDERS] = { 250, 700, 80 };

/* A spell: each sender stops when it is told to, s from the start; 0: it is not there. */
static void staggered(struct script *s, double t, const double until[static SENDERS])
{
	double last = 0;
	for (int k = 0; k < SENDERS; k++)
		last = fmax(last, until[k]);
	for (double now = 0; now < last;) {
		double mA = 18, next = INFINITY;
		for (int k = 0; k < SENDERS; k++) {
			mA += now < until[k] ? sender_mA[k] : 0;
			if (until[k] > now)
				next = fmin(next, until[k]);
		}
		draws(s, t + next, mA);
		now = next;
	}
	once(s, 0x244, t, 0xa5a5, 40);
	for (int k = 0; k < SENDERS; k++)
		if (until[k] > 0)
			sends(s, sender[k], 0.5, t + 0.05 + 0.01 * k, t + until[k], 0xa5a5);
	draws(s, t + last + 600, 18);
}

static void nights_of(const double until[][SENDERS], size_t kinds, struct lull_verdict *v)
{
	struct script s = { 0 };
	parks(&s, 0, 0);
	draws(&s, 60, 9000);
	draws(&s, 105, 900);
	draws(&s, 2000, 18);
	for (int k = 0; k < 12; k++) {
		draws(&s, 2000 + 1400 * k, 18);
		staggered(&s, 2000 + 1400 * k, until[(size_t)k % kinds]);
	}
	draws(&s, 20000, 18);
	covered(&s, 0, 20000, LULL_OBSERVED);
	static const char text[] = "[node first]\nids = 0x211\n[node second]\nids = 0x244\n[node third]\nids = 0x2A7\n";
	struct lull_profile profile;
	char err[128];
	assert_int_equal(lull_profile_parse_text("test", text, sizeof text - 1, &profile, err, sizeof err), 0);
	judge(&s, 20000, &profile, v);
	lull_profile_clear(&profile);
}

static const struct lull_node *node_of(const struct lull_verdict *v, uint32_t id)
{
	for (size_t i = 0; i < v->nodes.n; i++)
		if (v->nodes.at[i].ids[0] == id)
			return &v->nodes.at[i];
	fail_msg("no node of 0x%X", id);
	return NULL;
}

static void about(double value, double error, double truth)
{
	if (!(fabs(value - truth) <= fmax(3 * error, 1)) || !(error < 5))
		fail_msg("%.2f +- %.2f, truly %.1f", value, error, truth);
}

/* Whoever is awake whenever the bus is cannot be told from nodes that are awake and silent; one that sleeps earlier can, but for what
 * it draws silently. */
static void node_draws_by_regression(void **state)
{
	(void)state;
	static const double until[][SENDERS] = { { 100, 200, 0 } };
	struct lull_verdict v;
	nights_of(until, 1, &v);
	const struct lull_node *first = node_of(&v, sender[FIRST]), *second = node_of(&v, sender[SECOND]);
	about(first->stop_mA, first->stop_mA_error, 250);
	assert_true(isnan(first->awake_mA) && isnan(second->awake_mA) && isnan(second->stop_mA));
	assert_int_equal(v.current.inseparable.n, 1);
	assert_true(v.current.inseparable.at[0].whole);
	assert_int_equal(v.current.inseparable.at[0].n, 1);
	assert_ptr_equal(&v.nodes.at[v.current.inseparable.at[0].nodes[0]], second);
	about(v.current.inseparable.at[0].mA, v.current.inseparable.at[0].mA_error, 700);
	lull_verdict_clear(&v);
}

/* Each of them is last in some spell: what is awake silently is seen to be nothing. */
static void all_draws_told_apart(void **state)
{
	(void)state;
	static const double until[][SENDERS] = { { 100, 200, 60 }, { 160, 90, 40 }, { 50, 110, 190 } };
	struct lull_verdict v;
	nights_of(until, 3, &v);
	for (int k = 0; k < SENDERS; k++) {
		const struct lull_node *n = node_of(&v, sender[k]);
		about(n->awake_mA, n->awake_mA_error, sender_mA[k]);
		about(n->stop_mA, n->stop_mA_error, sender_mA[k]);
	}
	assert_int_equal(v.current.inseparable.n, 0);
	lull_verdict_clear(&v);
}

static void two_always_together(void **state)
{
	(void)state;
	static const double until[][SENDERS] = { { 100, 200, 100 }, { 160, 90, 160 } };
	struct lull_verdict v;
	nights_of(until, 2, &v);
	const struct lull_node *second = node_of(&v, sender[SECOND]);
	about(second->awake_mA, second->awake_mA_error, 700);
	assert_true(isnan(node_of(&v, sender[FIRST])->stop_mA) && isnan(node_of(&v, sender[THIRD])->stop_mA));
	assert_int_equal(v.current.inseparable.n, 1);
	assert_int_equal(v.current.inseparable.at[0].n, 2);
	assert_false(v.current.inseparable.at[0].whole);
	about(v.current.inseparable.at[0].mA, v.current.inseparable.at[0].mA_error, 330);
	lull_verdict_clear(&v);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(within_the_limit),
		cmocka_unit_test(draws_while_quiet),
		cmocka_unit_test(too_near_the_limit),
		cmocka_unit_test(zero_is_taken_off),
		cmocka_unit_test(zero_by_marks),
		cmocka_unit_test(off_the_cable_is_no_draw),
		cmocka_unit_test(a_usual_range_is_seen),
		cmocka_unit_test(no_cost_by_a_current_the_other_way),
		cmocka_unit_test(a_zero_that_does_not_show),
		cmocka_unit_test(a_wake_is_no_zero),
		cmocka_unit_test(the_logger_is_taken_off),
		cmocka_unit_test(steps_have_reasons), cmocka_unit_test(a_reversed_clamp_is_turned),
		cmocka_unit_test(pulses_with_the_bus_quiet),
		cmocka_unit_test(what_comes_and_goes_is_above_the_quiet_level),
		cmocka_unit_test(pulses_in_a_log_that_is_not_lined_up),
		cmocka_unit_test(what_a_visitor_does_is_no_life),
		cmocka_unit_test(a_dead_log_is_never_a_low_draw),
		cmocka_unit_test(lost_before_the_quiet_level),
		cmocka_unit_test(a_wake_has_its_cost),
		cmocka_unit_test(a_wake_of_one_sample),
		cmocka_unit_test(a_load_beside_the_cars_own_steps),
		cmocka_unit_test(a_load_too_brief_for_the_log),
		cmocka_unit_test(node_draws_by_regression),
		cmocka_unit_test(all_draws_told_apart),
		cmocka_unit_test(two_always_together),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
