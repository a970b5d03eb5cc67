/* SPDX-License-Identifier: GPL-3.0-or-later */
/* noise: the meter's digit, the noise of a sample, and how slowly it averages out. Pure.
 *
 * All from differences and their quantiles, so that levels, edges and outliers enter little. */
#include <core/levels.h>

#include <errno.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>

/* Of |N(0, 1)|. */
static const double quantile_50 = 0.67449, quantile_75 = 1.15035, quantile_90 = 1.64485;

double lull_log_time(const struct lull_log *log, size_t i)
{
	size_t at = log->at ? log->at[i] : i;

	return log->s ? log->s[at] : (double)at;
}

double lull_select(double *a, size_t n, size_t k)
{
	return gsl_stats_select(a, 1, n, k);
}

static double quantile(double *a, size_t n, double share)
{
	return lull_select(a, n, (size_t)(share * (double)(n - 1) + 0.5));
}

static bool is_whole(double k)
{
	return fabs(k - round(k)) < 0.05;
}

/* Differences of neighbours are whole multiples of the digit, if there is one. So are the readings, unless a zero was taken
 * off: where differences are few, only that tells a digit from a load of always the same size. Zero if there is none,
 * or if the noise is so many digits wide that it does not matter. */
static double digit_of(const struct lull_log *log, const double *d, size_t n, double large)
{
	double digit = (double)INFINITY;
	size_t whole = 0, moved = 0, multiples = 0, read = 0;

	for (size_t i = 0; i < n; i++)
		if (d[i] > 0.002 * large && d[i] < digit)
			digit = d[i];
	if (!isfinite(digit))
		return 0;
	for (size_t i = 0; i < n; i++) {
		double k = d[i] / digit;

		if (k < 0.05 || k > 30)
			continue;
		moved++;
		whole += is_whole(k);
	}
	if (moved == 0 || (double)whole < 0.95 * (double)moved)
		return 0;
	if ((double)moved > 0.05 * (double)n)
		return digit;
	for (size_t i = 0; i < log->n; i += log->n / 1000 + 1) {
		read++;
		multiples += is_whole((double)log->x[i] / digit);
	}
	return (double)multiples >= 0.95 * (double)read ? digit : 0;
}

/* Nine of ten of the differences that are none at all left out; they go to the front of d. */
static double reach_of_moves(double *d, size_t n, double largest)
{
	size_t moves = 0;

	for (size_t i = 0; i < n; i++) {
		if (d[i] > 0) {
			double swap = d[moves];

			d[moves++] = d[i];
			d[i] = swap;
		}
	}
	return moves ? quantile(d, moves, 0.9) : largest;
}

int lull_noise_of_samples(const struct lull_log *log, struct lull_noise *out)
{
	enum { MOST = 1 << 16 };

	*out = (struct lull_noise){.block = 1, .sd = 1e-9};
	if (log->n < 2)
		return 0;
	size_t pairs = log->n - 1, n = pairs < MOST ? pairs : MOST;
	double *d = malloc(n * sizeof(*d));
	double largest = 0;

	if (!d)
		return -ENOMEM;
	for (size_t k = 0; k < n; k++) {
		size_t i = n == pairs ? k : (size_t)((double)k / (double)n * (double)pairs);

		d[k] = fabs((double)log->x[i + 1] - (double)log->x[i]);
		largest = fmax(largest, d[k]);
	}
	/* Nine of ten differences: a meter that mostly rests on one digit has a middle one of zero. */
	double middle = quantile(d, n, 0.5) / quantile_50, wide = quantile(d, n, 0.9) / quantile_90;
	double reach = quantile(d, n, 0.99);

	out->sd = fmax(middle, wide) / sqrt(2);
	/* A log that stands still for nearly all of its length (a dead one) tells its digit where it moved. */
	out->digit = digit_of(log, d, n, reach > 0 ? reach : reach_of_moves(d, n, largest));
	/* A rounded value is off by digit / sqrt(12) whatever the noise; without a digit, by what float holds. */
	out->sd = fmax(out->sd, out->digit / sqrt(12));
	out->sd = fmax(out->sd, fmax(1e-7 * largest, 1e-9));
	free(d);
	return 0;
}

