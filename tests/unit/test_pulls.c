/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pulls: unplug tests judged by trade rule 17, on small nights made by hand; and the node map learned from them. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "core/weights.h"
#include "made_night.h"

static void pull(struct script *s, double t, enum lull_mark_kind kind, const char *name)
{
	marked(s, t, kind);
	strcpy(s->marks.at[s->marks.n - 1].name, name);
}

/* The node that holds: two IDs. Three that follow, each with a clock and a delay of its own. */
static void holds(struct script *s, double from, double to)
{
	sends(s, 0x300, 0.1, from, to, 0xa5a5);
	sends_with(s, 0x310, 0x300, 0.2, from, to, 0xa5a5);
}

static void follow(struct script *s, double from, double to)
{
	sends(s, 0x3c0, 0.21, from, to + 2.5, 0xa5a5);
	sends(s, 0x3d0, 0.15, from, to + 3.4, 0xa5a5);
	sends(s, 0x3e0, 0.25, from, to + 4.1, 0xa5a5);
}

static void held_night(struct script *s, double to)
{
	parks(s, 0, 0);
	holds(s, 0, to);
	follow(s, 0, to);
}

static const struct lull_finding *held(const struct lull_verdict *v)
{
	for (size_t i = 0; i < v->findings.n; i++)
		if (v->findings.at[i].code == LULL_HELD_AWAKE)
			return &v->findings.at[i];
	fail_msg("no held-awake finding");
	return NULL;
}

static bool says(const struct lull_finding *f, const char *what)
{
	for (size_t i = 0; i < f->evidence.n; i++)
		if (strstr(f->evidence.at[i], what))
			return true;
	return false;
}

static bool has_id(const uint32_t *ids, size_t n, uint32_t id)
{
	for (size_t i = 0; i < n; i++)
		if (ids[i] == id)
			return true;
	return false;
}

static struct lull_verdict judged(struct script *s, double end, const struct lull_profile *profile)
{
	struct lull_verdict v;
	covered(s, 0, end, LULL_OBSERVED);
	judge(s, end, profile, &v);
	return v;
}

static void without_a_pull_nobody_is_named(void **state)
{
	(void)state;
	struct script s = { 0 };
	held_night(&s, 5400);
	struct lull_verdict v = judged(&s, 5400, NULL);
	const struct lull_finding *f = held(&v);
	assert_int_equal(f->named, -1);
	assert_true(f->suspects.n >= 3);
	assert_int_equal(v.pulls.n, 0);
	lull_verdict_clear(&v);
}

/* Who is left alone is known by one ID; that its other one is of the same sender, timing says, and how surely. */
static void left_alone_by_timing(void **state)
{
	(void)state;
	struct script s = { 0 };
	parks(&s, 0, 0);
	holds(&s, 0, 5400);
	sends(&s, 0x3c0, 0.21, 0, 400, 0xa5a5);
	struct lull_verdict v = judged(&s, 5400, NULL);
	const struct lull_finding *f = held(&v);
	assert_int_equal(f->named, 0);
	const struct lull_suspect *who = &f->suspects.at[0];
	assert_int_equal(who->clue, LULL_CLUE_LEFT_ALONE);
	assert_int_equal(who->id_count, 2);
	assert_true(who->kin > 0 && who->kin < 1);
	assert_true(fabs(who->confidence - case_weight(LULL_CLUE_LEFT_ALONE, 0, who->kin)) < 1e-9);
	lull_verdict_clear(&v);
}

