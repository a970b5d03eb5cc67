/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin_ratio: how much more likely one sender makes what two IDs did than two senders. Pure.
 *
 * Four kinds of evidence, each a log likelihood ratio with a cap of its own, since no kind is beyond doubt:
 * clock: the phases of two IDs of one timer keep their distance, or move apart at a steady rate where software timers
 *   round; the rates of two oscillators differ, and differ more or less as they cool down. Rates that differ by much say
 *   little (IDs of one ECU can differ by thousands of ppm: see the ECUPrint measurements of 54 ECUs), rates
 *   that agree closely say much.
 * boot: the timers of one node start in a fixed order at fixed distances; two nodes boot independently, each a little
 *   sooner or later each time.
 * phase: one scheduler releases frames at its ticks.
 * stop: all IDs of a node stop at once; what stops with the whole bus says nothing (trade rule 12). */
#include "core/kin_trace.h"

#include <math.h>

/* clock */
static const double equal_share = 0.6; /* of pairs of one sender: not rounded apart */
static const double crystal_ppm = 200; /* two nodes' clocks differ by no more, evenly less often */
static const double round_least_ppm = 10, round_most_ppm = 4000; /* rounding of software timers: any size between */
static const double equal_sd_ppm = 0.03; /* what equal rates leave */
static const double trend_ppm_h[] = { 1, 6 }; /* change of the difference of two oscillators an hour */
static const double clock_cap = 8, clock_least = -4; /* a gateway sends on other nodes' time as well */
/* boot */
static const double boot_sd_ms[] = { 0.4, 2, 8, 40 }, boot_share[] = { 0.35, 0.3, 0.2, 0.15 }; /* of two nodes */
static const double boot_astray = 0.06; /* of starts: frames lost, a timer begun otherwise */
static const double boot_reach = 1.5e9, boot_cap = 8, boot_least = -2.5; /* ns */
/* phase */
static const double phase_reach = 2.5e9; /* ns between the starts of two runs */
static const double tick = 5e6, tick_sd[] = { 0.15e6, 0.6e6 }; /* ns; common schedulers tick in multiples of 5 ms */
static const double burst_length = 3e6; /* ns */
static const double start_spread = 300e6; /* ns: of the starts of nodes that one event wakes */
static const double tick_share = 0.4, burst_share = 0.2; /* of pairs of one sender */
/* stop */
static const double stop_together = 0.65; /* of stops of one node: the rest goes on at another time */
static const double stop_cap = 2.5, stop_least = -0.3;

static double clip(double x, double cap)
{
	return x > cap ? cap : x < -cap ? -cap : x;
}

static double log_normal(double x, double var)
{
	return -0.5 * (x * x / var + log(2 * M_PI * var));
}

/* --- clock --- */

/* Weighted sums for a straight line through points. */
struct line {
	double w, wt, wtt, wy, wty, wyy;
	unsigned n;
};

static void line_add(struct line *l, double t, double y, double var)
{
	double w = 1 / var;

	l->w += w;
	l->wt += w * t;
	l->wtt += w * t * t;
	l->wy += w * y;
	l->wty += w * t * y;
	l->wyy += w * y * y;
	l->n++;
}

/* Slope and its variance; scaled up where the points scatter more than they should. */
static double line_slope(const struct line *l, double *var)
{
	double tt = l->wtt - l->wt * l->wt / l->w, ty = l->wty - l->wt * l->wy / l->w;

	*var = INFINITY;
	if (l->n < 2 || !(tt > 0))
		return 0;
	double slope = ty / tt;
	double left = l->wyy - l->wy * l->wy / l->w - slope * ty;
	*var = 1 / tt * (l->n > 2 ? fmax(1, left / (l->n - 2)) : 1);
	return slope;
}

/* What a pair's clocks did: rates seen, and how they changed. */
struct drift {
	struct line rate; /* difference in ppm over hours */
	struct line wide; /* the same with what bus load may add, for its change */
	double change, change_w; /* ppm an hour within long runs, and weight */
};

/* A stretch of time in which both ran without a break: parabola through the distance of their phases. */
struct chain {
	lull_time a, b;
	unsigned n;
	double t0, y0, wander;
	double s[5], sy[3], syy; /* moments: w t^i, w t^i y */
};

static void chain_add(struct chain *ch, double t, double y, double var)
{
	if (!ch->n) {
		ch->t0 = t;
		ch->y0 = y;
	}
	double w = 1 / var, p = w, h = (t - ch->t0) / 3.6e12;

	y -= ch->y0;
	for (unsigned i = 0; i < 5; i++) {
		ch->s[i] += p;
		if (i < 3)
			ch->sy[i] += p * y;
		p *= h;
	}
	ch->syy += w * y * y;
	ch->n++;
}

