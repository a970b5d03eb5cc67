/* SPDX-License-Identifier: GPL-3.0-or-later */
/* draw: the clamp's log made a current in recording time: dead times cut out, zero taken off, turned where the clamp hung
 * the wrong way round, levelled, lined up with the bus; then the quiet level and its band. Pure.
 *
 * Level and step have separate errors (trade rule 18): steps are good to the noise, the level only to the zero. */
#include "core/case.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Half widths, 95 %, of what a zero leaves open; common practice, no published source: clamps of this kind drift by some
 * 20 mA in a night, and stand some 100 mA off when nobody zeroed them. */
#define DRIFT_MA 20.0
#define UNZEROED_MA 100.0
#define ZERO_READING_MA 1.0
#define LOG_ENDS_EARLY (15 * LULL_MIN)
#define PAIR_AT 0.6 /* a wrong pairing names wrong costs: logs of other nights have reached 0.53 */
#define UNPLACED_SHARE 0.7 /* a log shorter than this part of the night ended early, wherever it began */
#define STABLE (5 * LULL_MIN) /* a level of the parked car lasts at least so long */
#define MOST_SPANS 500 /* of one node; one that comes and goes more often marks nothing */
#define TAIL (5 * LULL_SEC) /* what a spell still draws after its last frame */

struct work {
	struct lull_case *c;
	struct lull_series series; /* clamp time */
	struct lull_dead *dead;
	size_t dead_n;
	double *s; /* living samples */
	float *x;
	size_t n;
	struct lull_level *level;
	size_t levels;
	double zero_before, zero_drift, logger; /* mA */
	bool before, after; /* which zeros were read */
	double start_s, rate; /* recording seconds = start_s + s * rate */
	bool placed; /* start_s means something */
};

static lull_time to_recording(const struct work *w, double s)
{
	double t = w->start_s + s * w->rate;
	if (!(t > -1e9 && t < 1e9))
		t = t < 0 ? -1e9 : 1e9;
	return (lull_time)llround(t * 1e9);
}

/* --- zero --- */

/* What the zero readings and the logger's own draw stand for at a share (0..1) of the log: linear between the two. */
static double zero_at(const struct work *w, double s)
{
	double length = w->series.n ? w->series.s[w->series.n - 1] : 0;
	double share = length > 0 ? s / length : 0;
	return w->zero_before + w->zero_drift * share + w->logger;
}

static void read_zero(struct work *w)
{
	const struct lull_clamp *clamp = &w->c->night->clamp;
	struct lull_current_report *r = &w->c->v->current;
	double before = clamp->zero_before_mA, after = clamp->zero_after_mA;

	r->logger_mA = clamp->logger_mA;
	w->logger = isfinite(clamp->logger_mA) ? clamp->logger_mA : 0;
	w->before = isfinite(before);
	w->after = isfinite(after);
	if (!isfinite(before) && isfinite(after))
		before = after;
	w->zero_drift = isfinite(before) && isfinite(after) ? after - before : 0;
	w->zero_before = isfinite(before) ? before : 0;
	if (isfinite(before)) {
		r->zero_mA = before + w->zero_drift / 2;
		r->zero_drift_mA = w->zero_drift;
	}
}

/* After levelling, since the meter's digit shows only in the readings as they are. */
static void take_zero_off(struct work *w)
{
	for (size_t i = 0; i < w->levels; i++) {
		struct lull_level *l = &w->level[i];
		l->mean -= zero_at(w, (w->s[l->from] + w->s[l->to - 1]) / 2);
	}
	for (size_t i = 0; i < w->n; i++)
		w->x[i] = (float)((double)w->x[i] - zero_at(w, w->s[i]));
	for (size_t i = 0; i < w->series.n; i++)
		w->series.mA[i] = (float)((double)w->series.mA[i] - zero_at(w, w->series.s[i]));
}

/* What the zero leaves open at a share (0..1) of the log: half width, 95 %. */
static double zero_error(const struct work *w, double share)
{
	if (w->before && w->after) /* what bends between the two ends, most in the middle */
		return hypot(ZERO_READING_MA, 0.2 * fabs(w->zero_drift) * 4 * share * (1 - share));
	if (w->before || w->after)
		return hypot(ZERO_READING_MA, DRIFT_MA * (w->before ? share : 1 - share));
	return UNZEROED_MA;
}

/* --- dead times and direction --- */

