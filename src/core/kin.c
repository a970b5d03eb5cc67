/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin: IDs that behave as one sender does, from timing alone. Pure.
 *
 * Pairs are weighed by likelihood ratios: equal clock slope (weak where it is not sharp, since a software timer rounds
 * each ID's period on its own: inequality says little), and stops that the two share while the rest of the bus
 * goes on. Stops and starts common to the bus are no evidence (trade rule 12). */
#include "core/kin.h"

#include <math.h>
#include <stdlib.h>

#define MOST_IDENTS 512 /* the pair table is quadratic */
#define MOST_STOPS 64 /* of one ID; more say nothing new */
static const double join_odds = 50; /* 0.98: a wrong group costs more than a missed one */
static const double stop_cap = 20, slope_cap = 300;

/* A stop of one ID: the run ended in silence. */
struct stop {
	lull_time t;
	double commonness; /* share of the IDs then running that stopped as well */
};
struct stops {
	struct stop at[MOST_STOPS];
	size_t n;
	lull_time reach; /* how far apart the last frames of one scheduler may lie */
};

static double period_ns(const struct lull_case *c, size_t ident)
{
	double ms = c->v->ids.at[ident].period_ms;
	return isfinite(ms) ? ms * 1e6 : 1e9;
}

static void find_stops(const struct lull_case *c, size_t ident, struct stops *out)
{
	out->n = 0;
	out->reach = (lull_time)period_ns(c, ident) + 20 * LULL_MS;
	for (size_t i = 0; i < c->run_count[ident] && out->n < MOST_STOPS; i++) {
		const struct lull_stretch *s = c->run[c->run_at[ident] + i];
		if (s->kind == LULL_STRETCH_CYCLIC && s->end == LULL_END_GAP && s->frames >= 3)
			out->at[out->n++] = (struct stop){ s->last, 1 };
	}
}

/* The ID's state around t: running before and stopped within reach (1), running on (0), or not running (-1). */
static int stopped_at(const struct lull_case *c, size_t ident, const struct stops *stops, lull_time t, lull_time reach)
{
	lull_time wide = reach > stops->reach ? reach : stops->reach;
	if (case_last_in(c, ident, t - 3 * wide, t + wide) == LULL_NEVER)
		return -1;
	for (size_t i = 0; i < stops->n; i++)
		if (stops->at[i].t >= t - wide && stops->at[i].t <= t + wide)
			return 1;
	return case_last_in(c, ident, t + wide, t + 4 * wide + LULL_SEC) != LULL_NEVER ? 0 : -1;
}

static void find_commonness(const struct lull_case *c, const size_t *idents, size_t n, struct stops *all)
{
	for (size_t i = 0; i < n; i++)
		for (size_t k = 0; k < all[i].n; k++) {
			size_t running = 0, stopped = 0;
			for (size_t j = 0; j < n; j++) {
				int state = stopped_at(c, idents[j], &all[j], all[i].at[k].t, all[i].reach);
				running += state >= 0;
				stopped += state == 1;
			}
			all[i].at[k].commonness = running ? (double)stopped / (double)running : 1;
		}
}

static double slope_ratio(const struct lull_id_info *a, const struct lull_id_info *b)
{
	if (!isfinite(a->clock_ppm) || !isfinite(b->clock_ppm))
		return 1;
	double d = a->clock_ppm - b->clock_ppm;
	double s2 = a->clock_ppm_error * a->clock_ppm_error + b->clock_ppm_error * b->clock_ppm_error + 0.05 * 0.05;
	if (s2 > 9)
		return 1;
	/* same sender: sharp, or rounded apart; another sender: anywhere within some 300 ppm */
	double same = 0.7 * exp(-d * d / (2 * s2)) / sqrt(2 * M_PI * s2) + 0.3 / 600;
	double ratio = same * 300;
	return ratio > slope_cap ? slope_cap : ratio;
}

static double stop_ratio(const struct lull_case *c, const struct stops *a, size_t other, const struct stops *b)
{
	double log_ratio = 0;
	for (size_t i = 0; i < a->n; i++) {
		if (a->at[i].commonness > 0.3)
			continue;
		int state = stopped_at(c, other, b, a->at[i].t, a->reach);
		if (state == 1) {
			double ratio = 1 / fmax(a->at[i].commonness, 1 / stop_cap);
			log_ratio += log(fmin(ratio, stop_cap));
		} else if (state == 0) {
			log_ratio += log(0.3);
		}
	}
	/* ten shared stops are hardly ten independent proofs */
	return exp(fmax(-3, fmin(log_ratio, 2 * log(stop_cap))));
}

struct pair {
	double odds;
	size_t a, b;
};

static int by_odds(const void *x, const void *y)
{
	double a = ((const struct pair *)x)->odds, b = ((const struct pair *)y)->odds;
	return a > b ? -1 : a < b;
}

/* Mean log odds between two groups. */
static double between(const double *log_odds, const size_t *group, size_t n, size_t ga, size_t gb)
{
	double sum = 0;
	size_t count = 0;
	for (size_t i = 0; i < n; i++)
		for (size_t k = 0; k < n && group[i] == ga; k++)
			if (group[k] == gb) {
				sum += log_odds[i * n + k];
				count++;
			}
	return count ? sum / (double)count : 0;
}

void case_kin(struct lull_case *c, const size_t *idents, size_t n, size_t *group)
{
	for (size_t i = 0; i < n; i++)
		group[i] = i;
	if (n < 2 || n > MOST_IDENTS)
		return;
	struct stops *stops = malloc(n * sizeof *stops);
	double *log_odds = malloc(n * n * sizeof *log_odds);
	struct pair *pairs = malloc(n * n / 2 * sizeof *pairs);
	if (!stops || !log_odds || !pairs) {
		c->oom = true;
		goto out;
	}
	for (size_t i = 0; i < n; i++)
		find_stops(c, idents[i], &stops[i]);
	find_commonness(c, idents, n, stops);

	double prior = 1 / fmax(8, (double)n / 3);
	size_t count = 0;
	for (size_t a = 0; a < n; a++) {
		log_odds[a * n + a] = 0;
		for (size_t b = a + 1; b < n; b++) {
			double odds = prior * slope_ratio(&c->v->ids.at[idents[a]], &c->v->ids.at[idents[b]]);
			/* what each stop of a says of b and the other way round is the same event seen twice */
			odds *= sqrt(stop_ratio(c, &stops[a], idents[b], &stops[b]) *
				stop_ratio(c, &stops[b], idents[a], &stops[a]));
			log_odds[a * n + b] = log_odds[b * n + a] = log(odds);
			pairs[count++] = (struct pair){ odds, a, b };
		}
	}
	qsort(pairs, count, sizeof *pairs, by_odds);
	for (size_t i = 0; i < count && pairs[i].odds >= join_odds; i++) {
		size_t ga = group[pairs[i].a], gb = group[pairs[i].b];
		if (ga == gb || between(log_odds, group, n, ga, gb) < 0)
			continue;
		size_t low = ga < gb ? ga : gb;
		for (size_t k = 0; k < n; k++)
			if (group[k] == ga || group[k] == gb)
				group[k] = low;
	}
out:
	free(stops);
	free(log_odds);
	free(pairs);
}
