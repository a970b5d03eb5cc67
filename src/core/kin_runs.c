/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin_runs: the runs of an ID: when its timer started, when its sender ended it, and what other IDs did then. Pure. */
#include "core/kin_runs.h"

#include <math.h>

static const double siblings = 2; /* IDs that end with one since their sender is the same: no measure of the others */
static const double end_blur = 1e6, ending = 10e9; /* ns: how exactly ends are known; IDs that end within it end for one reason, as at key-off */

bool kin_in_step(const struct lull_fit *fit, int64_t period)
{
	return fit->n >= 3 && period > 0 && lull_fit_residual(fit) < KIN_MOST_SCATTER * (double)period;
}

static bool is_start(const struct lull_case *c, size_t ident, size_t k)
{
	const struct lull_stretch *s = c->run[c->run_at[ident] + k];

	if (s->kind != LULL_STRETCH_CYCLIC)
		return false;
	if (k == 0)
		return true;
	const struct lull_stretch *before = c->run[c->run_at[ident] + k - 1];
	return before->end == LULL_END_GAP || before->kind != LULL_STRETCH_CYCLIC;
}

/* A run that another with a longer period goes on from did not stop: the ID changed its rate. */
static bool changed_rate(const struct lull_case *c, size_t ident, size_t k)
{
	const struct lull_stretch *s = c->run[c->run_at[ident] + k];

	if (s->end == LULL_END_RATE)
		return true;
	if (k + 1 == c->run_count[ident])
		return false;
	const struct lull_stretch *next = c->run[c->run_at[ident] + k + 1];
	return next->period_ns > 0 && next->first - s->last < 2 * next->period_ns;
}

/* The sender stopped the ID, or changed its rate, after its last frame and before the next one would have come; the change may have been
 * made a period earlier as well, where the timer that ran then was left to end. */
static void find_end(const struct lull_case *c, const struct kin_trace *trace, size_t k, double grid, struct kin_run *run)
{
	const struct lull_stretch *s = c->run[c->run_at[trace->ident] + k];
	double period = isfinite(trace->period) ? trace->period : 1e9;
	double late = fmin(0.25 * period, 1e6 * fmax(2 * c->v->ids.at[trace->ident].jitter_ms, 0)) + end_blur + grid;
	bool at_will = s->end == LULL_END_GAP || s->end == LULL_END_RATE, changed = at_will && changed_rate(c, trace->ident, k);

	if (s->period_ns > 0)
		period = (double)s->period_ns;
	/* what comes at times does not stop, it just comes no more */
	run->ended = at_will && c->v->ids.at[trace->ident].cyclic && s->frames >= 3 && kin_in_step(&s->fit, s->period_ns);
	run->end_from = (double)s->last - late - (changed ? period : 0);
	run->end_to = (double)s->last + period + late;
}

static double intercept(const struct lull_fit *fit, double *slope)
{
	double kk = fit->n * fit->skk - fit->sk * fit->sk;

	*slope = kk > 0 ? (fit->n * fit->skr - fit->sk * fit->sr) / kk : 0;
	return (fit->sr - *slope * fit->sk) / fit->n;
}

void kin_run_add(const struct lull_case *c, struct kin_trace *trace, size_t k, lull_time spell, lull_time heard_from, double grid,
	const struct lull_cadence *first_window)
{
	const struct lull_stretch *s = c->run[c->run_at[trace->ident] + k];
	const struct lull_fit *fit = first_window ? &first_window->fit : &s->fit;
	struct kin_run *run = &trace->run[trace->runs++];
	double scatter = lull_fit_residual(fit), slope;

	*run = (struct kin_run){ .first = s->first, .last = s->last, .into = s->last - spell };
	/* what ran when the listening began did not start then */
	run->started = is_start(c, trace->ident, k) && s->first > heard_from;
	find_end(c, trace, k, grid, run);
	if (fit->n < 5 || !kin_in_step(fit, s->period_ns))
		return;
	run->zero = intercept(fit, &slope);
	run->zero_known = fabs(slope) < KIN_MOST_RATE * (double)s->period_ns;
	double sd = 2 * fmax(scatter, 0.5e6 * fmax(c->v->ids.at[trace->ident].jitter_ms, 0)) / sqrt(fit->n);
	run->zero_sd = sqrt(sd * sd + grid * grid / 12 + KIN_REST_SD * KIN_REST_SD + KIN_LOAD_SHARE * KIN_LOAD_SHARE * scatter * scatter);
}

/* --- ends, beside those of other IDs --- */

enum kin_beside kin_beside(const struct kin_trace *a, const struct kin_run *x, const struct kin_trace *b, size_t *y)
{
	while (*y < b->runs && (double)b->run[*y].last + b->reach < (double)x->last - ending)
		++*y;
	if (*y == b->runs || (double)b->run[*y].first > (double)x->last + a->reach)
		return KIN_NOT_HEARD;
	const struct kin_run *run = &b->run[*y];
	if ((double)run->last > (double)x->last + a->reach + ending)
		return KIN_GOES_ON;
	if (!run->ended)
		return KIN_NOT_HEARD;
	return x->end_from <= run->end_to && run->end_from <= x->end_to ? KIN_ENDS_WITH_IT : KIN_ENDS_APART;
}

void kin_runs_common(struct kin_traces *set, size_t of)
{
	struct kin_trace *a = &set->at[of];
	double count[KIN_RUNS][KIN_BESIDES] = { 0 };

	for (size_t j = 0; j < set->n; j++) {
		size_t y = 0;

		for (size_t x = 0; x < a->runs && j != of; x++)
			count[x][kin_beside(a, &a->run[x], &set->at[j], &y)]++;
	}
	for (size_t x = 0; x < a->runs; x++) {
		double *n = count[x], with = fmax(n[KIN_ENDS_WITH_IT] - siblings, 0);
		double all = with + n[KIN_ENDS_APART] + n[KIN_GOES_ON];

		a->run[x].common[KIN_ENDS_WITH_IT] = (with + 0.5) / (all + 1.5);
		a->run[x].common[KIN_ENDS_APART] = (n[KIN_ENDS_APART] + 0.5) / (all + 1.5);
		a->run[x].common[KIN_GOES_ON] = (n[KIN_GOES_ON] + 0.5) / (all + 1.5);
	}
}

void kin_runs_alike(struct kin_trace *a)
{
	unsigned next = 0;

	for (size_t x = 0; x < a->runs; x++) {
		a->run[x].end_like = next;
		for (size_t y = 0; y < x; y++)
			if (fabs((double)(a->run[x].into - a->run[y].into)) <= a->reach) {
				a->run[x].end_like = a->run[y].end_like;
				break;
			}
		next += a->run[x].end_like == next;
	}
}

