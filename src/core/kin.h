/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin: IDs that behave as one sender does, from timing alone. Pure. */
#ifndef LULL_CORE_KIN_H
#define LULL_CORE_KIN_H

#include "core/case.h"

/* Groups `n` IDs (indices into verdict ids, all of one bus): group[i] is the smallest position of i's group. An ID is left
 * alone rather than grouped wrongly. settled[i] is the node an ID is known to belong to, or -1: IDs of two nodes never
 * meet in one group. sure[i] (may be NULL) becomes the probability that the ID belongs with the rest of its group, 1
 * for one left alone. */
void case_kin(struct lull_case *, const size_t *idents, size_t n, const int *settled, size_t *group, double *sure);

#endif
