/* SPDX-License-Identifier: GPL-3.0-or-later */
/* command: what is asked for over the control socket: one packet, one line of text: "mark key off", "mark -90 door" (90 s ago; "-5m",
 * "-1.5h" are taken too), "status", "status fresh", "new". Pure. */
#ifndef LULL_DAEMON_COMMAND_H
#define LULL_DAEMON_COMMAND_H

#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>

#define LULL_COMMAND_MOST 512 /* bytes of a request */
#define LULL_ANSWER_MOST (128 * 1024)
#define LULL_MARK_TEXT 160 /* bytes, with the terminator */
#define LULL_AGO_MOST (24 * 60 * LULL_MIN)

enum lull_verb { LULL_VERB_MARK, LULL_VERB_STATUS, LULL_VERB_NEW };

struct lull_command {
	enum lull_verb verb;
	int64_t ago; /* mark: how long ago it was, ns */
	char text[LULL_MARK_TEXT]; /* mark */
	bool fresh; /* status: what is open is written to the disk first */
};

/* The bytes of a packet, as they came. -EINVAL with a sentence for whoever asked. */
LULL_MUST_CHECK int lull_command_parse(const char *bytes, size_t n, struct lull_command *, char *err, size_t err_size);

#endif
