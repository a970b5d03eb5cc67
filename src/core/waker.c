/* SPDX-License-Identifier: GPL-3.0-or-later */
/* waker: which node begins the wakes after sleep, or that none of this bus does. Pure.
 *
 * Being first is no proof (trade rule 9): what counts is a start that nobody acknowledged (rule 13), the active
 * wake-up bit (rule 10), a tester's request (rule 14), or being first at night by a node that is not first in wakes whose
 * cause is known. A node that is first and last in the known wakes too relays for another bus (engineering rule 15). */
#include "core/case.h"
#include "core/even.h"
#include "core/known.h"
#include "core/weights.h"

#include <math.h>
#include <stdlib.h>

#define FROM_RATE 3 /* wakes that make a finding, or ... */
#define FROM_DUTY 0.01 /* ... so much of the observed time (engineering rule 16) */
#define RELAY_REACH (3 * LULL_SEC)
#define UNACKNOWLEDGED 3 /* copies or error frames at the start */

enum clue { CLUE_NONE, CLUE_REQUEST, CLUE_ACTIVE_BIT, CLUE_UNACKNOWLEDGED, CLUE_ORDER };

struct wake {
	size_t spell; /* index */
	int first; /* node of the first frame, -1 */
	int node; /* pointed at, -1 */
	enum clue clue;
};

struct wake_list {
	struct wake *at;
	size_t n, room;
};

/* --- one wake --- */

static struct wake look_at(struct lull_case *c, size_t spell)
{
	const struct lull_spell *s = &c->v->spells.at[spell];
	struct wake wake = { spell, case_node_of(c, s->bus, s->first_id), -1, CLUE_NONE };
	int active = known_active_bit(c, case_family(c, s->bus), s);

	if (lull_id_is_request(s->first_id)) {
		wake.node = wake.first;
		wake.clue = CLUE_REQUEST;
	} else if (active >= 0) {
		wake.node = active;
		wake.clue = CLUE_ACTIVE_BIT;
	} else if (s->unacknowledged >= UNACKNOWLEDGED) {
		wake.node = wake.first;
		wake.clue = CLUE_UNACKNOWLEDGED;
	}
	return wake;
}

/* In how many known wakes the node is the first for all that is known. One alone that leaves it open says nothing; and where its order
 * in these very wakes accuses it, another has begun the known ones. */
static size_t begun_there(const struct reference *r, const struct wake *w)
{
	return w->clue == CLUE_ORDER || r->known < 2 ? r->first_there : r->maybe_there;
}

static bool seems_gateway(const struct lull_case *c, const struct wake *w, const struct reference *r)
{
	if (case_node_is_gateway(c, w->node))
		return true;
	return r->known >= 1 && begun_there(r, w) * 2 >= r->known && r->spells >= 3 && r->last_there * 3 >= r->spells * 2;
}

/* --- another recorded bus woke first --- */

static void find_relayed(struct lull_case *c)
{
	for (size_t i = 0; i < c->v->spells.n; i++) {
		struct lull_spell *s = &c->v->spells.at[i];
		if (s->kind != LULL_SPELL_WAKE || s->lone)
			continue;
		for (size_t k = 0; k < c->v->spells.n && !s->relayed; k++) {
			const struct lull_spell *other = &c->v->spells.at[k];
			if (other->bus != s->bus && !other->lone && other->begun && other->from < s->from - 2 * LULL_MS &&
				other->from > s->from - RELAY_REACH)
				s->relayed = true;
		}
	}
}

/* --- groups --- */

static int group_before(const void *a, const void *b)
{
	const struct wake *x = a, *y = b;
	if (x->node != y->node)
		return x->node < y->node ? -1 : 1;
	return x->spell < y->spell ? -1 : x->spell > y->spell;
}

/* Chance that a node which is first as often as the known wakes show (one more of each for caution) is first so often
 * in a row. */
static double by_chance(const struct reference *r, size_t first)
{
	return pow((double)(r->first_there + 1) / (double)(r->known + 2), (double)first);
}

