/* SPDX-License-Identifier: GPL-3.0-or-later */
/* draw_scale: was the clamp's scale told ten times too high or too low, or were milliamperes taken for amperes? Pure.
 *
 * The classic mistakes. Each figure that has a usual size is asked how much likelier it is under the other scale: what is read with the
 * key on, what the network takes when it wakes, the quiet level, the largest step. Their logarithms add up; none may decide alone
 * what the others contradict. Usual sizes are common practice, no published source: log-normal, wide enough for small and large cars. */
#include "core/draw.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

struct usual {
	double mA, spread; /* the middle; standard deviation of the natural logarithm */
	bool less_is_usual; /* below the middle nothing is unlikely */
};
static const struct usual network = { .mA = 950, .spread = 0.75 }; /* a network that wakes: 95 % from 0.2 to 4 A */
static const struct usual keyed = { .mA = 6000, .spread = 0.75 }; /* key on, drawn or charged: 1.4 to 26 A */
static const struct usual largest = { .mA = 2500, .spread = 1.2 }; /* a log that is not lined up: the key, or the network alone */
static const struct usual quiet = { .mA = 50, .spread = 1.2, .less_is_usual = true }; /* asleep, drains among them: up to 0.5 A */

#define MOST_SAID 6.0 /* by one figure: a single one may be odd */
#define SURE 3.0 /* log odds: more likely wrong than right where one scale in twenty is */
#define SURE_OF_UNIT 6.0 /* a file mostly says its unit itself, so two figures have to speak against it */
#define NOT_FED 3.0 /* against a parked car that seems to be charged by more than the zero leaves open, if the other scale explains it */
#define SAYS 0.5 /* a figure that says less is not named */
#define BEYOND 1.2 /* of the range: no clamp's tolerance */
#define BEYOND_SAMPLES 3
#define KEYED (5 * LULL_SEC) /* a level lasts so long; and so long it may outlast key-off */
#define MOST_FIGURES 3

struct doubt {
	struct lull_case *c;
	double times; /* true current over current as read, if the told scale is wrong */
	double odds, fit; /* logarithms; the second without a limit to what one figure says */
	char figure[MOST_FIGURES][64];
	unsigned figures;
};

static double likelihood(double mA, const struct usual *u)
{
	double z = log(fmax(mA, 0.01) / u->mA) / u->spread;
	return z < 0 && u->less_is_usual ? 0 : -z * z / 2;
}

static void weigh(struct doubt *d, const char *before, double mA, const char *after, const struct usual *u)
{
	double fit = likelihood(mA * d->times, u) - likelihood(mA, u), says = fmin(fmax(fit, -MOST_SAID), MOST_SAID);
	d->fit += fit;
	d->odds += says;
	if (says <= SAYS || d->figures >= MOST_FIGURES)
		return;
	bool small = mA < 9999.5;
	(void)snprintf(d->figure[d->figures++], sizeof *d->figure, "%s%.*f %s%s", before, mA < 9.95 ? 2 : 0, small ? mA : mA / 1e3, small ? "mA" : "A", after);
}

static int by_size(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;
	return x < y ? -1 : x > y;
}

/* What the zero leaves open is no current; it is the clamp's, so it is as large under either scale. */
static void weigh_quiet(struct doubt *d)
{
	const struct lull_current_report *r = &d->c->v->current;
	double open = r->quiet_error_mA, told = r->quiet_mA, other = told * d->times;
	if (!isfinite(told) || !isfinite(open))
		return;
	double told_sure = fmax(fabs(told) - open, 0), other_sure = fmax(fabs(other) - open, 0);
	double says = likelihood(other_sure, &quiet) - likelihood(told_sure, &quiet);
	says += NOT_FED * ((told < -open) - (other < -open));
	d->fit += says;
	says = fmin(fmax(says, -MOST_SAID), MOST_SAID);
	d->odds += says;
	if (says > SAYS && d->figures < MOST_FIGURES)
		(void)snprintf(d->figure[d->figures++], sizeof *d->figure, "a quiet level of %.0f mA (+-%.0f)", told, open);
}

/* By how much the current rises when the network wakes: the middle one of all times. NAN: never seen. */
static double usual_rise(struct lull_case *c)
{
	LULL_ARRAY(double) rises = { 0 };
	for (size_t i = 0; i < c->v->spells.n; i++) {
		const struct lull_spell *s = &c->v->spells.at[i];
		lull_time to = s->to < s->from + 10 * LULL_SEC ? s->to : s->from + 10 * LULL_SEC;
		double before = case_mean_mA(c, s->from - 20 * LULL_SEC, s->from - 2 * LULL_SEC, NULL);
		double after = case_mean_mA(c, s->from + LULL_SEC / 2, to, NULL);
		/* those of a drive are the key's */
		bool wake = s->kind == LULL_SPELL_WAKE || s->kind == LULL_SPELL_BY_US || (s->kind == LULL_SPELL_BEFORE && s->closed);
		if (wake && s->begun && !s->lone && isfinite(before) && isfinite(after) && to > s->from + 2 * LULL_SEC)
			CASE_PUSH(c, rises, fabs(after - before));
	}
	double middle = NAN;
	if (rises.n) {
		qsort(rises.at, rises.n, sizeof *rises.at, by_size);
		middle = rises.at[rises.n / 2];
	}
	free(rises.at);
	return middle;
}

