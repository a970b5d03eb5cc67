/* SPDX-License-Identifier: GPL-3.0-or-later */
/* floor: the earliest arrivals of a sender, and the line below all its arrivals. Pure. */
#ifndef LULL_CORE_FLOOR_H
#define LULL_CORE_FLOOR_H

#include <lull/rows.h>
#include <stdbool.h>

/* Appends; there is room, and k comes after the last. */
void lull_floor_add(struct lull_floor *, uint32_t k, int64_t r);
/* Of each two neighbours the one lower by a line of that slope (ns a period) stays. */
void lull_floor_halve(struct lull_floor *, double slope);
/* Takes the arrivals up to k out. */
struct lull_floor lull_floor_split(struct lull_floor *, uint32_t k);
/* The nominal period grows by so many ns. */
void lull_floor_turn(struct lull_floor *, double ns);

/* The line that the earliest arrivals lie on. grid (ns, 0 none): stamps sit on one, so that an arrival may come up to as much
 * later than it was due without any delay. */
struct lull_floor_line {
	double k, r; /* a point of it, in the middle of what it rests on: ns */
	double slope; /* ns a period */
	double r_sd, slope_sd;
};
/* False if too few arrivals agree on one. */
bool lull_floor_line(const struct lull_floor *, double grid, struct lull_floor_line *);

#endif