static bool it_woke_them(struct lull_case *c, unsigned bus, const struct wake_list *wakes, int first)
{
	size_t nights = 0, knowns = 0, at, n = case_bus_spells(c, bus, &at);
	size_t *night = malloc((wakes->n + n + 1) * sizeof *night), *known = night ? night + wakes->n : NULL;
	if (!night) {
		c->oom = true;
		return false;
	}
	for (size_t i = 0; i < wakes->n; i++)
		if (wakes->at[i].first == first)
			night[nights++] = wakes->at[i].spell;
	for (size_t i = 0; i < n; i++)
		if (case_wake_known(c, &c->v->spells.at[at + i]) && case_node_of(c, bus, c->v->spells.at[at + i].first_id) != first)
			known[knowns++] = at + i;
	double together = known_woken_together(c, bus, first, night, nights, known, knowns);
	free(night);
	return together < 0.35; /* false for NAN */
}

/* Wakes without a clue whose first node was shown to wake the bus at other times belong to it; else order is
 * weighed against known wakes. */
static void weigh_order(struct lull_case *c, unsigned bus, struct wake_list *wakes)
{
	int last = -1; /* mostly it is the same node again */
	bool woke = false;
	struct reference r = { 0 };
	for (size_t i = 0; i < wakes->n; i++) {
		struct wake *w = &wakes->at[i];
		if (w->clue != CLUE_NONE || w->first < 0)
			continue;
		size_t shown = 0, first = 0, clueless = 0;
		for (size_t k = 0; k < wakes->n; k++) {
			shown += wakes->at[k].node == w->first && wakes->at[k].clue != CLUE_ORDER;
			clueless += wakes->at[k].clue == CLUE_NONE || wakes->at[k].clue == CLUE_ORDER;
			first += wakes->at[k].first == w->first;
		}
		if (shown >= 2) {
			w->node = w->first;
			w->clue = CLUE_ORDER;
			continue;
		}
		if (w->first != last) {
			last = w->first;
			r = known_refer(c, bus, last);
			woke = it_woke_them(c, bus, wakes, last);
		}
		/* first there too, in half of them: gains nothing (trade rule 9) */
		if (r.known >= 2 && r.first_there * 2 < r.known && by_chance(&r, first) < 0.02 && first >= 3 && first * 5 >= clueless * 4 && woke) {
			w->node = w->first;
			w->clue = CLUE_ORDER;
		}
	}
}

struct rhythm {
	lull_time first, last, total;
	struct even even;
};

static struct rhythm rhythm_of(struct lull_case *c, const struct wake *w, size_t n)
{
	struct rhythm r = { .first = c->v->spells.at[w[0].spell].from, .last = c->v->spells.at[w[n - 1].spell].from };
	double *from = malloc(2 * n * sizeof *from);
	if (!from) {
		c->oom = true;
		return r;
	}
	for (size_t i = 0; i < n; i++) {
		const struct lull_spell *s = &c->v->spells.at[w[i].spell];
		r.total += s->to - s->from;
		from[i] = lull_seconds(s->from);
		from[n + i] = lull_seconds(s->to);
	}
	r.even = even_of(from, from + n, n);
	free(from);
	return r;
}

static void say_rhythm(struct lull_case *c, struct lull_finding *f, const struct rhythm *r, size_t n)
{
	char a[32], b[32], each[32];
	lull_time period = isfinite(r->even.period_s) ? (lull_time)(r->even.period_s * 1e9) : 0;
	const char *odds = r->even.chance < 1e-6 ? "a million" : r->even.chance < 1e-3 ? "a thousand" : "a hundred";
	span_text(r->total / (lull_time)n, each);
	if (n == 1)
		case_evidence(c, f, case_say(c, "One wake, %s after settling began, lasting %s.",
			span_text(r->first - c->v->settle_from, a), each));
	else if (r->even.rhythm == LULL_RHYTHM_PERIODIC && r->even.skips)
		case_evidence(c, f, case_say(c, "%zu wakes on a beat of %s, some of it left out, each about %s long: at random they would fall so into step less "
					      "than once in %s times.", n, span_text(period, a), each, odds));
	else if (r->even.rhythm == LULL_RHYTHM_PERIODIC)
		case_evidence(c, f, case_say(c, "%zu wakes, one every %s, each about %s long: at random they would come so evenly less than once in %s times.", n,
			span_text(period, a), each, odds));
	else
		case_evidence(c, f, case_say(c, "%zu wakes%s, typically %s apart (%s between first and last), on average %s long.", n,
			r->even.rhythm == LULL_RHYTHM_IRREGULAR ? " at irregular times" : "", span_text(period, a), span_text(r->last - r->first, b), each));
}