/* A device asks until the bus goes quiet, which it does soon after another node's plug was pulled: chance, or else. Twice is no chance. */
static void a_pull_against_all_else(void **state)
{
	(void)state;
	for (int twice = 0; twice < 2; twice++) {
		struct script s = { 0 };
		held_night(&s, 3600);
		sends(&s, 0x7df, 0.5, 10, 3603, 0);
		pull(&s, 3600, LULL_MARK_UNPLUGGED, "rear lid");
		if (twice) {
			pull(&s, 3900, LULL_MARK_REPLUGGED, "rear lid");
			holds(&s, 3901, 4500);
			follow(&s, 3901.5, 4500);
			pull(&s, 4500, LULL_MARK_UNPLUGGED, "rear lid");
		}
		struct lull_verdict v = judged(&s, 6000, NULL);
		const struct lull_finding *f = held(&v);
		assert_int_equal(v.pulls.at[0].result, LULL_PULL_ENDS_IT);
		assert_true(f->named >= 0);
		assert_int_equal(strcmp(f->suspects.at[f->named].node, "rear lid") == 0, twice);
		assert_true(twice || f->suspects.at[f->named].confidence < 0.8);
		assert_true(says(f, "may be chance") == !twice);
		lull_verdict_clear(&v);
	}
}

/* The mark may come before or after the touch. */
static void a_pull_that_ends_it(void **state)
{
	(void)state;
	static const double typed[] = { -4, 0, 7 };
	for (size_t k = 0; k < sizeof typed / sizeof *typed; k++) {
		struct script s = { 0 };
		held_night(&s, 3600);
		pull(&s, 3600 + typed[k], LULL_MARK_UNPLUGGED, "rear lid");
		struct lull_verdict v = judged(&s, 5400, NULL);
		const struct lull_finding *f = held(&v);
		assert_int_equal(v.pulls.n, 1);
		assert_int_equal(v.pulls.at[0].result, LULL_PULL_ENDS_IT);
		assert_int_equal(v.pulls.at[0].id_count, 2);
		assert_true(has_id(v.pulls.at[0].ids, 2, 0x300) && has_id(v.pulls.at[0].ids, 2, 0x310));
		assert_int_equal(f->named, 0);
		assert_string_equal(f->suspects.at[0].node, "rear lid");
		assert_int_equal(f->suspects.at[0].standing, LULL_LIKELY);
		assert_int_equal(f->suspects.at[0].id_count, 2);
		assert_true(f->suspects.at[0].confidence > 0.9 && f->suspects.at[0].confidence < case_weight(LULL_CLUE_PULL_LIKELY, 0, 0));
		assert_int_equal(v.nodes.at[f->suspects.at[0].node_index].named_by, LULL_BY_LEARNED);
		double all = 0;
		for (size_t i = 0; i < f->suspects.n; i++)
			all += f->suspects.at[i].confidence;
		assert_true(all <= 1 + 1e-9);
		lull_verdict_clear(&v);
	}
}

static void a_pull_that_repeats(void **state)
{
	(void)state;
	struct script s = { 0 };
	held_night(&s, 3600);
	pull(&s, 3600, LULL_MARK_UNPLUGGED, "rear lid");
	pull(&s, 3900, LULL_MARK_REPLUGGED, "rear lid");
	holds(&s, 3901, 4500);
	follow(&s, 3901.5, 4500);
	pull(&s, 4500, LULL_MARK_UNPLUGGED, "Rear Lid");
	struct lull_verdict v = judged(&s, 6000, NULL);
	const struct lull_finding *f = held(&v);
	assert_int_equal(v.pulls.n, 2);
	assert_int_equal(v.pulls.at[0].returned, 2);
	assert_int_equal(v.pulls.at[1].standing, LULL_CONFIRMED);
	assert_int_equal(f->suspects.at[0].standing, LULL_CONFIRMED);
	assert_true(f->suspects.at[0].confidence > 0.98);
	assert_true(says(f, "confirmed"));
	lull_verdict_clear(&v);
}

/* Put back, and out again before the bus can have settled: no repeat. */
static void a_repeat_too_soon(void **state)
{
	(void)state;
	struct script s = { 0 };
	held_night(&s, 3600);
	pull(&s, 3600, LULL_MARK_UNPLUGGED, "rear lid");
	pull(&s, 3900, LULL_MARK_REPLUGGED, "rear lid");
	holds(&s, 3901, 3990);
	follow(&s, 3901.5, 3990);
	pull(&s, 3990, LULL_MARK_UNPLUGGED, "rear lid");
	struct lull_verdict v = judged(&s, 6000, NULL);
	const struct lull_finding *f = held(&v);
	assert_int_equal(v.pulls.at[1].result, LULL_PULL_COUNTS_NOT);
	assert_int_equal(f->suspects.at[0].standing, LULL_LIKELY);
	assert_true(says(f, "hands were last on the car"));
	lull_verdict_clear(&v);
}

