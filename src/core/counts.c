/* SPDX-License-Identifier: GPL-3.0-or-later */
/* counts: events counted over observed time. Pure. */
#include "core/counts.h"

#include <gsl/gsl_cdf.h>

void counts_interval(size_t n, double *low, double *high)
{
	*low = n ? gsl_cdf_chisq_Pinv(0.025, 2 * (double)n) / 2 : 0;
	*high = gsl_cdf_chisq_Pinv(0.975, 2 * (double)n + 2) / 2;
}

double counts_chance_of_more(size_t n, double span, size_t m, double other)
{
	if (!(span > 0) || !(other > 0) || !n)
		return 1;
	/* P(X >= n) = P(X > n - 1) */
	return gsl_cdf_binomial_Q((unsigned)(n - 1), span / (span + other), (unsigned)(n + m));
}

lull_time counts_observed(const struct lull_verdict *v, unsigned bus, lull_time from, lull_time to)
{
	lull_time seen = to > from ? to - from : 0;
	for (size_t i = 0; i < v->blind.n; i++) {
		const struct lull_coverage *row = &v->blind.at[i];
		lull_time a = row->from > from ? row->from : from, b = row->to < to ? row->to : to;
		if ((row->bus == bus || row->bus == LULL_BUS_ALL) && b > a)
			seen -= b - a;
	}
	return seen > 0 ? seen : 0;
}

bool counts_as_wake(const struct lull_spell *s)
{
	return s->kind == LULL_SPELL_WAKE && !s->lone;
}
