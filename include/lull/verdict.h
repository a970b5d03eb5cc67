/* SPDX-License-Identifier: GPL-3.0-or-later */
/* verdict: a night in, findings out. Pure. The structure is the report's JSON (format 1) as data. */
#ifndef LULL_VERDICT_H
#define LULL_VERDICT_H

#include <lull/battery.h>
#include <lull/night.h>
#include <lull/profile.h>

struct lull_question {
	const struct lull_profile *profile; /* NULL none */
	double limit_draw_mA, limit_sleep_s; /* from the user; NAN: profile's, else rule of thumb 50 mA, 1200 s */
	lull_time key_off; /* told; LULL_NEVER: from marks, else from traffic */
	double flat_after_h; /* the complaint: flat after so many hours; NAN not told */
	double stops_a_day; /* for costs per key-off; 3 by default */
	/* battery; NAN or UNKNOWN where not told, then the profile's, else nothing is forecast */
	double capacity_Ah, reserve_min;
	enum lull_battery_kind battery;
	double charge; /* 0..1 at the start of the night; 0.8 by default */
	double rest_V, rest_celsius; /* a rest voltage instead of a charge */
};
struct lull_question lull_question_default(void);

/* What a suspect's confidence rests on: one clue, and what makes it weaker (core/weights.h). */
enum lull_clue {
	LULL_CLUE_NONE,
	/* keeper */
	LULL_CLUE_REQUESTS, /* a tester goes on asking */
	LULL_CLUE_NM_ALONE, /* alone, or last by far, asks for the network */
	LULL_CLUE_RING_ALONE, /* alone, or last by far, is not ready for sleep */
	LULL_CLUE_LEFT_ALONE, /* sends alone after all others stopped one by one */
	LULL_CLUE_ONLY_SENDER, /* nobody else was heard after the key */
	/* keeper, one of several: the weight is the whole list's, shared equally */
	LULL_CLUE_NM_SEVERAL,
	LULL_CLUE_NM_HIDDEN, /* may ask unheard, since two others take turns (bus-load reduction) */
	LULL_CLUE_RING_SEVERAL,
	LULL_CLUE_LEFT_SEVERAL, /* go on, or stop within a follow-on */
	LULL_CLUE_PULL_SEVERAL, /* tests ended it with each of them */
	/* keeper, by an unplug test */
	LULL_CLUE_PULL_LIKELY,
	LULL_CLUE_PULL_CONFIRMED,
	/* waker */
	LULL_CLUE_REQUEST_FIRST, /* its wakes begin with a diagnostic request */
	LULL_CLUE_ACTIVE_BIT, /* alone sets active wake-up */
	LULL_CLUE_UNACKNOWLEDGED, /* begins alone, and nobody acknowledges */
	LULL_CLUE_ORDER, /* first at night, but not in known wakes */
	LULL_CLUE_ORDER_SEVERAL, /* as that, with others as early; the whole list's weight */
	LULL_CLUE_COUNT
};
const char *lull_clue_name(enum lull_clue);
enum lull_doubt {
	LULL_DOUBT_INFERRED = 1, /* network management recognised by its structure, not told by a profile */
	LULL_DOUBT_FIRST_THERE = 2, /* first in most wakes of known cause, too */
	LULL_DOUBT_ONCE = 4, /* one wake only */
	LULL_DOUBT_GROUPED = 8 /* the node is known as a group of IDs by timing, no more */
};

struct lull_suspect {
	char node[LULL_NODE_NAME];
	uint8_t bus;
	enum lull_role role;
	enum lull_standing standing;
	double confidence; /* probability that this node holds this role in this finding */
	enum lull_clue clue;
	unsigned doubts; /* enum lull_doubt, or-ed */
	double kin; /* sure so far, by timing, that the ID which the clue was seen in is of this node; 0: known by more, or grouped with none */
	uint32_t *ids; /* owned */
	size_t id_count;
	int node_index; /* into nodes, or -1 */
};

struct lull_finding {
	enum lull_code code;
	uint8_t bus; /* or LULL_BUS_ALL */
	double confidence;
	double cost_mAh_per_day; /* NAN: unknown */
	double cost_error_mAh_per_day; /* half width, 95 %; NAN or 0: not known */
	const char *cost_basis; /* static text or NULL */
	char *text; /* one or two sentences; owned */
	LULL_ARRAY(struct lull_suspect) suspects; /* most probable first */
	int named; /* index into suspects, or -1: nobody is accused */
	LULL_ARRAY(char *) evidence; /* owned sentences */
	LULL_ARRAY(char *) next; /* owned sentences, in order */
};