static void the_wrong_module_first(void **state)
{
	(void)state;
	struct script s = { 0 };
	parks(&s, 0, 0);
	holds(&s, 0, 3900);
	sends(&s, 0x3c0, 0.21, 0, 3600, 0xa5a5);
	sends(&s, 0x3d0, 0.15, 0, 3903, 0xa5a5);
	sends(&s, 0x3e0, 0.25, 0, 3904, 0xa5a5);
	pull(&s, 3600, LULL_MARK_UNPLUGGED, "seat");
	pull(&s, 3900, LULL_MARK_UNPLUGGED, "rear lid");
	struct lull_verdict v = judged(&s, 6000, NULL);
	const struct lull_finding *f = held(&v);
	assert_int_equal(v.pulls.at[0].result, LULL_PULL_GOES_ON);
	assert_int_equal(v.pulls.at[1].result, LULL_PULL_ENDS_IT);
	assert_string_equal(f->suspects.at[0].node, "rear lid");
	assert_int_equal(f->named, 0);
	for (size_t i = 0; i < f->suspects.n; i++)
		assert_string_not_equal(f->suspects.at[i].node, "seat");
	lull_verdict_clear(&v);
}

/* Only the wrong one was tried: it is off the list, and nobody else is accused for that. */
static void the_wrong_module_only(void **state)
{
	(void)state;
	struct script s = { 0 };
	parks(&s, 0, 0);
	holds(&s, 0, 6000);
	sends(&s, 0x3c0, 0.21, 0, 3600, 0xa5a5);
	sends(&s, 0x3d0, 0.15, 0, 6000, 0xa5a5);
	sends(&s, 0x3e0, 0.25, 0, 6000, 0xa5a5);
	pull(&s, 3600, LULL_MARK_UNPLUGGED, "seat");
	struct lull_verdict v = judged(&s, 6000, NULL);
	const struct lull_finding *f = held(&v);
	assert_int_equal(v.pulls.at[0].result, LULL_PULL_GOES_ON);
	assert_int_equal(f->named, -1);
	assert_true(f->suspects.n >= 2);
	for (size_t i = 0; i < f->suspects.n; i++)
		assert_string_not_equal(f->suspects.at[i].node, "seat");
	assert_true(says(f, "not held by it alone"));
	lull_verdict_clear(&v);
}

static void a_pull_that_breaks_the_bus(void **state)
{
	(void)state;
	struct script s = { 0 };
	parks(&s, 0, 0);
	holds(&s, 0, 3600);
	sends(&s, 0x3c0, 0.21, 0, 3600, 0xa5a5);
	sends(&s, 0x3d0, 0.15, 0, 3600, 0xa5a5);
	sends(&s, 0x3e0, 0.25, 0, 3600, 0xa5a5);
	pull(&s, 3600, LULL_MARK_UNPLUGGED, "mirror");
	struct lull_verdict v = judged(&s, 5400, NULL);
	const struct lull_finding *f = held(&v);
	assert_int_equal(v.pulls.at[0].result, LULL_PULL_BREAKS_BUS);
	assert_int_equal(f->named, -1);
	assert_int_equal(f->suspects.at[0].standing, LULL_SEEN);
	assert_true(says(f, "proves nothing"));
	struct lull_learned *all;
	size_t n;
	assert_int_equal(lull_learn(&v, &all, &n), 0);
	assert_int_equal(n, 0);
	lull_learned_free(all, n);
	lull_verdict_clear(&v);
}

