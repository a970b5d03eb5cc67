/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Invented nights: what the frames show agrees with the truth that is told. */
#include <linux/can/error.h>
#include <math.h>
#include <setjmp.h>
#include <source/simulate.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { SPELLS = 4096, SEEDS = 3 };
#define IDS 2048u
#define SILENCE (8 * LULL_SEC) /* longer than any period, shorter than a lone frame's */

struct spell {
	lull_time from, to;
	uint32_t first_id; /* of the first data frame, or LULL_ID_NONE */
	uint64_t frames;
	unsigned alone; /* acknowledge errors, and copies right behind a frame, among the first ones */
};
struct seen_id {
	uint32_t id;
	lull_time last;
	uint64_t frames;
};
struct heard {
	struct lull_sim_night night;
	struct spell spell[2][SPELLS];
	unsigned spells[2];
	struct seen_id id[2][IDS];
	lull_time last;
	struct lull_frame before[2];
	bool backwards;
	uint64_t frames, errors, samples, hash;
	int fail_after;
};

static bool is_alone(const struct heard *h, const struct lull_frame *f, const struct spell *s)
{
	const struct lull_frame *b = &h->before[f->bus];

	if (f->flags & LULL_FRAME_ERROR)
		return (f->id & CAN_ERR_PROT) && f->data[3] == CAN_ERR_PROT_LOC_ACK_DEL;
	return s->frames && s->frames < 64 && f->id == b->id && f->len == b->len &&
	       memcmp(f->data, b->data, f->len) == 0 && f->t - b->t < 3 * LULL_MS;
}

static int take_frame(void *ctx, const struct lull_frame *f)
{
	struct heard *h = ctx;
	lull_time t = f->t - h->night.start_utc_ns;
	unsigned n = h->spells[f->bus];
	struct spell *s = &h->spell[f->bus][n ? n - 1 : 0];

	assert_in_range(f->bus, 0, 1);
	assert_true(f->len <= 8);
	h->hash = (h->hash ^ (uint64_t)f->t) * 0x100000001b3u;
	h->hash = (h->hash ^ f->id) * 0x100000001b3u;
	for (unsigned i = 0; i < f->len; i++)
		h->hash = (h->hash ^ f->data[i]) * 0x100000001b3u;
	h->frames++;
	h->backwards |= t < h->last;
	h->last = t;
	if (!n || t - s->to >= SILENCE) {
		assert_true(n < SPELLS);
		s = &h->spell[f->bus][n];
		*s = (struct spell){ .from = t, .first_id = LULL_ID_NONE };
		h->spells[f->bus]++;
	}
	s->alone += is_alone(h, f, s);
	if (f->flags & LULL_FRAME_ERROR) {
		h->errors++;
	} else {
		unsigned slot = (f->id ^ f->id >> 11) % IDS;

		while (h->id[f->bus][slot].frames && h->id[f->bus][slot].id != f->id)
			slot = (slot + 1) % IDS;
		h->id[f->bus][slot].id = f->id;
		h->id[f->bus][slot].last = t;
		h->id[f->bus][slot].frames++;
		if (s->first_id == LULL_ID_NONE)
			s->first_id = f->id;
	}
	s->to = t;
	s->frames++;
	h->before[f->bus] = *f;
	return h->fail_after && (int)h->frames == h->fail_after ? -5 : 0;
}

static int take_sample(void *ctx, const struct lull_sim_sample *s)
{
	struct heard *h = ctx;

	assert_true(isfinite(s->clamp_s) && isfinite(s->mV));
	h->samples++;
	return 0;
}

static struct heard *run(const char *scenario, uint64_t seed, bool nodes, bool current)
{
	struct heard *h = calloc(1, sizeof *h);
	struct lull_sim_options options = { .scenario = scenario, .seed = seed, .with_profile_nodes = nodes };
	struct lull_sim_sink sink = { .ctx = h, .frame = take_frame, .current = current ? take_sample : NULL };

	assert_non_null(h);
	h->last = INT64_MIN;
	assert_int_equal(lull_sim_run(&options, &sink, &h->night), 0);
	return h;
}

