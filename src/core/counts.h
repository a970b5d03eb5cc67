/* SPDX-License-Identifier: GPL-3.0-or-later */
/* counts: events counted over observed time: what the count allows, and whether two counts differ. Pure. */
#ifndef LULL_CORE_COUNTS_H
#define LULL_CORE_COUNTS_H

#include <lull/verdict.h>
#include <stdbool.h>
#include <stddef.h>

/* Means that a count of n allows, 95 %, events at random: the exact limits from chi-squared quantiles (Garwood, Fiducial
 * limits for the Poisson distribution, Biometrika 28, 1936). */
void counts_interval(size_t n, double *low, double *high);
/* Chance that of two equal rates the first shows n events or more in a time of `span` where the second shows m in `other`: given
 * n + m, the first count is binomial (Przyborowski and Wilenski, Biometrika 31, 1940). 1 if a time is not above 0. */
double counts_chance_of_more(size_t n, double span, size_t m, double other);

/* Time in [from, to) in which the bus was observed. */
lull_time counts_observed(const struct lull_verdict *, unsigned bus, lull_time from, lull_time to);

/* Does this spell count as a wake of the night? */
bool counts_as_wake(const struct lull_spell *);

#endif
