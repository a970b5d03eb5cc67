/* SPDX-License-Identifier: GPL-3.0-or-later */
/* correlate: cross-correlation of real signals by FFT. Pure. */
#include <core/correlate.h>
#include <errno.h>
#include <gsl/gsl_fft_halfcomplex.h>
#include <gsl/gsl_fft_real.h>
#include <stdlib.h>
#include <string.h>

/* GSL's half-complex layout of an even n: the real part of 0, then real and imaginary part of each, the real part of n/2 last. */
static void add_product(double *sum, const double *a, const double *b, size_t n, double weight)
{
	sum[0] += weight * a[0] * b[0];
	sum[n - 1] += weight * a[n - 1] * b[n - 1];
	for (size_t i = 1; i < n - 1; i += 2) {
		double ar = a[i], ai = a[i + 1], br = b[i], bi = b[i + 1];

		sum[i] += weight * (ar * br + ai * bi);
		sum[i + 1] += weight * (ai * br - ar * bi);
	}
}

/* The smallest even length from `least` on that GSL's mixed radices 2, 3 and 5 take without a remainder. */
static size_t good_length(size_t least)
{
	size_t best = 2;

	while (best < least)
		best *= 2;
	for (size_t fives = 2; fives < best; fives *= 5) {
		for (size_t n = fives; n < best; n *= 3) {
			size_t m = n;

			while (m < least)
				m *= 2;
			if (m < best)
				best = m;
		}
	}
	return best;
}

int correlate(const struct correlate_pair *pair, size_t pairs, size_t na, size_t nb, double *out)
{
	const size_t n = good_length(na + nb - 1);
	double *work = calloc(3 * n, sizeof(*work));
	gsl_fft_real_wavetable *there = gsl_fft_real_wavetable_alloc(n);
	gsl_fft_halfcomplex_wavetable *back = NULL;
	gsl_fft_real_workspace *space = gsl_fft_real_workspace_alloc(n);
	int r = -ENOMEM;

	if (!work || !there || !space)
		goto out;
	double *sum = work, *a = work + n, *b = work + 2 * n;

	for (size_t i = 0; i < pairs; i++) {
		memset(a, 0, 2 * n * sizeof(*a));
		memcpy(a, pair[i].a, na * sizeof(*a));
		memcpy(b, pair[i].b, nb * sizeof(*b));
		(void)gsl_fft_real_transform(a, 1, n, there, space);
		(void)gsl_fft_real_transform(b, 1, n, there, space);
		add_product(sum, a, b, n, pair[i].weight);
	}
	/* Each table is as large as a signal: never both. */
	gsl_fft_real_wavetable_free(there);
	there = NULL;
	back = gsl_fft_halfcomplex_wavetable_alloc(n);
	if (!back)
		goto out;
	(void)gsl_fft_halfcomplex_inverse(sum, 1, n, back, space);

	/* Negative shifts stand at the end of the circle. */
	for (size_t k = 0; k < nb - 1; k++)
		out[k] = sum[n - (nb - 1) + k];
	memcpy(out + nb - 1, sum, na * sizeof(*out));
	r = 0;
out:
	free(work);
	if (there)
		gsl_fft_real_wavetable_free(there);
	if (back)
		gsl_fft_halfcomplex_wavetable_free(back);
	if (space)
		gsl_fft_real_workspace_free(space);
	return r;
}
