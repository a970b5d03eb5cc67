/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_scenario: the table of scenarios, and what their scripts are written with. Pure. */
#ifndef LULL_SOURCE_SIM_SCENARIO_H
#define LULL_SOURCE_SIM_SCENARIO_H

#include <source/sim_car.h>

struct sim_plan {
	/* Invents car and script, and tells the truth. 0 or -ENOMEM. */
	int (*make)(struct sim_world *);
};

/* NULL: no such scenario; own_name gets the table's static copy of the name. */
const struct sim_plan *sim_plan_find(const char *name, const char **own_name);

/* --- the script; instants in true time --- */

void sim_act(struct sim_world *, int64_t t, enum sim_act_kind, int node, int64_t value);
/* Asks from t on for so long; `lasting` 0: to the end. */
void sim_ask(struct sim_world *, unsigned node, int64_t t, int64_t lasting);
int sim_mark(struct sim_world *, int64_t t, enum lull_mark_kind, const char *text);
void sim_blind(struct sim_world *, int64_t from, int64_t to, enum lull_coverage_why);
/* A door, a lock or a lid moves, and somebody says so. With an asker, the network is wanted for a while. */
int sim_disturb(struct sim_world *, int64_t t, bool asks, bool by_line);

enum sim_known { SIM_KNOWN_NEVER, SIM_KNOWN_SOME, SIM_KNOWN_ALWAYS };
struct sim_evening {
	enum sim_known known; /* deliberate wakes before the drive, marked */
	int first; /* the node that begins those, or SIM_NOBODY: any that reacts to doors */
	bool undisturbed; /* nothing moves after key-off */
	bool short_drive; /* for two buses and crowded ones */
	bool by_line; /* doors, too, wake by the wake line, and only then does somebody ask */
};
/* In some nights under AUTOSAR NM: requests for repeat messages, in which all send that are awake. */
void sim_repeats(struct sim_world *, int64_t from, int64_t to);
/* In some nights: short times in which the adapter lost all frames. */
void sim_holes(struct sim_world *, int64_t from, int64_t to);
/* The limits of this car. Before sim_car_add(). */
void sim_limits(struct sim_world *);
/* From the start of listening to the last disturbance: sets key_on, key_off, settle, slept. */
int sim_evening(struct sim_world *, const struct sim_evening *);
/* End of listening: hours after settling, unless the caller of the simulator said otherwise. */
void sim_end(struct sim_world *, double hours_low, double hours_high);
/* Nobody keeps the car awake. */
extern const struct sim_evening sim_any_evening;
/* A car of any kind with its limits, such an evening, and so many hours of listening. */
int sim_parked(struct sim_world *, double hours_low, double hours_high);

enum sim_why { SIM_AFTER_WAKE, SIM_AFTER_EVENING };
int64_t sim_longest(const struct sim_world *, enum sim_why);

void sim_truth(struct sim_world *, enum lull_code, int node, enum lull_role, bool decidable);

/* The node that does it this night: the one chosen; another, if the cause is another one; SIM_NOBODY if it was repaired. */
int sim_culprit(struct sim_world *, unsigned chosen);
/* Nothing is wrong with this night: the clamp says so, or nobody measured. */
void sim_truth_good(struct sim_world *);

/* A car as the scenario needs it, with all else left to chance. */
struct sim_car sim_car_any(struct sim_world *, bool may_be_managed);

/* A waker that has nothing to do with doors and keys, so that deliberate wakes begin with somebody else. */
unsigned sim_choose_waker(struct sim_world *, unsigned bus, const unsigned *except, unsigned excepted);

/* --- scenarios by kind --- */
int sim_make_one_node_holds(struct sim_world *);
int sim_make_nm_asks(struct sim_world *);
int sim_make_ring_holds(struct sim_world *);
int sim_make_nm_undeclared(struct sim_world *);
int sim_make_nm_partial(struct sim_world *);
int sim_make_nm_reduced(struct sim_world *);
int sim_make_nm_coordinated(struct sim_world *);
int sim_make_ring_limp_home(struct sim_world *);
int sim_make_all_follow(struct sim_world *);
int sim_make_two_hold(struct sim_world *);
int sim_make_address_holds(struct sim_world *);
int sim_make_two_addresses(struct sim_world *);
int sim_make_late_one_node(struct sim_world *);
int sim_make_late_nm(struct sim_world *);
int sim_make_late_ring(struct sim_world *);
int sim_make_late_all_follow(struct sim_world *);
int sim_make_forwarded_bus(struct sim_world *);
int sim_make_dongle_polls(struct sim_world *);

int sim_make_wakes_one_node(struct sim_world *);
int sim_make_wakes_three(struct sim_world *);
int sim_make_wakes_nm(struct sim_world *);
int sim_make_wakes_ring(struct sim_world *);
int sim_make_wakes_two_nodes(struct sim_world *);
int sim_make_wakes_known_order(struct sim_world *);
int sim_make_wakes_acked_only(struct sim_world *);
int sim_make_woken_from_outside(struct sim_world *);
int sim_make_repeat_only(struct sim_world *);
int sim_make_gateway_relays(struct sim_world *);
int sim_make_dongle_wakes(struct sim_world *);
int sim_make_two_buses(struct sim_world *);
int sim_make_two_buses_back(struct sim_world *);
int sim_make_third_bus(struct sim_world *);
int sim_make_wakes_copied(struct sim_world *);

int sim_make_pull_right(struct sim_world *);
int sim_make_pull_wrong_first(struct sim_world *);
int sim_make_pull_wrong_only(struct sim_world *);
int sim_make_pull_repeated(struct sim_world *);
int sim_make_pull_contradicts(struct sim_world *);
int sim_make_pull_circuit(struct sim_world *);
int sim_make_pull_breaks_bus(struct sim_world *);
int sim_make_pull_too_early(struct sim_world *);
int sim_make_pull_by_chance(struct sim_world *);
int sim_make_replug_settles(struct sim_world *);

int sim_make_port_closed(struct sim_world *);
int sim_make_sleeps_well(struct sim_world *);
int sim_make_single_frames(struct sim_world *);
int sim_make_late_run_on(struct sim_world *);
int sim_make_morning(struct sim_world *);
int sim_make_our_glitch(struct sim_world *);
int sim_make_too_early(struct sim_world *);
int sim_make_deaf(struct sim_world *);
int sim_make_never_alive(struct sim_world *);
int sim_make_replugged_asleep(struct sim_world *);
int sim_make_clock_steps(struct sim_world *);

int sim_make_within_limit(struct sim_world *);
int sim_make_near_limit(struct sim_world *);
int sim_make_draws_quiet(struct sim_world *);
int sim_make_pulses_quiet(struct sim_world *);
int sim_make_bus_invisible(struct sim_world *);
int sim_make_clamp_lost(struct sim_world *);
int sim_make_free_running(struct sim_world *);
int sim_make_charger(struct sim_world *);
int sim_make_relay_drops(struct sim_world *);
int sim_make_battery_sensor(struct sim_world *);

int sim_make_gain_off(struct sim_world *);
int sim_make_scale_wrong(struct sim_world *);
int sim_make_zero_marks(struct sim_world *);
int sim_make_logger_fed(struct sim_world *);
int sim_make_coarse_digit(struct sim_world *);
int sim_make_warms_up(struct sim_world *);
int sim_make_saturates(struct sim_world *);

int sim_make_stops_apart(struct sim_world *);
int sim_make_one_runs_on(struct sim_world *);
int sim_make_never_apart(struct sim_world *);
int sim_make_silent_draw(struct sim_world *);

#endif