static void say_clues(struct lull_case *c, struct lull_finding *f, const struct wake *w, size_t n, const struct reference *r)
{
	size_t count[CLUE_ORDER + 1] = { 0 };
	for (size_t i = 0; i < n; i++)
		count[w[i].clue]++;
	const char *name = c->v->nodes.at[w[0].node].name;
	if (count[CLUE_REQUEST])
		case_evidence(c, f, case_say(c, "In %zu of %zu the first frame is a diagnostic request: something on the port asks.",
			count[CLUE_REQUEST], n));
	if (count[CLUE_ACTIVE_BIT])
		case_evidence(c, f, case_say(c, "In %zu of %zu %s alone sets the active wake-up bit: it says itself that it wakes the network.",
			count[CLUE_ACTIVE_BIT], n, name));
	if (count[CLUE_UNACKNOWLEDGED])
		case_evidence(c, f, case_say(c, "In %zu of %zu %s begins alone, and nobody acknowledges: all others are asleep when it starts.",
			count[CLUE_UNACKNOWLEDGED], n, name));
	if (count[CLUE_ORDER] && r->known)
		case_evidence(c, f, case_say(c, "%s is first in %zu wakes of the night, but only in %zu of %zu wakes whose cause is known, and the others "
					      "follow it after their whole boot times.",
			name, n, r->first_there, r->known));
	else if (r->known && r->first_there)
		case_evidence(c, f, case_say(c, "It is also first in %zu of %zu wakes whose cause is known, so being first alone says nothing.",
			r->first_there, r->known));
	if (!count[CLUE_ORDER] && r->maybe_there > r->first_there)
		case_evidence(c, f, case_say(c, "In %zu of %zu wakes whose cause is known it is not known who sends the first ID: it may be %s as well.",
			r->maybe_there - r->first_there, r->known, name));
}

/* The ID that these wakes were seen to begin with, of several the one that is least sure to be the node's; -1: the bit of its NM frame, which
 * says itself whose it is. */
static int begun_in(const struct lull_case *c, unsigned bus, const struct wake *w, size_t n)
{
	int least = -1;
	for (size_t i = 0; i < n; i++) {
		int ident = w[i].first == w[i].node ? case_ident(c, bus, c->v->spells.at[w[i].spell].first_id) : -1;
		if (ident >= 0 && (least < 0 || c->v->ids.at[ident].kin < c->v->ids.at[least].kin))
			least = ident;
	}
	return least;
}

/* The strongest clue of these wakes. */
static enum lull_clue clue_of(const struct wake *w, size_t n)
{
	enum lull_clue best = LULL_CLUE_NONE;
	for (size_t i = 0; i < n; i++) {
		enum lull_clue clue = LULL_CLUE_NONE;
		switch (w[i].clue) {
		case CLUE_REQUEST: clue = LULL_CLUE_REQUEST_FIRST; break;
		case CLUE_ACTIVE_BIT: clue = LULL_CLUE_ACTIVE_BIT; break;
		case CLUE_UNACKNOWLEDGED: clue = LULL_CLUE_UNACKNOWLEDGED; break;
		case CLUE_ORDER: clue = LULL_CLUE_ORDER; break;
		case CLUE_NONE: break;
		}
		if (case_weight(clue, 0, 0) > case_weight(best, 0, 0))
			best = clue;
	}
	return best;
}

/* What makes it weaker. A node says of itself that it wakes the network, or asks: to be first elsewhere is no doubt then. */
static unsigned doubts_of(struct lull_case *c, unsigned bus, enum lull_clue clue, const struct wake *w, size_t n, const struct reference *r)
{
	unsigned doubts = n < 2 ? LULL_DOUBT_ONCE : 0;
	const struct nm_family *family = clue == LULL_CLUE_ACTIVE_BIT ? case_family(c, bus) : NULL;
	if (family && family->layout.inferred)
		doubts |= LULL_DOUBT_INFERRED;
	if ((clue == LULL_CLUE_UNACKNOWLEDGED || clue == LULL_CLUE_ORDER) && r->known && begun_there(r, w) * 2 >= r->known)
		doubts |= LULL_DOUBT_FIRST_THERE;
	return doubts;
}

/* Others that begin as early as the first node in half of the wakes and more, where only the order speaks against it: all are
 * listed, none is named. */
