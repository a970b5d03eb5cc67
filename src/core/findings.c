/* SPDX-License-Identifier: GPL-3.0-or-later */
/* findings: from the turning points of the night to the statements of the report. Pure. */
#include "core/case.h"
#include "core/weights.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HELD_MARGIN (10 * LULL_MIN) /* trade rule 3 */
#define MEASURED_ENOUGH (30 * LULL_MIN) /* of quiet before the log was lost */
#define SAY_KIN 0.95 /* below it a reader has to know which ID it is */
#define QUIET_ENOUGH (10 * LULL_MIN) /* of observed quiet, to speak of a night at all */

/* --- building --- */

struct lull_finding *case_finding(struct lull_case *c, enum lull_code code, unsigned bus, double confidence)
{
	struct lull_finding f = { .code = code, .bus = (uint8_t)bus, .confidence = confidence, .cost_mAh_per_day = NAN, .cost_error_mAh_per_day = NAN, .named = -1 };
	size_t before = c->v->findings.n;
	CASE_PUSH(c, c->v->findings, f);
	return c->v->findings.n > before ? &c->v->findings.at[before] : NULL;
}

void case_suspect(struct lull_case *c, struct lull_finding *f, int node, enum lull_role role, double confidence)
{
	if (node < 0)
		return;
	const struct lull_node *n = &c->v->nodes.at[node];
	struct lull_suspect s = { .bus = n->bus,
		.role = role,
		.standing = LULL_SEEN,
		.confidence = confidence,
		.id_count = n->id_count,
		.node_index = node };
	snprintf(s.node, sizeof s.node, "%s", n->name);
	s.ids = malloc((n->id_count + 1) * sizeof *s.ids);
	void *room = s.ids ? case_room(c, f->suspects.at, f->suspects.n, &f->suspects.room, sizeof s) : NULL;
	if (!room) {
		free(s.ids);
		c->oom = true;
		return;
	}
	if (n->id_count)
		memcpy(s.ids, n->ids, n->id_count * sizeof *s.ids);
	f->suspects.at = room;
	f->suspects.at[f->suspects.n++] = s;
}

/* Does this ID say itself whose it is? The frame of network management that named the node does, whatever timing put to it. */
static bool names_its_sender(const struct lull_case *c, size_t ident)
{
	const struct lull_id_info *info = &c->v->ids.at[ident];
	for (size_t f = 0; f < c->families.n; f++)
		for (size_t i = 0; i < c->families.at[f].members.n; i++)
			if (c->families.at[f].members.at[i].ident == ident)
				return info->node >= 0 && c->v->nodes.at[info->node].named_by == LULL_BY_NM;
	return false;
}

void case_rest_on(const struct lull_case *c, struct lull_suspect *s, struct ground on)
{
	if (on.clue == LULL_CLUE_LEFT_SEVERAL && s->node_index >= 0 && c->v->nodes.at[s->node_index].named_by == LULL_BY_TIMING)
		on.doubts |= LULL_DOUBT_GROUPED;
	s->clue = on.clue;
	s->doubts = on.doubts;
	s->kin = on.ident >= 0 && !names_its_sender(c, (size_t)on.ident) ? c->v->ids.at[on.ident].kin : 0;
	s->confidence = case_weight(on.clue, on.doubts, s->kin) / (double)on.several;
}

void case_accuse(struct lull_case *c, struct lull_finding *f, int node, enum lull_role role, struct ground on)
{
	char id[11];
	size_t before = f->suspects.n;
	case_suspect(c, f, node, role, 0);
	if (f->suspects.n > before)
		case_rest_on(c, &f->suspects.at[before], on);
	const struct lull_suspect *s = f->suspects.n > before ? &f->suspects.at[before] : NULL;
	if (s && s->kin > 0 && s->kin < SAY_KIN && on.several == 1)
		case_evidence(c, f, case_say(c, "This was seen in %s. That the other IDs shown with it are of the same sender, only timing says, and not surely "
					      "(%.2f).", lull_id_text(c->v->ids.at[on.ident].id, id), s->kin));
}

void case_text(struct lull_finding *f, char *owned)
{
	free(f->text);
	f->text = owned;
}

