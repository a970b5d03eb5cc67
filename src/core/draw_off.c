/* SPDX-License-Identifier: GPL-3.0-or-later */
/* draw_off: times at which the clamp was off the cable, as marks say: the zero is read there, and nothing else. Pure. */
#include "core/draw.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define ZERO_REACH 30.0 /* seconds between a mark and what it speaks of */
#define ZERO_LASTS 3.0 /* seconds off the cable, at least, for a zero to be read */
#define ZERO_LONGEST 600.0 /* and at the most: what lasts longer may as well be the car's */
#define TOUCHED 900.0 /* seconds between the mark and the hand on a clamp that was then forgotten beside the cable */
#define PART_OF_TOUCH 0.25 /* levels that differ by less of the step at the touch are one time off the cable, */
#define CREEP_MA 5.0 /* and by less than this: its zero drifts */
#define ALIKE_MA 2.0 /* levels of one current */
#define ZERO_MOST_MA 1000.0 /* that a clamp may stand off, also where its scale was told ten times wrong */
#define CHARGING_MA (-200.0) /* below this no clamp's zero lies */

static double length(const struct draw *w, const struct lull_level *l)
{
	return w->s[l->to - 1] - w->s[l->from];
}

/* What a level differs from another by, beyond what its own noise could do; 0: it does not. */
static double beyond(const struct lull_level *a, const struct lull_level *b)
{
	double apart = a->mean - b->mean, noise = 3 * hypot(a->error, b->error);
	return fabs(apart) <= noise ? 0 : apart;
}

/* Off the cable nothing is drawn: such a level lies above the one before and after it only where these charge. */
static bool stands_out(const struct draw *w, size_t i)
{
	bool above = false;
	for (int side = -1; side <= 1; side += 2) {
		if ((side < 0 && i == 0) || (side > 0 && i + 1 == w->levels))
			continue;
		const struct lull_level *beside = &w->level[side < 0 ? i - 1 : i + 1];
		if (beyond(&w->level[i], beside) <= 0 || beside->mean < CHARGING_MA)
			return false;
		above = true;
	}
	return above;
}

/* The car's own after or before a wake: the level beyond it lasts, and is the same. */
static bool only_woken(const struct draw *w, size_t i)
{
	for (int side = -2; side <= 2; side += 4) {
		if ((side < 0 && i < 2) || (side > 0 && i + 2 >= w->levels))
			continue;
		size_t between = side < 0 ? i - 1 : i + 1, beyond_it = side < 0 ? i - 2 : i + 2;
		if (length(w, &w->level[beyond_it]) > ZERO_LONGEST && stands_out(w, between) &&
			fabs(w->level[beyond_it].mean - w->level[i].mean) <= ALIKE_MA)
			return true;
	}
	return false;
}

static double apart_s(const struct draw *w, const struct lull_level *l, lull_time mark)
{
	double at = (lull_seconds(mark) - w->start_s) / w->rate, from = w->s[l->from], to = w->s[l->to - 1];
	return (from > at ? from - at : to < at ? at - to : 0) * w->rate;
}

bool draw_zero_near(const struct draw *w, lull_time mark, size_t *level)
{
	double nearest = ZERO_REACH + 1;
	for (size_t i = 0; i < w->levels; i++) {
		double apart = apart_s(w, &w->level[i], mark), lasts = length(w, &w->level[i]);
		if (apart >= nearest || lasts < ZERO_LASTS || lasts > ZERO_LONGEST || fabs(w->level[i].mean) > ZERO_MOST_MA || stands_out(w, i) ||
			only_woken(w, i))
			continue;
		nearest = apart;
		*level = i;
	}
	return nearest <= ZERO_REACH;
}

/* The touch at an edge of a level: how far the current stepped there, 0 at the ends of the log. */
static double touch(const struct draw *w, size_t i, int side)
{
	if ((side < 0 && i == 0) || (side > 0 && i + 1 == w->levels))
		return 0;
	return fabs(w->level[i].mean - w->level[side < 0 ? i - 1 : i + 1].mean);
}

