/* SPDX-License-Identifier: GPL-3.0-or-later */
/* levels: a night of samples as levels, ramps and steps between them. Pure. */
#include <core/levels.h>
#include <core/merge.h>

#include <errno.h>
#include <math.h>
#include <stdlib.h>

/* Longer logs are reduced to this many blocks. */
static const size_t most_blocks = 400000;
/* A value further than this many standard deviations from its level costs no more: it takes three in a row to make
 * a level of their own. */
static const double cost_cap = 4;
/* Multiples of log(n): 2 holds for a known noise (Yao, "Estimating the number of change-points via Schwarz' criterion",
 * 1988); an estimated noise that may be slow needs more. */
static const double default_penalty = 3;
/* Steps this many standard deviations high are steps, whatever the noise does. */
static const double large_step = 6;

struct work {
	struct lull_log log;
	struct lull_noise noise;
	double penalty; /* in units of the noise's variance */
	size_t block, m;
	double *y; /* block means, less the median of some of them */
	double zero;
	float *ratio; /* noise variance of each block over the usual */
	uint32_t *first; /* where the partition's pieces begin */
	struct lull_pieces pieces; /* from, to in blocks, later in samples */
};

/* --- blocks --- */

static size_t block_end(const struct work *w, size_t j)
{
	return j + 1 == w->m ? w->log.n : (j + 1) * w->block;
}

/* Mean without what stands far off the block's middle. */
static double robust_mean(const float *x, size_t n, double reach, double *room)
{
	double sum = 0, kept = 0;
	float lowest = x[0], highest = x[0];

	for (size_t i = 0; i < n; i++) {
		lowest = x[i] < lowest ? x[i] : lowest;
		highest = x[i] > highest ? x[i] : highest;
		sum += (double)x[i];
	}
	if ((double)highest - (double)lowest <= 2 * reach || n < 3)
		return sum / (double)n;
	for (size_t i = 0; i < n; i++)
		room[i] = (double)x[i];
	double middle = lull_select(room, n, n / 2);

	sum = 0;
	for (size_t i = 0; i < n; i++)
		if (fabs((double)x[i] - middle) <= reach) {
			sum += (double)x[i];
			kept++;
		}
	return sum / kept;
}

static int make_blocks(struct work *w)
{
	w->block = (w->log.n + most_blocks - 1) / most_blocks;
	w->m = w->log.n / w->block;
	w->y = malloc(w->m * sizeof(*w->y));
	w->first = malloc(w->m * sizeof(*w->first));
	double *room = malloc(2 * w->block * sizeof(*room));
	double some[1025];
	size_t take = w->m < 1025 ? w->m : 1025;

	if (!w->y || !w->first || !room) {
		free(room);
		return -ENOMEM;
	}
	for (size_t j = 0; j < w->m; j++) {
		size_t from = j * w->block;

		w->y[j] = w->block == 1
			? (double)w->log.x[from]
			: robust_mean(w->log.x + from, block_end(w, j) - from, 4 * w->noise.sd, room);
	}
	free(room);
	for (size_t k = 0; k < take; k++)
		some[k] = w->y[k * w->m / take];
	w->zero = lull_select(some, take, take / 2);
	for (size_t j = 0; j < w->m; j++)
		w->y[j] -= w->zero;
	w->noise.block = w->block;
	return 0;
}

/* --- partition --- */

/* Middle of y[from, to), of at most some hundred of them. */
static double middle_of(const double *y, size_t from, size_t to)
{
	double some[129];
	size_t n = to - from, take = n < 129 ? n : 129;

	for (size_t k = 0; k < take; k++)
		some[k] = y[from + k * n / take];
	return lull_select(some, take, take / 2);
}

/* Robust standard deviation of blocks about their pieces. */
static double spread_of_blocks(const struct work *w)
{
	enum { SOME = 4097 };
	double *r = malloc(SOME * sizeof(*r));
	size_t n = 0, stride = w->m / SOME + 1;

	if (!r)
		return (double)NAN;
	for (size_t i = 0, j = 0; i < w->pieces.n; i++) {
		const struct lull_piece *p = &w->pieces.piece[i];

		for (; j < p->to && n < SOME; j += stride)
			r[n++] = fabs(w->y[j] - p->value) / sqrt((double)w->ratio[j]);
	}
	double sd = n > 0 ? 1.4826 * lull_select(r, n, n / 2) : 0;

	free(r);
	return sd;
}

