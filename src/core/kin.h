/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin: IDs that behave as one sender does, from timing alone. Pure. */
#ifndef LULL_CORE_KIN_H
#define LULL_CORE_KIN_H

#include "core/case.h"

/* Groups `n` IDs (indices into verdict ids, all of one bus): group[i] is the smallest position of i's group. An ID is left
 * alone rather than grouped wrongly. */
void case_kin(struct lull_case *, const size_t *idents, size_t n, size_t *group);

#endif
