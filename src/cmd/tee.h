/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tee: passes rows on to a sink and remembers what an import needs to know of them. */
#ifndef LULL_CMD_TEE_H
#define LULL_CMD_TEE_H

#include <lull/rows.h>
#include <stddef.h>

struct lull_tee {
	struct lull_sink to;
	struct lull_clock_map *clocks; /* all that passed, in order; owned */
	size_t clock_count, clock_room;
	size_t left_out; /* sentences that passed */
	uint64_t frames; /* of all buses, by their last rows */
	uint64_t bus_frames[LULL_BUS_MAX];
	uint64_t overflow; /* frames that were counted only, by any bus's last row */
};

/* The tee must outlive the sink. */
struct lull_sink lull_tee_sink(struct lull_tee *, const struct lull_sink *to);
void lull_tee_clear(struct lull_tee *);
/* Recording time of a UTC instant by the clock maps that passed: the map whose own time of reign holds it, else
 * the one that comes nearest. LULL_NEVER without maps. */
lull_time lull_tee_from_utc(const struct lull_tee *, int64_t utc_ns);

#endif