static bool is_dead(const struct work *w, double s)
{
	for (size_t i = 0; i < w->dead_n; i++)
		if (s >= w->dead[i].from_s && s <= w->dead[i].to_s && w->dead[i].why != LULL_DEAD_DROPPED)
			return true;
	return false;
}

static bool dead_between(const struct work *w, double from, double to)
{
	for (size_t i = 0; i < w->dead_n; i++)
		if (w->dead[i].from_s < to && w->dead[i].to_s > from && w->dead[i].why != LULL_DEAD_DROPPED)
			return true;
	return false;
}

static bool keep_living(struct work *w)
{
	w->s = calloc(w->series.n + 1, sizeof *w->s);
	w->x = calloc(w->series.n + 1, sizeof *w->x);
	if (!w->s || !w->x) {
		w->c->oom = true;
		return false;
	}
	for (size_t i = 0; i < w->series.n; i++)
		if (isfinite(w->series.mA[i]) && !is_dead(w, w->series.s[i])) {
			w->s[w->n] = w->series.s[i];
			w->x[w->n++] = w->series.mA[i];
		}
	return w->n > 0;
}

static int by_float(const void *a, const void *b)
{
	float x = *(const float *)a, y = *(const float *)b;
	return x < y ? -1 : x > y;
}

/* A parked car draws, and its current rises from the quiet level and falls back. Judged on a sample of the log between its
 * 1 % ends, which leave out a short drive (amperes either way, the engine charges): with a zero, a level below it for most of
 * the night; without, excursions that all point down. A charger at work looks like the first, but its night has rises. */
static bool hangs_reversed(struct work *w)
{
	enum { MOST = 20000 };
	size_t stride = w->n / MOST + 1, n = 0;
	float *pick = calloc(w->n / stride + 1, sizeof *pick);
	if (!pick) {
		w->c->oom = true;
		return false;
	}
	for (size_t i = 0; i < w->n; i += stride)
		pick[n++] = w->x[i];
	qsort(pick, n, sizeof *pick, by_float);
	double middle = pick[n / 2], low = middle - pick[n / 50], high = pick[n - 1 - n / 50] - middle;
	free(pick);
	bool zeroed = w->before || w->after;
	double open = zero_error(w, 0.5);
	bool falls = low > 30 && low > 3 * high, rises = high > 30 && high > 3 * low;
	if (zeroed && middle < -open - 3)
		return !rises;
	if (zeroed && middle > open + 3)
		return false;
	return falls;
}

static void turn(struct work *w)
{
	for (size_t i = 0; i < w->levels; i++) {
		w->level[i].mean = -w->level[i].mean;
		w->level[i].slope = -w->level[i].slope;
	}
	for (size_t i = 0; i < w->n; i++)
		w->x[i] = -w->x[i];
	for (size_t i = 0; i < w->series.n; i++)
		w->series.mA[i] = -w->series.mA[i];
	struct lull_current_report *r = &w->c->v->current;
	r->zero_mA = -r->zero_mA;
	r->zero_drift_mA = -r->zero_drift_mA;
	r->reversed = !r->reversed;
}

/* --- levels --- */

/* Levels of the pieces between dead times, one after the other. */
static bool find_pieces(struct work *w)
{
	const struct lull_level_rule rule = { .noise = NAN, .penalty = NAN, .ramps = true };
	LULL_ARRAY(struct lull_level) all = { 0 };
	for (size_t from = 0; from < w->n;) {
		size_t to = from + 1;
		while (to < w->n && !dead_between(w, w->s[to - 1], w->s[to]))
			to++;
		struct lull_level *piece;
		size_t n;
		if (lull_find_levels(w->s + from, w->x + from, to - from, &rule, &piece, &n) != 0) {
			w->c->oom = true;
			free(all.at);
			return false;
		}
		for (size_t i = 0; i < n; i++) {
			piece[i].from += from;
			piece[i].to += from;
			CASE_PUSH(w->c, all, piece[i]);
		}
		free(piece);
		from = to;
	}
	w->level = all.at;
	w->levels = all.n;
	return !w->c->oom;
}

/* --- lining up --- */

static bool near_spell_edge(const struct lull_verdict *v, unsigned bus, lull_time t)
{
	for (size_t i = 0; i < v->spells.n; i++) {
		const struct lull_spell *s = &v->spells.at[i];
		if (s->bus == bus && ((t >= s->from - LULL_SEC && t <= s->from + LULL_SEC) || (t >= s->to - LULL_SEC && t <= s->to + LULL_SEC)))
			return true;
	}
	return false;
}

