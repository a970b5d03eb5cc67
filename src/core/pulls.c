/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pulls: unplug tests: which IDs end when a plug or a fuse is pulled, and what the bus makes of it (trade rule 17). Pure.
 *
 * What lost its plug ends at one instant, seen as last frames that lie within one period of each other; followers end later,
 * one by one or with network management's own delay. Everything at one instant is a broken bus and no answer. */
#include "core/pulls.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define FOLLOW_ON (15 * LULL_SEC) /* without network management: followers outlast the node they follow by up to this */
#define FOLLOW_MARGIN (5 * LULL_SEC)
#define HELD_AGAIN (5 * LULL_MIN) /* after putting back, where the bus has not shown how long it takes by itself */
#define ERRORS_RISE 8 /* error frames more than in as long a time before */

static bool is_out(unsigned kind)
{
	return kind == LULL_MARK_UNPLUGGED || kind == LULL_MARK_FUSE_OUT;
}

static bool is_back(unsigned kind)
{
	return kind == LULL_MARK_REPLUGGED || kind == LULL_MARK_FUSE_BACK;
}

/* Hands on the car that keep it awake for a while; taking something out does not (engineering rule 15). */
static bool disturbs(unsigned kind)
{
	return is_back(kind) || kind == LULL_MARK_KEY_ON || kind == LULL_MARK_KEY_OFF || kind == LULL_MARK_DOOR ||
		kind == LULL_MARK_OTHER;
}

/* --- one test --- */

static void say(struct lull_pull *p, enum lull_pull_result result, char *why)
{
	free(p->why);
	p->why = why;
	p->result = result;
}

static int node_named(const struct lull_case *c, unsigned bus, const char *name)
{
	for (size_t i = 0; i < c->v->nodes.n; i++)
		if (c->v->nodes.at[i].bus == bus && !strcasecmp(c->v->nodes.at[i].name, name))
			return (int)i;
	return -1;
}

/* The node map knows its IDs, even if none of them was heard. */
static bool in_profile(const struct lull_case *c, const struct lull_pull *p)
{
	for (size_t i = 0; c->profile && i < c->profile->node_count; i++) {
		const struct lull_profile_node *n = &c->profile->nodes[i];
		if (n->id_count && (!n->bus[0] || !strcmp(n->bus, c->night->bus[p->bus].name)) && !strcasecmp(n->name, p->name))
			return true;
	}
	return false;
}

static uint64_t errors_in(const struct lull_case *c, unsigned bus, lull_time from, lull_time to)
{
	uint64_t n = 0;
	for (size_t i = 0; i < c->night->edges.n; i++) {
		const struct lull_edge *e = &c->night->edges.at[i];
		if (e->frame.bus == bus && (e->frame.flags & LULL_FRAME_ERROR) && e->frame.t >= from && e->frame.t < to)
			n += e->copies;
	}
	return n;
}

static lull_time follow_on(struct lull_case *c, unsigned bus)
{
	const struct nm_family *family = case_family(c, bus);
	lull_time nm = family ? family->layout.timeout_ns + family->layout.wait_sleep_ns + FOLLOW_MARGIN : 0;
	return nm > FOLLOW_ON ? nm : FOLLOW_ON;
}

/* How long this bus stayed awake after a plug was put back, or after other hands on the car, when it then slept by itself: the
 * longest of the night; 0 unknown. */
static lull_time own_usual(const struct lull_case *c, unsigned bus, bool after_back)
{
	lull_time usual = 0;
	size_t at, n = case_bus_spells(c, bus, &at);
	for (size_t i = 0; i < n; i++) {
		const struct lull_spell *s = &c->v->spells.at[at + i];
		lull_time hands = LULL_NEVER;
		bool out = false, back = false;
		if (s->lone || !s->closed)
			continue;
		for (size_t k = 0; k < c->night->marks.n; k++) {
			const struct lull_mark *m = &c->night->marks.at[k];
			if (m->t < s->from - PULL_LATE || m->t > s->to + PULL_EARLY)
				continue;
			out |= is_out(m->kind);
			if (disturbs(m->kind)) {
				hands = m->t;
				back = is_back(m->kind);
			}
		}
		if (hands != LULL_NEVER && !out && back == after_back && s->to - hands > usual)
			usual = s->to - hands;
	}
	return usual;
}