static void done(struct heard *h)
{
	lull_sim_clear(&h->night);
	free(h);
}

static const struct lull_truth_node *node_of(const struct heard *h, unsigned bus, uint32_t id)
{
	for (size_t i = 0; i < h->night.truth.node_count; i++) {
		const struct lull_truth_node *n = &h->night.truth.nodes[i];

		for (size_t k = 0; strcmp(n->bus, h->night.bus_name[bus]) == 0 && k < n->id_count; k++) {
			if (n->ids[k] == id)
				return n;
		}
	}
	return NULL;
}

static bool accused(const struct heard *h, const struct lull_truth_node *n, enum lull_code code)
{
	for (size_t i = 0; n && i < h->night.truth.finding_count; i++) {
		const struct lull_truth_finding *f = &h->night.truth.finding[i];

		if (f->code == code && strcmp(f->node, n->name) == 0)
			return true;
	}
	return false;
}

static lull_time length(const struct heard *h)
{
	return h->night.end_utc_ns - h->night.start_utc_ns;
}

/* Key-off, or the last thing a person did after it. */
static double settle_s(const struct heard *h)
{
	double s = h->night.truth.key_off_s;

	for (size_t i = 0; i < h->night.marks.n; i++) {
		if (h->night.marks.at[i].kind != LULL_MARK_MORNING && 1e-9 * (double)h->night.marks.at[i].t > s)
			s = 1e-9 * (double)h->night.marks.at[i].t;
	}
	/* So does our own link, when it changes. */
	for (size_t i = 0; strcmp(h->night.truth.scenario, "our-glitch") == 0 && i < h->night.coverage.n; i++) {
		if (h->night.coverage.at[i].why != LULL_OBSERVED && 1e-9 * (double)h->night.coverage.at[i].to > s)
			s = 1e-9 * (double)h->night.coverage.at[i].to;
	}
	return s;
}

static double limit_s(const struct heard *h)
{
	double s = 0;

	assert_int_equal(sscanf(strstr(h->night.profile, "sleep_s = "), "sleep_s = %lf", &s), 1);
	return s;
}

/* Whoever holds the bus awake is heard to the end. */
static void check_held(const struct heard *h)
{
	for (size_t i = 0; i < h->night.truth.finding_count; i++) {
		const char *keeper = h->night.truth.finding[i].node;
		lull_time last = INT64_MIN;

		for (unsigned k = 0; k < IDS; k++) {
			const struct lull_truth_node *n = h->id[0][k].frames ? node_of(h, 0, h->id[0][k].id) : NULL;

			if (n && strcmp(n->name, keeper) == 0 && h->id[0][k].last > last)
				last = h->id[0][k].last;
		}
		assert_true(last > length(h) - 3 * LULL_SEC);
	}
	assert_true(isnan(h->night.truth.first_quiet_s));
	assert_true(1e-9 * (double)length(h) > settle_s(h) + limit_s(h) + 600);
}

static void check_late(const struct heard *h)
{
	double awake = h->night.truth.first_quiet_s - settle_s(h);

	assert_true(awake > 1.25 * limit_s(h));
	assert_true(awake < 6.5 * limit_s(h));
	assert_true(1e-9 * (double)length(h) > h->night.truth.first_quiet_s + 1800);
}

