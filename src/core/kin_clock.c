/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin_clock: do two IDs run on one clock, and on one scheduler's ticks? Pure.
 *
 * The phases of two IDs of one timer keep their distance, or move apart at the steady rate at which a timer of a known kind
 * rounds (kin_tick.c); the rates of two oscillators differ, and differ more or less as they cool down. Rates say little by
 * themselves (IDs of one ECU can differ by thousands of ppm: see the ECUPrint measurements of 54 ECUs); that two of
 * them agree closely says much, and the more so where few senders run at such a rate. */
#include "core/kin_tick.h"
#include "core/kin_trace.h"

#include <math.h>

static const double equal_sd_ppm = 0.03; /* what equal rates leave */
static const double astray = 0.15, astray_times = 5, astray_ppm = 0.2; /* of measurements: off by more than they say */
/* change of the difference of two oscillators an hour; in a garage there is hardly any */
static const double trend_ppm_h[] = { 0.05, 1, 6 }, trend_share[] = { 0.2, 0.4, 0.4 };
#define ODD_TICKS 2
static const double odd_ms[ODD_TICKS] = { 1, 2 }, odd_sd_ppm = 0.5, odd_share = 0.3, odd_least_ppm = 100; /* timers of no kind known */
static const double clock_cap = 10, clock_least = -4; /* a gateway sends on other nodes' time as well */
static const double change_cap = 8, equal_change_ppm_h = 0.005;
/* frames of one scheduler come at its ticks, some of them one behind the other */
static const double ticked = 0.6; /* of pairs of one sender */
static const double late_ms[] = { 0.07, 0.25, 0.8 }, late_share[] = { 0.5, 0.35, 0.15 }; /* scale behind the tick, either way */
static const double crystal_ppm = 100, resonator_ppm = 300, resonator_share = 0.08, alike_ppm = 15, alike_share = 0.25; /* rates of oscillators */
static const double other_least_ppm = 10, other_most_ppm = 6000, other_even = 0.2; /* of timers of another kind: any size between */

static double log_normal(double x, double var)
{
	return -0.5 * (x * x / var + log(2 * M_PI * var));
}

static double clip(double x, double cap)
{
	return x > cap ? cap : x < -cap ? -cap : x;
}

/* --- what one ID's rate says of its timer --- */

static double normal(double x, double sd)
{
	return exp(-0.5 * x * x / (sd * sd)) / (sd * sqrt(2 * M_PI));
}

/* Density of an oscillator's error: most are alike, crystals keep to their tolerance, and what is cheaper or colder to none. */
static double oscillator(double ppm)
{
	double off = fmax(0, fabs(ppm) - crystal_ppm) / (0.1 * crystal_ppm);
	double even = exp(-0.5 * off * off) / (2 * crystal_ppm * (1 + 0.1 * sqrt(M_PI / 2)));
	double wide = exp(-fabs(ppm) / resonator_ppm) / (2 * resonator_ppm);

	return alike_share * normal(ppm, alike_ppm) + resonator_share * wide + (1 - alike_share - resonator_share) * even;
}

static double any_rate(double ppm)
{
	/* some periods are whole numbers of any tick */
	return other_even * oscillator(ppm) + (1 - other_even) / (2 * log1p(other_most_ppm / other_least_ppm) * (fabs(ppm) + other_least_ppm));
}

static void find_clock(struct kin_trace *t)
{
	double w = 0, ppm = 0, off[KIN_TICKS] = { 0 };

	for (size_t i = 0; i < t->points; i++) {
		const struct kin_point *p = &t->point[i];
		double weight = 1 / (p->ppm_var + 1);

		w += weight;
		ppm += weight * p->ppm;
		for (unsigned k = 1; k < KIN_TICKS; k++)
			off[k] += weight * kin_tick_rounding(k, (double)p->period);
	}
	for (unsigned k = 0; k < KIN_TICKS && w > 0; k++)
		t->clock[k] = (ppm - off[k]) / w;
}

/* How many clocks gather around that rate, whatever timer each is read by. */
static double gathered(const struct kin_traces *set, double common)
{
	double sum = 0;

	for (size_t i = 0; i < set->n; i++) {
		double most = 0;

		for (unsigned k = 0; k < KIN_TICKS && set->at[i].points; k++) {
			double off = (set->at[i].clock[k] - common) / (2 * alike_ppm);

			most = fmax(most, (k ? 0.8 : 1) / (1 + off * off));
		}
		sum += most;
	}
	return sum;
}