static int add_backwards(struct work *w)
{
	size_t pieces = 0;

	for (size_t t = w->m; t > 0; t = w->first[t - 1])
		pieces++;
	w->pieces.piece = calloc(pieces + 1, sizeof(*w->pieces.piece));
	if (!w->pieces.piece)
		return -ENOMEM;
	w->pieces.n = w->pieces.room = pieces;
	for (size_t t = w->m; t > 0; t = w->first[t - 1]) {
		struct lull_piece *p = &w->pieces.piece[--pieces];

		p->from = w->first[t - 1];
		p->to = t;
		p->value = middle_of(w->y, p->from, p->to);
	}
	return 0;
}

/* Too many edges: with the noise as it is over some blocks only. What is really no edge falls to the noise at its own
 * length afterwards. */
static int partition(struct work *w)
{
	struct lull_noise near = w->noise;
	double variance = w->noise.sd * w->noise.sd / (double)w->block, worst = 1;
	int error = lull_noise_of_blocks(w->y, w->m, 3, 10 * sqrt(variance), &near);

	if (error)
		return error;
	for (unsigned k = 0; k < near.scales; k++)
		worst = fmax(worst, near.near[k]);
	double scale = 1 / sqrt(variance * worst);

	float *ratio = NULL;

	error = lull_noise_local(w->y, w->m, &near, &ratio);
	w->ratio = ratio;
	if (error)
		return error;

	for (size_t j = 0; j < w->m; j++)
		w->y[j] *= scale;
	error = lull_partition(w->y, w->ratio, w->m, w->penalty, cost_cap, w->first);
	for (size_t j = 0; j < w->m; j++)
		w->y[j] /= scale;
	return error ? error : add_backwards(w);
}

/* How many times rougher than usual it is on the rougher side of an edge. */
static double roughness(const struct work *w, size_t edge)
{
	return sqrt(fmax((double)w->ratio[edge - 1], (double)w->ratio[edge]));
}

/* The noise at every length, from the blocks less their levels; only steps that no noise makes are taken out, since the
 * partition's small ones may be slow noise. */
static int measure_noise(struct work *w)
{
	double *flat = malloc(w->m * sizeof(*flat)), spread = spread_of_blocks(w);
	double sd = fmax(spread, w->noise.sd / sqrt((double)w->block));
	const struct lull_piece *p = w->pieces.piece;

	if (!flat || isnan(spread)) {
		free(flat);
		return -ENOMEM;
	}
	for (size_t i = 0; i < w->pieces.n;) {
		size_t k = i + 1;

		while (k < w->pieces.n &&
			fabs(p[k].value - p[k - 1].value) < large_step * sd * roughness(w, p[k].from))
			k++;
		double middle = middle_of(w->y, p[i].from, p[k - 1].to);

		for (size_t j = p[i].from; j < p[k - 1].to; j++)
			flat[j] = fmin(fmax((w->y[j] - middle) / sqrt((double)w->ratio[j]), -5 * sd), 5 * sd);
		i = k;
	}
	int error = lull_noise_of_blocks(flat, w->m, LULL_NOISE_SCALES, (double)INFINITY, &w->noise);

	free(flat);
	return error;
}

/* --- edges to the sample --- */

/* The cut in [lo, hi) that fits best between two lines. */
static size_t best_cut(
	const struct work *w, const struct lull_piece *a, const struct lull_piece *b, size_t lo, size_t hi)
{
	double cap = 16 * w->noise.sd * w->noise.sd, cost = 0, least = 0;
	size_t best = lo;

	for (size_t i = lo; i < hi; i++) {
		double x = (double)w->log.x[i],
		       t = a->slope != 0 || b->slope != 0 ? lull_log_time(&w->log, i) : 0;
		double ea = x - a->value - a->slope * (t - a->centre),
		       eb = x - b->value - b->slope * (t - b->centre);

		cost += fmin(ea * ea, cap) - fmin(eb * eb, cap);
		if (cost < least) {
			least = cost;
			best = i + 1;
		}
	}
	return best;
}

static void place_edges(struct work *w)
{
	struct lull_piece *p = w->pieces.piece;

	for (size_t i = 0; i < w->pieces.n; i++) {
		p[i].to = block_end(w, p[i].to - 1);
		p[i].from *= w->block;
	}
	for (size_t i = 0; i + 1 < w->pieces.n && w->block > 1; i++) {
		size_t edge = p[i].to, before = edge - p[i].from, after = p[i + 1].to - edge,
		       reach = 2 * w->block;
		size_t lo = edge - (before / 2 < reach ? before / 2 : reach),
		       hi = edge + (after / 2 < reach ? after / 2 : reach);

		edge = best_cut(w, &p[i], &p[i + 1], lo, hi);
		p[i].to = p[i + 1].from = edge;
	}
}

/* --- whole --- */

