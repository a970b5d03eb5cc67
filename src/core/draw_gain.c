/* SPDX-License-Identifier: GPL-3.0-or-later */
/* draw_gain: what a known load (trade rule 19: 7 s on, 3 s off, 5 s on) says of the clamp's gain. Pure.
 *
 * The car does not stand still while somebody switches a lamp, least of all soon after key-off. So each of the four switchings is read by
 * itself, from the samples next to it; three of them must agree, and by how much they do is the error. A log with no sample between
 * two switchings says nothing. A gain that cannot be told from 1 is left at 1. */
#include "core/draw.h"

#include <math.h>
#include <stdlib.h>

#define SURELY 3.0 /* standard errors */
#define HAND_S 3.0 /* how far the mark may lie from the switch */
#define SCALE_WRONG 1.5 /* no clamp is so bad: another range */
#define NOISE_KEEPS 2.0
#define ALIKE 0.1 /* of the load as read: how far apart its switchings may read */
#define EDGES 4
#define CLEAR_S 0.4 /* beside a switching, the hand's and the lining up's uncertainty */
#define LEAST_BESIDE_S 1.4 /* and how long the car has to stand still: a fast log needs less of it, */
#define MOST_BESIDE_S 2.6 /* a slow one all of the 3 s off */
#define BESIDE_SAMPLES 10

static const double edge_s[EDGES] = { 0, 7, 10, 15 }; /* on, off, on, off */

static double mean_of(const struct draw *w, double from, double to, double *count)
{
	double sum = 0;
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
	double mA, error; /* of the load; its standard error. NAN: cannot be read there */
	unsigned agree; /* switchings that say so */
};

static int by_size(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;
	return x < y ? -1 : x > y;
}

/* The load switched on at `at`. */
static struct reading read_load(const struct draw *w, double at, double noise)
{
	struct reading r = { NAN, NAN, 0 };
	double jump[EDGES], variance = 0;
	double beside = fmin(fmax(CLEAR_S + BESIDE_SAMPLES * w->series.step_s, LEAST_BESIDE_S), MOST_BESIDE_S);
	for (int i = 0; i < EDGES; i++) {
		double n1, n2, t = at + edge_s[i];
		double before = mean_of(w, t - beside, t - CLEAR_S, &n1), after = mean_of(w, t + CLEAR_S, t + beside, &n2);
		jump[i] = i % 2 ? before - after : after - before;
		if (!isfinite(jump[i]))
			return r;
		variance += NOISE_KEEPS * noise * noise * (1 / n1 + 1 / n2) / EDGES;
	}
	qsort(jump, EDGES, sizeof *jump, by_size);
	double middle = (jump[1] + jump[2]) / 2, apart = fmax(ALIKE * fabs(middle), 3 * sqrt(variance)), sum = 0, squares = 0;
	for (int i = 0; i < EDGES; i++)
		if (fabs(jump[i] - middle) <= apart) {
			sum += jump[i];
			squares += jump[i] * jump[i];
			r.agree++;
		}
	if (!r.agree)
		return r;
	r.mA = sum / r.agree;
	r.error = sqrt((fmax(squares / r.agree - r.mA * r.mA, 0) + variance) / r.agree);
	return r;
}

/* About the mark, where at least three switchings agree, and on most: beside the right place each reads too little. */
static struct reading find_load(const struct draw *w, double at, double noise)
{
	struct reading best = { NAN, NAN, 0 };
	double step = fmax(0.1, w->series.step_s / 4);
	const unsigned shifts = (unsigned)(2 * HAND_S / step);
	for (unsigned i = 0; i <= shifts; i++) {
		struct reading r = read_load(w, at + i * step - HAND_S, noise);
		if (r.agree >= EDGES - 1 && !(fabs(r.mA) - SURELY * r.error <= fabs(best.mA) - SURELY * best.error))
			best = r;
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
		struct reading got = find_load(w, at, noise);
		r->load_unread = true;
		/* well above the noise and the car's own steps, or it was not in the log */
		if (!(fabs(got.mA) > 10 * got.error))
			continue;
		double share = got.mA / m->value;
		sum += share;
		squares += share * share;
		errors += got.error * got.error / (m->value * m->value);
		n++;
	}
	if (!(n > 0))
		return;
	w->load_read = true;
	r->load_unread = false;
	double share = sum / n, apart = fmax(0, squares / n - share * share);
	double error = hypot(sqrt(errors) / n, sqrt(apart / n));
	if (fabs(share) < 0.005 || (fabs(share) < SCALE_WRONG && fabs(share) > 1 / SCALE_WRONG && fabs(fabs(share) - 1) < SURELY * error &&
					share > 0))
		return;
	r->gain = 1 / share;
	r->gain_error = fabs(error / (share * share));
	draw_apply_gain(w, r->gain);
}