static void errors_that_rise(void **state)
{
	(void)state;
	struct script s = { 0 };
	held_night(&s, 3600);
	for (unsigned i = 0; i < 20; i++) {
		once(&s, 0x80, 3600.5 + i * 0.02, i, 1);
		s.frames.at[s.frames.n - 1].flags = LULL_FRAME_ERROR;
		s.frames.at[s.frames.n - 1].data[2] = (uint8_t)(i & 1);
	}
	pull(&s, 3600, LULL_MARK_UNPLUGGED, "mirror");
	struct lull_verdict v = judged(&s, 5400, NULL);
	assert_int_equal(v.pulls.at[0].result, LULL_PULL_BREAKS_BUS);
	assert_int_equal(held(&v)->named, -1);
	lull_verdict_clear(&v);
}

static void name_nodes(struct lull_profile *profile, size_t n, const char *const *names, const uint32_t *ids)
{
	lull_profile_init(profile);
	profile->nodes = calloc(n, sizeof *profile->nodes);
	assert_non_null(profile->nodes);
	profile->node_count = n;
	for (size_t i = 0; i < n; i++) {
		struct lull_profile_node *node = &profile->nodes[i];
		strcpy(node->name, names[i]);
		node->nm_address = node->source_address = -1;
		node->ids = malloc(sizeof *node->ids);
		assert_non_null(node->ids);
		node->ids[0] = (struct lull_id_match){ ids[i], 0xfffffff0u | LULL_ID_EXTENDED };
		node->id_count = 1;
	}
}

static const char *const names[] = { "lid", "lid light", "seat", "roof" };
static const uint32_t bases[] = { 0x300, 0x310, 0x3c0, 0x3d0 };

/* One fuse, three nodes: the circuit is named, and none of the three. */
static void a_fuse_that_feeds_three(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_profile profile;
	name_nodes(&profile, 4, names, bases);
	parks(&s, 0, 0);
	holds(&s, 0, 3600);
	sends(&s, 0x3c0, 0.21, 0, 3600, 0xa5a5);
	sends(&s, 0x3d0, 0.15, 0, 3603, 0xa5a5);
	sends(&s, 0x3e0, 0.25, 0, 3604, 0xa5a5);
	pull(&s, 3600, LULL_MARK_FUSE_OUT, "F14");
	struct lull_verdict v = judged(&s, 5400, &profile);
	const struct lull_finding *f = held(&v);
	assert_int_equal(v.pulls.at[0].result, LULL_PULL_ENDS_IT);
	assert_true(v.pulls.at[0].circuit);
	assert_int_equal(v.pulls.at[0].node, -1);
	assert_int_equal(v.pulls.at[0].id_count, 3);
	assert_int_equal(f->named, -1);
	assert_int_equal(f->suspects.n, 3);
	assert_true(says(f, "F14 feeds more than one"));
	lull_verdict_clear(&v);
	lull_profile_clear(&profile);
}

/* A fuse of one node is as good as its plug. */
static void a_fuse_that_feeds_one(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_profile profile;
	const char *const one[] = { "lid" };
	name_nodes(&profile, 1, one, bases);
	profile.nodes[0].ids[0].mask = 0xffffffe0u | LULL_ID_EXTENDED;
	held_night(&s, 3600);
	pull(&s, 3600, LULL_MARK_FUSE_OUT, "F14");
	struct lull_verdict v = judged(&s, 5400, &profile);
	const struct lull_finding *f = held(&v);
	assert_int_equal(f->named, 0);
	assert_string_equal(f->suspects.at[0].node, "lid");
	assert_int_equal(f->suspects.at[0].standing, LULL_LIKELY);
	lull_verdict_clear(&v);
	lull_profile_clear(&profile);
}

/* The mark names one node, but the IDs of another end. */
static void the_plug_of_another(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_profile profile;
	name_nodes(&profile, 4, names, bases);
	held_night(&s, 3600);
	pull(&s, 3600, LULL_MARK_UNPLUGGED, "roof");
	struct lull_verdict v = judged(&s, 5400, &profile);
	const struct lull_finding *f = held(&v);
	assert_int_equal(f->named, -1);
	assert_int_equal(v.pulls.at[0].result, LULL_PULL_COUNTS_NOT);
	for (size_t i = 0; i < f->suspects.n; i++)
		assert_int_equal(f->suspects.at[i].standing, LULL_SEEN);
	lull_verdict_clear(&v);
	lull_profile_clear(&profile);
}

