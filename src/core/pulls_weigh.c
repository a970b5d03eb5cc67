/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pulls_weigh: what the unplug tests of a night say of the keepers of a finding. Pure.
 *
 * A test that ends it names the node, even where other evidence left several; one that does not takes its node off the list;
 * tests that contradict each other are told and decide nothing (trade rule 17). */
#include "core/case.h"
#include "core/weights.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

struct said {
	bool ends, goes_on;
	enum lull_standing standing;
	double meant; /* probability that the quiet after a test was no chance; of the best test */
};

static void with_ids(const struct lull_pull *p, char *buf, size_t size)
{
	char id[11];
	size_t at = 0;
	buf[0] = 0;
	for (size_t i = 0; i < p->id_count && i < 3 && at < size; i++) {
		int n = snprintf(buf + at, size - at, "%s%s", i ? ", " : "", lull_id_text(p->ids[i], id));
		at += n > 0 ? (size_t)n : 0;
	}
}

static char *tell_current(struct lull_case *c, const struct lull_pull *p)
{
	double e1, e2;
	if (!c->draw_n || p->quiet == LULL_NEVER)
		return NULL;
	double before = case_mean_mA(c, p->at - 50 * LULL_SEC, p->at - 20 * LULL_SEC, &e1);
	double after = case_mean_mA(c, p->quiet + 10 * LULL_SEC, p->quiet + 40 * LULL_SEC, &e2);
	if (!isfinite(before) || !isfinite(after))
		return NULL;
	return case_say(c, " The current goes from %.0f to %.0f mA.", before, after);
}

static void tell(struct lull_case *c, struct lull_finding *f, const struct lull_pull *p)
{
	char ids[64], a[32], more[32] = "";
	const char *what = p->circuit ? "Fuse test" : "Unplug test", *how = p->circuit ? "out" : "unplugged";

	with_ids(p, ids, sizeof ids);
	if (p->id_count > 3)
		snprintf(more, sizeof more, " and %zu more", p->id_count - 3);
	char *ended = p->id_count ? case_say(c, "%s%s %s", ids, more, p->id_count == 1 ? "ends" : "end") :
				    case_say(c, "no ID ends with it that could be told");
	const char *end = ended ? ended : "";
	switch (p->result) {
	case LULL_PULL_ENDS_IT: {
		char *current = tell_current(c, p);
		case_evidence(c, f, case_say(c, "%s: with %s %s, %s and the bus goes quiet %s later: %s.%s", what, p->name, how, end,
			span_text(p->quiet - (p->cut != LULL_NEVER ? p->cut : p->at), a), lull_standing_name(p->standing), current ? current : ""));
		free(current);
		break;
	}
	case LULL_PULL_GOES_ON:
		case_evidence(c, f, case_say(c, "%s: with %s %s, %s and the bus stays awake: not held by it alone.", what, p->name, how, end));
		break;
	case LULL_PULL_BREAKS_BUS:
	case LULL_PULL_COUNTS_NOT:
		case_evidence(c, f, case_say(c, "%s of %s does not count: %s.", what, p->name, p->why ? p->why : "nothing was seen"));
		break;
	}
	free(ended);
	if (p->circuit && p->result == LULL_PULL_ENDS_IT && p->node < 0)
		case_evidence(c, f, case_say(c, "The circuit %s feeds more than one sender: pull the plugs behind it one by one to tell which.", p->name));
	if (p->back != LULL_NEVER && p->returned < p->id_count)
		case_evidence(c, f, case_say(c, "After putting %s back %zu of its %zu IDs were not heard again within a minute.", p->name,
			p->id_count - p->returned, p->id_count));
}

static void off(struct lull_finding *f, size_t i)
{
	free(f->suspects.at[i].ids);
	memmove(&f->suspects.at[i], &f->suspects.at[i + 1], (f->suspects.n - i - 1) * sizeof *f->suspects.at);
	f->suspects.n--;
}

