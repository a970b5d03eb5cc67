/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lineup_prepare: steps and edges made fit for comparison. Pure. */
#include <core/lineup.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define FARTHEST 1e8 /* s: three years; what lies beyond is no instant of this night */
#define JOIN_UP 1.5 /* s: followers come up behind a waker */
#define JOIN_DOWN 3.0 /* s: the last ones go one after the other */
#define CROWD 90.0 /* s to either side */
#define FLURRY_FROM 3.0 /* s */
#define FLURRY_TO 7200.0
#define KEY_OFF 0.95 /* weight of a fall from which it is the key's */
#define KEY_VAGUE 2.0 /* s */
#define BIG 0.4 /* of the largest step */
#define MOST_STEPS 1500
#define MOST_EDGES 3000
#define MOST_SPLIT 100 /* samples to either side that time a step */

static int by_time(const void *a, const void *b)
{
	const struct lineup_event *x = a, *y = b;

	return (x->t > y->t) - (x->t < y->t);
}

static int by_weight(const void *a, const void *b)
{
	const struct lineup_event *x = a, *y = b;

	return (x->weight < y->weight) - (x->weight > y->weight);
}

static int by_size(const void *a, const void *b)
{
	double x = fabs(((const struct lineup_event *)a)->amp),
	       y = fabs(((const struct lineup_event *)b)->amp);

	return (x < y) - (x > y);
}

static int by_value(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;

	return (x > y) - (x < y);
}

static size_t keep_most(
	struct lineup_event *e, size_t n, size_t most, int (*order)(const void *, const void *))
{
	if (n <= most)
		return n;
	qsort(e, n, sizeof(*e), order);
	return most;
}

/* One event for all that come within a moment. Of steps the largest: whoever wakes the bus may draw for a second before
 * its first frame, but the rest of the car wakes by that frame; and who falls silent early sleeps early, while most of the
 * car waits for the end. Of edges the first, except where a bus ends: there it is the last frame that counts. */
static size_t join(struct lineup_event *e, size_t n, bool bus)
{
	size_t kept = 0, open[2] = {SIZE_MAX, SIZE_MAX};
	double last[2] = {0, 0}, largest[2] = {0, 0};

	for (size_t i = 0; i < n; i++) {
		struct lineup_event now = e[i];
		size_t *at = &open[now.up];

		if (*at == SIZE_MAX || now.t - last[now.up] > (now.up ? JOIN_UP : JOIN_DOWN)) {
			*at = kept;
			last[now.up] = now.t;
			e[kept++] = now;
			largest[now.up] = fabs(now.amp);
			continue;
		}
		struct lineup_event *first = &e[*at];

		first->weight = fmax(first->weight, now.weight);
		first->amp += now.amp;
		/* A staircase of rises without end is no one rise. */
		if (!now.up)
			last[0] = now.t;
		if (!now.up && bus)
			first->t = now.t;
		if (!bus && fabs(now.amp) > largest[now.up]) {
			largest[now.up] = fabs(now.amp);
			first->t = now.t;
			first->sd = now.sd;
		}
	}
	qsort(e, kept, sizeof(*e), by_time);
	return kept;
}

static void find_crowds(struct lineup_event *e, size_t n, double length)
{
	for (int up = 0; up < 2; up++) {
		size_t all = 0, from = 0, to = 0, inside = 0;

		for (size_t i = 0; i < n; i++)
			all += e[i].up == up;
		for (size_t i = 0; i < n; i++) {
			if (e[i].up != up)
				continue;
			for (; to < n && e[to].t <= e[i].t + CROWD; to++)
				inside += e[to].up == up;
			for (; e[from].t < e[i].t - CROWD; from++)
				inside -= e[from].up == up;
			/* The first match in a crowd is worth as much as any; for the rest it is easy to meet somebody. */
			double others = (double)(inside - 1),
			       dense = others / (double)all * length / (2 * CROWD);

			e[i].crowd = dense > 1 ? pow(dense, others / (double)inside) : 1;
		}
	}
}

/* Steps come in flurries of any length: a wake ends, nodes fall asleep one after the other, people are about when the log
 * begins. So each step makes further ones likely, evenly by the logarithm of the time since (as aftershocks come); else they
 * come at random, one in the whole log. */
static void find_often(struct lineup_event *e, size_t n, double lo, double hi)
{
	double length = fmax(hi - lo, FLURRY_FROM), even = log(fmin(length, FLURRY_TO) / FLURRY_FROM + 1);

	for (size_t i = 0; i < n; i++) {
		double sum = 1 / (e[i].t - lo + FLURRY_FROM);

		for (size_t j = i; j-- > 0;)
			sum += 1 / (e[i].t - e[j].t + FLURRY_FROM);
		e[i].often = 1 / length + 0.5 * sum / even;
	}
}

