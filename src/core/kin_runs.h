/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin_runs: the runs of an ID: when its timer started, when its sender ended it, and what other IDs did then. Pure. */
#ifndef LULL_CORE_KIN_RUNS_H
#define LULL_CORE_KIN_RUNS_H

#include "core/kin_trace.h"

#define KIN_REST_SD 15e3 /* ns: what is left of any phase */
#define KIN_LOAD_SHARE 0.3 /* bus load delays some IDs: from boot to boot by this share of their scatter */
#define KIN_MOST_SCATTER 0.08 /* of the period; beyond it an ID is not on a timer */
#define KIN_MOST_RATE 0.006 /* off the nominal period; likewise */

/* Does the ID follow a timer? A ring's messages, and answers, come in step only roughly. period: ns. */
bool kin_in_step(const struct lull_fit *, int64_t period);
/* Adds run k of the ID. spell: when the silence before it ended; heard_from: what ran by then was not seen to start; grid (ns, 0 none):
 * of the stamps; first_window: its first cadence row, or NULL. */
void kin_run_add(const struct lull_case *, struct kin_trace *, size_t k, lull_time spell, lull_time heard_from, double grid,
	const struct lull_cadence *first_window);
/* Numbers ends that came as late in their spells: they are one habit of the node, seen again and again. */
void kin_runs_alike(struct kin_trace *);
/* What the others did at the ends of trace `of`. */
void kin_runs_common(struct kin_traces *, size_t of);
/* What b did when the run x of a ended; *y is b's run to look at first, 0 for the first x, and goes on with x. */
enum kin_beside kin_beside(const struct kin_trace *a, const struct kin_run *x, const struct kin_trace *b, size_t *y);

#endif
