/* SPDX-License-Identifier: GPL-3.0-or-later */
/* spells: from silences and blind times to the awake and quiet periods of each bus. Pure.
 *
 * The quiet time is 2.5 periods of the slowest cyclic ID (up to 5 s) that the bus showed, held within 2 to 10 s
 * (trade rule 7). A single slow frame of one ID, again and again within 70 s, is no spell of the network. */
#include "core/case.h"

#include <math.h>
#include <stdlib.h>

#define LONE_SPACING (70 * LULL_SEC)

static void quiet_rule(struct lull_case *c, unsigned bus)
{
	struct lull_bus_report *report = &c->v->bus[bus];
	double slowest_ms = 0;
	uint32_t slowest = LULL_ID_NONE;
	for (size_t i = 0; i < c->v->ids.n; i++) {
		const struct lull_id_info *info = &c->v->ids.at[i];
		if (info->bus == bus && info->cyclic && info->frames >= 8 && info->period_ms <= 5000 &&
			info->period_ms > slowest_ms) {
			slowest_ms = info->period_ms;
			slowest = info->id;
		}
	}
	double quiet_s = fmin(fmax(2.5 * slowest_ms / 1e3, 2), 10);
	report->quiet_time_ns = (lull_time)llround(quiet_s * 1e9);
	char id[11];
	if (slowest == LULL_ID_NONE)
		report->quiet_why = case_say(c, "%.1f s without a frame is quiet: no cyclic ID sets another measure", quiet_s);
	else if (quiet_s > 2)
		report->quiet_why = case_say(c,
			"%.1f s without a frame is quiet: 2.5 periods of the slowest cyclic ID %s (%.0f ms), held within 2 to 10 s", quiet_s,
			lull_id_text(slowest, id), slowest_ms);
	else
		report->quiet_why = case_say(c,
			"%.1f s without a frame is quiet: more than 2.5 periods of the slowest cyclic ID %s (%.0f ms)", quiet_s,
			lull_id_text(slowest, id), slowest_ms);
}

/* A time without frames: silence observed, or blind. */
struct hole {
	lull_time from, to;
	uint32_t last_id, next_id;
	bool blind;
};

static int by_from(const void *a, const void *b)
{
	const struct hole *x = a, *y = b;
	if (x->from != y->from)
		return x->from < y->from ? -1 : 1;
	return x->to < y->to ? -1 : x->to > y->to;
}

typedef LULL_ARRAY(struct hole) hole_list;

static void find_holes(struct lull_case *c, unsigned bus, hole_list *holes)
{
	for (size_t i = 0; i < c->night->gaps.n; i++) {
		const struct lull_gap *gap = &c->night->gaps.at[i];
		if (gap->bus != bus)
			continue;
		struct hole hole = { gap->last, gap->next == LULL_NEVER ? c->night->end : gap->next, gap->last_id, gap->next_id,
			false };
		if (hole.to > hole.from)
			CASE_PUSH(c, *holes, hole);
	}
	for (size_t i = 0; i < c->v->blind.n; i++) {
		const struct lull_coverage *row = &c->v->blind.at[i];
		if (row->bus == bus)
			CASE_PUSH(c, *holes, ((struct hole){ row->from, row->to, LULL_ID_NONE, LULL_ID_NONE, true }));
	}
	if (holes->n)
		qsort(holes->at, holes->n, sizeof *holes->at, by_from);
}

/* Holes that touch, with no frame between, make one chain. */
struct chain {
	lull_time from, to;
	uint32_t last_id, next_id;
	lull_time silent_first, silent_last, silent_longest; /* observed silence right after the last frame, right before the
								 next one, and the longest */
	lull_time blind;
};

static lull_time silence_of(const struct lull_case *c, unsigned bus, const struct hole *hole)
{
	return hole->blind ? 0 : case_observed_in(&c->observed[bus], hole->from, hole->to);
}

