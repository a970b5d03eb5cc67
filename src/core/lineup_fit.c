/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lineup_fit: one lag judged: which step is which edge, and is it more than chance. Pure.
 *
 * By the lag, each edge shows in the current with an unknown chance (a spell of the whole bus most likely, a single node
 * perhaps), at a delay of known shape; the remaining steps come by chance, in flurries (lineup_prepare). By chance, all steps
 * come so. The score is the log of the ratio of the two likelihoods with the chance to show integrated out, for the best
 * matching; offset and drift are sought on grids, since delays have edges and the score many humps. */
#include <core/lineup.h>
#include <errno.h>
#include <gsl/gsl_sf_gamma.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LAG_SD 0.15 /* s: leads of one waker are all alike, and nothing tells how long */
#define MOST_PAIRS 60000
#define KEY_ROOM 3.0 /* s: which ID speaks last with the key is known no better */
#define KEY_BLUR 1.5 /* half of it is within half that */
#define KEY_SEEN 0.8
#define KEY_SHARP 0.85
/* Beta prior of the chance that a spell's edge shows; uniform for that of a node. */
#define LEAST_GAIN 0.5
#define SEEN 4.0
#define UNSEEN 1.0
#define SMALL_MA 12.0
#define ANCHOR_SD 0.7 /* s: a hand at the switch, the other at the mark */

struct pair {
	unsigned step, edge;
	bool up, spell;
	double apart; /* edge - step by the lag as first told */
	double at; /* clamp time of the step */
	double s; /* the same from the pivot */
	double blur; /* half-width by which the step's instant is uncertain */
	double bonus; /* log of weight over how often chance has such a step there */
};

struct bench {
	const struct lineup *l;
	const struct lineup_anchor *anchor;
	size_t anchors;
	double lag, pivot, width;
	double span; /* of the paired steps, s */
	struct pair *pair;
	size_t pairs;
	double log_overlap;
	double steps[2], edges[2][2]; /* in the overlap, by direction; edges of nodes by weight, of spells by number */
	double *seen[2][2]; /* log prior of k edges of nodes, of spells, that show */
	size_t most[2];
	double *best; /* per step */
	double *edge_best; /* per edge */
	int *choice; /* per step */
	int *taken; /* per edge */
	double key_gain; /* of the last judgement; 0: none */
	double key_s; /* clamp time of its step */
	double by[2], by_key; /* of the last judgement, before its prior of drift */
};

/* A box [a, b] seen through a box of half-width r: a trapezoid of area 1. */
static double trapezoid(double x, double a, double b, double r)
{
	double wide = fmax(b - a, 2 * r), ramp = fmin(b - a, 2 * r);
	double inside = fmin(x - (a - r), (b + r) - x);

	return inside <= 0 ? 0 : fmin(1, inside / ramp) / wide;
}

/* Most of the car wakes by the first frame and draws from then on; the waker, or a car that is woken by a line of its own,
 * 0 to 1 s before. Falls 0 to 3 s after the last frame. Some room for nodes that rise or fall by themselves. */
static double density(bool up, double apart, double blur)
{
	if (up)
		return 0.75 * trapezoid(apart, -0.2, 0.1, blur) + 0.15 * trapezoid(apart, -0.06, 0.96, blur) +
			0.1 * trapezoid(apart, -2.5, 3, blur);
	return 0.65 * trapezoid(-apart, -0.1, 3.2, fmax(blur, 0.2)) + 0.25 * trapezoid(-apart, -1.5, 4.5, blur) +
		0.1 * trapezoid(-apart, -3, 8, blur);
}

/* What the ignition feeds falls silent with the key, and tells it to a fraction of a second; else it is the mark, or the fall of
 * many, that tells it to some. */
static double key_density(const struct lineup *l, double off, double sd)
{
	double wide = trapezoid(off, -KEY_ROOM, KEY_ROOM, KEY_BLUR + 1.7 * sd);

	if (l->key_room <= 0)
		return wide;
	double var = l->key_room * l->key_room + sd * sd;

	return (1 - KEY_SHARP) * wide + KEY_SHARP * exp(-0.5 * off * off / var) / sqrt(2 * M_PI * var);
}

/* Edges of the key against the largest steps, in either direction. */
static double judge_key(struct bench *b, double o, double d)
{
	const struct lineup *l = b->l;
	double all = 0;

	b->key_gain = 0;
	for (size_t k = 0; k < l->keys; k++) {
		double best = 0, best_s = 0;

		for (size_t i = 0; i < l->bigs; i++) {
			double s = l->big[i].t;
			double off = b->lag + s + o + 1e-6 * d * (s - l->lo - b->pivot) - l->key[k].t;
			double f = key_density(l, off, l->big[i].sd);

			if (f <= 0)
				continue;
			double gain = log(KEY_SEEN * f) + b->log_overlap - log((double)l->bigs);

			if (gain > best) {
				best = gain;
				best_s = s;
			}
		}
		if (best <= 0)
			continue;
		all += best;
		if (best > b->key_gain) {
			b->key_gain = best;
			b->key_s = best_s;
		}
	}
	return all;
}

