/* SPDX-License-Identifier: GPL-3.0-or-later */
/* merge: removes the weakest edges between levels, one after another. Pure. */
#include <core/merge.h>

#include <errno.h>
#include <math.h>
#include <stdlib.h>

struct node {
	size_t from, to;
	double n, sum; /* of the values that count */
	size_t before, after; /* neighbours; SIZE_MAX none */
	unsigned version;
	bool gone;
};
/* An edge after `node`, as strong as it was at that version of both its sides. */
struct edge {
	double strength;
	size_t node;
	unsigned version, version_after;
};
struct merger {
	struct node *node;
	size_t nodes;
	struct edge *heap;
	size_t heap_n, heap_room;
	const struct lull_noise *noise; /* NULL: the strength is the step itself */
	const double *rough; /* sum of the blocks' noise variance over the usual */
	const double *sum; /* of y up to each block, outliers clamped; with noise only */
};

static int push(struct merger *m, struct edge e)
{
	if (m->heap_n == m->heap_room) {
		size_t room = m->heap_room ? 2 * m->heap_room : 256;
		struct edge *more = reallocarray(m->heap, room, sizeof(*more));

		if (!more)
			return -ENOMEM;
		m->heap = more;
		m->heap_room = room;
	}
	size_t i = m->heap_n++;

	for (; i > 0 && m->heap[(i - 1) / 2].strength > e.strength; i = (i - 1) / 2)
		m->heap[i] = m->heap[(i - 1) / 2];
	m->heap[i] = e;
	return 0;
}

static struct edge pop(struct merger *m)
{
	struct edge top = m->heap[0], last = m->heap[--m->heap_n];
	size_t i = 0;

	for (;;) {
		size_t child = 2 * i + 1;

		if (child >= m->heap_n)
			break;
		if (child + 1 < m->heap_n && m->heap[child + 1].strength < m->heap[child].strength)
			child++;
		if (m->heap[child].strength >= last.strength)
			break;
		m->heap[i] = m->heap[child];
		i = child;
	}
	m->heap[i] = last;
	return top;
}

/* Step squared over the variance that noise gives it: over the whole of both sides, or over less of them right at the edge.
 * Slow noise can make the former, but not the latter; a real step shows in both. */
static double proof(const struct merger *m, const struct node *a, const struct node *b)
{
	double block = (double)m->noise->block, step = a->sum / a->n - b->sum / b->n;
	/* Each side is as noisy as it is by itself. */
	double ra = (m->rough[a->to] - m->rough[a->from]) / a->n,
	       rb = (m->rough[b->to] - m->rough[b->from]) / b->n;
	double raised = (ra / a->n + rb / b->n) / (1 / a->n + 1 / b->n);
	double best = step * step / lull_noise_of_step(m->noise, a->n * block, b->n * block) / raised;
	size_t edge = b->from, most = edge - a->from < b->to - edge ? edge - a->from : b->to - edge;

	for (size_t T = 4; T <= most; T *= 2) {
		/* Or the noise of twice the length, as it would be over one: the partition puts its edges where slow noise
		 * happens to jump. */
		double t = (double)T * block, noise = lull_noise_of_step(m->noise, t, t);

		noise = fmax(noise, 2 * lull_noise_of_step(m->noise, 2 * t, 2 * t));
		step = (m->sum[edge + T] - 2 * m->sum[edge] + m->sum[edge - T]) / (double)T;
		raised = (m->rough[edge + T] - m->rough[edge - T]) / (2 * (double)T);
		best = fmax(best, step * step / noise / raised);
	}
	return best;
}

static int push_after(struct merger *m, size_t i)
{
	if (i == SIZE_MAX || m->node[i].after == SIZE_MAX)
		return 0;
	const struct node *a = &m->node[i], *b = &m->node[a->after];
	double strength = m->noise ? proof(m, a, b) : fabs(a->sum / a->n - b->sum / b->n);

	return push(m, (struct edge){strength, i, a->version, b->version});
}

/* Joins until the weakest edge reaches `least`. */
static int merge(struct merger *m, double least)
{
	int error = 0;

	for (size_t i = 0; i < m->nodes && !error; i++)
		error = push_after(m, i);
	while (m->heap_n > 0 && !error) {
		struct edge e = pop(m);
		struct node *a = &m->node[e.node];

		if (e.strength >= least)
			break;
		if (a->gone || a->version != e.version || a->after == SIZE_MAX ||
			m->node[a->after].version != e.version_after)
			continue;
		struct node *b = &m->node[a->after];

		a->to = b->to;
		a->n += b->n;
		a->sum += b->sum;
		a->after = b->after;
		a->version++;
		b->gone = true;
		if (a->after != SIZE_MAX)
			m->node[a->after].before = e.node;
		error = push_after(m, e.node);
		if (!error)
			error = push_after(m, a->before);
	}
	return error;
}

