/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ignition: an input line that follows the car's key, through the kernel's GPIO character device: it marks key on and key off. */
#ifndef LULL_DAEMON_IGNITION_H
#define LULL_DAEMON_IGNITION_H

#include <lull/terms.h>
#include <stdbool.h>
#include <systemd/sd-event.h>

struct lull_ignition;

/* at: CLOCK_BOOTTIME. Called once a change has lasted 200 ms: contacts bounce, and a starter pulls the supply down. */
typedef void lull_ignition_handler(void *ctx, bool on, int64_t at);

/* -errno with a message: no such chip or line, or taken. */
LULL_MUST_CHECK int lull_ignition_open(struct lull_ignition **, const char *chip, unsigned line, bool active_low, char *err, size_t err_size);
LULL_MUST_CHECK int lull_ignition_attach(struct lull_ignition *, sd_event *, lull_ignition_handler *, void *ctx);
void lull_ignition_close(struct lull_ignition *);

#endif