enum lull_spell_kind {
	LULL_SPELL_BEFORE, /* before the settling starts: key on, preparations */
	LULL_SPELL_SETTLING, /* holds the settle instant: the way to the first sleep */
	LULL_SPELL_WAKE, /* after the first sleep */
	LULL_SPELL_BY_US, /* right after a mark, a touch or our own link change */
	LULL_SPELL_MORNING /* people return */
};
const char *lull_spell_kind_name(enum lull_spell_kind);

/* What proves the quiet after a spell. */
enum lull_proof { LULL_PROOF_NONE, LULL_PROOF_CONTROLLER, LULL_PROOF_CURRENT, LULL_PROOF_FRAMES_AFTER };
const char *lull_proof_name(enum lull_proof);

struct lull_spell {
	uint8_t bus;
	enum lull_spell_kind kind;
	lull_time from, to; /* first and last frame */
	uint32_t first_id, last_id;
	uint64_t frames;
	int waker, keeper; /* node index or -1 */
	bool begun; /* quiet was observed before it; else its start was not seen */
	bool closed; /* quiet was observed after it; else blind or the end follows */
	bool relayed; /* another recorded bus woke first and this one followed */
	enum lull_proof proof;
	bool lone; /* single slow frames: no life of the network */
	unsigned unacknowledged; /* back-to-back copies and error frames before a second node was there */
	double charge_mAs; /* above the car asleep; NAN */
	double charge_error_mAs; /* half width, 95 %; NAN */
	int group; /* index into wakes, or -1 */
};

struct lull_node {
	char name[LULL_NODE_NAME];
	uint8_t bus;
	enum lull_named_by named_by;
	uint32_t *ids; /* owned, sorted */
	size_t id_count;
	double clock_ppm; /* NAN */
	/* Standard errors; 1.96 of them are 95 %. NAN: this night does not tell. awake: while it sends, over what it draws asleep; told
	 * only where nodes that are silent on an awake bus are seen to draw nothing. stop: what the current falls by when it stops
	 * while the bus goes on; less than awake if it stays up silently. */
	double awake_mA, awake_mA_error;
	double stop_mA, stop_mA_error;
	int profile_node; /* index into the profile's nodes, or -1 */
	int nm_address; /* or -1 */
	int source_address; /* or -1 */
	bool asker; /* a tester or dongle: diagnostic requests only */
	int second_address; /* of the same ECU, or the one it had before; -1 none */
	const char *second_why; /* static text: what proves it; NULL */
	double kin; /* probability that the IDs which timing put together are one sender's, least of all; 0: timing did nothing */
};

/* SAE J1939 NAME, 64 bits as sent (little endian in the address claim); positions as in linux/can/j1939.h. */
struct lull_name {
	uint32_t identity; /* bits 0-20 */
	uint16_t manufacturer; /* 21-31 */
	uint8_t ecu_instance; /* 32-34 */
	uint8_t function_instance; /* 35-39 */
	uint8_t function; /* 40-47 */
	uint8_t vehicle_system; /* 49-55 */
	uint8_t system_instance; /* 56-59 */
	uint8_t industry_group; /* 60-62 */
	bool arbitrary; /* 63: may take another address */
};
struct lull_name lull_name_decode(uint64_t name);
/* An address claimed (PGN 60928). */
struct lull_claim {
	uint8_t bus, address; /* 0xFE: could claim none */
	uint64_t name;
	lull_time first, last; /* of its claims */
	int node; /* index or -1 */
};

struct lull_id_info {
	uint32_t id;
	uint8_t bus;
	int node; /* index */
	bool cyclic;
	bool ignition_only; /* stopped with the key */
	double period_ms, jitter_ms; /* NAN unknown */
	double clock_ppm, clock_ppm_error; /* against the nominal period; NAN */
	uint64_t frames;
	uint32_t stretches;
	lull_time first, last;
	double kin; /* probability that it belongs with the rest of its node, by timing; 0: timing had no say */
	lull_time last_after_key_off; /* LULL_NEVER: not heard after key-off before the first quiet */
};

