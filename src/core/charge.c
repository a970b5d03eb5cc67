/* SPDX-License-Identifier: GPL-3.0-or-later */
/* charge: what each spell drew above the car asleep, and how well that is known. Pure.
 *
 * Against the current just before and after the spell, not the night's quiet level: a zero that drifts, or a circuit that is on
 * for hours, is no part of it. Samples are summed from well before the spell until well after it, so that only the place of its
 * edges between two samples is left to chance. */
#include "core/levels.h"
#include "core/case.h"

#include <math.h>
#include <stdlib.h>

#define LEAD (2 * LULL_SEC) /* a waker's own current rises before its first frame */
#define TAIL (6 * LULL_SEC)
#define BESIDE (2 * LULL_MIN) /* of quiet before and after, or so many samples: */
#define BESIDE_SAMPLES 30
#define LEAST_SAMPLES 3
#define NOISE_KEEPS 3.0 /* neighbouring samples repeat each other: variance of a mean, in times of white noise's */
#define INTERIOR 4 /* samples from the edges on, a lone one far off is no load */
#define INRUSH_S 0.05 /* of the peak: what charging capacitors takes when something wakes, more or less */
#define PER_CENT_95 1.96

static size_t sample_from(const struct lull_case *c, lull_time t)
{
	size_t low = 0, high = c->draw_n;
	while (low < high) {
		size_t mid = (low + high) / 2;
		if (c->draw_at[mid] < t)
			low = mid + 1;
		else
			high = mid;
	}
	return low;
}

/* Buses that are awake at the same time draw at the same time: *s becomes the whole of it. */
static void join_buses(const struct lull_case *c, struct lull_spell *s)
{
	for (bool more = true; more;) {
		more = false;
		for (size_t i = 0; i < c->v->spells.n; i++) {
			const struct lull_spell *other = &c->v->spells.at[i];
			if (other->lone || other->bus == s->bus || other->from > s->to || other->to < s->from)
				continue;
			more |= other->from < s->from || other->to > s->to;
			if (other->from < s->from) {
				s->from = other->from;
				s->begun = other->begun;
			}
			if (other->to > s->to) {
				s->to = other->to;
				s->closed = other->closed;
			}
		}
	}
}

/* What else was awake next to the spell: quiet reaches from *after to s->from and from s->to to *before. */
static void neighbours(const struct lull_case *c, const struct lull_spell *s, lull_time *after, lull_time *before)
{
	*after = c->v->settle_from < s->from ? c->v->settle_from : s->from;
	*before = INT64_MAX;
	for (size_t i = 0; i < c->v->spells.n; i++) {
		const struct lull_spell *other = &c->v->spells.at[i];
		if (other->lone || (other->from <= s->to && other->to >= s->from))
			continue;
		if (other->to <= s->from && other->to > *after)
			*after = other->to;
		if (other->from >= s->to && other->from < *before)
			*before = other->from;
	}
}

struct level {
	double mA, variance;
};

/* Median of the quiet in [from, to): what switches beside it for a moment is no part of it. NAN: too few samples. */
static struct level level_of(struct lull_case *c, lull_time from, lull_time to)
{
	struct level level = { NAN, NAN };
	size_t first = sample_from(c, from), n = sample_from(c, to) - first;
	if (to <= from || n < LEAST_SAMPLES)
		return level;
	double *x = malloc(n * sizeof *x);
	if (!x) {
		c->oom = true;
		return level;
	}
	for (size_t i = 0; i < n; i++)
		x[i] = (double)c->draw_mA[first + i];
	double middle = lull_select(x, n, n / 2), sum = 0, kept = 0;
	for (size_t i = 0; i < n; i++)
		if (fabs(x[i] - middle) <= 4 * fmax(c->draw_noise, 0.5)) {
			sum += x[i];
			kept++;
		}
	free(x);
	level.mA = kept > 0 ? sum / kept : middle;
	level.variance = NOISE_KEEPS * c->draw_noise * c->draw_noise / fmax(kept, 1);
	return level;
}

