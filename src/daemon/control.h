/* SPDX-License-Identifier: GPL-3.0-or-later */
/* control: the UNIX socket over which marks are given and the state is asked for. SOCK_SEQPACKET, mode 0660, with a group of its
 * own; who asks is checked by the kernel's word (SO_PEERCRED), and what is asked is bounded. */
#ifndef LULL_DAEMON_CONTROL_H
#define LULL_DAEMON_CONTROL_H

#include <daemon/command.h>
#include <systemd/sd-event.h>
#include <sys/types.h>

struct lull_control;

/* What a command leads to: the answer, a JSON text of its own (free()d by the control), or NULL: out of memory. */
typedef char *lull_control_handler(void *ctx, const struct lull_command *);

/* Makes the socket; an old one in its place goes. Call it before privileges drop. -errno with a message. */
LULL_MUST_CHECK int lull_control_open(struct lull_control **, const char *path, const char *group, char *err, size_t err_size);
/* This user may give marks and ask for the state, and nothing else, whichever groups it is in: the page's, which strangers' browsers talk to.
 * Without such a user nothing changes. Call it before privileges drop. */
void lull_control_viewer(struct lull_control *, const char *user);
/* From here on it answers. */
LULL_MUST_CHECK int lull_control_attach(struct lull_control *, sd_event *, lull_control_handler *, void *ctx);
void lull_control_close(struct lull_control *);

#endif