struct lull_bus_report {
	bool representative; /* carried cyclic, non-diagnostic traffic and did not end as one block at key-off */
	bool stub; /* ended as one block right after key-off: port closed by a gateway */
	double load_percent; /* NAN: bit rate unknown */
	lull_time quiet_time_ns; /* the rule in force: so long without a frame is quiet */
	char *quiet_why; /* owned by the verdict; explains it */
	lull_time first_quiet; /* since settle_from; LULL_NEVER */
	enum lull_bus_state state_at_end;
	enum lull_proof proof_at_end;
	bool errors_visible;
};

/* Nodes that started and stopped together all night: their draws cannot be separated. */
struct lull_inseparable {
	uint8_t bus; /* or LULL_BUS_ALL */
	bool whole; /* nor from what silent nodes of an awake bus draw */
	int *nodes; /* owned; indices */
	size_t n;
	double mA, mA_error; /* of all of them, and of the silent if whole; NAN */
};

/* The log is no measurement then, in recording time. */
struct lull_dead_time {
	lull_time from, to;
	enum lull_dead_why why;
};

struct lull_current_report {
	bool present; /* there is a log at all */
	bool usable; /* it lives, is lined up (or was live), and says something of the judged night */
	uint64_t samples;
	struct lull_lineup lineup;
	struct lull_correction correction; /* from readings to what the figures here mean */
	double clock_offset_s; /* as the report's JSON defines it; NAN if not paired */
	double range_taken_A; /* nobody told the clamp's range, and readings stand at what is usual for its scale; NAN */
	bool reversed; /* the clamp hung the other way round: the sign was turned */
	double zero_mA; /* in the middle of the night, taken off; NAN: no zero was read */
	double zero_drift_mA; /* from the log's start to its end, taken off; 0 if unknown */
	bool zero_before, zero_after; /* which zeros were read, told or by marks */
	double zero_error_mA; /* half width, 95 %, of what remains */
	double quiet_mA, quiet_error_mA; /* last stable level; half width 95 %, the zero's included; NAN */
	double average_mA, average_error_mA; /* from settle_from to judged_to */
	double charge_mAh; /* lost in that time */
	double gain, gain_error; /* what a known load told to multiply by, and its standard error; NAN: none, or nothing against 1 */
	bool load_unread; /* a known load was marked, and the log does not show how large it is */
	double logger_mA; /* taken off as the logger's own draw; NAN none */
	double needed_mA; /* what the complaint would need; NAN not told */
	char *scale_doubt; /* owned; a question when the figures fit another scale better; NULL */
	double scale_times; /* with it: by how much true currents would be larger: 10 or 0.1 (scale), 1000 or 0.001 (unit); NAN without a doubt */
	lull_time lost_at; /* from here on the log is no measurement; LULL_NEVER */
	double lost_log_s; /* the same by the log's own clock, seconds from its first sample; NAN */
	enum lull_dead_why lost_why;
	LULL_ARRAY(struct lull_stage) stages;
	LULL_ARRAY(struct lull_step) steps;
	LULL_ARRAY(struct lull_dead_time) dead; /* in order of time */
	LULL_ARRAY(struct lull_inseparable) inseparable;
};

struct lull_battery_report {
	bool known; /* a capacity was told */
	struct lull_band capacity_Ah, charge;
	struct lull_band days_to_half, days_to_doubtful; /* NAN: cannot be told */
};

/* Wakes of one bus that have one waker and look alike: who takes part, length, who speaks first. */
enum lull_wake_rhythm {
	LULL_RHYTHM_FEW, /* "too-few": under four */
	LULL_RHYTHM_PERIODIC, /* "periodic": evenly spaced, which chance does not do */
	LULL_RHYTHM_IRREGULAR /* "irregular": no one period fits */
};
const char *lull_wake_rhythm_name(enum lull_wake_rhythm);
struct lull_wake_group {
	uint8_t bus;
	bool relayed; /* another recorded bus woke first each time */
	int waker; /* node index; -1: none told */
	uint32_t first_id; /* most common first frame */
	size_t ids; /* that take part, on average */
	size_t n;
	lull_time first, last; /* starts */
	enum lull_wake_rhythm rhythm;
	double period_s, spread_s; /* median distance of starts, and half the width of the middle half of them; with skips the beat, and
				    * how far starts lie off it; NAN: one wake */
	bool skips; /* a beat of which some are left out */
	double chance; /* that wakes at random come so evenly spaced; NAN: too few */
	double length_s, length_least_s, length_most_s; /* median, least, most */
	double frames_per_s;
	double charge_mAs; /* of all; NAN: not measured */
	double day_from_s, day_to_s; /* shortest part of the day (UTC, seconds since midnight) that holds all starts; NAN: no clock */
	size_t after_bus, after_mark, after_step; /* begun after another recorded bus, a mark within 2 min, a step of the current within 1 min */
	int leader; /* the bus that came first in most of those; -1 */
	double lead_s; /* how much earlier, median; NAN */
	double rise_s, known_rise_s; /* the current rises so long before the first frame: here, and in known wakes that the same sender
					* begins; median, NAN: not measured (trade rule 20) */
};

