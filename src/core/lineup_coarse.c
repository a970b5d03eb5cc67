/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lineup_coarse: lags at which steps and edges, current and activity look alike, by FFT. Pure. */
#include <core/correlate.h>
#include <core/lineup.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MOST_BINS (1 << 19)

struct grid {
	double dt;
	double t0; /* bin 0 of the bus, recording time; that of the log is l->lo */
	size_t bus, log; /* bins */
	double *up_edge, *down_edge, *awake; /* bus */
	double *up_step, *down_step, *level; /* log */
};

/* A triangle of height 1: how far edge and step may stand apart before the clock's rate is known. */
static void add_triangle(double *bins, size_t n, double at, double half)
{
	double to = fmin(floor(at + half), (double)n - 1);

	if (to < 0)
		return;
	for (size_t k = (size_t)fmax(ceil(at - half), 0); k <= (size_t)to; k++)
		bins[k] += 1 - fabs((double)k - at) / half;
}

static void fill_edges(const struct lineup *l, struct grid *g)
{
	double half = (1.5 + 50e-6 * 0.5 * (l->hi - l->lo) + 0.5 * l->sample_s) / g->dt;
	unsigned awake_until = 0;
	double level = 0;

	half = fmax(half, 1.5);
	for (size_t i = 0; i < l->edges; i++) {
		const struct lineup_event *e = &l->edge[i];

		/* The middle of what is usual: current 0 to 1 s before the first frame, 0 to 3 s after the last. */
		add_triangle(e->up ? g->up_edge : g->down_edge, g->bus,
			(e->t + (e->up ? -0.4 : 1.5) - g->t0) / g->dt, half + (e->up ? 0 : 1 / g->dt));
	}
	/* Awake between a rise and the next fall of the whole bus. */
	for (size_t i = 0; i < l->edges; i++) {
		const struct lineup_event *e = &l->edge[i];
		double at = (e->t - g->t0) / g->dt;
		unsigned bin = at <= 0 ? 0 : at >= (double)g->bus ? (unsigned)g->bus : (unsigned)at;

		if (e->weight < LINEUP_SPELL)
			continue;
		for (; awake_until < bin; awake_until++)
			g->awake[awake_until] = e->up ? 0 : 1;
		level = e->up ? 1 : 0;
	}
	for (; awake_until < g->bus; awake_until++)
		g->awake[awake_until] = level;
}

static void fill_steps(const struct lineup *l, struct grid *g)
{
	for (size_t i = 0; i < l->steps; i++) {
		double at = (l->step[i].t - l->lo) / g->dt, whole = floor(at), part = at - whole;
		double *bins = l->step[i].up ? g->up_step : g->down_step, w = 1 / sqrt(l->step[i].crowd);

		if (whole >= 0 && whole + 1 < (double)g->log) {
			bins[(size_t)whole] += w * (1 - part);
			bins[(size_t)whole + 1] += w * part;
		}
	}
}

static int by_value(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;

	return (x > y) - (x < y);
}

/* Logarithm of what lies above the lowest, so that amps at key-off do not drown the wakes. Bins without a sample
 * end at the mean: they say nothing. */
