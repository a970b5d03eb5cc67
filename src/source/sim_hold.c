/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_hold: nights in which something keeps the network awake, for good or for too long. Pure. */
#include <math.h>
#include <source/sim_scenario.h>

/* Frames a night may have while everybody sends. */
#define FRAME_BUDGET 450e3

/* Hours after settling: long enough to be judged, short enough for the budget at that rate. */
static void end_by_rate(struct sim_world *w, double rate)
{
	double least = (w->limit_s + 600) * 1.2 / 3600, hours = FRAME_BUDGET / fmax(rate, 1) / 3600;

	hours = fmin(fmax(hours, least), 3);
	sim_end(w, fmax(least, 0.6 * hours), fmax(1.1 * least, hours));
}

static double rate_of_nodes(const struct sim_world *w, const unsigned *nodes, unsigned count)
{
	double rate = 0;

	for (unsigned i = 0; i < w->msgs; i++) {
		for (unsigned k = 0; k < count; k++) {
			if (w->msg[i].node == nodes[k] && w->msg[i].period_park)
				rate += 1e9 / (double)w->msg[i].period_park;
		}
	}
	return rate;
}

static struct sim_car held_car(struct sim_world *w, enum sim_nm nm)
{
	struct sim_car car = { .nm = nm, .rate_low = 25, .rate_high = nm == SIM_NM_OWN ? 220 : 120 };

	sim_limits(w);
	car.gateway = sim_chance(w->plan, 0.3);
	car.seen_alone = sim_chance(w->plan, 0.5);
	return car;
}

enum { KEEPERS_MOST = 3 };

/* `alter` may change the car before the evening, and what happens after it. */
static int hold_altered(struct sim_world *w, const struct sim_car *car, unsigned keepers, bool decidable, void (*alter)(struct sim_world *),
	void (*then)(struct sim_world *, unsigned keeper))
{
	struct sim_evening evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_SOME };
	unsigned keeper[KEEPERS_MOST];
	int error;

	sim_car_add(w, car);
	if (alter)
		alter(w);
	for (unsigned i = 0; i < keepers; i++)
		keeper[i] = sim_car_choose(w, 0, keeper, i);
	error = sim_evening(w, &evening);
	if (then)
		then(w, keeper[0]);
	end_by_rate(w, car->nm == SIM_NM_OWN ? rate_of_nodes(w, keeper, keepers) : sim_car_rate(w, 0));
	sim_repeats(w, w->settle, w->end);
	sim_holes(w, w->settle, w->end - 60 * LULL_SEC);
	for (unsigned i = 0; i < keepers; i++) {
		int culprit = sim_culprit(w, keeper[i]);

		if (culprit == SIM_NOBODY)
			continue;
		sim_ask(w, (unsigned)culprit, w->key_off - LULL_SEC / 2, 0);
		sim_truth(w, LULL_HELD_AWAKE, culprit, LULL_KEEPER, decidable);
	}
	if (!w->night->truth.finding_count)
		sim_truth_good(w);
	return error;
}

static int hold(struct sim_world *w, const struct sim_car *car, unsigned keepers, bool decidable)
{
	return hold_altered(w, car, keepers, decidable, NULL, NULL);
}

/* The keeper lets go in the end, but late. */
static int late(struct sim_world *w, const struct sim_car *car, bool decidable)
{
	struct sim_evening evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_SOME };
	double factor = sim_log_uniform(w->plan, 1.3, 6), rate;
	unsigned keeper;
	int error;

	sim_car_add(w, car);
	keeper = sim_car_choose(w, 0, NULL, 0);
	rate = car->nm == SIM_NM_OWN ? rate_of_nodes(w, &keeper, 1) : sim_car_rate(w, 0);
	factor = fmax(1.3, fmin(factor, 2 * FRAME_BUDGET / fmax(rate, 1) / w->limit_s));
	error = sim_evening(w, &evening);

	int64_t asks_until = w->settle + (int64_t)(1e9 * factor * w->limit_s);
	double awake_h = factor * w->limit_s / 3600;

	int culprit = sim_culprit(w, keeper);

	if (culprit != SIM_NOBODY)
		sim_ask(w, (unsigned)culprit, w->key_off - LULL_SEC / 2, asks_until - (w->key_off - LULL_SEC / 2));
	sim_end(w, awake_h + 1, awake_h + 7);
	sim_repeats(w, w->settle, asks_until - 60 * LULL_SEC);
	sim_holes(w, w->settle, asks_until - 120 * LULL_SEC);
	if (culprit != SIM_NOBODY)
		sim_truth(w, LULL_LATE_TO_SLEEP, culprit, LULL_KEEPER, decidable);
	else
		sim_truth_good(w);
	return error;
}

int sim_make_one_node_holds(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_OWN);

	return hold(w, &car, 1, true);
}

int sim_make_nm_asks(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_AUTOSAR);

	return hold(w, &car, 1, true);
}

int sim_make_ring_holds(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_OSEK);

	return hold(w, &car, 1, true);
}

/* No profile tells the layout, and the frames name their sender: all that a listener has is the standard's own structure. */
static void undeclared(struct sim_world *w)
{
	struct sim_bus *b = &w->bus[0];

	w->undeclared = true;
	if (b->nm_source_byte < 0) {
		b->nm_source_byte = 0;
		b->nm_control_byte = 1;
	}
}

int sim_make_nm_undeclared(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_AUTOSAR);

	return hold_altered(w, &car, 1, true, undeclared, NULL);
}

