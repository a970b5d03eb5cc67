/* SPDX-License-Identifier: GPL-3.0-or-later */
/* truth: what an invented night was made of, as JSON. The analysis may not read it. */
#ifndef LULL_CMD_TRUTH_H
#define LULL_CMD_TRUTH_H

#include <source/simulate.h>
#include <stdio.h>

void lull_truth_write(FILE *, const struct lull_sim_night *);

#endif
