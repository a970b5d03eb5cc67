/* SPDX-License-Identifier: GPL-3.0-or-later */
/* levels: what the parts of the segmentation share. Pure.
 *
 * How a log becomes levels:
 *   noise.c        the meter's digit, the noise of one sample, and how slowly it averages out
 *   local_noise.c  where it is noisier than elsewhere
 *   partition.c    optimal partition of robust blocks under a capped cost: too many edges rather than too few
 *   levels.c       edges that the noise at their own length can explain go; staircases become ramps; edges are
 *                  placed to the sample
 *   pulses.c       what is shorter than a block, or too short for the capped cost
 *   level_stats.c  mean, its error, noise and slope of each level */
#ifndef LULL_CORE_LEVELS_H
#define LULL_CORE_LEVELS_H

#include <lull/current.h>

/* Finite samples only. */
struct lull_log {
	const float *x;
	size_t n;
	const double *s; /* of the caller; NULL: unit spacing */
	const size_t *at; /* place in the caller's arrays; NULL: the same */
};
double lull_log_time(const struct lull_log *, size_t i);

enum { LULL_NOISE_SCALES = 32 };
struct lull_noise {
	double digit; /* last digit of the meter; 0: none to be seen */
	double sd; /* of one sample, from differences of neighbours, never below what the digit alone makes */
	double spread; /* of samples about their level: sd, or more where the noise is slow */
	size_t block; /* samples in the shortest scale */
	unsigned scales;
	/* For T = block x 2^k, both 1 for white noise: T / sd^2 times half the variance of the difference of two means over
	 * neighbouring T, and times the variance of a mean over T about the mean of very long. */
	double near[LULL_NOISE_SCALES], whole[LULL_NOISE_SCALES];
};
/* Digit and sd. -ENOMEM. */
LULL_MUST_CHECK int lull_noise_of_samples(const struct lull_log *, struct lull_noise *);
/* near[] and whole[] for y, means of `block` samples each, with the large steps already taken out or told by `limit`: no second difference of
 * noise is larger. -ENOMEM. */
LULL_MUST_CHECK int lull_noise_of_blocks(
	const double *y, size_t m, unsigned scales, double limit, struct lull_noise *);
/* Variance of a mean over T samples. */
double lull_noise_of_mean(const struct lull_noise *, double T);
/* Variance of the difference of the means over T1 and T2 samples side by side. */
double lull_noise_of_step(const struct lull_noise *, double T1, double T2);

/* For each of m blocks, how many times the log's usual variance its surroundings have: 1 and up. Caller frees. -ENOMEM. */
LULL_MUST_CHECK int lull_noise_local(const double *y, size_t m, const struct lull_noise *, float **ratio);

/* The k-th smallest of a, which it reorders. */
double lull_select(double *a, size_t n, size_t k);

/* Optimal partition of y (noise variance ratio[t]) into constant pieces; cap: a value further than this many standard
 * deviations from its piece costs no more. first[t]: where the last piece of the best partition of y[0..t] begins. -ENOMEM. */
LULL_MUST_CHECK int lull_partition(
	const double *y, const float *ratio, size_t m, double penalty, double cap, uint32_t *first);

/* One level on the way: samples [from, to), a line value + slope (t - centre). */
struct lull_piece {
	size_t from, to;
	double value, slope, centre;
	double ratio; /* of its noise variance to the log's usual one */
};
/* A growing list of pieces. */
struct lull_pieces {
	struct lull_piece *piece;
	size_t n, room;
};
LULL_MUST_CHECK int lull_pieces_add(struct lull_pieces *, const struct lull_piece *);

/* Cuts out of each piece what stands off it for a short time only. -ENOMEM. */
LULL_MUST_CHECK int lull_find_pulses(
	const struct lull_log *, const struct lull_noise *, struct lull_pieces *in_out);

/* Robust mean and noise of a piece about its line, which it corrects. */
struct lull_level lull_level_of(const struct lull_log *, const struct lull_noise *, struct lull_piece *);

#endif