void case_evidence(struct lull_case *c, struct lull_finding *f, char *owned)
{
	size_t before = f->evidence.n;
	if (owned)
		CASE_PUSH(c, f->evidence, owned);
	if (owned && f->evidence.n == before)
		free(owned);
}

void case_next(struct lull_case *c, struct lull_finding *f, char *owned)
{
	size_t before = f->next.n;
	if (owned)
		CASE_PUSH(c, f->next, owned);
	if (owned && f->next.n == before)
		free(owned);
}

void case_drop_finding(struct lull_finding *f)
{
	free(f->text);
	for (size_t k = 0; k < f->suspects.n; k++)
		free(f->suspects.at[k].ids);
	free(f->suspects.at);
	for (size_t k = 0; k < f->evidence.n; k++)
		free(f->evidence.at[k]);
	free(f->evidence.at);
	for (size_t k = 0; k < f->next.n; k++)
		free(f->next.at[k]);
	free(f->next.at);
}

static int most_probable(const void *a, const void *b)
{
	const struct lull_suspect *x = a, *y = b;
	if (x->confidence != y->confidence)
		return x->confidence > y->confidence ? -1 : 1;
	return x->node_index - y->node_index;
}

void case_settle_finding(struct lull_finding *f)
{
	if (f->suspects.n)
		qsort(f->suspects.at, f->suspects.n, sizeof *f->suspects.at, most_probable);
	f->named = -1;
	if (!f->suspects.n)
		return;
	const struct lull_suspect *first = &f->suspects.at[0];
	bool accuses = first->role == LULL_KEEPER || first->role == LULL_WAKER;
	double second = f->suspects.n > 1 ? f->suspects.at[1].confidence : 0;
	if (accuses && first->confidence > 0.5 && first->confidence >= 2 * second)
		f->named = 0;
}

/* --- what was seen of one bus --- */

struct course {
	lull_time from; /* settling counts from here, but not before this bus was observed */
	lull_time to; /* end of judgement */
	lull_time awake_to; /* last frame of the settling life; LULL_NEVER: was not awake */
	bool slept; /* quiet was observed after it */
	lull_time intervened; /* first pull mark, or `to` */
	lull_time watched; /* observed and proven, from..to */
	lull_time quiet; /* of it observed after awake_to */
};

static struct course course_of(const struct lull_case *c, unsigned bus)
{
	const struct lull_verdict *v = c->v;
	struct course k = { .from = v->settle_from, .to = v->judged_to, .awake_to = LULL_NEVER };
	size_t at, n = case_bus_spells(c, bus, &at);
	lull_time settling_from = LULL_NEVER;

	k.intervened = c->first_pull != LULL_NEVER && c->first_pull < k.to ? c->first_pull : k.to;
	for (size_t i = 0; i < n; i++) {
		const struct lull_spell *s = &v->spells.at[at + i];
		if (s->lone || s->from > v->settle_from + 30 * LULL_SEC)
			continue;
		k.awake_to = s->to;
		k.slept = s->closed;
		settling_from = s->from;
	}
	/* awake on both sides of a blind time, and no sleep seen in between: one life as far as anybody can say */
	for (size_t i = 0; i < n; i++) {
		const struct lull_spell *s = &v->spells.at[at + i];
		if (settling_from != LULL_NEVER && !k.slept && !s->lone && !s->begun && s->from > k.awake_to && s->from < k.to) {
			k.awake_to = s->to;
			k.slept = s->closed;
		}
	}
	if (k.awake_to > k.to)
		k.awake_to = k.to;
	k.watched = case_observed_in(&c->observed[bus], k.from, k.to) - case_observed_in(&c->unproven[bus], k.from, k.to);
	if (k.slept && k.awake_to < k.to) {
		lull_time since = k.awake_to > k.from ? k.awake_to : k.from;
		k.quiet = case_observed_in(&c->observed[bus], since, k.to) - case_observed_in(&c->unproven[bus], since, k.to);
	}
	return k;
}

static lull_time limit_of(const struct lull_case *c)
{
	return (lull_time)llround(c->v->limit_sleep_s * 1e9);
}

/* --- findings --- */

