/* SPDX-License-Identifier: GPL-3.0-or-later */
/* rhythm: period of a sender from a few arrivals, and the phase that follows it. Pure. */
#include "rhythm.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

void lull_phase_start(struct lull_phase *phase, lull_time first, int64_t period)
{
	*phase = (struct lull_phase){.period = period, .due = first + period, .line = first};
}

int64_t lull_phase_step(struct lull_phase *phase, lull_time t)
{
	int64_t period = phase->period;
	int64_t late = t - phase->due;
	int64_t steps = 1;

	if (late < -(period / 2) || late >= period - period / 2) {
		/* Frames were lost, or one came out of turn: it then shares an index and moves nothing. */
		steps += (int64_t)floor((double)late / (double)period + 0.5);
		if (steps < 0)
			steps = 0;
		late = steps ? late - (steps - 1) * period : 0;
	}
	phase->k += steps;
	phase->line += steps * period;
	/* A quarter of the error: slow enough for jitter, fast enough for a period that is 1 % off. */
	phase->due += steps * period + (late >> 2);
	return t - phase->line;
}

static int by_size(const void *x, const void *y)
{
	int64_t a = *(const int64_t *)x, b = *(const int64_t *)y;

	return (a > b) - (a < b);
}

static unsigned sorted_gaps(const int64_t *at, unsigned n, int64_t *gap)
{
	for (unsigned i = 1; i < n; i++)
		gap[i - 1] = at[i] - at[i - 1];
	qsort(gap, n - 1, sizeof(*gap), by_size);
	return n - 1;
}

/* Limit between gaps within a burst and gaps between bursts, or 0: the long gaps are a minority and far longer than
 * the rest. Lost frames make gaps of 2 or 3 periods, which stay below. One long gap is enough if nearly all the time
 * went by in it: a burst may be longer than what is held. */
static int64_t burst_limit(const int64_t *gap, unsigned n)
{
	int64_t limit = gap[n - 1] / 6, most = 0, sum = 0;
	unsigned longer = 0;

	while (longer < n && gap[n - 1 - longer] > limit)
		longer++;
	for (unsigned i = 0; i < n; i++)
		sum += gap[i];
	most = gap[n - 1];
	if (2 * longer > n + 1 || longer == n || gap[n - 1 - longer] > limit / 2)
		return 0;
	if (longer == 1)
		return most > sum - sum / 8 ? limit : 0;
	/* Between bursts time passes evenly; else these are no bursts but an irregular sender. */
	return most > 3 * gap[n - longer] ? 0 : limit;
}

static unsigned thin(int64_t *at, unsigned n, int64_t burst)
{
	unsigned kept = 1;
	int64_t before = at[0];

	for (unsigned i = 1; i < n; i++) {
		int64_t t = at[i];

		if (t - before >= burst)
			at[kept++] = t;
		before = t;
	}
	return kept;
}

/* Slope of the arrivals over their index, as a correction of `period`. */
static double line(const int64_t *at, unsigned n, double period, double *error)
{
	struct lull_phase phase;
	struct lull_fit fit = {0};

	lull_phase_start(&phase, at[0], period >= 1 ? (int64_t)(period + 0.5) : 1);
	for (unsigned i = 0; i < n; i++) {
		double r = i ? (double)lull_phase_step(&phase, at[i]) : 0, k = (double)phase.k;

		fit.n += 1;
		fit.sk += k;
		fit.skk += k * k;
		fit.sr += r;
		fit.skr += k * r;
		fit.srr += r * r;
	}
	double kk = fit.n * fit.skk - fit.sk * fit.sk;

	if (!(kk > 0))
		return period;
	double slope = (fit.n * fit.skr - fit.sk * fit.sr) / kk;
	double rr = fit.n * fit.srr - fit.sr * fit.sr - slope * slope * kk;

	*error = n > 2 && rr > 0 ? sqrt(rr / ((fit.n - 2) * kk)) : 0;
	return (double)phase.period + slope;
}

struct lull_rhythm_estimate lull_rhythm_estimate(int64_t *at, unsigned n, int64_t burst)
{
	struct lull_rhythm_estimate estimate = {.used = n};
	int64_t gap[LULL_LEARN];

	if (n > LULL_LEARN)
		n = LULL_LEARN;
	if (n < 2)
		return estimate;
	unsigned gaps = sorted_gaps(at, n, gap);

	if (gaps >= 4 && !burst)
		burst = burst_limit(gap, gaps);
	if (burst) {
		n = thin(at, n, burst);
		estimate.burst = burst;
		estimate.used = n;
		if (n < 2)
			return estimate;
		gaps = sorted_gaps(at, n, gap);
	}
	double median = gaps % 2 ? (double)gap[gaps / 2] : ((double)gap[gaps / 2 - 1] + (double)gap[gaps / 2]) / 2;

	if (!(median >= 1))
		return estimate;
	double error = 0, period = line(at, n, median, &error);

	/* Again with the better period, so that the index is right; a result far away is the median's again. */
	period = line(at, n, period, &error);
	if (!(fabs(period - median) <= median / 4)) {
		period = median;
		error = median / 4;
	}
	/* A period of which hardly any was seen in the time that went by is none. */
	if (period * gaps < (double)(at[n - 1] - at[0]) / 4)
		return estimate;
	estimate.period = period;
	estimate.error = error;
	return estimate;
}

int64_t lull_rhythm_nominal(double period, double tolerance)
{
	static const double units[] = {1e9, 5e8, 1e8, 5e7, 1e7, 5e6, 1e6, 5e5, 1e5};

	if (!(period >= 1))
		return 1;
	for (size_t i = 0; i < sizeof(units) / sizeof(*units); i++) {
		double whole = floor(period / units[i] + 0.5) * units[i];

		if (whole > 0 && fabs(whole - period) <= tolerance * period)
			return (int64_t)whole;
	}
	double us = floor(period / 1e3 + 0.5) * 1e3;

	return us >= 1 ? (int64_t)us : 1;
}
