/* SPDX-License-Identifier: GPL-3.0-or-later */
/* weights: the few probabilities behind every suspect, in one place. Pure.
 *
 * Each clue has the probability with which it points at the right node, and each doubt a factor on the odds p / (1 - p): a
 * logistic model with one coefficient a clue and one a doubt. A clue that leaves several nodes has the probability that
 * the right one is among them; they share it equally.
 *
 * How they came about: scripts/fit-weights.sh judges invented nights with known truth, writes one row a suspect, and fits
 * all coefficients at once by penalised maximum likelihood (half a right and half a wrong suspect added to each, so that
 * no weight becomes 0 or 1). It prints these lines. None of the nights it fits on (120 of each scenario, seeds 1001-1120) are among those
 * on which the table of calibration is printed (seeds 3001-3060). Confidence over one role sums to 1 at most, so where several suspects
 * truly hold it (two keepers; a node listed as two senders), each counts as right by its part. Nothing is tuned to a scenario: a weight
 * knows no more of a night than its clue.
 *
 * Each says how it came about. "fitted": by the script. "set": by hand, and why. Next to no invented night proves some of the clues wrong; but
 * MOST_STATED is the most that is ever stated of one, since invented nights hold no surprise that nobody thought of. */
#ifndef LULL_CORE_WEIGHTS_H
#define LULL_CORE_WEIGHTS_H

#include <lull/verdict.h>

/* X(clue, probability) */
#define WEIGHTS(X) \
	X(LULL_CLUE_NONE, 0.5) /* set: nothing speaks for it or against it */ \
	X(LULL_CLUE_REQUESTS, 0.996) /* fitted: 118 of 118 */ \
	X(LULL_CLUE_NM_ALONE, 0.999) /* fitted: 456 of 457 */ \
	X(LULL_CLUE_RING_ALONE, 0.999) /* fitted: 358 of 358 */ \
	X(LULL_CLUE_LEFT_ALONE, 0.999) /* fitted: 361 of 361 whose sender is known */ \
	X(LULL_CLUE_ONLY_SENDER, 0.96) /* set: 21 of 21 are too few for the 0.985 of the fit; below the others, since what else was to be heard is not known */ \
	X(LULL_CLUE_NM_SEVERAL, 0.97) /* fitted: 0.97 to 0.98 */ \
	X(LULL_CLUE_NM_HIDDEN, 0.03) /* fitted */ \
	X(LULL_CLUE_RING_SEVERAL, 0.95) /* set: too few */ \
	X(LULL_CLUE_LEFT_SEVERAL, 0.99) /* fitted */ \
	X(LULL_CLUE_PULL_SEVERAL, 0.80) /* set: 22 of 26 */ \
	X(LULL_CLUE_PULL_LIKELY, 0.985) /* set: 152 right of 153 that were no chance by the delay of the quiet (pulls_weigh.c) */ \
	X(LULL_CLUE_PULL_CONFIRMED, 0.995) /* set: 76 of 76, and twice the same by chance is rarer than once */ \
	X(LULL_CLUE_REQUEST_FIRST, 0.996) /* fitted: 118 of 118 */ \
	X(LULL_CLUE_ACTIVE_BIT, 0.99) /* fitted */ \
	X(LULL_CLUE_UNACKNOWLEDGED, 0.998) /* fitted: 560 of 560 whose sender is known */ \
	X(LULL_CLUE_ORDER, 0.996) /* fitted: 117 of 117 */ \
	X(LULL_CLUE_ORDER_SEVERAL, 0.10) /* fitted: 0.08 to 0.13, of few */

/* X(doubt, factor on the odds) */
#define DOUBTS(X) \
	X(LULL_DOUBT_INFERRED, 0.68) /* fitted */ \
	X(LULL_DOUBT_FIRST_THERE, 0.06) /* set, from a fit of when more was left of it: a node first in most of three known wakes loses its clue \
					  * altogether, and the fit sees no others (15 to 22 suspects, a fifth of them right) */ \
	X(LULL_DOUBT_ONCE, 0.3) /* set: the nights hold no single wake that is a finding */ \
	X(LULL_DOUBT_GROUPED, 0.03) /* fitted. Of several that are left when the others have stopped, \
					  * where timing alone made the node, which may be two or half of one */

/* Where timing alone put together the node's IDs (kin.c), what a clue says of one of them holds for the node as far as that ID is its own: the
 * probability of a clue is multiplied by that one. kin is more careful than it need be, by this factor on its odds. */
#define KIN_ODDS 1.6 /* fitted: 1.65 */
#define MOST_STATED 0.995 /* set; before doubts */

/* Probability that the suspect a clue points at holds the role; of a list, that one of it does. kin: what timing says of the ID which the
 * clue was seen in (verdict ids); 0: nothing, since the ID is the only one of its node, or its sender is known by more. */
double case_weight(enum lull_clue, unsigned doubts, double kin);
/* Of tests (pulls_score), both set, from what is usual at the car: who pulls a plug has a reason, so that so often it is the right one
 * before anything is seen; followers outlast what they follow by this, exponentially, with network management after its timeout. */
#define PULL_BEFORE 0.3
#define PULL_FOLLOW_S 3.0

#endif