/* ns an hour are 1e-6 / 3.6 ppm. */
static const double to_ppm = 1e-6 / 3.6;

static void chain_end(struct chain *ch, struct drift *d)
{
	if (ch->n >= 2) {
		struct line l = { ch->s[0], ch->s[1], ch->s[2], ch->sy[0], ch->sy[1], ch->syy, ch->n };
		double var, slope = line_slope(&l, &var), mean = ch->s[1] / ch->s[0];

		if (isfinite(var))
		{
			line_add(&d->rate, ch->t0 / 3.6e12 + mean, slope * to_ppm, var * to_ppm * to_ppm);
			line_add(&d->wide, ch->t0 / 3.6e12 + mean, slope * to_ppm, var * to_ppm * to_ppm + ch->wander);
		}
		if (ch->n >= 4 && isfinite(var)) {
			/* orthogonal second-order polynomial over the same weights */
			double m2 = l.wtt / l.w - mean * mean;
			double m3 = ch->s[3] / ch->s[0] - 3 * mean * l.wtt / l.w + 2 * mean * mean * mean;
			double m4 = ch->s[4] / ch->s[0] - 4 * mean * ch->s[3] / ch->s[0] + 6 * mean * mean * l.wtt / l.w -
				3 * mean * mean * mean * mean;
			/* q(u) = u^2 - (m3/m2) u - m2, u = t - mean */
			double norm = (m4 - m3 * m3 / m2 - m2 * m2) * ch->s[0];
			double y0 = ch->sy[0], y1 = ch->sy[1] - mean * y0;
			double y2 = ch->sy[2] - 2 * mean * ch->sy[1] + mean * mean * y0;
			double along = y2 - m3 / m2 * y1 - m2 * y0;
			double tt = m2 * ch->s[0];
			if (norm > 1e-9 * m2 * m2 * ch->s[0]) {
				double bend = along / norm;
				double left = ch->syy - y0 * y0 / ch->s[0] - y1 * y1 / tt - bend * along;
				double scale = fmax(1, left / (ch->n - 3));
				double change = 2 * bend * to_ppm, var_change = 4 * scale / norm * to_ppm * to_ppm;

				d->change += change / var_change;
				d->change_w += 1 / var_change;
			}
		}
	}
	*ch = (struct chain){ 0 };
}

static void compare(const struct kin_trace *a, const struct kin_trace *b, struct drift *d)
{
	struct chain ch = { 0 };

	for (size_t i = 0, k = 0; i < a->points && k < b->points;) {
		const struct kin_point *x = &a->point[i], *y = &b->point[k];

		if (x->window != y->window) {
			i += x->window < y->window;
			k += x->window > y->window;
			continue;
		}
		i++;
		k++;
		bool whole = x->stretch != LULL_NEVER && y->stretch != LULL_NEVER && fabs(x->t - y->t) < 45e9;
		if (ch.n && (!whole || ch.a != x->stretch || ch.b != y->stretch))
			chain_end(&ch, d);
		if (whole) {
			double t = 0.5 * (x->t + y->t), apart = 0.5 * (y->t - x->t) * 1e-6;

			ch.a = x->stretch;
			ch.b = y->stretch;
			chain_add(&ch, t, x->phase + x->ppm * apart - (y->phase - y->ppm * apart),
				x->phase_var + y->phase_var + apart * apart * (x->ppm_var + y->ppm_var));
		}
		if (whole) /* a chain of many windows forgets the load */
			ch.wander = (x->wander + y->wander) / ch.n;
		if (!whole) {
			double t = 0.5 * (x->t + y->t) / 3.6e12, var = x->ppm_var + y->ppm_var;

			line_add(&d->rate, t, x->ppm - y->ppm, var);
			line_add(&d->wide, t, x->ppm - y->ppm, var + x->wander + y->wander);
		}
	}
	chain_end(&ch, d);
}

static double rounded_apart(double ppm)
{
	return 1 / (2 * log1p(round_most_ppm / round_least_ppm) * (fabs(ppm) + round_least_ppm));
}

