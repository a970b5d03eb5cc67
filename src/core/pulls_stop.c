/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pulls_stop: which IDs fell silent with a plug, and which only after it. Pure.
 *
 * Of an ID that ends one knows its last frame and when the next was due: it fell silent between the two. What lost its plug
 * did so at one instant that fits all its IDs; followers do so later, one by one. Where IDs are slow the two cannot be told
 * apart by one test; then they are unclear, and the next test tells more. */
#include "core/pulls.h"

#include <gsl/gsl_cdf.h>
#include <stdlib.h>
#include <strings.h>

#define CHANCE 0.15 /* of so many followers stopping with the pull: from here on their doing so says nothing */
#define MANY_SENDERS 4 /* by timing alone one node may look like two or three */
#define SAME_INSTANT (60 * LULL_MS) /* stamps, batches and a slow plug */

static lull_time reach_of(const struct lull_stretch *run)
{
	return 3 * run->period_ns > LULL_SEC ? 3 * run->period_ns : LULL_SEC;
}

/* false: was not running when the mark's reach begins. */
static bool find_stop(const struct lull_case *c, size_t ident, lull_time from, lull_time to, struct stop *stop)
{
	const struct lull_stretch *const *run = c->run + c->run_at[ident];
	size_t n = c->run_count[ident], k = case_run_from(c, ident, from - 30 * LULL_SEC);
	bool running = false;

	for (; k < n && run[k]->first <= from; k++) {
		running = run[k]->kind == LULL_STRETCH_CYCLIC && run[k]->period_ns > 0 && run[k]->last >= from - reach_of(run[k]);
		if (running)
			break;
	}
	if (!running)
		return false;
	/* a change of rate or a lost frame is no stop */
	for (; k + 1 < n; k++)
		if (run[k + 1]->first - run[k]->last > reach_of(run[k]))
			break;
	*stop = (struct stop){ ident, run[k]->last, run[k]->period_ns ? run[k]->period_ns : LULL_SEC, false };
	stop->ended = run[k]->end == LULL_END_GAP && run[k]->last <= to;
	return true;
}

void pull_find_stops(const struct lull_case *c, struct test *t)
{
	lull_time at = t->p->at, to = at + PULL_LATE < t->until ? at + PULL_LATE : t->until;
	t->n = 0;
	for (size_t i = 0; i < c->v->ids.n; i++)
		if (c->v->ids.at[i].bus == t->p->bus && find_stop(c, i, at - PULL_EARLY, to, &t->stop[t->n]))
			t->n++;
}

lull_time pull_cut_by(const struct stop *s)
{
	return s->last + s->period + s->period / 4 + SAME_INSTANT;
}

int pull_owner(const struct lull_case *c, const struct stop *s)
{
	return c->v->ids.at[s->ident].node;
}

/* A ring or a family recognised by its structure alone is no proof that two of its IDs are two nodes. */
static bool told_by_layout(struct lull_case *c, unsigned bus)
{
	const struct nm_family *family = case_family(c, bus);
	return family && !family->layout.inferred;
}

bool pull_has_name(struct lull_case *c, int node)
{
	if (node < 0)
		return false;
	switch (c->v->nodes.at[node].named_by) {
	case LULL_BY_PROFILE:
	case LULL_BY_SOURCE_ADDRESS:
		return true;
	case LULL_BY_NM:
		return told_by_layout(c, c->v->nodes.at[node].bus);
	case LULL_BY_LEARNED:
	case LULL_BY_TIMING:
		return false;
	}
	return false;
}

static void keep(struct lull_case *c, uint32_t **ids, size_t *n, uint32_t id)
{
	uint32_t *grown = realloc(*ids, (*n + 1) * sizeof *grown);
	if (!grown) {
		c->oom = true;
		return;
	}
	*ids = grown;
	grown[(*n)++] = id;
}

/* Heard while it was out: what is unplugged cannot send. */
static bool heard_meanwhile(const struct lull_case *c, const struct test *t, size_t ident)
{
	/* a forgotten mark for putting it back must not spoil the test */
	lull_time back = t->p->back == LULL_NEVER ? t->cut_to + 2 * LULL_MIN : t->p->back - PULL_EARLY;
	lull_time from = t->cut_to + LULL_SEC;
	return back > from && case_first_in(c, ident, from, back) != LULL_NEVER;
}

/* Another ID of the same sender went on after the cut: no plug takes half of a node. */
static bool sender_goes_on(const struct lull_case *c, const struct test *t, int node)
{
	for (size_t i = 0; i < t->n; i++)
		if (pull_owner(c, &t->stop[i]) == node && t->stop[i].last > t->cut_to)
			return true;
	return false;
}

static bool owner_before(const struct lull_case *c, const struct test *t, size_t i)
{
	for (size_t k = 0; k < i; k++)
		if (pull_owner(c, &t->stop[k]) == pull_owner(c, &t->stop[i]))
			return true;
	return false;
}

/* When the told node, else what ended first, can have been cut. */
static bool find_cut(const struct lull_case *c, struct test *t)
{
	const struct stop *first = NULL;
	for (size_t i = 0; i < t->n; i++) {
		const struct stop *s = &t->stop[i];
		if (s->ended && (t->told < 0 || pull_owner(c, s) == t->told) && (!first || pull_cut_by(s) < pull_cut_by(first)))
			first = s;
	}
	if (!first)
		return false;
	t->cut_to = pull_cut_by(first);
	t->cut_from = first->last;
	for (size_t i = 0; i < t->n && t->told >= 0; i++) {
		const struct stop *s = &t->stop[i];
		if (s->ended && pull_owner(c, s) == t->told && s->last <= t->cut_to && s->last > t->cut_from)
			t->cut_from = s->last;
	}
	return true;
}

