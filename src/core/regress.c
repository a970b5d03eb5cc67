/* SPDX-License-Identifier: GPL-3.0-or-later */
/* regress: what each node draws while it is awake: non-negative least squares of the current on who is awake. Pure.
 *
 * Lawson and Hanson, Solving Least Squares Problems, 1974, chapter 23 (active set), on normal equations of moderate size.
 * Bins in which somebody starts or stops are left out, since boot and run-down are not the awake draw. Nodes that are always
 * awake together cannot be separated and get no figure. */
#include "core/case.h"

#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MOST_NODES 64
#define MOST_BINS 40000
#define SETTLES (3 * LULL_SEC) /* around a start or stop */
#define TOO_ALIKE 0.95 /* correlation of two columns */
#define TOO_ENTANGLED 10.0 /* variance inflation: nine tenths of a column explained by the others */
#define LEAST_BINS 30 /* awake and not awake, to say anything of a node */

#define BUS_COLUMN(bus) (-2 - (int)(bus)) /* the bus being awake at all: what silent nodes draw goes with it */

struct fit {
	int node[MOST_NODES]; /* of each column; column 0 is the constant; negative: a bus */
	size_t columns;
	double *x; /* bins x columns, row by row */
	double *y;
	size_t bins;
};

static span_list bus_spans(struct lull_case *c, int column)
{
	span_list spans = { 0 };
	for (size_t i = 0; i < c->v->spells.n; i++)
		if (BUS_COLUMN(c->v->spells.at[i].bus) == column)
			CASE_PUSH(c, spans, ((struct span){ c->v->spells.at[i].from, c->v->spells.at[i].to }));
	return spans;
}

/* 1 awake throughout, 0 not at all, NAN while that changes. *at moves on with time. */
static double awake_in(const span_list *spans, size_t *at, lull_time from, lull_time to)
{
	while (*at < spans->n && spans->at[*at].to < from - SETTLES)
		++*at;
	if (*at == spans->n || spans->at[*at].from > to + SETTLES)
		return 0;
	return spans->at[*at].from <= from - SETTLES && spans->at[*at].to >= to + SETTLES ? 1 : NAN;
}

/* After the first sleep of all buses, and only where wakes follow: on the way to sleep retained supplies and relays drop as
 * nodes stop, and the one cannot be told from the other. */
static lull_time settled_from(const struct lull_case *c)
{
	lull_time from = LULL_NEVER;
	size_t wakes = 0;
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		if (c->v->bus[bus].first_quiet > from)
			from = c->v->bus[bus].first_quiet;
	for (size_t i = 0; i < c->v->spells.n; i++)
		wakes += c->v->spells.at[i].kind == LULL_SPELL_WAKE && !c->v->spells.at[i].lone;
	return from != LULL_NEVER && wakes >= 2 ? from + LULL_MIN : LULL_NEVER;
}

/* Spans in which nobody starts or stops, from the edges of all runs; a bin is a piece of one of them. */
static bool make_bins(struct lull_case *c, struct fit *f)
{
	const struct lull_verdict *v = c->v;
	lull_time from = settled_from(c), to = v->judged_to, step = LULL_SEC;
	if (from == LULL_NEVER)
		return false;
	if (v->current.lost_at != LULL_NEVER && v->current.lost_at < to)
		to = v->current.lost_at;
	if (step < 2 * c->draw_step)
		step = 2 * c->draw_step;
	if (to <= from)
		return false;
	if ((to - from) / step > MOST_BINS)
		step = (to - from) / MOST_BINS;
	size_t most = (size_t)((to - from) / step) + 1;
	f->x = calloc(most * f->columns, sizeof *f->x);
	f->y = calloc(most, sizeof *f->y);
	if (!f->x || !f->y) {
		c->oom = true;
		return false;
	}
	span_list spans[MOST_NODES];
	memset(spans, 0, sizeof spans);
	size_t cursor[MOST_NODES] = { 0 };
	for (size_t k = 1; k < f->columns; k++)
		spans[k] = f->node[k] < 0 ? bus_spans(c, f->node[k]) : case_node_spans(c, f->node[k]);
	for (size_t b = 0; b < most; b++) {
		lull_time at = from + (lull_time)b * step;
		double *row = f->x + f->bins * f->columns;
		double mean = case_mean_mA(c, at, at + step, NULL);
		if (!isfinite(mean))
			continue;
		bool steady = true;
		row[0] = 1;
		for (size_t k = 1; k < f->columns && steady; k++) {
			row[k] = awake_in(&spans[k], &cursor[k], at, at + step);
			steady = isfinite(row[k]);
		}
		if (steady)
			f->y[f->bins++] = mean;
	}
	for (size_t k = 1; k < f->columns; k++)
		free(spans[k].at);
	return f->bins > 0;
}

