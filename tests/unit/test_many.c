/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_many: nights with more IDs, modules and wake-ups than usual: all of them are examined, or the reader is told which are not. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "made_night.h"
#include "source/profile.h"

static bool left_out(const struct lull_verdict *v, const char *words)
{
	for (size_t i = 0; i < v->left_out.n; i++)
		if (strstr(v->left_out.at[i], words))
			return true;
	return false;
}

/* --- IDs of one bus --- */

#define MODULES 100u
#define IDS_EACH 6u

static void six_hundred_ids_are_grouped(void **state)
{
	struct script s = {0};
	struct lull_verdict v;
	size_t together = 0, wrongly = 0;

	(void)state;
	for (uint32_t m = 0; m < MODULES; m++)
		for (uint32_t k = 0; k < IDS_EACH; k++)
			sends_with(&s, 0x100 + m + k * MODULES, 7 * m + 1, 1, 0.011 * m, 700, 0);
	covered(&s, 0, 700, LULL_OBSERVED);
	judge(&s, 700, NULL, &v);
	assert_int_equal(v.ids.n, MODULES * IDS_EACH);
	for (size_t a = 0; a < v.ids.n; a++)
		for (size_t b = a + 1; b < v.ids.n; b++) {
			bool same = (v.ids.at[a].id - 0x100) % MODULES == (v.ids.at[b].id - 0x100) % MODULES;

			if (v.ids.at[a].node == v.ids.at[b].node) {
				together += same;
				wrongly += !same;
			}
		}
	printf("# %zu of %u pairs of one module grouped, %zu of others\n", together,
		MODULES * IDS_EACH * (IDS_EACH - 1) / 2, wrongly);
	assert_true(together * 2 > (size_t)MODULES * IDS_EACH * (IDS_EACH - 1) / 2);
	assert_true(wrongly * 20 < together);
	assert_false(left_out(&v, "too many to compare"));
	lull_verdict_clear(&v);
}

/* A table that is quadratic in what a file may hold has an end: those heard most are grouped. */
static void more_ids_than_are_compared(void **state)
{
	const struct lull_question ask = lull_question_default();
	const unsigned standard = 0x7df, n = standard + 200; /* below the tester's; and 29 bits that carry no source addresses */
	struct lull_night night;
	struct lull_verdict v;

	(void)state;
	lull_night_init(&night);
	struct lull_sink sink = lull_night_sink(&night);
	const struct lull_bus bus = {.name = "can0", .bitrate = 500000, .last = LULL_MIN};

	assert_int_equal(sink.bus(sink.ctx, 0, &bus), 0);
	for (unsigned i = 0; i < n; i++) {
		const struct lull_stretch one = {.id = i < standard ? i : LULL_ID_EXTENDED | (0x100000 + 0x101 * (i - standard)),
			.last = LULL_MIN,
			.frames = 2 + i,
			.period_ns = LULL_SEC};

		assert_int_equal(sink.stretch(sink.ctx, &one), 0);
	}
	assert_int_equal(lull_night_sort(&night), 0);
	assert_int_equal(lull_judge(&night, &ask, &v), 0);
	assert_int_equal(v.ids.n, n);
	assert_true(left_out(&v,
		"bus can0: 2215 messages are too many to compare by timing. The 2048 heard most often were "
		"grouped by module, "
		"the other 167 stand alone."));
	lull_verdict_clear(&v);
	lull_night_clear(&night);
}

/* --- modules whose draw is told apart --- */

enum { FIRST, SECOND, THIRD, SENDERS };
static const uint32_t sender[SENDERS] = {0x711, 0x744, 0x7a7};
static const double sender_mA[SENDERS] = {250, 700, 80};
static const double until[SENDERS][SENDERS] = {{100, 200, 60}, {160, 90, 40}, {50, 110, 190}};
#define OTHERS 70u

static void spell(struct script *s, double t, const double *end)
{
	double now = 0;

	for (int part = 0; part < SENDERS; part++) {
		double mA = 18, next = INFINITY;

		for (int k = 0; k < SENDERS; k++) {
			mA += now < end[k] ? sender_mA[k] : 0;
			next = end[k] > now ? fmin(next, end[k]) : next;
		}
		draws(s, t + next, mA);
		now = next;
	}
	for (int k = 0; k < SENDERS; k++)
		sends(s, sender[k], 0.5, t + 0.05 + 0.01 * k, t + end[k], 0xa5a5);
	draws(s, t + now + 100, 18);
}

