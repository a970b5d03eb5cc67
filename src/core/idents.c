/* SPDX-License-Identifier: GPL-3.0-or-later */
/* idents: what each arbitration ID did over the whole night, from its stretches. Pure. */
#include "core/case.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

static int by_sender(const void *a, const void *b)
{
	const struct lull_stretch *x = *(const struct lull_stretch *const *)a;
	const struct lull_stretch *y = *(const struct lull_stretch *const *)b;
	if (x->bus != y->bus)
		return x->bus < y->bus ? -1 : 1;
	if (x->id != y->id)
		return x->id < y->id ? -1 : 1;
	if (x->first != y->first)
		return x->first < y->first ? -1 : 1;
	return 0;
}

/* The period in which the ID spent most frames. */
static int64_t main_period(const struct lull_stretch *const *run, size_t n)
{
	int64_t best = 0;
	uint64_t best_frames = 0;
	for (size_t i = 0; i < n; i++) {
		if (run[i]->kind != LULL_STRETCH_CYCLIC || run[i]->period_ns <= 0)
			continue;
		uint64_t frames = 0;
		for (size_t k = 0; k < n; k++)
			if (run[k]->kind == LULL_STRETCH_CYCLIC && run[k]->period_ns == run[i]->period_ns)
				frames += run[k]->frames;
		if (frames > best_frames) {
			best_frames = frames;
			best = run[i]->period_ns;
		}
		if (i > 64) /* enough to know */
			break;
	}
	return best;
}

/* Frames came in a rhythm: evenly spaced, or on a timer between whose beats others come too. Chance gaps that were taken for
 * periods are neither: places within a period are as likely as one another then, which leaves 0.29 of it. */
static bool in_rhythm(const struct lull_stretch *s)
{
	if (s->kind != LULL_STRETCH_CYCLIC || s->period_ns <= 0)
		return false;
	double left = lull_fit_residual(&s->fit);

	return s->gap_min * 2 > s->period_ns || (s->frames >= 8 && left < 0.2 * (double)s->period_ns);
}

static void describe(const struct lull_stretch *const *run, size_t n, struct lull_id_info *info)
{
	uint64_t cyclic_frames = 0;
	double residual = 0, weight = 0, ppm = 0, ppm_weight = 0;
	int64_t period = main_period(run, n);

	info->first = run[0]->first;
	info->last = LULL_NEVER;
	info->stretches = (uint32_t)n;
	for (size_t i = 0; i < n; i++) {
		const struct lull_stretch *s = run[i];
		info->frames += s->frames;
		if (s->last > info->last)
			info->last = s->last;
		if (s->kind != LULL_STRETCH_CYCLIC || s->period_ns <= 0)
			continue;
		if (in_rhythm(s))
			cyclic_frames += s->frames;
		if (s->period_ns != period || s->frames < 8)
			continue;
		double left = lull_fit_residual(&s->fit), error;
		if (isfinite(left)) {
			residual += left * left * (double)s->frames;
			weight += (double)s->frames;
		}
		double slope = lull_fit_ppm(&s->fit, period, &error);
		if (isfinite(slope) && isfinite(error)) {
			/* a stamp is no better than a microsecond, whatever a perfect fit says */
			double floor_ppm = 1e6 * 1e3 / ((double)period * (double)s->index + 1);
			double variance = error * error + floor_ppm * floor_ppm + 1e-6;
			ppm += slope / variance;
			ppm_weight += 1 / variance;
		}
	}
	/* A single stretch of two frames has no period; an ID is cyclic if most of its frames came in step. */
	info->cyclic = period > 0 && cyclic_frames * 2 >= info->frames && cyclic_frames >= 4;
	info->period_ms = period > 0 ? (double)period / 1e6 : NAN;
	info->jitter_ms = weight > 0 ? sqrt(residual / weight) / 1e6 : NAN;
	info->clock_ppm = ppm_weight > 0 ? ppm / ppm_weight : NAN;
	info->clock_ppm_error = ppm_weight > 0 ? sqrt(1 / ppm_weight) : NAN;
}

