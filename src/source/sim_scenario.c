/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_scenario: the table of scenarios. Pure. */
#include <source/sim_scenario.h>
#include <string.h>

/* X(name, about, make); those of CURRENT are made for the clamp. */
#define SCENARIOS(X) \
	X("one-node-holds", "no network management; one node goes on alone all night", sim_make_one_node_holds) \
	X("nm-asks", "AUTOSAR NM; one node goes on asking, so all go on sending", sim_make_nm_asks) \
	X("ring-holds", "OSEK ring; one node never indicates sleep", sim_make_ring_holds) \
	X("nm-undeclared", "AUTOSAR NM, and no profile tells its layout; one node asks", sim_make_nm_undeclared) \
	X("nm-partial", "AUTOSAR NM, partial networks; one node asks for its clusters", sim_make_nm_partial) \
	X("nm-reduced", "AUTOSAR NM, bus-load reduction; three ask, two are heard", sim_make_nm_reduced) \
	X("nm-coordinated", "AUTOSAR NM; a gateway with the coordinator's bit asks", sim_make_nm_coordinated) \
	X("ring-limp-home", "OSEK ring; one node hears nobody and goes on in limp-home", sim_make_ring_limp_home) \
	X("all-follow", "all send on because one asks, and it does not show which", sim_make_all_follow) \
	X("two-hold", "two nodes go on", sim_make_two_hold) \
	X("address-holds", "29-bit source addresses; one node goes on", sim_make_address_holds) \
	X("two-addresses", "29-bit source addresses, some ECUs own two; one goes on", sim_make_two_addresses) \
	X("late-one-node", "no network management; one node stops, but late", sim_make_late_one_node) \
	X("late-nm", "AUTOSAR NM; one node stops asking, but late", sim_make_late_nm) \
	X("late-ring", "OSEK ring; one node indicates sleep, but late", sim_make_late_ring) \
	X("late-all-follow", "all follow one that stops late, and it does not show which", sim_make_late_all_follow) \
	X("forwarded-bus", "the gateway forwards another bus that stays awake", sim_make_forwarded_bus) \
	X("dongle-polls", "a tester at the port polls all night", sim_make_dongle_polls) \
	X("wakes-one-node", "no network management; one node wakes the sleeping bus", sim_make_wakes_one_node) \
	X("wakes-three", "one node wakes the sleeping bus three times, no more", sim_make_wakes_three) \
	X("wakes-nm", "AUTOSAR NM; one node wakes the bus with active wake-up", sim_make_wakes_nm) \
	X("wakes-ring", "OSEK ring; one node wakes the sleeping bus", sim_make_wakes_ring) \
	X("wakes-two-nodes", "two nodes wake the sleeping bus", sim_make_wakes_two_nodes) \
	X("wakes-known-order", "always acknowledged; deliberate wakes begin with another", sim_make_wakes_known_order) \
	X("wakes-acked-only", "always acknowledged, and no deliberate wake to compare", sim_make_wakes_acked_only) \
	X("woken-from-outside", "the wake line boots all nodes in their fixed order", sim_make_woken_from_outside) \
	X("repeat-only", "AUTOSAR NM; woken by the wake line, repeat messages only", sim_make_repeat_only) \
	X("gateway-relays", "the gateway is first and last, as in deliberate wakes", sim_make_gateway_relays) \
	X("dongle-wakes", "a tester at the port wakes the bus now and then", sim_make_dongle_wakes) \
	X("two-buses", "a node of the second bus wakes the first through the gateway", sim_make_two_buses) \
	X("two-buses-back", "a node of the first bus wakes the second through the gateway", sim_make_two_buses_back) \
	X("third-bus", "the gateway wakes two buses for a third that is not recorded", sim_make_third_bus) \
	X("wakes-copied", "a noisy waker, and another that copies it within 5 ms", sim_make_wakes_copied) \
	X("pull-right", "held awake; the plug of the keeper is pulled, and the bus sleeps", sim_make_pull_right) \
	X("pull-wrong-first", "held awake; innocents are unplugged first, then the keeper", sim_make_pull_wrong_first) \
	X("pull-wrong-only", "held awake; only innocents are unplugged", sim_make_pull_wrong_only) \
	X("pull-repeated", "held awake; the keeper is out, back in, held again, and out again", sim_make_pull_repeated) \
	X("pull-contradicts", "two tests of one node that say the contrary", sim_make_pull_contradicts) \
	X("pull-circuit", "held awake; a fuse that feeds three nodes is out", sim_make_pull_circuit) \
	X("pull-breaks-bus", "held awake; a splice or terminator is pulled, and all ends", sim_make_pull_breaks_bus) \
	X("pull-too-early", "unplugged while the car was still going to sleep by itself", sim_make_pull_too_early) \
	X("pull-by-chance", "sleeps late by itself, while innocents are unplugged one by one", sim_make_pull_by_chance) \
	X("replug-settles", "a plug put back wakes a sleeping car, which settles", sim_make_replug_settles) \
	X("port-closed", "the gateway closes the port at key-off", sim_make_port_closed) \
	X("sleeps-well", "asleep in time, at most a little housekeeping", sim_make_sleeps_well) \
	X("single-frames", "asleep but for a lone slow frame", sim_make_single_frames) \
	X("late-run-on", "one rightful run of some minutes, hours later", sim_make_late_run_on) \
	X("morning", "a good night, and people return", sim_make_morning) \
	X("our-glitch", "wakes right after we touched something, and only then", sim_make_our_glitch) \
	X("too-early", "listening ends before the car had to be asleep", sim_make_too_early) \
	X("deaf", "the adapter hears nothing most of the night", sim_make_deaf) \
	X("never-alive", "a bus without a single frame", sim_make_never_alive) \
	X("replugged-asleep", "the adapter was gone and back while the car slept", sim_make_replugged_asleep) \
	X("clock-steps", "a good night whose capture clock steps", sim_make_clock_steps)