static struct lull_suspect *suspect_of(struct lull_finding *f, int node)
{
	for (size_t i = 0; i < f->suspects.n; i++)
		if (f->suspects.at[i].node_index == node)
			return &f->suspects.at[i];
	return NULL;
}

static struct lull_suspect *want_suspect(struct lull_case *c, struct lull_finding *f, int node)
{
	if (!suspect_of(f, node))
		case_suspect(c, f, node, case_node_is_gateway(c, node) ? LULL_RELAY : LULL_KEEPER, 0);
	return suspect_of(f, node);
}

/* An ID of the node ended with a pull that ended it: what was pulled may be this node as well. */
static bool fell_too(const struct lull_case *c, unsigned bus, int node)
{
	for (size_t i = 0; i < c->v->pulls.n; i++) {
		const struct lull_pull *p = &c->v->pulls.at[i];
		if (p->bus != bus || p->result != LULL_PULL_ENDS_IT)
			continue;
		for (size_t k = 0; k < p->id_count + p->unclear_count; k++)
			if (case_node_of(c, bus, k < p->id_count ? p->ids[k] : p->unclear[k - p->id_count]) == node)
				return true;
	}
	return false;
}

/* Where all else named another node, a quiet that follows one pull is so much likelier chance (Bayes). */
static double meant_against(struct lull_case *c, struct lull_finding *f, int node, const struct said *said)
{
	const struct lull_suspect *other = f->named >= 0 ? &f->suspects.at[f->named] : NULL;
	if (!other || other->node_index == node || fell_too(c, f->bus, other->node_index))
		return said->meant;
	double meant = said->meant * (1 - other->confidence), chance = (1 - said->meant) * other->confidence;
	case_evidence(c, f, case_say(c, "All else speaks for %s, so that the quiet after this one test may be chance. Pull it once more: twice the same "
				      "is hardly chance.", other->node));
	return meant + chance > 0 ? meant / (meant + chance) : 0;
}

/* One node, and no contradiction: it is named, and the rest share what is left. */
static void name_it(struct lull_case *c, struct lull_finding *f, int node, const struct said *said)
{
	struct lull_suspect *s = want_suspect(c, f, node);
	enum lull_standing standing = said->standing;
	enum lull_clue clue = standing == LULL_CONFIRMED ? LULL_CLUE_PULL_CONFIRMED : LULL_CLUE_PULL_LIKELY;
	if (!s)
		return;
	double weight = case_weight(clue, 0, 0) * (standing == LULL_CONFIRMED ? 1 : meant_against(c, f, node, said)), rest = 0;
	s->standing = standing;
	if (s->role == LULL_RELAY) {
		case_evidence(c, f, case_say(c, "%s is a gateway: the test does not tell it from what lies behind it.", s->node));
		return;
	}
	for (size_t i = 0; i < f->suspects.n; i++)
		rest += f->suspects.at[i].node_index != node ? f->suspects.at[i].confidence : 0;
	for (size_t i = 0; i < f->suspects.n; i++)
		if (f->suspects.at[i].node_index != node && rest > 1 - weight)
			f->suspects.at[i].confidence *= (1 - weight) / rest;
	if (weight > s->confidence) {
		case_rest_on(c, s, (struct ground){ clue, 0, -1, 1 });
		s->confidence = weight;
	}
}

/* Several that each ended it, or that a circuit feeds: all are listed, none is named. */
static void list_them(struct lull_case *c, struct lull_finding *f, const bool *listed, size_t nodes)
{
	size_t n = 0;
	for (size_t i = 0; i < nodes; i++)
		n += listed[i];
	for (size_t i = f->suspects.n; i-- > 0;)
		if (f->suspects.at[i].node_index < 0 || !listed[f->suspects.at[i].node_index])
			off(f, i);
	for (size_t i = 0; i < nodes && n; i++) {
		struct lull_suspect *s = listed[i] ? want_suspect(c, f, (int)i) : NULL;
		if (!s)
			continue;
		case_rest_on(c, s, (struct ground){ LULL_CLUE_PULL_SEVERAL, 0, -1, n });
		if (n == 1) /* one that a circuit feeds may not be all that it feeds */
			s->confidence = 0.5, s->clue = LULL_CLUE_NONE;
	}
}

