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
	if (count)
		middle = sum / (int64_t)count;
	return middle > 0 ? middle : 1;
}

/* How many samples are missing before one at t, -1 for more than can be filled in. */
static int missing(const struct clamp_grid *g, int64_t t, int64_t resolution)
{
	const double usual = (double)g->step, away = (double)(t - g->last) - usual;
	if (resolution > g->step) /* the stamps do not show a lost sample, only a hole */
		return fabs(away) > 1.5 * (double)resolution ? -1 : 0;
	/* Once the cone is narrow it knows the rate better than the first samples did. */
	const double step = g->count < CLAMP_LOOK ? usual : (g->low + g->high) / 2;
	const double more = round((double)(t - g->tau) / step) - g->count;
	if (more > FILL_MOST)
		return -1;
	/* A sample that comes too early or late after the last one begins another rhythm, though the cone may still hold it. */
	const double slack = 0.5 * usual > 1.5 * (double)resolution ? 0.5 * usual : 1.5 * (double)resolution;
	if (fabs(away - (more > 0 ? more : 0) * usual) > slack)
		return -1;
	return more > 0 ? (int)more : 0;
}

static bool put(struct clamp_grid *g, int64_t t, int32_t uA, int64_t resolution)
{
	const double half = 0.5 * (double)g->step, written = (double)resolution, near = half > written ? half : written;
	const int lost = missing(g, t, resolution);
	if (lost < 0 || t - g->tau >= CLAMP_CHUNK_NS || g->count + (uint32_t)lost >= CLAMP_CHUNK_MOST)
		return false;
	const double k = g->count + (uint32_t)lost, since = (double)(t - g->tau);
	const double low = (since - near) / k, high = (since + near) / k;
	if (high < 1 || low > g->high || high < g->low)
		return false;
	g->low = low > g->low ? low : g->low;
	g->high = high < g->high ? high : g->high;
	for (int i = 0; i < lost; i++)
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
