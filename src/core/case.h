/* SPDX-License-Identifier: GPL-3.0-or-later */
/* case: the working state of one judgement, shared by the steps that lull_judge() runs in order. Pure.
 *
 * watch -> idents -> nm -> nodes -> spells -> turning (key-off, settling, morning) -> pulls -> keeper, waker -> findings.
 * Memory that runs out is remembered in `oom`; the steps go on and lull_judge() says -ENOMEM at the end. */
#ifndef LULL_CORE_CASE_H
#define LULL_CORE_CASE_H

#include <lull/verdict.h>

struct span {
	lull_time from, to;
};

typedef LULL_ARRAY(struct span) span_list;

/* What network management showed on one bus. */
struct nm_member {
	uint32_t id;
	int address;
	size_t ident; /* index into verdict ids */
};
struct nm_family {
	uint8_t bus;
	struct lull_nm_layout layout;
	double confidence; /* 1 when told by a profile */
	size_t ends, ends_agree; /* inferred: ends of the bus that were seen; of these so long after the last NM frame: */
	lull_time delay;
	LULL_ARRAY(struct nm_member) members;
};

struct lull_case {
	const struct lull_night *night;
	const struct lull_question *ask;
	const struct lull_profile *profile; /* may be NULL */
	struct lull_verdict *v;
	bool oom;

	/* Stretches sorted by bus, ID, first; those of v->ids.at[i] are run[run_at[i]] .. +run_count[i]. */
	const struct lull_stretch **run;
	size_t *run_at, *run_count;

	span_list observed[LULL_BUS_MAX]; /* told or shown coverage */
	span_list unproven[LULL_BUS_MAX]; /* observed, but no frame since the adapter was (re)configured, or ever */
	LULL_ARRAY(struct nm_family) families;
	LULL_ARRAY(lull_time) touches; /* marks of people at the car, by time */
	lull_time longest_from, longest_to; /* the longest quiet of all buses; LULL_NEVER if none */
	lull_time first_pull; /* earliest instant of the first pull test after key-off, by its mark; LULL_NEVER */

	/* The current in recording time, zero taken off, living samples only. */
	lull_time *draw_at;
	float *draw_mA;
	size_t draw_n;
	lull_time draw_step; /* usual distance of samples */
	double draw_noise; /* standard deviation of one sample within a level */
};

/* --- helpers --- */
void *case_room(struct lull_case *, void *at, size_t n, size_t *room, size_t size);
/* Lengths of time added up, any number of them: what is too long for the type stays the longest there is. */
static inline lull_time case_longer(lull_time sum, lull_time more)
{
	return __builtin_add_overflow(sum, more, &sum) ? INT64_MAX : sum;
}
/* Appends to a LULL_ARRAY; drops the item and sets oom when memory is out. */
#define CASE_PUSH(c, a, item) \
	do { \
		void *grown_ = case_room((c), (a).at, (a).n, &(a).room, sizeof *(a).at); \
		if (grown_) { \
			(a).at = grown_; \
			(a).at[(a).n++] = (item); \
		} \
	} while (0)
/* Formatted owned string; NULL (and oom) when memory is out. */
char *case_say(struct lull_case *, const char *format, ...) LULL_PRINTF(2, 3);
/* A sentence of what was not used or not examined, for the reader; owned, may be NULL. */
void case_left_out(struct lull_case *, char *owned);
/* "1 h 02 min", "12 min 30 s", "4.2 s", "80 ms". */
const char *span_text(lull_time, char buf[static 32]);

/* watch */
void case_watch(struct lull_case *);
lull_time case_observed_in(const span_list *, lull_time from, lull_time to); /* total length */
/* The receiver was set up anew within that time: link down, adapter gone, restart. What is heard after it proves nothing of before. */
bool case_set_up_anew_between(const struct lull_case *, unsigned bus, lull_time from, lull_time to);
bool case_is_observed(const span_list *, lull_time from, lull_time to); /* the whole of it */

/* idents */
void case_idents(struct lull_case *);
int case_ident(const struct lull_case *, unsigned bus, uint32_t id); /* -1 */
/* Last and first instant at which the ID was heard in [from, to]; LULL_NEVER. Within a stretch any instant counts
 * as heard; event rows likewise. */
lull_time case_last_in(const struct lull_case *, size_t ident, lull_time from, lull_time to);
lull_time case_first_in(const struct lull_case *, size_t ident, lull_time from, lull_time to);

/* Position among the ID's runs of the first that ends at or after t; run_count if none. */
size_t case_run_from(const struct lull_case *, size_t ident, lull_time t);
/* Position of the first change row at or after t. */
size_t case_change_from(const struct lull_case *, lull_time t);

/* nm */
void case_nm(struct lull_case *);
struct nm_family *case_family(struct lull_case *, unsigned bus);
/* False: two ends of the bus and more were seen, and they follow the family's last frames by no constant time. */
bool case_nm_ends(struct lull_case *, struct nm_family *);

