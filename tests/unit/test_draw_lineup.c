/* SPDX-License-Identifier: GPL-3.0-or-later */
/* draw_lineup: small nights made by hand whose log has a clock of its own. In none of them does the bus wake again: there are
 * the key, and what falls asleep after it. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "made_night.h"

#define END 20000.0
#define KEY 60.0 /* of parks(), and the ends of its nodes */
#define NODES 8 /* the last two beside those of parks() */
#define PARKED 6
#define NODE_ENDS(k) (KEY + 10 + 7 * (k))
#define FALL_MA 300.0
#define TWO_SIDED 1.96

/* Uniform in [0, 1), repeatable. */
static double chance(uint32_t *state)
{
	*state = *state * 1664525u + 1013904223u;
	return *state / 4294967296.0;
}

/* A log that begins `start` s into the recording and ends `early` s before it: the key's step, and n falls, at these instants
 * in order. */
static void logs_falls(struct script *s, double start, double early, const double *at, int n)
{
	double mA = 18 + FALL_MA * n;
	draws(s, KEY - start, mA + 6000);
	for (int k = 0; k < n; k++) {
		draws(s, at[k] - start, mA);
		mA -= FALL_MA;
	}
	draws(s, END - early - start, mA);
	s->clamp.live = false;
}

static struct lull_lineup lined_up(struct script *s)
{
	struct lull_verdict v;
	covered(s, 0, END, LULL_OBSERVED);
	judge(s, END, NULL, &v);
	struct lull_lineup up = v.current.lineup;
	lull_verdict_clear(&v);
	return up;
}

/* How far off at the recording's instant t, in s. */
static double off_at(const struct lull_lineup *up, double start, double t)
{
	return up->start_s + (t - start) * (1 + 1e-6 * up->drift_ppm) - t;
}

/* The mark is typed 2.5 s late, what falls asleep falls at once, where 3 s later would be as usual, and a relay keeps two of the
 * key's IDs for 1.5 s: the first that fall silent tell the key, and where the log lies. */
static void the_first_silent_tell_the_key(void **state)
{
	(void)state;
	struct script s = { .sample_step = LULL_SEC / 5 };
	double at[PARKED], start = 7.3;
	for (int k = 0; k < PARKED; k++)
		at[k] = NODE_ENDS(k) + 0.3;
	parks(&s, 0, 0);
	sends(&s, 0x150, 0.1, 0, KEY + 1.5, 0x1234);
	sends(&s, 0x151, 0.1, 0, KEY + 1.5, 0x1234);
	marked(&s, KEY + 2.5, LULL_MARK_KEY_OFF);
	logs_falls(&s, start, 0, at, PARKED);
	struct lull_lineup up = lined_up(&s);
	print_message("the key is off by %.2f s\n", off_at(&up, start, KEY));
	assert_true(up.paired);
	assert_true(fabs(off_at(&up, start, KEY)) < 0.3);
}

static int earlier(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;
	return (x > y) - (x < y);
}

/* The log of another night, begun and ended at some other time, or at the same visits to the car: there too the key was turned,
 * and this and that fell asleep in the minute after. Some of its falls always lie near those of this night. */
static void another_night_after_a_key(void **state)
{
	(void)state;
	enum { NIGHTS = 40 };
	unsigned paired = 0, sure = 0;
	uint32_t seed = 5;
	for (int i = 0; i < NIGHTS; i++) {
		struct script s = { 0 };
		bool visits = i >= NIGHTS / 2;
		double at[NODES] = { 0 }, start = visits ? 7.3 : -30 - 800 * chance(&seed);
		int n = 3 + i % 4;
		for (int k = 0; k < n; k++)
			at[k] = KEY + 10 + 40 * chance(&seed);
		qsort(at, (size_t)n, sizeof *at, earlier);
		parks(&s, 0, 0);
		logs_falls(&s, start, visits ? 0 : 4000, at, n);
		struct lull_lineup up = lined_up(&s);
		paired += up.paired;
		sure += !visits && up.confidence >= 0.9;
	}
	print_message("of another night: %u of %d paired, %u at 0.9 of those at other times\n", paired, NIGHTS, sure);
	assert_int_equal(paired, 0);
	assert_true(sure <= NIGHTS / 20);
}

static void parks_more(struct script *s, unsigned hold, double hold_to)
{
	parks(s, hold, hold_to);
	for (unsigned k = PARKED; k < NODES; k++)
		sends(s, 0x200 + 0x11 * k, 0.1, 0, NODE_ENDS(k), 0xa5a5);
}

