/* SPDX-License-Identifier: GPL-3.0-or-later */
/* terms: the few words of the house, the units, and the enumerations that all layers share.
 *
 * recording  one night, one SQLite file *.lull
 * stretch    one arbitration ID sending without a break
 * spell      one bus awake without a break; quiet between two spells
 * coverage   when a bus was really observed; the rest is blind, with a reason
 * keeper     the node for which a spell goes on
 * waker      the node that began a spell
 * kin        IDs that behave as one sender does
 * mark       something a person did or says, with its time
 * finding    one statement about the drain
 */
#ifndef LULL_TERMS_H
#define LULL_TERMS_H

#include <stdint.h>

#define LULL_MUST_CHECK __attribute__((warn_unused_result))
#define LULL_PRINTF(f, a) __attribute__((format(printf, f, a)))

/* Recording time: nanoseconds from the start of the recording. May be negative only while a
 * source is being lined up; rows in a recording are never negative. */
typedef int64_t lull_time;
#define LULL_NEVER INT64_MIN /* unknown instant; null in JSON */
/* No recording is longer, and no instant, period or length of time in one: ten years. The analysis may add or multiply some twenty of
 * them. */
#define LULL_LONGEST (INT64_C(3653) * 24 * 60 * LULL_MIN)
#define LULL_US INT64_C(1000)
#define LULL_MS INT64_C(1000000)
#define LULL_SEC INT64_C(1000000000)
#define LULL_MIN (60 * LULL_SEC)

/* Seconds, for reports only: NAN for LULL_NEVER. */
double lull_seconds(lull_time t);

#define LULL_BUS_MAX 16 /* buses in one recording */
#define LULL_BUS_ALL 255 /* a row that concerns every bus */
#define LULL_BUS_NAME 32 /* bytes, with the terminator */
#define LULL_NODE_NAME 64 /* bytes, with the terminator */

enum lull_bus_state { LULL_BUS_AWAKE, LULL_BUS_QUIET, LULL_BUS_BLIND };
const char *lull_bus_state_name(enum lull_bus_state);

/* Coverage: LULL_OBSERVED, or the reason why a bus could not be heard. The names (which are also
 * what a coverage CSV says) come from lull_coverage_name(). */
enum lull_coverage_why {
	LULL_OBSERVED, /* "observed" */
	LULL_BLIND_CAPTURE_ENDED, /* "capture ended" */
	LULL_BLIND_NOT_LISTENING, /* "not listening": before a start, or told by a person */
	LULL_BLIND_CLOCK_STEP, /* "clock step" */
	LULL_BLIND_FRAMES_LOST, /* "frames lost" */
	LULL_BLIND_UNDECIDED, /* "undecided gap": a silence or a clock step, cannot be told */
	LULL_BLIND_FILE_DAMAGED, /* "file damaged" */
	LULL_BLIND_LINK_DOWN, /* "link down" */
	LULL_BLIND_ADAPTER_GONE, /* "adapter gone" */
	LULL_BLIND_ERROR_PASSIVE, /* "error-passive" */
	LULL_BLIND_BUS_OFF, /* "bus-off" */
	LULL_BLIND_RESTARTED, /* "recorder restarted" */
	LULL_BLIND_COALESCING, /* "receive coalescing" */
	LULL_BLIND_POWER, /* "low supply": a planned end */
	LULL_COVERAGE_COUNT
};
const char *lull_coverage_name(enum lull_coverage_why);
/* Case and space/hyphen/underscore do not matter. -EINVAL: no such word. */
LULL_MUST_CHECK int lull_coverage_parse(const char *text, enum lull_coverage_why *);

/* Known marks; any other text is kept as LULL_MARK_OTHER and shown. */
enum lull_mark_kind {
	LULL_MARK_KEY_ON,
	LULL_MARK_KEY_OFF,
	LULL_MARK_DOOR,
	LULL_MARK_MORNING,
	LULL_MARK_CLAMP_ZERO,
	LULL_MARK_TEST_LOAD, /* value: mA */
	LULL_MARK_UNPLUGGED, /* name: node */
	LULL_MARK_REPLUGGED, /* name: node */
	LULL_MARK_FUSE_OUT, /* name: circuit */
	LULL_MARK_FUSE_BACK, /* name: circuit */
	LULL_MARK_LISTENING,
	LULL_MARK_STOPPED_LISTENING,
	LULL_MARK_OTHER,
	LULL_MARK_COUNT
};
const char *lull_mark_name(enum lull_mark_kind);

enum lull_code {
	LULL_WITHIN_LIMIT,
	LULL_DRAW_NOT_MEASURED,
	LULL_TOO_EARLY,
	LULL_HELD_AWAKE,
	LULL_LATE_TO_SLEEP,
	LULL_WOKEN_AGAIN,
	LULL_WOKEN_FROM_OUTSIDE,
	LULL_DRAW_WHILE_QUIET,
	LULL_PULSES_WHILE_QUIET,
	LULL_BUS_NOT_VISIBLE,
	LULL_BLIND,
	LULL_CLAMP_LOST,
	LULL_CODE_COUNT
};
const char *lull_code_name(enum lull_code); /* as in the report's JSON: "held-awake" */
LULL_MUST_CHECK int lull_code_parse(const char *text, enum lull_code *);

/* keeper and waker accuse; load and relay never do. */
enum lull_role { LULL_KEEPER, LULL_WAKER, LULL_LOAD, LULL_RELAY };
const char *lull_role_name(enum lull_role);

enum lull_standing { LULL_SEEN, LULL_LIKELY, LULL_CONFIRMED }; /* "observed" "likely" "confirmed" */
const char *lull_standing_name(enum lull_standing);

enum lull_named_by {
	LULL_BY_PROFILE, /* "profile" */
	LULL_BY_SOURCE_ADDRESS, /* "source-address" */
	LULL_BY_NM, /* "nm" */
	LULL_BY_LEARNED, /* "learned" */
	LULL_BY_TIMING /* "timing" */
};
const char *lull_named_by_name(enum lull_named_by);

/* Where an instant or a limit comes from. */
enum lull_by { LULL_FROM_NOTHING, LULL_FROM_MARK, LULL_FROM_TRAFFIC, LULL_FROM_CURRENT, LULL_FROM_KEY_OFF,
	LULL_FROM_DISTURBANCE, LULL_FROM_START };
const char *lull_by_name(enum lull_by);

enum lull_limit_source { LULL_LIMIT_RULE_OF_THUMB, LULL_LIMIT_USER, LULL_LIMIT_PROFILE, LULL_LIMIT_MAKER };
const char *lull_limit_source_name(enum lull_limit_source);

#endif