static size_t find_edges(struct lull_case *c, struct lull_bus_edge **out)
{
	LULL_ARRAY(struct lull_bus_edge) edges = { 0 };
	const struct lull_verdict *v = c->v;
	for (size_t i = 0; i < v->spells.n; i++) {
		const struct lull_spell *s = &v->spells.at[i];
		if (s->lone)
			continue;
		if (s->begun)
			CASE_PUSH(c, edges, ((struct lull_bus_edge){ s->from, true, 1 }));
		if (s->closed)
			CASE_PUSH(c, edges, ((struct lull_bus_edge){ s->to, false, 0.7 }));
	}
	if (v->key_off != LULL_NEVER)
		CASE_PUSH(c, edges, ((struct lull_bus_edge){ v->key_off, false, 1 }));
	/* a node that comes or goes by itself while the bus is awake */
	for (size_t i = 0; i < v->nodes.n; i++) {
		if (v->nodes.at[i].asker)
			continue;
		span_list spans = case_node_spans(c, (int)i);
		for (size_t k = 0; k < spans.n && spans.n <= MOST_SPANS; k++) {
			if (!near_spell_edge(v, v->nodes.at[i].bus, spans.at[k].from))
				CASE_PUSH(c, edges, ((struct lull_bus_edge){ spans.at[k].from, true, 0.4 }));
			if (!near_spell_edge(v, v->nodes.at[i].bus, spans.at[k].to))
				CASE_PUSH(c, edges, ((struct lull_bus_edge){ spans.at[k].to, false, 0.3 }));
		}
		free(spans.at);
	}
	*out = edges.at;
	return edges.n;
}

static size_t find_steps(struct work *w, struct lull_current_step **out)
{
	struct lull_current_step *steps = malloc((w->levels + 1) * sizeof *steps);
	size_t n = 0;
	if (!steps) {
		w->c->oom = true;
		*out = NULL;
		return 0;
	}
	for (size_t i = 1; i < w->levels; i++) {
		const struct lull_level *a = &w->level[i - 1], *b = &w->level[i];
		steps[n++] = (struct lull_current_step){ .s = w->s[b->from], .from_mA = a->mean, .to_mA = b->mean, .error_mA = hypot(a->error, b->error) };
	}
	*out = steps;
	return n;
}

/* A known load tells gain and direction better than any guess. */
static void apply_gain(struct work *w, double gain)
{
	for (size_t i = 0; i < w->n; i++)
		w->x[i] = (float)((double)w->x[i] * gain);
	for (size_t i = 0; i < w->levels; i++) {
		w->level[i].mean *= gain;
		w->level[i].error *= fabs(gain);
		w->level[i].noise *= fabs(gain);
		w->level[i].slope *= gain;
	}
	w->c->v->current.reversed ^= gain < 0;
}

static void line_up(struct work *w)
{
	struct lull_case *c = w->c;
	const struct lull_clamp *clamp = &c->night->clamp;
	struct lull_lineup *up = &c->v->current.lineup;
	struct lull_bus_edge *edges;
	struct lull_current_step *steps;
	LULL_ARRAY(struct lull_known_load) loads = { 0 };

	w->rate = 1;
	if (clamp->live) {
		*up = (struct lull_lineup){ .paired = true, .confidence = 1, .other_start_s = NAN, .scale = NAN };
		strcpy(up->why, "the log was taken by the recorder itself, on the same clock");
		w->placed = true;
		return;
	}
	size_t edge_count = find_edges(c, &edges), step_count = find_steps(w, &steps);
	for (size_t i = 0; i < c->night->marks.n; i++)
		if (c->night->marks.at[i].kind == LULL_MARK_TEST_LOAD && isfinite(c->night->marks.at[i].value))
			CASE_PUSH(c, loads, ((struct lull_known_load){ c->night->marks.at[i].t, c->night->marks.at[i].value }));
	double dated = NAN;
	int64_t zero_utc = lull_night_utc(c->night, 0);
	if (clamp->dated && zero_utc != INT64_MIN)
		dated = ((double)clamp->start_utc_ns - (double)zero_utc) / 1e9;
	struct lull_lineup_input input = { .series = &w->series,
		.steps = steps,
		.step_count = step_count,
		.edges = edges,
		.edge_count = edge_count,
		.loads = loads.at,
		.load_count = loads.n,
		.end = c->night->end,
		.dated_start_s = dated };
	if (c->oom || lull_line_up(&input, up) != 0)
		c->oom = true;
	free(edges);
	free(steps);
	free(loads.at);
	if (up->paired && up->confidence < PAIR_AT) {
		up->paired = false;
		snprintf(up->why, sizeof up->why, "the best match is too unsure (%.0f %%, %u steps found their edge)", 100 * up->confidence,
			up->matched);
	}
	if (up->by_load && isfinite(up->scale) && fabs(up->scale) > 0.01 && fabs(up->scale) < 100)
		apply_gain(w, up->scale);
	else if (up->scale < 0)
		turn(w);
	if (up->paired) {
		w->start_s = up->start_s;
		w->rate = 1 + up->drift_ppm * 1e-6;
		w->placed = true;
	} else {
		/* good enough to say which part of the log is the night, not to pair anything */
		double length = w->series.s[w->series.n - 1], end = (double)c->night->end / 1e9;
		w->start_s = isfinite(dated) && dated < end && dated + length > 0 ? dated : 0;
	}
}