static lull_time last_hands(const struct lull_case *c, lull_time before, bool *was_back)
{
	lull_time since = c->v->key_off;
	*was_back = false;
	for (size_t i = 0; i < c->night->marks.n; i++) {
		const struct lull_mark *m = &c->night->marks.at[i];
		if (m->t < before && disturbs(m->kind) && m->t >= since) {
			since = m->t;
			*was_back = is_back(m->kind);
		}
	}
	return since;
}

static bool key_is_on(const struct lull_case *c, lull_time at)
{
	bool on = c->v->key_off != LULL_NEVER && at < c->v->key_off;
	/* not everybody writes both down: up to key-off, whoever told it, the traffic knows */
	for (size_t i = 0; i < c->night->marks.n && c->night->marks.at[i].t <= at; i++) {
		const struct lull_mark *m = &c->night->marks.at[i];
		if (m->kind == LULL_MARK_KEY_ON && (c->v->key_off == LULL_NEVER || m->t > c->v->key_off))
			on = true;
		if (m->kind == LULL_MARK_KEY_OFF)
			on = false;
	}
	return on;
}

static const struct lull_spell *spell_at(const struct lull_case *c, unsigned bus, lull_time at)
{
	size_t first, n = case_bus_spells(c, bus, &first);
	for (size_t i = 0; i < n; i++) {
		const struct lull_spell *s = &c->v->spells.at[first + i];
		if (!s->lone && s->from <= at && s->to >= at)
			return s;
	}
	return NULL;
}

/* Had the bus outlasted what it takes by itself? Else the test is void and says why. */
static bool was_held(struct lull_case *c, struct lull_pull *p)
{
	char a[32], b[32];
	bool was_back;
	lull_time since = last_hands(c, p->at - LULL_SEC, &was_back);
	lull_time usual = own_usual(c, p->bus, was_back), wanted = usual, limit = (lull_time)(c->v->limit_sleep_s * 1e9);
	/* what a door takes says nothing of what the key takes */
	if (!was_back && wanted < limit)
		wanted = limit;
	else if (was_back && !usual)
		wanted = limit < HELD_AGAIN ? limit : HELD_AGAIN;
	lull_time held = since == LULL_NEVER ? p->at : p->at - since;
	if (held >= wanted)
		return true;
	span_text(held, a);
	span_text(wanted, b);
	say(p, LULL_PULL_COUNTS_NOT,
		usual && wanted == usual ? case_say(c, "only %s had passed since hands were last on the car, and this bus has been seen awake for %s by itself", a, b) :
			case_say(c, "only %s had passed since hands were last on the car, and it wants %s to be sure that it would not have slept by "
				    "itself", a, b));
	return false;
}

