/* SPDX-License-Identifier: GPL-3.0-or-later */
/* current: the clamp's log beside the bus: samples, dead times, zero, levels and steps, and lining its clock up. Pure.
 *
 * Clamp time (tau) counts ns from the log's first sample, on the clamp's own clock. Recording time of a sample is
 * start + tau * (1 + drift * 1e-6). */
#ifndef LULL_CURRENT_H
#define LULL_CURRENT_H

#include <lull/rows.h>
#include <stdbool.h>

/* --- samples --- */

#define LULL_NO_SAMPLE INT32_MIN

/* A recording has room for several measured channels. Channel 0 is the battery's current, which is judged; a voltage may stand
 * beside it, in microvolts where the current is in microamperes. */
#define LULL_CHANNELS 8
enum lull_quantity { LULL_CURRENT, LULL_VOLTAGE };

/* A run of samples on a regular grid. A sample that lies more than half a step off the grid begins a new chunk, so
 * drop-outs are the holes between chunks. About 300 s a chunk. */
struct lull_chunk {
	int64_t tau_ns; /* of the first sample */
	int64_t step_ns; /* > 0 */
	uint32_t count;
	int32_t *uA; /* owned; microamperes by the told scale, before zero and direction; LULL_NO_SAMPLE: no reading */
	uint8_t channel;
};

/* What import knows of the log. */
struct lull_clamp {
	bool present;
	uint8_t channel;
	uint8_t quantity; /* enum lull_quantity */
	double mV_per_A; /* NAN: the log was in A or mA already */
	double range_A; /* saturation on either side; NAN unknown */
	bool inverted; /* the user said that the clamp hangs the other way round (already applied) */
	double first_s; /* stamp of the first sample as written, in seconds, where the log has no dates */
	bool dated; /* the log has dates of its own */
	int64_t start_utc_ns; /* by the clamp's clock, if dated */
	double zero_before_mA, zero_after_mA; /* readings off the cable, before and after; NAN none */
	double logger_mA; /* the logger's own draw from the car, by the profile; NAN none */
	uint64_t samples, skipped;
	bool live; /* shares the recording's clock: nothing to line up */
};

/* All samples in order, as the steps below want them. */
struct lull_series {
	double *s; /* seconds of clamp time */
	float *mA;
	size_t n;
	double step_s; /* median */
};
LULL_MUST_CHECK int lull_series_from_chunks(const struct lull_chunk *, size_t n, struct lull_series *out);
/* The same of a long log in at most `most` samples or little more: each stands for so many neighbours of one chunk, by their mean
 * without the lowest and the highest. A log that is short enough is as above. */
LULL_MUST_CHECK int lull_series_thinned(const struct lull_chunk *, size_t n, size_t most, struct lull_series *out);
/* Readings as they are, but only every so manieth: what tells a dead log, its digits among them, is still there. */
LULL_MUST_CHECK int lull_series_picked(const struct lull_chunk *, size_t n, size_t most, struct lull_series *out);
void lull_series_clear(struct lull_series *);

/* A level of the night, and the step into it, in recording time. */
struct lull_stage {
	lull_time from, to;
	double mA, error_mA; /* zero taken off; the error is of the level within the log (noise), not of the zero */
	double noise_mA;
};
struct lull_step {
	lull_time at;
	double from_mA, to_mA;
	double error_mA; /* steps are good to the noise */
	char *because; /* owned; NULL: unknown */
};

/* What a reading stands for: zero and the logger's own draw taken off, turned and scaled as the judgement found it, and laid
 * on the recording's time. */
struct lull_correction {
	double gain, offset_mA, slope_mA_per_s; /* mA = gain * reading + offset + slope * clamp time; gain -1: hung the other way round */
	double start_s, rate; /* recording time = start_s + clamp time * rate, s */
};
double lull_correction_mA(const struct lull_correction *, double reading_mA, double clamp_s);
double lull_correction_time_s(const struct lull_correction *, double clamp_s);

/* --- dead times --- */

