/* SPDX-License-Identifier: GPL-3.0-or-later */
/* made_pair: small judged nights put together by hand. */
#include "made_pair.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PUSH(array, ...) \
	do { \
		(array).at = realloc((array).at, ((array).n + 1) * sizeof *(array).at); \
		assert((array).at); \
		(array).room = (array).n + 1; \
		(array).at[(array).n++] = (__VA_ARGS__); \
	} while (0)

#define END (36000 * LULL_SEC)
#define KEY (60 * LULL_SEC)

static const char *const names[] = { "alpha", "bravo", "carol" };
static const uint32_t ids[] = { 0x100, 0x200, 0x300 };

static uint32_t *one_id(size_t i)
{
	uint32_t *id = malloc(sizeof *id);
	assert(id);
	*id = ids[i];
	return id;
}

static void add_nodes(struct lull_verdict *v, lull_time asleep)
{
	for (size_t i = 0; i < 3; i++) {
		struct lull_node node = { .named_by = LULL_BY_PROFILE, .ids = one_id(i), .id_count = 1, .clock_ppm = NAN, .awake_mA = NAN, .awake_mA_error = NAN,
			.profile_node = -1, .nm_address = -1, .source_address = -1 };
		struct lull_id_info id = { .id = ids[i], .node = (int)i, .cyclic = true, .period_ms = 100, .jitter_ms = 1, .clock_ppm = NAN, .clock_ppm_error = NAN,
			.frames = 100, .stretches = 1, .last = asleep, .last_after_key_off = i == 2 ? asleep : asleep / 2 + KEY / 2 };
		snprintf(node.name, sizeof node.name, "%s", names[i]);
		PUSH(v->nodes, node);
		PUSH(v->ids, id);
	}
}

static void add_spell(struct lull_verdict *v, enum lull_spell_kind kind, lull_time from, lull_time to)
{
	struct lull_spell s = { .kind = kind, .from = from, .to = to, .first_id = ids[0], .last_id = ids[2], .frames = 100, .waker = -1, .keeper = -1, .begun = true,
		.closed = to < END, .proof = LULL_PROOF_FRAMES_AFTER, .charge_mAs = NAN, .group = -1 };
	PUSH(v->spells, s);
}

void made_night_new(struct made_night *m, double sleep_s, size_t wakes, double quiet_mA)
{
	struct lull_verdict *v = &m->v;
	lull_time asleep = sleep_s < 0 ? END : KEY + (lull_time)(sleep_s * 1e9);

	lull_night_init(&m->night);
	memset(v, 0, sizeof *v);
	m->night.end = v->end = v->judged_to = v->observed = END;
	m->night.bus_count = 1;
	snprintf(m->night.bus[0].name, sizeof m->night.bus[0].name, "body");
	m->night.bus[0].last = END;
	v->key_off = v->settle_from = KEY;
	v->key_off_by = LULL_FROM_MARK;
	v->settle_by = LULL_FROM_KEY_OFF;
	v->limit_draw_mA = 50;
	v->limit_sleep_s = 1200;
	for (unsigned bus = 0; bus < LULL_BUS_MAX; bus++)
		v->bus[bus].first_quiet = LULL_NEVER;
	v->bus[0].representative = true;
	v->bus[0].first_quiet = sleep_s < 0 ? LULL_NEVER : asleep;
	add_nodes(v, asleep);
	add_spell(v, LULL_SPELL_SETTLING, 0, asleep);
	for (size_t i = 0; i < wakes; i++) {
		lull_time at = asleep + (END - asleep) / (lull_time)(wakes + 1) * (lull_time)(i + 1);
		add_spell(v, LULL_SPELL_WAKE, at, at + 20 * LULL_SEC);
	}
	v->current = (struct lull_current_report){ .present = isfinite(quiet_mA), .usable = isfinite(quiet_mA), .quiet_mA = quiet_mA,
		.quiet_error_mA = isfinite(quiet_mA) ? 2 : NAN, .average_mA = quiet_mA + 5, .average_error_mA = isfinite(quiet_mA) ? 2 : NAN,
		.charge_mAh = (quiet_mA + 5) * 10, .lost_at = LULL_NEVER, .zero_mA = NAN, .zero_error_mA = NAN, .logger_mA = NAN, .needed_mA = NAN,
		.clock_offset_s = NAN };
}

void made_finding(struct made_night *m, enum lull_code code, int node, enum lull_role role, double confidence)
{
	struct lull_finding f = { .code = code, .confidence = 0.95, .cost_mAh_per_day = NAN, .named = node >= 0 && confidence > 0.5 ? 0 : -1,
		.text = strdup("Made by hand.") };
	if (node >= 0) {
		struct lull_suspect s = { .role = role, .confidence = confidence, .ids = one_id((size_t)node), .id_count = 1, .node_index = node };
		snprintf(s.node, sizeof s.node, "%s", names[node]);
		PUSH(f.suspects, s);
	}
	for (size_t i = 0; i < m->v.spells.n && code == LULL_WOKEN_AGAIN; i++)
		if (m->v.spells.at[i].kind == LULL_SPELL_WAKE) {
			m->v.spells.at[i].waker = node;
			m->v.spells.at[i].first_id = ids[node];
		}
	PUSH(m->v.findings, f);
}

void made_night_free(struct made_night *m)
{
	lull_verdict_clear(&m->v);
	lull_night_clear(&m->night);
}
