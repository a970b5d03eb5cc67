/* SPDX-License-Identifier: GPL-3.0-or-later */
/* baseline: a good night takes away what is normal. Pure.
 *
 * Careful in one direction: what is not shown to be as in the good night stays accused. */
#include <lull/baseline.h>

#include "core/case.h"
#include "core/counts.h"
#include "core/pairing.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define CHANCE 0.05
#define FEWEST 3 /* wakes in the good night from which a rate is one */
#define MUCH_MORE 1.5 /* rate, length or charge above this times the good night's is more, whatever the counts allow */
#define SLEEP_SHARE 1.2 /* as in comparing two nights: a fifth and a minute */
#define SLEEP_LEAST LULL_MIN
#define FOLLOW_ON (10 * LULL_SEC) /* others outlast the keeper by up to this */

struct good {
	const struct lull_night *night;
	const struct lull_verdict *v;
};

/* --- wakes --- */

struct habit {
	size_t n;
	double seconds; /* observed since the first sleep */
	double length_s; /* mean */
	double charge_mAs; /* mean; NAN */
};

/* The wakes of a bus that begin with `first`: those laid to it, and those laid to nobody. */
static struct habit habit_of(const struct lull_verdict *v, unsigned bus, int first, bool laid_to_nobody)
{
	struct habit h = { .charge_mAs = 0 };
	h.seconds = (double)counts_observed(v, bus, v->bus[bus].first_quiet, v->judged_to) / 1e9;
	for (size_t i = 0; i < v->spells.n; i++) {
		const struct lull_spell *s = &v->spells.at[i];
		bool mine = s->waker == first || (laid_to_nobody && s->waker < 0 && pairing_sender(v, bus, s->first_id) == first);
		if (s->bus != bus || !counts_as_wake(s) || s->relayed || !mine)
			continue;
		h.n++;
		h.length_s += (double)(s->to - s->from) / 1e9;
		h.charge_mAs += s->charge_mAs;
	}
	h.length_s = h.n ? h.length_s / (double)h.n : NAN;
	h.charge_mAs = h.n ? h.charge_mAs / (double)h.n : NAN;
	return h;
}

/* The node with which all wakes that were laid to nobody begin; -1 if there are several. */
static int only_first(const struct lull_verdict *v, unsigned bus)
{
	int first = -1;
	for (size_t i = 0; i < v->spells.n; i++) {
		const struct lull_spell *s = &v->spells.at[i];
		if (s->bus != bus || !counts_as_wake(s) || s->relayed || s->waker >= 0)
			continue;
		int node = pairing_sender(v, bus, s->first_id);
		if (node < 0 || (first >= 0 && node != first))
			return -1;
		first = node;
	}
	return first;
}

static bool normal(const struct habit *now, const struct habit *then)
{
	if (then->n < FEWEST || !now->n || !(now->seconds > 0) || !(then->seconds > 0))
		return false;
	double rate = (double)now->n / now->seconds, was = (double)then->n / then->seconds;
	bool more = rate > MUCH_MORE * was || counts_chance_of_more(now->n, now->seconds, then->n, then->seconds) < CHANCE;
	bool longer = now->length_s > MUCH_MORE * then->length_s;
	bool dearer = isfinite(now->charge_mAs) && isfinite(then->charge_mAs) && now->charge_mAs > MUCH_MORE * then->charge_mAs;
	return !more && !longer && !dearer;
}

/* Normal or not, a night whose average is above what is allowed is not cleared by a habit. */
static bool drains(const struct lull_verdict *v)
{
	const struct lull_current_report *r = &v->current;
	return r->usable && isfinite(r->average_mA) && isfinite(r->average_error_mA) && r->average_mA - r->average_error_mA > v->limit_draw_mA;
}

