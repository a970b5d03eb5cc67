/* SPDX-License-Identifier: GPL-3.0-or-later */
/* keeper: for which node a spell goes on. Pure.
 *
 * In this order: a tester that goes on asking; network management (trade rules 10 and 11); who is alone on the bus after
 * the others stopped one by one. Where several remain, all are listed and nobody is named. */
#include "core/case.h"

#include <math.h>
#include <stdlib.h>

#define ALONE (60 * LULL_SEC) /* alone for so long is no follow-on */
#define FOLLOW_ON (10 * LULL_SEC) /* followers outlast the keeper by up to this */

static const char *name_of(const struct lull_case *c, int node)
{
	return node < 0 ? "an unknown node" : c->v->nodes.at[node].name;
}

/* --- a tester on the port --- */

static bool keeper_asks(struct lull_case *c, struct lull_finding *f, unsigned bus, lull_time from, lull_time to)
{
	char a[32], b[32];
	for (size_t n = 0; n < c->v->nodes.n; n++) {
		if (c->v->nodes.at[n].bus != bus || !c->v->nodes.at[n].asker)
			continue;
		lull_time last = LULL_NEVER;
		uint64_t frames = 0;
		for (size_t i = 0; i < c->v->ids.n; i++) {
			if (c->v->ids.at[i].node != (int)n)
				continue;
			lull_time t = case_last_in(c, i, from, to);
			frames += c->v->ids.at[i].frames;
			if (t > last)
				last = t;
		}
		if (last == LULL_NEVER || frames < 5 || to - last > LULL_MIN)
			continue;
		case_accuse(c, f, (int)n, LULL_KEEPER, (struct ground){ LULL_CLUE_REQUESTS, 0, -1, 1 });
		case_evidence(c, f,
			case_say(c, "Diagnostic requests go on until %s before the end of the spell (%s after the key): something on the "
				    "diagnostic port asks, and the modules that answer only answer.",
				span_text(to - last, a), span_text(last - from, b)));
		return true;
	}
	return false;
}

/* --- who is left --- */

struct left {
	int node;
	int ident; /* heard last of it */
	lull_time last;
	lull_time reach; /* three periods of its slowest cyclic ID */
};

static int last_first(const void *a, const void *b)
{
	const struct left *x = a, *y = b;
	return x->last < y->last ? 1 : x->last > y->last ? -1 : 0;
}

static size_t find_left(struct lull_case *c, unsigned bus, lull_time from, lull_time to, struct left *left)
{
	size_t n = 0;
	for (size_t i = 0; i < c->v->nodes.n; i++) {
		if (c->v->nodes.at[i].bus != bus || c->v->nodes.at[i].asker)
			continue;
		struct left one = { (int)i, -1, LULL_NEVER, LULL_SEC };
		for (size_t k = 0; k < c->v->ids.n; k++) {
			const struct lull_id_info *info = &c->v->ids.at[k];
			if (info->node != (int)i || info->ignition_only || lull_id_is_answer(info->id))
				continue;
			lull_time last = case_last_in(c, k, from, to);
			if (last > one.last) {
				one.last = last;
				one.ident = (int)k;
			}
			/* the rhythm at the end counts: a parked period may be slower than a driving one */
			for (size_t r = c->run_count[k]; r-- > 0;) {
				const struct lull_stretch *s = c->run[c->run_at[k] + r];
				if (s->first > to)
					continue;
				lull_time reach = s->kind == LULL_STRETCH_CYCLIC ? 3 * s->period_ns : 3 * s->gap_max;
				if (reach > 30 * LULL_SEC)
					reach = 30 * LULL_SEC;
				if (s->last >= from && reach > one.reach)
					one.reach = reach;
				break;
			}
		}
		/* what stopped with the key, or before settling had begun, is no candidate */
		if (one.last != LULL_NEVER && one.last > from + 5 * LULL_SEC)
			left[n++] = one;
	}
	if (n)
		qsort(left, n, sizeof *left, last_first);
	return n;
}

static void keeper_left(struct lull_case *c, struct lull_finding *f, unsigned bus, lull_time from, lull_time to, bool held)
{
	struct left *left = calloc(c->v->nodes.n + 1, sizeof *left);
	char a[32], b[32];
	if (!left) {
		c->oom = true;
		return;
	}
	size_t n = find_left(c, bus, from, to, left);
	if (!n) {
		free(left);
		return;
	}
	lull_time end = held ? to : left[0].last;
	size_t still = 1;
	while (still < n && left[still].last >= end - (held ? left[still].reach : FOLLOW_ON))
		still++;
	lull_time alone = still < n ? end - left[still].last : 0;
	if (still == 1 && n == 1) {
		case_accuse(c, f, left[0].node, LULL_KEEPER, (struct ground){ LULL_CLUE_ONLY_SENDER, 0, left[0].ident, 1 });
		case_evidence(c, f, case_say(c, "Nobody but %s was heard after the key.", name_of(c, left[0].node)));
	} else if (still == 1 && alone >= ALONE) {
		case_accuse(c, f, left[0].node, LULL_KEEPER, (struct ground){ LULL_CLUE_LEFT_ALONE, 0, left[0].ident, 1 });
		case_evidence(c, f,
			case_say(c, "%s sends alone for %s: %zu other %s heard after the key had stopped, the last %s after it.",
				name_of(c, left[0].node), span_text(alone, a), n - 1, n == 2 ? "node" : "nodes",
				span_text(left[1].last - from, b)));
	} else {
		/* several, or one that outlasts the rest by no more than a follow-on */
		size_t listed = still == 1 ? 0 : still;
		if (!listed)
			while (listed < n && left[listed].last >= end - ALONE)
				listed++;
		for (size_t i = 0; i < listed; i++)
			case_accuse(c, f, left[i].node, LULL_KEEPER, (struct ground){ LULL_CLUE_LEFT_SEVERAL, 0, left[i].ident, listed });
		if (held)
			case_evidence(c, f,
				case_say(c, "%zu nodes go on sending to the end, %zu stopped before: one may hold the others, or each itself.", listed, n - listed));
		else
			case_evidence(c, f,
				case_say(c, "%zu nodes stop within %s of each other: the last one heard is not the keeper by that alone, since followers "
					    "outlast the node they follow.",
					listed, span_text(left[0].last - left[listed - 1].last, a)));
	}
	free(left);
}

/* A gateway asks for another bus: it is shown as a relay and not accused (trade rule 12). */
static void spare_gateways(struct lull_case *c, struct lull_finding *f)
{
	for (size_t i = 0; i < f->suspects.n; i++) {
		struct lull_suspect *s = &f->suspects.at[i];
		if (s->role != LULL_KEEPER || !case_node_is_gateway(c, s->node_index))
			continue;
		s->role = LULL_RELAY;
		case_evidence(c, f,
			case_say(c, "%s is a gateway: it asks for another bus. Which node behind it does, this bus does not show.", s->node));
	}
}

void case_keeper(struct lull_case *c, struct lull_finding *f, unsigned bus, lull_time from, lull_time to, bool held)
{
	const struct nm_family *family = case_family(c, bus);
	bool decided = keeper_asks(c, f, bus, from, to);
	if (!decided && family)
		decided = case_keeper_nm(c, f, family, from, to, held);
	if (!decided)
		keeper_left(c, f, bus, from, to, held);
	spare_gateways(c, f);
	case_settle_finding(f);
}