/* --- zeros by marks --- */

#define ZERO_REACH (30 * LULL_SEC) /* of a mark */
#define ZERO_LASTS 3.0 /* seconds off the cable, at least */

/* The level nearest to nothing around a mark `clamp zero`; NAN. */
static double zero_near(const struct work *w, lull_time mark)
{
	double best = NAN;
	for (size_t i = 0; i < w->levels; i++) {
		const struct lull_level *l = &w->level[i];
		lull_time from = to_recording(w, w->s[l->from]), to = to_recording(w, w->s[l->to - 1]);
		if (from > mark + ZERO_REACH || to < mark - ZERO_REACH || w->s[l->to - 1] - w->s[l->from] < ZERO_LASTS)
			continue;
		if (!(fabs(l->mean) >= fabs(best)))
			best = l->mean;
	}
	return best;
}

/* Zeros that nobody told are read from the log where marks say that the clamp was off the cable: the first before settling,
 * the last after it. Only with the clocks lined up. */
static void zero_by_marks(struct work *w)
{
	struct lull_case *c = w->c;
	struct lull_current_report *r = &c->v->current;
	double before = NAN, after = NAN;
	if (!w->placed || w->before || w->after)
		return;
	for (size_t i = 0; i < c->night->marks.n; i++) {
		const struct lull_mark *m = &c->night->marks.at[i];
		if (m->kind != LULL_MARK_CLAMP_ZERO)
			continue;
		double zero = zero_near(w, m->t);
		bool early = m->t < c->v->settle_from + 60 * LULL_MIN;
		if (isfinite(zero) && early && !isfinite(before))
			before = zero + w->logger;
		if (isfinite(zero) && !early)
			after = zero + w->logger;
	}
	if (!isfinite(before) && !isfinite(after))
		return;
	w->before = isfinite(before);
	w->after = isfinite(after);
	if (!w->before)
		before = after;
	w->zero_drift = w->before && w->after ? after - before : 0;
	w->zero_before = before;
	/* the logger's draw is off already */
	double logger = w->logger;
	w->logger = 0;
	take_zero_off(w);
	w->logger = logger;
	r->zero_mA = before + w->zero_drift / 2;
	r->zero_drift_mA = w->zero_drift;
}

/* --- into recording time --- */

static void keep_samples(struct work *w)
{
	struct lull_case *c = w->c;
	c->draw_at = calloc(w->n + 1, sizeof *c->draw_at);
	c->draw_mA = calloc(w->n + 1, sizeof *c->draw_mA);
	if (!c->draw_at || !c->draw_mA) {
		c->oom = true;
		return;
	}
	for (size_t i = 0; i < w->n; i++) {
		c->draw_at[i] = to_recording(w, w->s[i]);
		c->draw_mA[i] = w->x[i];
	}
	c->draw_n = w->n;
	c->draw_step = (lull_time)llround(w->series.step_s * 1e9);
}