/* Nodes whose test left the bus awake go off the list; what they had falls to those that remain. */
static void clear_of(struct lull_case *c, struct lull_finding *f, const struct said *said, bool ended)
{
	double all = 0, left = 0;
	size_t gone = 0, keepers = 0;
	for (size_t i = 0; i < f->suspects.n; i++) {
		const struct lull_suspect *s = &f->suspects.at[i];
		bool cleared = s->node_index >= 0 && said[s->node_index].goes_on && !said[s->node_index].ends;
		keepers += s->role == LULL_KEEPER;
		gone += cleared;
		all += s->confidence;
		left += cleared ? 0 : s->confidence;
	}
	if (!gone)
		return;
	if (gone == f->suspects.n && keepers > 1 && !ended) {
		for (size_t i = 0; i < f->suspects.n; i++)
			case_rest_on(c, &f->suspects.at[i], (struct ground){ LULL_CLUE_PULL_SEVERAL, 0, -1, f->suspects.n });
		case_evidence(c, f, case_say(c, "Each of them was taken out alone, and the bus went on each time: more than one keeps it awake, or one "
					      "that was not listed. Take them out together."));
		return;
	}
	for (size_t i = f->suspects.n; i-- > 0;) {
		int node = f->suspects.at[i].node_index;
		if (node >= 0 && said[node].goes_on && !said[node].ends)
			off(f, i);
		else if (left > 0)
			f->suspects.at[i].confidence *= all / left;
	}
}

/* That the bus went quiet because of the pull, and did not just then do so by itself. A bus that has been awake so long ends by
 * itself in the next seconds with a chance of about those seconds over that time; what follows a pull follows soon. */
static double meant(struct lull_case *c, const struct lull_pull *p)
{
	const struct nm_family *family = case_family(c, p->bus);
	lull_time cut = p->cut != LULL_NEVER ? p->cut : p->at, since = c->v->settle_from;
	double delay = lull_seconds(p->quiet - cut) - (family ? lull_seconds(family->layout.timeout_ns) : 0);
	for (size_t i = 0; i < c->v->pulls.n; i++)
		if (c->v->pulls.at[i].back != LULL_NEVER && c->v->pulls.at[i].back < p->at && c->v->pulls.at[i].back > since)
			since = c->v->pulls.at[i].back;
	double awake = fmax(lull_seconds(cut - since), 1);
	double follows = PULL_BEFORE * exp(-fmax(delay, 0) / PULL_FOLLOW_S) / PULL_FOLLOW_S;
	return follows / (follows + 1 / awake);
}

/* The node that this test was of, by another test of the same name where this one shows no ID that ended with it; -1. */
static int same_name(const struct lull_case *c, const struct lull_pull *p)
{
	for (size_t i = 0; i < c->v->pulls.n && !p->circuit && !p->id_count; i++) {
		const struct lull_pull *other = &c->v->pulls.at[i];
		if (other == p || other->bus != p->bus || other->circuit || strcasecmp(other->name, p->name) != 0)
			continue;
		if (other->node >= 0)
			return other->node;
		if (other->id_count)
			return case_node_of(c, other->bus, other->ids[0]);
	}
	return -1;
}

