/* SPDX-License-Identifier: GPL-3.0-or-later */
/* coverage: overlapping rows resolved by a sweep over their ends, one bus after the other. Pure. */
#include "coverage.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

/* A row opens or closes at t; one of no length only marks the spot. */
enum turn { OPENS, CLOSES, SPOT };

struct event {
	lull_time t;
	enum turn turn;
	enum lull_coverage_why why;
};

struct sweep {
	struct event *events;
	size_t event_count;
	struct lull_coverage *rows; /* made so far, all buses */
	size_t row_count;
};

static int strength(enum lull_coverage_why why)
{
	switch (why) {
	case LULL_BLIND_CAPTURE_ENDED: return 0;
	case LULL_OBSERVED: return 1;
	case LULL_BLIND_NOT_LISTENING:
	case LULL_BLIND_CLOCK_STEP:
	case LULL_BLIND_FRAMES_LOST:
	case LULL_BLIND_UNDECIDED:
	case LULL_BLIND_FILE_DAMAGED:
	case LULL_BLIND_LINK_DOWN:
	case LULL_BLIND_ADAPTER_GONE:
	case LULL_BLIND_ERROR_PASSIVE:
	case LULL_BLIND_BUS_OFF:
	case LULL_BLIND_RESTARTED:
	case LULL_BLIND_COALESCING:
	case LULL_BLIND_POWER:
	case LULL_COVERAGE_COUNT: break;
	}
	return (int)why;
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

/* The strongest of what is open, or LULL_COVERAGE_COUNT. */
static enum lull_coverage_why strongest(const size_t open[LULL_COVERAGE_COUNT])
{
	enum lull_coverage_why best = LULL_COVERAGE_COUNT;

	for (int i = 0; i < LULL_COVERAGE_COUNT; i++) {
		enum lull_coverage_why why = (enum lull_coverage_why)i;

		if (open[i] && (best == LULL_COVERAGE_COUNT || strength(why) > strength(best)))
			best = why;
	}
	return best;
}

static void make_row(
	struct sweep *s, size_t first, uint8_t bus, enum lull_coverage_why why, lull_time from, lull_time to)
{
	struct lull_coverage *last = s->row_count > first ? &s->rows[s->row_count - 1] : NULL;

	if (last && last->why == why && last->to == from && from < to && last->from < last->to)
		last->to = to;
	else
		s->rows[s->row_count++] = (struct lull_coverage){bus, (uint8_t)why, from, to};
}

static void collect(struct sweep *s, const struct lull_coverage *rows, size_t n, uint8_t bus)
{
	s->event_count = 0;
	for (size_t i = 0; i < n; i++) {
		const struct lull_coverage *row = &rows[i];
		enum lull_coverage_why why = (enum lull_coverage_why)row->why;

		if ((row->bus != bus && row->bus != LULL_BUS_ALL) || row->from > row->to ||
			row->why >= LULL_COVERAGE_COUNT)
			continue;
		if (row->from < row->to) {
			s->events[s->event_count++] = (struct event){row->from, OPENS, why};
			s->events[s->event_count++] = (struct event){row->to, CLOSES, why};
		} else if (row->why != LULL_OBSERVED) {
			s->events[s->event_count++] = (struct event){row->from, SPOT, why};
		}
	}
	if (s->event_count)
		qsort(s->events, s->event_count, sizeof(*s->events), by_time);
}

static void sweep_bus(struct sweep *s, uint8_t bus, lull_time end)
{
	size_t open[LULL_COVERAGE_COUNT] = {0};
	size_t first = s->row_count;
	lull_time done = 0; /* everything before it has its row */

	for (size_t i = 0; i < s->event_count;) {
		lull_time t = s->events[i].t;
		enum lull_coverage_why before = strongest(open), spot = LULL_COVERAGE_COUNT;

		if (t > done) {
			make_row(s, first, bus,
				before == LULL_COVERAGE_COUNT ? LULL_BLIND_NOT_LISTENING : before, done, t);
			done = t;
		}
		for (; i < s->event_count && s->events[i].t == t; i++) {
			switch (s->events[i].turn) {
			case OPENS: open[s->events[i].why]++; break;
			case CLOSES: open[s->events[i].why]--; break;
			case SPOT:
				if (spot == LULL_COVERAGE_COUNT ||
					strength(s->events[i].why) > strength(spot))
					spot = s->events[i].why;
				break;
			}
		}
		if (spot != LULL_COVERAGE_COUNT && before == LULL_OBSERVED &&
			strongest(open) == LULL_OBSERVED)
			make_row(s, first, bus, spot, t, t);
	}
	if (end > done)
		make_row(s, first, bus, s->event_count ? LULL_BLIND_CAPTURE_ENDED : LULL_BLIND_NOT_LISTENING,
			done, end);
}

int lull_coverage_resolve(const struct lull_coverage *rows, size_t n, unsigned bus_count, lull_time end,
	struct lull_coverage **out, size_t *out_n)
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
	for (unsigned bus = 0; bus < LULL_BUS_MAX; bus++) {
		if (count[bus] && bus >= buses)
			buses = bus + 1;
	}
	/* Two events a row, and each instant makes at most one row before it and one on it. */
	for (unsigned bus = 0; bus < (buses ? buses : 1); bus++)
		most += 4 * (count[bus] + for_all) + 1;
	if (n > SIZE_MAX / (2 * LULL_BUS_MAX * 4 * sizeof(*s.rows)))
		return -ENOMEM;
	s.events = malloc((2 * n + 1) * sizeof(*s.events));
	s.rows = malloc(most * sizeof(*s.rows));
	if (!s.events || !s.rows) {
		free(s.events);
		free(s.rows);
		return -ENOMEM;
	}
	if (!buses && n) {
		collect(&s, rows, n, LULL_BUS_ALL);
		sweep_bus(&s, LULL_BUS_ALL, end);
	}
	for (unsigned bus = 0; bus < buses; bus++) {
		collect(&s, rows, n, (uint8_t)bus);
		sweep_bus(&s, (uint8_t)bus, end);
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