/* Robust noise: of second differences of samples in a row, so that levels and slopes do not count. */
static double find_noise(const struct lull_series *series)
{
	double d[2000];
	size_t n = 0, stride = series->n / 2000 + 1;

	for (size_t i = 1; i + 1 < series->n && n < 2000; i += stride) {
		double x = fabs(
			(double)series->mA[i - 1] - 2 * (double)series->mA[i] + (double)series->mA[i + 1]);

		if (isfinite(x))
			d[n++] = x;
	}
	if (!n)
		return 0;
	qsort(d, n, sizeof(*d), by_value);
	return d[n / 2] / (0.6745 * 2.449489742783178); /* of |x| of a normal; sqrt(1 + 4 + 1) */
}

static size_t sample_at(const struct lull_series *series, double s)
{
	size_t lo = 0, hi = series->n;

	while (lo < hi) {
		size_t mid = lo + (hi - lo) / 2;

		if (series->s[mid] < s)
			lo = mid + 1;
		else
			hi = mid;
	}
	return lo;
}

/* Where in the samples the step lies: every split weighed by its likelihood. What told the steps may have meant the
 * sample before, after or between; here it is always the middle between two samples. Only the height of the step
 * is taken as told: its levels may have had a zero taken off that the samples still have. */
static void time_step(const struct lineup *l, const struct lull_series *series, double lo, double hi,
	struct lineup_event *e)
{
	double reach = fmax(4 * l->sample_s, 1),
	       var = fmax(l->noise_mA * l->noise_mA, 1e-6 * e->amp * e->amp) + 1e-12;
	size_t from = sample_at(series, fmax(lo, e->t - reach)),
	       to = sample_at(series, fmin(hi, e->t + reach));
	size_t middle = sample_at(series, e->t);
	double cost[2 * MOST_SPLIT], base, after = 0, least = INFINITY, sum = 0, mean = 0, square = 0;

	if (middle > from + MOST_SPLIT)
		from = middle - MOST_SPLIT;
	if (to > middle + MOST_SPLIT)
		to = middle + MOST_SPLIT;
	if (to < from + 2 || middle < from || middle > to)
		return;
	size_t n = to - from;
	double all = 0;

	base = (double)series->mA[from];
	for (size_t i = 0; i < n; i++) {
		double x = (double)series->mA[from + i] - base;

		if (!isfinite(x) || fabs(x) > 1e9)
			return;
		all += x;
	}
	/* What is left when samples from i on lie higher by the step, less what does not depend on i. */
	for (size_t i = n; i-- > 1;) {
		double behind = (double)(n - i), rest;

		after += (double)series->mA[from + i] - base;
		rest = all - e->amp * behind;
		cost[i] = -2 * e->amp * after + e->amp * e->amp * behind - rest * rest / (double)n;
		least = fmin(least, cost[i]);
	}
	for (size_t i = 1; i < n; i++) {
		double w = exp(fmax(-600, (least - cost[i]) / (2 * var)));
		double gap = series->s[from + i] - series->s[from + i - 1],
		       at = series->s[from + i] - 0.5 * gap - e->t;

		sum += w;
		mean += w * at;
		square += w * (at * at + gap * gap / 12);
	}
	if (!(sum > 0) || !isfinite(mean) || !isfinite(square))
		return;
	mean /= sum;
	e->sd = sqrt(fmax(0, square / sum - mean * mean));
	e->t += mean;
}

/* Where many steps are as large as the largest, it is none of the key's. */
static void keep_big(struct lineup *l)
{
	double largest = 0;
	size_t n = 0;

	for (size_t i = 0; i < l->steps; i++)
		largest = fmax(largest, fabs(l->step[i].amp));
	for (size_t i = 0; i < l->steps; i++) {
		if (fabs(l->step[i].amp) < BIG * largest)
			continue;
		if (n < LINEUP_BIGS)
			l->big[n] = l->step[i];
		n++;
	}
	l->bigs = n <= LINEUP_BIGS ? n : 0;
}

static int take_steps(const struct lull_lineup_input *in, struct lineup *l)
{
	l->step = calloc(in->step_count + 1, sizeof(*l->step));
	l->turned = calloc(in->step_count + 1, sizeof(*l->turned));
	if (!l->step || !l->turned)
		return -ENOMEM;
	for (size_t i = 0; i < in->step_count; i++) {
		const struct lull_current_step *s = &in->steps[i];
		double amp = s->to_mA - s->from_mA;

		if (!isfinite(s->s) || fabs(s->s) > FARTHEST || !isfinite(amp) || fabs(amp) > 1e9 || amp == 0)
			continue;
		struct lineup_event *e = &l->step[l->steps++];

		*e = (struct lineup_event){.t = s->s,
			.amp = amp,
			.up = amp > 0,
			.weight = 1,
			.crowd = 1,
			.sd = l->sample_s / sqrt(12)};
		if (in->series && l->sample_s > 0) {
			double before = i ? 0.5 * (in->steps[i - 1].s + s->s) : -INFINITY;
			double after = i + 1 < in->step_count ? 0.5 * (in->steps[i + 1].s + s->s) : INFINITY;

			time_step(l, in->series, before, after, e);
		}
	}
	l->steps = keep_most(l->step, l->steps, MOST_STEPS, by_size);
	keep_big(l);
	qsort(l->step, l->steps, sizeof(*l->step), by_time);
	for (size_t i = 0; i < l->steps; i++) {
		l->turned[i] = l->step[i];
		l->turned[i].up = !l->step[i].up;
		l->turned[i].amp = -l->step[i].amp;
	}
	l->turned_steps = join(l->turned, l->steps, false);
	l->steps = join(l->step, l->steps, false);
	return 0;
}

