/* SPDX-License-Identifier: GPL-3.0-or-later */
/* made_verdict: a night and its verdict put together by hand, for tests of the report forms. */
#include "made_verdict.h"
#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PUSH(array, ...) \
	do { \
		if ((array).n == (array).room) { \
			(array).room = (array).room ? (array).room * 2 : 8; \
			(array).at = realloc((array).at, (array).room * sizeof *(array).at); \
			assert((array).at); \
		} \
		(array).at[(array).n++] = __VA_ARGS__; \
	} while (0)

static uint32_t *id_list(size_t n, const uint32_t *ids)
{
	uint32_t *copy = malloc(n * sizeof *copy);

	assert(copy);
	memcpy(copy, ids, n * sizeof *copy);
	return copy;
}

static char *owned(const char *text)
{
	char *copy = strdup(text);

	assert(copy);
	return copy;
}

static void add_bus(struct lull_night *night, const char *name, uint32_t rate, uint64_t frames)
{
	struct lull_bus *b = &night->bus[night->bus_count++];

	*b = (struct lull_bus){.bitrate = rate, .frames = frames, .first = 0, .last = 28000 * LULL_SEC};
	(void)snprintf(b->name, sizeof b->name, "%s", name);
}

static void add_node(
	struct lull_verdict *v, const char *name, enum lull_named_by by, size_t n, const uint32_t *ids)
{
	struct lull_node node = {.named_by = by,
		.ids = id_list(n, ids),
		.id_count = n,
		.clock_ppm = NAN,
		.awake_mA = NAN,
		.awake_mA_error = NAN,
		.profile_node = -1,
		.nm_address = -1,
		.source_address = -1};

	(void)snprintf(node.name, sizeof node.name, "%s", name);
	PUSH(v->nodes, node);
}

static void add_id(struct lull_night *night, struct lull_verdict *v, uint32_t id, int node, lull_time first,
	lull_time last, bool open)
{
	const struct lull_stretch s = {.id = id,
		.end = open ? LULL_END_OPEN : LULL_END_GAP,
		.first = first,
		.last = last,
		.frames = (uint64_t)((last - first) / (100 * LULL_MS)) + 1,
		.period_ns = 100 * LULL_MS};
	const struct lull_id_info d = {.id = id,
		.node = node,
		.cyclic = true,
		.period_ms = 100.0,
		.jitter_ms = 0.25,
		.clock_ppm = NAN,
		.clock_ppm_error = NAN,
		.frames = s.frames,
		.stretches = 1,
		.first = first,
		.last = last,
		.last_after_key_off = last};

	PUSH(night->stretches, s);
	PUSH(v->ids, d);
}

static void add_spell(struct lull_verdict *v, enum lull_spell_kind kind, lull_time from, lull_time to,
	int waker, int keeper)
{
	const struct lull_spell s = {.kind = kind,
		.from = from,
		.to = to,
		.first_id = 0x3a1,
		.last_id = 0x4c2,
		.frames = 1234,
		.waker = waker,
		.keeper = keeper,
		.closed = true,
		.proof = LULL_PROOF_FRAMES_AFTER,
		.charge_mAs = NAN, .group = -1};

	PUSH(v->spells, s);
}

static struct lull_suspect suspect(const char *node, enum lull_role role, double confidence, int index)
{
	static const uint32_t ids[] = {0x3a1, 0x98fef100u};
	struct lull_suspect s = {.role = role,
		.standing = confidence > 0.5 ? LULL_LIKELY : LULL_SEEN,
		.confidence = confidence,
		.ids = id_list(2, ids),
		.id_count = 2,
		.node_index = index};

	(void)snprintf(s.node, sizeof s.node, "%s", node);
	return s;
}

static void add_findings(struct lull_verdict *v, const char *name)
{
	struct lull_finding f = {.code = LULL_WOKEN_AGAIN,
		.confidence = 0.93,
		.cost_mAh_per_day = 412.25,
		.cost_basis = "per parked day",
		.named = 0,
		.text = owned("After it first slept, comfort was woken 40 times. Each time the same node "
			      "spoke first, and the "
			      "others followed within 120 ms.")};
	struct lull_finding g = {.code = LULL_LATE_TO_SLEEP,
		.confidence = 0.6,
		.cost_mAh_per_day = NAN,
		.named = -1,
		.text = owned(
			"comfort went to sleep 41 min 05 s after settling began; the limit is 20 min.")};

	PUSH(f.suspects, suspect(name, LULL_WAKER, 0.93, 0));
	PUSH(f.suspects, suspect("SEAT-MEMORY", LULL_WAKER, 0.04, 1));
	PUSH(f.evidence, owned("It sent first in 40 of 40 wakes; by chance that would be 3.1 of 40."));
	PUSH(f.evidence, owned("Its first frames were not acknowledged: the bus was truly asleep."));
	PUSH(f.next, owned("Look at what wakes it: its inputs and what hangs below it (switches, sub-bus)."));
	PUSH(f.next, owned("Connector and water."));
	PUSH(f.next, owned("Then unplug it and note the mark 'unplugged LIFT-GATE'."));
	PUSH(v->findings, f);
	PUSH(g.suspects, suspect("SEAT-MEMORY", LULL_KEEPER, 0.45, 1));
	PUSH(g.suspects, suspect("IDs 0x510, 0x511, 0x512", LULL_KEEPER, 0.41, 2));
	PUSH(v->findings, g);
}