static void keep_stages(struct work *w)
{
	struct lull_case *c = w->c;
	struct lull_current_report *r = &c->v->current;
	double noise = 0, weight = 0;
	for (size_t i = 0; i < w->levels; i++) {
		const struct lull_level *l = &w->level[i];
		struct lull_stage stage = { .from = to_recording(w, w->s[l->from]),
			.to = to_recording(w, w->s[l->to - 1]),
			.mA = l->mean,
			.error_mA = l->error,
			.noise_mA = l->noise };
		noise += l->noise * (double)(l->to - l->from);
		weight += (double)(l->to - l->from);
		if (i > 0) {
			const struct lull_level *a = &w->level[i - 1];
			struct lull_step step = { .at = stage.from, .from_mA = a->mean, .to_mA = l->mean, .error_mA = hypot(a->error, l->error) };
			CASE_PUSH(c, r->steps, step);
		}
		CASE_PUSH(c, r->stages, stage);
	}
	c->draw_noise = weight > 0 ? noise / weight : 0;
}

static void keep_dead(struct work *w)
{
	struct lull_case *c = w->c;
	struct lull_current_report *r = &c->v->current;
	double end_s = w->series.n ? w->series.s[w->series.n - 1] : 0;
	for (size_t i = 0; i < w->dead_n; i++) {
		const struct lull_dead *d = &w->dead[i];
		struct lull_coverage row = { .bus = LULL_BUS_ALL, .why = LULL_BLIND_NOT_LISTENING, .from = to_recording(w, d->from_s), .to = to_recording(w, d->to_s) };
		CASE_PUSH(c, r->dead, row);
		if (d->to_s >= end_s && (d->why != LULL_DEAD_SATURATED || d->to_s - d->from_s > 600) && r->lost_at == LULL_NEVER) {
			r->lost_at = row.from;
			r->lost_why = d->why;
		}
	}
	/* the log ends while the night goes on; where the clocks are not lined up, only if it is too short for any placing */
	lull_time log_end = to_recording(w, end_s), judged = c->v->judged_to;
	bool ends = w->placed ? log_end + LOG_ENDS_EARLY < judged : end_s * 1e9 < UNPLACED_SHARE * (double)(judged - c->v->settle_from);
	if (judged != LULL_NEVER && r->lost_at == LULL_NEVER && ends) {
		r->lost_at = log_end < judged ? log_end : judged - LOG_ENDS_EARLY;
		r->lost_why = LULL_DEAD_ENDED;
	}
}

double case_mean_mA(const struct lull_case *c, lull_time from, lull_time to, double *error)
{
	size_t low = 0, high = c->draw_n;
	while (low < high) {
		size_t mid = (low + high) / 2;
		if (c->draw_at[mid] < from)
			low = mid + 1;
		else
			high = mid;
	}
	double sum = 0;
	size_t n = 0;
	for (size_t i = low; i < c->draw_n && c->draw_at[i] < to; i++) {
		sum += (double)c->draw_mA[i];
		n++;
	}
	if (error)
		*error = n ? c->draw_noise / sqrt((double)n) : NAN;
	if (!n || (double)n * (double)c->draw_step < 0.5 * (double)(to - from - c->draw_step))
		return NAN;
	return sum / (double)n;
}

/* --- the quiet level --- */

/* Is a stage parked and quiet on every bus that was heard? Without a pairing: any stage may be. */
static lull_time quiet_share(const struct work *w, const struct lull_stage *stage)
{
	const struct lull_case *c = w->c;
	lull_time from = stage->from, to = stage->to, gone = 0;
	if (!w->placed)
		return to - from;
	if (from < c->v->settle_from)
		from = c->v->settle_from;
	if (to > c->v->judged_to)
		to = c->v->judged_to;
	if (to <= from)
		return 0;
	for (size_t i = 0; i < c->v->spells.n; i++) {
		const struct lull_spell *s = &c->v->spells.at[i];
		lull_time a = s->from - LULL_SEC > from ? s->from - LULL_SEC : from, b = s->to + TAIL < to ? s->to + TAIL : to;
		if (!s->lone && b > a)
			gone += b - a;
	}
	return to - from > gone ? to - from - gone : 0;
}

/* A car whose buses were all seen awake to the end has no quiet level. */
static bool may_have_slept(const struct lull_case *c)
{
	bool seen = false;
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		if (c->v->bus[bus].first_quiet != LULL_NEVER || c->v->bus[bus].stub)
			return true;
		seen |= c->v->bus[bus].representative;
	}
	return !seen;
}

/* Trade rule 22: the last stable level after retained power and relays have dropped, not an average of the plateau. Stages
 * that agree with it join. */
