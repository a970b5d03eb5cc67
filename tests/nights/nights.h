/* SPDX-License-Identifier: GPL-3.0-or-later */
/* nights: what the files of this folder share. */
#ifndef LULL_TESTS_NIGHTS_H
#define LULL_TESTS_NIGHTS_H

#include "source/profile.h"
#include "source/simulate.h"

#include <lull/verdict.h>

#define MOST_SCENARIOS 96
#define DECILES 10

/* --- feed.c: a night into memory, as an import would --- */

struct sized {
	unsigned long long frames, samples;
	unsigned long long whole_ms, whole_us; /* stamps that are whole */
};
/* with_clamp: the log of the clamp too. Clear both afterwards in every case. */
LULL_MUST_CHECK int nights_make(const struct lull_sim_options *, bool with_clamp, struct lull_sim_night *, struct lull_night *,
	struct sized *);

/* --- chunks.c: samples on their grid --- */

struct chunker {
	struct lull_sim_sample *at;
	size_t n, room;
};
LULL_MUST_CHECK int chunker_take(struct chunker *, const struct lull_sim_sample *);
/* By the rule of lull/current.h; mV by the told scale. Sample times count from the first. */
LULL_MUST_CHECK int chunker_give(const struct chunker *, double mV_per_A, const struct lull_sink *);
void chunker_clear(struct chunker *);

/* --- truth.c: who is who --- */

const struct lull_truth_node *true_node(const struct lull_truth *, const char *name);
bool node_sends(const struct lull_truth_node *, uint32_t id);
/* Most of what the suspect sends is sent by the node. */
bool is_node(const struct lull_suspect *, const struct lull_truth_node *);
bool is_guilty(const struct lull_suspect *, const struct lull_truth *, enum lull_code);
int sender_of(const struct lull_truth *, const char *bus, uint32_t id); /* index, or -1 */
/* The findings have the truth's codes; see struct lull_truth_finding for those that leave a choice. */
bool codes_agree(const struct lull_truth *, const struct lull_verdict *);
void describe(const struct lull_truth *, const struct lull_verdict *, const char *what, bool named);

/* --- bus.c: nights without a clamp --- */

struct bus_score {
	unsigned nights, right, suspect, wrong, undecided, decidable, listed, listable, broken;
	unsigned long long frames;
};
/* What an adapter's stamps look like, from the stamps alone. */
enum stamps { STAMP_HARDWARE, STAMP_SOFTWARE, STAMP_BATCH, STAMP_MS, STAMPS };
enum heard { HEARD_LONG, HEARD_5_MIN, HEARD_30_S, HEARD_NO_TIMER, HEARD_EVENTS, HEARDS }; /* of two IDs the worse one */
struct kin_table {
	unsigned long long of_same[HEARDS], of_joined[HEARDS], of_right[HEARDS];
	unsigned sure_n[DECILES], sure_hit[DECILES]; /* IDs that timing put to others: most of these are of its sender */
	double sure_sum[DECILES];
	unsigned long long joined, right, same; /* pairs of IDs grouped by timing; rightly; that one node sends */
	/* adjusted Rand index of buses awake for 30 minutes and more: of all IDs grouped by timing, and of those that sent for
	 * 10 minutes and more */
	unsigned index_n[STAMPS][2];
	double index_sum[STAMPS][2];
};
/* Of suspects with a standing, and of unplug tests. */
struct standing_score {
	unsigned n, hit;
	double sum; /* of the stated probabilities */
};
struct bus_table {
	struct bus_score of[MOST_SCENARIOS];
	struct standing_score standing[3]; /* by enum lull_standing */
	unsigned learned, learned_right, to_learn; /* IDs that lull learn gives a name; of the right node; that running nodes had */
	unsigned tests, tests_told, tests_wrong; /* that ended it in truth; of these told so; told so though they did not */
	unsigned bin_n[DECILES];
	double bin_hit[DECILES], bin_sum[DECILES];
	struct kin_table kin;
};
void bus_night(const char *scenario, size_t index, uint64_t seed, struct bus_table *);
/* Prints; true if nothing failed. */
bool bus_report(const struct bus_table *, unsigned long jobs, bool died);

/* --- evidence.c: what each suspect rests on, for scripts/fit-weights.sh --- */

/* How much of the role suspect k has in truth: 0 if it does not hold it; else 1, or where several suspects of the finding
 * hold it (two keepers; one node that is listed as two senders) its part by the stated confidence, since confidence over one
 * role sums to 1 at most. */