static size_t next_chain(const struct lull_case *c, unsigned bus, const hole_list *holes, size_t i, struct chain *chain)
{
	const struct hole *first = &holes->at[i];
	*chain = (struct chain){ first->from, first->to, first->last_id, first->next_id, 0, 0, 0, 0 };
	lull_time silence = silence_of(c, bus, first);
	chain->silent_first = chain->silent_last = chain->silent_longest = silence;
	chain->blind = first->blind ? first->to - first->from : 0;
	/* a hole that ends with a frame ends the chain, unless a blind time lies over that end */
	for (i++; i < holes->n && (holes->at[i].from < chain->to ||
			(holes->at[i].from <= chain->to + LULL_MS && chain->next_id == LULL_ID_NONE && holes->at[i].last_id == LULL_ID_NONE)); i++) {
		const struct hole *hole = &holes->at[i];
		silence = silence_of(c, bus, hole);
		if (hole->to >= chain->to) {
			chain->silent_last = silence;
			chain->next_id = hole->next_id;
		}
		if (hole->from == chain->from && silence > chain->silent_first) {
			chain->silent_first = silence;
			chain->last_id = hole->last_id;
		}
		if (silence > chain->silent_longest)
			chain->silent_longest = silence;
		if (hole->blind)
			chain->blind += hole->to - hole->from;
		if (hole->to > chain->to)
			chain->to = hole->to;
	}
	return i;
}

static size_t first_edge(const struct lull_night *night, lull_time from)
{
	size_t low = 0, high = night->edges.n;
	while (low < high) {
		size_t mid = (low + high) / 2;
		if (night->edges.at[mid].frame.t < from)
			low = mid + 1;
		else
			high = mid;
	}
	return low;
}

static void fill_spell(const struct lull_case *c, struct lull_spell *spell)
{
	lull_time first = INT64_MAX, last = LULL_NEVER;
	/* the bus's gaps tell both, but for the recording's first frame and its last one */
	bool first_told = spell->first_id != LULL_ID_NONE, last_told = spell->last_id != LULL_ID_NONE;
	for (size_t i = 0; i < c->v->ids.n; i++) {
		if (c->v->ids.at[i].bus != spell->bus)
			continue;
		for (size_t k = case_run_from(c, i, spell->from); k < c->run_count[i]; k++) {
			const struct lull_stretch *s = c->run[c->run_at[i] + k];
			if (s->first > spell->to)
				break;
			if (s->last < spell->from)
				continue;
			lull_time a = s->first > spell->from ? s->first : spell->from;
			lull_time b = s->last < spell->to ? s->last : spell->to;
			/* a long row's frames are shared out by time */
			double share = s->last > s->first ? (double)(b - a) / (double)(s->last - s->first) : 1;
			uint64_t frames = share >= 1 ? s->frames : (uint64_t)(share * (double)s->frames + 0.5);
			spell->frames += frames ? frames : 1;
			if (s->first >= spell->from && s->first < first) {
				first = s->first;
				if (!first_told)
					spell->first_id = s->id;
			}
			if (s->last <= spell->to && s->last > last) {
				last = s->last;
				if (!last_told || last == spell->to)
					spell->last_id = s->id;
			}
		}
	}
}

static void add_spell(struct lull_case *c, unsigned bus, lull_time from, lull_time to, uint32_t first_id, uint32_t last_id,
	bool begun, bool closed)
{
	if (to < from)
		return;
	struct lull_spell spell = { .bus = (uint8_t)bus,
		.from = from,
		.to = to,
		.first_id = first_id,
		.last_id = last_id,
		.waker = -1,
		.keeper = -1,
		.begun = begun,
		.closed = closed,
		.charge_mAs = NAN,
		.charge_error_mAs = NAN,
		.group = -1 };
	fill_spell(c, &spell);
	if (spell.frames > 0)
		CASE_PUSH(c, c->v->spells, spell);
}