/* Score of offset o and drift d (ppm) about the pivot. */
static double judge(struct bench *b, double o, double d)
{
	const struct lineup *l = b->l;
	size_t k[2][2] = {{0, 0}, {0, 0}};
	double sum = -0.5 * (d / LINEUP_DRIFT_SD) * (d / LINEUP_DRIFT_SD);

	b->by_key = judge_key(b, o, d);
	b->by[0] = b->by[1] = 0;

	for (size_t i = 0; i < b->pairs; i++) {
		b->choice[b->pair[i].step] = -1;
		b->taken[b->pair[i].edge] = -1;
	}
	for (size_t i = 0; i < b->pairs; i++) {
		const struct pair *p = &b->pair[i];

		/* One step, one cause. */
		if (b->key_gain > 0 && fabs(p->at - b->key_s) < 0.5)
			continue;
		double f = density(p->up, p->apart - o - 1e-6 * d * p->s, p->blur);

		if (f <= 0)
			continue;
		double gain = log(f) + p->bonus, least = LEAST_GAIN;

		if (gain > least && (b->choice[p->step] < 0 || gain > b->best[p->step])) {
			b->choice[p->step] = (int)p->edge;
			b->best[p->step] = gain;
		}
	}
	/* An edge goes to the step that gains most by it; the other one is left without. */
	for (size_t i = 0; i < b->pairs; i++) {
		const struct pair *p = &b->pair[i];

		if (b->choice[p->step] != (int)p->edge)
			continue;
		int other = b->taken[p->edge];

		if (other >= 0) {
			if (b->best[other] >= b->best[p->step]) {
				b->choice[p->step] = -1;
				continue;
			}
			b->choice[other] = -1;
			b->by[p->up] -= b->best[other];
			k[p->up][p->spell]--;
		}
		b->taken[p->edge] = (int)p->step;
		b->by[p->up] += b->best[p->step];
		k[p->up][p->spell]++;
	}
	for (int up = 0; up < 2; up++) {
		size_t most = b->most[up];

		for (int spell = 0; spell < 2; spell++)
			b->by[up] += b->seen[up][spell][k[up][spell] < most ? k[up][spell] : most];
	}
	sum += b->by_key + b->by[0] + b->by[1];
	for (size_t i = 0; i < b->anchors; i++) {
		double s = b->anchor[i].s;
		double off =
			(b->lag + s + o + 1e-6 * d * (s - l->lo - b->pivot) - b->anchor[i].t) / ANCHOR_SD;

		/* A slip of the hand must not pull the rest along. */
		sum -= fabs(off) < 3 ? 0.5 * off * off : 3 * fabs(off) - 4.5;
	}
	return sum;
}

static void bench_clear(struct bench *b)
{
	free(b->pair);
	for (int up = 0; up < 2; up++) {
		free(b->seen[up][0]);
		free(b->seen[up][1]);
	}
	free(b->best);
	free(b->edge_best);
	free(b->choice);
	free(b->taken);
}

static size_t first_edge(const struct lineup *l, double t)
{
	size_t lo = 0, hi = l->edges;

	while (lo < hi) {
		size_t mid = lo + (hi - lo) / 2;

		if (l->edge[mid].t < t)
			lo = mid + 1;
		else
			hi = mid;
	}
	return lo;
}

static bool recorded(const struct bench *b, const struct lineup_event *step)
{
	return step->t + b->lag > -1 && step->t + b->lag < b->l->end + 1;
}

/* Steps of some mA are the clamp's own; what wakes or goes to sleep draws more. */
static double large(double mA)
{
	return mA * mA / (mA * mA + SMALL_MA * SMALL_MA);
}

static size_t gather(struct bench *b, struct pair *into, double reach)
{
	const struct lineup *l = b->l;
	size_t n = 0;

	for (size_t i = 0; i < l->steps && n < MOST_PAIRS; i++) {
		const struct lineup_event *s = &l->step[i];
		double t = b->lag + s->t, blur = 0.05 + 1.7 * s->sd;

		for (size_t j = first_edge(l, t - reach - blur);
			j < l->edges && l->edge[j].t <= t + reach + blur; j++) {
			if (l->edge[j].up != s->up)
				continue;
			bool spell = l->edge[j].weight >= LINEUP_SPELL;

			if (into)
				into[n] = (struct pair){(unsigned)i, (unsigned)j, s->up, spell, l->edge[j].t - t,
					s->t, s->t, blur, log((spell ? 1 : l->edge[j].weight) * large(s->amp) / s->often)};
			if (++n == MOST_PAIRS)
				break;
		}
	}
	return n;
}

