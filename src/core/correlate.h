/* SPDX-License-Identifier: GPL-3.0-or-later */
/* correlate: cross-correlation of real signals by FFT. Pure. */
#ifndef CORE_CORRELATE_H
#define CORE_CORRELATE_H

#include <lull/terms.h>
#include <stddef.h>

struct correlate_pair {
	const double *a, *b;
	double weight;
};
/* out[k], k in [0, na + nb - 1): sum over pairs of weight * sum over m of a[m + k - (nb - 1)] * b[m], that is, b moved
 * right by k - (nb - 1) against a. All a have na values, all b nb, both at least 1. 0 or -ENOMEM. */
LULL_MUST_CHECK int correlate(const struct correlate_pair *, size_t pairs, size_t na, size_t nb, double *out);

#endif