/* Out: quiet. Back, held, out: goes on. Reported, not averaged. */
static void two_tests_that_contradict(void **state)
{
	(void)state;
	struct script s = { 0 };
	held_night(&s, 3600);
	pull(&s, 3600, LULL_MARK_UNPLUGGED, "rear lid");
	pull(&s, 3900, LULL_MARK_REPLUGGED, "rear lid");
	holds(&s, 3901, 4500);
	follow(&s, 3901.5, 6000);
	pull(&s, 4500, LULL_MARK_UNPLUGGED, "rear lid");
	struct lull_verdict v = judged(&s, 7000, NULL);
	const struct lull_finding *f = held(&v);
	assert_int_equal(v.pulls.at[0].result, LULL_PULL_ENDS_IT);
	assert_int_equal(v.pulls.at[1].result, LULL_PULL_GOES_ON);
	assert_int_equal(f->named, -1);
	assert_true(says(f, "contradict each other"));
	lull_verdict_clear(&v);
}

/* Pulled within the time that the bus takes by itself: it would have slept anyway. */
static void a_pull_too_soon(void **state)
{
	(void)state;
	struct script s = { 0 };
	held_night(&s, 600);
	pull(&s, 600, LULL_MARK_UNPLUGGED, "rear lid");
	struct lull_verdict v = judged(&s, 5400, NULL);
	assert_int_equal(v.pulls.at[0].result, LULL_PULL_COUNTS_NOT);
	lull_verdict_clear(&v);
}

/* Two keepers: the bus outlasts each of them. All go off one by one, so all come back, and nobody is named. */
static void each_alone_is_not_enough(void **state)
{
	(void)state;
	struct script s = { 0 };
	parks(&s, 0, 0);
	sends(&s, 0x300, 0.1, 0, 3000, 0xa5a5);
	sends(&s, 0x300, 0.1, 3200, 6000, 0xa5a5);
	sends(&s, 0x3c0, 0.21, 0, 4000, 0xa5a5);
	sends(&s, 0x3c0, 0.21, 4200, 6000, 0xa5a5);
	pull(&s, 3000, LULL_MARK_UNPLUGGED, "lid");
	pull(&s, 3199, LULL_MARK_REPLUGGED, "lid");
	pull(&s, 4000, LULL_MARK_UNPLUGGED, "seat");
	pull(&s, 4199, LULL_MARK_REPLUGGED, "seat");
	struct lull_verdict v = judged(&s, 6000, NULL);
	const struct lull_finding *f = held(&v);
	assert_int_equal(v.pulls.at[0].result, LULL_PULL_GOES_ON);
	assert_int_equal(v.pulls.at[1].result, LULL_PULL_GOES_ON);
	assert_int_equal(f->named, -1);
	assert_int_equal(f->suspects.n, 2);
	assert_true(says(f, "more than one keeps it awake"));
	lull_verdict_clear(&v);
}

/* Not everybody writes down both turns of the key. */
static void key_off_that_nobody_wrote_down(void **state)
{
	(void)state;
	struct script s = { 0 };
	held_night(&s, 3600);
	marked(&s, 2, LULL_MARK_KEY_ON);
	pull(&s, 3600, LULL_MARK_UNPLUGGED, "rear lid");
	struct lull_verdict v = judged(&s, 5400, NULL);
	assert_int_equal(v.pulls.at[0].result, LULL_PULL_ENDS_IT);
	lull_verdict_clear(&v);
}

