/* SPDX-License-Identifier: GPL-3.0-or-later */
/* when: instants and lengths of time as people read them. */
#ifndef LULL_REPORT_WHEN_H
#define LULL_REPORT_WHEN_H

#include <lull/verdict.h>

#define LULL_WHEN 48 /* bytes that any of these texts fits in */

/* How a report shows instants: set up once from a recording. */
struct lull_when {
	const struct lull_night *night;
	lull_time zero; /* what "+0:31:05" counts from: key-off, else the recording's start */
	bool from_key_off;
	bool clock; /* local wall-clock times are known */
	bool days; /* the recording is long enough for week days to be needed */
};
struct lull_when lull_when_new(const struct lull_night *, const struct lull_verdict *);

/* Length: "0:31:05", to the second. */
const char *lull_when_hms(lull_time length, char buf[static LULL_WHEN]);
/* "250 ms", "5 s", "12.3 s", "4 min 05 s", "20 min", "8 h 00 min". */
const char *lull_when_length(lull_time length, char buf[static LULL_WHEN]);
/* "+0:31:05" from the zero; "-" if unknown. */
const char *lull_when_since(const struct lull_when *, lull_time, char buf[static LULL_WHEN]);
/* Local wall-clock "23:12:26" or "Fri 23:12:26"; "" if no clock is known. */
const char *lull_when_clock(const struct lull_when *, lull_time, char buf[static LULL_WHEN]);
/* Both: "23:12:26 (+0:31:05)", or what is known of them. */
const char *lull_when_both(const struct lull_when *, lull_time, char buf[static LULL_WHEN]);
/* "Thu 2026-03-05 22:41", local; "" if no clock is known. */
const char *lull_when_date(const struct lull_when *, lull_time, char buf[static LULL_WHEN]);
/* Time of day, local as at t: "02:50", of seconds since midnight UTC, to the nearest minute; "" if no clock is known. */
const char *lull_when_of_day(const struct lull_when *, lull_time t, double utc_s, char buf[static LULL_WHEN]);
/* ISO 8601 in UTC with so many decimals of a second (0..9): "2026-03-05T22:41:07.120Z"; "" if out of range. */
const char *lull_when_iso(int64_t utc_ns, unsigned decimals, char buf[static LULL_WHEN]);

#endif
