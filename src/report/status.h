/* SPDX-License-Identifier: GPL-3.0-or-later */
/* status: how it stands now, as one line of JSON (lull.status, 1): what `lull status` and the live view show.
 *
 * { "format": "lull.status", "version": 1, "live", "name", "uuid", "vehicle": { "id", "model" }, "start_utc", "now_s", "key_off_s", "settle_from_s",
 *   "limits": { "draw_mA", "sleep_s" },
 *   "buses": [ { "name", "state": "awake" | "quiet" | "blind", "proven", "since_s", "why", "frames",
 *                "sending": [ { "id", "node", "last_s" } ], "stopped": [ ... the last to stop first ] } ],
 *   "current": null | { "now_mA", "at_s", "lost", "quiet_mA", "quiet_error_mA", "recent": [ [s, mA], ... ] },
 *   "marks": [ { "at_s", "text" } ],
 *   "finding": null | { "code", "headline", "who", "confidence" } }
 *
 * Instants are seconds from the start of the recording; what is not known is null. "recent" are the last two minutes, at most 600
 * points, oldest first. */
#ifndef LULL_REPORT_STATUS_H
#define LULL_REPORT_STATUS_H

#include <lull/verdict.h>
#include <stdio.h>

struct lull_status {
	bool live;
	const char *name; /* of the recording; may be NULL */
	lull_time now;
};

/* Of a night and its verdict. 0, -ENOMEM, or a negative errno of the stream. */
LULL_MUST_CHECK int lull_status_json(FILE *, const struct lull_night *, const struct lull_verdict *, const struct lull_status *);
/* {"start_ms", "from_s", "step_s", "least": [], "most": [], "mean": []}: the night's current in so many columns, mA; start_ms is the wall
 * clock of recording time 0 in ms since 1970, or null. */
LULL_MUST_CHECK int lull_trace_json(FILE *, const struct lull_night *, const struct lull_verdict *, unsigned columns);

#endif
