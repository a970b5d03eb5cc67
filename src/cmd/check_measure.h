/* SPDX-License-Identifier: GPL-3.0-or-later */
/* check_measure: listening at the buses and reading the clamp for lull check. */
#ifndef LULL_CMD_CHECK_MEASURE_H
#define LULL_CMD_CHECK_MEASURE_H

#include <lull/ready.h>
#include <source/live.h>
#include <source/can_link.h>

struct lull_check_bus {
	char name[LULL_BUS_NAME]; /* as in recordings */
	char interface[LULL_LINK_NAME]; /* "": its adapter is not there */
	uint32_t bitrate;
	bool accepted;
};

/* How each bus stands; facts[i] for bus[i], its traffic pointing to traffic[i]. */
void lull_check_look(const struct lull_check_bus *bus, size_t n, struct lull_ready_bus *facts, struct lull_ready_traffic *traffic);
/* Listens at all that are up; with `wakes` it ends when each bus was woken so often. -1 with a message: no listening at all. */
int lull_check_listen(const struct lull_check_bus *bus, size_t n, double seconds, unsigned wakes, const volatile int *stop,
	struct lull_ready_bus *facts, struct lull_ready_traffic *traffic, char *err, size_t err_size);
/* Reads the clamp for so long. A recorder that runs (its control socket) and holds the instrument is asked instead: two readers
 * of one line would each get half. Fills facts->clamp. -ENOMEM. */
int lull_check_clamp(const struct lull_live_spec *, const char *socket, double seconds, const volatile int *stop,
	struct lull_ready_facts *facts);

#endif
