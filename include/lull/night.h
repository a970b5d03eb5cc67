/* SPDX-License-Identifier: GPL-3.0-or-later */
/* night: a whole recording in memory, as the analysis wants it: rows by kind, sorted by time. Pure. */
#ifndef LULL_NIGHT_H
#define LULL_NIGHT_H

#include <lull/rows.h>

#define LULL_ARRAY(type) \
	struct { \
		type *at; \
		size_t n, room; \
	}

struct lull_night {
	unsigned bus_count;
	struct lull_bus bus[LULL_BUS_MAX];
	LULL_ARRAY(struct lull_stretch) stretches; /* by first, then bus, ID */
	LULL_ARRAY(struct lull_cadence) cadences; /* by window */
	LULL_ARRAY(struct lull_gap) gaps; /* by last */
	LULL_ARRAY(struct lull_change) changes; /* by t */
	LULL_ARRAY(struct lull_edge) edges; /* by frame.t */
	LULL_ARRAY(struct lull_coverage) coverage; /* by from; rows of one bus do not overlap after night_sort() */
	LULL_ARRAY(struct lull_mark) marks; /* by t */
	LULL_ARRAY(struct lull_clock_map) clocks; /* by t */
	LULL_ARRAY(char *) left_out; /* owned sentences */
	lull_time end; /* latest instant of any row */
	char *profile; /* text of the profile kept with the recording; owned; NULL if none */
};

void lull_night_init(struct lull_night *);
void lull_night_clear(struct lull_night *);
/* A sink that appends to the night. */
struct lull_sink lull_night_sink(struct lull_night *);
/* Sorts all rows, resolves overlapping coverage (a told blind reason beats observed; told rows beat
 * the capture's own extent), sets end. Call once after the last row. -ENOMEM. */
LULL_MUST_CHECK int lull_night_sort(struct lull_night *);
/* UTC in ns of a recording time by the nearest clock map, or INT64_MIN if no clock is known. */
int64_t lull_night_utc(const struct lull_night *, lull_time);

#endif