/* Three modules that wake twelve times, and seventy more, of which as many wake once as `wake`. */
static void judge_many(unsigned wake, struct lull_verdict *v)
{
	struct script s = {0};
	struct lull_profile profile;
	char text[6000] =
		"[node first]\nids = 0x711\n[node second]\nids = 0x744\n[node third]\nids = 0x7A7\n",
	     err[128];

	parks(&s, 0, 0);
	draws(&s, 60, 9000);
	draws(&s, 105, 900);
	for (unsigned i = 0; i < OTHERS; i++) {
		(void)snprintf(text + strlen(text), sizeof text - strlen(text),
			"[node other %u]\nids = 0x%X\n", i, 0x300 + i);
		sends(&s, 0x300 + i, 0.1, 0, 60, 0);
	}
	for (unsigned i = 0; i < 12; i++) {
		draws(&s, 2000 + 600 * i, 18);
		spell(&s, 2000 + 600 * i, until[i % SENDERS]);
	}
	for (unsigned i = 0; i < OTHERS; i++) {
		const double t = 10000 + 300 * i;

		draws(&s, t, 18);
		if (i >= wake)
			continue;
		draws(&s, t + 90, 18 + 300);
		sends(&s, 0x300 + i, 0.5, t + 0.05, t + 90, 0);
	}
	draws(&s, 32000, 18);
	covered(&s, 0, 32000, LULL_OBSERVED);
	assert_int_equal(lull_profile_parse_text("test", text, strlen(text), &profile, err, sizeof err), 0);
	judge(&s, 32000, &profile, v);
	lull_profile_clear(&profile);
	assert_true(v->nodes.n > 64);
}

static void figures_are_true(const struct lull_verdict *v)
{
	for (size_t i = 0; i < v->nodes.n; i++)
		for (int k = 0; k < SENDERS; k++) {
			const struct lull_node *n = &v->nodes.at[i];

			if (n->ids[0] == sender[k] &&
				!(fabs(n->awake_mA - sender_mA[k]) <= fmax(3 * n->awake_mA_error, 1) &&
					n->awake_mA_error < 5))
				fail_msg("%s: %.2f +- %.2f, truly %.1f", n->name, n->awake_mA,
					n->awake_mA_error, sender_mA[k]);
		}
}

static void many_modules_that_sleep_all_night(void **state)
{
	struct lull_verdict v;

	(void)state;
	judge_many(0, &v);
	figures_are_true(&v);
	assert_false(left_out(&v, "too many to tell their draw apart"));
	lull_verdict_clear(&v);
}

static void more_modules_than_can_be_told_apart(void **state)
{
	struct lull_verdict v;

	(void)state;
	judge_many(OTHERS, &v);
	figures_are_true(&v);
	assert_true(left_out(&v,
		"current: 73 modules woke or fell asleep, too many to tell their draw apart. The 10 that did "
		"so least often have no "
		"figure of their own."));
	lull_verdict_clear(&v);
}

/* --- wake-ups --- */

/* Module 0x200 wakes the network all night; at doors another one does. By the first thirty-odd wake-ups alone, in which nobody follows,
 * it cannot be told from one that is merely woken first. */
static void all_wakes_are_examined(void **state)
{
	static const uint32_t follower[] = {0x222, 0x233, 0x244};
	struct script s = {0};
	struct lull_verdict v;

	(void)state;
	parks(&s, 0, 0);
	for (unsigned i = 0; i < 3; i++) {
		const double t = 300 + 100 * i;

		marked(&s, t, LULL_MARK_DOOR);
		sends(&s, 0x211, 0.1, t + 1, t + 6, 0xa5a5);
		sends(&s, 0x200, 0.1, t + 1.1, t + 6, 0xa5a5);
		for (unsigned k = 0; k < 3; k++)
			sends(&s, follower[k], 0.1, t + 1.15 + 0.05 * k, t + 6, 0xa5a5);
	}
	for (unsigned i = 0; i < 100; i++) {
		const double t = 800 + 97.0 * i;

		sends(&s, 0x200, 0.1, t, t + 5, 0xa5a5);
		for (unsigned k = 0; k < 3 && i >= 36; k++)
			sends(&s, follower[k], 0.1, t + 0.15 + 0.05 * k, t + 5, 0xa5a5);
	}
	covered(&s, 0, 11000, LULL_OBSERVED);
	judge(&s, 11000, NULL, &v);
	const struct lull_finding *f = only(&v, LULL_WOKEN_AGAIN);

	assert_int_equal(f->named, 0);
	assert_int_equal(f->suspects.at[0].ids[0], 0x200);
	lull_verdict_clear(&v);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(six_hundred_ids_are_grouped),
		cmocka_unit_test(more_ids_than_are_compared),
		cmocka_unit_test(many_modules_that_sleep_all_night),
		cmocka_unit_test(more_modules_than_can_be_told_apart),
		cmocka_unit_test(all_wakes_are_examined),
	};
	return cmocka_run_group_tests_name("many", tests, NULL, NULL);
}
