/* SPDX-License-Identifier: GPL-3.0-or-later */
/* made_current: invented nights of bus edges and of the clamp's log beside them, with their truth. */
#include "made_current.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MOST 1024

struct change {
	double t, mA; /* recording time, s */
	bool paired; /* stands for an edge of the bus */
};

struct car {
	gsl_rng *rng;
	double end;
	struct change change[MOST];
	size_t changes;
	struct lull_bus_edge edge[MOST];
	size_t edges;
	bool steady_lag; /* the waker's lead is the same each time */
	double lag;
	double quiet_mA;
};

static double uniform(gsl_rng *r, double a, double b)
{
	return a + (b - a) * gsl_rng_uniform(r);
}

static double log_uniform(gsl_rng *r, double a, double b)
{
	return exp(uniform(r, log(a), log(b)));
}

static bool chance(gsl_rng *r, double p)
{
	return gsl_rng_uniform(r) < p;
}

static void change(struct car *c, double t, double mA, bool paired)
{
	if (c->changes < MOST)
		c->change[c->changes++] = (struct change){t, mA, paired};
}

static void edge(struct car *c, double t, bool up, double weight)
{
	if (t > 0 && t < c->end && c->edges < MOST)
		c->edge[c->edges++] = (struct lull_bus_edge){(lull_time)(t * 1e9), up, weight};
}

/* A spell: the waker draws before its first frame, the others with it; at the end they drop off one by one. */
static void spell(struct car *c, double from, double to, double mA)
{
	gsl_rng *r = c->rng;
	double lag = c->steady_lag ? c->lag * uniform(r, 0.98, 1.02) : uniform(r, 0, 1);
	/* One node is seldom more than the rest of the car. */
	double own = chance(r, 0.2) ? uniform(r, 0.5, 1) : uniform(r, 0.05, 0.5), late = uniform(r, 0, 0.6);

	edge(c, from, true, 1);
	edge(c, to, false, 0.7);
	if (chance(r, 0.4)) {
		edge(c, from + late, true, 0.3); /* a node that answers */
		edge(c, to - uniform(r, 0, 0.8), false, 0.3);
	}
	if (mA <= 0)
		return;
	change(c, from - lag, mA * own, own >= 0.5);
	change(c, from + uniform(r, 0, 0.1), mA * (1 - own), own < 0.5);
	double first = uniform(r, 0.3, 1), fall = uniform(r, 0, 3);

	change(c, to + fall, -mA * first, first >= 0.5);
	change(c, to + uniform(r, fall, 3), -mA * (1 - first), first < 0.5);
}

static double key_cycle(struct car *c)
{
	gsl_rng *r = c->rng;
	double on = chance(r, 0.5) ? 0 : uniform(r, 20, 200), off = on + uniform(r, 60, 500);
	double run_on = off + log_uniform(r, 10, 900), amps = uniform(r, 3000, 12000),
	       mA = log_uniform(r, 300, 2500);

	if (on > 0) {
		spell(c, on, run_on, mA);
		change(c, on + uniform(r, -0.3, 0.2), amps, false);
	} else {
		edge(c, run_on, false, 0.7);
		change(c, -1e4, mA + amps, false);
		change(c, run_on + uniform(r, 0, 3), -mA, true);
	}
	/* IDs that only speak with the key on stop with it. */
	for (int i = (int)gsl_rng_uniform_int(r, 4); i > 0; i--)
		edge(c, off + uniform(r, 0, 0.5), false, 0.3);
	edge(c, off + uniform(r, -2, 1), false, 1);
	change(c, off + uniform(r, -0.2, 0.2), -amps, true);
	for (int i = (int)gsl_rng_uniform_int(r, 3); i > 0;
		i--) { /* retained power, a relay that sheds loads */
		double retained = log_uniform(r, 20, 800);

		change(c, on > 0 ? on + 0.1 : -1e4, retained, false);
		change(c, off + log_uniform(r, 30, 2400), -retained, false);
	}
	return run_on;
}

