/* SPDX-License-Identifier: GPL-3.0-or-later */
/* state: how everything stands right now, as JSON: what `lull status` shows.
 *
 *   { "ok": true, "format": "lull.state", "version": 1, "recording": PATH or null, "uuid", "recorder",
 *     "vehicle": { "id", "model" }, "time_s", "counted_from_s", "utc": TEXT or null,
 *     "buses": [ { "name", "interface", "adapter", "state": "awake" | "quiet" | "blind", "why": [REASON], "since_s",
 *                  "proven": quiet after frames were heard on this very socket, "frames", "errors",
 *                  "lost": { "socket", "ring", "controller" }, "last_s", "last_id", "talking": [ID], "listen_only",
 *                  "controller", "bitrate", "buffer_bytes", "sent_here" } ],
 *     "current": null or { "mA", "at_s", "lost": null or REASON },
 *     "disk": { "written_bytes", "written_s_ago", "trouble": null or TEXT, "free_bytes" }, "receiver": { "wakeups", "frames" } }
 *
 * Instants are recording time in seconds, null where unknown. Frames, errors, losses and written bytes are counted from "counted_from_s"
 * on: 0, or in a recording that was gone on with the recorder's last start. "recording" is null as long as no file can be made;
 * "trouble" tells why. */
#ifndef LULL_DAEMON_STATE_H
#define LULL_DAEMON_STATE_H

#include <daemon/ears.h>

struct lull_clamp_state {
	bool present;
	bool lost;
	double mA;
	int64_t at; /* CLOCK_BOOTTIME of the last reading; 0: none yet */
	char why[128];
};

/* A JSON text to free(); NULL: out of memory. */
char *lull_state_text(const struct lull_ears *, const struct lull_clamp_state *, const struct lull_moment *);

#endif