static int fill_level(const struct lineup *l, const struct lull_series *series, struct grid *g)
{
	double *count = calloc(g->log, sizeof(*count)), *sorted = calloc(g->log, sizeof(*sorted));
	size_t n = 0;

	if (!count || !sorted) {
		free(count);
		free(sorted);
		return -ENOMEM;
	}
	for (size_t i = 0; i < series->n; i++) {
		double at = (series->s[i] - l->lo) / g->dt;
		double x = l->reversed ? -(double)series->mA[i] : (double)series->mA[i];

		if (!isfinite(x) || fabs(x) > 1e9 || at < 0 || at >= (double)g->log)
			continue;
		/* A slow log's sample holds until the next. */
		size_t from = (size_t)at, to = from + (size_t)fmin(ceil(l->sample_s / g->dt), 4000);

		for (size_t k = from; k < to && k < g->log; k++) {
			g->level[k] += x;
			count[k]++;
		}
	}
	for (size_t i = 0; i < g->log; i++) {
		if (count[i] > 0) {
			g->level[i] /= count[i];
			sorted[n++] = g->level[i];
		}
	}
	if (n) {
		qsort(sorted, n, sizeof(*sorted), by_value);
		double low = sorted[n / 20], high = sorted[n - 1 - n / 50];
		double unit = fmax(3 * l->noise_mA, fmax(0.02 * (high - low), 1e-3)), mean = 0;

		for (size_t i = 0; i < g->log; i++) {
			if (count[i] > 0) {
				g->level[i] = log1p(fmax(0, fmin(g->level[i], high) - low) / unit);
				mean += g->level[i] / (double)n;
			}
		}
		for (size_t i = 0; i < g->log; i++)
			if (count[i] > 0)
				g->level[i] -= mean;
	}
	free(count);
	free(sorted);
	return 0;
}

static double norm(const double *x, size_t n)
{
	double sum = 0;

	for (size_t i = 0; i < n; i++)
		sum += x[i] * x[i];
	return sqrt(sum);
}

static void centre(double *x, size_t n)
{
	double mean = 0;

	for (size_t i = 0; i < n; i++)
		mean += x[i] / (double)n;
	for (size_t i = 0; i < n; i++)
		x[i] -= mean;
}

/* Highest first, each at least `apart` bins from the ones before. */
static size_t pick_peaks(double *sum, size_t n, size_t apart, size_t *peak, size_t most)
{
	size_t found = 0;

	while (found < most) {
		size_t best = 0;

		for (size_t i = 1; i < n; i++)
			if (sum[i] > sum[best])
				best = i;
		if (!(sum[best] > 0))
			break;
		peak[found++] = best;
		for (size_t i = best > apart ? best - apart : 0; i < n && i <= best + apart; i++)
			sum[i] = -1;
	}
	return found;
}

int lineup_coarse(
	const struct lineup *l, const struct lull_series *series, double *lag, size_t most, size_t *n)
{
	double length = l->hi - l->lo;
	struct grid g = {.dt = fmax(1, (l->end + length) / (MOST_BINS - 8))};
	size_t peak[64];
	int r = -ENOMEM;

	*n = 0;
	if (!l->edges || !l->steps)
		return 0;
	if (most > 64)
		most = 64;
	g.bus = (size_t)(l->end / g.dt) + 2;
	g.log = (size_t)(length / g.dt) + 2;
	double *bins = calloc(3 * (g.bus + g.log), sizeof(*bins)), *sum = calloc(g.bus + g.log, sizeof(*sum));

	if (!bins || !sum)
		goto out;
	g.up_edge = bins;
	g.down_edge = bins + g.bus;
	g.awake = bins + 2 * g.bus;
	g.up_step = bins + 3 * g.bus;
	g.down_step = g.up_step + g.log;
	g.level = g.down_step + g.log;
	fill_edges(l, &g);
	fill_steps(l, &g);
	centre(g.awake, g.bus);
	if (l->sample_s > 0) {
		r = fill_level(l, series, &g);
		if (r)
			goto out;
	}
	double norms = norm(g.awake, g.bus) * norm(g.level, g.log);
	struct correlate_pair pairs[] = {
		{g.up_edge, g.up_step, 1},
		{g.down_edge, g.down_step, 0.7},
		/* Levels alike add at most as much as chance makes of the steps. */
		{g.awake, g.level, norms > 0 ? sqrt((double)l->steps) / norms : 0},
	};

	r = correlate(pairs, norms > 0 ? 3 : 2, g.bus, g.log, sum);
	if (r)
		goto out;
	*n = pick_peaks(sum, g.bus + g.log - 1, (size_t)(6 / g.dt) + 1, peak, most);
	for (size_t i = 0; i < *n; i++)
		lag[i] = ((double)peak[i] - (double)(g.log - 1)) * g.dt + g.t0 - l->lo;
out:
	free(bins);
	free(sum);
	return r;
}
