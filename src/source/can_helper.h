/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_helper: a small process that keeps CAP_NET_ADMIN when its parent gives it up, and sets up links on request.
 *
 * Started before privileges drop. It takes fixed-size requests over a socket pair, does what lull_link_setup() does, and answers
 * with the read-back. It sets nothing but CAN interfaces, and none without listen-only unless told so at its start: whoever
 * takes over the parent cannot make it acknowledge. It ends with its parent. */
#ifndef LULL_SOURCE_CAN_HELPER_H
#define LULL_SOURCE_CAN_HELPER_H

#include <source/can_link.h>
#include <sys/types.h>

struct lull_helper;

struct lull_helper_answer {
	uint32_t ticket;
	enum lull_link_result result;
	struct lull_link_state state;
	char why[160];
};

/* Forks: call it while the process has one thread and still has its privileges. uid, gid: what the helper becomes; (uid_t)-1:
 * stays. allow_acknowledging: requests may say accept_acknowledging. -EPERM: no CAP_NET_ADMIN to keep, nothing was started.
 * io NULL: the kernel's. */
LULL_MUST_CHECK int lull_helper_start(struct lull_helper **, uid_t uid, gid_t gid, bool allow_acknowledging,
	const struct lull_link_io *io);
/* Becomes readable when an answer is there, or the helper is gone. */
int lull_helper_fd(const struct lull_helper *);
pid_t lull_helper_pid(const struct lull_helper *);
/* Never blocks. -EAGAIN: too many requests wait; -EPIPE: the helper is gone; -EINVAL: see lull_link_spec_check(). */
LULL_MUST_CHECK int lull_helper_ask(struct lull_helper *, const struct lull_link_spec *, uint32_t *ticket);
/* Never blocks. 0: *answer is filled; -EAGAIN: none yet; -EPIPE: the helper is gone. An answer takes some 30 s at worst. */
LULL_MUST_CHECK int lull_helper_answer(struct lull_helper *, struct lull_helper_answer *);
/* Ends and reaps it. */
void lull_helper_stop(struct lull_helper *);

#endif
