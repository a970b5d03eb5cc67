/* SPDX-License-Identifier: GPL-3.0-or-later */
/* draw_levels: the living samples of the clamp's log, its direction and its levels. Pure. */
#include "core/draw.h"

#include <math.h>
#include <stdlib.h>

static bool is_dead(const struct draw *w, double s)
{
	for (size_t i = 0; i < w->dead_n; i++)
		if (s >= w->dead[i].from_s && s <= w->dead[i].to_s && w->dead[i].why != LULL_DEAD_DROPPED)
			return true;
	return false;
}

static bool dead_between(const struct draw *w, double from, double to)
{
	for (size_t i = 0; i < w->dead_n; i++)
		if (w->dead[i].from_s < to && w->dead[i].to_s > from && w->dead[i].why != LULL_DEAD_DROPPED)
			return true;
	return false;
}

bool draw_keep_living(struct draw *w)
{
	w->s = calloc(w->series.n + 1, sizeof *w->s);
	w->x = calloc(w->series.n + 1, sizeof *w->x);
	if (!w->s || !w->x) {
		w->c->oom = true;
		return false;
	}
	for (size_t i = 0; i < w->series.n; i++)
		if (isfinite(w->series.mA[i]) && !is_dead(w, w->series.s[i])) {
			w->s[w->n] = w->series.s[i];
			w->x[w->n++] = w->series.mA[i];
		}
	return w->n > 0;
}

static int by_float(const void *a, const void *b)
{
	float x = *(const float *)a, y = *(const float *)b;
	return x < y ? -1 : x > y;
}

/* A parked car draws, and its current rises from the quiet level and falls back. Judged on a sample of the log between its
 * 1 % ends, which leave out a short drive (amperes either way, the engine charges): with a zero, a level below it for most of
 * the night; without, excursions that all point down. A charger at work looks like the first, but its night has rises. */
bool draw_hangs_reversed(struct draw *w)
{
	enum { MOST = 20000 };
	size_t stride = w->n / MOST + 1, n = 0;
	float *pick = calloc(w->n / stride + 1, sizeof *pick);
	if (!pick) {
		w->c->oom = true;
		return false;
	}
	for (size_t i = 0; i < w->n; i += stride)
		pick[n++] = w->x[i];
	qsort(pick, n, sizeof *pick, by_float);
	double middle = pick[n / 2], low = middle - pick[n / 50], high = pick[n - 1 - n / 50] - middle;
	free(pick);
	bool zeroed = w->before || w->after;
	double open = draw_zero_error(w, 0.5);
	bool falls = low > 30 && low > 3 * high, rises = high > 30 && high > 3 * low;
	if (zeroed && middle < -open - 3)
		return !rises;
	if (zeroed && middle > open + 3)
		return false;
	return falls;
}

void draw_turn(struct draw *w)
{
	for (size_t i = 0; i < w->levels; i++) {
		w->level[i].mean = -w->level[i].mean;
		w->level[i].slope = -w->level[i].slope;
	}
	for (size_t i = 0; i < w->n; i++)
		w->x[i] = -w->x[i];
	for (size_t i = 0; i < w->series.n; i++)
		w->series.mA[i] = -w->series.mA[i];
	struct lull_current_report *r = &w->c->v->current;
	r->correction.gain = -r->correction.gain;
	r->correction.offset_mA = -r->correction.offset_mA;
	r->correction.slope_mA_per_s = -r->correction.slope_mA_per_s;
	r->zero_mA = 0 - r->zero_mA; /* no -0 */
	r->zero_drift_mA = 0 - r->zero_drift_mA;
	r->reversed = !r->reversed;
}

/* A known load tells gain and direction better than any guess. */
void draw_apply_gain(struct draw *w, double gain)
{
	for (size_t i = 0; i < w->n; i++)
		w->x[i] = (float)((double)w->x[i] * gain);
	for (size_t i = 0; i < w->levels; i++) {
		w->level[i].mean *= gain;
		w->level[i].error *= fabs(gain);
		w->level[i].noise *= fabs(gain);
		w->level[i].slope *= gain;
	}
	struct lull_correction *k = &w->c->v->current.correction;
	k->gain *= gain;
	k->offset_mA *= gain;
	k->slope_mA_per_s *= gain;
	struct lull_current_report *r = &w->c->v->current;
	if (gain < 0) {
		r->zero_mA = 0 - r->zero_mA; /* no -0 */
		r->zero_drift_mA = 0 - r->zero_drift_mA;
	}
	r->reversed ^= gain < 0;
}

/* Levels of the pieces between dead times, one after the other. */
bool draw_find_levels(struct draw *w)
{
	const struct lull_level_rule rule = { .noise = NAN, .penalty = NAN, .ramps = true };
	LULL_ARRAY(struct lull_level) all = { 0 };
	for (size_t from = 0; from < w->n;) {
		size_t to = from + 1;
		while (to < w->n && !dead_between(w, w->s[to - 1], w->s[to]))
			to++;
		struct lull_level *piece;
		size_t n;
		if (lull_find_levels(w->s + from, w->x + from, to - from, &rule, &piece, &n) != 0) {
			w->c->oom = true;
			free(all.at);
			return false;
		}
		for (size_t i = 0; i < n; i++) {
			piece[i].from += from;
			piece[i].to += from;
			CASE_PUSH(w->c, all, piece[i]);
		}
		free(piece);
		from = to;
	}
	w->level = all.at;
	w->levels = all.n;
	return !w->c->oom;
}