static int take_edges(const struct lull_lineup_input *in, struct lineup *l)
{
	l->edge = calloc(in->edge_count + 1, sizeof(*l->edge));
	if (!l->edge)
		return -ENOMEM;
	for (size_t i = 0; i < in->edge_count; i++) {
		const struct lull_bus_edge *b = &in->edges[i];
		double t = 1e-9 * (double)b->t;

		/* At its very ends a recording begins and ends, not a spell. */
		if (b->t == LULL_NEVER || !isfinite(b->weight) || b->weight <= 0 || t <= 0.5 ||
			t >= l->end - 0.5)
			continue;
		if (!b->up && b->weight >= KEY_OFF) {
			if (l->keys < LINEUP_KEYS)
				l->key[l->keys++] = (struct lineup_event){.t = t, .weight = 1, .crowd = 1};
			continue;
		}
		l->edge[l->edges++] =
			(struct lineup_event){.t = t, .up = b->up, .weight = fmin(b->weight, 1), .crowd = 1};
	}
	l->edges = keep_most(l->edge, l->edges, MOST_EDGES, by_weight);
	qsort(l->edge, l->edges, sizeof(*l->edge), by_time);
	l->edges = join(l->edge, l->edges, true);
	return 0;
}

static int take_series(const struct lull_series *series, struct lineup *l)
{
	size_t n = 0;

	for (size_t i = 0; i < series->n; i++) {
		if (!isfinite(series->s[i]) || fabs(series->s[i]) > FARTHEST ||
			(i && series->s[i] < series->s[i - 1]))
			return -EINVAL; /* no order of time */
	}
	l->lo = series->s[0];
	l->hi = series->s[series->n - 1];
	l->sample_s = series->step_s;
	if (!isfinite(l->sample_s) || l->sample_s <= 0 || l->sample_s > 3600)
		l->sample_s = fmin(3600, fmax(1e-6, (l->hi - l->lo) / (double)series->n));
	l->noise_mA = find_noise(series);

	double least = fmax(5 * l->sample_s, 10);

	for (size_t i = 1; i < series->n; i++)
		n += series->s[i] - series->s[i - 1] > least;
	l->hole = calloc(n + 1, sizeof(*l->hole));
	if (!l->hole)
		return -ENOMEM;
	for (size_t i = 1; i < series->n; i++)
		if (series->s[i] - series->s[i - 1] > least)
			l->hole[l->holes++] = (struct lineup_hole){series->s[i - 1], series->s[i]};
	return 0;
}

int lineup_prepare(const struct lull_lineup_input *in, struct lineup *l)
{
	int r = 0;

	memset(l, 0, sizeof(*l));
	l->end = fmin(fmax(1e-9 * (double)in->end, 0), FARTHEST);
	l->key_room = isfinite(in->key_room_s) ? fmin(fmax(in->key_room_s, 0), KEY_VAGUE) : 0;
	l->dated = isfinite(in->dated_start_s) ? in->dated_start_s : (double)NAN;
	if (in->series && in->series->n)
		r = take_series(in->series, l);
	if (r == -EINVAL) {
		l->sample_s = l->lo = l->hi = 0;
		r = 0;
	}
	if (!r)
		r = take_steps(in, l);
	if (!r)
		r = take_edges(in, l);
	if (r) {
		lineup_clear(l);
		return r;
	}
	if (l->sample_s <= 0 && l->steps) { /* no series: the steps alone say how long the log was */
		l->lo = fmin(0, l->step[0].t);
		l->hi = l->step[l->steps - 1].t + 1;
	}
	find_crowds(l->step, l->steps, l->hi - l->lo);
	find_crowds(l->turned, l->turned_steps, l->hi - l->lo);
	find_often(l->step, l->steps, l->lo, l->hi);
	find_often(l->turned, l->turned_steps, l->lo, l->hi);
	return 0;
}

void lineup_clear(struct lineup *l)
{
	free(l->step);
	free(l->turned);
	free(l->edge);
	free(l->hole);
	memset(l, 0, sizeof(*l));
}

void lineup_flip(struct lineup *l)
{
	struct lineup_event *step = l->step;
	size_t steps = l->steps;

	l->step = l->turned;
	l->steps = l->turned_steps;
	l->turned = step;
	l->turned_steps = steps;
	l->reversed = !l->reversed;
}

bool lineup_in_log(const struct lineup *l, double s)
{
	if (s < l->lo || s > l->hi)
		return false;
	size_t lo = 0, hi = l->holes;

	while (lo < hi) {
		size_t mid = lo + (hi - lo) / 2;

		if (l->hole[mid].to < s)
			lo = mid + 1;
		else
			hi = mid;
	}
	return lo == l->holes || l->hole[lo].from > s;
}
