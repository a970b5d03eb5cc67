/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin: IDs that behave as one sender does, from timing alone. Pure.
 *
 * Pairs are weighed by likelihood ratios (kin_clock.c, kin_ratio.c), then groups are joined, best first, as long as their members
 * speak for it on the whole and none speaks against it. */
#include "core/kin.h"
#include "core/kin_trace.h"

#include <math.h>
#include <stdlib.h>

#define MOST_IDENTS 512 /* the pair table is quadratic */
static const double join_at = 1.2; /* log odds of the last groups joined; of most far more. A wrong group costs more than a missed one */
static const double least_at = -3; /* of any pair */
static const double senders_least = 8, ids_a_sender = 5; /* before any evidence */
static const double never = -1e6;

static double probability(double log_odds)
{
	return 1 / (1 + exp(-log_odds));
}

/* Mean and least log odds between groups, kept at their smallest members. */
struct links {
	double *mean, *least;
	size_t *size;
	size_t n;
};

/* Answers to a tester come when it asks (ISO 15765-4): what paces them is the asker's clock, for all who answer alike. */
static bool paced_by_another(const struct lull_case *c, const struct kin_trace *trace)
{
	return lull_id_is_answer(c->v->ids.at[trace->ident].id);
}

static void weigh(const struct lull_case *c, const struct kin_traces *set, const int *settled, struct links *l)
{
	double before = -log(fmax(senders_least, (double)l->n / ids_a_sender));

	for (size_t a = 0; a < l->n; a++) {
		l->size[a] = 1;
		for (size_t b = a + 1; b < l->n; b++) {
			const struct kin_trace *x = &set->at[a], *y = &set->at[b];
			double odds = before + kin_clock_ratio(set, x, y) + kin_boot_ratio(x, y) + kin_end_ratio(x, y);

			if (settled[a] >= 0 && settled[b] >= 0)
				odds = settled[a] == settled[b] ? -never : never;
			else if (paced_by_another(c, x) || paced_by_another(c, y))
				odds = never;
			l->mean[a * l->n + b] = l->mean[b * l->n + a] = odds;
			l->least[a * l->n + b] = l->least[b * l->n + a] = odds;
		}
	}
}

static void join(struct links *l, size_t to, size_t from)
{
	double a = (double)l->size[to], b = (double)l->size[from];

	for (size_t k = 0; k < l->n; k++) {
		if (!l->size[k] || k == to || k == from)
			continue;
		size_t tk = to * l->n + k, fk = from * l->n + k;
		l->mean[tk] = l->mean[k * l->n + to] = (a * l->mean[tk] + b * l->mean[fk]) / (a + b);
		l->least[tk] = l->least[k * l->n + to] = fmin(l->least[tk], l->least[fk]);
	}
	l->size[to] += l->size[from];
	l->size[from] = 0;
}

/* Log odds that two groups are one. */
static double joint(const struct links *l, size_t a, size_t b)
{
	return l->mean[a * l->n + b];
}

static bool best_link(const struct links *l, size_t *to, size_t *from)
{
	double best = join_at;
	bool found = false;

	for (size_t a = 0; a < l->n; a++)
		for (size_t b = a + 1; b < l->n && l->size[a]; b++)
			if (l->size[b] && l->least[a * l->n + b] >= least_at && joint(l, a, b) >= best) {
				best = joint(l, a, b);
				*to = a;
				*from = b;
				found = true;
			}
	return found;
}

void case_kin(struct lull_case *c, const size_t *idents, size_t n, const int *settled, size_t *group, double *sure)
{
	for (size_t i = 0; i < n; i++) {
		group[i] = i;
		if (sure)
			sure[i] = 1;
	}
	if (n < 2 || n > MOST_IDENTS)
		return;
	struct kin_traces set;
	struct links l = { malloc(n * n * sizeof *l.mean), malloc(n * n * sizeof *l.least), malloc(n * sizeof *l.size), n };
	int err = kin_traces_make(c, idents, n, &set);

	if (err || !l.mean || !l.least || !l.size) {
		c->oom = true;
	} else {
		size_t to = 0, from = 0;

		weigh(c, &set, settled, &l);
		while (best_link(&l, &to, &from)) {
			for (size_t i = 0; i < n; i++)
				if (group[i] == from) {
					group[i] = to;
					if (sure)
						sure[i] = fmin(sure[i], probability(joint(&l, to, from)));
				} else if (group[i] == to && sure) {
					sure[i] = fmin(sure[i], probability(joint(&l, to, from)));
				}
			join(&l, to, from);
		}
	}
	kin_traces_clear(&set);
	free(l.mean);
	free(l.least);
	free(l.size);
}
