/* SPDX-License-Identifier: GPL-3.0-or-later */
/* watch: when each bus was really observed, and which of that is unproven. Pure. */
#include "core/case.h"

#include <stdlib.h>

static void push_span(struct lull_case *c, span_list *list, lull_time from, lull_time to)
{
	if (from >= to)
		return;
	if (list->n && list->at[list->n - 1].to >= from) {
		if (list->at[list->n - 1].to < to)
			list->at[list->n - 1].to = to;
		return;
	}
	CASE_PUSH(c, *list, ((struct span){ from, to }));
}

lull_time case_observed_in(const span_list *list, lull_time from, lull_time to)
{
	lull_time sum = 0;
	for (size_t i = 0; i < list->n; i++) {
		lull_time a = list->at[i].from > from ? list->at[i].from : from;
		lull_time b = list->at[i].to < to ? list->at[i].to : to;
		if (b > a)
			sum += b - a;
	}
	return sum;
}

bool case_is_observed(const span_list *list, lull_time from, lull_time to)
{
	return case_observed_in(list, from, to) >= to - from;
}

/* A receiver that was set up anew has to hear something before its silence means anything. */
static bool sets_up_anew(unsigned why)
{
	return why == LULL_BLIND_LINK_DOWN || why == LULL_BLIND_ADAPTER_GONE || why == LULL_BLIND_BUS_OFF ||
		why == LULL_BLIND_RESTARTED || why == LULL_BLIND_POWER;
}

bool case_set_up_anew_between(const struct lull_case *c, unsigned bus, lull_time from, lull_time to)
{
	for (size_t i = 0; i < c->v->blind.n; i++) {
		const struct lull_coverage *b = &c->v->blind.at[i];
		if ((b->bus == bus || b->bus == LULL_BUS_ALL) && sets_up_anew(b->why) && b->from < to && b->to > from)
			return true;
	}
	return false;
}

static bool heard_in(const struct lull_case *c, unsigned bus, lull_time from, lull_time to)
{
	for (size_t i = 0; i < c->night->stretches.n; i++) {
		const struct lull_stretch *s = &c->night->stretches.at[i];
		if (s->bus == bus && s->first < to && s->last >= from)
			return true;
	}
	return false;
}

static void blind_between(struct lull_case *c, unsigned bus, lull_time from, lull_time to, unsigned why)
{
	struct lull_coverage row = { .bus = (uint8_t)bus, .why = (uint8_t)why, .from = from, .to = to };
	if (from <= to && !(from == to && why == LULL_BLIND_NOT_LISTENING))
		CASE_PUSH(c, c->v->blind, row);
}

static void watch_bus(struct lull_case *c, unsigned bus)
{
	const struct lull_night *night = c->night;
	bool any = false;
	lull_time reached = 0;

	for (size_t i = 0; i < night->coverage.n; i++) {
		const struct lull_coverage *row = &night->coverage.at[i];
		if (row->bus != bus && row->bus != LULL_BUS_ALL)
			continue;
		any = true;
		if (row->from > reached)
			blind_between(c, bus, reached, row->from, LULL_BLIND_NOT_LISTENING);
		if (row->why == LULL_OBSERVED)
			push_span(c, &c->observed[bus], row->from, row->to);
		else
			blind_between(c, bus, row->from, row->to, row->why);
		if (row->to > reached)
			reached = row->to;
	}
	if (!any && night->bus[bus].first != LULL_NEVER) {
		blind_between(c, bus, 0, night->bus[bus].first, LULL_BLIND_NOT_LISTENING);
		push_span(c, &c->observed[bus], night->bus[bus].first, night->bus[bus].last);
		reached = night->bus[bus].last;
	}
	if (reached < night->end)
		blind_between(c, bus, reached, night->end, LULL_BLIND_CAPTURE_ENDED);

	/* Never alive, or set up anew and nothing heard since: observed, but it proves nothing. */
	if (night->bus[bus].first == LULL_NEVER) {
		push_span(c, &c->unproven[bus], 0, night->end);
		return;
	}
	for (size_t i = 0; i < c->v->blind.n; i++) {
		const struct lull_coverage *row = &c->v->blind.at[i];
		if (row->bus != bus || !sets_up_anew(row->why))
			continue;
		lull_time until = night->end;
		for (size_t k = 0; k < c->v->blind.n; k++) {
			const struct lull_coverage *later = &c->v->blind.at[k];
			if (later->bus == bus && later->from > row->to && later->from < until && sets_up_anew(later->why))
				until = later->from;
		}
		if (until > row->to && !heard_in(c, bus, row->to, until))
			push_span(c, &c->unproven[bus], row->to, until);
	}
}

/* Time observed by at least one bus: the union of all spans. */
static lull_time observed_by_any(struct lull_case *c)
{
	lull_time sum = 0, reached = INT64_MIN;
	for (;;) {
		struct span next = { INT64_MAX, 0 };
		for (unsigned bus = 0; bus < c->night->bus_count; bus++)
			for (size_t i = 0; i < c->observed[bus].n; i++) {
				struct span s = c->observed[bus].at[i];
				if (s.to <= reached)
					continue;
				if (s.from < reached)
					s.from = reached;
				if (s.from < next.from || (s.from == next.from && s.to > next.to))
					next = s;
			}
		if (next.from == INT64_MAX)
			return sum;
		sum += next.to - next.from;
		reached = next.to;
	}
}

void case_watch(struct lull_case *c)
{
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		watch_bus(c, bus);
	c->v->observed = observed_by_any(c);
}