/* True: housekeeping, to be dropped; what was taken away is said. */
static bool is_housekeeping(struct lull_case *c, struct lull_finding *f, const struct good *good, unsigned good_bus)
{
	bool again = f->code == LULL_WOKEN_AGAIN && f->named >= 0;
	if (!again && f->code != LULL_WOKEN_FROM_OUTSIDE)
		return false;
	int first = again ? f->suspects.at[f->named].node_index : only_first(c->v, f->bus);
	int there = pairing_node(c->v, first, good->v, (int)good_bus);
	if (first < 0 || there < 0)
		return false;
	struct habit now = habit_of(c->v, f->bus, first, !again), then = habit_of(good->v, good_bus, there, true);
	const char *name = c->v->nodes.at[first].name;
	double now_h = now.seconds / 3600, then_h = then.seconds / 3600;
	if (normal(&now, &then) && drains(c->v)) {
		case_evidence(c, f, case_say(c, "The good night shows as many such wakes, but here the average draw of %.0f mA is above the limit of %.0f mA: they are not taken away.",
			c->v->current.average_mA, c->v->limit_draw_mA));
		return false;
	}
	if (normal(&now, &then)) {
		case_left_out(c, case_say(c, "taken away as normal by the good night: %zu wakes of bus %s in %.1f h that begin with %s, %.0f s long on average; in the good "
					 "night %zu in %.1f h, %.0f s long", now.n, c->night->bus[f->bus].name, now_h, name, now.length_s, then.n, then_h, then.length_s));
		return true;
	}
	if (then.n)
		case_evidence(c, f, case_say(c, "In the good night %zu wakes in %.1f h begin with %s, %.0f s long on average; here %zu in %.1f h, %.0f s long: not shown to "
					      "be the same.", then.n, then_h, name, then.length_s, now.n, now_h, now.length_s));
	else
		case_evidence(c, f, case_say(c, "In the good night no wake begins with %s in %.1f h.", name, then_h));
	return false;
}

/* --- run-on --- */

static lull_time last_heard(const struct lull_verdict *v, int node)
{
	lull_time last = LULL_NEVER;
	for (size_t i = 0; i < v->ids.n; i++)
		if (v->ids.at[i].node == node && !v->ids.at[i].ignition_only && v->ids.at[i].last_after_key_off > last)
			last = v->ids.at[i].last_after_key_off;
	return last;
}

static void regenerate_next(struct lull_case *c, struct lull_finding *f)
{
	for (size_t i = 0; i < f->next.n; i++)
		free(f->next.at[i]);
	f->next.n = 0;
	case_next_steps(c, f);
}

/* The finding stays, since the limit does; nobody is accused of what it does on every good night. */
static void spare_keeper(struct lull_case *c, struct lull_finding *f, const struct good *good, unsigned good_bus)
{
	if ((f->code != LULL_HELD_AWAKE && f->code != LULL_LATE_TO_SLEEP) || f->named < 0)
		return;
	struct lull_suspect *s = &f->suspects.at[f->named];
	int there = pairing_node(c->v, s->node_index, good->v, (int)good_bus);
	lull_time slept = good->v->bus[good_bus].first_quiet, quiet = c->v->bus[f->bus].first_quiet, last = there < 0 ? LULL_NEVER : last_heard(good->v, there);
	lull_time took = slept - good->v->settle_from, takes = (quiet != LULL_NEVER ? quiet : c->v->judged_to) - c->v->settle_from;
	char a[32], b[32];
	bool as_long = (double)takes <= SLEEP_SHARE * (double)took + (double)SLEEP_LEAST;
	bool last_there = last != LULL_NEVER && last >= slept - FOLLOW_ON;
	span_text(took, a);
	span_text(takes, b);
	if (!as_long || !last_there) {
		case_evidence(c, f, case_say(c, "In the good night this bus slept after %s; here %s %s.", a, quiet != LULL_NEVER ? "after" : "it did not within", b));
		return;
	}
	case_evidence(c, f, case_say(c, "In the good night too %s is among the last, and the bus slept after %s, about as here: its run-on is normal for this car, and it is "
				      "not accused.", s->node, a));
	case_left_out(c, case_say(c, "taken away as normal by the good night: the run-on of %s on bus %s", s->node, c->night->bus[f->bus].name));
	for (size_t i = 0; i < c->v->spells.n; i++)
		if (c->v->spells.at[i].bus == f->bus && c->v->spells.at[i].keeper == s->node_index && c->v->spells.at[i].kind == LULL_SPELL_SETTLING)
			c->v->spells.at[i].keeper = -1;
	s->confidence = fmin(s->confidence, 0.5); /* as unsure as can be: no evidence is left against it */
	f->named = -1;
	regenerate_next(c, f);
}

