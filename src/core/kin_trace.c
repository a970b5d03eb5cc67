/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin_trace: what a night tells of one ID's timing, made ready for comparing any two of them. Pure. */
#include "core/kin_trace.h"
#include "core/floor.h"
#include "core/kin_runs.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define LEAST_ARRIVALS 12 /* for a line of its own */
static const double floor_rest_sd = 4e3; /* where the earliest arrivals tell it */
static const double least_turns = 0.5, lock_apart = 200e3; /* places of the stamps' grid passed; ns */

/* --- stamps --- */

static int by_instant(const void *x, const void *y)
{
	lull_time a = *(const lull_time *)x, b = *(const lull_time *)y;

	return (a > b) - (a < b);
}

/* Length of the grid that stamps sit on (a coarse stamp, or an adapter's batches), 0 if none. Told from differences of
 * neighbouring stamps, since the grid's clock may drift against ours over a night. */
static double find_grid(const struct lull_case *c, const size_t *idents, size_t n)
{
	static const int64_t sizes[] = { 10 * LULL_MS, 8 * LULL_MS, 5 * LULL_MS, 4 * LULL_MS, 2 * LULL_MS, LULL_MS, LULL_MS / 2,
		LULL_MS / 8, LULL_MS / 10 };
	size_t most = 0, count = 0;

	for (size_t i = 0; i < n; i++)
		most += 2 * c->run_count[idents[i]];
	lull_time *at = malloc((most + 1) * sizeof *at);
	double grid = 0;

	if (!at)
		return 0;
	for (size_t i = 0; i < n; i++)
		for (size_t k = 0; k < c->run_count[idents[i]]; k++) {
			const struct lull_stretch *s = c->run[c->run_at[idents[i]] + k];

			at[count++] = s->first;
			at[count++] = s->last;
		}
	qsort(at, count, sizeof *at, by_instant);
	for (size_t g = 0; g < sizeof sizes / sizeof *sizes && !(grid > 0); g++) {
		size_t looked = 0, hit = 0;

		for (size_t i = 1; i < count; i++) {
			int64_t apart = at[i] - at[i - 1], off = apart % sizes[g];

			if (apart < sizes[g] / 2) /* frames in a row are no proof */
				continue;
			looked++;
			hit += off <= sizes[g] / 10 || off >= sizes[g] - sizes[g] / 10;
		}
		if (looked >= 16 && hit * 4 > looked * 3)
			grid = (double)sizes[g];
	}
	free(at);
	return grid;
}

/* --- points --- */

static int by_window(const void *x, const void *y)
{
	const struct kin_point *a = x, *b = y;

	if (a->window != b->window)
		return a->window < b->window ? -1 : 1;
	return (a->stretch > b->stretch) - (a->stretch < b->stretch);
}

/* What one line tells: phase (ns behind the nominal line) at t, and rate. */
static void set_point(struct kin_point *p, lull_time first, int64_t period, double k, double r, double r_var, double slope)
{
	p->phase = r;
	p->t = (double)first + k * (double)period + r;
	p->phase_var = r_var;
	p->ppm = 1e6 * slope / (double)period;
	p->grid = p->t - (k - round(k)) * ((double)period + slope);
}

