/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_world: the invented car while its night runs: buses, nodes, messages, and what happens next. Internal to
 * the simulator; true time is ns since the start of the observation. */
#ifndef LULL_SOURCE_SIM_WORLD_H
#define LULL_SOURCE_SIM_WORLD_H

#include <gsl/gsl_rng.h>
#include <source/simulate.h>
#include <stdbool.h>

enum { SIM_NODES = 64, SIM_MSGS = 768, SIM_BUSES = 2, SIM_ACTS = 4096, SIM_BLINDS = 16, SIM_BATCH = 512, SIM_TURNS = 256 };
#define SIM_NOBODY (-1)
#define SIM_QUIET (10 * LULL_SEC) /* longer than any cyclic ID's period: a silence so long is a quiet bus */

/* How the nodes of a bus agree to sleep. */
enum sim_nm {
	SIM_NM_OWN, /* they do not: each stops by itself after its own run-on */
	SIM_NM_FOLLOW, /* no NM frames, but all send on as long as one asks */
	SIM_NM_AUTOSAR,
	SIM_NM_OSEK
};

enum sim_msg_kind {
	SIM_CYCLIC,
	SIM_EVENT, /* sent when something changes */
	SIM_NM_PDU,
	SIM_CLAIM, /* J1939 address claim, once per boot */
	SIM_REQUEST, /* a tester asks */
	SIM_ANSWER,
	SIM_LONE /* a slow frame that wakes nobody (selective wake-up) */
};

struct sim_msg {
	uint32_t id;
	uint32_t priority; /* lower wins the arbitration */
	uint16_t node;
	uint8_t kind; /* enum sim_msg_kind */
	uint8_t len;
	bool ignition; /* only with the key on */
	bool on; /* its timer runs */
	bool pending; /* waits for the bus */
	bool remote; /* forwarded from another bus: another clock than its node's */
	int8_t counter_byte, checksum_byte, signal_byte; /* -1 none */
	uint8_t data[8];
	uint8_t counter;
	uint32_t gen; /* timers of an older generation are dead */
	int64_t period_key, period_park; /* ns; event IDs: mean gap, 0 never */
	int64_t offset; /* after the node's start */
	double ppm; /* remote: that sender's clock */
	int64_t ideal; /* next activation without jitter */
};

enum sim_state {
	SIM_OFF, /* asleep, the transceiver watches for traffic */
	SIM_DOZE, /* asleep, but the controller acknowledges */
	SIM_BOOT,
	SIM_RUN, /* sends */
	SIM_MUTE /* awake, acknowledges, sends nothing */
};

enum sim_nm_state { SIM_NM_SLEEP, SIM_NM_REPEAT, SIM_NM_NORMAL, SIM_NM_READY, SIM_NM_PREPARE };

enum sim_cause { SIM_BY_BUS, SIM_BY_LINE, SIM_BY_ITSELF };

enum sim_event {
	SIM_EV_MSG, /* of a message; all others of a node, a bus or the script */
	SIM_EV_CTRL, /* controller started */
	SIM_EV_APP, /* software sends */
	SIM_EV_NEED, /* its own run-on is over */
	SIM_EV_IDLE, /* the bus may have been idle long enough to go to sleep */
	SIM_EV_OFF,
	SIM_EV_STOP,
	SIM_EV_RESUME,
	SIM_EV_IGNITION, /* reacts to the key */
	SIM_EV_NM,
	SIM_EV_NM_TIMEOUT,
	SIM_EV_RING,
	SIM_EV_ANSWER,
	SIM_EV_RELAY,
	SIM_EV_RING_WATCH, /* of a bus */
	SIM_EV_ACT, /* of the script */
	SIM_EV_CLOCKS, /* temperatures move on */
	SIM_EV_COUNT
};

