/* SPDX-License-Identifier: GPL-3.0-or-later */
/* solve: least squares over steps, plain and non-negative. Pure.
 *
 * Lawson and Hanson, Solving Least Squares Problems, 1974: chapter 7 (the shortest solution where several fit, from the
 * singular values), chapter 23 (non-negative, by active set); both on the normal equations, which are small. */
#include "core/regress.h"

#include <errno.h>
#include <gsl/gsl_eigen.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <string.h>

#define NOTHING 1e-9 /* of the largest eigenvalue */

void regress_add(struct regress_sum *sum, const struct regress_step *s, double weight)
{
	for (size_t i = 0; i < sum->n; i++) {
		int x = (int)(s->up >> i & 1) - (int)(s->down >> i & 1);
		if (!x)
			continue;
		sum->xty[i] += weight * x * s->y;
		for (size_t k = 0; k < sum->n; k++)
			sum->xtx[i * sum->n + k] += weight * x * ((int)(s->up >> k & 1) - (int)(s->down >> k & 1));
	}
}

int regress_plain(const struct regress_sum *sum, struct regress_plain *out)
{
	size_t n = sum->n;
	memset(out, 0, sizeof *out);
	if (!n)
		return 0;
	gsl_matrix *a = gsl_matrix_alloc(n, n), *vectors = gsl_matrix_alloc(n, n);
	gsl_vector *values = gsl_vector_alloc(n);
	gsl_eigen_symmv_workspace *work = gsl_eigen_symmv_alloc(n);
	int error = a && vectors && values && work ? 0 : -ENOMEM;
	for (size_t i = 0; !error && i < n; i++)
		for (size_t k = 0; k < n; k++)
			gsl_matrix_set(a, i, k, sum->xtx[i * n + k]);
	if (!error && gsl_eigen_symmv(a, values, vectors, work) != 0)
		error = -ENOMEM;
	double most = error ? 0 : gsl_vector_max(values);
	for (size_t v = 0; !error && v < n; v++) {
		double value = gsl_vector_get(values, v);
		bool told = value > NOTHING * most;
		for (size_t i = 0; i < n; i++)
			for (size_t k = 0; k < n; k++) {
				double both = gsl_matrix_get(vectors, i, v) * gsl_matrix_get(vectors, k, v);
				if (told)
					out->inverse[i * n + k] += both / value;
				else
					out->open[i * n + k] += both;
			}
	}
	for (size_t i = 0; !error && i < n; i++)
		for (size_t k = 0; k < n; k++)
			out->beta[i] += out->inverse[i * n + k] * sum->xty[k];
	gsl_matrix_free(a);
	gsl_matrix_free(vectors);
	gsl_vector_free(values);
	gsl_eigen_symmv_free(work);
	return error;
}

/* Over the columns in `in`; 1: these cannot be told from each other. */
static int solve_these(const struct regress_sum *sum, const bool *in, double *beta)
{
	size_t n = sum->n, pick[REGRESS_COLUMNS] = { 0 }, m = 0;
	for (size_t i = 0; i < n; i++) {
		beta[i] = 0;
		if (in[i])
			pick[m++] = i;
	}
	if (!m)
		return 0;
	gsl_matrix *a = gsl_matrix_alloc(m, m);
	gsl_vector *b = gsl_vector_alloc(m), *x = gsl_vector_alloc(m);
	int error = a && b && x ? 0 : -ENOMEM;
	for (size_t i = 0; !error && i < m; i++) {
		gsl_vector_set(b, i, sum->xty[pick[i]]);
		for (size_t k = 0; k < m; k++)
			gsl_matrix_set(a, i, k, sum->xtx[pick[i] * n + pick[k]]);
	}
	gsl_error_handler_t *handler = gsl_set_error_handler_off();
	if (!error && (gsl_linalg_cholesky_decomp1(a) != 0 || gsl_linalg_cholesky_solve(a, b, x) != 0))
		error = 1;
	for (size_t i = 0; !error && i < m; i++) {
		double pivot = gsl_matrix_get(a, i, i);
		if (pivot * pivot < NOTHING * sum->xtx[pick[i] * n + pick[i]])
			error = 1;
	}
	(void)gsl_set_error_handler(handler);
	for (size_t i = 0; !error && i < m; i++)
		beta[pick[i]] = gsl_vector_get(x, i);
	gsl_matrix_free(a);
	gsl_vector_free(b);
	gsl_vector_free(x);
	return error;
}

/* The column outside that would lower the residual most; n: none. */
static size_t best_outside(const struct regress_sum *sum, const double *beta, const bool *in, const bool *barred)
{
	size_t n = sum->n, best = n;
	double most = 1e-9;
	for (size_t i = 0; i < n; i++) {
		double gradient = sum->xty[i];
		if (in[i] || barred[i] || sum->xtx[i * n + i] <= 0)
			continue;
		for (size_t k = 0; k < n; k++)
			gradient -= sum->xtx[i * n + k] * beta[k];
		gradient /= sqrt(sum->xtx[i * n + i]);
		if (gradient > most) {
			most = gradient;
			best = i;
		}
	}
	return best;
}

/* Towards trial as far as nothing falls below zero; what gets there first leaves. False: all of trial is above. */
static bool hold_above(size_t n, const double *trial, double *beta, bool *in)
{
	double share = 2;
	size_t first = n;
	for (size_t i = 0; i < n; i++)
		if (in[i] && trial[i] <= 0) {
			double s = beta[i] > trial[i] ? beta[i] / (beta[i] - trial[i]) : 0;
			if (s < share) {
				share = s;
				first = i;
			}
		}
	if (first == n)
		return false;
	for (size_t i = 0; i < n; i++)
		if (in[i])
			beta[i] += share * (trial[i] - beta[i]);
	in[first] = false;
	beta[first] = 0;
	return true;
}

int regress_non_negative(const struct regress_sum *sum, double *beta)
{
	size_t n = sum->n;
	double trial[REGRESS_COLUMNS];
	bool in[REGRESS_COLUMNS] = { false }, barred[REGRESS_COLUMNS] = { false };

	memset(beta, 0, n * sizeof *beta);
	for (size_t round = 0; round < 4 * n; round++) {
		size_t best = best_outside(sum, beta, in, barred);
		if (best == n)
			return 0;
		in[best] = true;
		int error = solve_these(sum, in, trial);
		if (error < 0)
			return error;
		if (error) { /* what it would add, the others say already */
			in[best] = false;
			barred[best] = true;
			continue;
		}
		if (trial[best] <= 0) { /* rounding only */
			in[best] = false;
			barred[best] = true;
			continue;
		}
		while (hold_above(n, trial, beta, in)) {
			error = solve_these(sum, in, trial);
			if (error)
				return error < 0 ? error : 0;
		}
		memcpy(beta, trial, n * sizeof *beta);
	}
	return 0;
}