/* Of all arrivals. */
static bool read_fit(const struct lull_fit *fit, lull_time first, int64_t period, double grid, struct kin_point *p)
{
	double error, ppm = lull_fit_ppm(fit, period, &error);

	if (!isfinite(ppm) || !isfinite(error) || fabs(ppm) > 1e6 * KIN_MOST_RATE)
		return false;
	double k = fit->sk / fit->n, spread = sqrt(fmax(fit->skk / fit->n - k * k, 0));
	double span = sqrt(12) * spread * (double)period; /* ns */
	double sd = lull_fit_residual(fit), stamp_sd = grid / sqrt(12);
	double turns = grid > 0 ? fabs(ppm) * 1e-6 * span / grid : INFINITY;
	double blur = stamp_sd * fmin(1, 0.7 / turns); /* of the stamps' grid over this window */

	if (!(span > 0))
		return false;
	set_point(p, first, period, k, fit->sr / fit->n, sd * sd / fit->n + blur * blur + KIN_REST_SD * KIN_REST_SD, 1e-6 * ppm * (double)period);
	double small = 1 + 6 / fit->n, by_grid = 2e6 * blur / span, whole = 1e6 * 0.3 / (double)period, steady = 1e6 * KIN_REST_SD / span;
	double load = 1e6 * sqrt(12) * (2 * KIN_REST_SD + KIN_LOAD_SHARE * sd) / span;
	double own = error * error * small * small + whole * whole + steady * steady;
	double own_phase = sd * sd / fit->n + KIN_REST_SD * KIN_REST_SD;
	/* two IDs on the same ticks come to the next place of the grid together, but for how far one waits behind the other */
	double lock = turns < least_turns ? 1 : fmin(1, lock_apart / grid);
	p->wander = load * load;
	p->own_var = own;
	p->ppm_var = own + by_grid * by_grid;
	p->lock_var = own + lock * lock * by_grid * by_grid;
	p->lock_phase_var = own_phase + lock * lock * blur * blur;
	return true;
}

/* Of the earliest arrivals. */
static bool read_floor(const struct lull_floor *floor, lull_time first, int64_t period, double grid, struct kin_point *p)
{
	struct lull_floor_line line;

	if (!lull_floor_line(floor, grid, &line) || fabs(line.slope) > KIN_MOST_RATE * (double)period)
		return false;
	set_point(p, first, period, line.k, line.r, line.r_sd * line.r_sd + floor_rest_sd * floor_rest_sd, line.slope);
	double span = (floor->k[floor->n - 1] - floor->k[0]) * (double)period, own = 1e6 * line.slope_sd / (double)period;
	double whole = 1e6 * 0.3 / (double)period, steady = 1e6 * floor_rest_sd / span;
	p->wander = 4 * steady * steady + 0.1 * own * own;
	p->ppm_var = p->lock_var = p->own_var = own * own + whole * whole + steady * steady;
	p->lock_phase_var = p->phase_var;
	return true;
}

/* chained: a window of a long stretch, whose phases compare with those of its other windows. */
static bool make_point(const struct lull_fit *fit, const struct lull_floor *floor, const struct lull_stretch *s, int64_t period,
	double grid, bool chained, struct kin_point *p)
{
	struct kin_point mean = { 0 };

	if (fit->n < LEAST_ARRIVALS || !kin_in_step(fit, period) || !read_fit(fit, s->first, period, grid, &mean))
		return false;
	if (!read_floor(floor, s->first, period, grid, p)) {
		*p = mean;
		if (chained && floor->n) /* their phases are no mean's */
			chained = false;
	} else if (!chained && mean.ppm_var < p->ppm_var) {
		p->ppm = mean.ppm;
		p->ppm_var = mean.ppm_var;
		p->lock_var = mean.lock_var;
		p->own_var = mean.own_var;
		p->wander = mean.wander;
	}
	p->window = (lull_time)p->t / LULL_CADENCE;
	p->stretch = chained ? s->first : LULL_NEVER;
	p->period = period;
	p->from = s->first;
	p->to = s->last;
	return true;
}

struct wanted {
	const struct lull_cadence **row;
	size_t n;
};

static int by_stretch(const void *x, const void *y)
{
	const struct lull_cadence *a = *(const struct lull_cadence *const *)x, *b = *(const struct lull_cadence *const *)y;

	if (a->id != b->id)
		return a->id < b->id ? -1 : 1;
	if (a->stretch_first != b->stretch_first)
		return a->stretch_first < b->stretch_first ? -1 : 1;
	return (a->window > b->window) - (a->window < b->window);
}

