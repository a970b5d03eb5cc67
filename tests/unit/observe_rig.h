/* SPDX-License-Identifier: GPL-3.0-or-later */
/* observe_rig: an observer of one bus that writes into a night. */
#ifndef LULL_TEST_OBSERVE_RIG_H
#define LULL_TEST_OBSERVE_RIG_H

#include <lull/night.h>
#include <lull/observe.h>

struct observe_rig {
	struct lull_night night;
	struct lull_sink sink;
	struct lull_observer *observer;
	int bus;
};

void observe_begin(struct observe_rig *);
/* Everything ends at t; the night's rows are sorted. Free them with lull_night_clear(). */
void observe_end(struct observe_rig *, lull_time t);
void observe_send(struct observe_rig *, lull_time t, uint32_t id, uint64_t payload);
/* 8 bytes of payload, the lowest first. */
struct lull_frame observe_frame(lull_time t, uint32_t id, uint64_t payload);
/* How many stretches an ID has, and the first of them. */
size_t observe_rows(const struct observe_rig *, uint32_t id, const struct lull_stretch **first);
/* The stretch of an ID that has one. */
const struct lull_stretch *observe_only_row(const struct observe_rig *, uint32_t id);
/* Even between -most and most, the same on every run from the same state. */
int64_t observe_noise(uint64_t *state, int64_t most);

#endif
