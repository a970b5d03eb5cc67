/* SPDX-License-Identifier: GPL-3.0-or-later */
/* draw_zero: what the clamp reads off the cable, told or read where marks say so, and what it leaves open. Pure. */
#include "core/draw.h"

#include <math.h>

/* Half widths, 95 %, of what a zero leaves open; common practice, no published source: clamps of this kind drift by some
 * 20 mA in a night. */
#define DRIFT_MA 20.0
#define ZERO_READING_MA 1.0

static double zero_slope(const struct draw *w)
{
	double length = w->series.n ? w->series.s[w->series.n - 1] : 0;
	return length > 0 ? w->zero_drift / length : 0;
}

static void take_off(struct draw *w, double mA, double mA_per_s)
{
	struct lull_correction *k = &w->c->v->current.correction;
	for (size_t i = 0; i < w->levels; i++) {
		struct lull_level *l = &w->level[i];
		l->mean -= mA + mA_per_s * (w->s[l->from] + w->s[l->to - 1]) / 2;
	}
	for (size_t i = 0; i < w->n; i++)
		w->x[i] = (float)((double)w->x[i] - mA - mA_per_s * w->s[i]);
	for (size_t i = 0; i < w->series.n; i++)
		w->series.mA[i] = (float)((double)w->series.mA[i] - mA - mA_per_s * w->series.s[i]);
	k->offset_mA -= mA;
	k->slope_mA_per_s -= mA_per_s;
}

void draw_read_zero(struct draw *w)
{
	const struct lull_clamp *clamp = &w->c->night->clamp;
	struct lull_current_report *r = &w->c->v->current;
	double before = clamp->zero_before_mA, after = clamp->zero_after_mA;

	w->before = isfinite(before);
	w->after = isfinite(after);
	if (!isfinite(before) && isfinite(after))
		before = after;
	w->zero_drift = isfinite(before) && isfinite(after) ? after - before : 0;
	w->zero_before = isfinite(before) ? before : 0;
	if (isfinite(before)) {
		r->zero_mA = before + w->zero_drift / 2;
		r->zero_drift_mA = w->zero_drift;
	}
}

/* After levelling, since the meter's digit shows only in the readings as they are. */
void draw_take_zero_off(struct draw *w)
{
	take_off(w, w->zero_before, zero_slope(w));
}

/* It draws the same way round as the car, so this comes after a clamp that hung the other way round was turned; and after zeros
 * were read from the log, in which nothing was drawn at all. */
void draw_take_logger_off(struct draw *w)
{
	double mA = w->c->night->clamp.logger_mA;
	w->c->v->current.logger_mA = mA;
	if (isfinite(mA))
		take_off(w, mA, 0);
}

/* What the zero leaves open at a share (0..1) of the log: half width, 95 %. */
double draw_zero_error(const struct draw *w, double share)
{
	double reading = hypot(ZERO_READING_MA, 1.96 * w->zero_noise);
	if (w->before && w->after) /* what bends between the two ends, most in the middle */
		return hypot(reading, 0.2 * fabs(w->zero_drift) * 4 * share * (1 - share));
	/* temperatures change most soon after it was hung */
	if (w->before || w->after)
		return hypot(reading, DRIFT_MA * (w->before ? sqrt(share) : 1 - share));
	return DRAW_UNZEROED_MA;
}

/* Standard error of a zero as a reading by itself, from the means of its parts. The level's own error is another thing: it says how far a
 * level is off the night's, and takes the zero's drift for slow noise, which the two zeros are there to take off. */
static double reading_error(const struct draw *w, const struct lull_level *l)
{
	enum { PARTS = 8 };
	/* 97.5 % of Student's distribution for so many parts, over that of the normal one (handbook table) */
	static const double student[PARTS + 1] = { 0, 0, 6.48, 2.20, 1.62, 1.42, 1.31, 1.25, 1.21 };
	size_t n = l->to - l->from, parts = n / 2 < PARTS ? n / 2 : PARTS;
	double sum = 0, squares = 0;
	if (parts < 2)
		return l->error;
	for (size_t k = 0; k < parts; k++) {
		size_t from = l->from + n * k / parts, to = l->from + n * (k + 1) / parts;
		double mean = 0;
		for (size_t i = from; i < to; i++)
			mean += (double)w->x[i] / (double)(to - from);
		sum += mean;
		squares += (mean - l->mean) * (mean - l->mean);
	}
	double off = sum / (double)parts - l->mean, variance = fmax(squares / (double)parts - off * off, 0) * (double)parts / (double)(parts - 1);
	double error = fmax(student[parts] * sqrt(variance / (double)parts), l->noise / sqrt((double)n));
	return fmin(error, l->error);
}

/* Zeros that nobody told are read from the log where marks say that the clamp was off the cable: the first before settling,
 * the last after it. Only with the clocks lined up. */
void draw_zero_by_marks(struct draw *w)
{
	struct lull_case *c = w->c;
	struct lull_current_report *r = &c->v->current;
	double before = NAN, after = NAN;
	if (!w->placed || w->before || w->after)
		return;
	for (size_t i = 0; i < c->night->marks.n; i++) {
		const struct lull_mark *m = &c->night->marks.at[i];
		if (m->kind != LULL_MARK_CLAMP_ZERO)
			continue;
		bool early = m->t < c->v->settle_from + 60 * LULL_MIN;
		size_t level;
		if (!draw_zero_near(w, m->t, &level))
			continue;
		w->zero_noise = fmax(w->zero_noise, reading_error(w, &w->level[level]));
		if (early && !isfinite(before))
			before = w->level[level].mean;
		if (!early)
			after = w->level[level].mean;
	}
	if (!isfinite(before) && !isfinite(after))
		return;
	w->before = isfinite(before);
	w->after = isfinite(after);
	if (!w->before)
		before = after;
	w->zero_drift = w->before && w->after ? after - before : 0;
	w->zero_before = before;
	draw_take_zero_off(w);
	r->zero_mA = before + w->zero_drift / 2;
	r->zero_drift_mA = w->zero_drift;
}
