/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin_trace: what a night tells of one ID's timing, made ready for comparing any two of them. Pure.
 *
 * Comparing is quadratic in IDs, so that all that depends on one ID alone is worked out once: at most KIN_RUNS of its
 * runs, from spells that are the same for all IDs, and one point a cadence window. */
#ifndef LULL_CORE_KIN_TRACE_H
#define LULL_CORE_KIN_TRACE_H

#include "core/case.h"
#include "core/kin_tick.h"

#define KIN_SPELLS 48 /* spells looked at, spread evenly over the night */
#define KIN_RUNS 64 /* runs looked at of one ID */

/* What another ID does when a run of this one ends. */
enum kin_beside { KIN_NOT_HEARD, KIN_ENDS_WITH_IT, KIN_ENDS_APART, KIN_GOES_ON, KIN_BESIDES };

/* One run of an ID. */
struct kin_run {
	lull_time first, last;
	lull_time into; /* last, counted from the start of its spell */
	bool started, ended; /* its start, its end was heard: a stop, or a change of rate */
	double end_from, end_to; /* ns: its sender made it end between these */
	bool zero_known;
	double zero, zero_sd; /* start of its timer by the line through all frames, ns after `first` */
	double common[KIN_BESIDES]; /* share of the other IDs that do so when it ends */
	unsigned end_like; /* ends as late in their spells as this one have one number: they are one observation */
};

/* Phase and rate of an ID in one cadence window. */
struct kin_point {
	int64_t window;
	lull_time stretch; /* phases of two points compare if it is the same; LULL_NEVER: rate only */
	double t; /* ns */
	double phase, phase_var; /* ns behind the nominal line, ns^2 */
	double ppm, ppm_var;
	double own_var; /* of that without what coarse stamps add */
	double lock_var, lock_phase_var; /* beside an ID on the same ticks, heard just as long: stamps err for both alike */
	int64_t period;
	double grid; /* ns: an instant at which a frame is due by the line, near t */
	lull_time from, to; /* of the run that `grid` belongs to */
	double wander; /* ppm^2: what a change of bus load may add */
};

struct kin_trace {
	size_t ident;
	double period; /* ns; NAN unknown */
	double reach; /* ns: after a stop, how long the next frame could have been away */
	struct kin_run run[KIN_RUNS];
	size_t runs;
	struct kin_point *point; /* by window; owned by the set */
	size_t points;
	/* Density of its rate times the share of such timers (kin_tick.h): by kind, of another kind, all together. 0: none known. */
	double timer[KIN_TICKS], timer_other, timer_all;
	double clock[KIN_TICKS]; /* ppm: what is left of the rate, were its timer of that kind */
};

struct kin_traces {
	struct kin_trace *at;
	size_t n;
	struct kin_point *points; /* of all */
	double grid; /* ns: stamps sit on one of that size, which no averaging over a short run removes; 0 none */
};

/* 0 or -ENOMEM. idents are of one bus. Clear in every case. */
int kin_traces_make(const struct lull_case *, const size_t *idents, size_t n, struct kin_traces *);
void kin_traces_clear(struct kin_traces *);

/* Fills `timer...` and `clock` from the points. */
void kin_clocks_prepare(struct kin_traces *);
/* Log likelihood ratios "one sender" to "two senders". */
double kin_clock_ratio(const struct kin_traces *, const struct kin_trace *, const struct kin_trace *);
double kin_boot_ratio(const struct kin_trace *, const struct kin_trace *);
double kin_end_ratio(const struct kin_trace *, const struct kin_trace *);

#endif
