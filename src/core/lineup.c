/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lineup: the clamp log's clock beside the recording's: candidates found, judged, and paired or refused. Pure. */
#include <core/lineup.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COARSE 40
#define CANDIDATES (2 * (COARSE + LINEUP_KEYS * LINEUP_BIGS + 1)) /* either way round */
#define LAG_ROOM 3.0 /* s: a fit is sought so far from a lag */
#define SAME_LAG 1.0 /* s */
#define PATTERNS 64
#define LEAST_MATCHED 3
#define PAIRED 0.5
#define ALIAS_LEAD 20 /* with one lone match only; a wake lost at the end makes some 15 */
#define RHYTHM_SPELLS 3 /* starts and ends: two wakes at least, else it is chance, and weighed as such */
#define RHYTHM 0.5 /* part of the matches that must repeat with the distance of two lags to make one the alias of the other */
#define LONE_KEY 2 /* there is but one, and it is no wake */
#define REPEAT_ROOM 5.0 /* s */
/* Of the matches of the best lag: from there on another lag is an alias to be reckoned with. */
#define ALIAS_SHARE 0.6

static double clamp01(double x)
{
	return isfinite(x) ? fmin(1, fmax(0, x)) : 0;
}

/* Is there a like event a period before or after? Then a match of this one follows from a match of that one. */
static bool repeats(const struct lineup_event *e, size_t n, size_t i, double period)
{
	for (int side = -1; side <= 1; side += 2) {
		double t = e[i].t + side * period;
		size_t lo = 0, hi = n;

		while (lo < hi) {
			size_t mid = lo + (hi - lo) / 2;

			if (e[mid].t < t - REPEAT_ROOM)
				lo = mid + 1;
			else
				hi = mid;
		}
		for (; lo < n && e[lo].t <= t + REPEAT_ROOM; lo++)
			if (e[lo].up == e[i].up)
				return true;
	}
	return false;
}

/* Matches by one lag that the other lacks and that no rhythm explains: where all repeats with the distance of the two
 * lags, one lag is as good as the other, and the wake that is lost at the end proves little. */
static int lone_matches(const struct lineup *l, const struct lineup_fit *by, const struct lineup_fit *other)
{
	const struct lineup_event *step = by->turned ? l->turned : l->step;
	size_t steps = by->turned ? l->turned_steps : l->steps;
	double period = fabs(by->start - other->start);
	int n = by->keyed && !other->keyed ? LONE_KEY : 0;

	for (size_t i = 0; i < steps; i++) {
		int j = by->edge_of[i];

		n += j >= 0 && other->edge_of[i] < 0 && !repeats(step, steps, i, period) &&
			!repeats(l->edge, l->edges, (size_t)j, period);
	}
	return n;
}

static void refuse(struct lull_lineup *out, const char *why)
{
	out->paired = false;
	snprintf(out->why, sizeof(out->why), "%s", why);
}

static void report(const struct lineup_fit *f, struct lull_lineup *out)
{
	out->start_s = f->start;
	out->drift_ppm = f->drift_ppm;
	out->error_s = f->error_s;
	out->matched = f->matched;
	out->rises = f->rises;
}

/* --- by the bus alone --- */

static int order(const void *a, const void *b)
{
	const struct lineup_fit *x = a, *y = b;

	return (x->worth < y->worth) - (x->worth > y->worth);
}

static int finish(struct lineup *l, const struct lineup_anchor *anchor, size_t anchors, struct lineup_fit *fit)
{
	if (fit->turned)
		lineup_flip(l);
	int r = lineup_fit_finish(l, anchor, anchors, fit);

	if (fit->turned)
		lineup_flip(l);
	return r;
}

