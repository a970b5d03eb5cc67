/* SPDX-License-Identifier: GPL-3.0-or-later */
/* coverage: overlapping rows resolved by a sweep over their ends, one bus after the other. Pure. */
#include "coverage.h"

#include <errno.h>
#include <stdlib.h>

/* A row opens or closes at t; one of no length only marks the spot. */
enum turn { OPENS, CLOSES, SPOT };

/* Beside the reasons of enum lull_coverage_why: the extent of a bus's frames, where nobody said more. */
enum { EXTENT = LULL_COVERAGE_COUNT, NOTHING };

struct event {
	lull_time t;
	enum turn turn;
	int why;
};

struct sweep {
	struct event *events;
	size_t event_count;
	struct lull_coverage *rows; /* made so far, all buses */
	size_t row_count;
};

static int strength(int why)
{
	static const int weak[] = {NOTHING, EXTENT, LULL_BLIND_CAPTURE_ENDED, LULL_OBSERVED};

	for (int i = 0; i < (int)(sizeof(weak) / sizeof(weak[0])); i++) {
		if (weak[i] == why)
			return i - (int)(sizeof(weak) / sizeof(weak[0]));
	}
	return why;
}

static bool is_observed(int why)
{
	return why == LULL_OBSERVED || why == EXTENT;
}

static int by_time(const void *x, const void *y)
{
	const struct event *a = x, *b = y;

	if (a->t != b->t)
		return a->t < b->t ? -1 : 1;
	return (a->turn > b->turn) - (a->turn < b->turn);
}

static int by_from(const void *x, const void *y)
{
	const struct lull_coverage *a = x, *b = y;

	if (a->from != b->from)
		return a->from < b->from ? -1 : 1;
	if (a->bus != b->bus)
		return a->bus < b->bus ? -1 : 1;
	return (a->to > b->to) - (a->to < b->to);
}

static int strongest(const size_t open[NOTHING])
{
	int best = NOTHING;

	for (int why = 0; why < NOTHING; why++) {
		if (open[why] && strength(why) > strength(best))
			best = why;
	}
	return best;
}

/* `first`: where the rows of this bus begin. */
static void make_row(struct sweep *s, size_t first, uint8_t bus, int reason, lull_time from, lull_time to)
{
	int why = reason == EXTENT ? LULL_OBSERVED : reason == NOTHING ? LULL_BLIND_NOT_LISTENING : reason;
	struct lull_coverage *last = s->row_count > first ? &s->rows[s->row_count - 1] : NULL;

	if (last && last->why == why && last->to == from && from < to && last->from < last->to)
		last->to = to;
	else
		s->rows[s->row_count++] = (struct lull_coverage){bus, (uint8_t)why, from, to};
}

static void add_event(struct sweep *s, lull_time t, enum turn turn, int why)
{
	s->events[s->event_count++] = (struct event){t, turn, why};
}

static void collect(struct sweep *s, const struct lull_coverage *rows, size_t n, uint8_t index,
	const struct lull_bus *bus)
{
	bool observed = false;

	s->event_count = 0;
	for (size_t i = 0; i < n; i++) {
		const struct lull_coverage *row = &rows[i];

		if ((row->bus != index && row->bus != LULL_BUS_ALL) || row->from > row->to ||
			row->why >= LULL_COVERAGE_COUNT)
			continue;
		observed |= row->why == LULL_OBSERVED;
		if (row->from < row->to) {
			add_event(s, row->from, OPENS, row->why);
			add_event(s, row->to, CLOSES, row->why);
		} else if (row->why != LULL_OBSERVED) {
			add_event(s, row->from, SPOT, row->why);
		}
	}
	if (bus && !observed && bus->first != LULL_NEVER && bus->first < bus->last) {
		add_event(s, bus->first, OPENS, EXTENT);
		add_event(s, bus->last, CLOSES, EXTENT);
	}
	if (s->event_count)
		qsort(s->events, s->event_count, sizeof(*s->events), by_time);
}

static void sweep_bus(struct sweep *s, uint8_t bus, lull_time end)
{
	size_t open[NOTHING] = {0};
	size_t first = s->row_count;
	lull_time done = 0; /* everything before it has its row */

	for (size_t i = 0; i < s->event_count;) {
		lull_time t = s->events[i].t;
		int before = strongest(open), spot = NOTHING;

		if (t > done) {
			make_row(s, first, bus, before, done, t);
			done = t;
		}
		for (; i < s->event_count && s->events[i].t == t; i++) {
			const struct event *event = &s->events[i];

			switch (event->turn) {
			case OPENS: open[event->why]++; break;
			case CLOSES: open[event->why]--; break;
			case SPOT:
				if (strength(event->why) > strength(spot))
					spot = event->why;
				break;
			}
		}
		if (spot != NOTHING && is_observed(before) && is_observed(strongest(open)))
			make_row(s, first, bus, spot, t, t);
	}
	if (end > done)
		make_row(s, first, bus, s->event_count ? LULL_BLIND_CAPTURE_ENDED : NOTHING, done, end);
}

int lull_coverage_resolve(const struct lull_coverage *rows, size_t n, const struct lull_bus *bus,
	unsigned bus_count, lull_time end, struct lull_coverage **out, size_t *out_n)
{
	unsigned buses = bus_count;
	size_t for_all = 0, most = 0, count[LULL_BUS_MAX] = {0};
	struct sweep s = {0};

	*out = NULL;
	*out_n = 0;
	for (size_t i = 0; i < n; i++) {
		if (rows[i].bus == LULL_BUS_ALL)
			for_all++;
		else if (rows[i].bus < LULL_BUS_MAX)
			count[rows[i].bus]++;
	}
	for (unsigned i = 0; i < LULL_BUS_MAX; i++) {
		if (count[i] && i >= buses)
			buses = i + 1;
	}
	/* Two events a row and two for the extent; each instant makes at most one row before it and one on it. */
	for (unsigned i = 0; i < (buses ? buses : 1); i++)
		most += 4 * (count[i] + for_all + 1) + 1;
	if (n > SIZE_MAX / (2 * LULL_BUS_MAX * 4 * sizeof(*s.rows)))
		return -ENOMEM;
	s.events = malloc((2 * n + 2) * sizeof(*s.events));
	s.rows = malloc(most * sizeof(*s.rows));
	if (!s.events || !s.rows) {
		free(s.events);
		free(s.rows);
		return -ENOMEM;
	}
	if (!buses && n) {
		collect(&s, rows, n, LULL_BUS_ALL, NULL);
		sweep_bus(&s, LULL_BUS_ALL, end);
	}
	for (unsigned i = 0; i < buses; i++) {
		collect(&s, rows, n, (uint8_t)i, i < bus_count ? &bus[i] : NULL);
		sweep_bus(&s, (uint8_t)i, end);
	}
	free(s.events);
	if (!s.row_count) {
		free(s.rows);
		return 0;
	}
	qsort(s.rows, s.row_count, sizeof(*s.rows), by_from);
	*out = s.rows;
	*out_n = s.row_count;
	return 0;
}