static int bench_priors(struct bench *b)
{
	for (int up = 0; up < 2; up++) {
		double ns = b->steps[up];

		b->most[up] = (size_t)ns;
		for (int spell = 0; spell < 2; spell++) {
			double *seen = calloc(b->most[up] + 1, sizeof(*seen));
			double yes = spell ? SEEN : 1, no = spell ? UNSEEN : 1;

			b->seen[up][spell] = seen;
			if (!seen)
				return -ENOMEM;
			for (size_t k = 0; k <= b->most[up]; k++) {
				double unseen = fmax(b->edges[up][spell] - (double)k, 0);

				seen[k] = gsl_sf_lnbeta((double)k + yes, unseen + no) - gsl_sf_lnbeta(yes, no);
			}
		}
	}
	return 0;
}

static int bench_make(struct bench *b, double reach)
{
	const struct lineup *l = b->l;
	double from = fmax(0, b->lag + l->lo), to = fmin(l->end, b->lag + l->hi);

	b->log_overlap = log(fmax(to - from, 1));
	for (size_t i = 0; i < l->steps; i++)
		b->steps[l->step[i].up] += recorded(b, &l->step[i]);
	for (size_t i = 0; i < l->edges; i++) {
		const struct lineup_event *e = &l->edge[i];
		bool spell = e->weight >= LINEUP_SPELL;

		if (lineup_in_log(l, e->t - b->lag))
			b->edges[e->up][spell] += spell ? 1 : e->weight;
	}
	b->pairs = gather(b, NULL, reach);
	b->pair = calloc(b->pairs + 1, sizeof(*b->pair));
	b->best = calloc(l->steps + 1, sizeof(*b->best));
	b->choice = calloc(l->steps + 1, sizeof(*b->choice));
	b->taken = calloc(l->edges + 1, sizeof(*b->taken));
	if (!b->pair || !b->best || !b->choice || !b->taken)
		return -ENOMEM;
	b->pairs = gather(b, b->pair, reach);

	double low = INFINITY, high = -INFINITY, mean = 0;

	for (size_t i = 0; i < b->pairs; i++) {
		low = fmin(low, b->pair[i].s);
		high = fmax(high, b->pair[i].s);
		mean += b->pair[i].s / (double)b->pairs;
	}
	for (size_t i = 0; i < b->anchors; i++) {
		low = fmin(low, b->anchor[i].s);
		high = fmax(high, b->anchor[i].s);
		if (!b->pairs)
			mean += b->anchor[i].s / (double)b->anchors;
	}
	if (!b->pairs && !b->anchors)
		mean = 0.5 * (l->lo + l->hi);
	b->pivot = mean - l->lo;
	b->span = high > low ? fmax(fmax(high - mean, mean - low), 1) : 1;
	for (size_t i = 0; i < b->pairs; i++)
		b->pair[i].s -= mean;
	return bench_priors(b);
}

/* Grid about a centre; leaves the best in its place. */
static double seek(
	struct bench *b, double *o, double *d, double o_reach, double d_reach, double o_step, double d_step)
{
	double best = -INFINITY, at_o = *o, at_d = *d;
	int no = (int)ceil(o_reach / o_step), nd = (int)ceil(d_reach / d_step);

	for (int i = -no; i <= no; i++) {
		for (int j = -nd; j <= nd; j++) {
			double oo = *o + i * o_step, dd = *d + j * d_step;

			if (fabs(dd) > LINEUP_DRIFT_MAX)
				continue;
			double score = judge(b, oo, dd);

			if (score > best) {
				best = score;
				at_o = oo;
				at_d = dd;
			}
		}
	}
	*o = at_o;
	*d = at_d;
	return best;
}