/* Second differences of neighbouring means over L blocks: a steady ramp cancels. What exceeds `limit` is a step, not noise.
 * NAN: too few to say. Each step that is left spoils three of them, so a long log, which has more steps, must have more. */
static double variance_at(
	const double *y, size_t m, size_t L, double limit, double *d, double *relative_error)
{
	size_t means = m / L, n = 0;
	double before = 0, last = 0, enough = fmin(fmax(0.6 * sqrt((double)m), 12), 64);

	if ((double)means < enough + 2)
		return (double)NAN;
	for (size_t k = 0; k < means; k++) {
		double sum = 0;

		for (size_t i = k * L; i < (k + 1) * L; i++)
			sum += y[i];
		sum /= (double)L;
		if (k >= 2 && fabs(sum - 2 * last + before) <= limit)
			d[n++] = fabs(sum - 2 * last + before);
		before = last;
		last = sum;
	}
	if ((double)n < 0.25 * enough)
		return (double)NAN;
	double sd = fmax(quantile(d, n, 0.5) / quantile_50, quantile(d, n, 0.75) / quantile_75);

	*relative_error = 3 / sqrt((double)n);
	return sd * sd / 6;
}

int lull_noise_of_blocks(const double *y, size_t m, unsigned scales, double limit, struct lull_noise *out)
{
	double *d = malloc((m ? m : 1) * sizeof(*d));
	double white = out->sd * out->sd;

	if (!d)
		return -ENOMEM;
	out->scales = 0;
	for (size_t L = 1; out->scales < scales && out->scales < LULL_NOISE_SCALES && L <= m; L *= 2) {
		double error = 0, v = variance_at(y, m, L, limit, d, &error);

		if (isnan(v))
			break;
		/* More than white only where that is not chance. */
		double ratio = v * (double)(L * out->block) / white;

		out->near[out->scales++] = ratio > 1 + error ? ratio : 1;
	}
	/* A ripple averages out over its whole periods, which the scales meet or miss by chance; over the lengths between them its
	 * mean falls as 1/T, its variance's T-fold as 1/T too. */
	double slowest = out->scales > 0 ? out->near[out->scales - 1] : 1;

	for (unsigned k = 1; k < LULL_NOISE_SCALES && (k < out->scales || out->near[k - 1] > slowest); k++) {
		out->near[k] = fmax(k < out->scales ? out->near[k] : slowest, 0.5 * out->near[k - 1]);
		if (k >= out->scales)
			out->scales = k + 1;
	}
	/* A mean over T is off its neighbour's, both together are off theirs, and so on: var(T) = var(2T) + half of the
	 * variance of neighbours, each about the mean of both. */
	for (unsigned k = out->scales; k-- > 0;)
		out->whole[k] =
			k + 1 == out->scales ? out->near[k] : 0.5 * (out->whole[k + 1] + out->near[k]);
	free(d);
	return 0;
}

/* Between the scales; the longest measured one stands for all beyond. */
static double at_length(const struct lull_noise *noise, const double *ratio, double T)
{
	double k = log2(T / (double)noise->block);

	if (noise->scales == 0)
		return 1;
	unsigned last = noise->scales - 1;

	if (k >= last)
		return ratio[last];
	if (k < 0) /* within a block: towards a single sample */
		return 1 + (ratio[0] - 1) * T / (double)noise->block;
	unsigned i = (unsigned)k;

	return ratio[i] + (ratio[i + 1] - ratio[i]) * (k - i);
}

double lull_noise_of_mean(const struct lull_noise *noise, double T)
{
	T = fmax(T, 1);
	return noise->sd * noise->sd * at_length(noise, noise->whole, T) / T;
}

double lull_noise_of_step(const struct lull_noise *noise, double T1, double T2)
{
	double shorter = fmax(1, fmin(T1, T2)), longer = fmax(1, fmax(T1, T2));
	double beside = noise->sd * noise->sd * at_length(noise, noise->near, longer) / longer;

	/* The shorter one about a mean over the longer length, and that one beside its like. */
	return fmax(0, lull_noise_of_mean(noise, shorter) - lull_noise_of_mean(noise, longer)) + 2 * beside;
}