void case_idents(struct lull_case *c)
{
	const struct lull_night *night = c->night;
	size_t n = night->stretches.n, ids = 0;

	c->run = malloc((n + 1) * sizeof *c->run);
	if (!c->run) {
		c->oom = true;
		return;
	}
	size_t kept = 0;
	for (size_t i = 0; i < n; i++)
		if (night->stretches.at[i].kind != LULL_STRETCH_OVERFLOW && night->stretches.at[i].bus < night->bus_count)
			c->run[kept++] = &night->stretches.at[i];
	n = kept;
	qsort(c->run, n, sizeof *c->run, by_sender);
	for (size_t i = 0; i < n; i++)
		ids += i == 0 || c->run[i]->id != c->run[i - 1]->id || c->run[i]->bus != c->run[i - 1]->bus;
	c->run_at = calloc(ids + 1, sizeof *c->run_at);
	c->run_count = calloc(ids + 1, sizeof *c->run_count);
	if (!c->run_at || !c->run_count) {
		c->oom = true;
		return;
	}
	for (size_t i = 0; i < n;) {
		size_t end = i + 1;
		while (end < n && c->run[end]->id == c->run[i]->id && c->run[end]->bus == c->run[i]->bus)
			end++;
		struct lull_id_info info = { .id = c->run[i]->id,
			.bus = c->run[i]->bus,
			.node = -1,
			.last_after_key_off = LULL_NEVER };
		describe(c->run + i, end - i, &info);
		size_t at = c->v->ids.n;
		CASE_PUSH(c, c->v->ids, info);
		if (c->oom)
			return;
		c->run_at[at] = i;
		c->run_count[at] = end - i;
		i = end;
	}
}

int case_ident(const struct lull_case *c, unsigned bus, uint32_t id)
{
	size_t low = 0, high = c->v->ids.n;
	while (low < high) {
		size_t mid = (low + high) / 2;
		const struct lull_id_info *info = &c->v->ids.at[mid];
		if (info->bus < bus || (info->bus == bus && info->id < id))
			low = mid + 1;
		else
			high = mid;
	}
	if (low < c->v->ids.n && c->v->ids.at[low].bus == bus && c->v->ids.at[low].id == id)
		return (int)low;
	return -1;
}

/* First run of the ID that begins after t; runs of one ID do not overlap. */
static size_t run_after(const struct lull_case *c, size_t ident, lull_time t)
{
	size_t low = 0, high = c->run_count[ident];

	while (low < high) {
		size_t mid = (low + high) / 2;
		if (c->run[c->run_at[ident] + mid]->first > t)
			high = mid;
		else
			low = mid + 1;
	}
	return low;
}

lull_time case_last_in(const struct lull_case *c, size_t ident, lull_time from, lull_time to)
{
	size_t at = run_after(c, ident, to);
	if (!at)
		return LULL_NEVER;
	const struct lull_stretch *s = c->run[c->run_at[ident] + at - 1];
	if (s->last < from)
		return LULL_NEVER;
	return s->last < to ? s->last : to;
}

lull_time case_first_in(const struct lull_case *c, size_t ident, lull_time from, lull_time to)
{
	size_t at = run_after(c, ident, from);
	/* the one before may still go on */
	if (at && c->run[c->run_at[ident] + at - 1]->last >= from)
		at--;
	if (at == c->run_count[ident])
		return LULL_NEVER;
	const struct lull_stretch *s = c->run[c->run_at[ident] + at];
	if (s->first > to)
		return LULL_NEVER;
	return s->first > from ? s->first : from;
}

size_t case_run_from(const struct lull_case *c, size_t ident, lull_time t)
{
	size_t at = run_after(c, ident, t);
	return at && c->run[c->run_at[ident] + at - 1]->last >= t ? at - 1 : at;
}

size_t case_change_from(const struct lull_case *c, lull_time t)
{
	size_t low = 0, high = c->night->changes.n;
	while (low < high) {
		size_t mid = (low + high) / 2;
		if (c->night->changes.at[mid].t < t)
			low = mid + 1;
		else
			high = mid;
	}
	return low;
}