static void say_limit(struct lull_case *c, struct lull_finding *f)
{
	char a[32];
	if (c->v->limit_source == LULL_LIMIT_RULE_OF_THUMB)
		case_evidence(c, f, case_say(c, "The limit of %s is a rule of thumb; the maker's value rules.", span_text(limit_of(c), a)));
}

/* The spells that the named keeper held up. */
static void note_keeper(struct lull_case *c, const struct lull_finding *f, lull_time from, lull_time to)
{
	int node = f->named >= 0 ? f->suspects.at[f->named].node_index : -1;
	for (size_t i = 0; i < c->v->spells.n && node >= 0; i++) {
		struct lull_spell *s = &c->v->spells.at[i];
		if (s->bus == f->bus && !s->lone && s->from <= to && s->to >= from)
			s->keeper = node;
	}
}

static void find_held(struct lull_case *c, unsigned bus, const struct course *k)
{
	char a[32], b[32];
	lull_time end = k->awake_to < k->intervened ? k->awake_to : k->intervened;
	struct lull_finding *f = case_finding(c, LULL_HELD_AWAKE, bus, 0.98);
	if (!f)
		return;
	case_text(f, case_say(c, "Bus %s did not go to sleep: awake for all of the %s observed since %s (limit %s).", c->night->bus[bus].name,
		span_text(end - k->from, a), c->v->settle_by == LULL_FROM_KEY_OFF ? "key-off" : "the last disturbance",
		span_text(limit_of(c), b)));
	case_keeper(c, f, bus, k->from, end, true);
	case_weigh_pulls(c, f);
	note_keeper(c, f, k->from, end);
	say_limit(c, f);
}

static void find_late(struct lull_case *c, unsigned bus, const struct course *k)
{
	char a[32], b[32];
	struct lull_finding *f = case_finding(c, LULL_LATE_TO_SLEEP, bus, 0.97);
	if (!f)
		return;
	case_text(f, case_say(c, "Bus %s went to sleep, but %s after %s (limit %s).", c->night->bus[bus].name,
		span_text(k->awake_to - k->from, a), c->v->settle_by == LULL_FROM_KEY_OFF ? "key-off" : "the last disturbance",
		span_text(limit_of(c), b)));
	case_keeper(c, f, bus, k->from, k->awake_to, false);
	case_weigh_pulls(c, f);
	note_keeper(c, f, k->from, k->awake_to);
	say_limit(c, f);
}

static void find_blind(struct lull_case *c, unsigned bus, const struct course *k)
{
	char a[32], b[32];
	const struct lull_bus *heard = &c->night->bus[bus];
	struct lull_finding *f = case_finding(c, LULL_BLIND, bus, 0.99);
	if (!f)
		return;
	if (heard->first == LULL_NEVER) {
		case_text(f, case_say(c, "Bus %s was never heard alive: its silence proves nothing.", heard->name));
		case_evidence(c, f, case_say(c, "Not one frame in %s of listening: a gateway in between, wrong pins, a wrong bitrate, or asleep from "
					      "the start.", span_text(case_observed_in(&c->observed[bus], 0, c->night->end), a)));
		return;
	}
	case_text(f, case_say(c, "Too little of bus %s was observed to say anything: %s of %s.", heard->name, span_text(k->watched, a),
		span_text(k->to - k->from, b)));
	lull_time unproven = case_observed_in(&c->unproven[bus], k->from, k->to);
	if (unproven > 0)
		case_evidence(c, f, case_say(c, "%s of silence is unproven: the adapter came back, and nothing has been heard since.",
			span_text(unproven, a)));
	for (size_t i = 0; i < c->v->blind.n; i++) {
		const struct lull_coverage *row = &c->v->blind.at[i];
		if (row->bus == bus && row->to > k->from && row->from < k->to && row->to - row->from >= LULL_MIN && f->evidence.n < 6)
			case_evidence(c, f, case_say(c, "Blind for %s: %s.", span_text(row->to - row->from, a),
				lull_coverage_name((enum lull_coverage_why)row->why)));
	}
}

