/* SPDX-License-Identifier: GPL-3.0-or-later */
/* series: the chunks of a clamp log as one run of samples in time order. Pure. */
#include <lull/current.h>

#include <errno.h>
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

int lull_series_from_chunks(const struct lull_chunk *chunk, size_t n, struct lull_series *out)
{
	size_t total = 0;

	*out = (struct lull_series){0};
	for (size_t i = 0; i < n; i++) {
		if (chunk[i].step_ns <= 0)
			return -EINVAL;
		if (total > SIZE_MAX / sizeof(double) - chunk[i].count)
			return -ENOMEM;
		total += chunk[i].count;
	}
	int error = median_step(chunk, n, &out->step_s);

	if (error)
		return error;
	out->s = malloc((total ? total : 1) * sizeof(*out->s));
	out->mA = malloc((total ? total : 1) * sizeof(*out->mA));
	if (!out->s || !out->mA) {
		lull_series_clear(out);
		return -ENOMEM;
	}
	for (size_t i = 0; i < n; i++) {
		double first = 1e-9 * (double)chunk[i].tau_ns, step = 1e-9 * (double)chunk[i].step_ns;

		for (uint32_t k = 0; k < chunk[i].count; k++) {
			double s = first + step * k;

			/* Two chunks may lap over by half a step, where one grid hands over to the next. */
			if (chunk[i].uA[k] == LULL_NO_SAMPLE || (out->n > 0 && !(s > out->s[out->n - 1])))
				continue;
			out->s[out->n] = s;
			out->mA[out->n++] = (float)(1e-3 * chunk[i].uA[k]);
		}
	}
	return 0;
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