/* Rate that the clocks have in common: it is the recorder's own. */
static double common_rate(const struct kin_traces *set)
{
	double best = 1.5 * gathered(set, 0), common = 0; /* few recorders are off by much */
	size_t step = set->n / 32 + 1;

	for (size_t i = 0; i < set->n; i += step) {
		double value = set->at[i].points ? gathered(set, set->at[i].clock[0]) : 0;

		if (value > best) {
			best = value;
			common = set->at[i].clock[0];
		}
	}
	return common;
}

void kin_clocks_prepare(struct kin_traces *set)
{
	for (size_t i = 0; i < set->n; i++)
		find_clock(&set->at[i]);
	double common = common_rate(set);

	for (size_t i = 0; i < set->n; i++) {
		struct kin_trace *t = &set->at[i];

		if (!t->points)
			continue;
		t->timer_all = t->timer_other = kin_tick_share_other() * any_rate(t->clock[0] - common);
		for (unsigned k = 0; k < KIN_TICKS; k++) {
			t->timer[k] = kin_tick_share(k) * oscillator(t->clock[k] - common);
			t->timer_all += t->timer[k];
		}
	}
}

/* --- two IDs --- */

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

#define PERIODS 4 /* an ID may have one with the key and one without */

/* What a pair's clocks did while it had these periods. */
struct spell_of_rates {
	int64_t a, b; /* periods */
	struct line rate; /* difference in ppm over hours */
	struct line wide; /* the same with what bus load may add, for its change */
	struct line lock; /* the same, if both are on the same ticks */
};

/* What a pair's clocks did: rates seen, and how they changed; and the best look at the distance of their phases. */
struct drift {
	struct spell_of_rates with[PERIODS];
	unsigned n;
	double change, change_w; /* ppm an hour within long runs, and weight */
	const struct kin_point *x, *y;
	double phase_var;
	double lock_phase_var; /* if both are on the same ticks */
};

static struct spell_of_rates *rates_with(struct drift *d, int64_t a, int64_t b)
{
	for (unsigned i = 0; i < d->n; i++)
		if (d->with[i].a == a && d->with[i].b == b)
			return &d->with[i];
	if (d->n == PERIODS)
		return NULL;
	d->with[d->n] = (struct spell_of_rates){ .a = a, .b = b };
	return &d->with[d->n++];
}

static void add_rates(struct drift *d, int64_t a, int64_t b, double t, double ppm, double var, double wander, double lock)
{
	struct spell_of_rates *with = rates_with(d, a, b);

	if (!with)
		return;
	line_add(&with->rate, t, ppm, var);
	line_add(&with->wide, t, ppm, var + wander);
	line_add(&with->lock, t, ppm, lock);
}

