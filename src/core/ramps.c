/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ramps: a slow drift that the partition cut into a staircase becomes one sloping level again. Pure.
 *
 * Optimal partitioning over the few edges that are left: each new level is one of the pieces, level or sloping, or a run
 * of pieces as one line. A line counts as two levels do, so that a single step never becomes a ramp by its price alone:
 * it must fit better. */
#include <core/merge.h>

#include <errno.h>
#include <math.h>
#include <stdlib.h>

/* A ramp of more pieces than this stays several ramps: bounds the work in a night of thousands of wakes. */
enum { LONGEST_RUN = 256 };

/* Sums over the blocks that count, t and x about fixed origins. */
struct moments {
	double n, t, tt, x, tx, xx;
};

static struct moments plus(struct moments a, const struct moments *b)
{
	return (struct moments){a.n + b->n, a.t + b->t, a.tt + b->tt, a.x + b->x, a.tx + b->tx, a.xx + b->xx};
}

struct line {
	double level_squares, line_squares, mean, t_mean, slope;
};

static struct line line_of(const struct moments *m)
{
	struct line l = {.mean = m->x / m->n, .t_mean = m->t / m->n};
	double tt = m->tt - m->t * l.t_mean, tx = m->tx - m->t * l.mean;

	l.level_squares = fmax(0, m->xx - m->x * l.mean);
	l.slope = tt > 0 ? tx / tt : 0;
	l.line_squares = fmax(0, l.level_squares - l.slope * tx);
	return l;
}

struct ramps {
	const double *y;
	const float *ratio;
	const struct lull_log *log;
	const struct lull_noise *noise;
	double penalty, variance; /* of a block, as it counts over long times */
	struct moments *m; /* of each piece */
	double *best;
	size_t *from;
	bool *sloping;
};

static double time_of_block(const struct ramps *r, size_t j)
{
	size_t i = j * r->noise->block + r->noise->block / 2;

	return lull_log_time(r->log, i < r->log->n ? i : r->log->n - 1);
}

static struct moments moments_of(const struct ramps *r, const struct lull_piece *p, double t0)
{
	double reach = 5 * sqrt(lull_noise_of_mean(r->noise, (double)r->noise->block));
	struct moments m = {0};

	for (size_t j = p->from; j < p->to; j++) {
		double x = r->y[j], t = time_of_block(r, j) - t0, w = 1 / (double)r->ratio[j];

		if (fabs(x - p->value) > reach * sqrt((double)r->ratio[j]) || !isfinite(t))
			continue;
		m = plus(m, &(struct moments){w, w * t, w * t * t, w * x, w * t * x, w * x * x});
	}
	if (!(m.n > 0)) {
		double t = time_of_block(r, p->from) - t0;

		t = isfinite(t) ? t : 0;
		m = (struct moments){1, t, t * t, p->value, t * p->value, p->value * p->value};
	}
	return m;
}

static void solve(struct ramps *r, size_t n)
{
	r->best[0] = 0;
	for (size_t k = 1; k <= n; k++) {
		struct moments sum = {0};

		r->best[k] = (double)INFINITY;
		for (size_t i = k; i > 0 && k - i < LONGEST_RUN; i--) {
			sum = plus(sum, &r->m[i - 1]);
			struct line l = line_of(&sum);
			double level = r->best[i - 1] + l.level_squares / r->variance + r->penalty;
			double line = r->best[i - 1] + l.line_squares / r->variance + 2 * r->penalty;

			/* Runs of pieces are joined as lines only: the noise already told their levels apart. */
			if (i == k && level < r->best[k]) {
				r->best[k] = level;
				r->from[k] = i - 1;
				r->sloping[k] = false;
			}
			if (line < r->best[k]) {
				r->best[k] = line;
				r->from[k] = i - 1;
				r->sloping[k] = true;
			}
		}
	}
}

static void rebuild(const struct ramps *r, struct lull_pieces *pieces, double t0)
{
	size_t n = pieces->n, at = n;

	/* From the last to the first, written from the end of the same array: a run is never shorter than what it leaves. */
	for (size_t k = n; k > 0; k = r->from[k]) {
		struct lull_piece whole = {
			.from = pieces->piece[r->from[k]].from, .to = pieces->piece[k - 1].to};
		struct moments sum = {0};

		for (size_t i = r->from[k]; i < k; i++)
			sum = plus(sum, &r->m[i]);
		struct line l = line_of(&sum);

		double blocks = 0;

		for (size_t i = r->from[k]; i < k; i++) {
			double n_of = (double)(pieces->piece[i].to - pieces->piece[i].from);

			whole.ratio += n_of * pieces->piece[i].ratio;
			blocks += n_of;
		}
		whole.ratio /= blocks;
		whole.value = l.mean;
		whole.centre = l.t_mean + t0;
		if (r->sloping[k]) { /* about the middle of its time, which `value` is then the mean of */
			double middle = 0.5 * (time_of_block(r, whole.from) + time_of_block(r, whole.to - 1));

			whole.slope = l.slope;
			whole.value += l.slope * (middle - whole.centre);
			whole.centre = middle;
		}
		pieces->piece[--at] = whole;
	}
	for (size_t i = at; i < n; i++)
		pieces->piece[i - at] = pieces->piece[i];
	pieces->n = n - at;
}

int lull_merge_ramps(struct lull_pieces *pieces, const double *y, const float *ratio,
	const struct lull_log *log, const struct lull_noise *noise, double penalty)
{
	size_t n = pieces->n;
	struct ramps r = {.y = y,
		.ratio = ratio,
		.log = log,
		.noise = noise,
		.penalty = penalty,
		.m = calloc(n + 1, sizeof(*r.m)),
		.best = calloc(n + 1, sizeof(*r.best)),
		.from = calloc(n + 1, sizeof(*r.from)),
		.sloping = calloc(n + 1, sizeof(*r.sloping))};
	int error = 0;

	if (r.m && r.best && r.from && r.sloping) {
		double t0 = 0.5 * (lull_log_time(log, 0) + lull_log_time(log, log->n - 1));
		double slow = noise->scales > 0 ? noise->near[noise->scales - 1] : 1;

		r.variance = noise->sd * noise->sd / (double)noise->block * slow;
		for (size_t i = 0; i < n; i++)
			r.m[i] = moments_of(&r, &pieces->piece[i], t0);
		solve(&r, n);
		rebuild(&r, pieces, t0);
	} else {
		error = -ENOMEM;
	}
	free(r.m);
	free(r.best);
	free(r.from);
	free(r.sloping);
	return error;
}
