/* SPDX-License-Identifier: GPL-3.0-or-later */
/* coverage: many rows that may overlap -> for each bus one row after the other without a hole. Pure. */
#ifndef LULL_CORE_COVERAGE_H
#define LULL_CORE_COVERAGE_H

#include <lull/rows.h>

/* `bus`: the buses of the recording, bus_count of them. Makes *out (caller frees with free(); NULL if *out_n
 * is 0), by bus within equal instants, ordered by from.
 *
 * Where rows of a bus overlap, the strongest speaks, from weak to strong:
 *   LULL_BLIND_CAPTURE_ENDED  no more than the extent of a file: told observation goes beyond it
 *   LULL_OBSERVED
 *   LULL_BLIND_NOT_LISTENING
 *   every other blind reason, in the order of the enumeration
 * Rows for LULL_BUS_ALL count for every bus; with no bus at all they are resolved as LULL_BUS_ALL.
 * Neighbours with the same reason become one row. A blind row of no length (a clock step) stays where the
 * bus is observed around it. A bus with frames and without any observed row counts as observed from its
 * first to its last frame, where no blind row speaks. Time of 0..end that no row covers becomes
 * LULL_BLIND_CAPTURE_ENDED after a bus's last row, else LULL_BLIND_NOT_LISTENING: what nobody observed is
 * never left open. Rows with from > to are passed over.
 * 0 or -ENOMEM. */
LULL_MUST_CHECK int lull_coverage_resolve(const struct lull_coverage *rows, size_t n,
	const struct lull_bus *bus, unsigned bus_count, lull_time end, struct lull_coverage **out,
	size_t *out_n);

#endif