static void choose_nodes(const struct lull_case *c, struct fit *f)
{
	f->columns = 1;
	f->node[0] = -1;
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		f->node[f->columns++] = BUS_COLUMN(bus);
	for (size_t i = 0; i < c->v->nodes.n && f->columns < MOST_NODES; i++)
		if (!c->v->nodes.at[i].asker)
			f->node[f->columns++] = (int)i;
}

static void drop_column(struct fit *f, size_t column)
{
	for (size_t b = 0; b < f->bins; b++) {
		double *from = f->x + b * f->columns, *to = f->x + b * (f->columns - 1);
		memmove(to, from, column * sizeof *to);
		memmove(to + column, from + column + 1, (f->columns - 1 - column) * sizeof *to);
	}
	memmove(f->node + column, f->node + column + 1, (f->columns - 1 - column) * sizeof *f->node);
	f->columns--;
}

static double likeness(const struct fit *f, size_t a, size_t b)
{
	double sa = 0, sb = 0, saa = 0, sbb = 0, sab = 0, n = (double)f->bins;
	for (size_t i = 0; i < f->bins; i++) {
		double x = f->x[i * f->columns + a], y = f->x[i * f->columns + b];
		sa += x;
		sb += y;
		saa += x * x;
		sbb += y * y;
		sab += x * y;
	}
	double va = saa - sa * sa / n, vb = sbb - sb * sb / n;
	return va > 0 && vb > 0 ? (sab - sa * sb / n) / sqrt(va * vb) : 0;
}

static void drop_bins_awake(struct fit *f, size_t column)
{
	size_t kept = 0;
	for (size_t b = 0; b < f->bins; b++) {
		if (f->x[b * f->columns + column] != 0)
			continue;
		memmove(f->x + kept * f->columns, f->x + b * f->columns, f->columns * sizeof *f->x);
		f->y[kept++] = f->y[b];
	}
	f->bins = kept;
}

static void share(bool *shared, int node)
{
	if (node >= 0)
		shared[node] = true;
}

/* Nodes seen awake too seldom go, and the bins in which they are, so that nobody else is charged with them; columns that are
 * always on go with the constant. Of columns that vary together one stays for the sum, and no node of them gets a figure. */
static void thin_out(struct fit *f, bool *shared)
{
	for (size_t k = f->columns; k-- > 1;) {
		double awake = 0;
		for (size_t b = 0; b < f->bins; b++)
			awake += f->x[b * f->columns + k];
		if (awake >= LEAST_BINS && (double)f->bins - awake >= LEAST_BINS)
			continue;
		if (awake < LEAST_BINS)
			drop_bins_awake(f, k);
		drop_column(f, k);
	}
	for (size_t a = 1; a < f->columns; a++)
		for (size_t b = f->columns; b-- > a + 1;)
			if (likeness(f, a, b) > TOO_ALIKE) {
				share(shared, f->node[a]);
				share(shared, f->node[b]);
				drop_column(f, b);
			}
}

/* Solves the normal equations over the columns in `in`; false if they are singular. */
static bool solve(const double *xtx, const double *xty, size_t n, const bool *in, double *beta, double *inverse)
{
	size_t pick[MOST_NODES] = { 0 }, m = 0;
	for (size_t i = 0; i < n; i++) {
		beta[i] = 0;
		if (in[i])
			pick[m++] = i;
	}
	if (!m)
		return true;
	gsl_matrix *a = gsl_matrix_alloc(m, m);
	gsl_vector *b = gsl_vector_alloc(m), *x = gsl_vector_alloc(m);
	bool good = a && b && x;
	for (size_t i = 0; good && i < m; i++) {
		for (size_t k = 0; k < m; k++)
			gsl_matrix_set(a, i, k, xtx[pick[i] * n + pick[k]]);
		gsl_vector_set(b, i, xty[pick[i]]);
	}
	gsl_error_handler_t *handler = gsl_set_error_handler_off();
	good = good && gsl_linalg_cholesky_decomp1(a) == 0 && gsl_linalg_cholesky_solve(a, b, x) == 0;
	if (good && inverse) {
		good = gsl_linalg_cholesky_invert(a) == 0;
		for (size_t i = 0; good && i < m; i++)
			inverse[pick[i]] = gsl_matrix_get(a, i, i);
	}
	gsl_set_error_handler(handler);
	for (size_t i = 0; good && i < m; i++)
		beta[pick[i]] = gsl_vector_get(x, i);
	gsl_matrix_free(a);
	gsl_vector_free(b);
	gsl_vector_free(x);
	return good;
}