static void wakes(struct car *c, double from, enum made_rhythm rhythm, double *period)
{
	gsl_rng *r = c->rng;
	unsigned n = 3 + (unsigned)(chance(r, 0.5) ? gsl_rng_uniform_int(r, 8) : gsl_rng_uniform_int(r, 38));
	double typical = log_uniform(r, 40, 1500), length = log_uniform(r, 5, 200), room = c->end - from - 60;
	double every = room / (n + 1), unseen = chance(r, 0.3) ? 0.3 : 0.05;
	unsigned style = (unsigned)gsl_rng_uniform_int(r, 4);
	double at = from + 30 + uniform(r, 0.3, 1) * every, sloppy = log_uniform(r, 2, 60), last = from;

	*period = every;
	if (length > 0.6 * every)
		length = 0.6 * every;
	for (unsigned i = 0; i < n; i++) {
		if (rhythm != MADE_ANY) {
			double t = from + 30 + (i + 0.5) * every;

			spell(c, t, t + length, typical);
			continue;
		}
		double t = at, long_s = length * uniform(r, 0.5, 2);

		if (style == 0)
			at += every * gsl_ran_exponential(r, 0.9);
		else if (style == 1)
			at += chance(r, 0.7) ? uniform(r, 15, 90) + length : 3 * every * gsl_rng_uniform(r);
		else if (style == 2)
			at += every + gsl_ran_gaussian(r, fmin(sloppy, 0.2 * every));
		else
			at = from + 30 + room * gsl_rng_uniform(r) * 0.98;
		if (style == 3)
			t = at;
		if (style != 3 && t < last + 8)
			t = last + 8;
		if (t + long_s > c->end - 30)
			continue;
		last = t + long_s;
		spell(c, t, t + long_s, chance(r, unseen) ? 0 : typical * uniform(r, 0.5, 1.3));
	}
}

/* What the bus never shows: a lamp, a pump, a module silent but powered. */
static void strangers(struct car *c)
{
	for (int i = (int)gsl_rng_uniform_int(c->rng, 6); i > 0; i--) {
		double t = uniform(c->rng, 0, c->end), mA = log_uniform(c->rng, 20, 600);

		change(c, t, mA, false);
		if (chance(c->rng, 0.8))
			change(c, t + log_uniform(c->rng, 5, 900), -mA, false);
	}
}

static void known_load(struct car *c, double t, double mA, struct lull_known_load *load)
{
	gsl_rng *r = c->rng;
	double a = t + 7 + uniform(r, -0.4, 0.4), b = a + 3 + uniform(r, -0.4, 0.4),
	       d = b + 5 + uniform(r, -0.4, 0.4);

	*load = (struct lull_known_load){(lull_time)((t + uniform(r, -0.4, 0.4)) * 1e9), mA};
	change(c, t, mA, false);
	change(c, a, -mA, false);
	change(c, b, mA, false);
	change(c, d, -mA, false);
}

static int by_time(const void *a, const void *b)
{
	const struct change *x = a, *y = b;

	return (x->t > y->t) - (x->t < y->t);
}

static int edge_by_time(const void *a, const void *b)
{
	const struct lull_bus_edge *x = a, *y = b;

	return (x->t > y->t) - (x->t < y->t);
}

static void log_samples(struct made_current *m, struct car *c, double length, size_t most, double read)
{
	gsl_rng *r = c->rng;
	size_t n = (size_t)(length / m->sample_s), next = 0;
	double mA = c->quiet_mA, zero = uniform(r, -20, 20), slope = uniform(r, -20, 20) / length;
	double hole_from[3], hole_to[3];
	unsigned holes = (unsigned)gsl_rng_uniform_int(r, 4);

	if (n > most)
		n = most;
	for (unsigned i = 0; i < holes; i++) {
		hole_from[i] = uniform(r, 0, length);
		hole_to[i] = hole_from[i] + log_uniform(r, 5, 900);
	}
	m->series.s = calloc(n + 1, sizeof(double));
	m->series.mA = calloc(n + 1, sizeof(float));
	m->series.step_s = m->sample_s;
	for (size_t i = 0; i < n; i++) {
		double s = (double)i * m->sample_s, t = m->start_s + s * (1 + 1e-6 * m->drift_ppm);
		bool lost = false;

		for (unsigned k = 0; k < holes; k++)
			lost |= s > hole_from[k] && s < hole_to[k];
		for (; next < c->changes && c->change[next].t <= t; next++)
			mA += c->change[next].mA;
		if (lost)
			continue;
		m->series.s[m->series.n] = s;
		m->series.mA[m->series.n++] =
			(float)(read * (mA + zero + slope * s + gsl_ran_gaussian_ziggurat(r, m->noise_mA)));
	}
}

/* What a finder of levels would report: changes within two samples are one, small ones drown in the noise, where
 * the noise is near the step its instant slips by a sample or two. */