static void bus_spells(struct lull_case *c, unsigned bus)
{
	const struct lull_bus *heard = &c->night->bus[bus];
	lull_time quiet = c->v->bus[bus].quiet_time_ns;
	hole_list holes = { 0 };

	if (heard->first == LULL_NEVER)
		return;
	find_holes(c, bus, &holes);
	lull_time from = heard->first;
	uint32_t first_id = LULL_ID_NONE;
	/* silence before the very first frame was listened to if coverage says so */
	bool begun = case_observed_in(&c->observed[bus], heard->first - quiet, heard->first) >= quiet;
	for (size_t i = 0; i < holes.n;) {
		struct chain chain;
		i = next_chain(c, bus, &holes, i, &chain);
		if (chain.silent_longest < quiet && chain.blind < quiet)
			continue;
		if (chain.from <= heard->first) { /* before the first frame */
			if (chain.to <= heard->last) {
				from = chain.to;
				first_id = chain.next_id;
				begun = chain.silent_last >= quiet;
			}
			continue;
		}
		add_spell(c, bus, from, chain.from < heard->last ? chain.from : heard->last, first_id, chain.last_id, begun,
			chain.silent_first >= quiet);
		from = chain.to;
		first_id = chain.next_id;
		begun = chain.silent_last >= quiet;
		if (chain.from >= heard->last)
			from = INT64_MAX;
	}
	if (from <= heard->last)
		add_spell(c, bus, from, heard->last, first_id, LULL_ID_NONE, begun, false);
	free(holes.at);
}

static bool lone_candidate(const struct lull_spell *s)
{
	return s->frames <= 2 && s->first_id == s->last_id;
}

static void find_lone(struct lull_case *c, unsigned bus)
{
	size_t first, n = case_bus_spells(c, bus, &first);
	struct lull_spell *s = n ? &c->v->spells.at[first] : NULL;
	for (size_t i = 0; i < n; i++) {
		if (!lone_candidate(&s[i]))
			continue;
		for (size_t k = i + 1; k < n && s[k].from - s[i].to <= LONE_SPACING; k++)
			if (lone_candidate(&s[k]) && s[k].first_id == s[i].first_id)
				s[i].lone = s[k].lone = true;
	}
}

size_t case_bus_spells(const struct lull_case *c, unsigned bus, size_t *first)
{
	size_t i = 0, n = 0;
	while (i < c->v->spells.n && c->v->spells.at[i].bus != bus)
		i++;
	*first = i;
	while (i + n < c->v->spells.n && c->v->spells.at[i + n].bus == bus)
		n++;
	return n;
}

/* A short spell's frames are all among its kept edge frames, which count better than rows of five minutes. */
static void count_short(struct lull_case *c)
{
	const struct lull_night *night = c->night;
	for (size_t i = 0; i < c->v->spells.n; i++) {
		struct lull_spell *s = &c->v->spells.at[i];
		uint64_t frames = 0;
		size_t entries = 0;
		if (s->frames > 4 * LULL_EDGE_FRAMES && s->to - s->from > LULL_MIN)
			continue;
		for (size_t k = first_edge(night, s->from); k < night->edges.n && night->edges.at[k].frame.t <= s->to; k++) {
			const struct lull_edge *e = &night->edges.at[k];
			if (e->frame.bus != s->bus || e->kind != LULL_EDGE_FIRST || (e->frame.flags & LULL_FRAME_ERROR))
				continue;
			entries++;
			frames += e->copies;
		}
		if (entries && entries < LULL_EDGE_FRAMES / 2)
			s->frames = frames;
	}
}

/* Copies back to back and error frames at the start, before a second node was there: trade rule 13. */
static void count_unacknowledged(struct lull_case *c)
{
	const struct lull_night *night = c->night;
	for (size_t i = 0; i < c->v->spells.n; i++) {
		struct lull_spell *s = &c->v->spells.at[i];
		lull_time until = s->from + 500 * LULL_MS;
		uint32_t copies = 0, errors = 0;
		bool second = false;
		for (size_t k = first_edge(night, s->from - 100 * LULL_MS); k < night->edges.n; k++) {
			const struct lull_edge *e = &night->edges.at[k];
			if (e->frame.t > until)
				break;
			if (e->frame.bus != s->bus || e->kind == LULL_EDGE_LAST)
				continue;
			if (e->frame.flags & LULL_FRAME_ERROR) {
				if (!second)
					errors += e->copies;
			} else if (e->frame.id == s->first_id) {
				if (!second)
					copies += e->copies - 1;
			} else {
				second = true;
			}
		}
		s->unacknowledged = copies + errors;
	}
}

void case_spells(struct lull_case *c)
{
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		quiet_rule(c, bus);
		bus_spells(c, bus);
	}
	count_short(c);
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		find_lone(c, bus);
	count_unacknowledged(c);
}
