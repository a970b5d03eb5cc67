/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clamp_grid: samples with stamps to runs on a regular grid.
 *
 * Each sample leaves a range of steps under which the grid from the chunk's first sample passes near enough to it; the chunk
 * ends where these ranges have nothing in common. So no stamps need to be kept, and the step that is written fits every
 * sample of the chunk. */
#include <source/clamp_impl.h>

#include <math.h>
#include <stdlib.h>

#define FILL_MOST 16
#define STEP_UNKNOWN LULL_SEC /* of a log with one sample */

static int by_length(const void *x, const void *y)
{
	const int64_t a = *(const int64_t *)x, b = *(const int64_t *)y;
	return (a > b) - (a < b);
}

/* The mean distance of samples, holes left out; stamps that are written coarser than the samples follow come in equal ones. */
static int64_t usual_step(const int64_t *t, size_t n, int64_t resolution)
{
	int64_t d[CLAMP_LOOK], sum = 0, middle;
	size_t positive = 0, count = 0;
	for (size_t i = 1; i < n && i < CLAMP_LOOK; i++) {
		if (t[i] > t[i - 1])
			d[positive++] = t[i] - t[i - 1];
	}
	if (!positive)
		return n > 1 ? (resolution > (int64_t)n ? resolution / (int64_t)n : 1) : STEP_UNKNOWN;
	qsort(d, positive, sizeof *d, by_length);
	middle = d[positive / 2];
	/* Coarse stamps: the ticks themselves, one or two of them apart, are no holes. */
	for (size_t i = 1; i < n && i < CLAMP_LOOK; i++) {
		const int64_t one = t[i] - t[i - 1];
		if (one <= middle + middle / 2) {
			sum += one;
			count++;
		}
	}
	sum /= (int64_t)count;
	return sum > 0 ? sum : 1;
}

static bool put(struct clamp_grid *g, int64_t t, int32_t uA, int64_t resolution)
{
	const double half = 0.5 * (double)g->step, written = (double)resolution;
	const double near = half > written ? half : written, slack = half > 1.5 * written ? half : 1.5 * written;
	const double away = (double)(t - g->last) - (double)g->step;
	double missing = 0;
	if (fabs(away) > slack) {
		missing = round(away / (double)g->step);
		if (!(missing >= 1 && missing <= FILL_MOST) || 2 * written > (double)g->step ||
			fabs(away - missing * (double)g->step) > slack)
			return false;
	}
	const double k = g->count + missing, since = (double)(t - g->tau);
	const double low = (since - near) / k, high = (since + near) / k;
	if (t - g->tau >= CLAMP_CHUNK_NS || g->count + (uint32_t)missing >= CLAMP_CHUNK_MOST || high < 1 || low > g->high ||
		high < g->low)
		return false;
	g->low = low > g->low ? low : g->low;
	g->high = high < g->high ? high : g->high;
	for (; missing >= 1; missing--)
		g->uA[g->count++] = LULL_NO_SAMPLE;
	g->uA[g->count++] = uA;
	g->last = t;
	return true;
}

size_t clamp_grid_put(
	struct clamp_grid *g, const int64_t *t, const int32_t *uA, size_t n, size_t look, int64_t resolution)
{
	size_t i = 0;
	if (n && !g->count) {
		const int64_t half = g->step / 2 > 2 * resolution ? g->step / 2 : 2 * resolution;
		if (!g->step || (look > 1 && llabs(t[1] - t[0] - g->step) > half))
			g->step = usual_step(t, look, resolution);
		g->tau = g->last = t[0];
		g->uA[0] = uA[0];
		g->count = 1;
		g->low = 1;
		g->high = (double)INT64_MAX;
		i = 1;
	}
	while (i < n && put(g, t[i], uA[i], resolution))
		i++;
	return i;
}

bool clamp_grid_take(struct clamp_grid *g, struct lull_chunk *chunk)
{
	if (!g->count)
		return false;
	double step = g->count > 1 ? (double)(g->last - g->tau) / (g->count - 1) : (double)g->step;
	/* Whole nanoseconds, rounded into the range. */
	if (step < g->low)
		step = ceil(g->low);
	else if (step > g->high)
		step = floor(g->high);
	*chunk = (struct lull_chunk){.tau_ns = g->tau, .step_ns = llround(step), .count = g->count, .uA = g->uA};
	if (chunk->step_ns < 1)
		chunk->step_ns = 1;
	if (g->count >= CLAMP_LOOK)
		g->step = chunk->step_ns;
	g->count = 0;
	return true;
}