static void take_result(struct bench *b, double o, double d, struct lineup_fit *fit)
{
	const struct lineup *l = b->l;

	fit->score = judge(b, o, d);
	fit->by[0] = b->by[0];
	fit->by[1] = b->by[1];
	fit->by_key = b->by_key;
	fit->drift_ppm = d;
	fit->start = b->lag + o - 1e-6 * d * (b->pivot + l->lo);
	fit->overlap = fmax(0, fmin(l->end, b->lag + l->hi) - fmax(0, b->lag + l->lo));
	fit->overlapping = b->edges[0][1] + b->edges[1][1] > 0;
	fit->keyed = b->key_gain > 0;
	fit->matched = fit->keyed;
	fit->rises = fit->spells = 0;
	for (size_t i = 0; i < l->steps; i++)
		fit->edge_of[i] = -1;
	fit->unexplained = 0;
	for (size_t i = 0; i < b->pairs; i++) {
		unsigned step = b->pair[i].step;

		if (fit->edge_of[step] >= 0 || b->choice[step] < 0 || b->taken[b->choice[step]] != (int)step)
			continue;
		fit->edge_of[step] = b->choice[step];
		fit->matched++;
		fit->rises += l->step[step].up;
		fit->spells += b->pair[i].spell;
	}
	for (size_t i = 0; i < l->steps; i++)
		if (fit->edge_of[i] < 0 && recorded(b, &l->step[i]))
			fit->unexplained += large(l->step[i].amp);
	if (fit->keyed)
		fit->unexplained = fmax(0, fit->unexplained - 1);
}

int lineup_fit(const struct lineup *l, double lag, double width, const struct lineup_anchor *anchor,
	size_t anchors, struct lineup_fit *fit)
{
	struct bench b = {.l = l, .lag = lag, .width = width, .anchor = anchor, .anchors = anchors};
	double rate = 1e-6 * 60 * 0.5 * (l->hi - l->lo);
	double o = 0, d = 0;

	memset(fit, 0, sizeof(*fit));
	fit->edge_of = calloc(l->steps + 1, sizeof(*fit->edge_of));
	int r = fit->edge_of ? bench_make(&b, width + rate + 8) : -ENOMEM;

	if (!r) {
		double o_step = 0.4 + 0.25 * l->sample_s,
		       d_step = fmax(2, 1e6 * (0.4 + 0.25 * l->sample_s) / b.span);
		double d_reach = d_step > 80 ? 0 : 80;

		(void)seek(&b, &o, &d, width + rate, d_reach, o_step, d_step);
		for (int i = 0; i < 3; i++) {
			o_step /= 2;
			d_step /= 2;
			(void)seek(&b, &o, &d, 2 * o_step, d_reach > 0 ? 2 * d_step : 0, o_step, d_step);
		}
		take_result(&b, o, d, fit);
	}
	bench_clear(&b);
	if (r)
		lineup_fit_clear(fit);
	return r;
}

/* The mean over all offsets and rates, weighed by what each explains: where delays leave room, its middle. */
int lineup_fit_finish(
	const struct lineup *l, const struct lineup_anchor *anchor, size_t anchors, struct lineup_fit *fit)
{
	struct bench b = {.l = l, .anchor = anchor, .anchors = anchors};
	double middle = 0.5 * (l->lo + l->hi), drift = fit->drift_ppm;
	double sum = 0, mean_o = 0, mean_d = 0, mean_mid = 0, var_mid = 0;

	/* The lag without its drift, true in the middle of the log. */
	b.lag = fit->start + 1e-6 * drift * middle;
	int r = bench_make(&b, 12 + 1e-6 * 100 * (l->hi - l->lo));

	if (r) {
		bench_clear(&b);
		return r;
	}
	double o0 = 1e-6 * drift * (b.pivot + l->lo - middle), reach = 1.5 + 1.5 * l->sample_s;
	double d_reach = fmin(100, 1e6 * (2 + 1.5 * l->sample_s) / b.span);

	if (d_reach < 4)
		d_reach = 4;
	enum { O = 30, D = 20 };
	double best = fit->score;

	for (int pass = 0; pass < 2; pass++) {
		for (int i = -O; i <= O; i++) {
			for (int j = -D; j <= D; j++) {
				double o = reach * i / O, d = d_reach * j / D;
				double score = judge(&b, o0 + o, drift + d);

				if (!pass) {
					best = fmax(best, score);
					continue;
				}
				double w = exp(score - best), mid = o + 1e-6 * d * (middle - b.pivot - l->lo);

				sum += w;
				mean_o += w * o;
				mean_d += w * d;
				mean_mid += w * mid;
				var_mid += w * mid * mid;
			}
		}
	}
	if (sum > 0 && isfinite(sum)) {
		mean_mid /= sum;
		fit->error_s = sqrt(fmax(0, var_mid / sum - mean_mid * mean_mid) + LAG_SD * LAG_SD);
		take_result(&b, o0 + mean_o / sum, drift + mean_d / sum, fit);
	} else {
		fit->error_s = reach;
	}
	bench_clear(&b);
	return 0;
}

void lineup_fit_clear(struct lineup_fit *fit)
{
	free(fit->edge_of);
	memset(fit, 0, sizeof(*fit));
}
