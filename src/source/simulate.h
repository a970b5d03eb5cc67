/* SPDX-License-Identifier: GPL-3.0-or-later */
/* simulate: invented nights with a known truth, from a scenario and a seed. Same scenario and seed: same night. */
#ifndef LULL_SOURCE_SIMULATE_H
#define LULL_SOURCE_SIMULATE_H

#include <lull/night.h>

/* Scenarios have names of the project's own; see lull_sim_scenarios(). */
struct lull_sim_scenario {
	const char *name; /* "one-node-holds" */
	const char *about; /* one line */
	bool current; /* made for the clamp: without its log there is only draw-not-measured or blind to say */
};
const struct lull_sim_scenario *lull_sim_scenarios(size_t *n);

/* The truth, which the analysis may not read. */
struct lull_truth_finding {
	enum lull_code code;
	/* Who holds the role, "" nobody. decidable: the evidence on the bus suffices to name it, so a verdict should;
	 * else a verdict must list it among several and name nobody. */
	char node[LULL_NODE_NAME];
	enum lull_role role;
	/* Findings about the draw name nobody; decidable: the clamp's zero allows to say it, else draw-not-measured is as right. */
	bool decidable;
	double cost_mAh_per_day; /* of what the finding is about; NAN: not worked out */
};
struct lull_truth_node {
	char name[LULL_NODE_NAME];
	char bus[LULL_BUS_NAME];
	uint32_t *ids;
	bool *own_pace; /* of each: it goes out by the node's own timer, neither at events, nor as an answer, nor forwarded */
	size_t id_count;
	double awake_mA; /* while it sends, over what it draws asleep; the mean of its runs */
	bool keyed; /* off without the key */
	double silent_mA; /* awake after its last frame, as long as the bus is awake */
};
/* Of the clamp's log. Recording time of a sample is start_s + tau (1 + drift_ppm 1e-6), tau from the first sample. */
struct lull_truth_clamp {
	bool present;
	double start_s, drift_ppm;
	double step_s;
	double from_s, to_s; /* recording time of the first and the last sample that is a measurement */
	double quiet_mA; /* everything asleep, retained power and relays dropped */
	double zero_mA, zero_drift_mA; /* reading off the cable in the middle of the log, and its change from start to end */
	bool reversed; /* hangs the other way round */
	bool scale_wrong; /* ten times too large or too small was told */
	double gain; /* what it reads of what is */
	bool alias; /* nothing tells one wake from the next: whoever pairs it guesses */
	double lost_at_s; /* NAN: lives to the end */
	enum lull_dead_why lost_why;
	/* Steps that the current makes with the bus while it is heard, well above the noise. A fall trails the bus by up to some
	 * seconds, a node's rise leads it by a second at the most: rises tell the clock best. Recording time of first and last. */
	unsigned steps, rises;
	double first_rise_s, last_rise_s;
	double first_step_s, last_step_s;
	unsigned loads; /* known loads switched while it lived */
};
/* What was pulled, whatever the mark says. */
struct lull_truth_pull {
	double at_s;
	char node[LULL_NODE_NAME]; /* "" several, or none: a circuit, a splice */
	bool ends_it; /* it, or a node behind it, is what kept the bus awake, alone */
};
#define LULL_TRUTH_CHARGE (LULL_SEC / 5)
struct lull_truth {
	const char *scenario;
	uint64_t seed;
	struct lull_truth_finding finding[6];
	size_t finding_count; /* the findings a right report has; nights that accuse nobody have node "" */
	struct lull_truth_node *nodes;
	size_t node_count;
	struct lull_truth_pull *pulls; /* by at_s */
	size_t pull_count;
	bool may[LULL_CODE_COUNT]; /* codes that are not wrong beside those */
	double key_off_s, first_quiet_s; /* NAN unknown */
	double limit_mA;
	struct lull_truth_clamp clamp;
	unsigned wakes; /* after the first sleep, by nodes */
	/* What the nodes have drawn above all of them asleep, from the start to (i + 1) LULL_TRUTH_CHARGE of true time. */
	double *charge_mAs;
	size_t charge_count;
	char pair[2][LULL_NODE_NAME]; /* two that are only ever awake together; "" none */
};

/* One current sample of the clamp's log, on the clamp's own clock: seconds as written (lull_clamp.first_s + tau), in a
 * dated log since its first sample. mV as the meter shows it, to its last digit. */
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
	struct lull_clamp clamp; /* what its user tells the import; present: false if no current was wanted. samples is 0 */
	double resolution_mV; /* the meter's last digit */
	char *profile; /* INI text of this invented car: limits, buses, nodes; owned */
};

/* A second night of the same car with the same rig, some days later: its cause was taken away, or was not, or another node does the
 * same. Where a scenario has no cause of that kind, LULL_SIM_REPAIRED and LULL_SIM_ANOTHER give -EINVAL. */
enum lull_sim_after { LULL_SIM_FIRST, LULL_SIM_AS_BEFORE, LULL_SIM_REPAIRED, LULL_SIM_ANOTHER };
/* Does the scenario know all of them? */
bool lull_sim_has_after(const char *scenario);

struct lull_sim_options {
	const char *scenario;
	uint64_t seed;
	bool with_profile_nodes; /* the profile names the nodes; else limits and buses only */
	double hours; /* 0: the scenario's own length */
	enum lull_sim_after after;
};

/* Runs the whole night into the sink. 0, -EINVAL (no such scenario), -ENOMEM, or what a callback returned.
 * Clear *night afterwards in every case. */
LULL_MUST_CHECK int lull_sim_run(const struct lull_sim_options *, const struct lull_sim_sink *, struct lull_sim_night *night);
void lull_sim_clear(struct lull_sim_night *);

#endif
