/* SPDX-License-Identifier: GPL-3.0-or-later */
/* even: are events evenly spaced, or is that no more than chance? Pure. */
#include "core/even.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

#define EVEN 0.01 /* chance below which an even spacing is no accident */
#define BEAT 0.001 /* for a beat with skips, which was looked for */
#define ONE_PERIOD 0.1 /* so wide is the middle half of the distances at most, against the period */
#define ON_BEAT 0.08 /* so far off a beat with skips, as a share of it */
#define MOST 256 /* of many events the first tell enough */

double even_chance(const double *quiet, size_t n, double *statistic)
{
	double sum = 0, logs = 0;
	for (size_t i = 0; i < n; i++) {
		if (!(quiet[i] > 0))
			return NAN;
		sum += quiet[i];
		logs += log(quiet[i]);
	}
	if (n < 3)
		return NAN;
	double count = (double)n, m = 2 * (count * log(sum / count) - logs) / (1 + (count + 1) / (6 * count));
	if (statistic)
		*statistic = m;
	return gsl_cdf_chisq_P(fmax(m, 0), count - 1);
}

double even_rayleigh(const double *angle, size_t n)
{
	double x = 0, y = 0, count = (double)n;
	if (n < 2)
		return NAN;
	for (size_t i = 0; i < n; i++) {
		x += cos(angle[i]);
		y += sin(angle[i]);
	}
	return fmin(1, exp(sqrt(1 + 4 * count + 4 * (count * count - x * x - y * y)) - (1 + 2 * count)));
}

static int by_value(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;
	return (x > y) - (x < y);
}

static double quantile(const double *sorted, size_t n, double q)
{
	double at = q * (double)(n - 1), low = floor(at);
	size_t i = (size_t)low;
	return i + 1 < n ? sorted[i] + (at - low) * (sorted[i + 1] - sorted[i]) : sorted[n - 1];
}

/* Distances that are whole multiples of the shortest: a beat, some of which are left out. The shortest itself is no evidence. */
static bool find_beat(const double *sorted, size_t n, struct even *e)
{
	double beat = sorted[0], angle[MOST];
	if (n < 5 || !(beat > 0))
		return false;
	for (int round = 0; round < 2; round++) {
		double sum = 0, beats = 0;
		for (size_t i = 0; i < n; i++) {
			double k = nearbyint(sorted[i] / beat);
			/* a small error of the beat grows with its multiples: those come in at the second look */
			if (k > (round ? 30 : 4))
				continue;
			sum += sorted[i];
			beats += k;
		}
		beat = sum / beats;
	}
	double off = 0;
	size_t skipped = 0;
	for (size_t i = 1; i < n; i++) {
		double k = nearbyint(sorted[i] / beat), part = sorted[i] / beat - k;
		skipped += k >= 2;
		angle[i - 1] = 2 * M_PI * part;
		off += part * part;
	}
	double chance = even_rayleigh(angle, n - 1), spread = sqrt(off / (double)(n - 1));
	/* distances that are merely alike keep no beat */
	if (!(chance < BEAT) || skipped < 2 || spread > ON_BEAT)
		return false;
	*e = (struct even){ LULL_RHYTHM_PERIODIC, beat, beat * spread, chance, true };
	return true;
}

struct even even_of(const double *from, const double *to, size_t n)
{
	struct even e = { LULL_RHYTHM_FEW, NAN, NAN, NAN, false };
	double apart[MOST], quiet[MOST];
	size_t gaps = n > MOST ? MOST : n > 0 ? n - 1 : 0;
	if (!gaps)
		return e;
	for (size_t i = 0; i < gaps; i++) {
		apart[i] = from[i + 1] - from[i];
		quiet[i] = from[i + 1] - to[i];
	}
	qsort(apart, gaps, sizeof *apart, by_value);
	e.period_s = quantile(apart, gaps, 0.5);
	e.spread_s = (quantile(apart, gaps, 0.75) - quantile(apart, gaps, 0.25)) / 2;
	if (gaps < 3)
		return e;
	e.chance = even_chance(quiet, gaps, NULL);
	e.rhythm = LULL_RHYTHM_IRREGULAR;
	if (e.chance < EVEN && 2 * e.spread_s <= ONE_PERIOD * e.period_s)
		e.rhythm = LULL_RHYTHM_PERIODIC;
	else
		(void)find_beat(apart, gaps, &e);
	return e;
}
