/* SPDX-License-Identifier: GPL-3.0-or-later */
/* local_noise: where the log is noisier than as a whole: a bus awake draws unevenly. Pure. */
#include <core/levels.h>

#include <errno.h>
#include <math.h>
#include <stdlib.h>

enum { WINDOW = 32, STRIDE = 8, ENOUGH = 1024 };

/* Long-run variance of the noise in a window, from its spread about the middle and its differences. For first-order
 * correlation r, differences make up 1 - r of the variance, and a long mean has (1 + r) / (1 - r) times the variance of
 * white noise. A spread far beyond the differences is a step in the window, not noise. */
static double long_run_variance(const double *y)
{
	double a[WINDOW], d[WINDOW - 1];

	for (size_t i = 0; i < WINDOW; i++) {
		a[i] = y[i];
		if (i > 0)
			d[i - 1] = fabs(y[i] - y[i - 1]);
	}
	double middle = lull_select(a, WINDOW, WINDOW / 2),
	       differences = 1.4826 * lull_select(d, WINDOW - 1, WINDOW / 2);

	for (size_t i = 0; i < WINDOW; i++)
		a[i] = fabs(y[i] - middle);
	double spread = 1.4826 * lull_select(a, WINDOW, WINDOW / 2);
	double white = 0.5 * differences * differences, all = spread * spread;

	if (all < 2 * white)
		return fmax(all, white);
	return all > 12 * white ? white : all * (2 * all / white - 1);
}

/* The largest of the values around each, up to WINDOW / 2 away: the edge of a noisy time lies in windows that are mostly
 * quiet. In strides, which the caller has made constant. */
static float widest(const float *by_stride, size_t strides, size_t k)
{
	size_t lo = k < 2 ? 0 : k - 2, hi = k + 3 > strides ? strides : k + 3;
	float most = 1;

	for (size_t i = lo; i < hi; i++)
		most = by_stride[i] > most ? by_stride[i] : most;
	return most;
}

int lull_noise_local(const double *y, size_t m, const struct lull_noise *noise, float **out)
{
	/* What is usual can only be told from enough of it. */
	size_t strides = m < ENOUGH ? 0 : (m + STRIDE - 1) / STRIDE;
	float *ratio = malloc((m ? m : 1) * sizeof(*ratio)),
	      *by_stride = calloc(strides + 1, sizeof(*by_stride));
	double *sorted = malloc((strides + 1) * sizeof(*sorted));
	double usual =
		lull_noise_of_step(noise, WINDOW * (double)noise->block, WINDOW * (double)noise->block) *
		WINDOW / 2;

	if (!ratio || !by_stride || !sorted) {
		free(sorted);
		free(ratio);
		free(by_stride);
		return -ENOMEM;
	}
	/* The middle of the windows that cover a stride, in logarithms: one alone is too unsure. */
	for (size_t from = 0; strides > 0 && from + WINDOW <= m; from += STRIDE) {
		double r = log(fmax(long_run_variance(y + from), 1e-300) / usual);

		for (size_t k = from / STRIDE; k < (from + WINDOW) / STRIDE; k++)
			by_stride[k] += (float)r;
	}
	size_t windows = strides > 0 ? (m - WINDOW) / STRIDE + 1 : 0, n = 0;

	for (size_t k = 0; k < strides; k++) {
		size_t first = k < WINDOW / STRIDE - 1 ? 0 : k - (WINDOW / STRIDE - 1),
		       last = k < windows ? k : windows - 1;

		by_stride[k] = windows > 0 && last >= first ? by_stride[k] / (float)(last - first + 1) : 0;
		sorted[n++] = (double)by_stride[k];
	}
	/* Noise that is slow everywhere is no more than usual. */
	float middle = n > 0 ? (float)fmax(0, lull_select(sorted, n, n / 2)) : 0;

	for (size_t k = 0; k < strides; k++) {
		float r = by_stride[k] - middle;

		by_stride[k] =
			r > 1.1F ? (float)exp((double)r) : 1; /* less than three times is chance in so few */
	}
	free(sorted);
	for (size_t j = 0; j < m; j++)
		ratio[j] = widest(by_stride, strides, j / STRIDE);
	free(by_stride);
	*out = ratio;
	return 0;
}
