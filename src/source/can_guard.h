/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_guard: a library call that may block for ever, in a process of its own, with a deadline. */
#ifndef LULL_SOURCE_CAN_GUARD_H
#define LULL_SOURCE_CAN_GUARD_H

#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>

/* Runs work(arg) in a forked process and kills it after the deadline. Returns what work returned (0, or a negative errno), or
 * -ETIMEDOUT, -ECHILD (it died), -errno of fork or pipe. said: what it wrote to stderr, "" if nothing; stdin, stdout and stderr
 * of the caller are not touched. For processes of one thread. */
LULL_MUST_CHECK int lull_guard_run(int (*work)(const void *arg), const void *arg, unsigned deadline_ms, char *said,
	size_t said_size);

#endif
