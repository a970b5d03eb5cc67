/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin_ratio: how much more likely one sender makes the starts and stops of two IDs than two senders. Pure.
 *
 * Log likelihood ratios, each with a cap of its own, since no kind of evidence is beyond doubt (clocks: kin_clock.c):
 * boot: the timers of one node start in a fixed order at fixed distances; two nodes boot independently, each a little
 *   sooner or later each time.
 * ends: what a node stops, or sends at another rate, it does so at one instant; what ends with the whole bus says nothing
 *   (trade rule 12). */
#include "core/kin_runs.h"

#include <math.h>

/* boot */
static const double boot_sd_ms[] = { 0.4, 2, 8, 40 }, boot_share[] = { 0.35, 0.3, 0.2, 0.15 }; /* of two nodes */
static const double boot_astray = 0.06; /* of starts: frames lost, a timer begun otherwise */
static const double boot_reach = 1.5e9, boot_cap = 8, boot_least = -2.5; /* ns */
/* ends: what other IDs of the same sender do then */
static const double one_sender[KIN_BESIDES] = { [KIN_ENDS_WITH_IT] = 0.62, [KIN_ENDS_APART] = 0.03, [KIN_GOES_ON] = 0.35 };
static const double end_cap = 3.5, end_least = -2;

static double clip(double x, double cap)
{
	return x > cap ? cap : x < -cap ? -cap : x;
}

static double log_normal(double x, double var)
{
	return -0.5 * (x * x / var + log(2 * M_PI * var));
}

/* --- boot --- */

static double middle(double *x, size_t n)
{
	for (size_t i = 1; i < n; i++)
		for (size_t k = i; k > 0 && x[k] < x[k - 1]; k--) {
			double t = x[k];

			x[k] = x[k - 1];
			x[k - 1] = t;
		}
	return n % 2 ? x[n / 2] : 0.5 * (x[n / 2 - 1] + x[n / 2]);
}

/* A first frame that was lost, or came twice, shifts a start by whole periods. */
static double whole_periods(double off, double a, double b)
{
	double x = fabs(off) > a / 2 ? remainder(off, a) : off, y = fabs(off) > b / 2 ? remainder(off, b) : off;

	return fabs(x) < fabs(y) ? x : y;
}

double kin_boot_ratio(const struct kin_trace *a, const struct kin_trace *b)
{
	double apart[KIN_RUNS], sorted[KIN_RUNS], var[KIN_RUNS], same = 0, other[4] = { 0 };
	size_t n = 0;

	for (size_t i = 0, k = 0; i < a->runs && k < b->runs;) {
		const struct kin_run *x = &a->run[i], *y = &b->run[k];
		double off = (double)(x->first - y->first);

		if (fabs(off) > boot_reach) {
			i += off < 0;
			k += off > 0;
			continue;
		}
		i++;
		k++;
		if (!x->zero_known || !y->zero_known)
			continue;
		if (!x->started || !y->started)
			continue;
		sorted[n] = apart[n] = off + x->zero - y->zero;
		var[n++] = x->zero_sd * x->zero_sd + y->zero_sd * y->zero_sd;
	}
	if (n < 2 || !isfinite(a->period) || !isfinite(b->period))
		return 0;
	double at = middle(sorted, n), blur = 0, two_var[4];

	for (size_t i = 0; i < n; i++)
		blur += var[i] / (double)n;
	/* what stamps and jitter blur cannot be told from one sender */
	for (unsigned s = 0; s < 4; s++)
		two_var[s] = boot_sd_ms[s] * boot_sd_ms[s] * 1e12 > blur ? boot_sd_ms[s] * boot_sd_ms[s] * 1e12 : 0;
	for (size_t i = 0; i < n; i++) {
		double off = whole_periods(apart[i] - at, a->period, b->period);

		double astray = boot_astray * exp(log_normal(off, var[i] + 60e6 * 60e6)); /* either way */
		same += log((1 - boot_astray) * exp(log_normal(off, var[i])) + astray);
		for (unsigned s = 0; s < 4; s++)
			other[s] += log((1 - boot_astray) * exp(log_normal(off, var[i] + two_var[s])) + astray);
	}
	/* one of them went into the middle */
	double share = (double)(n - 1) / (double)n, most = -INFINITY, sum = 0;
	for (unsigned s = 0; s < 4; s++)
		most = fmax(most, other[s] * share);
	for (unsigned s = 0; s < 4; s++)
		sum += boot_share[s] * exp(other[s] * share - most);
	return fmax(clip(same * share - most - log(sum), boot_cap), boot_least);
}

/* --- ends --- */

/* What the ends of a's runs say. */
static double ends_of(const struct kin_trace *a, const struct kin_trace *b)
{
	double sum[KIN_RUNS] = { 0 }, count[KIN_RUNS] = { 0 }, ratio = 0;
	size_t y = 0;

	for (size_t x = 0; x < a->runs; x++) {
		const struct kin_run *run = &a->run[x];
		enum kin_beside what;

		if (!run->ended || (what = kin_beside(a, run, b, &y)) == KIN_NOT_HEARD)
			continue;
		double says = log(one_sender[what] / run->common[what]);
		/* an end of both is seen from either side */
		sum[run->end_like] += what == KIN_GOES_ON ? says : 0.5 * says;
		count[run->end_like]++;
	}
	for (unsigned i = 0; i < KIN_RUNS; i++)
		ratio += count[i] > 0 ? sum[i] / count[i] : 0;
	return ratio;
}

double kin_end_ratio(const struct kin_trace *a, const struct kin_trace *b)
{
	return fmax(clip(ends_of(a, b) + ends_of(b, a), end_cap), end_least);
}