/* The strongest current, as a level that lasts or as a step, and whether the log shows the time with the key on. */
static double strongest(const struct draw *w, bool *key_seen)
{
	const struct lull_current_report *r = &w->c->v->current;
	lull_time off = w->c->v->key_off;
	double most = 0;
	*key_seen = false;
	for (size_t i = 0; i < r->stages.n; i++) {
		const struct lull_stage *s = &r->stages.at[i];
		if (s->to - s->from <= KEYED)
			continue;
		most = fmax(most, fabs(s->mA));
		*key_seen |= w->placed && off != LULL_NEVER && s->to < off + KEYED;
	}
	for (size_t i = 0; i < r->steps.n; i++)
		most = fmax(most, fabs(r->steps.at[i].to_mA - r->steps.at[i].from_mA));
	return most;
}

static bool goes_beyond(const struct draw *w)
{
	double range = w->c->night->clamp.range_A * 1e3;
	size_t beyond = 0;
	for (size_t i = 0; i < w->series.n && isfinite(range); i++)
		beyond += fabs((double)w->series.mA[i]) > BEYOND * range;
	return beyond > BEYOND_SAMPLES;
}

static bool is_unit(double times)
{
	return times > 500 || times < 1.0 / 500;
}

static void ask(const struct doubt *d, double told)
{
	struct lull_current_report *r = &d->c->v->current;
	char figures[3 * sizeof *d->figure + 16] = "";
	size_t used = 0;
	for (unsigned i = 0; i < d->figures; i++) {
		const char *comma = i == 0 ? "" : i + 1 == d->figures ? " and " : ", ";
		int n = snprintf(figures + used, sizeof figures - used, "%s%s", comma, d->figure[i]);
		used += n > 0 ? (size_t)n : 0;
	}
	bool more = d->times > 1;
	r->scale_times = d->times;
	if (is_unit(d->times)) {
		r->scale_doubt = case_say(d->c, "The log shows %s, some thousand times %s than is usual: is the unit of its values right (mA or A, mV or V; "
						"`--clamp-unit`)? Then all currents are a thousand times %s.",
			figures, more ? "less" : "more", more ? "larger" : "smaller");
		return;
	}
	r->scale_doubt = case_say(d->c, "The log shows %s, some ten times %s than is usual: does the clamp give %g mV/A where %g mV/A was told? "
					"Then all currents are ten times %s.",
		figures, more ? "less" : "more", more ? told / 10 : told * 10, told, more ? "larger" : "smaller");
}

void draw_doubt_scale(struct draw *w)
{
	struct lull_case *c = w->c;
	double told = c->night->clamp.mV_per_A;
	if (w->load_read)
		return;
	bool key_seen;
	double most = strongest(w, &key_seen), rise = w->placed ? usual_rise(c) : NAN;
	/* clamps have ranges of 1 to 100 mV/A; milli is taken for nothing, or nothing for milli, in any log */
	const double other[] = { told * 10 < 101 ? 0.1 : NAN, told / 10 > 0.99 ? 10 : NAN, 1e-3, 1e3 };
	struct doubt best = { .c = NULL };
	for (size_t i = 0; i < sizeof other / sizeof *other; i++) {
		struct doubt d = { .c = c, .times = other[i] };
		if (!isfinite(d.times))
			continue;
		if (d.times < 1 && goes_beyond(w)) {
			(void)snprintf(d.figure[d.figures++], sizeof *d.figure, "readings beyond the clamp's range of %g A", c->night->clamp.range_A);
			d.odds = d.fit = 2 * SURE;
		}
		const char *most_words = d.times > 1 ? "no more than " : "up to ";
		if (most > 0 && key_seen)
			weigh(&d, most_words, most, " with the key on", &keyed);
		else if (most > 0)
			weigh(&d, most_words, most, "", &largest);
		if (isfinite(rise))
			weigh(&d, "", rise, " when the network wakes", &network);
		weigh_quiet(&d);
		if (d.odds > (is_unit(d.times) ? SURE_OF_UNIT : SURE) && (!best.c || d.fit > best.fit))
			best = d;
	}
	if (best.c)
		ask(&best, told);
}

bool case_draw_within(const struct lull_case *c)
{
	const struct lull_current_report *r = &c->v->current;
	double high = r->quiet_mA + r->quiet_error_mA, limit = c->v->limit_draw_mA;
	bool within = high < limit && high > -limit / 2;
	/* if all currents may be ten times larger, only what is small then as well is within the limit */
	return within && !(isfinite(r->scale_times) && high * r->scale_times >= limit);
}