/* --- what is left --- */

/* Trade rule 1, as without a good night. */
static void say_asleep(struct lull_case *c, unsigned bus, const char *wakes)
{
	const struct lull_current_report *r = &c->v->current;
	char a[32];
	bool measured = r->usable && isfinite(r->quiet_mA) && isfinite(r->quiet_error_mA) && r->lost_at == LULL_NEVER;
	double limit = c->v->limit_draw_mA;
	bool within = measured && case_draw_within(c);
	struct lull_finding *f = case_finding(c, within ? LULL_WITHIN_LIMIT : LULL_DRAW_NOT_MEASURED, bus, 0.95);
	if (!f)
		return;
	span_text(c->v->bus[bus].first_quiet - c->v->settle_from, a);
	if (within)
		case_text(f, case_say(c, "Bus %s fell asleep in time (after %s), and the quiet draw of %.0f mA (+-%.0f) is below the limit of %.0f mA.", c->night->bus[bus].name, a,
			r->quiet_mA, r->quiet_error_mA, limit));
	else if (measured && isfinite(r->scale_times))
		case_text(f, case_say(c, "Bus %s fell asleep in time (after %s), but the clamp's scale or unit is in doubt, and with it the quiet draw of %.0f mA (+-%.0f).",
			c->night->bus[bus].name, a, r->quiet_mA, r->quiet_error_mA));
	else if (measured)
		case_text(f, case_say(c, "Bus %s fell asleep in time (after %s), but the quiet draw of %.0f mA (+-%.0f) is too near the limit of %.0f mA to say.",
			c->night->bus[bus].name, a, r->quiet_mA, r->quiet_error_mA, limit));
	else
		case_text(f, case_say(c, "Bus %s fell asleep in time (after %s), but the draw was not measured to the end: no all-clear.", c->night->bus[bus].name, a));
	if (wakes)
		case_evidence(c, f, case_say(c, "%s", wakes));
	case_next_steps(c, f);
}

static void say_rest(struct lull_case *c, const size_t *dropped)
{
	bool accused = false;
	for (size_t i = 0; i < c->v->findings.n; i++)
		accused |= c->v->findings.at[i].code != LULL_BLIND && c->v->findings.at[i].code != LULL_CLAMP_LOST;
	for (unsigned bus = 0; bus < c->night->bus_count && !accused; bus++) {
		bool spoken = false;
		for (size_t i = 0; i < c->v->findings.n; i++) {
			const struct lull_finding *f = &c->v->findings.at[i];
			spoken |= f->bus == bus || (f->bus == LULL_BUS_ALL && f->code != LULL_CLAMP_LOST);
		}
		if (!spoken && !c->v->bus[bus].stub && c->v->bus[bus].first_quiet != LULL_NEVER)
			say_asleep(c, bus, dropped[bus] ? "It is woken as often and as long as in the good night: housekeeping of this car, taken away." : NULL);
	}
	/* a verdict is never empty */
	if (!c->v->findings.n) {
		struct lull_finding *f = case_finding(c, LULL_DRAW_NOT_MEASURED, LULL_BUS_ALL, 0.95);
		if (f)
			case_text(f, case_say(c, "Beside what is normal by the good night nothing was found, and nothing shows that all is well."));
	}
}

static bool usable(const struct lull_verdict *v, unsigned bus)
{
	return v->settle_from != LULL_NEVER && v->judged_to != LULL_NEVER && !v->bus[bus].stub && v->bus[bus].first_quiet != LULL_NEVER;
}