static bool fits(const struct lull_case *c, const struct test *t, const struct stop *s)
{
	return s->ended && s->last <= t->cut_to && pull_cut_by(s) >= t->cut_from && !heard_meanwhile(c, t, s->ident);
}

/* Followers stop one after the other; that some do so together with the pull may be chance. Its size for `together` of them, if
 * they fall anywhere between the pull and the quiet: the widest window of those that fit counts. */
static double chance_of(const struct lull_case *c, const struct test *t, unsigned together)
{
	lull_time widest = 0;
	unsigned followers = 0;
	if (t->quiet == LULL_NEVER)
		return 0;
	for (size_t i = 0; i < t->n; i++) {
		const struct stop *s = &t->stop[i];
		int node = pull_owner(c, s);
		if (node == t->told || owner_before(c, t, i))
			continue;
		followers++;
		lull_time from = LULL_NEVER, to = INT64_MAX;
		bool all = true;
		for (size_t k = i; k < t->n; k++) {
			if (pull_owner(c, &t->stop[k]) != node)
				continue;
			all &= fits(c, t, &t->stop[k]);
			from = t->stop[k].last > from ? t->stop[k].last : from;
			to = pull_cut_by(&t->stop[k]) < to ? pull_cut_by(&t->stop[k]) : to;
		}
		if (all && to - from > widest)
			widest = to - from;
	}
	lull_time window = t->cut_to - t->cut_from + widest, all = t->quiet - t->cut_from;
	if (t->told < 0 && followers)
		followers--; /* one of them is what was pulled */
	if (together > followers)
		return 0;
	return all > window ? gsl_cdf_binomial_Q(together - 1, (double)window / (double)all, followers) : 1;
}

void pull_find_ended(struct lull_case *c, struct test *t)
{
	struct lull_pull *p = t->p;
	unsigned senders = 0;

	t->named = t->named_too = -1;
	t->unsure = false;
	if (!find_cut(c, t))
		return;
	for (size_t i = 0; i < t->n; i++) {
		int node = pull_owner(c, &t->stop[i]);
		if (!fits(c, t, &t->stop[i]) || node == t->told || sender_goes_on(c, t, node))
			continue;
		if (pull_has_name(c, node) && t->named < 0)
			t->named = node;
		else if (pull_has_name(c, node) && node != t->named && t->named_too < 0)
			t->named_too = node;
		senders += !owner_before(c, t, i);
	}
	unsigned together = senders - (t->told < 0 && senders > 0);
	t->unsure = together > 0 && chance_of(c, t, together) > CHANCE;
	for (size_t i = 0; i < t->n; i++) {
		const struct stop *s = &t->stop[i];
		int node = pull_owner(c, s);
		bool own = t->told >= 0 && node == t->told, half = !own && sender_goes_on(c, t, node);
		if (!fits(c, t, s) || (half && pull_has_name(c, node)))
			continue;
		if (s->last > p->cut)
			p->cut = s->last;
		uint32_t id = c->v->ids.at[s->ident].id;
		if (!own && (half || t->unsure))
			keep(c, &p->unclear, &p->unclear_count, id);
		else
			keep(c, &p->ids, &p->id_count, id);
	}
}

const struct stop *pull_ended_before(const struct lull_case *c, const struct test *t)
{
	lull_time first = INT64_MAX;
	for (size_t i = 0; i < t->n; i++)
		if (pull_owner(c, &t->stop[i]) == t->told && t->stop[i].last < first)
			first = t->stop[i].last;
	for (size_t i = 0; i < t->n; i++)
		if (pull_owner(c, &t->stop[i]) != t->told && t->stop[i].ended && pull_cut_by(&t->stop[i]) < first)
			return &t->stop[i];
	return NULL;
}

/* The ring said that it goes to sleep: an orderly end, however sudden. */
static bool acknowledged(struct lull_case *c, unsigned bus, lull_time from, lull_time to)
{
	const struct nm_family *family = case_family(c, bus);
	if (!family || family->layout.kind != LULL_NM_OSEK || !family->layout.op_sleep_acknowledge)
		return false;
	for (size_t i = case_change_from(c, from); i < c->night->changes.n && c->night->changes.at[i].t <= to; i++) {
		const struct lull_change *row = &c->night->changes.at[i];
		for (size_t k = 0; row->bus == bus && row->len >= 2 && k < family->members.n; k++)
			if (family->members.at[k].id == row->id && (row->byte[1] & family->layout.op_sleep_acknowledge))
				return true;
	}
	return false;
}

/* Senders told apart by timing alone may be one. */
bool pull_all_at_once(struct lull_case *c, const struct test *t)
{
	lull_time latest = LULL_NEVER, earliest = INT64_MAX;
	size_t named = 0, nameless = 0;
	for (size_t i = 0; i < t->n; i++) {
		const struct stop *s = &t->stop[i];
		if (!s->ended)
			return false;
		latest = s->last > latest ? s->last : latest;
		earliest = pull_cut_by(s) < earliest ? pull_cut_by(s) : earliest;
		bool has_name = pull_has_name(c, pull_owner(c, s)), before = owner_before(c, t, i);
		named += has_name && !before;
		nameless += !has_name && !before;
	}
	if (!t->n || latest > earliest || (named < 2 && named + nameless < MANY_SENDERS))
		return false;
	return t->quiet == LULL_NEVER || !acknowledged(c, t->p->bus, earliest - 2 * LULL_SEC, t->quiet + LULL_SEC);
}