/* A node that sends nothing cannot be seen to lose its plug: the quiet that follows may be chance. */
static void a_silent_node(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_profile profile;
	name_nodes(&profile, 4, names, bases);
	parks(&s, 0, 0);
	holds(&s, 0, 3600);
	sends(&s, 0x3e0, 0.25, 0, 3603, 0xa5a5);
	pull(&s, 3595, LULL_MARK_UNPLUGGED, "roof");
	struct lull_verdict v = judged(&s, 5400, &profile);
	assert_int_equal(v.pulls.at[0].result, LULL_PULL_COUNTS_NOT);
	assert_int_equal(held(&v)->suspects.at[0].standing, LULL_SEEN);
	assert_true(says(held(&v), "silent before it"));
	lull_verdict_clear(&v);
	lull_profile_clear(&profile);
}

/* The later the quiet, the more it may be chance. */
static void quiet_that_comes_late(void **state)
{
	(void)state;
	double confidence[2];
	for (size_t k = 0; k < 2; k++) {
		struct script s = { 0 };
		parks(&s, 0, 0);
		holds(&s, 0, 3600);
		follow(&s, 0, k ? 3609 : 3599);
		pull(&s, 3600, LULL_MARK_UNPLUGGED, "rear lid");
		struct lull_verdict v = judged(&s, 5400, NULL);
		assert_int_equal(v.pulls.at[0].result, LULL_PULL_ENDS_IT);
		confidence[k] = held(&v)->suspects.at[0].confidence;
		lull_verdict_clear(&v);
	}
	assert_true(confidence[1] < confidence[0] - 0.05);
	assert_true(confidence[1] > 0.5);
}

/* The holder's ID is slow, and followers stop before it was due again: the person's word names it, no ID is made its own. */
static void too_slow_to_tell(void **state)
{
	(void)state;
	struct script s = { 0 };
	parks(&s, 0, 0);
	sends(&s, 0x300, 1, 0, 3600, 0xa5a5);
	for (unsigned i = 0; i < 6; i++)
		sends(&s, 0x3c0 + 0x11 * i, 0.1 + 0.013 * i, 0, 3600.25 + 0.3 * i, 0xa5a5);
	pull(&s, 3601, LULL_MARK_UNPLUGGED, "rear lid");
	struct lull_verdict v = judged(&s, 5400, NULL);
	const struct lull_finding *f = held(&v);
	assert_int_equal(v.pulls.at[0].result, LULL_PULL_ENDS_IT);
	assert_int_equal(v.pulls.at[0].id_count, 0);
	assert_true(v.pulls.at[0].unclear_count >= 2);
	assert_int_equal(f->named, 0);
	assert_string_equal(f->suspects.at[0].node, "rear lid");
	assert_int_equal(f->suspects.at[0].id_count, 0);
	lull_verdict_clear(&v);
}

/* What comes after the first hand on a plug does not undo what was seen before it. */
static void blind_after_the_pull(void **state)
{
	(void)state;
	struct script s = { 0 };
	held_night(&s, 3600);
	follow(&s, 3800, 4500);
	pull(&s, 3600, LULL_MARK_UNPLUGGED, "rear lid");
	covered(&s, 0, 3600, LULL_OBSERVED);
	covered(&s, 3600, 3800, LULL_BLIND_FRAMES_LOST);
	covered(&s, 3800, 5400, LULL_OBSERVED);
	struct lull_verdict v;
	judge(&s, 5400, NULL, &v);
	assert_int_equal(held(&v)->code, LULL_HELD_AWAKE);
	assert_int_equal(v.pulls.at[0].result, LULL_PULL_COUNTS_NOT);
	lull_verdict_clear(&v);
}