static int by_bus(struct lineup *l, struct lineup_fit *fit, size_t n, struct lull_lineup *out)
{
	struct lineup_fit *best = &fit[0];
	int r = finish(l, NULL, 0, best);

	if (r)
		return r;
	double top = lineup_worth(l, best), all = 1;
	const struct lineup_fit *alias = NULL;
	size_t steps = best->turned ? l->turned_steps : l->steps;
	int proof = 0;

	for (size_t i = 1; i < n; i++) {
		bool near = fabs(fit[i].start - best->start) < 8;

		if (near && fit[i].turned == best->turned)
			continue;
		all += exp(fmin(0, lineup_worth(l, &fit[i]) - top));
		if (near)
			continue;
		if (isnan(out->other_start_s))
			out->other_start_s = fit[i].start;
		if (fit[i].turned != best->turned || fit[i].spells < RHYTHM_SPELLS ||
			fit[i].matched < ALIAS_SHARE * best->matched)
			continue;
		int lone = lone_matches(l, best, &fit[i]), d = lone - lone_matches(l, &fit[i], best);

		/* By chance, not by rhythm: such are weighed by their likelihood. */
		if (lone > (1 - RHYTHM) * best->matched)
			continue;
		if (!alias || d < proof) {
			alias = &fit[i];
			proof = d;
		}
	}
	all += exp(fmin(700, -top)); /* unrelated, at even odds before anything was seen */
	out->confidence = clamp01(lineup_near_enough(l, best) / all);
	report(best, out);
	if (best->turned)
		out->scale = -1;
	if (best->matched < LEAST_MATCHED) {
		out->confidence = fmin(out->confidence, 0.3);
		snprintf(out->why, sizeof(out->why),
			"only %u step%s of the current found an edge of the bus; three are needed",
			best->matched, best->matched == 1 ? "" : "s");
		return 0;
	}
	if (alias) {
		out->other_start_s = alias->start;
		if (proof < 1 || (proof < 2 && best->score - alias->score < ALIAS_LEAD)) {
			out->confidence = fmin(out->confidence, 0.4);
			snprintf(out->why, sizeof(out->why),
				"lines up with the log's start at %.1f s (%u steps) and at %.1f s (%u "
				"steps): which one cannot be told",
				best->start, best->matched, alias->start, alias->matched);
			return 0;
		}
	}
	if (out->confidence < PAIRED) {
		snprintf(out->why, sizeof(out->why),
			"nothing lines up better than chance: %u of %zu steps at best", best->matched,
			steps);
		return 0;
	}
	out->paired = true;
	if (alias)
		snprintf(out->why, sizeof(out->why),
			"%u of %zu steps found their edge; a start at %.1f s would match %u, but %d more "
			"speak against it",
			best->matched, steps, alias->start, alias->matched, proof);
	else if (!best->rises)
		snprintf(out->why, sizeof(out->why),
			"%u of %zu steps found their edge, all falls or the key's: to %.1f s; another night of this car looks much alike",
			best->matched, steps, 1.96 * best->error_s);
	else
		snprintf(out->why, sizeof(out->why), "%u of %zu steps found their edge, %u of them rises",
			best->matched, steps, best->rises);
	return 0;
}

/* --- by a known load --- */

#define LOAD_LEAD 5
#define LOAD_APART 4.0 /* s */

struct combination {
	double start, scale, drift;
	unsigned loads, missed;
	double misfit;
	struct lineup_anchor anchor[PATTERNS];
	size_t anchors;
};

/* Scales that occur: right, ten times wrong, and each the other way round. */
static bool plausible(double scale)
{
	double size = fabs(scale);

	return isfinite(size) &&
		(fabs(log(size)) < 0.3 || fabs(log(size / 10)) < 0.3 || fabs(log(size * 10)) < 0.3);
}

static void combine(const struct lineup *l, const struct lull_known_load *load, size_t loads,
	const struct lineup_pattern *p, size_t patterns, size_t i, size_t j, struct combination *c)
{
	double sum = 0;

	memset(c, 0, sizeof(*c));
	c->start = 1e-9 * (double)load[i].t - p[j].s;
	c->scale = load[i].mA / p[j].mA;
	for (size_t k = 0; k < loads && c->anchors < PATTERNS; k++) {
		double t = 1e-9 * (double)load[k].t, least = INFINITY;
		const struct lineup_pattern *found = NULL;

		for (size_t m = 0; m < patterns; m++) {
			double off = fabs(t - p[m].s - c->start), scale = load[k].mA / p[m].mA;

			if (off < 2 + 1e-4 * fabs(p[m].s - p[j].s) && scale / c->scale > 0.8 &&
				scale / c->scale < 1.25 && off < least) {
				least = off;
				found = &p[m];
			}
		}
		if (!found) {
			/* Its mark stands where the log was running, and there is nothing. */
			c->missed += lineup_in_log(l, t - c->start) && lineup_in_log(l, t - c->start + 25);
			continue;
		}
		c->loads++;
		c->misfit += found->misfit;
		sum += load[k].mA / found->mA;
		c->anchor[c->anchors++] = (struct lineup_anchor){found->s, t};
	}
	c->scale = c->loads ? sum / c->loads : c->scale;
	c->misfit /= fmax(1, c->loads);
}

