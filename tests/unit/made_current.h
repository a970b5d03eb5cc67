/* SPDX-License-Identifier: GPL-3.0-or-later */
/* made_current: invented nights of bus edges and of the clamp's log beside them, with their truth. */
#ifndef TESTS_MADE_CURRENT_H
#define TESTS_MADE_CURRENT_H

#include <lull/current.h>

enum made_rhythm {
	MADE_ANY, /* wakes at random, in bunches, or by a sloppy timer */
	MADE_STRICT, /* wakes by a quartz, all alike; the log begins when the bus has gone to sleep */
	MADE_STRICT_WITH_KEY /* the same with the key-off in both recordings */
};

struct made_current_rule {
	unsigned seed;
	enum made_rhythm rhythm;
	double hours; /* longest */
	size_t samples; /* most */
	bool load_start, load_end; /* the known load of trade rule 19, with its marks */
	double read_scale; /* what the clamp reads of what is; 0: 1 */
};

struct made_current {
	struct lull_lineup_input in;
	struct lull_series series;
	struct lull_bus_edge *edges;
	struct lull_current_step *steps;
	struct lull_known_load loads[2];
	double start_s, drift_ppm; /* truth */
	double period_s; /* of strict wakes */
	unsigned pairs; /* steps in the log that have an edge of the bus */
	double sample_s, noise_mA;
};
void made_current_make(struct made_current *, const struct made_current_rule *);
void made_current_clear(struct made_current *);

#endif
