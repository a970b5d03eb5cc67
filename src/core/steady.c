/* SPDX-License-Identifier: GPL-3.0-or-later */
/* steady: times in which no node starts or stops, and the current's step from one to the next. Pure.
 *
 * Steps are good to the noise, while the level drifts with the clamp (trade rule 18): so only the last minute before and the
 * first after a change enter. Booting and running down are neither. */
#include "core/levels.h"
#include "core/regress.h"

#include <math.h>
#include <stdlib.h>

/* A node's current rises up to a second before its first frame and falls some seconds after its last one, and up to a period of
 * its fastest ID lies between a frame and its start or stop. */
#define BEFORE_START LULL_SEC
#define AFTER_START (2 * LULL_SEC)
#define BEFORE_STOP LULL_SEC
#define AFTER_STOP (4 * LULL_SEC)
#define SLOWEST (10 * LULL_SEC)
#define WINDOW (60 * LULL_SEC) /* of the current beside a change, or so many samples: */
#define WINDOW_SAMPLES 40
#define LEAST (2 * LULL_SEC)
#define LEAST_SAMPLES 3
#define LONGEST (10 * LULL_MIN) /* change: its beginning and end are no longer neighbours */
#define TOGETHER (30 * LULL_MIN) /* errors may go together for so long where the bus never sleeps */
#define MOST_RUNS 1000 /* of one column; what comes and goes more often is no steady load */
#define NOISE_KEEPS 3.0 /* neighbouring samples repeat each other: variance of a mean, in times of white noise's */

struct change {
	lull_time from, to;
	uint8_t column;
	bool up, none; /* none: unsteady, but the same afterwards */
	bool other; /* of a node that has no column */
};
typedef LULL_ARRAY(struct change) change_list;

struct steady {
	lull_time from, to;
	uint64_t awake;
};

static int by_from(const void *a, const void *b)
{
	const struct change *x = a, *y = b;
	return x->from < y->from ? -1 : x->from > y->from;
}

static int span_by_from(const void *a, const void *b)
{
	const struct span *x = a, *y = b;
	return x->from < y->from ? -1 : x->from > y->from;
}

/* Times in which the column's IDs send in their rhythm, merged. */
static span_list awake_times(struct lull_case *c, int column)
{
	span_list all = { 0 }, merged = { 0 };
	if (column < 0) {
		for (size_t i = 0; i < c->v->spells.n; i++)
			if (REGRESS_BUS(c->v->spells.at[i].bus) == column && !c->v->spells.at[i].lone)
				CASE_PUSH(c, all, ((struct span){ c->v->spells.at[i].from, c->v->spells.at[i].to }));
	} else {
		const struct lull_node *node = &c->v->nodes.at[column];
		for (size_t i = 0; i < node->id_count; i++) {
			int ident = case_ident(c, node->bus, node->ids[i]);
			for (size_t k = 0; ident >= 0 && k < c->run_count[ident]; k++) {
				const struct lull_stretch *s = c->run[c->run_at[ident] + k];
				if (s->kind == LULL_STRETCH_CYCLIC)
					CASE_PUSH(c, all, ((struct span){ s->first, s->last }));
			}
		}
		if (all.n)
			qsort(all.at, all.n, sizeof *all.at, span_by_from);
	}
	for (size_t i = 0; i < all.n; i++) {
		if (merged.n && all.at[i].from <= merged.at[merged.n - 1].to + 2 * LULL_SEC) {
			if (all.at[i].to > merged.at[merged.n - 1].to)
				merged.at[merged.n - 1].to = all.at[i].to;
		} else {
			CASE_PUSH(c, merged, all.at[i]);
		}
	}
	free(all.at);
	return merged;
}

static bool is_within(const span_list *runs, lull_time t)
{
	size_t low = 0, high = runs->n;
	while (low < high) {
		size_t mid = (low + high) / 2;
		if (runs->at[mid].to < t - SLOWEST / 2)
			low = mid + 1;
		else
			high = mid;
	}
	return low < runs->n && runs->at[low].from <= t + SLOWEST / 2;
}