/* What a combination is worth beside others: each further load that fits its mark is worth more than any bus. */
static double load_worth(const struct lineup *l, const struct combination *c, const struct lineup_fit *f)
{
	return 12 * c->loads - 6 * c->missed + lineup_worth(l, f) - 4 * c->misfit;
}

static void refuse_load(struct lull_lineup *out, double other)
{
	out->paired = false;
	out->other_start_s = other;
	out->confidence = fmin(out->confidence, 0.4);
	snprintf(out->why, sizeof(out->why),
		"the known load may be the one with the log's start at %.1f s or at %.1f s: which "
		"one cannot be told",
		out->start_s, other);
}

/* A load may be switched while much else is, and then be seen somewhere else by chance: the bus has a say. */
static bool disagree(const struct lineup *l, const struct lull_lineup *load, const struct lineup_fit *bus)
{
	double middle = 0.5 * (l->lo + l->hi);

	return fabs(load->start_s + 1e-6 * middle * load->drift_ppm - bus->start - 1e-6 * middle * bus->drift_ppm) > LOAD_APART + l->sample_s;
}

static int by_load(struct lineup *l, const struct lull_lineup_input *in, const struct lineup_pattern *p,
	size_t patterns, struct lull_lineup *out, double *value_of_best)
{
	struct combination best = {0}, c;
	double top = -INFINITY, second = -INFINITY, second_start = NAN;
	struct lineup_fit fit = {0};
	size_t loads = in->load_count < PATTERNS ? in->load_count : PATTERNS;
	int r = 0;

	for (size_t i = 0; i < loads; i++) {
		if (!isfinite(in->loads[i].mA) || in->loads[i].mA == 0 || in->loads[i].t == LULL_NEVER)
			continue;
		for (size_t j = 0; j < patterns; j++) {
			struct lineup_fit f;

			if (!plausible(in->loads[i].mA / p[j].mA))
				continue;
			combine(l, in->loads, loads, p, patterns, i, j, &c);
			if (!c.loads ||
				(best.loads && fabs(c.start - best.start) < 4 && c.loads <= best.loads))
				continue;
			if (c.scale < 0)
				lineup_flip(l);
			r = lineup_fit(l, c.start, 3, c.anchor, c.anchors, &f);
			if (c.scale < 0)
				lineup_flip(l);
			if (r)
				goto out;
			double value = load_worth(l, &c, &f);
			bool same = best.loads && fabs(c.start - best.start) < 4;

			if (value > top) {
				if (!same) {
					second = top;
					second_start = best.loads ? best.start : (double)NAN;
				}
				top = value;
				best = c;
				lineup_fit_clear(&fit);
				fit = f;
			} else {
				if (value > second && !same) {
					second = value;
					second_start = c.start;
				}
				lineup_fit_clear(&f);
			}
		}
	}
	if (!best.loads)
		goto out;
	if (best.scale < 0)
		lineup_flip(l);
	r = lineup_fit_finish(l, best.anchor, best.anchors, &fit);
	if (best.scale < 0)
		lineup_flip(l);
	if (r)
		goto out;
	report(&fit, out);
	out->by_load = true;
	out->scale = best.scale;
	out->other_start_s = second_start;
	double lead = top - second;

	*value_of_best = top;

	out->confidence = clamp01(
		lineup_near_enough(l, &fit) / (1 + exp(-lead)) * (best.loads > 1 || fit.matched >= LEAST_MATCHED ? 0.99 : 0.95));
	if (isfinite(second) && lead < LOAD_LEAD) {
		refuse_load(out, second_start);
		goto out;
	}
	out->paired = true;
	snprintf(out->why, sizeof(out->why),
		"by the known load, found %u time%s, with %u steps that found their edge", best.loads,
		best.loads == 1 ? "" : "s", fit.matched);
out:
	lineup_fit_clear(&fit);
	return r;
}