/* The user calls it good; what its own verdict says against that is told beside. */
static void doubt(struct lull_case *c, const struct good *good)
{
	for (size_t i = 0; i < good->v->findings.n; i++) {
		const struct lull_finding *f = &good->v->findings.at[i];
		switch (f->code) {
		case LULL_HELD_AWAKE:
		case LULL_LATE_TO_SLEEP:
		case LULL_DRAW_WHILE_QUIET:
		case LULL_PULSES_WHILE_QUIET:
		case LULL_BUS_NOT_VISIBLE:
			case_left_out(c, case_say(c, "the good night is not good throughout, judged by itself: %s", lull_code_name(f->code)));
			break;
		case LULL_WITHIN_LIMIT:
		case LULL_DRAW_NOT_MEASURED:
		case LULL_TOO_EARLY:
		case LULL_WOKEN_AGAIN:
		case LULL_WOKEN_FROM_OUTSIDE:
		case LULL_BLIND:
		case LULL_CLAMP_LOST:
		case LULL_CODE_COUNT:
			break;
		}
	}
}

/* A night is always as it is itself. */
static bool same_night(const struct lull_case *c, const struct good *good)
{
	bool same = c->night->end == good->night->end && c->v->settle_from == good->v->settle_from && c->v->spells.n == good->v->spells.n &&
		c->v->spells.n > 0;
	for (size_t i = 0; same && i < c->v->spells.n; i++)
		same = c->v->spells.at[i].from == good->v->spells.at[i].from && c->v->spells.at[i].to == good->v->spells.at[i].to &&
			c->v->spells.at[i].frames == good->v->spells.at[i].frames;
	return same;
}

static void take_away(struct lull_case *c, const struct good *good)
{
	size_t dropped[LULL_BUS_MAX] = { 0 }, kept = 0, taken = 0;
	bool said[LULL_BUS_MAX] = { false };
	for (size_t i = 0; i < c->v->findings.n; i++) {
		struct lull_finding *f = &c->v->findings.at[i];
		int bus = f->bus < LULL_BUS_MAX ? pairing_bus(c->night, f->bus, good->night) : -1;
		bool drop = false;
		if (bus >= 0 && usable(good->v, (unsigned)bus)) {
			spare_keeper(c, f, good, (unsigned)bus);
			drop = c->v->bus[f->bus].first_quiet != LULL_NEVER && is_housekeeping(c, f, good, (unsigned)bus);
		} else if (f->bus < LULL_BUS_MAX && !said[f->bus]) {
			said[f->bus] = true;
			case_left_out(c, case_say(c, "the good night takes nothing away on bus %s: it %s", c->night->bus[f->bus].name,
				bus < 0 ? "has no such bus" : "does not show this bus asleep"));
		}
		if (drop) {
			dropped[f->bus]++;
			taken++;
			case_drop_finding(f);
		} else {
			c->v->findings.at[kept++] = *f;
		}
	}
	c->v->findings.n = kept;
	if (taken)
		say_rest(c, dropped);
}

int lull_baseline(const struct lull_night *night, struct lull_verdict *v, const struct lull_profile *profile,
	const struct lull_night *good_night, const struct lull_verdict *good)
{
	struct lull_case c = { .night = night, .profile = profile, .v = v };
	const struct good g = { good_night, good };
	size_t shared = pairing_shared(night, v, good_night, good), fewer = v->ids.n < good->ids.n ? v->ids.n : good->ids.n;

	if (shared * 2 < fewer || !shared) {
		case_left_out(&c, case_say(&c, "the good night takes nothing away: it shares only %zu of %zu and %zu IDs, so it is of another car or another bus", shared, v->ids.n,
			good->ids.n));
	} else if (same_night(&c, &g)) {
		case_left_out(&c, case_say(&c, "the good night takes nothing away: it is this very night"));
	} else {
		doubt(&c, &g);
		take_away(&c, &g);
	}
	if (c.oom) {
		lull_verdict_clear(v);
		return -ENOMEM;
	}
	return 0;
}