struct sim_node {
	char name[LULL_NODE_NAME];
	uint8_t bus;
	bool ignition; /* supplied by the key: off without it, never woken by traffic */
	bool tester;
	bool gateway;
	bool always_acks; /* dozes instead of sleeping */
	bool wake_line; /* on the passive wake line */
	bool answers; /* diagnostic requests */
	bool nm; /* sends NM frames */
	bool lone; /* has the slow message that wakes nobody */
	bool body; /* reacts to doors and keys */
	bool unplugged;
	uint8_t address; /* NM node address, or J1939 source address */
	int twin; /* the gateway's half on the other bus, or SIM_NOBODY */
	unsigned first_msg, msg_count;
	int nm_msg, claim_msg, answer_msg; /* index, or -1 */
	int second_claim_msg; /* index, or 0: it has one address only */
	uint8_t second_address;

	/* the car's character */
	int64_t ctrl_ns, app_ns; /* from the wake to the controller, to the first frame */
	int64_t lead_ns; /* from an own reason to wake until it boots */
	int64_t linger_ns; /* goes to sleep when the bus was idle so long */
	int64_t key_off_run_on, wake_run_on, door_run_on, diag_hold;
	double run_on_varies; /* from wake to wake, as a share */
	int64_t follow_ns; /* outlasts the last request by so much */
	int64_t ignition_ns; /* reacts to key-off after so long */
	int64_t jitter_ns;
	double tick_ns; /* of its software timer; 0: any period comes out exactly */
	double ppm_start, ppm_drift, tau_s;
	double mA_run, mA_mute;
	double mA_varies; /* from run to run, as a share; 0: it does not */
	bool sleeps_alone; /* draws nothing soon after its own last frame, whatever the bus does; else after the bus's */
	int64_t tail_ns; /* how soon */
	double mA_doze;

	/* its life */
	enum sim_state state;
	bool ctrl_on;
	enum sim_cause cause;
	bool keyed; /* it sends as with the key on */
	int demand; /* reasons of its own to be awake */
	int relayed; /* of which: for the other bus */
	int64_t run_until;
	double ppm;
	int64_t muted; /* when it fell silent */
	double mA_share; /* of mA_run and mA_mute, in this run */
	int64_t draws_from; /* booting: a second before its first frame at the earliest */
	unsigned tec; /* transmit error counter */
	enum sim_nm_state nm_state;
	int64_t repeat_until;
	bool active_wakeup, repeat_request;
	bool sleep_ind; /* OSEK: as last sent */
	bool limps; /* OSEK: hears nobody, and says so with limp-home messages */
	int64_t coordinates_from; /* AUTOSAR: sets the coordinator's bit from then on; 0 never */
	uint8_t clusters; /* AUTOSAR: of the partial networks it belongs to, one bit each */
	uint8_t ring_op; /* OSEK: of the frame waiting */
	int64_t reduced_ns; /* AUTOSAR bus-load reduction */
	uint32_t gen[SIM_EV_COUNT];
};

struct sim_bus {
	char name[LULL_BUS_NAME];
	uint32_t bitrate;
	enum sim_nm nm;
	int64_t bit_ns;

	/* network management, as an integrator set it up */
	int64_t nm_cycle, nm_repeat, nm_timeout, nm_wait;
	uint32_t nm_base, nm_mask;
	int nm_source_byte, nm_control_byte;
	int64_t last_nm;
	int64_t claim_wait;
	uint8_t op_alive, op_ring;
	bool nm_reduction; /* bus-load reduction */
	bool partial; /* partial networks: nodes none of whose clusters is asked for sleep while others go on */
	bool extended; /* J1939-like 29-bit IDs */

	/* the wire */
	bool alert; /* some node may have to be woken by traffic */
	bool busy;
	unsigned listeners; /* controllers that acknowledge */
	int64_t end;
	int64_t last_tx; /* true end of the last frame, LULL_NEVER before the first */
	struct lull_frame frame;
	uint64_t frames;
	int current; /* message on the wire, or -1 between */
	unsigned queued;
	uint16_t queue[SIM_MSGS];
	uint32_t watch_gen;

	/* truth, as it came out */
	int64_t quiet; /* last frame before the first SIM_QUIET after settling, LULL_NEVER */
};

