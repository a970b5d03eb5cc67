/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Invented nights: what the frames show agrees with the truth that is told. */
#include <linux/can/error.h>
#include <math.h>
#include <setjmp.h>
#include <source/profile.h>
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
	static const char key[] = "sleep_s = ";
	const char *at = strstr(h->night.profile, key);

	assert_non_null(at);
	return strtod(at + sizeof key - 1, NULL);
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

/* Where every node stops by itself, all but the accused have done so in time. */
static void check_others_stopped(const struct heard *h)
{
	static const char *const alone[] = { "one-node-holds", "address-holds", "forwarded-bus", "late-one-node" };
	bool applies = false;

	for (size_t i = 0; i < sizeof alone / sizeof *alone; i++)
		applies |= strcmp(h->night.truth.scenario, alone[i]) == 0;
	for (unsigned k = 0; applies && k < IDS; k++) {
		const struct seen_id *id = &h->id[0][k];

		if (id->frames && !accused(h, node_of(h, 0, id->id), h->night.truth.finding[0].code))
			assert_true(1e-9 * (double)id->last < settle_s(h) + 0.9 * limit_s(h));
	}
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
	const char *name = h->night.truth.scenario;
	bool here = strcmp(name, "two-buses-back") == 0 || strcmp(name, "third-bus") == 0;
	unsigned bus = here ? 0 : h->night.bus_count - 1, wakes = 0, outside = 0, alone = 0;
	bool anybody = h->night.truth.finding[0].node[0] != 0;

	assert_true(h->night.truth.first_quiet_s > 0);
	assert_true(h->night.truth.first_quiet_s - settle_s(h) < limit_s(h));
	for (unsigned i = 0; i < h->spells[bus]; i++) {
		const struct spell *s = &h->spell[bus][i];

		if (1e-9 * (double)s->from <= h->night.truth.first_quiet_s + 1) {
			/* Whoever wakes it is first in no deliberate wake, or that would prove nothing. */
			if (strcmp(name, "wakes-known-order") == 0)
				assert_false(accused(h, node_of(h, bus, s->first_id), code));
			continue;
		}
		if (anybody)
			assert_true(accused(h, node_of(h, bus, s->first_id), code));
		wakes++;
		alone += s->alone > 0;
		outside += s->alone == 0;
	}
	assert_true(wakes >= 3);
	if (anybody)
		assert_int_equal(wakes, h->night.truth.wakes);

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

/* What is unplugged is not heard until it is back, and what held the bus alone leaves it quiet. */
static void check_pulls(const struct heard *h)
{
	const struct lull_truth *truth = &h->night.truth;
	size_t marks = 0;

	for (size_t i = 0; i < h->night.marks.n; i++) {
		const struct lull_mark *m = &h->night.marks.at[i];

		if (m->kind != LULL_MARK_UNPLUGGED && m->kind != LULL_MARK_FUSE_OUT)
			continue;
		assert_true(m->name[0]);
		assert_true(marks < truth->pull_count);

		const struct lull_truth_pull *p = &truth->pulls[marks++];
		bool quiet = false;

		assert_true(1e-9 * (double)m->t > p->at_s - 2.5 && 1e-9 * (double)m->t < p->at_s + 8.5);
		for (unsigned k = 0; k < h->spells[0]; k++) {
			double to = 1e-9 * (double)h->spell[0][k].to;

			quiet |= to > p->at_s - 1 && to < p->at_s + 25;
		}
		if (p->ends_it)
			assert_true(quiet);
	}
	assert_int_equal(marks, truth->pull_count);
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
	if (truth->pull_count) {
		check_pulls(h);
		return;
	}
	switch (truth->finding[0].code) {
	case LULL_HELD_AWAKE:
		check_held(h);
		check_others_stopped(h);
		break;
	case LULL_LATE_TO_SLEEP:
		check_late(h);
		check_others_stopped(h);
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

/* --- what NM frames say, read by the layout that the profile tells --- */

struct managed {
	struct heard *truth;
	struct lull_nm_layout nm;
	lull_time from; /* looks at frames after this */
	lull_time spell_from, last;
	unsigned active, asks_late; /* active wake-ups by others; NM after the repeat-message time by others */
	unsigned active_accused, frames, by_others;
	struct {
		uint8_t op;
		bool heard;
	} ring[256]; /* last opcode of each address */
	unsigned acknowledged;
};

static int take_managed(void *ctx, const struct lull_frame *f)
{
	struct managed *m = ctx;
	lull_time t = f->t - m->truth->night.start_utc_ns;

	if (f->flags & LULL_FRAME_ERROR)
		return 0;
	if (t - m->last > SILENCE)
		m->spell_from = t;
	m->last = t;
	if ((f->id & m->nm.ids.mask) != m->nm.ids.id || t < m->from)
		return 0;
	if (m->nm.kind == LULL_NM_OSEK) {
		unsigned address = f->id & LULL_ID_BITS & ~m->nm.ids.mask;

		assert_true(f->len == 8);
		m->ring[address].op = f->data[1];
		m->ring[address].heard = true;
		m->acknowledged += (f->data[1] & m->nm.op_sleep_acknowledge) != 0;
		return 0;
	}

	unsigned control = m->nm.control_byte >= 0 ? f->data[m->nm.control_byte] : 0;
	bool by_accused = accused(m->truth, node_of(m->truth, 0, f->id), m->truth->night.truth.finding[0].code);

	m->frames++;
	m->by_others += !by_accused;
	if (m->nm.source_byte >= 0)
		assert_int_equal(f->data[m->nm.source_byte], f->id & LULL_ID_BITS & ~m->nm.ids.mask);
	if (by_accused)
		m->active_accused += (control & 0x10) != 0;
	else
		m->active += (control & 0x10) != 0;
	if (!by_accused && t - m->spell_from > m->nm.repeat_message_ns + m->nm.cycle_ns + LULL_SEC)
		m->asks_late++;
	return 0;
}

static struct managed look_at_management(const char *scenario, uint64_t seed, bool after_quiet)
{
	struct heard *h = run(scenario, seed, true, false);
	struct lull_profile profile;
	struct lull_sim_night again;
	char err[256] = "";
	struct managed m = { .truth = h };
	struct lull_sim_options options = { .scenario = scenario, .seed = seed };
	struct lull_sim_sink sink = { .ctx = &m, .frame = take_managed };

	assert_int_equal(lull_profile_parse_text("car.ini", h->night.profile, strlen(h->night.profile), &profile, err,
				 sizeof err), 0);
	assert_int_equal(profile.nm_count, 1);
	m.nm = profile.nm[0];
	m.from = (lull_time)(1e9 * (after_quiet ? h->night.truth.first_quiet_s + 1 : settle_s(h)));
	if (strcmp(scenario, "nm-asks") == 0)
		m.from = length(h) - 40 * LULL_SEC;
	assert_int_equal(lull_sim_run(&options, &sink, &again), 0);
	lull_sim_clear(&again);
	lull_profile_clear(&profile);
	return m;
}

static void management_agrees_with_truth(void **state)
{
	(void)state;
	for (uint64_t seed = 1; seed <= 5; seed++) {
		struct managed m = look_at_management("wakes-nm", seed, true);

		assert_true(m.active_accused > 0);
		assert_int_equal(m.active, 0);
		assert_int_equal(m.asks_late, 0);
		done(m.truth);

		m = look_at_management("repeat-only", seed, true);
		assert_int_equal(m.active + m.active_accused, 0);
		assert_int_equal(m.asks_late, 0);
		done(m.truth);

		m = look_at_management("nm-asks", seed, false);
		assert_true(m.frames > 0);
		assert_int_equal(m.by_others, 0);
		done(m.truth);

		m = look_at_management("ring-holds", seed, false);
		assert_int_equal(m.acknowledged, 0);

		unsigned without = 0, with = 0;

		for (unsigned i = 0; i < 256; i++) {
			const struct lull_truth_node *n;

			if (!m.ring[i].heard)
				continue;
			with += (m.ring[i].op & m.nm.op_sleep_indication) != 0;
			if (m.ring[i].op & m.nm.op_sleep_indication)
				continue;
			n = node_of(m.truth, 0, (m.nm.ids.id & LULL_ID_BITS) | i);
			if (!(m.ring[i].op & m.nm.op_alive)) {
				assert_true(accused(m.truth, n, LULL_HELD_AWAKE));
				without++;
			}
		}
		assert_int_equal(without, 1);
		assert_true(with > 0);
		done(m.truth);

		m = look_at_management("late-ring", seed, false);
		assert_int_equal(m.acknowledged, 1);
		done(m.truth);
	}
}

/* A lone sender, by ISO 11898-1 fault confinement: +8 a try takes it to error-passive after 16; then whole copies.
 * 120 bits and 14 for passive flag, delimiter and suspension come to about 0.27 ms at 500 kbit/s. */
struct lone {
	struct lull_sim_night night;
	struct lull_frame before;
	lull_time last, spacing;
	unsigned errors, most_errors, late_errors, copies, all_copies, fine;
};

static int take_lone(void *ctx, const struct lull_frame *f)
{
	struct lone *l = ctx;

	if (f->t - l->last >= SILENCE)
		l->errors = l->copies = 0;
	l->last = f->t;
	if (f->flags & LULL_FRAME_ERROR) {
		l->errors += f->data[3] == CAN_ERR_PROT_LOC_ACK_DEL;
		l->late_errors += l->copies > 0 && f->data[3] == CAN_ERR_PROT_LOC_ACK_DEL;
		if (l->errors > l->most_errors)
			l->most_errors = l->errors;
		return 0;
	}
	if (f->id == l->before.id && !(f->id & LULL_ID_EXTENDED) && f->len == 8 && l->before.len == 8 &&
	    memcmp(f->data, l->before.data, 8) == 0 && f->t - l->before.t < 2 * LULL_MS) {
		l->copies++;
		l->all_copies++;
		l->spacing += f->t - l->before.t;
		l->fine += f->t % LULL_MS > LULL_MS / 10;
	}
	l->before = *f;
	return 0;
}

static void lone_sender_by_the_rules(void **state)
{
	unsigned seen_errors = 0, seen_copies = 0;

	(void)state;
	for (uint64_t seed = 1; seed <= 40; seed++) {
		struct lone l = { .last = INT64_MIN / 2 };
		struct lull_sim_options options = { .scenario = "wakes-one-node", .seed = seed };
		struct lull_sim_sink sink = { .ctx = &l, .frame = take_lone };
		bool fast;

		assert_int_equal(lull_sim_run(&options, &sink, &l.night), 0);
		fast = strstr(l.night.profile, "bitrate = 500000") != NULL;
		if (l.most_errors) {
			assert_in_range(l.most_errors, 16, 17); /* one more by noise at most */
			assert_int_equal(l.late_errors, 0);
			seen_errors++;
		}
		/* On average; stamps of whole milliseconds and batches say nothing about spacing. */
		if (fast && l.all_copies > 30 && l.fine * 2 > l.all_copies && l.spacing / l.all_copies > 100 * LULL_US) {
			assert_in_range(l.spacing / l.all_copies, 240 * LULL_US, 290 * LULL_US);
			seen_copies++;
		}
		lull_sim_clear(&l.night);
	}
	assert_true(seen_errors >= 3);
	assert_true(seen_copies >= 3);
}

static void profiles_can_be_read(void **state)
{
	size_t n;
	const struct lull_sim_scenario *s = lull_sim_scenarios(&n);

	(void)state;
	for (size_t i = 0; i < n; i++) {
		struct heard *h = calloc(1, sizeof *h);
		struct lull_sim_options options = {
			.scenario = s[i].name, .seed = 20, .with_profile_nodes = true, .hours = 0.05
		};
		struct lull_sim_sink sink = { .ctx = h, .frame = take_frame };
		struct lull_profile profile;
		char err[256] = "";

		/* Three minutes only: no scenario may need more to be well-behaved. */
		assert_non_null(h);
		h->last = INT64_MIN;
		assert_int_equal(lull_sim_run(&options, &sink, &h->night), 0);
		if (lull_profile_parse_text("car.ini", h->night.profile, strlen(h->night.profile), &profile, err, sizeof err))
			fail_msg("%s: %s", s[i].name, err);
		for (size_t k = 0; k < h->night.truth.node_count; k++) {
			const struct lull_truth_node *t = &h->night.truth.nodes[k];
			size_t matches = 0;

			for (size_t p = 0; p < profile.node_count; p++) {
				if (strcmp(profile.nodes[p].name, t->name) == 0 && strcmp(profile.nodes[p].bus, t->bus) == 0)
					matches += profile.nodes[p].id_count == t->id_count;
			}
			assert_int_equal(matches, strcmp(t->name, "asker") != 0);
		}
		lull_profile_clear(&profile);
		done(h);
	}
}

/* A later night is of the same car: its IDs and its profile; repaired, nobody is accused; another cause is another node. */
static void a_night_later(void **state)
{
	static const char *const some[] = { "one-node-holds", "late-nm", "wakes-ring" };

	(void)state;
	for (size_t i = 0; i < sizeof some / sizeof *some; i++) {
		struct heard *h[4];

		for (int k = 0; k < 4; k++) {
			struct lull_sim_options options = {
				.scenario = some[i], .seed = 4, .with_profile_nodes = true, .after = (enum lull_sim_after)k
			};
			struct lull_sim_sink sink = { .ctx = h[k] = calloc(1, sizeof *h[k]), .frame = take_frame };

			assert_non_null(h[k]);
			h[k]->last = INT64_MIN;
			assert_int_equal(lull_sim_run(&options, &sink, &h[k]->night), 0);
			check_night(h[k]);
			assert_string_equal(h[k]->night.profile, h[0]->night.profile);
			assert_true(k == 0 || h[k]->hash != h[0]->hash);
			assert_true(k == 0 || h[k]->night.start_utc_ns >= h[0]->night.end_utc_ns);
		}
		assert_string_equal(h[LULL_SIM_AS_BEFORE]->night.truth.finding[0].node, h[0]->night.truth.finding[0].node);
		assert_string_equal(h[LULL_SIM_REPAIRED]->night.truth.finding[0].node, "");
		assert_string_not_equal(h[LULL_SIM_ANOTHER]->night.truth.finding[0].node, h[0]->night.truth.finding[0].node);
		for (int k = 0; k < 4; k++)
			done(h[k]);
	}
	assert_true(lull_sim_has_after("nm-asks") && !lull_sim_has_after("deaf"));

	struct lull_sim_options options = { .scenario = "deaf", .after = LULL_SIM_REPAIRED };
	struct lull_sim_sink sink = { .frame = take_frame };
	struct lull_sim_night night;

	assert_int_equal(lull_sim_run(&options, &sink, &night), -22);
	lull_sim_clear(&night);
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
	static struct CMUnitTest tests[128] = {
		cmocka_unit_test(same_seed_same_night),
		cmocka_unit_test(profile_text),
		cmocka_unit_test(options_and_errors),
		cmocka_unit_test(a_night_later),
		cmocka_unit_test(profiles_can_be_read),
		cmocka_unit_test(management_agrees_with_truth),
		cmocka_unit_test(lone_sender_by_the_rules),
	};
	size_t n, count = 7;
	const struct lull_sim_scenario *s = lull_sim_scenarios(&n);
	static struct lull_sim_scenario copy[96];

	for (size_t i = 0; i < n && i < 96; i++) {
		copy[i] = s[i];
		tests[count++] = (struct CMUnitTest){
			.name = s[i].name, .test_func = frames_agree_with_truth, .initial_state = &copy[i]
		};
	}
	return _cmocka_run_group_tests("simulate", tests, count, NULL, NULL);
}