/* A stretch of time in which both ran without a break: parabola through the distance of their phases. */
struct chain {
	lull_time a, b;
	int64_t period_a, period_b;
	double ppm_a, ppm_b;
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

/* Phase grows by so much less than the rate, since it is looked at over time, not over nominal time. */
static double by_time(double ppm)
{
	return ppm - ppm / (1 + 1e-6 * ppm);
}

/* ns an hour are 1e-6 / 3.6 ppm. */
static const double to_ppm = 1e-6 / 3.6;

static void chain_end(struct chain *ch, struct drift *d)
{
	if (ch->n >= 2) {
		struct line l = { ch->s[0], ch->s[1], ch->s[2], ch->sy[0], ch->sy[1], ch->syy, ch->n };
		double var, slope = line_slope(&l, &var), mean = ch->s[1] / ch->s[0];

		if (isfinite(var))
			add_rates(d, ch->period_a, ch->period_b, ch->t0 / 3.6e12 + mean,
				slope * to_ppm + by_time(ch->ppm_a) - by_time(ch->ppm_b), var * to_ppm * to_ppm, ch->wander, var * to_ppm * to_ppm);
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


/* Heard from the same instant to the same instant. */
static bool heard_alike(const struct kin_point *x, const struct kin_point *y)
{
	double least = 0.05 * (double)(x->to - x->from < y->to - y->from ? x->to - x->from : y->to - y->from);

	return fabs((double)(x->from - y->from)) <= least + (double)y->period && fabs((double)(x->to - y->to)) <= least + (double)y->period;
}

/* Both ran at once: the distance of their phases can be told. */
static void look_at_phases(struct drift *d, const struct kin_point *x, const struct kin_point *y)
{
	if (x->from > y->to || y->from > x->to)
		return;
	double apart = (y->grid - x->grid) * 1e-6;
	double var = x->phase_var + y->phase_var + apart * apart * fmin(x->ppm_var, y->ppm_var);

	if (d->x && var >= d->phase_var)
		return;
	d->x = x;
	d->y = y;
	d->phase_var = var;
	d->lock_phase_var = heard_alike(x, y) ? fmin(var, x->lock_phase_var + y->lock_phase_var + apart * apart * fmin(x->lock_var, y->lock_var)) : var;
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
		look_at_phases(d, x, y);
		bool whole = x->stretch != LULL_NEVER && y->stretch != LULL_NEVER && fabs(x->t - y->t) < 45e9;
		if (ch.n && (!whole || ch.a != x->stretch || ch.b != y->stretch))
			chain_end(&ch, d);
		if (whole) {
			double t = 0.5 * (x->t + y->t), apart = 0.5 * (y->t - x->t) * 1e-6;

			ch.a = x->stretch;
			ch.b = y->stretch;
			ch.period_a = x->period;
			ch.period_b = y->period;
			ch.ppm_a = x->ppm;
			ch.ppm_b = y->ppm;
			chain_add(&ch, t, x->phase + x->ppm * apart - (y->phase - y->ppm * apart),
				x->phase_var + y->phase_var + apart * apart * (x->ppm_var + y->ppm_var));
			ch.wander = (x->wander + y->wander) / ch.n; /* a chain of many windows forgets the load */
		} else {
			add_rates(d, x->period, y->period, 0.5 * (x->t + y->t) / 3.6e12, x->ppm - y->ppm, x->ppm_var + y->ppm_var,
				x->wander + y->wander, heard_alike(x, y) ? x->lock_var + y->lock_var : x->ppm_var + y->ppm_var);
		}
	}
	chain_end(&ch, d);
}

/* Density of a distance `off` from a tick, with measurements so uncertain, times the tick's length. */
static double on_tick(double off, double length, double var)
{
	double density = 0;

	for (unsigned i = 0; i < 3; i++) {
		double scale = sqrt(late_ms[i] * late_ms[i] * 1e12 + var);
		/* comes round to the next tick */
		double wrapped = exp(-off / scale) + exp((off - length) / scale);

		density += late_share[i] * wrapped / (2 * scale * (1 - exp(-length / scale)));
	}
	return length * density;
}

/* How much more likely the distance of the phases is with both on one scheduler's ticks than anywhere. */
static double phases(const struct drift *d, unsigned kind, double length, bool lock)
{
	const struct kin_point *x = d->x, *y = d->y;

	double ppm = x->ppm_var < y->ppm_var ? x->ppm - kin_tick_rounding(kind, (double)x->period)
					     : y->ppm - kin_tick_rounding(kind, (double)y->period);
	double off = fabs(remainder(y->grid - x->grid, length * (1 + 1e-6 * ppm)));
	return on_tick(off, length, lock ? d->lock_phase_var : d->phase_var);
}

/* Density of the difference of rates, if the clock is one and the timer of that kind. */
static double rates(const struct drift *d, unsigned kind, double clock, bool lock)
{
	double w = 0, y = 0, yy = 0;
	unsigned n = 0;

	for (unsigned i = 0; i < d->n; i++) {
		const struct line *l = lock ? &d->with[i].lock : &d->with[i].rate;
		double off = kin_tick_rounding(kind, (double)d->with[i].a) - kin_tick_rounding(kind, (double)d->with[i].b);

		off *= 1 + 1e-6 * clock; /* what was rounded is counted by that clock, seen by the recorder's */
		w += l->w;
		y += l->wy - off * l->w;
		yy += l->wyy - 2 * off * l->wy + off * off * l->w;
		n += l->n;
	}
	double mean = y / w, left = yy - y * mean, var = 1 / w * (n > 1 ? fmax(1, left / (n - 1)) : 1) + equal_sd_ppm * equal_sd_ppm;

	return (1 - astray) * exp(log_normal(mean, var)) +
		astray * exp(log_normal(mean, astray_times * astray_times * var + astray_ppm * astray_ppm));
}

/* What the change of the difference says: two oscillators warm and cool differently. */
static double changes(const struct drift *d)
{
	double w = d->change_w, change = d->change, two = 0;

	for (unsigned i = 0; i < d->n; i++) {
		double var, trend = line_slope(&d->with[i].wide, &var);

		if (isfinite(var)) {
			w += 1 / var;
			change += trend / var;
		}
	}
	if (!(w > 0))
		return 0;
	double noise = 1 / w + equal_change_ppm_h * equal_change_ppm_h;
	change /= w;
	for (unsigned i = 0; i < 3; i++)
		two += trend_share[i] * exp(log_normal(change, noise + trend_ppm_h[i] * trend_ppm_h[i]) - log_normal(change, noise));
	return fmax(-change_cap, -log(two));
}

/* Density of the difference of rates, if one clock drives a timer of no kind known, whose tick is a millisecond or two but for some
 * hundred ppm: of each period it makes a whole number of ticks. */
static double odd_ticks(const struct drift *d, const struct kin_trace *a, const struct kin_trace *b)
{
	double density = 0;

	for (unsigned i = 0; i < ODD_TICKS; i++) {
		double nominal = odd_ms[i] * 1e6, sum = 0, w = 0;

		for (unsigned k = 0; k < d->n; k++) {
			const struct line *l = &d->with[k].rate;
			bool first = d->with[k].a <= d->with[k].b;
			/* of the shorter period the tick is told with least doubt */
			double shorter = (double)(first ? d->with[k].a : d->with[k].b), longer = (double)(first ? d->with[k].b : d->with[k].a);
			double ppm = first ? a->clock[0] : b->clock[0];
			double tick = shorter * (1 + 1e-6 * ppm) / fmax(1, round(shorter / nominal));
			double expected = 1e6 * (fmax(1, round(longer / tick)) * tick / longer - 1) - ppm;

			sum += l->wy - (first ? -expected : expected) * l->w;
			w += l->w;
		}
		double var = 1 / w + odd_sd_ppm * odd_sd_ppm, off = sum / w;
		density += exp(log_normal(off, var)) / ODD_TICKS;
	}
	return density;
}

/* Density of what was seen of both, if their timers are of that kind and one clock drives them. */
static double one_timer(const struct kin_traces *set, const struct drift *d, unsigned kind, double clock)
{
	double length = d->x && d->y ? kin_tick_length(kind, (double)d->x->period, (double)d->y->period) : 0;
	double any = rates(d, kind, clock, false);

	if (!(length > 0))
		return any;
	/* stamps of a grid that the ticks sit on err for both alike */
	bool lock = !kind && set->grid > 0 && fabs(remainder(length, set->grid)) < 1;

	return (1 - ticked) * any + ticked * (lock ? rates(d, kind, clock, true) : any) * phases(d, kind, length, lock);
}

double kin_clock_ratio(const struct kin_traces *set, const struct kin_trace *a, const struct kin_trace *b)
{
	struct drift d = { 0 };

	if (!(a->timer_all > 0) || !(b->timer_all > 0))
		return 0;
	compare(a, b, &d);
	if (!d.n)
		return 0;
	/* a timer of no kind known: whatever each did, it did by itself */
	double same = a->timer_other * b->timer_other / kin_tick_share_other(), two = a->timer_all * b->timer_all;

	for (unsigned k = 0; k < KIN_TICKS; k++)
		if (a->timer[k] > 1e-4 * a->timer_all && b->timer[k] > 1e-4 * b->timer_all)
			same += sqrt(a->timer[k] * b->timer[k]) * one_timer(set, &d, k, 0.5 * (a->clock[k] + b->clock[k]));
	if (fabs(a->clock[0] - b->clock[0]) > odd_least_ppm)
		same += odd_share * fmin(a->timer_other, b->timer_other) * odd_ticks(&d, a, b);
	return fmax(clip(log(same / two) + changes(&d), clock_cap), clock_least);
}