double kin_clock_ratio(const struct kin_trace *a, const struct kin_trace *b)
{
	struct drift d = { 0 };

	compare(a, b, &d);
	if (!d.rate.n)
		return 0;
	double rate = d.rate.wy / d.rate.w, var = 1 / d.rate.w, ratio = 0;
	double trend_var, trend = line_slope(&d.wide, &trend_var);
	double left = d.rate.wyy - d.rate.wy * d.rate.wy / d.rate.w;
	if (d.rate.n > 1)
		var *= fmax(1, left / (d.rate.n - 1));
	var += equal_sd_ppm * equal_sd_ppm;

	double apart = rounded_apart(rate);
	double same = equal_share * exp(log_normal(rate, var)) + (1 - equal_share) * apart;
	double others = equal_share * fmax(0, 1 - fabs(rate) / crystal_ppm) / crystal_ppm + (1 - equal_share) * apart;
	ratio += log(same / others);

	/* the change, from within runs and between them */
	double w = d.change_w + (isfinite(trend_var) ? 1 / trend_var : 0);
	if (w > 0) {
		double change = (d.change + (isfinite(trend_var) ? trend / trend_var : 0)) / w, noise = 1 / w + 0.01 * 0.01, two = 0;

		for (unsigned i = 0; i < 2; i++)
			two += 0.5 * exp(log_normal(change, noise + trend_ppm_h[i] * trend_ppm_h[i]) - log_normal(change, noise));
		ratio += fmax(-clock_cap, -log(two));
	}
	return fmax(clip(ratio, clock_cap), clock_least);
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

/* --- phase --- */

/* Phase at the start of the two runs that tell it best. One scheduler releases frames at its ticks, often several at one
 * tick, one behind the other. */
double kin_phase_ratio(const struct kin_trace *a, const struct kin_trace *b)
{
	double least = INFINITY, apart = 0;
	bool booted = false;

	for (size_t i = 0, k = 0; i < a->runs && k < b->runs;) {
		const struct kin_run *x = &a->run[i], *y = &b->run[k];
		double off = (double)(x->first - y->first);

		if (fabs(off) > phase_reach) {
			i += off < 0;
			k += off > 0;
			continue;
		}
		i++;
		k++;
		double var = x->zero_sd * x->zero_sd + y->zero_sd * y->zero_sd;
		if (x->zero_known && y->zero_known && var < least) {
			least = var;
			apart = off + x->zero - y->zero;
			booted = x->started && y->started;
		}
	}
	double longer = fmax(a->period, b->period), shorter = fmin(a->period, b->period);
	if (!isfinite(least) || !isfinite(longer))
		return 0;
	double ratio = 1 - tick_share - burst_share;
	if (fabs(remainder(shorter, tick)) > 1 || fabs(remainder(longer, tick)) > 1) {
		ratio += tick_share;
	} else {
		double off = remainder(apart, tick), density = 0;
		for (unsigned i = 0; i < 2; i++) {
			double var = least + tick_sd[i] * tick_sd[i];
			/* wide ones come round to the next tick */
			for (int turn = -2; turn <= 2; turn++)
				density += 0.5 * exp(log_normal(off + turn * tick, var));
		}
		ratio += tick_share * tick * density;
	}
	if (booted) {
		/* begun one behind the other, among starts spread over the bus's waking up */
		double wide = burst_length + sqrt(least);
		ratio += burst_share * start_spread * exp(-fabs(apart) / wide) / (2 * wide);
	} else if (fabs(remainder(longer, shorter)) > 1) {
		ratio += burst_share;
	} else {
		double off = fabs(remainder(apart, shorter)), wide = burst_length + sqrt(least);
		/* exponential, come round once */
		ratio += burst_share * shorter * exp(-off / wide) / (2 * wide * (1 - exp(-shorter / (2 * wide))));
	}
	return log(ratio);
}

/* --- stop --- */

static double stops_of(const struct kin_trace *a, const struct kin_trace *b)
{
	double sum[KIN_RUNS] = { 0 }, count[KIN_RUNS] = { 0 }, ratio = 0;
	size_t y = 0;

	for (size_t x = 0; x < a->runs; x++) {
		const struct kin_run *r = &a->run[x];

		while (y < b->runs && (double)b->run[y].last + b->reach < (double)r->last)
			y++;
		if (!r->stopped || y == b->runs || b->run[y].first > r->last)
			continue;
		const struct kin_run *o = &b->run[y];
		bool met = (double)o->last <= (double)r->last + a->reach;
		if (met && !o->stopped)
			continue; /* not seen to the end */
		double common = fmin(fmax(r->stop_common, 0.02), 0.98);
		sum[r->stop_like] += met ? log(stop_together / common) : log((1 - stop_together) / (1 - common));
		count[r->stop_like]++;
	}
	for (unsigned i = 0; i < KIN_RUNS; i++)
		ratio += count[i] > 0 ? sum[i] / count[i] : 0;
	return fmax(clip(ratio, stop_cap), stop_least);
}

double kin_stop_ratio(const struct kin_trace *a, const struct kin_trace *b)
{
	/* what each stop of a says of b and the other way round is the same event seen twice */
	return 0.5 * (stops_of(a, b) + stops_of(b, a));
}