static void find_quiet(struct work *w)
{
	struct lull_case *c = w->c;
	struct lull_current_report *r = &c->v->current;
	const struct lull_stage *last = NULL;
	lull_time longest = 0;

	r->quiet_mA = r->quiet_error_mA = NAN;
	if (!may_have_slept(c))
		return;
	for (size_t i = 0; i < r->stages.n; i++) {
		const struct lull_stage *s = &r->stages.at[i];
		lull_time quiet = quiet_share(w, s);
		if (quiet < STABLE || quiet * 10 < (s->to - s->from) * 8)
			continue;
		/* lined up: the last; else the longest is the best guess of the night */
		if (w->placed || quiet > longest) {
			last = s;
			longest = quiet;
		}
	}
	if (!last)
		return;
	double sum = 0, weight = 0, variance = 0, middle = 0;
	for (size_t i = 0; i < r->stages.n; i++) {
		const struct lull_stage *s = &r->stages.at[i];
		double quiet = (double)quiet_share(w, s) / 1e9;
		double near = fmax(2, 3 * hypot(s->error_mA, last->error_mA));
		bool joins = s == last || (s->from > last->from - 4 * 60 * LULL_MIN && fabs(s->mA - last->mA) <= near &&
						  quiet * 1e9 >= 0.8 * (double)(s->to - s->from) && quiet >= 60);
		if (!joins)
			continue;
		sum += quiet * s->mA;
		variance += quiet * quiet * s->error_mA * s->error_mA;
		middle += quiet * ((double)s->from + (double)s->to) / 2;
		weight += quiet;
	}
	double length = w->series.s[w->series.n - 1];
	double share = length > 0 ? (middle / weight / 1e9 - w->start_s) / (length * w->rate) : 0.5;
	share = fmin(fmax(share, 0), 1);
	r->quiet_mA = sum / weight;
	r->zero_error_mA = zero_error(w, share);
	r->quiet_error_mA = hypot(r->zero_error_mA, 1.96 * sqrt(variance) / weight);
}

static void find_average(struct work *w)
{
	struct lull_case *c = w->c;
	struct lull_current_report *r = &c->v->current;
	r->average_mA = r->average_error_mA = r->charge_mAh = NAN;
	if (!w->placed && !may_have_slept(c)) {
		/* awake throughout: the longest stable level is what it draws so */
		const struct lull_stage *longest = NULL;
		for (size_t i = 0; i < r->stages.n; i++)
			if (!longest || r->stages.at[i].to - r->stages.at[i].from > longest->to - longest->from)
				longest = &r->stages.at[i];
		if (longest && longest->to - longest->from >= STABLE) {
			r->average_mA = longest->mA;
			r->zero_error_mA = zero_error(w, 0.5);
			r->average_error_mA = hypot(1.96 * longest->error_mA, r->zero_error_mA);
		}
		return;
	}
	bool woke = false;
	for (size_t i = 0; i < c->v->spells.n; i++)
		woke |= c->v->spells.at[i].kind == LULL_SPELL_WAKE && !c->v->spells.at[i].lone;
	if (!w->placed && isfinite(r->quiet_mA) && !woke) {
		/* asleep and never woken: the night's average is its quiet level, the first minutes aside */
		r->average_mA = r->quiet_mA;
		r->average_error_mA = r->quiet_error_mA;
		return;
	}
	if (!w->placed || c->v->judged_to == LULL_NEVER || c->v->judged_to <= c->v->settle_from)
		return;
	lull_time from = c->v->settle_from, to = c->v->judged_to;
	if (r->lost_at != LULL_NEVER && r->lost_at < to)
		to = r->lost_at;
	if (to <= from + LULL_MIN)
		return;
	double error;
	r->average_mA = case_mean_mA(c, from, to, &error);
	if (isfinite(r->average_mA)) {
		r->average_error_mA = hypot(1.96 * error, isfinite(r->zero_error_mA) ? r->zero_error_mA : UNZEROED_MA);
		r->charge_mAh = r->average_mA * (double)(to - from) / 3.6e12;
	}
}