/* --- */

/* Adds the fits of all lags that look promising. */
static int candidates(
	const struct lineup *l, const struct lull_lineup_input *in, struct lineup_fit *fit, size_t *n)
{
	double lag[CANDIDATES / 2];
	size_t lags = 0;
	int r = lineup_coarse(l, in->series, lag, COARSE, &lags);

	for (size_t k = 0; !r && k < l->keys && l->edges; k++)
		for (size_t i = 0; i < l->bigs; i++)
			lag[lags++] = l->key[k].t - l->big[i].t;
	if (!r && !isnan(l->dated) && fabs(l->dated) < 1e8 && l->edges && l->steps)
		lag[lags++] = l->dated;
	for (size_t i = 0; !r && i < lags; i++) {
		bool seen = false;

		for (size_t k = 0; k < i && !seen; k++)
			seen = fabs(lag[k] - lag[i]) < SAME_LAG;
		if (seen)
			continue;
		r = lineup_fit(l, lag[i], LAG_ROOM, NULL, 0, &fit[*n]);
		if (r)
			break;
		fit[(*n)++].turned = l->reversed;
	}
	return r;
}

/* Either way round. */
static int all_candidates(
	struct lineup *l, const struct lull_lineup_input *in, struct lineup_fit *fit, size_t *n)
{
	int r = candidates(l, in, fit, n);

	if (!r) {
		lineup_flip(l);
		r = candidates(l, in, fit, n);
		lineup_flip(l);
	}
	for (size_t i = 0; i < *n; i++)
		fit[i].worth = lineup_worth(l, &fit[i]);
	if (*n)
		qsort(fit, *n, sizeof(*fit), order);
	return r;
}

/* Nothing that is not a number leaves here, but where the header says so. */
static void settle(struct lull_lineup *out)
{
	if (!isfinite(out->start_s) || !isfinite(out->drift_ppm) || !isfinite(out->error_s)) {
		out->start_s = out->drift_ppm = out->error_s = 0;
		out->confidence = 0;
		out->paired = false;
	}
	if (!isfinite(out->other_start_s))
		out->other_start_s = NAN;
	if (!isfinite(out->scale))
		out->scale = NAN;
}

int lull_line_up(const struct lull_lineup_input *in, struct lull_lineup *out)
{
	struct lineup l;
	struct lineup_fit fit[CANDIDATES];
	struct lineup_pattern pattern[PATTERNS];
	size_t n = 0, patterns = 0;
	int r = lineup_prepare(in, &l);

	*out = (struct lull_lineup){.other_start_s = NAN, .scale = NAN};
	memset(fit, 0, sizeof(fit));
	if (r)
		return r;
	if (in->load_count && in->series)
		r = lineup_find_patterns(&l, in->series, pattern, PATTERNS, &patterns);
	double by_loads = -INFINITY;

	if (!r && patterns)
		r = by_load(&l, in, pattern, patterns, out, &by_loads);
	if (!r)
		r = all_candidates(&l, in, fit, &n);
	if (!r && out->by_load && n && disagree(&l, out, &fit[0])) {
		if (by_loads < fit[0].worth)
			*out = (struct lull_lineup){.other_start_s = NAN, .scale = NAN};
		else if (by_loads < fit[0].worth + LOAD_LEAD)
			refuse_load(out, fit[0].start);
	}
	if (!r && !out->by_load) {
		if (n)
			r = by_bus(&l, fit, n, out);
		else
			refuse(out,
				l.steps		 ? "the bus has no edges, or none near a step"
				: in->step_count ? "the steps of the current are so close that none stands by itself"
						 : "the current has no steps");
	}
	for (size_t i = 0; i < CANDIDATES; i++)
		lineup_fit_clear(&fit[i]);
	lineup_clear(&l);
	settle(out);
	return r;
}
