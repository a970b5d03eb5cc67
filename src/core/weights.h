/* SPDX-License-Identifier: GPL-3.0-or-later */
/* weights: the few probabilities behind every suspect, in one place. Pure.
 *
 * Each is the share of invented nights in which this kind of evidence, alone, pointed at the right node; tests/nights prints
 * the table that checks them (calibration by decile). They are not tuned to a scenario. */
#ifndef LULL_CORE_WEIGHTS_H
#define LULL_CORE_WEIGHTS_H

/* keeper */
#define WEIGHT_NM_ASKS_ALONE 0.96 /* one node alone goes on sending NM, or last by more than a cycle */
#define WEIGHT_RING_ALONE 0.95 /* one node alone lacks sleep indication */
#define WEIGHT_LAST_ALONE 0.93 /* alone on the bus for a minute or more after all others stopped one by one */
#define WEIGHT_REQUESTS 0.95 /* diagnostic requests go on: the asker */
#define WEIGHT_ONLY_SENDER 0.80 /* nobody else was heard after key-off at all */
#define WEIGHT_PULL_LIKELY 0.96 /* one unplug test that counts ends it */
#define WEIGHT_PULL_CONFIRMED 0.99 /* and it repeats */
#define PULL_BEFORE 0.3 /* who pulls a plug has a reason: so often it is the right one before anything is seen */
#define PULL_FOLLOW_S 3.0 /* followers outlast what they follow by this, exponentially; with network management after its timeout */
/* waker */
#define WEIGHT_ACTIVE_BIT 0.97 /* alone sets active wake-up */
#define WEIGHT_UNACKNOWLEDGED 0.95 /* begins alone, unacknowledged */
#define WEIGHT_AGAINST_KNOWN 0.85 /* always first at night, not first in known wakes */
#define WEIGHT_FIRST_THERE_TOO 0.40 /* the same node is first in known wakes: gains nothing */
/* shared among all that remain when evidence leaves several */
#define WEIGHT_UNDECIDED 0.90

#endif