static void what_is_learned(void **state)
{
	(void)state;
	struct script s = { 0 };
	parks(&s, 0, 0);
	holds(&s, 0, 3900);
	sends(&s, 0x3c0, 0.21, 0, 3600, 0xa5a5);
	sends(&s, 0x3c0, 0.21, 3700, 3903, 0xa5a5);
	sends(&s, 0x3d0, 0.15, 0, 3903, 0xa5a5);
	sends(&s, 0x3e0, 0.25, 0, 3904, 0xa5a5);
	pull(&s, 3600, LULL_MARK_UNPLUGGED, "seat");
	pull(&s, 3699, LULL_MARK_REPLUGGED, "seat");
	pull(&s, 3900 + 400, LULL_MARK_UNPLUGGED, "nobody");
	pull(&s, 3900, LULL_MARK_UNPLUGGED, "rear lid");
	struct lull_verdict v = judged(&s, 6000, NULL);
	struct lull_learned *all;
	size_t n;
	assert_int_equal(lull_learn(&v, &all, &n), 0);
	/* 200 s after the seat was put back: the lid's test is too soon after it */
	assert_int_equal(n, 1);
	assert_string_equal(all[0].name, "seat");
	assert_int_equal(all[0].id_count, 1);
	assert_int_equal(all[0].ids[0], 0x3c0);
	assert_null(all[0].conflict);
	lull_learned_free(all, n);
	lull_verdict_clear(&v);
}

/* The contract of lull_learn() by itself: joins, splits, and says what contradicts. */
static void learned_from_rows(void **state)
{
	(void)state;
	uint32_t a[] = { 0x1, 0x2 }, b[] = { 0x2 }, c[] = { 0x1, 0x3 }, slow[] = { 0x1 }, d[] = { 0x3, 0x4 };
	struct lull_pull rows[] = {
		{ .name = "one", .result = LULL_PULL_ENDS_IT, .ids = a, .id_count = 2 },
		{ .name = "ONE", .result = LULL_PULL_GOES_ON, .ids = b, .id_count = 1, .unclear = slow, .unclear_count = 1 },
		{ .name = "two", .result = LULL_PULL_GOES_ON, .ids = c, .id_count = 2 },
		{ .name = "two", .result = LULL_PULL_COUNTS_NOT, .ids = d, .id_count = 2 },
		{ .name = "three", .result = LULL_PULL_GOES_ON, .ids = d, .id_count = 2 },
		{ .name = "three", .result = LULL_PULL_GOES_ON, .ids = d, .id_count = 1 },
	};
	struct lull_verdict v = { 0 };
	v.pulls.at = rows;
	v.pulls.n = sizeof rows / sizeof *rows;
	struct lull_learned *all;
	size_t n;
	assert_int_equal(lull_learn(&v, &all, &n), 0);
	assert_int_equal(n, 3);
	assert_string_equal(all[0].name, "one");
	assert_int_equal(all[0].tests, 2);
	assert_int_equal(all[0].id_count, 1); /* 0x1 ended with two as well */
	assert_int_equal(all[0].ids[0], 0x2);
	assert_non_null(all[0].conflict);
	assert_string_equal(all[1].name, "three");
	assert_non_null(all[1].conflict); /* 0x4 only once */
	assert_int_equal(all[1].id_count, 0);
	assert_string_equal(all[2].name, "two");
	assert_int_equal(all[2].id_count, 0);
	lull_learned_free(all, n);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(without_a_pull_nobody_is_named),
		cmocka_unit_test(a_pull_that_ends_it),
		cmocka_unit_test(a_pull_that_repeats),
		cmocka_unit_test(left_alone_by_timing),
		cmocka_unit_test(a_pull_against_all_else),
		cmocka_unit_test(a_repeat_too_soon),
		cmocka_unit_test(the_wrong_module_first),
		cmocka_unit_test(the_wrong_module_only),
		cmocka_unit_test(a_pull_that_breaks_the_bus),
		cmocka_unit_test(errors_that_rise),
		cmocka_unit_test(a_fuse_that_feeds_three),
		cmocka_unit_test(a_fuse_that_feeds_one),
		cmocka_unit_test(the_plug_of_another),
		cmocka_unit_test(two_tests_that_contradict),
		cmocka_unit_test(a_pull_too_soon),
		cmocka_unit_test(each_alone_is_not_enough),
		cmocka_unit_test(key_off_that_nobody_wrote_down),
		cmocka_unit_test(a_silent_node),
		cmocka_unit_test(quiet_that_comes_late),
		cmocka_unit_test(too_slow_to_tell),
		cmocka_unit_test(blind_after_the_pull),
		cmocka_unit_test(what_is_learned),
		cmocka_unit_test(learned_from_rows),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