static int rows_of_bus(const struct lull_case *c, unsigned bus, struct wanted *w)
{
	const struct lull_night *night = c->night;

	w->row = malloc((night->cadences.n + 1) * sizeof *w->row);
	if (!w->row)
		return -ENOMEM;
	for (size_t i = 0; i < night->cadences.n; i++)
		if (night->cadences.at[i].bus == bus)
			w->row[w->n++] = &night->cadences.at[i];
	qsort(w->row, w->n, sizeof *w->row, by_stretch);
	return 0;
}

/* First row of that stretch, or where it would be. */
static size_t row_at(const struct wanted *w, uint32_t id, lull_time stretch)
{
	size_t low = 0, high = w->n;

	while (low < high) {
		size_t mid = (low + high) / 2;

		if (w->row[mid]->id < id || (w->row[mid]->id == id && w->row[mid]->stretch_first < stretch))
			low = mid + 1;
		else
			high = mid;
	}
	return low;
}

/* Points of short runs that lie in one window become one: only their rate is kept. */
static size_t merge_points(struct kin_point *p, size_t n)
{
	size_t kept = 0;

	qsort(p, n, sizeof *p, by_window);
	for (size_t i = 0; i < n; i++) {
		struct kin_point *to = kept ? &p[kept - 1] : NULL;

		if (!to || to->window != p[i].window) {
			p[kept++] = p[i];
		} else if (to->stretch == LULL_NEVER && p[i].stretch == LULL_NEVER && to->period == p[i].period) {
			double wa = 1 / to->ppm_var, wb = 1 / p[i].ppm_var;

			to->ppm = (wa * to->ppm + wb * p[i].ppm) / (wa + wb);
			to->t = (wa * to->t + wb * p[i].t) / (wa + wb);
			to->ppm_var = to->lock_var = to->own_var = 1 / (wa + wb);
			to->wander = fmin(to->wander, p[i].wander);
			if (p[i].phase_var < to->phase_var) {
				to->phase_var = p[i].phase_var;
				to->lock_phase_var = p[i].lock_phase_var;
				to->grid = p[i].grid;
				to->from = p[i].from;
				to->to = p[i].to;
			}
		} else if (p[i].ppm_var < to->ppm_var) {
			*to = p[i];
		}
	}
	return kept;
}

/* Does the rate change from window to window as no oscillator's does? Then the ID answers others, as in a ring. */
static bool is_erratic(const struct kin_point *p, size_t n)
{
	size_t steps = 0, jumps = 0;

	for (size_t i = 1; i < n; i++) {
		if (p[i].window - p[i - 1].window > 3)
			continue;
		double sd = sqrt(p[i].ppm_var + p[i - 1].ppm_var + p[i].wander + p[i - 1].wander);
		double own = sqrt(p[i].own_var + p[i - 1].own_var);
		steps++;
		jumps += fabs(p[i].ppm - p[i - 1].ppm) > 5 + 4 * sd || own > 100;
	}
	return steps >= 2 && jumps * 3 > steps;
}

/* --- spells --- */

struct spells {
	lull_time *from; /* silence ended here */
	bool *wanted;
	size_t n;
};

static int find_spells(const struct lull_case *c, unsigned bus, struct spells *spells)
{
	size_t n = 1;

	for (size_t i = 0; i < c->night->gaps.n; i++)
		n += c->night->gaps.at[i].bus == bus;
	spells->from = malloc(n * sizeof *spells->from);
	spells->wanted = calloc(n, sizeof *spells->wanted);
	if (!spells->from || !spells->wanted)
		return -ENOMEM;
	spells->from[spells->n++] = 0;
	for (size_t i = 0; i < c->night->gaps.n; i++) {
		const struct lull_gap *g = &c->night->gaps.at[i];

		/* a silence before anything was heard has no beginning */
		if (g->bus == bus && g->next != LULL_NEVER &&
			(g->last == LULL_NEVER || g->next - g->last >= LULL_EDGE_SILENCE))
			spells->from[spells->n++] = g->next;
	}
	for (size_t i = 0; i < KIN_SPELLS; i++)
		spells->wanted[spells->n <= KIN_SPELLS ? (i < spells->n ? i : 0) : i * spells->n / KIN_SPELLS] = true;
	return 0;
}