/* claims: SAE J1939 address claims into v->claims */
void case_claims(struct lull_case *);
/* The address under which one ECU's IDs are gathered: the address itself, or that of its other name. *why: what proves it. */
int case_home_address(const struct lull_case *, unsigned bus, int address, const char **why);

/* nodes */
void case_nodes(struct lull_case *);
int case_node_of(const struct lull_case *, unsigned bus, uint32_t id);
/* What a group of IDs is called that has no other name: by its lowest ID. */
void case_name_group(char name[static LULL_NODE_NAME], uint32_t id, size_t kin);
bool case_node_is_gateway(const struct lull_case *, int node); /* told by the profile or a coordinator bit */

/* When the node sends in a rhythm, any of its cyclic IDs: merged and sorted. Caller frees .at. */
span_list case_node_spans(struct lull_case *, int node);

/* spells */
void case_spells(struct lull_case *);
/* The spells of a bus are v->spells.at[*first .. *first + count). */
size_t case_bus_spells(const struct lull_case *, unsigned bus, size_t *first);

/* turning */
void case_turning(struct lull_case *);

/* After key-off, power that is kept and relays drop down to the quiet level for about so long: common practice. */
#define CASE_RETAINED (45 * LULL_MIN)

/* draw: the clamp's log, lined up and levelled */
void case_draw(struct lull_case *);
/* Mean over [from, to) of living samples; NAN if they cover less than half of it. *error: standard error. */
double case_mean_mA(const struct lull_case *, lull_time from, lull_time to, double *error);
/* Of a log that is not lined up, by its own clock as far as that is placed: the time in which the car was left alone, from some time after
 * somebody parked it until before somebody may be there again. Recorder and logger are mostly started in one visit. False: there is none. */
bool case_left_alone(const struct lull_case *, lull_time *from, lull_time *to);
/* Is the quiet level, its band included, below the limit (trade rule 1), and under the scale that is asked about as well? */
bool case_draw_within(const struct lull_case *);
/* charge: what spells draw */
void case_charge(struct lull_case *);
/* regress: what nodes draw */
void case_regress(struct lull_case *);
/* costs: what findings cost */
void case_costs(struct lull_case *); /* into the findings that are there */
void case_draw_findings(struct lull_case *);
void case_forecast(struct lull_case *); /* battery and complaint */

/* findings */
struct lull_finding *case_finding(struct lull_case *, enum lull_code, unsigned bus, double confidence);
void case_drop_finding(struct lull_finding *); /* frees what it owns */
void case_suspect(struct lull_case *, struct lull_finding *, int node, enum lull_role, double confidence);
/* What a suspect rests on: a clue and its doubts (weights.h), the ID in which the clue was seen (index into verdict ids, -1: not in one), and
 * at how many nodes it points. */
struct ground {
	enum lull_clue clue;
	unsigned doubts;
	int ident;
	size_t several;
};
/* One at which a clue points: by the weights, shared; and no surer than it is that the node sends what the clue was seen in. What is known
 * of the node may add doubts. */
void case_accuse(struct lull_case *, struct lull_finding *, int node, enum lull_role, struct ground);
/* The suspect rests on this now. */
void case_rest_on(const struct lull_case *, struct lull_suspect *, struct ground);
void case_text(struct lull_finding *, char *owned);
void case_evidence(struct lull_case *, struct lull_finding *, char *owned);
void case_next(struct lull_case *, struct lull_finding *, char *owned);
/* Sorts suspects, decides who is named (engineering rule 13). */
void case_settle_finding(struct lull_finding *);
/* Next steps of trade rule 8 for what the finding has, in its order. */
void case_next_steps(struct lull_case *, struct lull_finding *);

/* keeper: who kept the bus awake from `from` until `to` (its last frame, or the end of judgement when held). */
void case_keeper(struct lull_case *, struct lull_finding *, unsigned bus, lull_time from, lull_time to, bool held);
/* keeper_nm: what network management says of it; false: nothing, or it is not what keeps the bus awake. */
bool case_keeper_nm(struct lull_case *, struct lull_finding *, const struct nm_family *, lull_time from, lull_time to, bool held);
/* pulls: unplug tests into v->pulls; nodes that have no name of their own take the one of the test that ended them. */
void case_pulls(struct lull_case *);
void case_learned_names(struct lull_case *);
/* What the tests say of the keepers of this finding (held-awake, late-to-sleep). */
void case_weigh_pulls(struct lull_case *, struct lull_finding *);
/* waker: findings for the wakes of all buses; returns how many findings were made. */
size_t case_wakes(struct lull_case *);
/* wakes: groups of wakes that look alike, after the wakers are known. */
void case_wake_groups(struct lull_case *);
/* Hands on the car, our own link, or people coming back: a wake whose cause is known. */
bool case_wake_known(const struct lull_case *, const struct lull_spell *);
void case_findings(struct lull_case *);

#endif