/* Spells of a bus after the first sleep: they begin with an accused node, or with nobody of the bus. */
static void check_woken(const struct heard *h, enum lull_code code)
{
	unsigned bus = h->night.bus_count - 1, wakes = 0, outside = 0, alone = 0;
	bool anybody = h->night.truth.finding[0].node[0] != 0;

	assert_true(h->night.truth.first_quiet_s > 0);
	assert_true(h->night.truth.first_quiet_s - settle_s(h) < limit_s(h));
	for (unsigned i = 0; i < h->spells[bus]; i++) {
		const struct spell *s = &h->spell[bus][i];

		if (1e-9 * (double)s->from <= h->night.truth.first_quiet_s + 1)
			continue;
		if (anybody)
			assert_true(accused(h, node_of(h, bus, s->first_id), code));
		wakes++;
		alone += s->alone > 0;
		outside += s->alone == 0;
	}
	assert_true(wakes >= 3);
	if (anybody)
		assert_int_equal(wakes, h->night.truth.wakes);

	const char *name = h->night.truth.scenario;

	if (strcmp(name, "wakes-one-node") == 0 || strcmp(name, "wakes-ring") == 0 ||
	    strcmp(name, "wakes-two-nodes") == 0 || strcmp(name, "gateway-relays") == 0 ||
	    strcmp(name, "two-buses") == 0)
		assert_int_equal(outside, 0);
	if (strcmp(name, "wakes-known-order") == 0 || strcmp(name, "wakes-acked-only") == 0 ||
	    strcmp(name, "woken-from-outside") == 0 || strcmp(name, "repeat-only") == 0)
		assert_int_equal(alone, 0);
}

static void check_good(const struct heard *h)
{
	const char *name = h->night.truth.scenario;
	double awake = 0;

	if (strcmp(name, "port-closed") == 0) {
		assert_true(1e-9 * (double)h->last < h->night.truth.key_off_s + 10);
		return;
	}
	if (strcmp(name, "clock-steps") == 0)
		return;
	assert_true(h->night.truth.first_quiet_s - settle_s(h) < limit_s(h));
	if (strcmp(name, "morning") == 0 || strcmp(name, "our-glitch") == 0)
		return;
	for (unsigned i = 0; i < h->spells[0]; i++) {
		if (1e-9 * (double)h->spell[0][i].from > h->night.truth.first_quiet_s + 1)
			awake += 1e-9 * (double)(h->spell[0][i].to - h->spell[0][i].from);
	}
	assert_true(awake < 0.01 * (1e-9 * (double)length(h) - settle_s(h)));
}

static void check_coverage(const struct heard *h)
{
	for (unsigned bus = 0; bus < h->night.bus_count; bus++) {
		lull_time at = 0;

		for (size_t i = 0; i < h->night.coverage.n; i++) {
			const struct lull_coverage *c = &h->night.coverage.at[i];

			if (c->bus != bus)
				continue;
			assert_int_equal(c->from, at);
			assert_true(c->to > c->from);
			at = c->to;
			for (unsigned k = 0; c->why != LULL_OBSERVED && k < h->spells[bus]; k++)
				assert_false(h->spell[bus][k].from > c->from && h->spell[bus][k].from < c->to);
		}
		assert_int_equal(at, length(h));
	}
}

static void check_night(const struct heard *h)
{
	const struct lull_truth *truth = &h->night.truth;
	bool steps = strcmp(truth->scenario, "clock-steps") == 0;

	assert_true(truth->finding_count > 0);
	assert_true(h->night.bus_count > 0);
	if (!steps) {
		assert_false(h->backwards);
		assert_true(h->last <= length(h));
		check_coverage(h);
	}
	for (unsigned bus = 0; bus < h->night.bus_count; bus++) {
		for (unsigned k = 0; k < IDS; k++) {
			if (h->id[bus][k].frames)
				assert_non_null(node_of(h, bus, h->id[bus][k].id));
		}
	}
	for (size_t i = 1; i < h->night.marks.n; i++)
		assert_true(h->night.marks.at[i].t >= h->night.marks.at[i - 1].t);
	switch (truth->finding[0].code) {
	case LULL_HELD_AWAKE:
		check_held(h);
		break;
	case LULL_LATE_TO_SLEEP:
		check_late(h);
		break;
	case LULL_WOKEN_AGAIN:
	case LULL_WOKEN_FROM_OUTSIDE:
		check_woken(h, truth->finding[0].code);
		break;
	case LULL_DRAW_NOT_MEASURED:
		check_good(h);
		break;
	case LULL_TOO_EARLY:
		assert_true(isnan(truth->first_quiet_s));
		assert_true(1e-9 * (double)length(h) < settle_s(h) + limit_s(h) + 600);
		break;
	case LULL_BLIND:
		assert_true(h->frames == 0 || h->night.coverage.n > 1);
		break;
	case LULL_WITHIN_LIMIT:
	case LULL_DRAW_WHILE_QUIET:
	case LULL_PULSES_WHILE_QUIET:
	case LULL_BUS_NOT_VISIBLE:
	case LULL_CLAMP_LOST:
	case LULL_CODE_COUNT:
		fail_msg("%s: no scenario of ours has that finding", truth->scenario);
	}
}

