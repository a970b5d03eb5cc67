/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ready_clamp: some seconds of clamp readings: level, noise, and the step of a known load. */
#include <errno.h>
#include <lull/current.h>
#include <lull/ready.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static int by_value(const void *a, const void *b)
{
	const float x = *(const float *)a, y = *(const float *)b;

	return (x > y) - (x < y);
}

void lull_ready_clamp(const float *mA, size_t n, double *mean_mA, double *noise_mA)
{
	float *x = calloc(n ? n : 1, sizeof *x);
	double squares = 0;
	size_t i;

	*mean_mA = *noise_mA = (double)NAN;
	if (!x || !n) {
		free(x);
		return;
	}
	memcpy(x, mA, n * sizeof *x);
	qsort(x, n, sizeof *x, by_value);
	*mean_mA = n % 2 ? (double)x[n / 2] : ((double)x[n / 2 - 1] + (double)x[n / 2]) / 2;
	/* From one reading to the next, so that a slow change of the draw is no noise; the largest tenth may be steps. */
	for (i = 1; i < n; i++)
		x[i - 1] = fabsf(mA[i] - mA[i - 1]);
	if (n > 1) {
		size_t kept = n - 1 > 10 ? (n - 1) * 9 / 10 : n - 1;

		qsort(x, n - 1, sizeof *x, by_value);
		for (i = 0; i < kept; i++)
			squares += (double)x[i] * (double)x[i];
		*noise_mA = sqrt(squares / (double)kept / 2);
	}
	free(x);
}

int lull_ready_load(const float *mA, size_t n, double told_mA, double *seen_mA)
{
	struct lull_level *level = NULL;
	size_t levels = 0, i, steps = 0;
	double sum = 0, sign = 0;
	int r = lull_find_levels(NULL, mA, n, NULL, &level, &levels);

	*seen_mA = (double)NAN;
	for (i = 1; !r && i < levels; i++) {
		double step = level[i].mean - level[i - 1].mean;

		/* Far from what was told it is something else, a module that wakes for one. */
		if (fabs(step) < 0.2 * fabs(told_mA) || fabs(step) > 5 * fabs(told_mA))
			continue;
		if (sign == 0)
			sign = step < 0 ? -1 : 1;
		sum += fabs(step);
		steps++;
	}
	if (steps)
		*seen_mA = sign * sum / (double)steps;
	free(level);
	return r;
}