/* Falls alone are paired where they are many, to the width that is stated; where they are few, nine in ten is not enough. */
static void falls_alone(void **state)
{
	(void)state;
	static const double trail[] = { 0, 0.9, 1.8, 2.7 };
	unsigned paired = 0, unsure = 0;
	uint32_t seed = 7;
	for (int n = 2; n <= NODES; n += 2) {
		for (size_t i = 0; i < sizeof trail / sizeof *trail; i++) {
			struct script s = { 0 };
			double at[NODES] = { 0 }, start = 7.3;
			char width[32];
			for (int k = 0; k < n; k++)
				at[k] = NODE_ENDS(k) + trail[i] + 0.3 * chance(&seed);
			parks_more(&s, 0, 0);
			logs_falls(&s, start, 0, at, n);
			struct lull_lineup up = lined_up(&s);
			assert_int_equal(up.rises, 0);
			unsure += !up.paired && up.confidence >= 0.9 && strstr(up.why, "too unsure");
			if (!up.paired)
				continue;
			paired++;
			assert_true(up.confidence >= 0.98);
			snprintf(width, sizeof width, "to %.1f s", TWO_SIDED * up.error_s);
			assert_non_null(strstr(up.why, width));
			assert_true(TWO_SIDED * up.error_s < 3);
			assert_true(fabs(off_at(&up, start, 0.5 * (start + END))) <= TWO_SIDED * up.error_s);
		}
	}
	print_message("falls alone: %u paired, %u likely and left\n", paired, unsure);
	assert_true(paired >= 4);
	assert_true(unsure >= 2);
}

/* One node stays awake for hours, and events come by chance: their IDs go silent after every frame and are no node's sleep. Were
 * each taken for one, hardly a lag would be without some near every step. */
static void events_are_no_nodes(void **state)
{
	(void)state;
	enum { EVENTS = 16, FRAMES = 24 };
	struct script s = { 0 };
	double at[NODES] = { 0 }, start = 7.3, asleep = END / 2;
	uint32_t seed = 3;
	for (int k = 0; k < NODES; k++)
		at[k] = (k < NODES - 1 ? NODE_ENDS(k + 1) : asleep) + 0.9 + 0.3 * chance(&seed);
	parks_more(&s, 1, asleep);
	for (unsigned i = 0; i < EVENTS; i++)
		for (int k = 0; k < FRAMES; k++)
			once(&s, 0x400 + 0x13 * i, 20 + (asleep - 40) * chance(&seed), 0x5a5a, 1);
	logs_falls(&s, start, 0, at, NODES);
	struct lull_lineup up = lined_up(&s);
	print_message("among events: %.3f, %u steps, off by %.2f s\n", up.confidence, up.matched, off_at(&up, start, KEY));
	assert_true(up.paired);
	assert_true(fabs(off_at(&up, start, KEY)) < 1);
}

/* Until the key is turned the clamp is at the end of its range: when it comes back is the key. */
static void the_key_beyond_the_range(void **state)
{
	(void)state;
	struct script s = { 0 };
	double at[NODES] = { 0 }, start = 7.3;
	for (int k = 0; k < NODES; k++)
		at[k] = NODE_ENDS(k) + 0.9;
	parks_more(&s, 0, 0);
	logs_falls(&s, start, 0, at, NODES);
	s.clamp.range_A = 5;
	for (size_t i = 0; i < s.uA.n; i++)
		if (s.uA.at[i] > 5000000)
			s.uA.at[i] = 5000000;
	struct lull_lineup up = lined_up(&s);
	assert_int_equal(up.matched, NODES + 1);
	assert_true(up.paired);
	assert_true(fabs(off_at(&up, start, KEY)) < 1);
}

/* The log froze before the last of them fell asleep, and lives again two seconds after: nobody saw that fall. */
static void what_nobody_saw_step(void **state)
{
	(void)state;
	struct script s = { 0 };
	double at[NODES] = { 0 }, start = 7.3, asleep = END / 2;
	for (int k = 0; k < NODES; k++)
		at[k] = (k < NODES - 1 ? NODE_ENDS(k + 1) : asleep) + 0.9;
	parks_more(&s, 1, asleep);
	logs_falls(&s, start, 0, at, NODES);
	for (size_t i = 1000; i < (size_t)(asleep + 2 - start); i++)
		s.uA.at[i] = s.uA.at[1000];
	struct lull_lineup up = lined_up(&s);
	assert_int_equal(up.matched, NODES);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_first_silent_tell_the_key),
		cmocka_unit_test(another_night_after_a_key),
		cmocka_unit_test(falls_alone),
		cmocka_unit_test(events_are_no_nodes),
		cmocka_unit_test(the_key_beyond_the_range),
		cmocka_unit_test(what_nobody_saw_step),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
