/* SPDX-License-Identifier: GPL-3.0-or-later */
/* loop: the recorder's main process from its start to its end: an sd-event loop that ties receiver, ears, book and watchdog
 * together. */
#ifndef LULL_DAEMON_LOOP_H
#define LULL_DAEMON_LOOP_H

#include <source/config.h>
#include <stdbool.h>

struct lull_loop_options {
	const char *config_path; /* read again at SIGHUP */
	bool unconfined; /* without seccomp filters: for tests under tools that need calls of their own */
};

/* Runs until SIGTERM or SIGINT. Exit status. *config is taken over. */
int lull_loop_run(struct lull_config *, const struct lull_loop_options *);

#endif
