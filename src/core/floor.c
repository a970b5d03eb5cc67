/* SPDX-License-Identifier: GPL-3.0-or-later */
/* floor: the earliest arrivals of a sender, and the line below all its arrivals. Pure. */
#include "floor.h"

#include <math.h>

#define LEAST 3 /* arrivals a line rests on */
#define TEETH 2.0 /* places of a stamp's grid it must come by */

/* Nothing is left behind the last one: rows compare byte by byte. */
static void cut(struct lull_floor *f, uint32_t n)
{
	for (uint32_t i = n; i < f->n; i++) {
		f->k[i] = 0;
		f->r[i] = 0;
	}
	f->n = n;
}

void lull_floor_add(struct lull_floor *f, uint32_t k, int64_t r)
{
	f->k[f->n] = k;
	f->r[f->n++] = r;
}

void lull_floor_halve(struct lull_floor *f, double slope)
{
	uint32_t n = 0;

	for (uint32_t i = 0; i < f->n; i += 2) {
		uint32_t low = i;

		if (i + 1 < f->n && (double)(f->r[i + 1] - f->r[i]) < slope * (f->k[i + 1] - f->k[i]))
			low = i + 1;
		f->k[n] = f->k[low];
		f->r[n++] = f->r[low];
	}
	cut(f, n);
}

struct lull_floor lull_floor_split(struct lull_floor *f, uint32_t k)
{
	struct lull_floor before = { 0 };
	uint32_t rest = 0;

	for (uint32_t i = 0; i < f->n; i++)
		if (f->k[i] <= k)
			lull_floor_add(&before, f->k[i], f->r[i]);
		else {
			f->k[rest] = f->k[i];
			f->r[rest++] = f->r[i];
		}
	cut(f, rest);
	return before;
}

void lull_floor_turn(struct lull_floor *f, double ns)
{
	for (uint32_t i = 0; i < f->n; i++)
		f->r[i] -= (int64_t)(ns * f->k[i]);
}

/* The line that lies below all arrivals, and of these as high as can be in their middle: an edge of the lower hull. */
static void lower_edge(const struct lull_floor *f, double middle, double *at, double *slope)
{
	double best = -INFINITY;

	/* sixteen points: all pairs on either side of the middle are soon tried */
	for (uint32_t i = 0; i < f->n; i++)
		for (uint32_t j = i + 1; j < f->n; j++) {
			if (f->k[i] > middle || f->k[j] < middle || f->k[i] == f->k[j])
				continue;
			double tilt = (double)(f->r[j] - f->r[i]) / (f->k[j] - f->k[i]);
			double level = (double)f->r[i] + tilt * (middle - f->k[i]);
			bool below = true;

			for (uint32_t m = 0; m < f->n && below; m++)
				below = (double)f->r[m] >= level + tilt * (f->k[m] - middle) - 1;
			if (below && level > best) {
				best = level;
				*slope = tilt;
			}
		}
	*at = best;
}

bool lull_floor_line(const struct lull_floor *f, double grid, struct lull_floor_line *line)
{
	double above[LULL_FLOOR_MOST], sorted[LULL_FLOOR_MOST], middle = 0, level, tilt = 0;

	if (f->n < LEAST)
		return false;
	for (uint32_t i = 0; i < f->n; i++)
		middle += (double)f->k[i] / f->n;
	lower_edge(f, middle, &level, &tilt);
	if (!isfinite(level))
		return false;
	for (uint32_t i = 0; i < f->n; i++) {
		uint32_t at = i;

		above[i] = (double)f->r[i] - level - tilt * (f->k[i] - middle);
		for (; at > 0 && sorted[at - 1] > above[i]; at--)
			sorted[at] = sorted[at - 1];
		sorted[at] = above[i];
	}
	/* those that came without much delay */
	double limit = fmax(2.5 * sorted[f->n / 2], 1e3), n = 0, sk = 0, sr = 0, skk = 0, skr = 0, srr = 0;
	if (grid > 0)
		limit = fmin(limit, 0.06 * grid + 2 * fabs(tilt));
	for (uint32_t i = 0; i < f->n; i++) {
		if (above[i] > limit)
			continue;
		double k = f->k[i] - middle;
		n++;
		sk += k;
		sr += above[i];
		skk += k * k;
		skr += k * above[i];
		srr += above[i] * above[i];
	}
	double kk = skk - sk * sk / n, kr = skr - sk * sr / n, rr = srr - sr * sr / n;
	double reach = f->k[f->n - 1] - f->k[0];
	if (n < LEAST || !(kk > 0) || sqrt(12 * kk / n) < 0.4 * reach)
		return false;
	double turn = kr / kk, left = fmax(rr - turn * kr, 0) / (n - 2);
	/* few points may agree by chance */
	double sd = sqrt(left) * (1 + 4 / n) + 0.3e3;
	if (grid > 0) {
		/* the line shows itself only where it comes to the next place of the grid, and there no finer than it moves */
		if (fabs(tilt + turn) * reach < TEETH * grid)
			return false;
		sd += 0.25 * limit;
	}
	line->k = middle + sk / n;
	line->r = level + tilt * sk / n + sr / n;
	line->slope = tilt + turn;
	line->r_sd = sd / sqrt(n);
	line->slope_sd = sd / sqrt(kk);
	return true;
}