/* The constant may have any sign, node draws none below zero. */
static bool fit_non_negative(const double *xtx, const double *xty, size_t n, double *beta, bool *in)
{
	double trial[MOST_NODES] = { 0 };
	memset(in, 0, n * sizeof *in);
	in[0] = true;
	if (!solve(xtx, xty, n, in, beta, NULL))
		return false;
	for (size_t round = 0; round < 3 * n; round++) {
		size_t best = 0;
		double most = 0;
		for (size_t i = 1; i < n; i++) {
			if (in[i])
				continue;
			double gradient = xty[i];
			for (size_t k = 0; k < n; k++)
				gradient -= xtx[i * n + k] * beta[k];
			double scaled = gradient / sqrt(xtx[i * n + i] + 1e-30);
			if (scaled > most) {
				most = scaled;
				best = i;
			}
		}
		if (!best || most < 1e-9)
			return true;
		in[best] = true;
		for (;;) {
			if (!solve(xtx, xty, n, in, trial, NULL)) {
				in[best] = false; /* cannot be told from the others */
				return solve(xtx, xty, n, in, beta, NULL);
			}
			double alpha = 1;
			size_t blocking = 0;
			for (size_t i = 1; i < n; i++)
				if (in[i] && trial[i] <= 0) {
					double a = beta[i] / (beta[i] - trial[i]);
					if (a < alpha || !blocking) {
						alpha = fmax(0, fmin(1, a));
						blocking = i;
					}
				}
			if (!blocking)
				break;
			for (size_t i = 0; i < n; i++)
				if (in[i])
					beta[i] += alpha * (trial[i] - beta[i]);
			in[blocking] = false;
			beta[blocking] = 0;
		}
		memcpy(beta, trial, n * sizeof *beta);
	}
	return true;
}

/* Residual variance, and how much neighbouring residuals repeat each other: errors grow by (1 + rho) / (1 - rho). */
static double residual_variance(const struct fit *f, const double *beta, double *inflation)
{
	double sum = 0, lagged = 0, before = 0;
	for (size_t b = 0; b < f->bins; b++) {
		double r = f->y[b];
		for (size_t k = 0; k < f->columns; k++)
			r -= beta[k] * f->x[b * f->columns + k];
		sum += r * r;
		if (b)
			lagged += r * before;
		before = r;
	}
	double rho = sum > 0 ? fmin(fmax(lagged / sum, 0), 0.97) : 0;
	*inflation = (1 + rho) / (1 - rho);
	return f->bins > f->columns ? sum / (double)(f->bins - f->columns) : 0;
}

void case_regress(struct lull_case *c)
{
	struct fit f = { 0 };
	bool *shared = calloc(c->v->nodes.n + 1, sizeof *shared), in[MOST_NODES];
	double beta[MOST_NODES] = { 0 };
	double *xtx = NULL, xty[MOST_NODES] = { 0 };

	if (!shared) {
		c->oom = true;
		return;
	}
	choose_nodes(c, &f);
	if (!c->v->current.lineup.paired || f.columns < 2 || !c->draw_n || !make_bins(c, &f))
		goto out;
	thin_out(&f, shared);
	size_t n = f.columns;
	xtx = calloc(n * n, sizeof *xtx);
	if (!xtx) {
		c->oom = true;
		goto out;
	}
	memset(xty, 0, sizeof xty);
	for (size_t b = 0; b < f.bins; b++)
		for (size_t i = 0; i < n; i++) {
			double x = f.x[b * n + i];
			if (x == 0)
				continue;
			xty[i] += x * f.y[b];
			for (size_t k = 0; k < n; k++)
				xtx[i * n + k] += x * f.x[b * n + k];
		}
	if (n < 2 || !fit_non_negative(xtx, xty, n, beta, in))
		goto out;
	/* A figure stands only where plain least squares over all columns gives it too: what the sign constraint decides, or
	 * what the other columns explain, is not this node's to claim. */
	double plain[MOST_NODES] = { 0 }, plain_inverse[MOST_NODES] = { 0 };
	bool every[MOST_NODES];
	for (size_t k = 0; k < n; k++)
		every[k] = true;
	if (!solve(xtx, xty, n, every, plain, plain_inverse))
		goto out;
	double inflation, variance = residual_variance(&f, beta, &inflation);
	for (size_t k = 1; k < n; k++) {
		if (f.node[k] < 0 || shared[f.node[k]] || !in[k])
			continue;
		double centred = xtx[k * n + k] - xtx[k] * xtx[k] / (double)f.bins;
		double error = sqrt(variance * plain_inverse[k] * inflation);
		if (centred * plain_inverse[k] > TOO_ENTANGLED || plain[k] < 3 * error || fabs(plain[k] - beta[k]) > 2 * error)
			continue;
		struct lull_node *node = &c->v->nodes.at[f.node[k]];
		node->awake_mA = beta[k];
		node->awake_mA_error = error;
	}
out:
	free(f.x);
	free(f.y);
	free(xtx);
	free(shared);
}
