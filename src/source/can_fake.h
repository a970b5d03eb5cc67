/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_fake: an adapter that is not there, for tests: the operations of can_link and the listening of can_search on a made-up
 * controller and a made-up bus. */
#ifndef LULL_SOURCE_CAN_FAKE_H
#define LULL_SOURCE_CAN_FAKE_H

#include <source/can_link.h>
#include <source/can_search.h>

struct lull_fake_adapter {
	struct lull_link_state state; /* name and index 0: no such interface */
	/* What its driver does wrong. */
	int fail_query, fail_down, fail_set, fail_up; /* -errno, 0 none */
	const char *said; /* with a failure */
	bool ignores_listen_only; /* takes the flag and does not keep it */
	bool loses_listen_only; /* when it comes up */
	bool vanishes_on_up;
	uint32_t other_rate; /* reads back this rate whatever was set; 0 as set */
	uint32_t most_rate, most_fd_rate; /* 0: no bound */
	/* The bus on its plug. */
	uint32_t bus_rate, bus_fd_rate; /* 0: nothing on it */
	unsigned classical_per_s, fd_per_s; /* frames */
	bool lone_sender; /* one ID, over and over */
	bool stuck_dominant;
	bool passes_over_fd; /* with FD off: FD frames are no errors to it, they are nothing */
	bool shows_errors;
	/* What was done to it: D down, S set, U up, q query, L listen; and whether it was ever up without listen-only. */
	char log[256];
	bool acknowledged;
};

/* An adapter with listen-only and bus errors; `fd` with CAN FD too; down. */
struct lull_fake_adapter lull_fake_new(const char *name, bool fd);
/* Both act on the adapter, which must outlive them. */
struct lull_link_io lull_fake_link(struct lull_fake_adapter *);
struct lull_search_io lull_fake_search(struct lull_fake_adapter *);

#endif