static void find_early(struct lull_case *c, unsigned bus, const struct course *k)
{
	char a[32], b[32];
	struct lull_finding *f = case_finding(c, LULL_TOO_EARLY, bus, 0.97);
	if (!f)
		return;
	if (k->slept)
		case_text(f, case_say(c, "Bus %s fell asleep, but was observed quiet for only %s: too early to judge the night.",
			c->night->bus[bus].name, span_text(k->quiet, a)));
	else
		case_text(f, case_say(c, "Bus %s was observed for only %s since %s: too early to say that it does not go to sleep.",
			c->night->bus[bus].name, span_text(k->awake_to > k->from ? k->awake_to - k->from : 0, a),
			c->v->settle_by == LULL_FROM_KEY_OFF ? "key-off" : "the last disturbance"));
	case_evidence(c, f, case_say(c, "A car is judged from %s (limit) and 10 minutes after the last disturbance on.", span_text(limit_of(c), b)));
}

static bool single_frames(const struct lull_case *c, unsigned bus, uint32_t *id, size_t *count)
{
	*count = 0;
	for (size_t i = 0; i < c->v->spells.n; i++)
		if (c->v->spells.at[i].bus == bus && c->v->spells.at[i].lone) {
			*id = c->v->spells.at[i].first_id;
			++*count;
		}
	return *count > 0;
}

static void find_stub(struct lull_case *c, unsigned bus)
{
	struct lull_bus_report *report = &c->v->bus[bus];
	report->first_quiet = LULL_NEVER;
	struct lull_finding *f = case_finding(c, LULL_DRAW_NOT_MEASURED, bus, 0.95);
	if (!f)
		return;
	case_text(f, case_say(c, "Bus %s ends as one block at key-off: the gateway closes the port. Nothing is known of the buses behind it, and the draw %s.",
		c->night->bus[bus].name, c->v->current.usable ? "alone cannot say what sleeps" : "was not measured"));
	case_evidence(c, f, case_say(c, "All cyclic IDs that ran with the key on end together, none by itself."));
}

/* Asleep in time, nothing out of proportion: what the current says of it decides (trade rule 1). */
static void find_in_time(struct lull_case *c, unsigned bus, const struct course *k)
{
	char a[32], b[32], id_text[11];
	const struct lull_current_report *r = &c->v->current;
	double limit = c->v->limit_draw_mA;
	bool measured = r->usable && isfinite(r->quiet_mA) && isfinite(r->quiet_error_mA);
	/* a log that was lost says something of the time before, if that was long enough, and most of the quiet */
	if (measured && r->lost_at != LULL_NEVER &&
		(r->lost_at < k->awake_to + MEASURED_ENOUGH || r->lost_at - k->awake_to < (k->to - k->awake_to) / 2))
		measured = false;
	bool within = measured && case_draw_within(c);
	struct lull_finding *f = case_finding(c, within ? LULL_WITHIN_LIMIT : LULL_DRAW_NOT_MEASURED, bus, 0.95);
	if (!f)
		return;
	span_text(k->awake_to > k->from ? k->awake_to - k->from : 0, a);
	const char *since = c->v->settle_by == LULL_FROM_KEY_OFF ? "key-off" : "the last disturbance";
	if (within)
		case_text(f, case_say(c, "Bus %s fell asleep in time (%s after %s; limit %s), and the quiet draw of %.0f mA (+-%.0f) is below the limit of %.0f mA.",
			c->night->bus[bus].name, a, since, span_text(limit_of(c), b), r->quiet_mA, r->quiet_error_mA, limit));
	else if (measured && isfinite(r->scale_times))
		case_text(f, case_say(c, "Bus %s fell asleep in time (%s after %s; limit %s), but the clamp's scale or unit is in doubt, and with it the quiet draw "
				      "of %.0f mA (+-%.0f): no all-clear.", c->night->bus[bus].name, a, since, span_text(limit_of(c), b), r->quiet_mA,
			r->quiet_error_mA));
	else if (measured)
		case_text(f, case_say(c, "Bus %s fell asleep in time (%s after %s; limit %s), but the quiet draw of %.0f mA (+-%.0f) is too near the limit of %.0f mA to say.",
			c->night->bus[bus].name, a, since, span_text(limit_of(c), b), r->quiet_mA, r->quiet_error_mA, limit));
	else
		case_text(f, case_say(c, "Bus %s fell asleep in time (%s after %s; limit %s), but the draw was not measured: no all-clear.",
			c->night->bus[bus].name, a, since, span_text(limit_of(c), b)));
	if (r->present && !measured && r->usable && isfinite(r->quiet_mA) && r->lost_at != LULL_NEVER)
		case_evidence(c, f, case_say(c, "The clamp read %.0f mA (+-%.0f) with the bus quiet, but its log is no measurement for most of that time.",
			r->quiet_mA, r->quiet_error_mA));
	else if (r->present && !measured)
		case_evidence(c, f, case_say(c, "The clamp's log gives no level for the quiet time: %s.",
			r->lineup.why[0] && !r->lineup.paired ? r->lineup.why : "it is no measurement there, or none that lasts"));
	case_evidence(c, f, case_say(c, "%s of quiet was observed after it.", span_text(k->quiet, a)));
	uint32_t id = LULL_ID_NONE;
	size_t count;
	if (single_frames(c, bus, &id, &count))
		case_evidence(c, f, case_say(c, "Single frames of %s keep coming (%zu): neither an awake network nor wakes, but its sender is not quite "
					      "asleep.", lull_id_text(id, id_text), count));
	size_t wakes = 0, ours = 0;
	lull_time awake = 0;
	for (size_t i = 0; i < c->v->spells.n; i++) {
		const struct lull_spell *s = &c->v->spells.at[i];
		if (s->bus != bus || s->lone)
			continue;
		ours += s->kind == LULL_SPELL_BY_US;
		if (s->kind == LULL_SPELL_WAKE) {
			wakes++;
			awake += s->to - s->from;
		}
	}
	if (wakes)
		case_evidence(c, f, case_say(c, "%zu %s, %s in all: housekeeping, not out of proportion.", wakes, wakes == 1 ? "wake" : "wakes",
			span_text(awake, a)));
	if (ours)
		case_evidence(c, f, case_say(c, "%zu %s right after a touch or a change of our own link: caused by us.", ours,
			ours == 1 ? "wake" : "wakes"));
	if (!wakes)
		case_evidence(c, f, case_say(c, "No wake in one night still allows up to about three a night (95 %%, for wakes at random)."));
}