/* One unplug test on one bus: a mark `unplugged` or `fuse out`, and what the bus showed (trade rule 17). */
enum lull_pull_result {
	LULL_PULL_ENDS_IT, /* quiet followed within the follow-on time */
	LULL_PULL_GOES_ON, /* the bus stayed awake without it */
	LULL_PULL_BREAKS_BUS, /* everything ended at once, or errors rose: proves nothing */
	LULL_PULL_COUNTS_NOT /* for the reason in `why` */
};
struct lull_pull {
	lull_time at, back; /* the marks; back LULL_NEVER: not put back, as far as told */
	lull_time cut; /* last frame of what ended with it; LULL_NEVER: nothing did */
	lull_time quiet; /* last frame of the bus, if it went quiet after it; LULL_NEVER */
	char name[LULL_NODE_NAME]; /* as in the mark */
	uint8_t bus;
	bool circuit; /* a fuse: may feed several nodes */
	enum lull_pull_result result;
	enum lull_standing standing; /* of the name after this test; LULL_SEEN unless it ends it */
	int node; /* the one node that lost its plug or supply; -1: none known, or several */
	uint32_t *ids; /* owned: ended at that instant */
	size_t id_count;
	uint32_t *unclear; /* owned: too slow to tell whether they ended with it or with the rest */
	size_t unclear_count;
	size_t returned; /* of ids, heard again after it was put back */
	char *why; /* owned; NULL: nothing to say */
};

/* What the unplug tests of one night say of one name. */
struct lull_learned {
	char name[LULL_NODE_NAME];
	uint8_t bus;
	bool circuit;
	unsigned tests; /* that showed which IDs end */
	uint32_t *ids, *unclear; /* owned */
	size_t id_count, unclear_count;
	char *conflict; /* owned: two tests contradict each other, nothing is learned of the IDs concerned; NULL */
};

struct lull_verdict {
	lull_time end; /* length of the recording */
	lull_time key_off;
	enum lull_by key_off_by;
	lull_time settle_from;
	enum lull_by settle_by;
	lull_time judged_to; /* LULL_NEVER: nothing could be judged */
	double limit_draw_mA, limit_sleep_s;
	enum lull_limit_source limit_source;
	lull_time observed; /* by at least one bus, ns */
	LULL_ARRAY(struct lull_coverage) blind; /* within the recording, merged, per bus */
	LULL_ARRAY(struct lull_finding) findings; /* by cost, unknown last; never empty */
	struct lull_bus_report bus[LULL_BUS_MAX];
	LULL_ARRAY(struct lull_spell) spells; /* by bus, from */
	LULL_ARRAY(struct lull_node) nodes;
	LULL_ARRAY(struct lull_id_info) ids; /* by bus, id */
	LULL_ARRAY(struct lull_claim) claims; /* by bus, address, first */
	LULL_ARRAY(struct lull_pull) pulls; /* by at, bus */
	LULL_ARRAY(struct lull_wake_group) wakes; /* by bus, then most wakes first */
	struct lull_current_report current;
	struct lull_battery_report battery;
	LULL_ARRAY(char *) left_out;
};

/* Fills *v (any former content is lost, not freed). The night must be sorted. -ENOMEM only: any night
 * gets a verdict. Caller frees with lull_verdict_clear(). */
LULL_MUST_CHECK int lull_judge(const struct lull_night *, const struct lull_question *, struct lull_verdict *v);
void lull_verdict_clear(struct lull_verdict *);
/* Names and their IDs from the unplug tests of the night, by name. Tests that contradict each other are not averaged: what
 * they disagree on is left out and `conflict` says so. -ENOMEM. Free with lull_learned_free(). */
LULL_MUST_CHECK int lull_learn(const struct lull_verdict *, struct lull_learned **out, size_t *n);
void lull_learned_free(struct lull_learned *, size_t n);
/* 0 if within-limit is the only finding, else 1: the exit status of `lull report`. */
int lull_verdict_status(const struct lull_verdict *);

#endif