static void judge_pull(struct lull_case *c, struct test *t)
{
	struct lull_pull *p = t->p;
	char a[32];
	const struct lull_spell *spell = spell_at(c, p->bus, p->at - PULL_EARLY);

	if (key_is_on(c, p->at)) {
		say(p, LULL_PULL_COUNTS_NOT, case_say(c, "the key was on"));
		return;
	}
	if (!spell) {
		say(p, LULL_PULL_COUNTS_NOT, case_say(c, "the bus was not seen awake just before"));
		return;
	}
	lull_time follow = follow_on(c, p->bus);
	if (spell->closed && spell->to <= p->at + PULL_LATE + follow)
		t->quiet = spell->to;
	pull_find_ended(c, t);
	size_t own = 0;
	for (size_t i = 0; i < t->n; i++)
		own += t->told >= 0 && pull_owner(c, &t->stop[i]) == t->told;
	lull_time cut = p->cut != LULL_NEVER ? t->cut_to : p->at;
	bool quiet = spell->closed && spell->to <= cut + follow;
	if (quiet)
		p->quiet = spell->to;

	if (!own && (t->told >= 0 || (!p->circuit && in_profile(c, p)))) {
		say(p, LULL_PULL_COUNTS_NOT, case_say(c, "%s was silent before it: nothing shows that it lost its plug", p->name));
		return;
	}
	if (own && p->cut == LULL_NEVER) {
		say(p, LULL_PULL_COUNTS_NOT, case_say(c, "the IDs of %s went on: another plug was pulled, or the node map is wrong", p->name));
		return;
	}
	if (pull_all_at_once(c, t)) {
		say(p, LULL_PULL_BREAKS_BUS, case_say(c, "all IDs ended at once, with no order of following: it broke the bus or its gateway (a terminator, "
							    "a splice), which proves nothing"));
		return;
	}
	uint64_t before = errors_in(c, p->bus, cut - follow - 2 * LULL_SEC, cut - LULL_SEC);
	uint64_t after = errors_in(c, p->bus, cut - LULL_SEC, cut + follow);
	if (after > before + ERRORS_RISE) {
		say(p, LULL_PULL_BREAKS_BUS, case_say(c, "errors rose with it (%llu error frames): the bus itself was hurt, which proves nothing",
							 (unsigned long long)after));
		return;
	}
	int other = t->told >= 0 || t->named_too >= 0 ? t->named : -1;
	if (!p->circuit && other >= 0 && !t->unsure) {
		if (t->told >= 0)
			say(p, LULL_PULL_COUNTS_NOT, case_say(c, "IDs of %s ended at the same instant: a shared connector, splice or supply", c->v->nodes.at[other].name));
		else
			say(p, LULL_PULL_COUNTS_NOT, case_say(c, "IDs of %s and of %s ended at the same instant: more than one node lost its supply",
								    c->v->nodes.at[other].name, c->v->nodes.at[t->named_too].name));
		return;
	}
	const struct stop *before_it = quiet && own ? pull_ended_before(c, t) : NULL;
	if (before_it) {
		char id[11];
		say(p, LULL_PULL_COUNTS_NOT, case_say(c, "%s had ended before the IDs of %s did: another plug was pulled, or the node map is wrong",
						     lull_id_text(c->v->ids.at[before_it->ident].id, id), p->name));
		return;
	}
	if (quiet) {
		p->result = LULL_PULL_ENDS_IT;
		if (was_held(c, p) && !p->circuit && other >= 0)
			p->why = case_say(c, "%s stopped at about the same time, as followers do: look whether the plug feeds it too", c->v->nodes.at[other].name);
		return;
	}
	lull_time seen = (spell->to < t->until ? spell->to : t->until) - cut;
	if (spell->closed && spell->to < t->until && seen < 5 * LULL_MIN) {
		say(p, LULL_PULL_COUNTS_NOT, case_say(c, "the bus went quiet %s later: too late for followers, too soon to be sure that it goes on",
							    span_text(seen, a)));
		p->quiet = spell->to;
	} else if (seen < follow + FOLLOW_ON) {
		say(p, LULL_PULL_COUNTS_NOT, case_say(c, "the bus was watched for only %s after it", span_text(seen > 0 ? seen : 0, a)));
	} else {
		p->result = LULL_PULL_GOES_ON;
		(void)was_held(c, p);
	}
}

/* --- all tests --- */

static void find_back(const struct lull_case *c, size_t mark, struct lull_pull *p, lull_time *until)
{
	p->back = LULL_NEVER;
	*until = c->night->end;
	for (size_t k = mark + 1; k < c->night->marks.n; k++) {
		const struct lull_mark *m = &c->night->marks.at[k];
		if ((is_out(m->kind) || is_back(m->kind)) && m->t - PULL_EARLY < *until)
			*until = m->t - PULL_EARLY;
		if (is_back(m->kind) && p->back == LULL_NEVER && !strcasecmp(m->name, p->name))
			p->back = m->t;
	}
}

