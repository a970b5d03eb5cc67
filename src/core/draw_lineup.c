/* SPDX-License-Identifier: GPL-3.0-or-later */
/* draw_lineup: what bus and log give lull_line_up() to compare, and what its answer is good for. Pure. */
#include "core/draw.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A wrong pairing names wrong costs. Of invented logs of other nights those that come near have no rise among their matches: what
 * falls silent after a key does so in any car, and at much the same times in the same car. */
#define PAIR_AT 0.9
#define PAIR_FALLS_AT 0.98
#define KEY_PERIOD 1000 /* ms: slower ones tell no better than the key's edge itself */
#define KEY_ROOM_S 0.15
#define KEY_BEFORE (3 * LULL_SEC)
#define KEY_AFTER (6 * LULL_SEC)
#define MOST_SPANS 500 /* of one node; one that comes and goes more often marks nothing */
#define HOLE_S 10.0 /* as of lull_find_dead() */
#define HOLE_STEPS 5.0
#define HELD_STEPS 2.0
#define FEW_SPANS 6.0 /* of one node: each may be a wake of its own */

static bool near_spell_edge(const struct lull_verdict *v, unsigned bus, lull_time t)
{
	for (size_t i = 0; i < v->spells.n; i++) {
		const struct lull_spell *s = &v->spells.at[i];
		if (s->bus == bus && ((t >= s->from - LULL_SEC && t <= s->from + LULL_SEC) || (t >= s->to - LULL_SEC && t <= s->to + LULL_SEC)))
			return true;
	}
	return false;
}

/* The key itself by what fell silent with it: each ID a period after its last frame at the latest, and none of them before the
 * key. A mark is typed by hand, and the fall of many lasts a second. */
static lull_time key_turned(const struct lull_case *c, double *room_s)
{
	lull_time key = c->v->key_off, first = LULL_NEVER;
	size_t n = 0;
	for (size_t i = 0; i < c->v->ids.n && key != LULL_NEVER; i++) {
		const struct lull_id_info *info = &c->v->ids.at[i];
		if (!info->ignition_only || !(info->period_ms > 0) || info->period_ms > KEY_PERIOD)
			continue;
		lull_time period = (lull_time)(1e6 * info->period_ms);
		lull_time last = case_last_in(c, i, key - KEY_BEFORE - period, key + KEY_AFTER);
		if (last == LULL_NEVER || last == key + KEY_AFTER)
			continue;
		n++;
		if (first == LULL_NEVER || last + period < first)
			first = last + period;
	}
	*room_s = n ? KEY_ROOM_S : 0;
	return first != LULL_NEVER ? first : key;
}

static size_t find_edges(struct lull_case *c, struct lull_bus_edge **out, double *key_room_s)
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
		CASE_PUSH(c, edges, ((struct lull_bus_edge){ key_turned(c, key_room_s), false, 1 }));
	/* a node that comes or goes by itself while the bus is awake */
	for (size_t i = 0; i < v->nodes.n; i++) {
		if (v->nodes.at[i].asker)
			continue;
		span_list spans = case_node_spans(c, (int)i);
		/* one that comes and goes all the time hardly sleeps between */
		double share = fmin(1, FEW_SPANS / fmax(1, (double)spans.n));
		for (size_t k = 0; k < spans.n && spans.n <= MOST_SPANS; k++) {
			if (!near_spell_edge(v, v->nodes.at[i].bus, spans.at[k].from))
				CASE_PUSH(c, edges, ((struct lull_bus_edge){ spans.at[k].from, true, 0.4 * share }));
			if (!near_spell_edge(v, v->nodes.at[i].bus, spans.at[k].to))
				CASE_PUSH(c, edges, ((struct lull_bus_edge){ spans.at[k].to, false, 0.3 * share }));
		}
		free(spans.at);
	}
	*out = edges.at;
	return edges.n;
}

/* Samples in a row, as far as a clamp's log has any. */
static bool adjoin(const struct draw *w, double before_s, double after_s)
{
	return after_s - before_s <= fmax(HOLE_S, HOLE_STEPS * w->series.step_s);
}

/* What the log shows at this instant, end of the range or not. */
static double shown(const struct draw *w, double s)
{
	size_t low = 0, high = w->series.n;
	while (low < high) {
		size_t mid = low + (high - low) / 2;
		if (w->series.s[mid] < s)
			low = mid + 1;
		else
			high = mid;
	}
	return low < w->series.n ? (double)w->series.mA[low] : NAN;
}

/* Steps from level to level. Where the clamp was at the end of its range between two of them, it is seen when the current left
 * the first and came to the second: the key is often turned there. Across any other hole nobody knows when it stepped. */
static size_t find_steps(struct draw *w, struct lull_current_step **out)
{
	struct lull_current_step *steps = malloc(2 * (w->levels + 1) * sizeof *steps);
	size_t n = 0, d = 0;
	if (!steps) {
		w->c->oom = true;
		*out = NULL;
		return 0;
	}
	for (size_t i = 0; i <= w->levels && w->levels; i++) {
		const struct lull_level *a = i ? &w->level[i - 1] : NULL, *b = i < w->levels ? &w->level[i] : NULL;
		double from = a ? w->s[a->to - 1] : -INFINITY, to = b ? w->s[b->from] : INFINITY;
		const struct lull_dead *first = NULL, *last = NULL;
		for (; d < w->dead_n && w->dead[d].from_s < to; d++) {
			if (w->dead[d].from_s < from || w->dead[d].why != LULL_DEAD_SATURATED)
				continue;
			last = &w->dead[d];
			if (!first)
				first = last;
		}
		/* a reading or two at the end of the range are a spark, or what rushes in */
		if (last && last->to_s - first->from_s < HELD_STEPS * w->series.step_s)
			last = first = NULL;
		/* a clamp that stays there is broken, and no current rose */
		if (a && b && first && adjoin(w, from, first->from_s))
			steps[n++] = (struct lull_current_step){ first->from_s, a->mean, shown(w, first->from_s), a->error };
		if (b && last && adjoin(w, last->to_s, to))
			steps[n++] = (struct lull_current_step){ to, shown(w, last->to_s), b->mean, b->error };
		if (a && b && !last && adjoin(w, from, to))
			steps[n++] = (struct lull_current_step){ to, a->mean, b->mean, hypot(a->error, b->error) };
	}
	*out = steps;
	return n;
}

void draw_line_up(struct draw *w)
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
		strcpy(up->why, c->night->bus_count ? "the log was taken by the recorder itself, on the same clock" :
						      "there is no bus to line it up with: its clock is the recording's");
		w->placed = true;
		return;
	}
	double key_room_s = 0;
	size_t edge_count = find_edges(c, &edges, &key_room_s), step_count = find_steps(w, &steps);
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
		.dated_start_s = dated,
		.key_room_s = key_room_s };
	if (c->oom || lull_line_up(&input, up) != 0)
		c->oom = true;
	free(edges);
	free(steps);
	free(loads.at);
	bool falls = !up->by_load && !up->rises;
	if (up->paired && up->confidence < (falls ? PAIR_FALLS_AT : PAIR_AT)) {
		up->paired = false;
		snprintf(up->why, sizeof up->why, "the best match is too unsure (%.0f %%, %u steps found their edge)", 100 * up->confidence,
			up->matched);
	}
	/* what a load tells of the gain comes later; a lag that is not trusted tells no direction */
	if (up->paired && !up->by_load && up->scale < 0)
		draw_turn(w);
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