/* What the script can make happen. */
enum sim_act_kind {
	SIM_ACT_KEY_ON,
	SIM_ACT_KEY_OFF,
	SIM_ACT_ASK, /* node gets a reason to be awake */
	SIM_ACT_RELEASE,
	SIM_ACT_CHANGE, /* node reports a change of what it watches */
	SIM_ACT_DOOR, /* nodes go on for a while because a door moved */
	SIM_ACT_LINE, /* everything on the wake line boots; node: bus */
	SIM_ACT_LONE, /* message sends a lone frame, and again every value */
	SIM_ACT_CLOSE, /* the gateway closes the port: nothing is heard any more */
	SIM_ACT_DEAF, /* node's receiver fails: it leaves the ring (OSEK) */
	SIM_ACT_REPEAT, /* node requests repeat messages of all (AUTOSAR) */
	SIM_ACT_STEP, /* the capture's clock steps by value */
	SIM_ACT_UNPLUG, /* node loses its plug or supply */
	SIM_ACT_PLUG, /* and gets it back: it starts up */
	SIM_ACT_CUT, /* a splice or a terminator is gone: nothing comes through any more */
	SIM_ACT_WHOLE /* and is back */
};
struct sim_act {
	int64_t t;
	enum sim_act_kind kind;
	int node;
	int64_t value;
	int spread; /* of repeated acts, in percent of their period */
};

struct sim_timer {
	int64_t t;
	uint32_t what; /* event << 16 | index */
	uint32_t gen;
};

struct sim_blind {
	int64_t from, to;
	enum lull_coverage_why why;
};

enum sim_stamps { SIM_STAMP_HARDWARE, SIM_STAMP_SOFTWARE, SIM_STAMP_BATCH, SIM_STAMP_MS };
struct sim_adapter {
	enum sim_stamps stamps;
	double ppm_drift, tau_s; /* its clock cools down as well: all senders seem to drift together */
	bool errors_visible;
	int64_t jitter_ns, batch_ns, spacing_ns;
	int64_t step; /* of the capture's clock, so far */
	int64_t last; /* stamp given last */
	int64_t batch_end;
	struct lull_frame batch[SIM_BATCH];
	unsigned batched;
	unsigned lost_every, lost_left; /* frames between two that the adapter drops; 0 none */
	unsigned noise_every, noise_left; /* frames between two destroyed by noise; 0 none */
	bool closed;
};

/* The current changes by so much at t, whatever the nodes do: retained power, relays, pulses, chargers, test loads. */
struct sim_turn {
	int64_t t;
	double mA;
};

enum sim_zeros { SIM_ZEROS_ANY, SIM_ZEROS_BOTH, SIM_ZEROS_BEFORE, SIM_ZEROS_NONE };

struct sim_clamp {
	bool wanted;
	gsl_rng *rng; /* so that what is on the bus does not depend on the clamp */

	/* wishes of a scenario; 0: chance decides */
	enum sim_zeros zeros;
	double quiet_mA;
	double drift_most_mA; /* of the zero, over the night; 0: as it comes */
	double gain; /* of the clamp, which its user does not know; 0: 1 */
	double told_wrong; /* the scale is told as so many times what it is; 0: 1 */
	bool zero_marks; /* the zeros are in the log, by marks, and not told */
	double logger_mA; /* the recorder feeds from the car; its profile says so */
	bool coarse; /* the digit is 100 mA */
	double warm_mA, warm_s; /* the clamp cools down after it was hung: its zero creeps by so much */
	enum { SIM_RANGE_ANY, SIM_RANGE_FINE, SIM_RANGE_COARSE } range;
	bool loads; /* a known load at both ends, in every night */
	int64_t off_at[2], off_to[2]; /* off the cable */
	bool all_sleep_alone; /* who does not send draws nothing */
	bool late; /* the log begins when the car is asleep, and ends early: free-running */
	bool lost;
	enum lull_dead_why lost_why;
	int64_t lost_at;

