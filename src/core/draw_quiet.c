/* SPDX-License-Identifier: GPL-3.0-or-later */
/* draw_quiet: the quiet level of the night and its average, with their bands. Pure. */
#include "core/draw.h"

#include <math.h>

#define STABLE (5 * LULL_MIN) /* a level of the parked car lasts at least so long */
#define TAIL (5 * LULL_SEC) /* what a spell still draws after its last frame */
#define LEAVES (20 * LULL_MIN) /* until nobody touches a parked car any more */
#define COMES (10 * LULL_MIN) /* before the log's end somebody may be there again */
#define RETURNS 3 /* to a level, from above, show that what lies above it comes and goes */
#define ABOVE_MA 8.0 /* of what comes and goes, at least */

/* Of a level, as a share, where a known load corrected it. */
static double gain_error(const struct lull_current_report *r)
{
	return isfinite(r->gain) ? r->gain_error / fabs(r->gain) : 0;
}

/* Is a stage parked and quiet on every bus that was heard? Without a pairing: any stage may be. */
static lull_time quiet_share(const struct draw *w, const struct lull_stage *stage)
{
	const struct lull_case *c = w->c;
	lull_time from = stage->from, to = stage->to, gone = 0;
	if (!w->placed)
		return to - from;
	if (from < c->v->settle_from)
		from = c->v->settle_from;
	if (to > c->v->judged_to)
		to = c->v->judged_to;
	if (to <= from)
		return 0;
	for (size_t i = 0; i < c->v->spells.n; i++) {
		const struct lull_spell *s = &c->v->spells.at[i];
		lull_time a = s->from - LULL_SEC > from ? s->from - LULL_SEC : from, b = s->to + TAIL < to ? s->to + TAIL : to;
		if (!s->lone && b > a)
			gone += b - a;
	}
	return to - from > gone ? to - from - gone : 0;
}

/* A car whose buses were all seen awake to the end has no quiet level. */
static bool may_have_slept(const struct lull_case *c)
{
	bool seen = false;
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		if (c->v->bus[bus].first_quiet != LULL_NEVER || c->v->bus[bus].stub)
			return true;
		seen |= c->v->bus[bus].representative;
	}
	return !seen;
}

static lull_time longest_awake(const struct lull_case *c)
{
	lull_time longest = 0;
	for (size_t i = 0; i < c->v->spells.n; i++) {
		const struct lull_spell *s = &c->v->spells.at[i];
		if (!s->lone && s->to - s->from > longest)
			longest = s->to - s->from;
	}
	return longest;
}

static bool is_stable(const struct draw *w, const struct lull_stage *s)
{
	lull_time quiet = quiet_share(w, s);
	return quiet >= STABLE && quiet * 10 >= (s->to - s->from) * 8;
}

/* Where something comes and goes for longer than a level lasts, the car's own is the one below, however the log ends: the last stable stage
 * of the lowest level, if the current came back to it often enough; else `last`. A charger goes below nothing. */
static const struct lull_stage *below_what_comes(const struct draw *w, const struct lull_stage *last)
{
	const struct lull_current_report *r = &w->c->v->current;
	const struct lull_stage *low = last;
	for (size_t i = 0; i < r->stages.n; i++) {
		const struct lull_stage *s = &r->stages.at[i];
		if (s->mA < low->mA && s->mA > -draw_zero_error(w, 0.5) - 3 && is_stable(w, s))
			low = s;
	}
	if (last->mA - low->mA <= ABOVE_MA)
		return last;
	double mA = low->mA;
	size_t returns = 0;
	for (size_t i = 1; i < r->stages.n; i++) {
		const struct lull_stage *s = &r->stages.at[i];
		if (s->mA - mA > ABOVE_MA / 2 || mA - s->mA > ABOVE_MA / 2)
			continue;
		returns += s[-1].mA - s->mA > ABOVE_MA;
		if (is_stable(w, s))
			low = s;
	}
	return returns >= RETURNS ? low : last;
}

/* Trade rule 22: the last stable level after retained power and relays have dropped, not an average of the plateau. Stages
 * that agree with it join. */