/* The classic mistake: ten times too much or too little. */
static void doubt_scale(struct work *w)
{
	struct lull_case *c = w->c;
	struct lull_current_report *r = &c->v->current;
	if (!isfinite(c->night->clamp.mV_per_A) || !isfinite(r->quiet_mA) || r->lineup.by_load)
		return;
	double most = 0;
	for (size_t i = 0; i < r->stages.n; i++)
		most = fmax(most, fabs(r->stages.at[i].mA));
	if (r->quiet_mA > 1500)
		r->scale_doubt = case_say(c, "The quiet level reads %.0f mA, ten times what is usual even for a bad drain: does the clamp give 100 mV/A where "
					      "10 mV/A was told? Then it is %.0f mA.", r->quiet_mA, r->quiet_mA / 10);
	else if (most < 400 && r->stages.n > 3 && c->v->key_off != LULL_NEVER && w->placed && r->stages.at[0].from < c->v->key_off)
		r->scale_doubt = case_say(c, "With the key on no more than %.0f mA were read, a tenth of what is usual: does the clamp give 10 mV/A where 100 mV/A was "
					      "told? Then all currents are ten times larger.", most);
}

static void name_steps(struct lull_case *c)
{
	struct lull_current_report *r = &c->v->current;
	char a[32];
	for (size_t i = 0; i < r->steps.n; i++) {
		struct lull_step *step = &r->steps.at[i];
		bool up = step->to_mA > step->from_mA;
		lull_time best = 3 * LULL_SEC + 2 * c->draw_step;
		const struct lull_spell *at = NULL;
		bool begins = false;
		if (!r->lineup.paired)
			continue;
		for (size_t k = 0; k < c->v->spells.n; k++) {
			const struct lull_spell *s = &c->v->spells.at[k];
			lull_time edge = up ? s->from : s->to, apart = step->at > edge ? step->at - edge : edge - step->at;
			if (!s->lone && apart < best) {
				best = apart;
				at = s;
				begins = up;
			}
		}
		if (at)
			step->because = case_say(c, "bus %s %s", c->night->bus[at->bus].name, begins ? "wakes" : "falls quiet");
		else if (c->v->key_off != LULL_NEVER && step->at > c->v->key_off - 3 * LULL_SEC && step->at < c->v->key_off + 5 * LULL_SEC)
			step->because = case_say(c, "key-off");
		else if (!up && c->v->key_off != LULL_NEVER && step->at > c->v->key_off && step->at < c->v->key_off + 90 * LULL_MIN)
			step->because = case_say(c, "%s after key-off, downwards: retained power, a relay or a timed lamp drops", span_text(step->at - c->v->key_off, a));
	}
}

static void free_work(struct work *w)
{
	lull_series_clear(&w->series);
	free(w->dead);
	free(w->s);
	free(w->x);
	free(w->level);
}

void case_draw(struct lull_case *c)
{
	struct lull_current_report *r = &c->v->current;
	const struct lull_clamp *clamp = &c->night->clamp;
	struct work w = { .c = c, .rate = 1 };

	r->lost_at = LULL_NEVER;
	r->quiet_mA = r->quiet_error_mA = r->average_mA = r->average_error_mA = r->charge_mAh = r->zero_mA = r->zero_error_mA = NAN;
	r->clock_offset_s = r->logger_mA = r->needed_mA = NAN;
	r->lineup.other_start_s = r->lineup.scale = NAN;
	if (!clamp->present || !c->night->chunks.n)
		return;
	r->present = true;
	r->samples = clamp->samples;
	double range = isfinite(clamp->range_A) ? clamp->range_A * 1e3 : NAN;
	if (lull_series_from_chunks(c->night->chunks.at, c->night->chunks.n, &w.series) != 0 ||
		lull_find_dead(&w.series, range, NAN, &w.dead, &w.dead_n) != 0) {
		c->oom = true;
		goto out;
	}
	if (!w.series.n || !keep_living(&w) || !find_pieces(&w))
		goto out;
	read_zero(&w);
	take_zero_off(&w);
	if (hangs_reversed(&w))
		turn(&w);
	line_up(&w);
	zero_by_marks(&w);
	r->zero_before = w.before;
	r->zero_after = w.after;
	if (c->oom)
		goto out;
	if (r->lineup.paired)
		r->clock_offset_s = clamp->dated ?
			r->lineup.start_s - ((double)clamp->start_utc_ns - (double)lull_night_utc(c->night, 0)) / 1e9 :
			r->lineup.start_s - clamp->first_s * w.rate;
	keep_samples(&w);
	keep_stages(&w);
	keep_dead(&w);
	if (c->oom)
		goto out;
	find_quiet(&w);
	find_average(&w);
	doubt_scale(&w);
	name_steps(c);
	r->usable = isfinite(r->quiet_mA) || isfinite(r->average_mA);
out:
	free_work(&w);
}
