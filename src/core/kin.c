/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin: IDs that behave as one sender does, from timing alone. Pure.
 *
 * Pairs are weighed by likelihood ratios (kin_clock.c, kin_ratio.c), then groups are joined, best first, as long as their members
 * speak for it on the whole and none speaks against it. */
#include "core/kin.h"
#include "core/kin_trace.h"

#include <math.h>
#include <stdlib.h>

#define MOST_IDENTS 2048 /* of a bus at once: time and memory grow with the square. As many as there are standard IDs */
static const double join_at = 1.2; /* log odds of the last groups joined; of most far more. A wrong group costs more than a missed one */
static const double least_at = -3; /* of any pair */
static const double senders_least = 8, ids_a_sender = 5; /* before any evidence */
static const double never = -1e6;

static double probability(double log_odds)
{
	return 1 / (1 + exp(-log_odds));
}

/* Mean and least log odds between groups, kept at their smallest members. Of each group, the one behind it that it is most likely one
 * with, so that a join costs no look at all pairs. */
struct links {
	double *mean, *least;
	size_t *size;
	size_t *best; /* n: none that may be joined */
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

/* Log odds that two groups are one. */
static double joint(const struct links *l, size_t a, size_t b)
{
	return l->mean[a * l->n + b];
}

static bool may_join(const struct links *l, size_t a, size_t b)
{
	return l->size[b] && l->least[a * l->n + b] >= least_at && joint(l, a, b) >= join_at;
}

/* Of equals, the last. */
static void find_best(struct links *l, size_t a)
{
	l->best[a] = l->n;
	for (size_t b = a + 1; b < l->n && l->size[a]; b++)
		if (may_join(l, a, b) && (l->best[a] == l->n || joint(l, a, b) >= joint(l, a, l->best[a])))
			l->best[a] = b;
}

/* The odds of group a with group `to` are others now, and there is no group `from` any more. */
static void renew_best(struct links *l, size_t a, size_t to, size_t from)
{
	size_t best = l->best[a];

	if (a == to || best == to || best == from)
		find_best(l, a);
	else if (a < to && may_join(l, a, to) &&
		(best == l->n || joint(l, a, to) > joint(l, a, best) || (joint(l, a, to) >= joint(l, a, best) && to > best)))
		l->best[a] = to;
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
	for (size_t k = 0; k < l->n; k++)
		if (l->size[k])
			renew_best(l, k, to, from);
}

static bool best_link(const struct links *l, size_t *to, size_t *from)
{
	bool found = false;

	for (size_t a = 0; a < l->n; a++)
		if (l->size[a] && l->best[a] < l->n && (!found || joint(l, a, l->best[a]) >= joint(l, *to, *from))) {
			*to = a;
			*from = l->best[a];
			found = true;
		}
	return found;
}

/* --- too many of them --- */

struct heard {
	uint64_t frames;
	size_t at;
};

static int most_heard(const void *x, const void *y)
{
	const struct heard *a = x, *b = y;

	if (a->frames != b->frames)
		return a->frames > b->frames ? -1 : 1;
	return (a->at > b->at) - (a->at < b->at);
}

static int in_order(const void *x, const void *y)
{
	const struct heard *a = x, *b = y;

	return (a->at > b->at) - (a->at < b->at);
}

/* Those that were heard most are grouped, the others stay alone, and the reader is told. */
static void group_some(struct lull_case *c, const size_t *idents, size_t n, const int *settled, size_t *group, double *sure)
{
	struct heard *heard = malloc(n * sizeof *heard);
	size_t *some = malloc(MOST_IDENTS * sizeof *some), *found = malloc(MOST_IDENTS * sizeof *found);
	int *known = malloc(MOST_IDENTS * sizeof *known);
	double *doubt = malloc(MOST_IDENTS * sizeof *doubt);

	if (!heard || !some || !found || !known || !doubt) {
		c->oom = true;
		goto out;
	}
	for (size_t i = 0; i < n; i++)
		heard[i] = (struct heard){ c->v->ids.at[idents[i]].frames, i };
	qsort(heard, n, sizeof *heard, most_heard);
	qsort(heard, MOST_IDENTS, sizeof *heard, in_order);
	for (size_t i = 0; i < MOST_IDENTS; i++) {
		some[i] = idents[heard[i].at];
		known[i] = settled[heard[i].at];
	}
	case_kin(c, some, MOST_IDENTS, known, found, doubt);
	for (size_t i = 0; i < MOST_IDENTS; i++) {
		group[heard[i].at] = heard[found[i]].at;
		if (sure)
			sure[heard[i].at] = doubt[i];
	}
	case_left_out(c, case_say(c, "bus %s: %zu messages are too many to compare by timing. The %d heard most often were grouped by module, the other "
				     "%zu stand alone.",
		c->night->bus[c->v->ids.at[idents[0]].bus].name, n, MOST_IDENTS, n - MOST_IDENTS));
out:
	free(heard);
	free(some);
	free(found);
	free(known);
	free(doubt);
}

void case_kin(struct lull_case *c, const size_t *idents, size_t n, const int *settled, size_t *group, double *sure)
{
	for (size_t i = 0; i < n; i++) {
		group[i] = i;
		if (sure)
			sure[i] = 1;
	}
	if (n > MOST_IDENTS)
		group_some(c, idents, n, settled, group, sure);
	if (n < 2 || n > MOST_IDENTS)
		return;
	struct kin_traces set;
	struct links l = { malloc(n * n * sizeof *l.mean), malloc(n * n * sizeof *l.least), malloc(n * sizeof *l.size), malloc(n * sizeof *l.best), n };
	int err = kin_traces_make(c, idents, n, &set);

	if (err || !l.mean || !l.least || !l.size || !l.best) {
		c->oom = true;
	} else {
		size_t to = 0, from = 0;

		weigh(c, &set, settled, &l);
		for (size_t a = 0; a < n; a++)
			find_best(&l, a);
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
	free(l.best);
}