static bool list_company(struct lull_case *c, struct lull_finding *f, const struct wake *w, size_t n)
{
	size_t company = 0, nodes = c->v->nodes.n, *count;
	for (size_t i = 0; i < n; i++)
		if (w[i].clue != CLUE_ORDER)
			return false;
	count = calloc(2 * nodes + 1, sizeof *count);
	if (!count) {
		c->oom = true;
		return false;
	}
	for (size_t i = 0; i < n; i++)
		known_count_beginners(c, &c->v->spells.at[w[i].spell], count, count + nodes, i + 1);
	for (size_t node = 0; node < nodes; node++) {
		if ((int)node == w[0].node || c->v->nodes.at[node].bus != f->bus || count[node] * 2 < n)
			continue;
		company++;
		case_suspect(c, f, (int)node, LULL_WAKER, 0);
	}
	free(count);
	if (!company)
		return false;
	for (size_t i = 0; i < f->suspects.n; i++)
		case_rest_on(c, &f->suspects.at[i], (struct ground){ LULL_CLUE_ORDER_SEVERAL, 0, -1, f->suspects.n });
	case_evidence(c, f, case_say(c, "%zu senders begin within 5 ms of each other, too soon for one to have woken the other: which of them it is, or "
				      "what wakes them together, the order cannot tell.", f->suspects.n));
	return true;
}

/* --- other buses of the recording --- */

/* Buses that follow this one's wakes: their gateway passes them on, which the order of events shows. */
static void say_followers(struct lull_case *c, struct lull_finding *f, const struct wake *w, size_t n)
{
	char a[32];
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		size_t at, spells = bus == f->bus ? 0 : case_bus_spells(c, bus, &at), follow = 0, begun[2] = { 0 };
		lull_time sum = 0;
		int relay = -1;
		for (size_t i = 0; i < n && spells; i++)
			for (size_t k = 0; k < spells; k++) {
				const struct lull_spell *s = &c->v->spells.at[w[i].spell], *other = &c->v->spells.at[at + k];
				if (!other->relayed || other->from < s->from || other->from > s->from + RELAY_REACH)
					continue;
				int node = case_node_of(c, bus, other->first_id);
				follow++;
				sum += other->from - s->from;
				begun[node != relay && relay >= 0]++;
				relay = relay < 0 ? node : relay;
			}
		if (!follow || follow * 2 < n)
			continue;
		case_evidence(c, f, case_say(c, "Bus %s follows %zu of %zu of these wakes, on average %s later: there the network is only passed on.",
			c->night->bus[bus].name, follow, n, span_text(sum / (lull_time)follow, a)));
		if (relay >= 0 && begun[1] * 5 <= follow) {
			case_suspect(c, f, relay, LULL_RELAY, 0.95 * (double)begun[0] / (double)follow);
			case_evidence(c, f, case_say(c, "%s is the relay to bus %s: not the cause, look behind it, on this bus.", c->v->nodes.at[relay].name,
				c->night->bus[bus].name));
		}
	}
}

/* Why the node that begins is taken for a relay. */
static void say_relay(struct lull_case *c, struct lull_finding *f, const struct wake *w, const struct reference *r)
{
	const char *name = c->v->nodes.at[w->node].name;
	if (case_node_is_gateway(c, w->node))
		case_evidence(c, f, case_say(c, "%s begins, and it is a gateway: it passes on what another bus asks for. Look behind it.", name));
	else if (r->first_there * 2 >= r->known)
		case_evidence(c, f, case_say(c, "%s begins, but it does so in known wakes too and is the last to go: it passes on what another "
					      "bus asks for. Look behind it.", name));
	else
		case_evidence(c, f, case_say(c, "%s begins, but it may do so in known wakes too, whose first ID is of nobody known, and is the last to "
					      "go: like a gateway, which passes on what another bus asks for. Look behind it.", name));
}

