/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clamp_feed: the instrument on the battery cable, read while the buses are listened to: readings become chunks of some 300 s in the
 * book. A reading that does not come is no reading: the chunk ends there. */
#ifndef LULL_DAEMON_CLAMP_FEED_H
#define LULL_DAEMON_CLAMP_FEED_H

#include <daemon/book.h>
#include <daemon/state.h>
#include <systemd/sd-event.h>

struct lull_clamp_feed;

/* now: CLOCK_BOOTTIME; from then on the instrument is tried. NULL in *out and 0: the configuration has no clamp. -EINVAL with a
 * message: it does not make sense. */
LULL_MUST_CHECK int lull_clamp_feed_open(
	struct lull_clamp_feed **out, const struct lull_config_clamp *, lull_time now, char *err, size_t err_size);
/* From here on it is read, into that book. */
LULL_MUST_CHECK int lull_clamp_feed_attach(struct lull_clamp_feed *, sd_event *, struct lull_book *);
/* Takes what has come by now (CLOCK_BOOTTIME) and arms the event loop for what comes next; called by it. */
void lull_clamp_feed_step(struct lull_clamp_feed *, int64_t now);
/* What is held goes into the present book; what follows into the next one (NULL: none). */
LULL_MUST_CHECK int lull_clamp_feed_turn(struct lull_clamp_feed *, struct lull_book *next);
void lull_clamp_feed_state(const struct lull_clamp_feed *, struct lull_clamp_state *);
void lull_clamp_feed_close(struct lull_clamp_feed *);

#endif