static void count_returned(const struct lull_case *c, struct lull_pull *p)
{
	for (size_t i = 0; p->back != LULL_NEVER && i < p->id_count; i++) {
		int ident = case_ident(c, p->bus, p->ids[i]);
		p->returned += ident >= 0 && case_first_in(c, (size_t)ident, p->back - PULL_EARLY, p->back + LULL_MIN) != LULL_NEVER;
	}
}

static void test_pull(struct lull_case *c, size_t mark, unsigned bus)
{
	const struct lull_mark *m = &c->night->marks.at[mark];
	struct lull_pull p = { .at = m->t, .cut = LULL_NEVER, .quiet = LULL_NEVER, .bus = (uint8_t)bus, .node = -1,
		.circuit = m->kind == LULL_MARK_FUSE_OUT, .result = LULL_PULL_COUNTS_NOT, .standing = LULL_SEEN };
	struct test t = { .p = &p, .quiet = LULL_NEVER, .told = -1, .cut_from = m->t, .cut_to = m->t };

	snprintf(p.name, sizeof p.name, "%s", m->name);
	find_back(c, mark, &p, &t.until);
	if (!p.circuit)
		t.told = node_named(c, bus, p.name);
	t.stop = malloc((c->v->ids.n + 1) * sizeof *t.stop);
	if (!t.stop) {
		c->oom = true;
		return;
	}
	pull_find_stops(c, &t);
	judge_pull(c, &t);
	count_returned(c, &p);
	free(t.stop);
	size_t before = c->v->pulls.n;
	CASE_PUSH(c, c->v->pulls, p);
	if (c->v->pulls.n == before) {
		free(p.ids);
		free(p.unclear);
		free(p.why);
	}
}

/* The one node that lost its plug or supply, as far as the IDs or the name tell. What a circuit feeds is not known: it tells a
 * node only where that has a name of its own, and nothing else can have ended with it. */
static int node_of_pull(struct lull_case *c, const struct lull_pull *p)
{
	int node = -1;
	if (p->circuit && (p->unclear_count || !p->id_count || !pull_has_name(c, case_node_of(c, p->bus, p->ids[0]))))
		return -1;
	for (size_t i = 0; i < p->id_count; i++) {
		int one = case_node_of(c, p->bus, p->ids[i]);
		if (one < 0 || (node >= 0 && one != node))
			return p->circuit ? -1 : node_named(c, p->bus, p->name);
		node = one;
	}
	return node >= 0 || p->circuit ? node : node_named(c, p->bus, p->name);
}

static bool put_back_between(const struct lull_case *c, const char *name, lull_time from, lull_time to)
{
	for (size_t i = 0; i < c->night->marks.n; i++) {
		const struct lull_mark *m = &c->night->marks.at[i];
		if (is_back(m->kind) && m->t > from && m->t < to && !strcasecmp(m->name, name))
			return true;
	}
	return false;
}

void case_pulls(struct lull_case *c)
{
	for (size_t i = 0; i < c->night->marks.n; i++) {
		const struct lull_mark *m = &c->night->marks.at[i];
		for (unsigned bus = 0; is_out(m->kind) && m->name[0] && bus < c->night->bus_count; bus++)
			test_pull(c, i, bus);
	}
	if (!c->v->pulls.n || c->oom)
		return;
	case_learned_names(c);
	for (size_t i = 0; i < c->v->pulls.n; i++) {
		struct lull_pull *p = &c->v->pulls.at[i];
		p->node = node_of_pull(c, p);
		if (p->result != LULL_PULL_ENDS_IT)
			continue;
		p->standing = LULL_LIKELY;
		for (size_t k = 0; k < i; k++) {
			const struct lull_pull *q = &c->v->pulls.at[k];
			if (q->result == LULL_PULL_ENDS_IT && q->bus == p->bus && q->circuit == p->circuit && !strcasecmp(q->name, p->name) &&
				put_back_between(c, p->name, q->at, p->at))
				p->standing = LULL_CONFIRMED;
		}
	}
}