static double spread_of_samples(const struct work *w)
{
	enum { SOME = 4097 };
	double *r = malloc(SOME * sizeof(*r));
	size_t n = 0, stride = w->log.n / SOME + 1;

	if (!r)
		return (double)NAN;
	for (size_t i = 0, j = 0; i < w->pieces.n; i++) {
		const struct lull_piece *p = &w->pieces.piece[i];

		for (; j < p->to && n < SOME; j += stride) {
			r[n] = fabs((double)w->log.x[j] - p->value);
			if (p->slope != 0)
				r[n] = fabs((double)w->log.x[j] - p->value -
					p->slope * (lull_log_time(&w->log, j) - p->centre));
			n++;
		}
	}
	double sd = n > 0 ? 1.4826 * lull_select(r, n, n / 2) : 0;

	free(r);
	return sd;
}

static int segment(struct work *w, const struct lull_level_rule *rule)
{
	int error = lull_noise_of_samples(&w->log, &w->noise);

	if (error)
		return error;
	double measured = w->noise.sd;
	double multiple =
		rule && rule->penalty > 0 && isfinite(rule->penalty) ? rule->penalty : default_penalty;

	w->penalty = multiple * log((double)(w->log.n > 2 ? w->log.n : 2));
	error = make_blocks(w);
	if (!error && rule && rule->noise > 0 && isfinite(rule->noise))
		w->noise.sd = fmax(rule->noise, 1e-3 * measured);
	if (!error)
		error = partition(w);
	if (!error)
		error = measure_noise(w);
	if (!error)
		error = lull_merge_by_noise(&w->pieces, w->y, w->ratio, &w->noise, w->penalty, cost_cap);
	if (!error && rule && rule->ramps)
		error = lull_merge_ramps(&w->pieces, w->y, w->ratio, &w->log, &w->noise, w->penalty);
	if (error)
		return error;
	for (size_t i = 0; i < w->pieces.n; i++)
		w->pieces.piece[i].value += w->zero;
	place_edges(w);
	w->noise.spread = spread_of_samples(w);
	if (isnan(w->noise.spread))
		return -ENOMEM;
	w->noise.spread = fmax(w->noise.spread, w->noise.sd);
	error = lull_find_pulses(&w->log, &w->noise, &w->pieces);
	if (!error && rule && rule->least_step > 0)
		error = lull_merge_small_steps(&w->pieces, &w->log, rule->least_step);
	return error;
}

static int keep_finite(const float *x, size_t n, float **copy, size_t **at, size_t *kept)
{
	size_t finite = 0;

	for (size_t i = 0; i < n; i++)
		finite += isfinite(x[i]) != 0;
	*kept = finite;
	if (finite == n)
		return 0;
	*copy = malloc((finite ? finite : 1) * sizeof(**copy));
	*at = malloc((finite ? finite : 1) * sizeof(**at));
	if (!*copy || !*at)
		return -ENOMEM;
	for (size_t i = 0, k = 0; i < n; i++)
		if (isfinite(x[i])) {
			(*copy)[k] = x[i];
			(*at)[k++] = i;
		}
	return 0;
}

static int fill_out(struct work *w, size_t n, struct lull_level **out, size_t *levels)
{
	struct lull_level *level = calloc(w->pieces.n, sizeof(*level));

	if (!level)
		return -ENOMEM;
	for (size_t i = 0; i < w->pieces.n; i++) {
		level[i] = lull_level_of(&w->log, &w->noise, &w->pieces.piece[i]);
		if (w->log.at) { /* samples that are no number go to the level before them */
			level[i].from = i > 0 ? level[i - 1].to : 0;
			level[i].to = i + 1 < w->pieces.n ? w->log.at[w->pieces.piece[i].to] : n;
		}
	}
	*out = level;
	*levels = w->pieces.n;
	return 0;
}

int lull_find_levels(const double *s, const float *x, size_t n, const struct lull_level_rule *rule,
	struct lull_level **out, size_t *levels)
{
	struct work w = {.log = {.x = x, .s = s}};
	float *copy = NULL;
	size_t *at = NULL;

	*out = NULL;
	*levels = 0;
	int error = keep_finite(x, n, &copy, &at, &w.log.n);

	if (copy)
		w.log.x = copy;
	w.log.at = at;
	if (!error && w.log.n > UINT32_MAX)
		error = -EOVERFLOW;
	if (!error && w.log.n > 0)
		error = segment(&w, rule);
	if (!error && w.log.n > 0)
		error = fill_out(&w, n, out, levels);
	free(copy);
	free(at);
	free(w.y);
	free(w.ratio);
	free(w.first);
	free(w.pieces.piece);
	return error;
}