enum lull_dead_why { LULL_DEAD_ENDED, LULL_DEAD_FROZEN, LULL_DEAD_FLAT, LULL_DEAD_SATURATED, LULL_DEAD_DROPPED, LULL_DEAD_OFF_CABLE };
const char *lull_dead_name(enum lull_dead_why);
struct lull_dead {
	double from_s, to_s; /* clamp time */
	enum lull_dead_why why;
};
/* Readings as logged, before a zero is taken off: the meter's digit is told from them. from_s and to_s are the first and last
 * instant that is none; for LULL_DEAD_DROPPED and LULL_DEAD_ENDED from_s (and to_s) is the last good sample before (the
 * first after). What the evidence must be is at the head of src/core/dead.c. In order of from_s.
 * Times in which the log is no measurement: frozen or flat to the last digit where it was alive before, at the end of the
 * clamp's range, holes longer than 10 s and 5 steps. to_s of the last may be the log's end; the log ending before
 * `wanted_to_s` (clamp time up to which it should have run; NAN unknown) gives LULL_DEAD_ENDED. Caller frees *out. */
LULL_MUST_CHECK int lull_find_dead(const struct lull_series *, double range_mA, double wanted_to_s, struct lull_dead **out, size_t *n);

/* --- levels --- */

struct lull_level {
	size_t from, to; /* samples [from, to) */
	double mean; /* robust: outliers and mains ripple do not move it; of a ramp: its value halfway */
	double error; /* standard error of the mean, with the noise's own correlation */
	double noise; /* robust standard deviation within */
	double slope; /* per second; a ramp (thermal drift) is one level with a slope, not a staircase; 0 if none is proven */
};
struct lull_level_rule {
	double noise; /* NAN: estimate from the series */
	double least_step; /* smaller steps are not reported; 0: by noise alone */
	double penalty; /* multiples of log(n); NAN: the default, 3 */
	bool ramps; /* allow a level to slope */
};
/* Splits x[0..n) into levels: O(n log n) or better. s may be NULL (unit spacing). Caller frees *out.
 * Readings as logged: a zero and its drift are better taken off the means than off x, which hides the meter's digit.
 * Values that are no finite number count as missing; no level if there are no others (*out NULL). Levels know nothing of
 * holes: a log with dead times is given piece by piece. rule may be NULL: all defaults, no ramps. -ENOMEM. */
LULL_MUST_CHECK int lull_find_levels(const double *s, const float *x, size_t n, const struct lull_level_rule *, struct lull_level **out,
	size_t *levels);

/* --- lining up --- */

/* An instant at which the bus says that the current should have moved: a spell begins (up) or ends (down), a stretch of an
 * ID with a node of its own begins or ends. */
struct lull_bus_edge {
	lull_time t;
	bool up;
	/* 1 for the start of a spell of the whole bus, 0.7 for its end, less for a single ID; a fall of 1 is the key's: the
	 * current's largest steps, either way, are looked for about it. */
	double weight;
};
struct lull_current_step {
	double s; /* clamp time */
	double from_mA, to_mA;
	double error_mA;
};
/* A load of known size, switched by hand: trade rule 19 (7 s on, 3 s off, 5 s on). */
struct lull_known_load {
	lull_time t; /* of the mark */
	double mA;
};

struct lull_lineup_input {
	const struct lull_series *series; /* for the coarse lag */
	const struct lull_current_step *steps;
	size_t step_count;
	const struct lull_bus_edge *edges;
	size_t edge_count;
	const struct lull_known_load *loads;
	size_t load_count;
	lull_time end; /* of the recording */
	double dated_start_s; /* recording time of the log's first sample by its dates; NAN none: a hint that may be hours off */
	double key_room_s; /* how well the key's edge is known: standard error; 0: within some seconds */
};
struct lull_lineup {
	bool paired;
	double start_s; /* recording time of the log's first sample */
	double drift_ppm;
	double error_s; /* standard error of the pairing in the middle of the log */
	double confidence; /* that the pairing is the right one */
	bool by_load; /* decided by a known load */
	double other_start_s; /* second-best lag, NAN none */
	unsigned matched, rises; /* steps that found their edge, and those of them that are rises */
	/* Gain that the known load tells (true = scale * read); -1 without one: the steps fit with the sign turned only, the
	 * clamp hung the other way round. NAN none. */
	double scale;
	char why[160]; /* a sentence: how, or why it was refused */
};
/* Coarse lag by FFT cross-correlation and by the key, the rest by a robust fit on rising edges with a boot lag of 0 to 1 s
 * (trade rule 20); most of the car wakes by the first frame, so that the largest step of a rise is looked for there. A night
 * of falls alone is paired too, to what error_s says, and why says so. A load that the bus contradicts is not taken. Never
 * pairs silently where the second-best lag scores close to the best. 0 or -ENOMEM; *out is always filled on 0. */
LULL_MUST_CHECK int lull_line_up(const struct lull_lineup_input *, struct lull_lineup *out);

#endif