static size_t make_finding(struct lull_case *c, unsigned bus, const struct wake *w, size_t n)
{
	char a[32];
	struct rhythm rhythm = rhythm_of(c, w, n);
	int node = w[0].node;
	struct reference r = known_refer(c, bus, node);
	bool relay = node >= 0 && w[0].clue != CLUE_REQUEST && seems_gateway(c, w, &r);
	const char *often = n == 1 ? "once" : "again";

	if (node < 0 || relay) {
		struct lull_finding *f = case_finding(c, LULL_WOKEN_FROM_OUTSIDE, bus, 0.9);
		if (!f)
			return 0;
		case_text(f, case_say(c, "After falling asleep the bus was woken %s (%zu %s), by no node of this bus as far as it shows.", often, n,
			n == 1 ? "wake" : "wakes"));
		say_rhythm(c, f, &rhythm, n);
		if (relay) {
			case_suspect(c, f, node, LULL_RELAY, 0.9);
			say_relay(c, f, w, &r);
			if (c->night->bus_count > 1)
				case_evidence(c, f, case_say(c, "No other bus of this recording wakes before it: what asks is on one that was not recorded."));
		} else {
			case_evidence(c, f, case_say(c, "Nobody sets active wake-up, and no start goes unacknowledged: the nodes were woken together, "
						      "by a wake line, another bus, the wiring or our own lead."));
			case_evidence(c, f, case_say(c, "The order in which they then speak is their boot order and accuses nobody."));
		}
		case_settle_finding(f);
		say_followers(c, f, w, n);
		return 1;
	}
	struct lull_finding *f = case_finding(c, LULL_WOKEN_AGAIN, bus, 0.95);
	if (!f)
		return 0;
	case_text(f, case_say(c, "After falling asleep the bus was woken %s: %zu %s in %s of observed night, begun by %s.", often, n,
		n == 1 ? "wake" : "wakes", span_text(case_observed_in(&c->observed[bus], c->v->settle_from, c->v->judged_to), a),
		c->v->nodes.at[node].name));
	enum lull_clue clue = clue_of(w, n);
	unsigned doubts = doubts_of(c, bus, clue, w, n, &r);
	/* first in nearly all of several wakes that somebody else caused: to begin at night as well gains nothing (trade rule 9) */
	if ((doubts & LULL_DOUBT_FIRST_THERE) && r.known >= 3 && begun_there(&r, w) * 3 >= r.known * 2)
		clue = LULL_CLUE_NONE;
	case_accuse(c, f, node, LULL_WAKER, (struct ground){ clue, doubts, begun_in(c, bus, w, n), 1 });
	say_rhythm(c, f, &rhythm, n);
	say_clues(c, f, w, n, &r);
	bool alone = !list_company(c, f, w, n);
	case_settle_finding(f);
	say_followers(c, f, w, n); /* a relay on another bus is beside the question who wakes this one */
	for (size_t i = 0; i < n && alone; i++)
		c->v->spells.at[w[i].spell].waker = node;
	return 1;
}

static bool out_of_proportion(const struct lull_case *c, unsigned bus, const struct wake *w, size_t n)
{
	lull_time total = 0, watched = case_observed_in(&c->observed[bus], c->v->settle_from, c->v->judged_to);
	for (size_t i = 0; i < n; i++)
		total += c->v->spells.at[w[i].spell].to - c->v->spells.at[w[i].spell].from;
	return n >= FROM_RATE || (watched > 0 && (double)total >= FROM_DUTY * (double)watched);
}

static size_t bus_wakes(struct lull_case *c, unsigned bus)
{
	struct wake_list wakes = { 0 };
	size_t at, n = case_bus_spells(c, bus, &at), made = 0;

	for (size_t i = 0; i < n; i++) {
		const struct lull_spell *s = &c->v->spells.at[at + i];
		if (s->kind == LULL_SPELL_WAKE && !s->lone && !s->relayed)
			CASE_PUSH(c, wakes, look_at(c, at + i));
	}
	weigh_order(c, bus, &wakes);
	if (wakes.n)
		qsort(wakes.at, wakes.n, sizeof *wakes.at, group_before);
	for (size_t i = 0; i < wakes.n;) {
		size_t end = i;
		while (end < wakes.n && wakes.at[end].node == wakes.at[i].node)
			end++;
		if (out_of_proportion(c, bus, wakes.at + i, end - i))
			made += make_finding(c, bus, wakes.at + i, end - i);
		i = end;
	}
	free(wakes.at);
	return made;
}

size_t case_wakes(struct lull_case *c)
{
	size_t made = 0;
	find_relayed(c);
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		if (!c->v->bus[bus].stub)
			made += bus_wakes(c, bus);
	case_wake_groups(c);
	return made;
}
