/* SPDX-License-Identifier: GPL-3.0-or-later */
/* even: are events evenly spaced, or is that no more than chance? Pure. */
#ifndef LULL_CORE_EVEN_H
#define LULL_CORE_EVEN_H

#include <lull/verdict.h>

/* Chance that n quiet times between events at random, thus exponential, come out as even as these: the lower tail of Bartlett's
 * test of homogeneity with two degrees of freedom each (Bartlett, Proc. R. Soc. A 160, 1937; for lifetimes: Epstein,
 * Technometrics 2, 1960). *statistic, if not NULL: Bartlett's, chi-squared with n - 1 degrees of freedom. NAN below 3 or if one
 * is not above 0. */
double even_chance(const double *quiet, size_t n, double *statistic);

/* Chance that n directions (radians) at random lie as close together (Rayleigh's test, with the approximation of Zar, Biostatistical
 * Analysis; from memory). NAN below 2. */
double even_rayleigh(const double *angle, size_t n);

struct even {
	enum lull_wake_rhythm rhythm;
	double period_s, spread_s; /* median distance of starts and half the width of its middle half; with skips the beat and how far the
				    * starts lie off it; NAN: one event */
	double chance; /* NAN: too few */
	bool skips; /* a beat of which some are left out */
};
/* Events from[i] to to[i] in seconds, in order. */
struct even even_of(const double *from, const double *to, size_t n);

#endif
