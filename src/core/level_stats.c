/* SPDX-License-Identifier: GPL-3.0-or-later */
/* level_stats: mean, error, noise and slope of one level. Pure. */
#include <core/levels.h>

#include <math.h>

enum { SOME = 1025 };

/* Samples spread over the piece, less its line. */
static size_t residuals(const struct lull_log *log, const struct lull_piece *p, double *r)
{
	size_t n = p->to - p->from, take = n < SOME ? n : SOME;

	for (size_t k = 0; k < take; k++) {
		size_t i = p->from + (take == n ? k : (size_t)((double)k / (double)take * (double)n));

		r[k] = (double)log->x[i] - p->value;
		if (p->slope != 0)
			r[k] -= p->slope * (lull_log_time(log, i) - p->centre);
	}
	return take;
}

/* Median of r, and the robust standard deviation about it. */
static double middle_of(double *r, size_t n, double *sd)
{
	double middle = lull_select(r, n, n / 2);

	if (n % 2 == 0)
		middle = 0.5 * (middle + lull_select(r, n, n / 2 - 1));
	for (size_t i = 0; i < n; i++)
		r[i] = fabs(r[i] - middle);
	*sd = 1.4826 * lull_select(r, n, n / 2);
	return middle;
}

/* A rounded mean keeps some of the rounding unless the noise spreads it over three digits and more: digit^2 / 12 without,
 * falling as exp(-(2 pi s / digit)^2) with noise of sd s (the rounding error's first harmonic under Gaussian noise).
 * Readings that flicker between two digits have an sd of up to half a digit however small the noise. */
static double rounding_variance(double noise, double digit)
{
	double rounding = digit * digit / 12;

	if (!(digit > 0) || noise * noise <= 0.25 * digit * digit + rounding)
		return rounding;
	return rounding * exp(-4 * M_PI * M_PI * (noise * noise - rounding) / (digit * digit));
}

struct lull_level lull_level_of(
	const struct lull_log *log, const struct lull_noise *noise, struct lull_piece *p)
{
	double r[SOME], sd, middle = middle_of(r, residuals(log, p, r), &sd);
	double n = (double)(p->to - p->from);
	/* Few samples know little of their noise: the whole log helps out. */
	double wide = sqrt((sd * sd * n + noise->spread * noise->spread * 8) / (n + 8));
	double reach = 4 * fmax(wide, 0.5 * noise->digit), sum = 0, squares = 0;
	size_t kept = 0;

	p->value += middle;
	for (size_t i = p->from; i < p->to; i++) {
		double t = p->slope != 0 ? lull_log_time(log, i) - p->centre : 0;
		double e = (double)log->x[i] - p->value - p->slope * t;

		if (fabs(e) > reach)
			continue;
		sum += e;
		squares += e * e;
		kept++;
	}
	double mean = kept > 0 ? sum / (double)kept : 0;
	double about = kept > 1 ? fmax(0, squares - sum * mean) : 0;

	p->value += mean;
	sd = kept > 1 ? sqrt(about / (double)(kept - 1)) : 0;
	/* As the whole log's noise averages out over so many samples, more or less by what this level has of its own. */
	double own = (about + 8 * noise->spread * noise->spread) / ((double)kept + 7);
	double rougher = fmax(own / (noise->spread * noise->spread), p->ratio > 2 ? p->ratio : 1);
	double variance = fmax(lull_noise_of_mean(noise, n) * rougher, own / n);

	return (struct lull_level){
		.from = p->from,
		.to = p->to,
		.mean = p->value,
		.error = sqrt(variance + rounding_variance(sd, noise->digit)),
		.noise = sd,
		.slope = p->slope,
	};
}