/* The car asleep, as it was about the spell. */
static struct level asleep_about(struct lull_case *c, const struct lull_spell *s, lull_time after, lull_time before, lull_time apart)
{
	const struct lull_current_report *r = &c->v->current;
	lull_time beside = BESIDE > BESIDE_SAMPLES * c->draw_step ? BESIDE : BESIDE_SAMPLES * c->draw_step;
	lull_time from = s->from - LEAD - apart - beside, to = s->to + TAIL + apart + beside;
	if (from < after + TAIL + apart)
		from = after + TAIL + apart;
	if (before != INT64_MAX && to > before - LEAD - apart)
		to = before - LEAD - apart;
	struct level a = level_of(c, from, s->from - LEAD - apart), b = level_of(c, s->to + TAIL + apart, to);
	/* on the way to the first sleep nothing before was quiet */
	if (s->kind == LULL_SPELL_SETTLING || s->kind == LULL_SPELL_BEFORE || !s->begun)
		a.mA = NAN;
	if (!s->closed)
		b.mA = NAN;
	if (isfinite(a.mA) && isfinite(b.mA))
		return (struct level){ (a.mA + b.mA) / 2, (a.variance + b.variance) / 4 + (a.mA - b.mA) * (a.mA - b.mA) / 12 };
	if (isfinite(a.mA) && s->kind != LULL_SPELL_SETTLING)
		return a;
	if (isfinite(b.mA) && s->kind != LULL_SPELL_SETTLING)
		return b;
	if (isfinite(b.mA)) { /* retained power may go on longer than the bus */
		double off = b.mA - r->quiet_mA;
		return (struct level){ r->quiet_mA, b.variance + off * off / 4 };
	}
	return (struct level){ r->quiet_mA, r->quiet_error_mA * r->quiet_error_mA / (PER_CENT_95 * PER_CENT_95) };
}

static double middle_of(double a, double b, double c)
{
	return fmax(fmin(a, b), fmin(fmax(a, b), c));
}

static void charge_of(struct lull_case *c, struct lull_spell *out)
{
	struct lull_spell whole = *out, *s = &whole;
	join_buses(c, s);
	const struct lull_current_report *r = &c->v->current;
	lull_time apart = isfinite(r->lineup.error_s) ? (lull_time)(2e9 * fmin(r->lineup.error_s, 5)) : 0, after, before;
	neighbours(c, s, &after, &before);
	struct level asleep = asleep_about(c, s, after, before, apart);
	lull_time from = s->from - LEAD - apart - 2 * c->draw_step, to = s->to + TAIL + apart + 2 * c->draw_step;
	bool shared = from < after || to > before; /* with a spell next to it: half way */
	if (from < after)
		from = s->from - (s->from - after) / 2;
	if (to > before)
		to = s->to + (before - s->to) / 2;
	size_t first = sample_from(c, from), end = sample_from(c, to);
	lull_time hole = 5 * c->draw_step > 10 * LULL_SEC ? 5 * c->draw_step : 10 * LULL_SEC;
	if (end <= first || !isfinite(asleep.mA) || c->draw_at[first] - from > hole || to - c->draw_at[end - 1] > hole)
		return;

	bool brief = s->to - s->from < INTERIOR * c->draw_step;
	double sum = 0, peak = 0, lasted = (double)(to - from) / 1e9, step = (double)c->draw_step / 1e9;
	for (size_t i = first; i < end; i++) {
		lull_time a = i > first ? (c->draw_at[i - 1] + c->draw_at[i]) / 2 : from;
		lull_time b = i + 1 < end ? (c->draw_at[i] + c->draw_at[i + 1]) / 2 : to;
		if (i > first && c->draw_at[i] - c->draw_at[i - 1] > hole)
			return;
		double x = (double)c->draw_mA[i];
		/* well inside, what stands alone between two that agree is an outlier */
		if (i > first && i + 1 < end && c->draw_at[i] > s->from + INTERIOR * c->draw_step && c->draw_at[i] < s->to - INTERIOR * c->draw_step) {
			double p = (double)c->draw_mA[i - 1], n = (double)c->draw_mA[i + 1], off = fabs(x - (p + n) / 2);
			if (off > 8 * fmax(c->draw_noise, 1) && fabs(p - n) < 0.3 * off)
				x = (p + n) / 2;
		}
		/* the middle one of three, or an outlier would count; not where the spell itself is hardly longer than a sample */
		peak = fmax(peak, i > first && i + 1 < end && !brief ?
					  middle_of((double)c->draw_mA[i - 1], x, (double)c->draw_mA[i + 1]) - asleep.mA :
					  x - asleep.mA);
		sum += (x - asleep.mA) * (double)(b - a) / 1e9;
	}
	double gain = isfinite(r->gain) ? r->gain_error / fabs(r->gain) * sum : 0;
	double variance = asleep.variance * lasted * lasted + NOISE_KEEPS * c->draw_noise * c->draw_noise * step * lasted +
		2 * peak * peak * (step * step / 12 + INRUSH_S * INRUSH_S) + gain * gain;
	if (shared)
		variance += peak * peak * (double)LULL_SEC * 1e-9;
	out->charge_mAs = sum;
	out->charge_error_mAs = PER_CENT_95 * sqrt(variance);
}

void case_charge(struct lull_case *c)
{
	const struct lull_current_report *r = &c->v->current;
	if (!r->lineup.paired || !isfinite(r->quiet_mA))
		return;
	for (size_t i = 0; i < c->v->spells.n; i++)
		if (r->lost_at == LULL_NEVER || c->v->spells.at[i].to <= r->lost_at)
			charge_of(c, &c->v->spells.at[i]);
}