	/* the car's current beside its nodes' */
	double base_mA, keyed_mA;
	struct sim_turn turn[SIM_TURNS];
	unsigned turns, turned;
	double turned_mA;
	double spike_mA; /* inrush, decaying */
	int64_t spike_at, spike_tau;
	double bus_before_mA;

	/* the clamp and its meter */
	int64_t start, stop, step; /* true time of the first and last sample; step on the clamp's clock */
	double drift_ppm, mV_per_A, range_A, resolution_mV;
	double white_mA, slow_mA, slow_keeps; /* noise: white, and one that remembers */
	double slow_now;
	double zero_mA, zero_drift_mA, zero_bend_mA;
	double ripple_mA, ripple_hz, ripple_phase;
	double outliers, misses; /* share of samples */
	int64_t gap_at[4], gap_to[4];
	unsigned gaps;
	bool reversed;
	uint64_t taken; /* samples whose time has come */
	double last_mV, flat_mV;
	int64_t next;

	/* truth as it comes out */
	double level_mA, candidate_mA;
	double nodes_mA, candidate_nodes_mA; /* of that without the key */
	int64_t candidate_at;
	size_t charged; /* which of the truth's charges is under way */
	int64_t charged_to;
};

struct sim_world {
	gsl_rng *plan; /* draws the car and the night */
	gsl_rng *run; /* jitter and noise while it runs */
	gsl_rng *text; /* what the profile tells */
	const struct lull_sim_options *options;
	const struct lull_sim_sink *sink;
	struct lull_sim_night *night;

	struct sim_node node[SIM_NODES];
	unsigned nodes;
	struct sim_msg msg[SIM_MSGS];
	unsigned msgs;
	struct sim_bus bus[SIM_BUSES];
	unsigned buses;
	struct sim_act act[SIM_ACTS];
	unsigned acts;
	struct sim_blind blind[SIM_BLINDS];
	unsigned blinds;
	struct sim_adapter adapter;
	struct sim_clamp clamp;

	struct sim_timer *heap;
	size_t timers, timer_room;

	int64_t now, end;
	bool key;
	int64_t keyed_until; /* all send as with the key on until then */
	bool starts_asleep;
	bool undeclared; /* the profile tells no layout of network management */
	uint32_t another_evening; /* seed of a second night */
	int error; /* sticky: -ENOMEM, or what a callback returned */

	/* the plan's own landmarks */
	double limit_s, limit_mA;
	int64_t key_on, key_off, settle, slept; /* slept: surely asleep by then, if nobody asks */
};

/* sim_random: draws from one generator. */
double sim_uniform(gsl_rng *, double low, double high);
double sim_log_uniform(gsl_rng *, double low, double high);
int64_t sim_ns(gsl_rng *, double low_s, double high_s); /* uniform, seconds in, ns out */
int64_t sim_log_ns(gsl_rng *, double low_s, double high_s);
unsigned sim_pick(gsl_rng *, unsigned n); /* 0..n-1 */
bool sim_chance(gsl_rng *, double probability);

/* sim_queue: what happens next. */
void sim_at(struct sim_world *, int64_t t, enum sim_event, unsigned index, uint32_t gen);
/* The node's timer of that kind: set anew, an older one is dead. */
void sim_node_at(struct sim_world *, unsigned node, enum sim_event, int64_t t);
void sim_node_cancel(struct sim_world *, unsigned node, enum sim_event);
void sim_pop(struct sim_world *);

/* sim_bus: arbitration and acknowledgement. */
void sim_bus_send(struct sim_world *, unsigned msg); /* msg.data is what it says */
void sim_bus_withdraw(struct sim_world *, unsigned msg);
void sim_bus_end(struct sim_world *, struct sim_bus *); /* bus.end has come */