/* What one bus gives. `quiet_case` findings are held back until all buses are known. */
static void judge_bus(struct lull_case *c, unsigned bus)
{
	struct course k = course_of(c, bus);
	lull_time limit = limit_of(c);
	const struct lull_bus_report *report = &c->v->bus[bus];
	lull_time span = k.to - k.from;
	size_t before = c->v->findings.n;

	if (c->night->bus[bus].first == LULL_NEVER) {
		find_blind(c, bus, &k);
		return;
	}
	if (report->stub) {
		find_stub(c, bus);
		return;
	}
	bool awake = k.awake_to != LULL_NEVER && k.awake_to > k.from;
	lull_time awake_for = awake ? k.awake_to - k.from : 0;
	/* a blind time inside the settling may hide a sleep */
	lull_time to = awake && k.awake_to > k.intervened && k.intervened > k.from ? k.intervened : k.awake_to;
	bool seen_through = awake && (to - k.from - case_observed_in(&c->observed[bus], k.from, to)) <= LULL_MIN + (to - k.from) / 20;
	lull_time before_hands = awake ? (k.awake_to < k.intervened ? k.awake_to : k.intervened) - k.from : 0;
	bool held = !k.slept || (k.intervened < k.to && k.awake_to > k.intervened);

	if (awake && held && seen_through && before_hands > limit + HELD_MARGIN)
		find_held(c, bus, &k);
	else if (awake && k.slept && seen_through && awake_for > limit)
		find_late(c, bus, &k);
	else if (span > 0 && k.watched * 2 < span)
		find_blind(c, bus, &k);
	else if (!k.slept && awake && !seen_through)
		find_blind(c, bus, &k);
	else if (!k.slept)
		find_early(c, bus, &k);
	if (c->v->findings.n == before && k.quiet < QUIET_ENOUGH)
		find_early(c, bus, &k);
}

