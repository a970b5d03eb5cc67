/* SPDX-License-Identifier: GPL-3.0-or-later */
/* rows (report): what a recording holds as tables, for a spreadsheet or another program. Instants are seconds from the start
 * of the recording, as in the report's JSON. */
#ifndef LULL_REPORT_ROWS_H
#define LULL_REPORT_ROWS_H

#include <lull/verdict.h>
#include <stdio.h>

/* One row for each spell: bus, from_s, to_s, utc (of from_s), kind, first_id, last_id, frames, woken_by, kept_by, begun, closed,
 * relayed, lone, proof, charge_mAs. */
void lull_rows_spells(FILE *, bool json, const struct lull_night *, const struct lull_verdict *);
/* One row for each stretch: bus, id, extended, first_s, last_s, frames, kind, end, period_ms, ppm, ppm_error, gap_min_ms,
 * gap_max_ms, back_to_back, bits. */
void lull_rows_stretches(FILE *, bool json, const struct lull_night *);
/* One row for each sample, by the recording's clock as the verdict lays it, with zero and logger taken off: time_s, current_mA,
 * read_mA. */
void lull_rows_current(FILE *, bool json, const struct lull_night *, const struct lull_verdict *);
/* The frames kept around the edges of spells as pcapng (draft-ietf-opsawg-pcapng) with one interface for each bus, link type
 * CAN_SOCKETCAN (227), nanoseconds. Back-to-back copies are one packet with a comment. 0 or a negative errno. */
LULL_MUST_CHECK int lull_rows_frames_pcapng(FILE *, const struct lull_night *);
/* The same as rows: bus, time_s, id, extended, kind, copies, last_copy_s, len, data, utc (of time_s). */
void lull_rows_frames(FILE *, bool json, const struct lull_night *);

#endif