static size_t spell_of(const struct spells *spells, lull_time t)
{
	size_t low = 0, high = spells->n;

	while (high - low > 1) {
		size_t mid = (low + high) / 2;

		if (spells->from[mid] <= t)
			low = mid;
		else
			high = mid;
	}
	return low;
}

/* --- one ID --- */

static size_t trace_points(const struct lull_case *c, const struct kin_traces *set, struct kin_trace *trace, const struct wanted *rows,
	const struct spells *spells)
{
	size_t ident = trace->ident, points = 0;
	uint32_t id = c->v->ids.at[ident].id;
	lull_time heard_from = c->night->bus[c->v->ids.at[ident].bus].first + LULL_SEC;

	for (size_t k = 0; k < c->run_count[ident]; k++) {
		const struct lull_stretch *s = c->run[c->run_at[ident] + k];

		if (s->kind != LULL_STRETCH_CYCLIC)
			continue;
		size_t row = row_at(rows, id, s->first), spell = spell_of(spells, s->first);
		bool rowed = row < rows->n && rows->row[row]->id == id && rows->row[row]->stretch_first == s->first;
		if (spells->wanted[spell]) {
			if (trace->runs == KIN_RUNS) /* the newest half gives way, the last of the night stays */
				trace->runs = KIN_RUNS - 1;
			kin_run_add(c, trace, k, spells->from[spell], heard_from, set->grid, rowed ? rows->row[row] : NULL);
		}
		if (!rowed) {
			points += make_point(&s->fit, &s->floor, s, s->period_ns, set->grid, false, &trace->point[points]);
			continue;
		}
		for (; row < rows->n && rows->row[row]->id == id && rows->row[row]->stretch_first == s->first; row++)
			points += make_point(&rows->row[row]->fit, &rows->row[row]->floor, s, rows->row[row]->period_ns, set->grid, true,
				&trace->point[points]);
	}
	return merge_points(trace->point, points);
}

int kin_traces_make(const struct lull_case *c, const size_t *idents, size_t n, struct kin_traces *set)
{
	*set = (struct kin_traces){ .n = n };
	if (!n)
		return 0;
	unsigned bus = c->v->ids.at[idents[0]].bus;
	struct wanted rows = { 0 };
	struct spells spells = { 0 };
	size_t most = 1;
	int err = rows_of_bus(c, bus, &rows);

	for (size_t i = 0; i < n; i++)
		most += c->run_count[idents[i]];
	set->at = calloc(n, sizeof *set->at);
	set->points = malloc((most + rows.n) * sizeof *set->points);
	if (!err)
		err = find_spells(c, bus, &spells);
	if (err || !set->at || !set->points) {
		err = -ENOMEM;
		goto out;
	}
	set->grid = find_grid(c, idents, n);
	struct kin_point *next = set->points;
	for (size_t i = 0; i < n; i++) {
		struct kin_trace *trace = &set->at[i];

		trace->ident = idents[i];
		trace->period = c->v->ids.at[idents[i]].period_ms * 1e6;
		trace->reach = (isfinite(trace->period) ? trace->period : 1e9) + 10e6;
		trace->point = next;
		trace->points = trace_points(c, set, trace, &rows, &spells);
		if (is_erratic(trace->point, trace->points)) {
			trace->points = 0;
			for (size_t k = 0; k < trace->runs; k++)
				trace->run[k].zero_known = false;
		}
		next += trace->points;
		kin_runs_alike(trace);
	}
	for (size_t i = 0; i < n; i++)
		kin_runs_common(set, i);
	kin_clocks_prepare(set);
out:
	free(rows.row);
	free(spells.from);
	free(spells.wanted);
	return err;
}

void kin_traces_clear(struct kin_traces *set)
{
	free(set->at);
	free(set->points);
	*set = (struct kin_traces){ 0 };
}