static void add_rest(struct lull_night *night, struct lull_verdict *v)
{
	static const uint32_t a[] = {0x3a1, 0x98fef100u}, b[] = {0x4c2}, c[] = {0x510, 0x511, 0x512};
	const struct lull_clock_map map = {
		.t = 0, .utc_ns = INT64_C(1772750467120000000), .error_ns = LULL_SEC};
	const struct lull_coverage hole = {
		.bus = 1, .why = LULL_BLIND_CAPTURE_ENDED, .from = 28000 * LULL_SEC, .to = v->end};
	const struct lull_coverage all = {.bus = LULL_BUS_ALL,
		.why = LULL_BLIND_CLOCK_STEP,
		.from = 500 * LULL_SEC,
		.to = 501 * LULL_SEC};
	struct lull_mark mark = {
		.t = 74200 * LULL_MS, .kind = LULL_MARK_KEY_OFF, .value = NAN, .text = "key off"};
	int i;

	add_node(v, "LIFT-GATE", LULL_BY_PROFILE, 2, a);
	add_node(v, "SEAT-MEMORY", LULL_BY_NM, 1, b);
	add_node(v, "IDs 0x510, 0x511, 0x512", LULL_BY_TIMING, 3, c);
	v->nodes.at[0].clock_ppm = -47.5;
	PUSH(night->clocks, map);
	PUSH(night->marks, mark);
	PUSH(v->blind, hole);
	PUSH(v->blind, all);
	add_id(night, v, 0x3a1, 0, 0, 28790 * LULL_SEC, true);
	add_id(night, v, 0x98fef100u, 0, 0, 9000 * LULL_SEC, false);
	add_id(night, v, 0x4c2, 1, 0, 2500 * LULL_SEC, false);
	add_id(night, v, 0x510, 2, 0, 2539 * LULL_SEC, false);
	add_id(night, v, 0x511, 2, 0, 60 * LULL_SEC, false);
	add_spell(v, LULL_SPELL_SETTLING, 0, 2539 * LULL_SEC, -1, 1);
	for (i = 0; i < 40; i++)
		add_spell(v, LULL_SPELL_WAKE, (3000 + i * 600) * LULL_SEC, (3031 + i * 600) * LULL_SEC, 0,
			i % 3 ? 0 : 2);
	PUSH(v->left_out,
		owned("capture.pcap: damaged after frame 1234 (byte 56789): the record's length is 70000"));
}

static void base(struct lull_night *night, struct lull_verdict *v)
{
	unsigned b;

	lull_night_init(night);
	memset(v, 0, sizeof *v);
	night->end = v->end = 28800 * LULL_SEC;
	v->key_off = v->settle_from = 74200 * LULL_MS;
	v->key_off_by = LULL_FROM_MARK;
	v->settle_by = LULL_FROM_KEY_OFF;
	v->judged_to = 28790 * LULL_SEC;
	v->limit_draw_mA = 50;
	v->limit_sleep_s = 1200;
	v->limit_source = LULL_LIMIT_RULE_OF_THUMB;
	v->observed = 28790 * LULL_SEC;
	add_bus(night, "comfort", 500000, 1234567);
	add_bus(night, "engine", 0, 87);
	for (b = 0; b < LULL_BUS_MAX; b++) {
		v->bus[b] = (struct lull_bus_report){.load_percent = NAN,
			.first_quiet = LULL_NEVER,
			.state_at_end = LULL_BUS_BLIND,
			.quiet_time_ns = 5 * LULL_SEC};
	}
	v->bus[0] = (struct lull_bus_report){.representative = true,
		.load_percent = 12.34,
		.first_quiet = 2539 * LULL_SEC,
		.quiet_time_ns = 5 * LULL_SEC,
		.quiet_why = owned("5 s without a frame is quiet: two and a half periods of the slowest "
				   "cyclic ID, 0x510"),
		.state_at_end = LULL_BUS_QUIET,
		.proof_at_end = LULL_PROOF_NONE,
		.errors_visible = true};
	v->bus[1].stub = true;
}

void made_verdict(struct lull_night *night, struct lull_verdict *v)
{
	base(night, v);
	add_findings(v, "LIFT-GATE");
	add_rest(night, v);
}

void made_hostile(struct lull_night *night, struct lull_verdict *v)
{
	base(night, v);
	add_findings(v,
		"\033]0;owned\a\033[2J\xc2\x9b"
		"31m\xff\xfe"
		"EVIL\r\n\xe2\x80\xae"
		"X");
	add_rest(night, v);
	(void)snprintf(night->bus[0].name, sizeof night->bus[0].name, "b\033[7m\xc3(");
	(void)snprintf(v->nodes.at[0].name, sizeof v->nodes.at[0].name, "n\033c\x7f\xf0\x9f");
	(void)snprintf(night->marks.at[0].text, sizeof night->marks.at[0].text, "m\033[1A\x80");
	PUSH(v->left_out, owned("l\033[31m\xed\xa0\x80 surrogate"));
}

void made_empty(struct lull_night *night, struct lull_verdict *v)
{
	const struct lull_finding f = {.code = LULL_BLIND,
		.bus = LULL_BUS_ALL,
		.confidence = NAN,
		.cost_mAh_per_day = INFINITY,
		.named = -1,
		.text = owned("Nothing was observed.")};
	unsigned b;

	lull_night_init(night);
	memset(v, 0, sizeof *v);
	v->key_off = v->settle_from = v->judged_to = LULL_NEVER;
	v->limit_draw_mA = v->limit_sleep_s = NAN;
	for (b = 0; b < LULL_BUS_MAX; b++)
		v->bus[b].first_quiet = LULL_NEVER;
	PUSH(v->findings, f);
}

void made_free(struct lull_night *night, struct lull_verdict *v)
{
	lull_verdict_clear(v);
	lull_night_clear(night);
}
