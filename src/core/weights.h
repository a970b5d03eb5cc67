/* SPDX-License-Identifier: GPL-3.0-or-later */
/* weights: the few probabilities behind every suspect, in one place. Pure.
 *
 * Each clue has the probability with which it points at the right node, and each doubt a factor on the odds p / (1 - p): a
 * logistic model with one coefficient a clue and one a doubt. A clue that leaves several nodes has the probability that
 * the right one is among them; they share it equally.
 *
 * How they came about: scripts/fit-weights.sh judges invented nights with known truth, writes one row a suspect, and fits
 * all coefficients at once by penalised maximum likelihood (half a right and half a wrong suspect added to each, so that
 * no weight becomes 0 or 1). It prints these lines. The nights it fits on (seeds 1001-1060 and 1001-1025) are none of those on which the
 * table of calibration is printed. Confidence over one role sums to 1 at most, so where several suspects truly hold it
 * (two keepers; a node listed as two senders), each counts as right by its part. What no night shows often enough to be fitted is
 * marked "set", and none is above 0.995: invented nights hold no surprise that nobody thought of. Nothing is tuned to a scenario: a weight knows no more of a night than its clue. */
#ifndef LULL_CORE_WEIGHTS_H
#define LULL_CORE_WEIGHTS_H

#include <lull/verdict.h>

/* X(clue, probability) */
#define WEIGHTS(X) \
	X(LULL_CLUE_NONE, 0.5) /* set: nothing speaks for it or against it */ \
	X(LULL_CLUE_REQUESTS, 0.995) \
	X(LULL_CLUE_NM_ALONE, 0.995) \
	X(LULL_CLUE_RING_ALONE, 0.995) \
	X(LULL_CLUE_LEFT_ALONE, 0.995) \
	X(LULL_CLUE_ONLY_SENDER, 0.96) \
	X(LULL_CLUE_NM_SEVERAL, 0.97) \
	X(LULL_CLUE_NM_HIDDEN, 0.07) \
	X(LULL_CLUE_RING_SEVERAL, 0.95) /* set: too few */ \
	X(LULL_CLUE_LEFT_SEVERAL, 0.97) \
	X(LULL_CLUE_PULL_SEVERAL, 0.80) \
	X(LULL_CLUE_PULL_LIKELY, 0.96) \
	X(LULL_CLUE_PULL_CONFIRMED, 0.995) \
	X(LULL_CLUE_REQUEST_FIRST, 0.995) \
	X(LULL_CLUE_ACTIVE_BIT, 0.995) \
	X(LULL_CLUE_UNACKNOWLEDGED, 0.995) \
	X(LULL_CLUE_ORDER, 0.995) \
	X(LULL_CLUE_ORDER_SEVERAL, 0.15)

/* X(doubt, factor on the odds) */
#define DOUBTS(X) \
	X(LULL_DOUBT_INFERRED, 0.80) /* set: the fit sees none since rings are recognised better */ \
	X(LULL_DOUBT_FIRST_THERE, 0.06) \
	X(LULL_DOUBT_ONCE, 0.3) /* set: the nights hold no single wake that is a finding */ \
	X(LULL_DOUBT_GROUPED, 0.12) /* of those that are left when the others have stopped: several, or an only one */

/* Probability that the suspect a clue points at holds the role; of a list, that one of it does. */
double case_weight(enum lull_clue, unsigned doubts);
/* Of tests (pulls_score): who pulls a plug has a reason, so that so often it is the right one before anything is seen; followers
 * outlast what they follow by this, exponentially, with network management after its timeout. */
#define PULL_BEFORE 0.3
#define PULL_FOLLOW_S 3.0

#endif
