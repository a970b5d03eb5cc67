/* SPDX-License-Identifier: GPL-3.0-or-later */
/* night: a whole recording in memory, as the analysis wants it: rows by kind, sorted by time. Pure. */
#ifndef LULL_NIGHT_H
#define LULL_NIGHT_H

#include <lull/current.h>
#include <lull/rows.h>

#define LULL_ARRAY(type) \
	struct { \
		type *at; \
		size_t n, room; \
	}

#define LULL_UUID 37 /* bytes of a UUID as text, with the terminator */
#define LULL_VEHICLE 128 /* bytes of a vehicle's name or model, with the terminator */

/* Which night this is: "" for what is not known. */
struct lull_night_identity {
	char uuid[LULL_UUID]; /* of the recording: made live: random; imported: from the inputs */
	char recorder[LULL_UUID]; /* of the recorder; "": imported */
	char vehicle[LULL_VEHICLE]; /* a name that the workshop chose; never plate or VIN */
	char model[LULL_VEHICLE];
};

struct lull_night {
	struct lull_night_identity identity;
	unsigned bus_count;
	struct lull_bus bus[LULL_BUS_MAX];
	LULL_ARRAY(struct lull_stretch) stretches; /* by first, then bus, ID */
	LULL_ARRAY(struct lull_cadence) cadences; /* by window */
	LULL_ARRAY(struct lull_gap) gaps; /* by last */
	LULL_ARRAY(struct lull_change) changes; /* by t */
	LULL_ARRAY(struct lull_edge) edges; /* by frame.t */
	LULL_ARRAY(struct lull_coverage)
	coverage; /* by from; after lull_night_sort() each bus's rows cover 0..end, no overlap */
	LULL_ARRAY(struct lull_mark) marks; /* by t */
	LULL_ARRAY(struct lull_clock_map) clocks; /* by t */
	struct lull_clamp clamp; /* present: false without a log */
	LULL_ARRAY(struct lull_chunk) chunks; /* by tau_ns; uA owned */
	/* Channels above 0, which nothing judges yet. */
	LULL_ARRAY(struct lull_clamp) further; /* one a channel */
	LULL_ARRAY(struct lull_chunk) further_chunks; /* by channel, tau_ns; uA owned */
	LULL_ARRAY(struct lull_repair) repairs; /* in the order in which they were told */
	LULL_ARRAY(char *) left_out; /* owned sentences */
	lull_time end; /* latest instant of any row */
	char *profile; /* text of the profile kept with the recording; owned; NULL if none */
};

void lull_night_init(struct lull_night *);
void lull_night_clear(struct lull_night *);
/* A sink that appends to the night. */
struct lull_sink lull_night_sink(struct lull_night *);
/* Sorts all rows, sets end, and resolves coverage: a blind reason beats observed, observed beats `capture
 * ended` (so told observation extends a capture's own extent), rows for LULL_BUS_ALL count for every bus, a
 * bus without any observed row counts as observed from its first to its last frame, and time that no row
 * covers becomes blind: `capture ended` after a bus's last row, else `not listening`. A blind row of no
 * length stays as a spot between two observed ones. The coverage then has a row per bus, LULL_BUS_ALL only
 * if there is no bus. Call once, after the last row. -ENOMEM. */
LULL_MUST_CHECK int lull_night_sort(struct lull_night *);
/* UTC in ns of a recording time, or INT64_MIN if no clock is known: by the clock map in force (the last at
 * or before t, else the first), unless another one's error is smaller even after 100 ppm of drift up to t. */
int64_t lull_night_utc(const struct lull_night *, lull_time);

#endif