/* What each test adds to the nodes; circuits name a node only if it is the only one that ended. */
static void collect(struct lull_case *c, const struct lull_finding *f, struct said *said, bool *fed)
{
	for (size_t i = 0; i < c->v->pulls.n; i++) {
		const struct lull_pull *p = &c->v->pulls.at[i];
		if (p->bus != f->bus)
			continue;
		int of = p->node >= 0 ? p->node : same_name(c, p);
		if (p->result == LULL_PULL_ENDS_IT && of >= 0) {
			said[of].ends = true;
			said[of].meant = fmax(said[of].meant, meant(c, p));
			if (p->standing > said[of].standing)
				said[of].standing = p->standing;
		}
		if (p->result == LULL_PULL_GOES_ON && p->node >= 0)
			said[p->node].goes_on = true;
		for (size_t k = 0; k < p->id_count + p->unclear_count && p->node < 0; k++) {
			bool sure = k < p->id_count;
			int node = case_node_of(c, p->bus, sure ? p->ids[k] : p->unclear[k - p->id_count]);
			if (!sure && p->result != LULL_PULL_ENDS_IT)
				continue;
			if (node >= 0 && p->result == LULL_PULL_GOES_ON)
				said[node].goes_on = true;
			if (node >= 0 && p->result == LULL_PULL_ENDS_IT)
				fed[node] = true;
		}
	}
}

/* Beside a test a name looks surer than it is: whose plug that is, the frames' structure alone has told. */
static void say_inferred(struct lull_case *c, struct lull_finding *f)
{
	const struct nm_family *family = case_family(c, f->bus);
	for (size_t i = 0; family && family->layout.inferred && i < f->suspects.n; i++) {
		int node = f->suspects.at[i].node_index;
		if (node < 0 || c->v->nodes.at[node].named_by != LULL_BY_NM)
			continue;
		case_evidence(c, f, case_say(c, "A name such as %s was inferred from how its frames are made, not told by a profile: which plug that is, only "
					      "a test shows.", f->suspects.at[i].node));
		return;
	}
}

void case_weigh_pulls(struct lull_case *c, struct lull_finding *f)
{
	size_t nodes = c->v->nodes.n, ends = 0, contrary = 0, circuit = 0, told = 0;
	int last = -1;
	for (size_t i = 0; i < c->v->pulls.n; i++) {
		/* of a bus that slept there is nothing to tell if the test says something of another one */
		if (c->v->pulls.at[i].bus == f->bus) {
			tell(c, f, &c->v->pulls.at[i]);
			told++;
		}
	}
	if (!told)
		return;
	struct said *said = calloc(nodes + 1, sizeof *said);
	bool *fed = calloc(nodes + 1, sizeof *fed), *each = calloc(nodes + 1, sizeof *each);
	if (!said || !fed || !each) {
		c->oom = true;
		goto out;
	}
	collect(c, f, said, fed);
	for (size_t i = 0; i < nodes; i++) {
		if (said[i].ends && said[i].goes_on) {
			contrary++;
			case_evidence(c, f, case_say(c, "Two tests of %s contradict each other: the bus went quiet in one and stayed awake in the other. They are "
						      "not averaged; test again.", c->v->nodes.at[i].name));
			each[i] = true;
		} else if (said[i].ends) {
			ends++;
			each[i] = true;
			last = (int)i;
		}
		fed[i] = fed[i] && !(said[i].goes_on && !said[i].ends);
		circuit += fed[i];
	}
	clear_of(c, f, said, ends > 0 || circuit > 0);
	case_settle_finding(f);
	if (ends == 1 && !contrary) {
		name_it(c, f, last, &said[last]);
	} else if (ends > 1) {
		case_evidence(c, f, case_say(c, "Tests of %zu different nodes each ended it: one may act on what another tells it. Nobody is named; test again.", ends));
		list_them(c, f, each, nodes);
		for (size_t i = 0; i < f->suspects.n; i++)
			if (said[f->suspects.at[i].node_index].ends)
				f->suspects.at[i].standing = LULL_LIKELY;
	} else if (!contrary && circuit > 0 && f->named < 0) {
		list_them(c, f, fed, nodes);
	}
	case_settle_finding(f);
	/* the bus says one thing, half of the tests another: what speaks for it stays, but it is not accused */
	int named = f->named >= 0 ? f->suspects.at[f->named].node_index : -1;
	if (named >= 0 && said[named].ends && said[named].goes_on)
		f->named = -1;
	say_inferred(c, f);
out:
	free(said);
	free(fed);
	free(each);
}
