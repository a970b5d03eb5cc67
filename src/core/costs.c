/* SPDX-License-Identifier: GPL-3.0-or-later */
/* costs: what each finding costs a day, with the band in which that lies. Pure.
 *
 * Cost is causal (trade rule 21): what would vanish without the suspect, the whole network it holds up included. */
#include "core/case.h"

#include <math.h>

#define PER_CENT_95 1.96
#define HALF_A_DAY (12 * 60 * LULL_MIN)
#define ASLEEP (5 * LULL_MIN) /* after the bus fell quiet: what is drawn then is not the lateness */
#define TAIL (6 * LULL_SEC)
#define SETTLING (45 * LULL_MIN)
#define COMMON 0.01 /* of a charge */

static double mAh(double mAs)
{
	return mAs / 3600;
}

static double square(double x)
{
	return x * x;
}

/* Wakes: their charge, scaled from the observed night to a day parked. A short night is a sample of the day's wakes: the more
 * regular they are, the better it tells. */
static void cost_of_wakes(struct lull_case *c, struct lull_finding *f)
{
	double sum = 0, variance = 0, gaps = 0, squares = 0;
	size_t counted = 0, wakes = 0;
	lull_time last = LULL_NEVER;
	int waker = f->named >= 0 ? f->suspects.at[f->named].node_index : -1;
	for (size_t i = 0; i < c->v->spells.n; i++) {
		const struct lull_spell *s = &c->v->spells.at[i];
		if (s->bus != f->bus || s->kind != LULL_SPELL_WAKE || s->lone || s->relayed)
			continue;
		if (waker >= 0 ? s->waker != waker : s->waker >= 0)
			continue;
		if (wakes++) {
			double gap = (double)(s->from - last) / 1e9;
			gaps += gap;
			squares += gap * gap;
		}
		last = s->from;
		if (isfinite(s->charge_mAs)) {
			sum += s->charge_mAs;
			variance += square(s->charge_error_mAs);
			counted++;
		}
	}
	lull_time watched = case_observed_in(&c->observed[f->bus], c->v->settle_from, c->v->judged_to);
	if (!counted || watched <= 0)
		return;
	double share = (double)wakes / (double)counted, night = mAh(sum) * share, a_day = 86400e9 / (double)watched;
	/* what all spells have in common: inrush, the clamp's own time */
	double error = hypot(mAh(sqrt(variance)) * share, COMMON * night);
	if (watched < HALF_A_DAY) {
		double n = (double)(wakes - 1), mean = n > 0 ? gaps / n : 0;
		double irregular = n >= 2 && mean > 0 ? sqrt(fmax(0, squares / n - mean * mean)) / mean : 1;
		error = hypot(error, PER_CENT_95 * night * irregular / sqrt((double)wakes) * sqrt(fmax(0, 1 - 1 / a_day)));
	}
	/* those whose charge is not known are taken to be like the others */
	if (wakes > counted)
		error = hypot(error, night * (1 - (double)counted / (double)wakes));
	f->cost_mAh_per_day = fmax(0, night * a_day);
	f->cost_error_mAh_per_day = error * a_day;
	f->cost_basis = watched < HALF_A_DAY ? "per parked day, from less than half a day" : "per parked day";
}

static void cost_of_holding(struct lull_case *c, struct lull_finding *f)
{
	const struct lull_current_report *r = &c->v->current;
	lull_time to = c->v->judged_to;
	if (r->lost_at != LULL_NEVER && r->lost_at < to)
		to = r->lost_at;
	double mean = NAN, error = NAN;
	if (!r->lineup.paired) { /* of the longest stable level */
		mean = r->average_mA;
		error = r->average_error_mA;
	} else if (to > c->v->settle_from) {
		/* not the way there, on which retained power and relays drop and others run on */
		lull_time skip = (to - c->v->settle_from) / 3 < SETTLING ? (to - c->v->settle_from) / 3 : SETTLING;
		mean = case_mean_mA(c, c->v->settle_from + skip, to, &error);
		error = hypot(PER_CENT_95 * error, isfinite(r->zero_error_mA) ? r->zero_error_mA : 0);
	}
	if (!isfinite(mean))
		return;
	/* asleep it would draw its quiet level; where that was never seen, the limit stands for it */
	bool slept = isfinite(r->quiet_mA) && c->v->bus[f->bus].first_quiet != LULL_NEVER;
	double asleep = slept ? r->quiet_mA : c->v->limit_draw_mA;
	error = slept ? hypot(error, r->quiet_error_mA) : hypot(error, c->v->limit_draw_mA);
	/* less than asleep, beyond what is unsure: the clamp hung the other way round, or something charges; no cost is told by that */
	if (mean - asleep < -error)
		return;
	f->cost_mAh_per_day = fmax(0, (mean - asleep) * 24);
	f->cost_error_mAh_per_day = error * 24;
	f->cost_basis = "per parked day";
}

static void cost_of_lateness(struct lull_case *c, struct lull_finding *f)
{
	const struct lull_current_report *r = &c->v->current;
	lull_time quiet = c->v->bus[f->bus].first_quiet, due = c->v->settle_from + (lull_time)(c->v->limit_sleep_s * 1e9);
	if (quiet == LULL_NEVER || quiet <= due || !isfinite(r->quiet_mA))
		return;
	double error, after_error, mean = case_mean_mA(c, due, quiet, &error);
	double after = case_mean_mA(c, quiet + TAIL, quiet + TAIL + ASLEEP, &after_error);
	if (!isfinite(mean))
		return;
	/* retained power that goes on beside it is no part of it; some of it may have dropped meanwhile */
	double asleep = isfinite(after) && after > r->quiet_mA ? after : r->quiet_mA;
	double unsure = isfinite(after) ? hypot(PER_CENT_95 * after_error, (after - r->quiet_mA) / 2) : r->quiet_error_mA;
	double hours = mAh((double)(quiet - due) / 1e9);
	double gain = isfinite(r->gain) ? PER_CENT_95 * r->gain_error / fabs(r->gain) * mean : 0;
	f->cost_mAh_per_day = fmax(0, (mean - asleep) * hours) * c->ask->stops_a_day;
	/* the bus's draw goes on for some seconds after it fell quiet, and it falls between two samples */
	f->cost_error_mAh_per_day = c->ask->stops_a_day *
		hypot(hypot(PER_CENT_95 * error, hypot(unsure, gain)) * hours,
			mAh(fabs(mean - asleep) * ((double)TAIL / 1e9 + (double)c->draw_step / 1e9)));
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
