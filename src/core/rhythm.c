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
	/* An eighth of the error: slow enough for jitter, fast enough for a period that is 2 % off. */
	phase->due += steps * period + (late >> LULL_PHASE_SHIFT);
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
	return most / 3 > gap[n - longer] ? 0 : limit;
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

/* Slope of the arrivals over their index. The index of each comes from the line through those before it, so that a
 * first guess that is some 15 % off does not add up. */
static double line(const int64_t *at, unsigned n, double period, double *error)
{
	double k = 0, sk = 0, skk = 0, st = 0, skt = 0, stt = 0, kk = 0, slope = period;

	for (unsigned i = 0; i < n; i++) {
		double t = (double)(at[i] - at[0]), m = i;

		if (i) {
			double due = i < 4 ? (double)(at[i - 1] - at[0]) + slope : st / m + slope * (k + 1 - sk / m);

			k += fmax(0, 1 + floor((t - due) / slope + 0.5));
		}
		sk += k;
		skk += k * k;
		st += t;
		skt += k * t;
		stt += t * t;
		m += 1;
		kk = m * skk - sk * sk;
		/* Few arrivals say less than the first guess: 8 as much. */
		slope = fmax((m * skt - sk * st + 336 * period) / (kk + 336), 1);
	}
	if (!(kk > 0))
		return period;
	slope = (n * skt - sk * st) / kk;
	double rr = n * stt - st * st - slope * slope * kk;

	*error = n > 2 && rr > 0 ? sqrt(rr / ((n - 2) * kk)) : 0;
	return slope;
}

/* Mean of the middle half of the gaps: neither lost frames nor extra ones, and jitter averages out. */
static double middle(const int64_t *gap, unsigned n)
{
	double sum = 0;
	unsigned from = n / 4, to = n - n / 4;

	for (unsigned i = from; i < to; i++)
		sum += (double)gap[i];
	return sum / (to - from);
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
	double guess = middle(gap, gaps);

	if (!(guess >= 1))
		return estimate;
	double error = 0, period = line(at, n, guess, &error);

	/* Again with the better period, so that the index is right. Where nothing fits the guess stands. */
	if (period >= 1)
		period = line(at, n, period, &error);
	if (!(fabs(period - guess) <= guess / 4)) {
		period = guess;
		error = guess / 4;
	}
	/* A period of which hardly any was seen in the time that went by is none. */
	if (period * gaps < (double)(at[n - 1] - at[0]) / 4)
		return estimate;
	estimate.period = period;
	estimate.error = error;
	return estimate;
}

/* Nearest multiple of unit, or 0 if it is too far away. */
static double near(double period, double unit, double allowed)
{
	double whole = floor(period / unit + 0.5) * unit;

	return fabs(whole - period) <= allowed ? whole : 0;
}

int64_t lull_rhythm_nominal(double period, double tolerance)
{
	static const double round[] = {1e9, 5e8, 1e8, 5e7, 1e7, 5e6}, fine[] = {1e6, 5e5, 1e5};
	double whole = 0;

	if (!(period >= 1))
		return 1;
	/* Of a long period every multiple of 5 ms is near: it counts only if it is hit, not if it merely lies around. */
	for (size_t i = 0; i < sizeof(round) / sizeof(*round) && !(whole > 0); i++)
		whole = near(period, round[i], fmin(tolerance * period, round[i] / 8));
	for (size_t i = 0; i < sizeof(fine) / sizeof(*fine) && !(whole > 0); i++)
		whole = near(period, fine[i], tolerance * period);
	if (!(whole > 0))
		whole = floor(period / 1e3 + 0.5) * 1e3;
	return whole >= 1 ? (int64_t)whole : 1;
}
