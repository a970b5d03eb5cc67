/* SPDX-License-Identifier: GPL-3.0-or-later */
/* regress: what the parts of case_regress() share. Pure.
 *
 *   steady.c   times in which nobody starts or stops, and the current's step from one to the next
 *   solve.c    least squares over steps, plain and non-negative, and what of it the steps leave open
 *   regress.c  columns, errors, and what is said of each node */
#ifndef LULL_CORE_REGRESS_H
#define LULL_CORE_REGRESS_H

#include "core/case.h"

#include <stdint.h>

enum { REGRESS_COLUMNS = 64 };

#define REGRESS_BUS(bus) (-2 - (int)(bus)) /* the bus being awake at all: what silent nodes draw goes with it */

/* A step of the current between two steady times: by y mA, while the columns of `up` came awake and those of `down` stopped. */
struct regress_step {
	lull_time at;
	uint64_t up, down; /* bit k: column k */
	double y;
	double variance; /* of y, by the noise of the samples */
	unsigned spell; /* steps of one awake time have the same number: their errors may go together */
};
typedef LULL_ARRAY(struct regress_step) step_list;

/* Nodes, or REGRESS_BUS(). What a node of `others` adds to a step has no column: such a step is left out. */
struct regress_columns {
	const int *at;
	size_t n;
	const int *others;
	size_t other_n;
};
void case_steps(struct lull_case *, const struct regress_columns *, lull_time from, lull_time to, step_list *);

/* Least squares of y on steps, each with its weight: normal equations. */
struct regress_sum {
	size_t n; /* columns */
	double xtx[REGRESS_COLUMNS * REGRESS_COLUMNS], xty[REGRESS_COLUMNS];
};
void regress_add(struct regress_sum *, const struct regress_step *, double weight);

struct regress_plain {
	double beta[REGRESS_COLUMNS];
	double inverse[REGRESS_COLUMNS * REGRESS_COLUMNS]; /* pseudo-inverse: variances, if weights are one over variances */
	double open[REGRESS_COLUMNS * REGRESS_COLUMNS]; /* projector on what no step tells; a column is told where its diagonal is 0 */
};
/* Of all solutions the shortest. -ENOMEM. */
LULL_MUST_CHECK int regress_plain(const struct regress_sum *, struct regress_plain *);
/* None below zero. -ENOMEM. */
LULL_MUST_CHECK int regress_non_negative(const struct regress_sum *, double *beta);

#endif
