/* SPDX-License-Identifier: GPL-3.0-or-later */
/* correlate: cross-correlation of real signals by FFT. Pure. */
#include <core/correlate.h>
#include <errno.h>
#include <gsl/gsl_fft_halfcomplex.h>
#include <gsl/gsl_fft_real.h>
#include <stdlib.h>
#include <string.h>

/* GSL's radix-2 half-complex layout: real parts at [0, n/2], the imaginary part of i at n - i. */
static void add_product(double *sum, const double *a, const double *b, size_t n, double weight)
{
	sum[0] += weight * a[0] * b[0];
	sum[n / 2] += weight * a[n / 2] * b[n / 2];
	for (size_t i = 1; i < n / 2; i++) {
		double ar = a[i], ai = a[n - i], br = b[i], bi = b[n - i];

		sum[i] += weight * (ar * br + ai * bi);
		sum[n - i] += weight * (ai * br - ar * bi);
	}
}

int correlate(const struct correlate_pair *pair, size_t pairs, size_t na, size_t nb, double *out)
{
	size_t n = 2;

	while (n < na + nb - 1)
		n *= 2;
	double *work = calloc(3 * n, sizeof(*work));

	if (!work)
		return -ENOMEM;
	double *sum = work, *a = work + n, *b = work + 2 * n;

	for (size_t i = 0; i < pairs; i++) {
		memset(a, 0, 2 * n * sizeof(*a));
		memcpy(a, pair[i].a, na * sizeof(*a));
		memcpy(b, pair[i].b, nb * sizeof(*b));
		(void)gsl_fft_real_radix2_transform(a, 1, n);
		(void)gsl_fft_real_radix2_transform(b, 1, n);
		add_product(sum, a, b, n, pair[i].weight);
	}
	(void)gsl_fft_halfcomplex_radix2_inverse(sum, 1, n);

	/* Negative shifts stand at the end of the circle. */
	for (size_t k = 0; k < nb - 1; k++)
		out[k] = sum[n - (nb - 1) + k];
	memcpy(out + nb - 1, sum, na * sizeof(*out));
	free(work);
	return 0;
}