/* sim_node: sleep, boot, send, stop. */
void sim_node_wake(struct sim_world *, unsigned node, enum sim_cause);
void sim_node_mute(struct sim_world *, unsigned node); /* stops sending, stays awake */
void sim_node_resume(struct sim_world *, unsigned node); /* sends again */
void sim_node_off(struct sim_world *, unsigned node);
void sim_node_unplug(struct sim_world *, unsigned node);
void sim_node_plug(struct sim_world *, unsigned node);
bool sim_node_needs(const struct sim_world *, const struct sim_node *);
void sim_node_ask(struct sim_world *, unsigned node, int change);
void sim_node_run_on(struct sim_world *, unsigned node, int64_t until);
void sim_node_key(struct sim_world *, bool on);
void sim_node_event(struct sim_world *, enum sim_event, unsigned node);
void sim_node_warm_start(struct sim_world *); /* everything runs, key on, since long */
void sim_bus_traffic(struct sim_world *, struct sim_bus *); /* wakes who sleeps */

/* sim_msg: timers and payload of messages. */
void sim_msg_start(struct sim_world *, unsigned msg, int64_t first);
void sim_msg_stop(struct sim_world *, unsigned msg);
void sim_msg_due(struct sim_world *, unsigned msg);
void sim_msg_fill(struct sim_world *, struct sim_msg *);
enum sim_start { SIM_START_BOOT, SIM_START_AGAIN, SIM_START_IGNITION };
void sim_msg_start_all(struct sim_world *, unsigned node, enum sim_start);
void sim_msg_stop_all(struct sim_world *, unsigned node, bool ignition_only);

/* sim_nm: how nodes agree to sleep. */
void sim_nm_started(struct sim_world *, unsigned node); /* its software runs now */
void sim_nm_need_changed(struct sim_world *, unsigned node);
void sim_nm_heard(struct sim_world *, unsigned msg); /* an NM frame came through */
void sim_nm_event(struct sim_world *, enum sim_event, unsigned node);
void sim_nm_repeat(struct sim_world *, unsigned node); /* AUTOSAR: repeat message request */
void sim_nm_due(struct sim_world *, unsigned msg); /* fills an NM frame about to be sent */
void sim_osek_started(struct sim_world *, unsigned node);
void sim_osek_need_changed(struct sim_world *, unsigned node);
void sim_osek_heard(struct sim_world *, unsigned msg);
void sim_osek_turn(struct sim_world *, unsigned node);
void sim_osek_watch(struct sim_world *, unsigned bus);
void sim_osek_limp(struct sim_world *, unsigned node); /* it hears nobody any more */
bool sim_nm_addressed(const struct sim_world *, unsigned node); /* some cluster of it is asked for; always without partial networks */

/* sim_adapter: what the recorder sees of the wire. */
void sim_adapter_make(struct sim_world *);
void sim_adapter_frame(struct sim_world *, const struct sim_bus *, const struct lull_frame *, int64_t t);
void sim_adapter_destroyed(struct sim_world *, const struct sim_bus *, int64_t t, bool acknowledge);
void sim_adapter_flush(struct sim_world *);

/* sim_current: what the battery gives. */
void sim_current_make(struct sim_world *);
void sim_draw(struct sim_world *, int64_t from, int64_t to, double mA);
void sim_current_turns(struct sim_world *); /* after the last sim_draw() */
double sim_current_bus(const struct sim_world *, int64_t t); /* nodes and key, mA */
double sim_current_other(struct sim_world *, int64_t t); /* the rest; t never goes back */
void sim_current_run(struct sim_world *, struct sim_node *); /* a run of the node begins */
/* Into the truth's charge, key-on times left out. */
void sim_charge_until(struct sim_world *, int64_t t);
void sim_charge_add(struct sim_world *, int64_t t, double mAs);
double sim_charge(const struct sim_world *, int64_t from, int64_t to); /* mAs */
double sim_current_quiet(const struct sim_world *); /* all asleep, nothing retained */

/* sim_clamp: how the clamp hangs, and what its user knows of it. */
int sim_clamp_make(struct sim_world *);
void sim_clamp_truth(struct sim_world *); /* after the run */

/* sim_meter: what the meter writes down. */
void sim_meter_until(struct sim_world *, int64_t t);

/* sim_profile: INI text of the invented car; NULL out of memory. */
char *sim_profile_text(struct sim_world *);

/* simulate: the engine. */
void sim_run(struct sim_world *);

#endif