double share_of_role(const struct lull_truth *, const struct lull_finding *, size_t k);
/* Opens the CSV file; rows of all jobs go there. */
LULL_MUST_CHECK int evidence_open(const char *path);
void evidence_write(const struct lull_truth *, const struct lull_verdict *, bool named);

/* --- kin.c: IDs grouped by timing --- */

void kin_score(const struct lull_sim_night *, const struct lull_night *, const struct lull_verdict *, const struct sized *, struct kin_table *);
/* How many aims are missed. */
unsigned kin_report(const struct bus_table *, unsigned long jobs);

/* --- clamp.c: nights with a clamp; clamp_report.c: their tables --- */

struct share {
	unsigned n, hit;
};
/* Why a log is not paired with its own night. */
enum refusal { REFUSED_FEW, REFUSED_CHANCE, REFUSED_ALIAS, REFUSALS };
#define MOST_RISES 3
struct clamp_score {
	unsigned nights, right, all_clear_wrong, broken;
	struct share aligned; /* of nights with three steps, a rise among them */
	struct share rises; /* of nights with three rises */
	struct share falls, falls_exact; /* of nights with three steps that are all falls: within what is stated; as exactly as the others */
	struct share counted; /* of all nights with three steps: exact, or all falls and within what is stated */
	struct share stated; /* of those paired: within what is stated */
	struct share steps; /* of all nights with three steps, as exactly as those with a rise */
	unsigned refused[REFUSALS][MOST_RISES + 1]; /* nights with three steps, by reason and by number of rises */
	/* how sure, and how often rightly: all nights whose clock can be told, and all strangers' logs */
	unsigned bin_n[DECILES], bin_hit[DECILES];
	double bin_sum[DECILES];
	unsigned paired, paired_wrong, aliased; /* of the former: paired at all; any night paired wrongly, or by a guess, at 0.5 or more */
	struct share shuffled; /* hit: paired at 0.5 or more though bus and log are of two nights */
	struct share quiet_zeroed, quiet_band; /* zero before and after: within 3 mA; else: within its own band */
	unsigned quiet_missing;
	double early_s; /* sum over pairings within some seconds: how much earlier than truly they put the log */
	unsigned early;
	struct share node; /* a node's draw within its band; */
	struct share stop; /* what the current falls by when it stops; */
	struct share together; /* what nodes that cannot be separated draw together; */
	struct share pair; /* two that never were apart are named so, and neither gets a figure */
	double half_mA; /* sum over the bands of stop */
	struct share asked; /* of nights whose scale was told wrongly: asked, or put right by a load */
	unsigned asked_in_vain;
	struct share charge; /* a spell's within its band */
	double charge_share; /* sum over these of half width by charge */
	struct share sign, lost, cost;
	unsigned long long samples;
};
struct clamp_table {
	struct clamp_score of[MOST_SCENARIOS];
};
/* One log is kept, for the next night's bus. */
struct kept_log {
	bool any, loaded;
	int64_t night_start_utc_ns;
	struct lull_clamp clamp;
	struct lull_chunk *chunks;
	size_t n;
};
void kept_log_clear(struct kept_log *);
void clamp_night(const char *scenario, uint64_t seed, struct clamp_score *, struct kept_log *);
bool clamp_report(const struct clamp_table *, unsigned long jobs, bool died);

/* --- pairs.c: two nights of one car, before and after; with a good night taken away --- */

enum pair_kind { PAIR_REPAIRED, PAIR_AS_BEFORE, PAIR_ANOTHER, PAIR_KINDS };
struct pair_score {
	unsigned n[PAIR_KINDS], outcome[PAIR_KINDS][5], broken; /* by enum lull_outcome */
	struct share kept; /* causes that a good night of the same car does not take away */
	struct share taken; /* habits of the car that it does */
	struct share innocent; /* repaired nights that accuse nobody beside the night before */
};
struct pair_table {
	struct pair_score of[MOST_SCENARIOS];
};
void pair_nights(const char *scenario, uint64_t seed, bool clamp, struct pair_score *);
bool pair_report(const struct pair_table *, unsigned long jobs, bool died);

/* --- nights.c --- */

extern bool verbose;
double wilson(double hit, unsigned n, double z); /* end of the interval of a share: z -1.96, 1.96 for 95 % */

/* True where so few right ones would come up less than once in 200 runs if that share held: a run of few seeds is no proof
 * either way. */
bool too_few_right(unsigned right, unsigned nights, double share);

#endif
