/* SPDX-License-Identifier: GPL-3.0-or-later */
/* draw_gain: what a known load (trade rule 19: 7 s on, 3 s off, 5 s on) says of the clamp's gain. Pure.
 *
 * The car does not stand still while somebody switches a lamp: each switching is compared with the times off on both sides of it,
 * and what the two tell apart is part of the error. A gain that cannot be told from 1 is left at 1. */
#include "core/draw.h"

#include <math.h>

#define SURELY 3.0 /* standard errors */
#define HAND_S 3.0 /* how far the mark may lie from the switch */
#define SCALE_WRONG 1.5 /* no clamp is so bad: another range */
#define NOISE_KEEPS 2.0
#define ALIKE 0.15 /* of the sum of two readings of the same load */

struct part {
	double from, to; /* s from the first switching on, clear of its edges */
};
static const struct part before = { -6, -1 }, on1 = { 1.2, 6.2 }, off = { 7.9, 9.3 }, on2 = { 11.2, 14 }, after = { 16.4, 22 };

static double mean_of(const struct draw *w, double at, struct part p, double *count)
{
	double from = at + p.from, to = at + p.to, sum = 0;
	size_t low = 0, high = w->n, n = 0;
	while (low < high) {
		size_t mid = (low + high) / 2;
		if (w->s[mid] < from)
			low = mid + 1;
		else
			high = mid;
	}
	for (size_t i = low; i < w->n && w->s[i] <= to; i++, n++)
		sum += (double)w->x[i];
	*count = (double)n;
	return n ? sum / (double)n : NAN;
}

struct reading {
	double first, second; /* mA of the load */
	double error; /* of their mean, by the noise */
};

static struct reading read_load(const struct draw *w, double at, double noise)
{
	double nb, n1, no, n2, na;
	double b = mean_of(w, at, before, &nb), h1 = mean_of(w, at, on1, &n1), o = mean_of(w, at, off, &no);
	double h2 = mean_of(w, at, on2, &n2), a = mean_of(w, at, after, &na);
	struct reading r = { .first = h1 - (b + o) / 2, .second = h2 - (o + a) / 2 };
	r.error = noise * sqrt(NOISE_KEEPS * (1 / (n1 + n2) + 1 / (nb + no + na)));
	return r;
}

/* About the mark, where the four edges show most. */
static double find_switching(const struct draw *w, double at, double noise)
{
	double best = at, most = -1, step = fmax(0.1, w->series.step_s / 2);
	const unsigned shifts = (unsigned)(2 * HAND_S / step);
	for (unsigned i = 0; i <= shifts; i++) {
		double shift = i * step - HAND_S;
		struct reading r = read_load(w, at + shift, noise);
		double size = fabs(r.first + r.second) - fabs(r.first - r.second);
		if (isfinite(size) && size > most) {
			most = size;
			best = at + shift;
		}
	}
	return best;
}

void draw_find_gain(struct draw *w)
{
	struct lull_case *c = w->c;
	struct lull_current_report *r = &c->v->current;
	double noise = 0, weight = 0, sum = 0, squares = 0, errors = 0, n = 0;
	if (!r->lineup.paired || !w->placed)
		return;
	for (size_t i = 0; i < w->levels; i++) {
		noise += w->level[i].noise * (double)(w->level[i].to - w->level[i].from);
		weight += (double)(w->level[i].to - w->level[i].from);
	}
	noise = weight > 0 ? noise / weight : 0;
	for (size_t i = 0; i < c->night->marks.n; i++) {
		const struct lull_mark *m = &c->night->marks.at[i];
		if (m->kind != LULL_MARK_TEST_LOAD || !(m->value > 0))
			continue;
		double at = (lull_seconds(m->t) - w->start_s) / w->rate;
		struct reading got = read_load(w, find_switching(w, at, noise), noise);
		if (!isfinite(got.first) || !isfinite(got.second) || !isfinite(got.error))
			continue;
		/* both times alike and well above the noise, or it was not in the log */
		if (fabs(got.first - got.second) > ALIKE * fabs(got.first + got.second) || fabs(got.first + got.second) < 10 * got.error)
			continue;
		double a = got.first / m->value, b = got.second / m->value;
		sum += a + b;
		squares += a * a + b * b;
		errors += got.error * got.error / (m->value * m->value);
		n++;
	}
	if (!(n > 0))
		return;
	w->load_read = true;
	double share = sum / (2 * n), apart = fmax(0, squares / (2 * n) - share * share);
	double error = hypot(sqrt(errors) / n, sqrt(apart / n));
	if (fabs(share) < 0.005 || (fabs(share) < SCALE_WRONG && fabs(share) > 1 / SCALE_WRONG && fabs(fabs(share) - 1) < SURELY * error &&
					share > 0))
		return;
	r->gain = 1 / share;
	r->gain_error = fabs(error / (share * share));
	draw_apply_gain(w, r->gain);
}