/* What comes and goes too often is kept as events, five minutes a row, which do not tell when their node was awake; unless another ID
 * of it does. */
static void add_unknown(struct lull_case *c, uint8_t column, int node_index, const span_list *runs, change_list *changes)
{
	const struct lull_node *node = &c->v->nodes.at[node_index];
	for (size_t i = 0; i < node->id_count; i++) {
		int ident = case_ident(c, node->bus, node->ids[i]);
		for (size_t k = 0; ident >= 0 && k < c->run_count[ident]; k++) {
			const struct lull_stretch *s = c->run[c->run_at[ident] + k];
			if (s->kind != LULL_STRETCH_CYCLIC && !(is_within(runs, s->first) && is_within(runs, s->last)))
				CASE_PUSH(c, *changes, ((struct change){ s->first - SLOWEST, s->last + SLOWEST, column, false, true, false }));
		}
	}
}

/* Between the node's start or stop and the frame that shows it, at the most. */
static lull_time slack_of(const struct lull_case *c, int column)
{
	double fastest = lull_seconds(SLOWEST) * 1e3;
	if (column < 0)
		return 0;
	const struct lull_node *node = &c->v->nodes.at[column];
	for (size_t i = 0; i < node->id_count; i++) {
		int ident = case_ident(c, node->bus, node->ids[i]);
		if (ident >= 0 && c->v->ids.at[ident].cyclic && c->v->ids.at[ident].period_ms < fastest)
			fastest = c->v->ids.at[ident].period_ms;
	}
	return (lull_time)(fastest * 1e6);
}

static void add_changes(struct lull_case *c, int column, uint8_t k, bool other, change_list *changes)
{
	lull_time apart = LULL_SEC / 2;
	if (isfinite(c->v->current.lineup.error_s) && c->v->current.lineup.error_s > 0.25)
		apart = (lull_time)(2e9 * fmin(c->v->current.lineup.error_s, 5));
	span_list runs = awake_times(c, column);
	lull_time slack = apart + slack_of(c, column);
	for (size_t i = 0; i < runs.n && runs.n <= MOST_RUNS; i++) {
		/* too short to be seen awake */
		bool none = runs.at[i].to - runs.at[i].from < LULL_SEC;
		CASE_PUSH(c, *changes, ((struct change){ runs.at[i].from - BEFORE_START - slack, runs.at[i].from + AFTER_START + apart, k, true, none, other }));
		CASE_PUSH(c, *changes, ((struct change){ runs.at[i].to - BEFORE_STOP - apart, runs.at[i].to + AFTER_STOP + slack, k, false, none, other }));
	}
	if (column >= 0)
		add_unknown(c, k, column, &runs, changes);
	free(runs.at);
}

static change_list find_changes(struct lull_case *c, const struct regress_columns *columns)
{
	change_list changes = { 0 };
	for (size_t k = 0; k < columns->n; k++)
		add_changes(c, columns->at[k], (uint8_t)k, false, &changes);
	for (size_t k = 0; k < columns->other_n; k++)
		add_changes(c, columns->others[k], 0, true, &changes);
	if (changes.n)
		qsort(changes.at, changes.n, sizeof *changes.at, by_from);
	return changes;
}

/* Mean of the samples in a window, without outliers, and its variance; false where there are too few. */
static bool mean_of(const struct lull_case *c, lull_time from, lull_time to, double *room, double *mean, double *variance)
{
	size_t low = 0, high = c->draw_n, n = 0;
	while (low < high) {
		size_t mid = (low + high) / 2;
		if (c->draw_at[mid] < from)
			low = mid + 1;
		else
			high = mid;
	}
	for (size_t i = low; i < c->draw_n && c->draw_at[i] < to; i++)
		n++;
	if (n < LEAST_SAMPLES || (double)n * (double)c->draw_step < 0.5 * (double)(to - from - c->draw_step))
		return false;
	for (size_t i = 0; i < n; i++)
		room[i] = (double)c->draw_mA[low + i];
	double middle = lull_select(room, n, n / 2);
	for (size_t i = 0; i < n; i++)
		room[i] = fabs((double)c->draw_mA[low + i] - middle);
	double off = 5 * fmax(1.5 * lull_select(room, n, n / 2), fmax(c->draw_noise, 1));
	double sum = 0, squares = 0;
	size_t kept = 0;
	for (size_t i = 0; i < n; i++) {
		double x = (double)c->draw_mA[low + i] - middle;
		if (fabs(x) > off)
			continue;
		sum += x;
		squares += x * x;
		kept++;
	}
	sum /= (double)kept;
	*mean = middle + sum;
	*variance = NOISE_KEEPS * fmax(squares / (double)kept - sum * sum, c->draw_noise * c->draw_noise) / (double)kept;
	return true;
}

