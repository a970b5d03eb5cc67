/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_traffic: invents the messages of a bus: IDs, contents, periods, and how much of it there is. Pure. */
#ifndef LULL_SOURCE_SIM_TRAFFIC_H
#define LULL_SOURCE_SIM_TRAFFIC_H

#include <source/sim_car.h>

/* Which IDs of the bus being made are taken (11-bit), and how IDs are dealt out. */
struct sim_deal {
	bool used[2048];
	unsigned style;
	unsigned block; /* of the node being made */
};

/* A node's messages are contiguous: all of one before the next node's first. */
struct sim_msg *sim_add_msg(struct sim_world *, unsigned node, uint32_t id, enum sim_msg_kind);
/* Parked period 0: only with the key on. */
struct sim_msg *sim_add_cyclic(struct sim_world *, struct sim_deal *, unsigned node, double key_ms, double parked_ms);
uint32_t sim_new_id(struct sim_world *, struct sim_deal *, const struct sim_node *);
void sim_content(struct sim_world *, struct sim_msg *); /* length, counter, checksum, a signal */
double sim_park_ms(struct sim_world *); /* a period of parked traffic */
double sim_drive_ms(struct sim_world *, bool slow); /* one of driving */
/* Messages of nodes of another bus, with their clocks, through the gateway. */
void sim_forward(struct sim_world *, struct sim_deal *, unsigned gateway, unsigned count);
/* Timers count ticks: periods that are no whole number of them come out wrong, the same for IDs of one period. */
void sim_round_to_ticks(struct sim_world *, unsigned bus);
/* Slows messages down until the bus carries no more than that, in frames a second. */
void sim_tame(struct sim_world *, unsigned bus, bool key, double rate);

#endif
