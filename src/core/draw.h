/* SPDX-License-Identifier: GPL-3.0-or-later */
/* draw: what the parts of case_draw() share. Pure. */
#ifndef LULL_CORE_DRAW_H
#define LULL_CORE_DRAW_H

#include "core/case.h"

/* Half width, 95 %, of a level that nobody zeroed; common practice, no published source: clamps stand some 100 mA off then. */
#define DRAW_UNZEROED_MA 100.0

struct draw {
	struct lull_case *c;
	struct lull_series series; /* clamp time */
	struct lull_dead *dead;
	size_t dead_n;
	double *s; /* living samples */
	float *x;
	size_t n;
	struct lull_level *level;
	size_t levels;
	double zero_before, zero_drift; /* mA */
	bool before, after; /* which zeros were read */
	double zero_noise; /* standard error of zeros that were read from the log, mA */
	double start_s, rate; /* recording seconds = start_s + s * rate */
	bool placed; /* start_s means something */
	bool load_read; /* a known load was seen in the log: the scale is no question any more */
};

lull_time draw_time(const struct draw *, double s); /* recording time of a clamp time */

/* draw_zero */
void draw_read_zero(struct draw *);
/* After levelling, since the meter's digit shows only in the readings as they are. */
void draw_take_zero_off(struct draw *);
void draw_take_logger_off(struct draw *);
/* What the zero leaves open at a share (0..1) of the log: half width, 95 %. */
double draw_zero_error(const struct draw *, double share);
/* Zeros that nobody told are read from the log where marks say that the clamp was off the cable. Only with the clocks lined up. */
void draw_zero_by_marks(struct draw *);

/* draw_off: the clamp is off the cable at a mark that says so, and for a short while only: a level that lasts is the car's, however near
 * to nothing it lies. Where the car draws too little for the two to be told apart, there is no zero to be read. */
bool draw_zero_near(const struct draw *, lull_time mark, size_t *level);
/* What was read off the cable is no draw: it leaves samples and levels as a dead time, also where the clamp was forgotten there. */
void draw_leave_off_cable(struct draw *);

/* draw_levels */
bool draw_keep_living(struct draw *); /* false: there are none, or no memory */
bool draw_hangs_reversed(struct draw *);
void draw_turn(struct draw *);
/* A known load tells gain and direction better than any guess. */
void draw_apply_gain(struct draw *, double gain);
bool draw_find_levels(struct draw *); /* of the pieces between dead times, one after the other */

/* draw_lineup: fills the report's pairing, start_s and rate. */
void draw_line_up(struct draw *);

/* draw_gain: of a known load, into the report and onto all readings. */
void draw_find_gain(struct draw *);

/* draw_scale: asks in the report where another scale is likelier than the told one. */
void draw_doubt_scale(struct draw *);

/* draw_quiet */
void draw_find_quiet(struct draw *);
void draw_find_average(struct draw *);

#endif
