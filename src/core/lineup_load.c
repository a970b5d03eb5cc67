/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lineup_load: the known load of trade rule 19 in the samples: 7 s on, 3 s off, 5 s on. Pure. */
#include <core/lineup.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SLOWEST 1.5 /* s a sample: beyond it the 3 s are not seen */
#define FASTEST 0.1
#define MISFIT 0.3 /* of the load: how far the parts may stand from what they should be */

struct window {
	double from, to; /* s from the first switching on */
};
/* A hand keeps time to half a second or so: the windows stay clear of the edges. */
static const struct window before = {-6, -1}, on1 = {1.2, 6.2}, off = {7.9, 9.3}, on2 = {11.2, 14},
			   after = {16.4, 22};

struct bins {
	double *sum, *count; /* running, n + 1 */
	size_t n;
	double dt;
};

static double mean(const struct bins *b, double at, struct window w)
{
	double from = fmax(0, ceil(at + w.from / b->dt)), to = fmin((double)b->n, floor(at + w.to / b->dt));

	if (!(to > from))
		return NAN;
	double count = b->count[(size_t)to] - b->count[(size_t)from];

	return count > 0 ? (b->sum[(size_t)to] - b->sum[(size_t)from]) / count : (double)NAN;
}

static double spread(double a, double b, double c)
{
	return fmax(fmax(fabs(a), fabs(b)), fabs(c));
}

static bool look(const struct bins *b, double noise, size_t at, struct lineup_pattern *p)
{
	double k = (double)at, low1 = mean(b, k, before), high1 = mean(b, k, on1), low2 = mean(b, k, off),
	       high2 = mean(b, k, on2), low3 = mean(b, k, after);
	double low = isfinite(low3) ? 0.5 * (low1 + low3) : low1, high = 0.5 * (high1 + high2);

	p->mA = high - low;
	p->s = k * b->dt;
	/* The level before and after may differ a little more: something else may have gone to sleep meanwhile. */
	p->misfit = spread(high1 - high2, low2 - low, isfinite(low3) ? 0.7 * (low3 - low1) : 0) / fabs(p->mA);
	return isfinite(p->misfit) && p->misfit < MISFIT &&
		fabs(p->mA) > 5 * noise / sqrt(fmax(1, 1.4 / b->dt));
}

/* Where the current crosses half the load, about the place told: the first switching on to half a sample. */
static void refine(const struct bins *b, struct lineup_pattern *p)
{
	double best = -INFINITY, at = round(p->s / b->dt), found = at;
	static const struct window left = {-2, 0}, right = {0, 2};

	int reach = (int)(2 / b->dt);

	for (int i = -reach; i <= reach; i++) {
		double k = at + i;
		double rise = (mean(b, k, right) - mean(b, k, left)) / p->mA;

		if (isfinite(rise) && rise > best) {
			best = rise;
			found = k;
		}
	}
	p->s = (found - 0.5) * b->dt;
}

int lineup_find_patterns(const struct lineup *l, const struct lull_series *series, struct lineup_pattern *out,
	size_t most, size_t *n)
{
	struct bins b = {.dt = fmax(l->sample_s, FASTEST)};

	*n = 0;
	if (l->sample_s <= 0 || l->sample_s > SLOWEST || !most)
		return 0;
	double bins = (l->hi - l->lo) / b.dt + 2;

	if (bins > 8e6) {
		b.dt *= ceil(bins / 8e6);
		if (b.dt > SLOWEST)
			return 0;
		bins = (l->hi - l->lo) / b.dt + 2;
	}
	b.n = (size_t)bins;
	b.sum = calloc(b.n + 1, sizeof(*b.sum));
	b.count = calloc(b.n + 1, sizeof(*b.count));
	if (!b.sum || !b.count) {
		free(b.sum);
		free(b.count);
		return -ENOMEM;
	}
	for (size_t i = 0; i < series->n; i++) {
		double x = (double)series->mA[i];
		size_t k = (size_t)((series->s[i] - l->lo) / b.dt + 0.5);

		if (k < b.n && isfinite(x) && fabs(x) < 1e9) {
			b.sum[k + 1] += x;
			b.count[k + 1]++;
		}
	}
	for (size_t k = 0; k < b.n; k++) {
		b.sum[k + 1] += b.sum[k];
		b.count[k + 1] += b.count[k];
	}
	double noise = l->noise_mA * sqrt(l->sample_s / b.dt);

	for (size_t k = 0; k < b.n; k++) {
		struct lineup_pattern p;

		if (!look(&b, noise, k, &p))
			continue;
		/* Of places that overlap, the one that fits best. */
		if (*n && p.s - out[*n - 1].s < 20) {
			if (p.misfit < out[*n - 1].misfit)
				out[*n - 1] = p;
		} else if (*n < most) {
			out[(*n)++] = p;
		}
	}
	for (size_t i = 0; i < *n; i++) {
		refine(&b, &out[i]);
		out[i].s += l->lo;
	}
	free(b.sum);
	free(b.count);
	return 0;
}
