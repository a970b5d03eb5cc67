/* SPDX-License-Identifier: GPL-3.0-or-later */
/* made_night: small nights made by hand for unit tests: frames, coverage, marks and a clamp's log, judged as a whole. */
#ifndef LULL_TESTS_MADE_NIGHT_H
#define LULL_TESTS_MADE_NIGHT_H

#include <lull/verdict.h>

struct script {
	LULL_ARRAY(struct lull_frame) frames;
	LULL_ARRAY(struct lull_coverage) coverage;
	LULL_ARRAY(struct lull_mark) marks;
	LULL_ARRAY(int32_t) uA; /* from 0 on, on the recording's clock */
	struct lull_clamp clamp;
	lull_time sample_step; /* of uA; 0: a second */
};

/* One frame; copies > 1: that many back to back, 270 us apart. data: bytes 0 and 1. */
void once(struct script *, uint32_t id, double t, unsigned data, unsigned copies);
/* An ID every period; each has a clock of its own, some ppm apart. */
void sends(struct script *, uint32_t id, double period, double from, double to, unsigned data);
/* The same by the clock that `clock` has, as one sender has one for all its IDs. */
void sends_with(struct script *, uint32_t id, uint32_t clock, double period, double from, double to, unsigned data);
void marked(struct script *, double t, enum lull_mark_kind);
void covered(struct script *, double from, double to, enum lull_coverage_why);
/* Key on for a minute: ten IDs, of which four end with the key; the rest end one by one from 10 s on, 7 s apart; the first
 * `hold` of them go on to `hold_to` instead. */
void parks(struct script *, unsigned hold, double hold_to);
/* Appends a level to the clamp's log up to `to`, with noise of 2 mA; a live log with its zero read. */
void draws(struct script *, double to, double mA);
/* Judges bus can0 from 0 to end. The script is emptied. */
void judge(struct script *, double end, const struct lull_profile *, struct lull_verdict *);
/* The only finding, which must have this code. */
const struct lull_finding *only(const struct lull_verdict *, enum lull_code);

#endif