static int set_up(struct merger *m, const struct lull_pieces *pieces)
{
	m->node = calloc(pieces->n, sizeof(*m->node));
	m->nodes = pieces->n;
	if (!m->node)
		return -ENOMEM;
	for (size_t i = 0; i < pieces->n; i++) {
		m->node[i].from = pieces->piece[i].from;
		m->node[i].to = pieces->piece[i].to;
		m->node[i].before = i > 0 ? i - 1 : SIZE_MAX;
		m->node[i].after = i + 1 < pieces->n ? i + 1 : SIZE_MAX;
	}
	return 0;
}

static void tear_down(struct merger *m)
{
	free(m->node);
	free(m->heap);
}

/* The edges that are left were laid for shorter pieces: each moves to where its two means, as they are now, fit best,
 * between the middles of its sides. */
static void move_edges(struct lull_pieces *pieces, const double *sum, const double *rough)
{
	struct lull_piece *p = pieces->piece;

	for (size_t i = 0; i + 1 < pieces->n; i++) {
		double a = p[i].value, b = p[i + 1].value, least = (double)INFINITY;
		size_t lo = p[i].from + (p[i].to - p[i].from + 1) / 2,
		       hi = p[i + 1].from + (p[i + 1].to - p[i + 1].from) / 2, best = p[i].to;

		for (size_t t = lo; t <= hi; t++) {
			double cost = (b - a) * (2 * sum[t] - (a + b) * (double)t);

			if (cost < least) {
				least = cost;
				best = t;
			}
		}
		p[i].to = p[i + 1].from = best;
	}
	for (size_t i = 0; i < pieces->n; i++) {
		double n = (double)(p[i].to - p[i].from);

		p[i].value = (sum[p[i].to] - sum[p[i].from]) / n;
		p[i].ratio = (rough[p[i].to] - rough[p[i].from]) / n;
	}
}

int lull_merge_by_noise(struct lull_pieces *pieces, const double *y, const float *ratio,
	const struct lull_noise *noise, double penalty, double cap)
{
	double reach = cap * sqrt(lull_noise_of_mean(noise, (double)noise->block));
	size_t n = 0, blocks = pieces->piece[pieces->n - 1].to;
	double *sum = malloc(2 * (blocks + 1) * sizeof(*sum)), *rough = sum ? sum + blocks + 1 : NULL;
	struct merger m = {.noise = noise, .sum = sum, .rough = rough};

	if (!sum)
		return -ENOMEM;
	int error = set_up(&m, pieces);

	if (error) {
		free(sum);
		return error;
	}
	sum[0] = rough[0] = 0;
	for (size_t i = 0; i < pieces->n && !error; i++) {
		const struct lull_piece *p = &pieces->piece[i];

		for (size_t j = p->from; j < p->to; j++) {
			double here = reach * sqrt((double)ratio[j]);

			sum[j + 1] = sum[j] + fmin(fmax(y[j], p->value - here), p->value + here);
			rough[j + 1] = rough[j] + (double)ratio[j];
		}
		m.node[i].n = (double)(p->to - p->from);
		m.node[i].sum = sum[p->to] - sum[p->from];
	}
	if (!error)
		error = merge(&m, penalty);
	for (size_t i = 0; i < m.nodes && !error; i++)
		if (!m.node[i].gone)
			pieces->piece[n++] = (struct lull_piece){.from = m.node[i].from,
				.to = m.node[i].to,
				.value = m.node[i].sum / m.node[i].n};
	if (!error) {
		pieces->n = n;
		move_edges(pieces, sum, rough);
	}
	tear_down(&m);
	free(sum);
	return error;
}

int lull_merge_small_steps(struct lull_pieces *pieces, const struct lull_log *log, double least)
{
	struct merger m = {0};
	int error = set_up(&m, pieces);
	size_t n = 0;

	(void)log;
	for (size_t i = 0; i < pieces->n && !error; i++) {
		m.node[i].n = (double)(pieces->piece[i].to - pieces->piece[i].from);
		m.node[i].sum = m.node[i].n * pieces->piece[i].value;
	}
	if (!error)
		error = merge(&m, least);
	for (size_t i = 0; i < m.nodes && !error; i++) {
		if (m.node[i].gone)
			continue;
		/* What was joined has lost its slope. */
		if (m.node[i].version > 0)
			pieces->piece[n++] = (struct lull_piece){.from = m.node[i].from,
				.to = m.node[i].to,
				.value = m.node[i].sum / m.node[i].n};
		else
			pieces->piece[n++] = pieces->piece[i];
	}
	if (!error)
		pieces->n = n;
	tear_down(&m);
	return error;
}