#define CURRENT(X) \
	X("within-limit", "sleeps in time and draws little, and the clamp was zeroed before and after", sim_make_within_limit) \
	X("near-limit", "sleeps in time, and draws about as much as the limit", sim_make_near_limit) \
	X("draws-quiet", "a steady draw above the limit while the bus sleeps", sim_make_draws_quiet) \
	X("pulses-quiet", "something draws now and then while the bus sleeps", sim_make_pulses_quiet) \
	X("bus-invisible", "nodes wake again and again, but the port shows nothing of it", sim_make_bus_invisible) \
	X("clamp-lost", "the clamp's log dies in the night", sim_make_clamp_lost) \
	X("free-running-alias", "a strictly periodic waker, and a log that fits one period off as well", sim_make_free_running) \
	X("charger", "a charger tops up now and then", sim_make_charger) \
	X("relay-drops", "retained power and relays drop up to an hour after the key", sim_make_relay_drops) \
	X("battery-sensor", "the battery sensor wakes the bus once or twice", sim_make_battery_sensor) \
	X("gain-off", "the clamp reads some percent too much or too little, and a known load tells", sim_make_gain_off) \
	X("scale-wrong", "ten times the clamp's scale was told, or a tenth of it", sim_make_scale_wrong) \
	X("zero-marks", "the zeros are in the log, where marks say so", sim_make_zero_marks) \
	X("logger-fed", "the recorder feeds from the car, as its profile says", sim_make_logger_fed) \
	X("coarse-digit", "a meter whose last digit is 100 mA", sim_make_coarse_digit) \
	X("warms-up", "the clamp's zero creeps for an hour or two", sim_make_warms_up) \
	X("saturates", "the key-on current is beyond the clamp's range", sim_make_saturates) \
	X("stops-apart", "woken again and again, and each time other nodes go on for a while", sim_make_stops_apart) \
	X("one-runs-on", "woken again and again, and one node often runs on alone", sim_make_one_runs_on) \
	X("never-apart", "as before, but two nodes start and stop together each time", sim_make_never_apart) \
	X("silent-draw", "as before, and some nodes draw on when they have fallen silent", sim_make_silent_draw)

#define TOLD(name, about, make) { name, about, false },
#define TOLD_CURRENT(name, about, make) { name, about, true },
#define MADE(name, about, make) { make },

static const struct lull_sim_scenario scenarios[] = { SCENARIOS(TOLD) CURRENT(TOLD_CURRENT) };
static const struct sim_plan plans[] = { SCENARIOS(MADE) CURRENT(MADE) };
enum { PLANS = sizeof plans / sizeof *plans };

const struct sim_plan *sim_plan_find(const char *name, const char **own_name)
{
	for (unsigned i = 0; name && i < PLANS; i++) {
		if (strcmp(scenarios[i].name, name) == 0) {
			*own_name = scenarios[i].name;
			return &plans[i];
		}
	}
	return NULL;
}

bool lull_sim_has_after(const char *name)
{
	/* what one node does that another could do, or that can be taken away */
	static const char *const known[] = { "one-node-holds", "nm-asks", "ring-holds", "all-follow", "address-holds", "late-one-node", "late-nm",
		"late-ring", "late-all-follow", "wakes-one-node", "wakes-nm", "wakes-ring" };

	for (unsigned i = 0; name && i < sizeof known / sizeof *known; i++) {
		if (strcmp(known[i], name) == 0)
			return true;
	}
	return false;
}

const struct lull_sim_scenario *lull_sim_scenarios(size_t *n)
{
	*n = PLANS;
	return scenarios;
}
