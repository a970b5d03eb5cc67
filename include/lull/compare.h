/* SPDX-License-Identifier: GPL-3.0-or-later */
/* compare: two nights of one car, before and after a repair: what differs by more than its noise. Pure. */
#ifndef LULL_COMPARE_H
#define LULL_COMPARE_H

#include <lull/verdict.h>

enum lull_measure { LULL_TIME_TO_SLEEP, LULL_WAKES_A_DAY, LULL_QUIET_DRAW, LULL_CHARGE_A_DAY, LULL_MEASURE_COUNT };
const char *lull_measure_name(enum lull_measure); /* "time-to-sleep" "wakes-a-day" "quiet-draw" "charge-a-day" */

/* The difference against its noise. LULL_NO_MORE_THAN_NOISE does not say that nothing changed. */
enum lull_difference { LULL_NOT_KNOWN, LULL_NO_MORE_THAN_NOISE, LULL_LESS, LULL_MORE };
const char *lull_difference_name(enum lull_difference); /* "unknown" "within-noise" "less" "more" */

/* Seconds, a day, mA, mAh a day. NAN: not measured; low and high as the noise allows, high INFINITY: at least so long. */
struct lull_reading {
	double value, low, high;
	double limit; /* NAN: there is none for this measure */
};

struct lull_compared {
	enum lull_measure what;
	char bus[LULL_BUS_NAME]; /* "" the whole car */
	struct lull_reading before, after;
	enum lull_difference difference;
	char noise[256]; /* how it was told from noise, or why it is unknown */
};

enum lull_fate { LULL_GONE, LULL_STILL, LULL_NEW, LULL_FATE_UNKNOWN };
const char *lull_fate_name(enum lull_fate); /* "gone" "still-there" "new" "unknown" */

struct lull_fate_of {
	enum lull_fate fate;
	const struct lull_finding *before, *after; /* borrowed from the verdicts; NULL: not among that night's */
	char bus[LULL_BUS_NAME];
	char why[256];
};

enum lull_outcome {
	LULL_WORKED, /* what was there is gone, as far as it was measured, and nothing new */
	LULL_PARTLY, /* some of it is gone or less, and some is there */
	LULL_DID_NOT_WORK,
	LULL_UNDECIDED, /* not measured well enough on one side */
	LULL_NOTHING_BEFORE /* the night before shows nothing to repair */
};
const char *lull_outcome_name(enum lull_outcome); /* "worked" "partly" "did-not-work" "undecided" "nothing-before" */

struct lull_comparison {
	LULL_ARRAY(struct lull_compared) measures;
	LULL_ARRAY(struct lull_fate_of) findings; /* faults only: not what a night could not tell */
	enum lull_outcome outcome;
	bool all_clear; /* within-limit is all that the night after says */
	size_t ids_before, ids_after, ids_shared; /* few shared ones: not the same car, or not the same bus */
};

/* Buses are paired by name, or where each night has but one. The verdicts must outlive *out. -ENOMEM. Free with
 * lull_comparison_clear(). */
LULL_MUST_CHECK int lull_compare(const struct lull_night *before, const struct lull_verdict *, const struct lull_night *after,
	const struct lull_verdict *, struct lull_comparison *out);
void lull_comparison_clear(struct lull_comparison *);
/* Most IDs of the shorter list are not in the other. */
bool lull_comparison_doubtful(const struct lull_comparison *);
/* 0 if it worked and the night after is within the limit, else 1. */
int lull_comparison_status(const struct lull_comparison *);

#endif
