/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin_tick: what a software timer makes of a nominal period. Pure.
 *
 * A timer counts ticks, so a period comes out as a whole number of them. Where the tick is no fraction of a millisecond that
 * is off by up to half a tick: thousands of ppm on a short period, next to nothing on a long one. With the tick known, the
 * rates of all IDs of one sender agree again, and their phases sit on the ticks. */
#ifndef LULL_CORE_KIN_TICK_H
#define LULL_CORE_KIN_TICK_H

#define KIN_TICKS 6 /* kinds of timers; 0: the period comes out exactly */

/* ppm by which a timer of that kind misses the period (ns). */
double kin_tick_rounding(unsigned kind, double period);
/* ns from one place to the next where a timer of that kind may put a frame of either period; 0: anywhere. */
double kin_tick_length(unsigned kind, double a, double b);
/* How many senders in a hundred have such a timer, before any evidence; those that have none of these, too. */
double kin_tick_share(unsigned kind);
double kin_tick_share_other(void);

#endif
