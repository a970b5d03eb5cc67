/* SPDX-License-Identifier: GPL-3.0-or-later */
/* simulate: invented nights with a known truth, from a scenario and a seed. Same scenario and seed: same night. */
#ifndef LULL_SOURCE_SIMULATE_H
#define LULL_SOURCE_SIMULATE_H

#include <lull/night.h>

/* Scenarios have names of the project's own; see lull_sim_scenarios(). */
struct lull_sim_scenario {
	const char *name; /* "one-node-holds" */
	const char *about; /* one line */
};
const struct lull_sim_scenario *lull_sim_scenarios(size_t *n);

/* The truth, which the analysis may not read. */
struct lull_truth_finding {
	enum lull_code code;
	/* Who holds the role, "" nobody. decidable: the evidence on the bus suffices to name it, so a verdict should;
	 * else a verdict must list it among several and name nobody. */
	char node[LULL_NODE_NAME];
	enum lull_role role;
	bool decidable;
};
struct lull_truth_node {
	char name[LULL_NODE_NAME];
	char bus[LULL_BUS_NAME];
	uint32_t *ids;
	size_t id_count;
};
struct lull_truth {
	const char *scenario;
	uint64_t seed;
	struct lull_truth_finding finding[6];
	size_t finding_count; /* the findings a right report has; nights that accuse nobody have node "" */
	struct lull_truth_node *nodes;
	size_t node_count;
	double key_off_s, first_quiet_s; /* NAN unknown */
	unsigned wakes; /* after the first sleep, by nodes */
};

/* One current sample of the clamp's log, on the clamp's own clock. */
struct lull_sim_sample {
	double clamp_s, mV;
};

/* What a night is made of. Callbacks are called in time order per kind; frame.t is UTC ns of the capture's
 * clock (steps and all), frame.bus an index into bus_name. */
struct lull_sim_sink {
	void *ctx;
	int (*frame)(void *ctx, const struct lull_frame *);
	int (*current)(void *ctx, const struct lull_sim_sample *); /* NULL: none wanted */
};

struct lull_sim_night {
	struct lull_truth truth;
	unsigned bus_count;
	char bus_name[LULL_BUS_MAX][LULL_BUS_NAME];
	int64_t start_utc_ns; /* of the first observation */
	int64_t end_utc_ns; /* the capture really listened to here, though nothing may have been heard */
	LULL_ARRAY(struct lull_mark) marks; /* t: ns of true time since start_utc_ns */
	LULL_ARRAY(struct lull_coverage) coverage; /* told coverage, same time base, as a recorder would write it */
	char *profile; /* INI text of this invented car: limits, buses, nodes; owned */
};

struct lull_sim_options {
	const char *scenario;
	uint64_t seed;
	bool with_profile_nodes; /* the profile names the nodes; else limits and buses only */
	double hours; /* 0: the scenario's own length */
};

/* Runs the whole night into the sink. 0, -EINVAL (no such scenario), -ENOMEM, or what a callback returned.
 * Clear *night afterwards in every case. */
LULL_MUST_CHECK int lull_sim_run(const struct lull_sim_options *, const struct lull_sim_sink *, struct lull_sim_night *night);
void lull_sim_clear(struct lull_sim_night *);

#endif
