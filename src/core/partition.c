/* SPDX-License-Identifier: GPL-3.0-or-later */
/* partition: optimal partition of a sequence into constant pieces, with a cost that outliers cannot run up. Pure.
 *
 * Functional pruning (Maidstone, Hocking, Rigaill, Fearnhead, "On optimal multiple changepoint algorithms for large
 * data", Statistics and Computing 27, 2017) with the biweight cost min((y - mu)^2, cap^2) (Fearnhead, Rigaill,
 * "Changepoint detection in the presence of outliers", JASA 114, 2019). Where the pruning of PELT (Killick, Fearnhead,
 * Eckley, JASA 107, 2012) needs many changes to be quick, this stays close to linear in a night of one level. */
#include <core/levels.h>

#include <errno.h>
#include <math.h>
#include <stdlib.h>

/* On [end of the one before, hi): n (mu - centre)^2 + cost, if the last piece began at `first`. */
struct part {
	double hi, n, centre, cost;
	uint32_t first;
};

enum { PARTS = 600, CROWDED = 300 };

struct costs {
	struct part part[PARTS];
	unsigned n;
	double least;
	uint32_t least_first;
};

static void append(struct costs *c, double lo, const struct part *p)
{
	struct part *last = c->n > 0 ? &c->part[c->n - 1] : NULL;
	double mu = fmin(fmax(p->centre, lo), p->hi),
	       cost = p->n * (mu - p->centre) * (mu - p->centre) + p->cost;

	if (cost < c->least) {
		c->least = cost;
		c->least_first = p->first;
	}
	if (last && last->first == p->first && last->n == p->n && last->cost == p->cost &&
		(p->n == 0 || last->centre == p->centre))
		last->hi = p->hi;
	else if (c->n < PARTS)
		c->part[c->n++] = *p;
	else
		last->hi = p->hi; /* crowded out; see below */
}

/* One value, with the cost weight (y - mu)^2 within `reach` and cap^2 beyond. */
struct value {
	double y, weight, reach, cap;
};

/* Adds the cost of y to one part and appends it, cut where the cost meets its cap. */
static void add(struct costs *to, double lo, const struct part *p, const struct value *v)
{
	double hi = p->hi;

	if (lo < fmin(hi, v->y - v->reach)) {
		struct part below = *p;

		below.hi = fmin(hi, v->y - v->reach);
		below.cost += v->cap * v->cap;
		append(to, lo, &below);
		lo = below.hi;
	}
	if (lo < fmin(hi, v->y + v->reach)) {
		struct part near = *p;
		double off = v->y - p->centre;

		near.hi = fmin(hi, v->y + v->reach);
		near.n = p->n + v->weight;
		near.centre = p->n > 0 ? p->centre + off * v->weight / near.n : v->y;
		near.cost = p->n > 0 ? p->cost + off * off * p->n * v->weight / near.n : p->cost;
		append(to, lo, &near);
		lo = near.hi;
	}
	if (lo < hi) {
		struct part above = *p;

		above.cost += v->cap * v->cap;
		append(to, lo, &above);
	}
}

/* One part against a new piece that costs h everywhere: the cheaper of the two, then y. */
static void step(
	struct costs *to, double lo, const struct part *p, double h, uint32_t t, const struct value *v)
{
	struct part fresh = {.hi = p->hi, .n = 0, .centre = 0, .cost = h, .first = t};
	struct part kept = *p;

	if (p->cost >= h) {
		add(to, lo, &fresh, v);
		return;
	}
	if (p->n == 0) {
		add(to, lo, p, v);
		return;
	}
	double reach = sqrt((h - p->cost) / p->n), from = p->centre - reach, until = p->centre + reach;

	if (from > lo) {
		fresh.hi = fmin(from, p->hi);
		add(to, lo, &fresh, v);
		lo = fresh.hi;
	}
	if (lo < fmin(until, p->hi)) {
		kept.hi = fmin(until, p->hi);
		add(to, lo, &kept, v);
		lo = kept.hi;
	}
	if (lo < p->hi) {
		fresh.hi = p->hi;
		add(to, lo, &fresh, v);
	}
}

int lull_partition(const double *y, const float *ratio, size_t m, double penalty, double cap, uint32_t *first)
{
	struct costs *now = malloc(sizeof(*now)), *next = malloc(sizeof(*next));
	double lowest = (double)INFINITY, highest = -(double)INFINITY;

	if (!now || !next) {
		free(now);
		free(next);
		return -ENOMEM;
	}
	for (size_t i = 0; i < m; i++) {
		lowest = fmin(lowest, y[i]);
		highest = fmax(highest, y[i]);
	}
	now->n = 1;
	now->part[0] = (struct part){.hi = highest + 1};
	now->least = -penalty;
	for (size_t t = 0; t < m; t++) {
		double lo = lowest - 1, h = now->least + penalty;

		/* Never seen with measured logs: a crowd of parts, thinned by letting a new piece cost less here. */
		if (now->n > CROWDED && t > 0)
			h = now->least + penalty * CROWDED / (4.0 * now->n);
		struct value v = {y[t], 1 / (double)ratio[t], cap * sqrt((double)ratio[t]), cap};

		next->n = 0;
		next->least = (double)INFINITY;
		next->least_first = 0;
		for (unsigned i = 0; i < now->n; i++) {
			step(next, lo, &now->part[i], h, (uint32_t)t, &v);
			lo = now->part[i].hi;
		}
		first[t] = next->least_first;
		struct costs *swap = now;

		now = next;
		next = swap;
	}
	free(now);
	free(next);
	return 0;
}
