/* SPDX-License-Identifier: GPL-3.0-or-later */
/* series: the chunks of a clamp log as one run of samples in time order. Pure. */
#include <lull/current.h>

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

struct weighed {
	int64_t step_ns;
	uint64_t samples;
};

static int by_step(const void *a, const void *b)
{
	const struct weighed *x = a, *y = b;

	return (x->step_ns > y->step_ns) - (x->step_ns < y->step_ns);
}

/* The step that the middle sample was taken with: holes between chunks do not enter. */
static int median_step(const struct lull_chunk *chunk, size_t n, double *out)
{
	struct weighed *w = calloc(n ? n : 1, sizeof(*w));
	uint64_t sum = 0, seen = 0;

	if (!w)
		return -ENOMEM;
	for (size_t i = 0; i < n; i++) {
		w[i] = (struct weighed){chunk[i].step_ns, chunk[i].count};
		sum += chunk[i].count;
	}
	qsort(w, n, sizeof(*w), by_step);
	for (size_t i = 0; i < n && 2 * seen < sum; i++) {
		seen += w[i].samples;
		*out = 1e-9 * (double)w[i].step_ns;
	}
	free(w);
	return 0;
}

enum { BLOCK_MOST = 4096 }; /* samples that one may stand for */

/* Mean without the lowest and the highest: of a lone outlier nothing is left. */
static double trimmed(const int32_t *uA, uint32_t n, uint32_t *kept)
{
	double sum = 0, low = INFINITY, high = -INFINITY;

	*kept = 0;
	for (uint32_t i = 0; i < n; i++) {
		double x = uA[i];

		if (uA[i] == LULL_NO_SAMPLE)
			continue;
		sum += x;
		low = x < low ? x : low;
		high = x > high ? x : high;
		++*kept;
	}
	return *kept >= 5 ? (sum - low - high) / (*kept - 2) : sum / (*kept ? *kept : 1);
}

/* One sample out of `block`: their mean, or the first of them. */
static int gather(const struct lull_chunk *chunk, size_t n, uint32_t block, bool mean, struct lull_series *out)
{
	size_t total = 0;

	*out = (struct lull_series){0};
	for (size_t i = 0; i < n; i++) {
		if (chunk[i].step_ns <= 0)
			return -EINVAL;
		size_t blocks = chunk[i].count / block + (chunk[i].count % block > 0);

		if (total > SIZE_MAX / sizeof(double) - blocks)
			return -ENOMEM;
		total += blocks;
	}
	int error = median_step(chunk, n, &out->step_s);

	if (error)
		return error;
	out->step_s *= block;
	out->s = calloc(total + 1, sizeof(*out->s));
	out->mA = calloc(total + 1, sizeof(*out->mA));
	if (!out->s || !out->mA) {
		lull_series_clear(out);
		return -ENOMEM;
	}
	for (size_t i = 0; i < n; i++) {
		double first = 1e-9 * (double)chunk[i].tau_ns, step = 1e-9 * (double)chunk[i].step_ns;

		for (uint32_t k = 0; k < chunk[i].count; k += block) {
			uint32_t m = chunk[i].count - k < block ? chunk[i].count - k : block, kept;
			double uA = trimmed(chunk[i].uA + k, mean ? m : 1, &kept);
			double s = first + step * (k + (mean ? (m - 1) / 2.0 : 0));

			/* Two chunks may lap over by half a step, where one grid hands over to the next. */
			if (!kept || (out->n > 0 && !(s > out->s[out->n - 1])))
				continue;
			out->s[out->n] = s;
			out->mA[out->n++] = (float)(1e-3 * uA);
		}
	}
	return 0;
}

static uint32_t block_for(const struct lull_chunk *chunk, size_t n, size_t most)
{
	uint64_t total = 0;

	for (size_t i = 0; i < n; i++)
		total += chunk[i].count;
	uint64_t block = most ? total / most + (total % most > 0) : 1;

	return block < 1 ? 1 : block > BLOCK_MOST ? BLOCK_MOST : (uint32_t)block;
}

int lull_series_from_chunks(const struct lull_chunk *chunk, size_t n, struct lull_series *out)
{
	return gather(chunk, n, 1, false, out);
}

int lull_series_thinned(const struct lull_chunk *chunk, size_t n, size_t most, struct lull_series *out)
{
	return gather(chunk, n, block_for(chunk, n, most), true, out);
}

int lull_series_picked(const struct lull_chunk *chunk, size_t n, size_t most, struct lull_series *out)
{
	return gather(chunk, n, block_for(chunk, n, most), false, out);
}

void lull_series_clear(struct lull_series *series)
{
	free(series->s);
	free(series->mA);
	*series = (struct lull_series){0};
}

double lull_correction_mA(const struct lull_correction *k, double reading_mA, double clamp_s)
{
	return k->gain * reading_mA + k->offset_mA + k->slope_mA_per_s * clamp_s;
}

double lull_correction_time_s(const struct lull_correction *k, double clamp_s)
{
	return k->start_s + clamp_s * k->rate;
}
