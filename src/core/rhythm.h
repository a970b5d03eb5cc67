/* SPDX-License-Identifier: GPL-3.0-or-later */
/* rhythm: period of a sender from a few arrivals, and the phase that follows it. Pure. */
#ifndef LULL_CORE_RHYTHM_H
#define LULL_CORE_RHYTHM_H

#include <lull/rows.h>
#include <stdbool.h>

/* Arrivals a stretch is learned from: 33, thus 32 gaps. With 1 ms of jitter, as senders show (volvo_v40), a line
 * through 33 arrivals gives the period to 20 us; the median of 8 gaps alone was seen to be off by 8 %. */
#define LULL_LEARN 33

/* Follows a periodic sender. The index of an arrival is told by the smoothed phase, not by the arrival before it:
 * with jitter beyond a quarter period a sum of rounded gaps slips where this does not. */
#define LULL_PHASE_SHIFT 3
struct lull_phase {
	int64_t period; /* ns, at least 1 */
	lull_time due; /* expected instant of the next arrival */
	lull_time line; /* first + k * period */
	int64_t k;
};
void lull_phase_start(struct lull_phase *, lull_time first, int64_t period);
/* One arrival at t; returns t - line, what the fit takes. */
int64_t lull_phase_step(struct lull_phase *, lull_time t);

struct lull_rhythm_estimate {
	double period; /* ns; 0: cannot be told */
	double error; /* standard error of the period, ns */
	int64_t burst; /* > 0: the sender talks in bursts; frames closer than this to the one before follow it, and
			* the period is that of the bursts' first frames */
	unsigned used; /* arrivals it rests on: burst starts, or n */
};
/* at: n (2..LULL_LEARN) arrivals in ns, not falling, from any zero. Mean of the middle gaps, then a line over
 * the index, so that lost frames and jitter do little harm. burst: limit known from before, or 0. If bursts are found,
 * at[] is thinned to their first frames (estimate.used of them). */
struct lull_rhythm_estimate lull_rhythm_estimate(int64_t *at, unsigned n, int64_t burst);

/* The period a designer would have written down: the roundest of whole seconds, 500, 100, 50, 10, 5, 1, 0.5, 0.1 ms
 * that lies within `tolerance` (0.005 = 0.5 %) of it, and of those from 5 ms up within an eighth of the unit; else to
 * 1 us. At least 1. */
int64_t lull_rhythm_nominal(double period, double tolerance);

#endif
