/* SPDX-License-Identifier: GPL-3.0-or-later */
/* made_pair: small judged nights put together by hand, for tests that lay two beside each other. */
#ifndef LULL_TESTS_MADE_PAIR_H
#define LULL_TESTS_MADE_PAIR_H

#include <lull/verdict.h>

struct made_night {
	struct lull_night night;
	struct lull_verdict v;
};

/* Ten hours of bus "body", key-off at 60 s, three nodes of one ID each (0x100, 0x200, 0x300: "alpha", "bravo", "carol").
 * Asleep sleep_s after key-off (negative: never), carol last; then so many wakes of 20 s at even distances, each begun by alpha;
 * the quiet draw (NAN: not measured) with a band of 2 mA, its average 5 mA above it. */
void made_night_new(struct made_night *, double sleep_s, size_t wakes, double quiet_mA);
/* A finding on the bus with one suspect, named if it is above 0.5; node -1: none. For woken-again the wakes become the node's. */
void made_finding(struct made_night *, enum lull_code, int node, enum lull_role, double confidence);
void made_night_free(struct made_night *);

#endif