static double severity(enum lull_code code)
{
	switch (code) {
	case LULL_HELD_AWAKE: return 0;
	case LULL_DRAW_WHILE_QUIET: return 1;
	case LULL_WOKEN_AGAIN: return 2;
	case LULL_LATE_TO_SLEEP: return 3;
	case LULL_WOKEN_FROM_OUTSIDE: return 4;
	case LULL_PULSES_WHILE_QUIET: return 5;
	case LULL_BUS_NOT_VISIBLE: return 6;
	case LULL_CLAMP_LOST: return 7;
	case LULL_BLIND: return 8;
	case LULL_TOO_EARLY: return 9;
	case LULL_DRAW_NOT_MEASURED: return 10;
	case LULL_WITHIN_LIMIT: return 11;
	case LULL_CODE_COUNT: break;
	}
	return 12;
}

static int by_cost(const void *a, const void *b)
{
	const struct lull_finding *x = a, *y = b;
	bool xk = isfinite(x->cost_mAh_per_day), yk = isfinite(y->cost_mAh_per_day);
	if (xk != yk)
		return xk ? -1 : 1;
	if (xk && x->cost_mAh_per_day != y->cost_mAh_per_day)
		return x->cost_mAh_per_day > y->cost_mAh_per_day ? -1 : 1;
	double d = severity(x->code) - severity(y->code);
	return d < 0 ? -1 : d > 0 ? 1 : x->bus - y->bus;
}

static void drop_stubs_told(struct lull_case *c)
{
	bool told = false;
	for (size_t i = 0; i < c->v->findings.n; i++)
		told |= c->v->findings.at[i].code == LULL_BUS_NOT_VISIBLE;
	size_t kept = 0;
	for (size_t i = 0; i < c->v->findings.n; i++) {
		struct lull_finding *f = &c->v->findings.at[i];
		bool stub = f->bus < LULL_BUS_MAX && c->v->bus[f->bus].stub && f->code == LULL_DRAW_NOT_MEASURED;
		bool silent = f->code == LULL_BLIND && f->bus < LULL_BUS_MAX && c->night->bus[f->bus].first == LULL_NEVER;
		if (told && (stub || silent))
			case_drop_finding(f);
		else
			c->v->findings.at[kept++] = *f;
	}
	c->v->findings.n = kept;
}

void case_findings(struct lull_case *c)
{
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		judge_bus(c, bus);
	case_wakes(c);
	case_draw_findings(c);
	/* a stub of which the current says more needs no "not measured" beside it */
	drop_stubs_told(c);
	case_costs(c);

	/* asleep in time and nothing else to say of it: no all-clear without current (trade rule 1) */
	bool accused = false;
	for (size_t i = 0; i < c->v->findings.n; i++)
		accused |= c->v->findings.at[i].code != LULL_BLIND && c->v->findings.at[i].code != LULL_CLAMP_LOST;
	for (unsigned bus = 0; bus < c->night->bus_count && !accused; bus++) {
		bool spoken = false;
		for (size_t i = 0; i < c->v->findings.n; i++)
			spoken |= c->v->findings.at[i].bus == bus || (c->v->findings.at[i].bus == LULL_BUS_ALL && c->v->findings.at[i].code != LULL_CLAMP_LOST);
		struct course k = course_of(c, bus);
		if (!spoken)
			find_in_time(c, bus, &k);
	}
	if (!c->v->findings.n) {
		const struct lull_current_report *r = &c->v->current;
		struct lull_finding *f = case_finding(c, LULL_BLIND, LULL_BUS_ALL, 0.99);
		bool alone = !c->night->bus_count && r->present;
		if (f)
			case_text(f, alone ? case_say(c, "The current alone was recorded, and no bus beside it: nobody knows what was awake when.") :
					     case_say(c, "No bus was observed at all."));
		if (f && alone && isfinite(r->quiet_mA))
			case_evidence(c, f, case_say(c, "The longest steady level is %.0f mA (+-%.0f); the limit for a sleeping car is %.0f mA.", r->quiet_mA,
				r->quiet_error_mA, c->v->limit_draw_mA));
	}
	for (size_t i = 0; i < c->v->findings.n; i++)
		case_next_steps(c, &c->v->findings.at[i]);
	if (c->v->findings.n)
		qsort(c->v->findings.at, c->v->findings.n, sizeof *c->v->findings.at, by_cost);
}
