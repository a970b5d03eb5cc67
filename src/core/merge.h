/* SPDX-License-Identifier: GPL-3.0-or-later */
/* merge: fewer levels out of many: edges within the noise, staircases that are ramps, steps too small to tell. Pure. */
#ifndef LULL_CORE_MERGE_H
#define LULL_CORE_MERGE_H

#include <core/levels.h>

/* Pieces of blocks y. Removes the weakest edge again and again, until each remaining step squared exceeds `penalty` times
 * the variance that the noise gives two means of the lengths beside it. */
LULL_MUST_CHECK int lull_merge_by_noise(struct lull_pieces *, const double *y, const float *ratio,
	const struct lull_noise *, double penalty, double cap);
/* Joins runs of pieces into one sloping piece wherever that costs less, and gives a single piece its slope where proven. */
LULL_MUST_CHECK int lull_merge_ramps(struct lull_pieces *, const double *y, const float *ratio,
	const struct lull_log *, const struct lull_noise *, double penalty);
/* Pieces of samples: joins what differs by less than `least`, the smallest step first. */
LULL_MUST_CHECK int lull_merge_small_steps(struct lull_pieces *, const struct lull_log *, double least);

#endif