static void frames_agree_with_truth(void **state)
{
	const struct lull_sim_scenario *s = *state;

	for (uint64_t seed = 1; seed <= SEEDS; seed++) {
		struct heard *h = run(s->name, seed, false, false);

		if (getenv("LULL_SHOW_NIGHTS"))
			print_message("%s %u: %llu frames\n", s->name, (unsigned)seed, (unsigned long long)h->frames);
		check_night(h);
		done(h);
	}
}

static void same_seed_same_night(void **state)
{
	static const char *const some[] = { "one-node-holds", "wakes-one-node", "woken-from-outside" };

	(void)state;
	for (size_t i = 0; i < sizeof some / sizeof *some; i++) {
		struct heard *a = run(some[i], 7, false, false), *b = run(some[i], 7, true, true);
		struct heard *other = run(some[i], 8, false, false);

		/* Neither the profile's names nor the clamp change what is on the bus. */
		assert_int_equal(a->frames, b->frames);
		assert_true(a->hash == b->hash);
		assert_int_equal(a->night.end_utc_ns, b->night.end_utc_ns);
		assert_true(a->hash != other->hash);
		assert_int_equal(a->samples, 0);
		assert_true(b->samples > 1000);
		done(a);
		done(b);
		done(other);
	}
}

static void profile_text(void **state)
{
	(void)state;
	for (uint64_t seed = 1; seed < 12; seed++) {
		struct heard *with = run("nm-asks", seed, true, false), *without = run("nm-asks", seed, false, false);
		const char *keeper = with->night.truth.finding[0].node;
		char section[LULL_NODE_NAME + 10];
		size_t line = 0;

		snprintf(section, sizeof section, "[node %s]\n", keeper);
		assert_non_null(strstr(with->night.profile, section));
		assert_non_null(strstr(with->night.profile, "kind = autosar\n"));
		assert_null(strstr(without->night.profile, "[node"));
		for (const char *p = with->night.profile; *p; p++) {
			line = *p == '\n' ? 0 : line + 1;
			assert_true(line < 190); /* inih cuts near 198 */
		}
		done(with);
		done(without);
	}
}

static void options_and_errors(void **state)
{
	struct heard *h = calloc(1, sizeof *h);
	struct lull_sim_options options = { .scenario = "no-such-night" };
	struct lull_sim_sink sink = { .ctx = h, .frame = take_frame };

	(void)state;
	assert_non_null(h);
	assert_int_equal(lull_sim_run(&options, &sink, &h->night), -22);
	lull_sim_clear(&h->night);
	options.scenario = "one-node-holds";
	options.hours = 1.5;
	h->fail_after = 1000;
	assert_int_equal(lull_sim_run(&options, &sink, &h->night), -5);
	assert_int_equal(h->frames, 1000);
	assert_int_equal(length(h), 5400 * LULL_SEC);
	done(h);
}

int main(void)
{
	static struct CMUnitTest tests[64] = {
		cmocka_unit_test(same_seed_same_night),
		cmocka_unit_test(profile_text),
		cmocka_unit_test(options_and_errors),
	};
	size_t n, count = 3;
	const struct lull_sim_scenario *s = lull_sim_scenarios(&n);
	static struct lull_sim_scenario copy[60];

	for (size_t i = 0; i < n && i < 60; i++) {
		copy[i] = s[i];
		tests[count++] = (struct CMUnitTest){
			.name = s[i].name, .test_func = frames_agree_with_truth, .initial_state = &copy[i]
		};
	}
	return _cmocka_run_group_tests("simulate", tests, count, NULL, NULL);
}
