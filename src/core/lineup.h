/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lineup: what the parts of lull_line_up() share. Pure.
 *
 * A lag is the recording time, in seconds, of the clamp log's first instant. */
#ifndef CORE_LINEUP_H
#define CORE_LINEUP_H

#include <lull/current.h>

#define LINEUP_DRIFT_SD 30.0 /* ppm: what two quartz clocks differ by */
#define LINEUP_DRIFT_MAX 150.0
#define LINEUP_KEYS 4
#define LINEUP_BIGS 12
#define LINEUP_SPELL 0.6 /* weight from which an edge is that of a whole bus */

/* A step of the current (clamp time) or an edge of the bus (recording time). */
struct lineup_event {
	double t; /* s */
	double sd; /* how well t is known */
	double amp; /* mA, signed; 0 for edges */
	double weight;
	double crowd; /* how much denser its own minutes are with its like than the whole log, at least 1 */
	double often; /* per s: how often a step like this comes here by chance, by those before it */
	bool up;
};

struct lineup_hole {
	double from, to;
};

struct lineup {
	struct lineup_event *step, *edge; /* each in order of time */
	size_t steps, edges;
	struct lineup_event *turned; /* the steps where the clamp hung the other way round */
	size_t turned_steps;
	/* The key: ignition loads of amperes go with it, or a charge ends, so that its step may point either way. Turned off
	 * by the bus; the largest steps of the current. */
	struct lineup_event key[LINEUP_KEYS], big[LINEUP_BIGS];
	size_t keys, bigs;
	double key_room; /* s; 0: as usual */
	struct lineup_hole *hole; /* clamp time without samples */
	size_t holes;
	double lo, hi; /* of the log, clamp time */
	double end; /* of the recording */
	double sample_s; /* 0: no series */
	double noise_mA;
	double dated; /* NAN: none */
	bool reversed; /* the steps are turned, the samples are not */
};

/* lineup_prepare: cleans, sorts, joins what comes together, times the steps within the samples. */
LULL_MUST_CHECK int lineup_prepare(const struct lull_lineup_input *, struct lineup *);
void lineup_clear(struct lineup *);
void lineup_flip(struct lineup *); /* the clamp hung the other way round */
bool lineup_in_log(const struct lineup *, double s); /* was there a measurement at this clamp time? */

/* lineup_coarse: lags at which the two look alike, best first; at most `most`. */
LULL_MUST_CHECK int lineup_coarse(
	const struct lineup *, const struct lull_series *, double *lag, size_t most, size_t *n);

/* lineup_fit: one lag judged. */
struct lineup_anchor { /* a known load: clamp time and recording time of one instant */
	double s, t;
};
struct lineup_fit {
	double start, drift_ppm;
	double score; /* log of likelihood by this lag over likelihood by chance */
	double by[2], by_key; /* of that by falls, by rises; by the key */
	double worth; /* the same beside all lags that might have been */
	double overlap; /* s */
	double error_s; /* in the middle of the log; by lineup_fit_finish() */
	unsigned matched, rises, spells; /* spells: of these, with starts and ends of the whole bus */
	bool turned; /* the clamp hung the other way round */
	bool keyed; /* the key's step found its edge, and counts as matched */
	double unexplained; /* steps while the bus was recorded, but found no edge; those of some mA, the clamp's own, count for less */
	bool overlapping; /* the bus began or ended then */
	int *edge_of; /* owned, per step: index of its edge or -1 */
};
LULL_MUST_CHECK int lineup_fit(const struct lineup *, double lag, double width, const struct lineup_anchor *,
	size_t anchors, struct lineup_fit *);
LULL_MUST_CHECK int lineup_fit_finish(
	const struct lineup *, const struct lineup_anchor *, size_t anchors, struct lineup_fit *);
void lineup_fit_clear(struct lineup_fit *);
static inline double lineup_time(const struct lineup_fit *f, double s)
{
	return f->start + s * (1 + 1e-6 * f->drift_ppm);
}

/* lineup_worth: log of the odds that two recordings belong together by this lag against two of different nights; and the
 * chance (0 to 1) that a finished fit is as near the truth as a step in the current allows. */
double lineup_worth(const struct lineup *, const struct lineup_fit *);
double lineup_near_enough(const struct lineup *, const struct lineup_fit *);

/* lineup_load: places in the log that look as trade rule 19 has it: 7 s on, 3 s off, 5 s on. */
struct lineup_pattern {
	double s; /* clamp time of the first switching on */
	double mA; /* as read, signed */
	double misfit;
};
LULL_MUST_CHECK int lineup_find_patterns(
	const struct lineup *, const struct lull_series *, struct lineup_pattern *, size_t most, size_t *n);

#endif
