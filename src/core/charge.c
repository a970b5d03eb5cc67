/* SPDX-License-Identifier: GPL-3.0-or-later */
/* charge: what spells cost above the quiet level, and what each finding costs a day. Pure.
 *
 * Cost is causal (trade rule 21): what would vanish without the suspect, the whole network it holds up included. */
#include "core/case.h"

#include <math.h>

#define LEAD (1 * LULL_SEC) /* a waker's own current rises before its first frame */
#define TAIL (3 * LULL_SEC)

void case_charge(struct lull_case *c)
{
	const struct lull_current_report *r = &c->v->current;
	if (!r->lineup.paired || !isfinite(r->quiet_mA))
		return;
	for (size_t i = 0; i < c->v->spells.n; i++) {
		struct lull_spell *s = &c->v->spells.at[i];
		if (r->lost_at != LULL_NEVER && s->to > r->lost_at)
			continue;
		lull_time from = s->from - LEAD, to = s->to + TAIL;
		double mean = case_mean_mA(c, from, to, NULL);
		if (isfinite(mean))
			s->charge_mAs = (mean - r->quiet_mA) * (double)(to - from) / 1e9;
	}
}

static double mAh(double mAs)
{
	return mAs / 3600;
}

/* Wakes: their charge, scaled from the observed night to a day parked. */
static void cost_of_wakes(struct lull_case *c, struct lull_finding *f)
{
	double sum = 0;
	size_t counted = 0, wakes = 0;
	int waker = f->named >= 0 ? f->suspects.at[f->named].node_index : -1;
	for (size_t i = 0; i < c->v->spells.n; i++) {
		const struct lull_spell *s = &c->v->spells.at[i];
		if (s->bus != f->bus || s->kind != LULL_SPELL_WAKE || s->lone || s->relayed)
			continue;
		if (waker >= 0 ? s->waker != waker : s->waker >= 0)
			continue;
		wakes++;
		if (isfinite(s->charge_mAs)) {
			sum += s->charge_mAs;
			counted++;
		}
	}
	lull_time watched = case_observed_in(&c->observed[f->bus], c->v->settle_from, c->v->judged_to);
	if (!counted || watched <= 0)
		return;
	double night = mAh(sum) * (double)wakes / (double)counted;
	f->cost_mAh_per_day = fmax(0, night * 86400e9 / (double)watched);
	f->cost_basis = watched < 12 * 60 * LULL_MIN ? "per parked day, from less than half a day" : "per parked day";
}

static void cost_of_holding(struct lull_case *c, struct lull_finding *f)
{
	const struct lull_current_report *r = &c->v->current;
	lull_time to = c->v->judged_to;
	if (r->lost_at != LULL_NEVER && r->lost_at < to)
		to = r->lost_at;
	double mean = NAN;
	if (!r->lineup.paired)
		mean = r->average_mA; /* of the longest stable level */
	else if (to > c->v->settle_from)
		mean = case_mean_mA(c, c->v->settle_from, to, NULL);
	if (!isfinite(mean))
		return;
	/* asleep it would draw its quiet level; where that was never seen, the limit stands for it */
	double asleep = isfinite(r->quiet_mA) && c->v->bus[f->bus].first_quiet != LULL_NEVER ? r->quiet_mA : c->v->limit_draw_mA;
	f->cost_mAh_per_day = fmax(0, (mean - asleep) * 24);
	f->cost_basis = "per parked day";
}

static void cost_of_lateness(struct lull_case *c, struct lull_finding *f)
{
	const struct lull_current_report *r = &c->v->current;
	lull_time quiet = c->v->bus[f->bus].first_quiet, due = c->v->settle_from + (lull_time)(c->v->limit_sleep_s * 1e9);
	if (quiet == LULL_NEVER || quiet <= due || !isfinite(r->quiet_mA))
		return;
	double mean = case_mean_mA(c, due, quiet, NULL);
	if (!isfinite(mean))
		return;
	f->cost_mAh_per_day = fmax(0, mAh((mean - r->quiet_mA) * (double)(quiet - due) / 1e9) * c->ask->stops_a_day);
	f->cost_basis = "per key-off, times the stops a day";
}

void case_costs(struct lull_case *c)
{
	for (size_t i = 0; i < c->v->findings.n; i++) {
		struct lull_finding *f = &c->v->findings.at[i];
		if (f->bus >= LULL_BUS_MAX || (!c->v->current.lineup.paired && f->code != LULL_HELD_AWAKE))
			continue;
		switch (f->code) {
		case LULL_HELD_AWAKE: cost_of_holding(c, f); break;
		case LULL_LATE_TO_SLEEP: cost_of_lateness(c, f); break;
		case LULL_WOKEN_AGAIN:
		case LULL_WOKEN_FROM_OUTSIDE: cost_of_wakes(c, f); break;
		case LULL_WITHIN_LIMIT:
		case LULL_DRAW_NOT_MEASURED:
		case LULL_TOO_EARLY:
		case LULL_DRAW_WHILE_QUIET:
		case LULL_PULSES_WHILE_QUIET:
		case LULL_BUS_NOT_VISIBLE:
		case LULL_BLIND:
		case LULL_CLAMP_LOST:
		case LULL_CODE_COUNT: break;
		}
	}
}