static bool was_observed(const struct lull_case *c, const struct steady *s)
{
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		if (!case_is_observed(&c->observed[bus], s->from, s->to))
			return false;
	return true;
}

struct sweep {
	struct lull_case *c;
	lull_time window, least;
	double *room;
	bool any;
	bool other; /* since then a node without a column started or stopped */
	struct steady last;
	unsigned spell;
	lull_time spell_from;
	step_list *out;
};

/* The next steady time: its step from the one before. */
static void take(struct sweep *w, struct steady s)
{
	struct lull_case *c = w->c;
	if (s.to - s.from < w->least || !was_observed(c, &s))
		return;
	if (w->any && s.awake != w->last.awake && s.from - w->last.to <= LONGEST) {
		struct regress_step step = { .at = w->last.to, .up = s.awake & ~w->last.awake, .down = w->last.awake & ~s.awake };
		lull_time a = w->last.to - w->window > w->last.from ? w->last.to - w->window : w->last.from;
		lull_time b = s.from + w->window < s.to ? s.from + w->window : s.to;
		double before, after, va, vb;
		/* a new awake time begins where all slept */
		if (!w->last.awake || w->last.to > w->spell_from + TOGETHER) {
			w->spell++;
			w->spell_from = w->last.to;
		}
		step.spell = w->spell;
		if (!w->other && mean_of(c, a, w->last.to, w->room, &before, &va) && mean_of(c, s.from, b, w->room, &after, &vb)) {
			step.y = after - before;
			step.variance = va + vb;
			CASE_PUSH(c, *w->out, step);
		}
	}
	w->last = s;
	w->any = true;
	w->other = false;
}

void case_steps(struct lull_case *c, const struct regress_columns *columns, lull_time from, lull_time to, step_list *out)
{
	struct sweep w = { .c = c, .out = out, .window = WINDOW, .least = LEAST };
	if (w.window < WINDOW_SAMPLES * c->draw_step)
		w.window = WINDOW_SAMPLES * c->draw_step;
	if (w.least < LEAST_SAMPLES * c->draw_step)
		w.least = LEAST_SAMPLES * c->draw_step;
	if (c->draw_step <= 0 || to <= from)
		return;
	change_list changes = find_changes(c, columns);
	/* chunks may lie closer than the usual step */
	size_t most = 0;
	for (size_t i = 0, k = 0; i < c->draw_n; i++) {
		while (c->draw_at[i] - c->draw_at[k] > w.window)
			k++;
		most = i - k + 1 > most ? i - k + 1 : most;
	}
	w.room = malloc((most + 1) * sizeof *w.room);
	if (!w.room)
		c->oom = true;
	uint64_t awake = 0;
	lull_time clear = from;
	for (size_t i = 0; i < changes.n && !c->oom; i++) {
		const struct change *change = &changes.at[i];
		if (change->from > to)
			break;
		if (change->from > clear)
			take(&w, (struct steady){ clear, change->from, awake });
		if (change->to > clear)
			clear = change->to;
		if (change->other)
			w.other |= !change->none;
		else if (!change->none && change->up)
			awake |= UINT64_C(1) << change->column;
		else if (!change->none)
			awake &= ~(UINT64_C(1) << change->column);
	}
	if (to > clear && !c->oom)
		take(&w, (struct steady){ clear, to, awake });
	free(w.room);
	free(changes.at);
}