static void in_clusters(struct sim_world *w)
{
	w->bus[0].partial = true;
	for (unsigned i = 0; i < w->nodes; i++) {
		struct sim_node *n = &w->node[i];

		n->clusters = (uint8_t)(1u << sim_pick(w->plan, 4));
		if (sim_chance(w->plan, 0.3))
			n->clusters |= (uint8_t)(1u << sim_pick(w->plan, 4));
		/* somebody is left to acknowledge, whoever asks */
		if (n->gateway || i < 2)
			n->clusters = 0x0f;
	}
}

int sim_make_nm_partial(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_AUTOSAR);

	return hold_altered(w, &car, 1, true, in_clusters, NULL);
}

static void reduced(struct sim_world *w)
{
	w->bus[0].nm_reduction = true;
}

int sim_make_nm_reduced(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_AUTOSAR);

	return hold_altered(w, &car, 3, false, reduced, NULL);
}

int sim_make_nm_coordinated(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_AUTOSAR);
	struct sim_evening evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_SOME };
	unsigned gateway;
	int error;

	car.gateway = true;
	sim_car_add(w, &car);
	gateway = (unsigned)sim_car_gateway(w, 0);
	error = sim_evening(w, &evening);
	w->node[gateway].coordinates_from = w->key_off + sim_ns(w->plan, 10, 200);
	end_by_rate(w, sim_car_rate(w, 0));
	sim_ask(w, gateway, w->key_off - LULL_SEC / 2, 0);
	sim_truth(w, LULL_HELD_AWAKE, (int)gateway, LULL_RELAY, false);
	return error;
}

static void goes_deaf(struct sim_world *w, unsigned keeper)
{
	sim_act(w, w->key_off + sim_ns(w->plan, -10, 120), SIM_ACT_DEAF, (int)keeper, 0);
}

int sim_make_ring_limp_home(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_OSEK);

	return hold_altered(w, &car, 1, true, NULL, goes_deaf);
}

int sim_make_all_follow(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_FOLLOW);

	car.extended = sim_chance(w->plan, 0.2);
	return hold(w, &car, 1, false);
}

int sim_make_two_hold(struct sim_world *w)
{
	struct sim_car car = held_car(w, sim_chance(w->plan, 0.6) ? SIM_NM_OWN : SIM_NM_AUTOSAR);

	return hold(w, &car, 2, false);
}

int sim_make_address_holds(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_OWN);

	car.extended = true;
	return hold(w, &car, 1, true);
}

int sim_make_two_addresses(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_OWN);

	struct sim_evening evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_ALWAYS }; /* addresses are claimed at a start */
	unsigned keeper;
	int error;

	car.extended = car.twice = true;
	sim_car_add(w, &car);
	keeper = sim_car_choose(w, 0, NULL, 0);
	error = sim_evening(w, &evening);
	end_by_rate(w, rate_of_nodes(w, &keeper, 1));
	sim_ask(w, keeper, w->key_off - LULL_SEC / 2, 0);
	sim_truth(w, LULL_HELD_AWAKE, (int)keeper, LULL_KEEPER, true);
	return error;
}

int sim_make_late_one_node(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_OWN);

	car.extended = sim_chance(w->plan, 0.2);
	return late(w, &car, true);
}

int sim_make_late_nm(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_AUTOSAR);

	return late(w, &car, true);
}

int sim_make_late_ring(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_OSEK);

	return late(w, &car, true);
}

int sim_make_late_all_follow(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_FOLLOW);

	car.extended = sim_chance(w->plan, 0.2);
	return late(w, &car, false);
}

/* Another bus stays awake; of it only what the gateway forwards is seen here. */
int sim_make_forwarded_bus(struct sim_world *w)
{
	struct sim_car car = held_car(w, SIM_NM_OWN);
	struct sim_evening evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_SOME };
	unsigned gateway;
	int error;

	car.gateway = true;
	car.forwarded = 8 + sim_pick(w->plan, 13);
	sim_car_add(w, &car);
	gateway = (unsigned)sim_car_gateway(w, 0);
	error = sim_evening(w, &evening);
	end_by_rate(w, rate_of_nodes(w, &gateway, 1));
	sim_ask(w, gateway, w->key_off - LULL_SEC / 2, 0);
	sim_truth(w, LULL_HELD_AWAKE, (int)gateway, LULL_RELAY, false);
	return error;
}

int sim_make_dongle_polls(struct sim_world *w)
{
	struct sim_car car = held_car(w, sim_chance(w->plan, 0.7) ? SIM_NM_OWN : (enum sim_nm)sim_pick(w->plan, 4));
	struct sim_evening evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_NEVER };
	unsigned asker;
	int error;

	car.extended = car.nm == SIM_NM_OWN && sim_chance(w->plan, 0.25);
	car.answering = 1 + sim_pick(w->plan, 3);
	car.rate_high = 120;
	sim_car_add(w, &car);
	/* A node that hears a request now and then does not fall asleep between. */
	for (unsigned i = 0; i < w->nodes; i++)
		w->node[i].linger_ns += 3 * LULL_SEC;
	asker = sim_car_tester(w);
	error = sim_evening(w, &evening);
	end_by_rate(w, sim_car_rate(w, 0) + 3 * rate_of_nodes(w, &asker, 1));
	sim_ask(w, asker, sim_ns(w->plan, 0.1, 5), 0);
	sim_truth(w, LULL_HELD_AWAKE, (int)asker, LULL_KEEPER, true);
	return error;
}