/* From one level to all of the same time off the cable: first and last. */
static void whole_time(const struct draw *w, size_t i, size_t *first, size_t *last)
{
	double alike = fmin(PART_OF_TOUCH * fmax(touch(w, i, -1), touch(w, i, 1)), CREEP_MA);
	*first = *last = i;
	while (*first > 0 && fabs(w->level[*first - 1].mean - w->level[i].mean) <= alike)
		--*first;
	while (*last + 1 < w->levels && fabs(w->level[*last + 1].mean - w->level[i].mean) <= alike)
		++*last;
}

/* Is there something in the car that explains a step down to the level at this instant: the key, a bus that fell quiet? */
static bool has_cause(const struct draw *w, double s)
{
	const struct lull_case *c = w->c;
	lull_time t = draw_time(w, s), reach = 5 * LULL_SEC + 2 * (lull_time)llround(w->series.step_s * 1e9);
	if (c->v->key_off != LULL_NEVER && llabs(t - c->v->key_off) <= reach)
		return true;
	for (size_t i = 0; i < c->v->spells.n; i++)
		if (!c->v->spells.at[i].lone && (llabs(t - c->v->spells.at[i].to) <= reach || llabs(t - c->v->spells.at[i].from) <= reach))
			return true;
	return false;
}

/* A clamp that was left beside the cable: the current falls to about nothing near the mark, with no cause in the car, and stays there
 * until the log ends; or it lies there from the log's begin and rises near the mark. */
static bool forgotten(const struct draw *w, lull_time mark, size_t *first, size_t *last)
{
	double at = (lull_seconds(mark) - w->start_s) / w->rate;
	for (size_t i = 0; i < w->levels; i++) {
		const struct lull_level *l = &w->level[i];
		double open = w->before || w->after ? draw_zero_error(w, 0.5) + 3 * l->error : DRAW_UNZEROED_MA;
		if (apart_s(w, l, mark) > 0 || fabs(l->mean) > open)
			continue;
		whole_time(w, i, first, last);
		double from = w->s[w->level[*first].from], to = w->s[w->level[*last].to - 1];
		if (*first > 0 && *last + 1 == w->levels)
			return at - from <= TOUCHED && beyond(&w->level[*first], &w->level[*first - 1]) < 0 && !has_cause(w, from);
		if (*first == 0 && *last + 1 < w->levels)
			return to - at <= TOUCHED && beyond(&w->level[*last], &w->level[*last + 1]) < 0 && !has_cause(w, to);
	}
	return false;
}

static void insert(struct draw *w, struct lull_dead row)
{
	struct lull_dead *all = realloc(w->dead, (w->dead_n + 1) * sizeof *all);
	size_t at = 0;
	if (!all) {
		w->c->oom = true;
		return;
	}
	while (at < w->dead_n && all[at].from_s < row.from_s)
		at++;
	memmove(all + at + 1, all + at, (w->dead_n - at) * sizeof *all);
	all[at] = row;
	w->dead = all;
	w->dead_n++;
}

/* Takes levels and their samples out of the log. */
static void cut(struct draw *w, size_t first, size_t last)
{
	size_t from = w->level[first].from, to = w->level[last].to, gone = to - from, levels = last - first + 1;
	insert(w, (struct lull_dead){ .from_s = w->s[from], .to_s = w->s[to - 1], .why = LULL_DEAD_OFF_CABLE });
	memmove(w->s + from, w->s + to, (w->n - to) * sizeof *w->s);
	memmove(w->x + from, w->x + to, (w->n - to) * sizeof *w->x);
	memmove(w->level + first, w->level + last + 1, (w->levels - last - 1) * sizeof *w->level);
	w->n -= gone;
	w->levels -= levels;
	for (size_t i = first; i < w->levels; i++) {
		w->level[i].from -= gone;
		w->level[i].to -= gone;
	}
}

void draw_leave_off_cable(struct draw *w)
{
	const struct lull_night *night = w->c->night;
	if (!w->placed)
		return;
	for (size_t i = 0; i < night->marks.n; i++) {
		const struct lull_mark *m = &night->marks.at[i];
		size_t first = 0, last = 0, level = 0;
		if (m->kind != LULL_MARK_CLAMP_ZERO)
			continue;
		bool near = draw_zero_near(w, m->t, &level), left = forgotten(w, m->t, &first, &last);
		if (!near && !left)
			continue;
		if (!left)
			first = last = level;
		if (last - first + 1 < w->levels)
			cut(w, first, last);
	}
}