void draw_find_quiet(struct draw *w)
{
	struct lull_case *c = w->c;
	struct lull_current_report *r = &c->v->current;
	const struct lull_stage *last = NULL;
	lull_time longest = 0;

	r->quiet_mA = r->quiet_error_mA = NAN;
	if (!may_have_slept(c))
		return;
	for (size_t i = 0; i < r->stages.n; i++) {
		const struct lull_stage *s = &r->stages.at[i];
		lull_time quiet = quiet_share(w, s);
		if (!is_stable(w, s))
			continue;
		/* lined up: the last; else the longest is the best guess of the night */
		if (w->placed || quiet > longest) {
			last = s;
			longest = quiet;
		}
	}
	/* lost, and nobody knows when: only what lasts longer than retained power does may be the quiet level */
	if (last && r->lost_at != LULL_NEVER && !w->placed && longest < CASE_RETAINED)
		return;
	/* not lined up, and awake for about as long as the longest level lasted: that level may be either */
	if (!last || (!w->placed && 2 * longest < 3 * longest_awake(c)))
		return;
	last = below_what_comes(w, last);
	double sum = 0, weight = 0, variance = 0, middle = 0;
	for (size_t i = 0; i < r->stages.n; i++) {
		const struct lull_stage *s = &r->stages.at[i];
		double quiet = (double)quiet_share(w, s) / 1e9;
		double near = fmax(2, 3 * hypot(s->error_mA, last->error_mA));
		bool joins = s == last || (s->from > last->from - 4 * 60 * LULL_MIN && fabs(s->mA - last->mA) <= near &&
						  quiet * 1e9 >= 0.8 * (double)(s->to - s->from) && quiet >= 60);
		if (!joins)
			continue;
		sum += quiet * s->mA;
		variance += quiet * quiet * s->error_mA * s->error_mA;
		middle += quiet * ((double)s->from + (double)s->to) / 2;
		weight += quiet;
	}
	double length = w->series.s[w->series.n - 1];
	double share = length > 0 ? (middle / weight / 1e9 - w->start_s) / (length * w->rate) : 0.5;
	share = fmin(fmax(share, 0), 1);
	r->quiet_mA = sum / weight;
	r->zero_error_mA = draw_zero_error(w, share);
	r->quiet_error_mA = hypot(r->zero_error_mA, 1.96 * hypot(sqrt(variance) / weight, gain_error(r) * r->quiet_mA));
}

bool case_left_alone(const struct lull_case *c, lull_time *from, lull_time *to)
{
	const struct lull_current_report *r = &c->v->current;
	lull_time slept = 0;
	if (!r->stages.n)
		return false;
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		if (c->v->bus[bus].first_quiet != LULL_NEVER && c->v->bus[bus].first_quiet > slept)
			slept = c->v->bus[bus].first_quiet;
	if (slept < c->v->settle_from)
		slept = c->v->settle_from;
	*from = r->stages.at[0].from + slept + LEAVES;
	*to = r->stages.at[r->stages.n - 1].to - COMES;
	return *to > *from;
}

void draw_find_average(struct draw *w)
{
	struct lull_case *c = w->c;
	struct lull_current_report *r = &c->v->current;
	r->average_mA = r->average_error_mA = r->charge_mAh = NAN;
	if (!w->placed && !may_have_slept(c)) {
		/* awake throughout: the longest stable level is what it draws so */
		const struct lull_stage *longest = NULL;
		for (size_t i = 0; i < r->stages.n; i++)
			if (!longest || r->stages.at[i].to - r->stages.at[i].from > longest->to - longest->from)
				longest = &r->stages.at[i];
		if (longest && longest->to - longest->from >= STABLE) {
			r->average_mA = longest->mA;
			r->zero_error_mA = draw_zero_error(w, 0.5);
			r->average_error_mA = hypot(1.96 * longest->error_mA, r->zero_error_mA);
		}
		return;
	}
	bool woke = false;
	for (size_t i = 0; i < c->v->spells.n; i++)
		woke |= c->v->spells.at[i].kind == LULL_SPELL_WAKE && !c->v->spells.at[i].lone;
	if (!w->placed && isfinite(r->quiet_mA) && !woke) {
		/* asleep and never woken: the night's average is its quiet level and what comes and goes above it, the first minutes aside */
		lull_time from, to;
		double error = 0, mA = case_left_alone(c, &from, &to) ? case_mean_mA(c, from, to, &error) : NAN;
		bool more = mA > r->quiet_mA;
		r->average_mA = more ? mA : r->quiet_mA;
		r->average_error_mA = more ? hypot(r->zero_error_mA, 1.96 * hypot(error, gain_error(r) * mA)) : r->quiet_error_mA;
		return;
	}
	if (!w->placed || c->v->judged_to == LULL_NEVER || c->v->judged_to <= c->v->settle_from)
		return;
	lull_time from = c->v->settle_from, to = c->v->judged_to;
	if (r->lost_at != LULL_NEVER && r->lost_at < to)
		to = r->lost_at;
	if (to <= from + LULL_MIN)
		return;
	double error;
	r->average_mA = case_mean_mA(c, from, to, &error);
	if (isfinite(r->average_mA)) {
		if (!isfinite(r->zero_error_mA)) /* no quiet level was found */
			r->zero_error_mA = draw_zero_error(w, 0.5);
		r->average_error_mA = hypot(1.96 * hypot(error, gain_error(r) * r->average_mA), r->zero_error_mA);
		r->charge_mAh = r->average_mA * (double)(to - from) / 3.6e12;
	}
}
