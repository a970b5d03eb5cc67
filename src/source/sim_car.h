/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_car: invents one bus of a car: its nodes, their IDs, habits and clocks. Pure. */
#ifndef LULL_SOURCE_SIM_CAR_H
#define LULL_SOURCE_SIM_CAR_H

#include <source/sim_world.h>

struct sim_car {
	enum sim_nm nm;
	bool extended; /* J1939-like 29-bit IDs with source addresses */
	bool twice; /* ... and some nodes own two of them */
	bool gateway; /* one of the nodes is a gateway */
	bool seen_alone; /* a lone sender is heard alone for a while before a second controller is up */
	bool always_acks; /* some node always acknowledges */
	bool line; /* all are on the wake line, and up before the first of them sends */
	bool lone; /* one node has a slow message that wakes nobody */
	unsigned forwarded; /* messages the gateway forwards from other nodes' bus */
	unsigned answering; /* nodes that answer diagnostic requests */
	double rate_low, rate_high; /* parked frames a second of the whole bus */
};

/* Adds the bus and its nodes; the nodes' indices are contiguous. Returns the bus's index. */
unsigned sim_car_add(struct sim_world *, const struct sim_car *);
/* A tester at the diagnostic port of bus 0; its node index. */
unsigned sim_car_tester(struct sim_world *);

/* A random node of the bus that may ask for the network (sends NM where there is any, is supplied without the
 * key, is no gateway or tester) and none of `except`. */
unsigned sim_car_choose(struct sim_world *, unsigned bus, const unsigned *except, unsigned excepted);
/* Index of a gateway's half on that bus, or SIM_NOBODY. */
int sim_car_gateway(const struct sim_world *, unsigned bus);
/* Frames a second of the parked bus when all send. */
double sim_car_rate(const struct sim_world *, unsigned bus);

#endif