static void find_steps(struct made_current *m, struct car *c, double read)
{
	gsl_rng *r = c->rng;
	double mA = c->quiet_mA;

	m->steps = calloc(c->changes + 1, sizeof(*m->steps));
	for (size_t i = 0; i < c->changes;) {
		double t = c->change[i].t, sum = 0, largest = 0, at = t;
		bool paired = false;
		size_t j = i;

		for (; j < c->changes && c->change[j].t - t <= 2 * m->sample_s; j++) {
			sum += c->change[j].mA;
			paired |= c->change[j].paired && fabs(c->change[j].mA) > 0.25 * fabs(sum);
			if (fabs(c->change[j].mA) > largest) {
				largest = fabs(c->change[j].mA);
				at = c->change[j].t;
			}
		}
		double until = j < c->changes ? c->change[j].t : c->end, samples = (until - t) / m->sample_s;
		double error = m->noise_mA / sqrt(fmax(1, fmin(samples, 30))),
		       s = (at - m->start_s) / (1 + 1e-6 * m->drift_ppm);
		double last = m->series.s[m->series.n - 1], was = mA;

		mA += sum;
		i = j;
		if (fabs(sum) < 5 * error + 5 || s <= 0 || s >= last)
			continue;
		size_t k = (size_t)(s / m->sample_s) + 1; /* the first sample after it */

		if (fabs(sum) < 4 * m->noise_mA)
			k += gsl_rng_uniform_int(r, 3);
		if (k >= m->series.n)
			k = m->series.n - 1;
		while (k > 0 && m->series.s[k] > s + m->sample_s)
			k--;
		while (k + 1 < m->series.n && m->series.s[k] < s)
			k++;
		m->pairs += paired;
		m->steps[m->in.step_count++] =
			(struct lull_current_step){m->series.s[k], read * was, read * mA, fabs(read) * error};
	}
}

void made_current_make(struct made_current *m, const struct made_current_rule *rule)
{
	static const double rates[] = {0.2, 0.5, 1, 2, 5, 10, 20, 50};
	struct car *c = calloc(1, sizeof(*c));
	gsl_rng *r = gsl_rng_alloc(gsl_rng_taus2);
	double read = rule->read_scale != 0 ? rule->read_scale : 1;

	memset(m, 0, sizeof(*m));
	gsl_rng_set(r, rule->seed + 1);
	c->rng = r;
	c->end = 3600 * uniform(r, fmin(3, rule->hours), rule->hours);
	m->sample_s = 1 / rates[gsl_rng_uniform_int(r, 8)];
	if (c->end / m->sample_s > (double)rule->samples)
		c->end = fmax(7200, (double)rule->samples * m->sample_s);
	if (rule->load_start || rule->load_end)
		m->sample_s = fmin(m->sample_s, 1);
	m->noise_mA = uniform(r, 2, 15);
	c->quiet_mA = log_uniform(r, 5, 60);
	c->steady_lag = chance(r, 0.5);
	c->lag = log_uniform(r, 0.004, 1);

	double asleep = key_cycle(c);

	wakes(c, asleep, rule->rhythm, &m->period_s);
	if (rule->rhythm == MADE_ANY || chance(r, 0.5))
		strangers(c);
	double start = 0, length = c->end + uniform(r, -300, 300);

	if (rule->rhythm == MADE_STRICT) {
		start = asleep + uniform(r, 30, 2500); /* relays may still drop */
		length = c->end - start - uniform(r, 0, 0.2) * (c->end - start);
	} else if (rule->rhythm == MADE_ANY && chance(r, 0.4)) {
		start = uniform(r, -0.2, 0.4) * c->end;
		length = uniform(r, 0.5, 1) * (c->end - start);
	} else {
		start = uniform(r, -60, 60);
	}
	if (rule->load_start)
		known_load(c, fmax(start, 0) + 25, 420, &m->loads[m->in.load_count++]);
	if (rule->load_end)
		known_load(c, fmin(start + length, c->end) - 60, 420, &m->loads[m->in.load_count++]);
	m->start_s = start;
	m->drift_ppm = uniform(r, -50, 50);
	qsort(c->change, c->changes, sizeof(*c->change), by_time);
	qsort(c->edge, c->edges, sizeof(*c->edge), edge_by_time);
	log_samples(m, c, length, rule->samples + 1000, read);
	find_steps(m, c, read);
	m->edges = calloc(c->edges + 1, sizeof(*m->edges));
	memcpy(m->edges, c->edge, c->edges * sizeof(*m->edges));
	m->in.series = &m->series;
	m->in.steps = m->steps;
	m->in.edges = m->edges;
	m->in.edge_count = c->edges;
	m->in.loads = m->loads;
	m->in.end = (lull_time)(c->end * 1e9);
	double wrong = chance(r, 0.4) ? uniform(r, -21600, 21600)
		: chance(r, 0.5)      ? 3600 * floor(uniform(r, -6, 7))
				      : 0;

	m->in.dated_start_s = chance(r, 0.3) ? (double)NAN : start + wrong + uniform(r, -20, 20);
	gsl_rng_free(r);
	free(c);
}

void made_current_clear(struct made_current *m)
{
	free(m->series.s);
	free(m->series.mA);
	free(m->edges);
	free(m->steps);
}
