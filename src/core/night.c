/* SPDX-License-Identifier: GPL-3.0-or-later */
/* night: a recording in memory: rows appended, sorted, dated. Coverage is resolved in coverage.c. Pure. */
#include <lull/night.h>

#include "coverage.h"
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

void lull_night_init(struct lull_night *night)
{
	memset(night, 0, sizeof(*night));
}

void lull_night_clear(struct lull_night *night)
{
	free(night->stretches.at);
	free(night->cadences.at);
	free(night->gaps.at);
	free(night->changes.at);
	for (size_t i = 0; i < night->chunks.n; i++)
		free(night->chunks.at[i].uA);
	free(night->chunks.at);
	for (size_t i = 0; i < night->further_chunks.n; i++)
		free(night->further_chunks.at[i].uA);
	free(night->further_chunks.at);
	free(night->further.at);
	free(night->repairs.at);
	free(night->edges.at);
	free(night->coverage.at);
	free(night->marks.at);
	free(night->clocks.at);
	for (size_t i = 0; i < night->left_out.n; i++)
		free(night->left_out.at[i]);
	free(night->left_out.at);
	free(night->profile);
	lull_night_init(night);
}

/* Room for one more element, or NULL with *at as it was. */
static void *room_for_one(void *at, size_t n, size_t *room, size_t size)
{
	if (n < *room)
		return at;
	size_t more = *room ? *room * 2 : 16;

	if (more > PTRDIFF_MAX / size)
		return NULL;
	void *grown = realloc(at, more * size);

	if (grown)
		*room = more;
	return grown;
}

#define APPEND(array, value) \
	do { \
		void *at_ = room_for_one((array).at, (array).n, &(array).room, sizeof(*(array).at)); \
		if (!at_) \
			return -ENOMEM; \
		(array).at = at_; \
		(array).at[(array).n++] = (value); \
	} while (0)

static int add_stretch(void *ctx, const struct lull_stretch *row)
{
	struct lull_night *night = ctx;

	APPEND(night->stretches, *row);
	return 0;
}

static int add_cadence(void *ctx, const struct lull_cadence *row)
{
	struct lull_night *night = ctx;

	APPEND(night->cadences, *row);
	return 0;
}

static int add_gap(void *ctx, const struct lull_gap *row)
{
	struct lull_night *night = ctx;

	APPEND(night->gaps, *row);
	return 0;
}

static int add_change(void *ctx, const struct lull_change *row)
{
	struct lull_night *night = ctx;

	APPEND(night->changes, *row);
	return 0;
}

static int add_edge(void *ctx, const struct lull_edge *row)
{
	struct lull_night *night = ctx;

	APPEND(night->edges, *row);
	return 0;
}

static int add_coverage(void *ctx, const struct lull_coverage *row)
{
	struct lull_night *night = ctx;

	APPEND(night->coverage, *row);
	return 0;
}

static int add_mark(void *ctx, const struct lull_mark *row)
{
	struct lull_night *night = ctx;

	APPEND(night->marks, *row);
	return 0;
}

static int add_clock(void *ctx, const struct lull_clock_map *row)
{
	struct lull_night *night = ctx;

	APPEND(night->clocks, *row);
	return 0;
}

static int add_bus(void *ctx, unsigned index, const struct lull_bus *row)
{
	struct lull_night *night = ctx;

	if (index >= LULL_BUS_MAX)
		return -EINVAL;
	while (night->bus_count <= index) {
		night->bus[night->bus_count] =
			(struct lull_bus){.first = LULL_NEVER, .last = LULL_NEVER, .sent = LULL_NOT_COUNTED};
		night->bus_count++;
	}
	night->bus[index] = *row;
	return 0;
}

static int add_left_out(void *ctx, const char *sentence)
{
	struct lull_night *night = ctx;
	char *copy = strdup(sentence);

	if (!copy)
		return -ENOMEM;
	void *at = room_for_one(night->left_out.at, night->left_out.n, &night->left_out.room, sizeof(char *));

	if (!at) {
		free(copy);
		return -ENOMEM;
	}
	night->left_out.at = at;
	night->left_out.at[night->left_out.n++] = copy;
	return 0;
}

static int set_clamp(void *ctx, const struct lull_clamp *clamp)
{
	struct lull_night *night = ctx;

	if (!clamp->channel) {
		night->clamp = *clamp;
		return 0;
	}
	for (size_t i = 0; i < night->further.n; i++) {
		if (night->further.at[i].channel == clamp->channel) {
			night->further.at[i] = *clamp;
			return 0;
		}
	}
	APPEND(night->further, *clamp);
	return 0;
}

static int add_repair(void *ctx, const struct lull_repair *row)
{
	struct lull_night *night = ctx;

	APPEND(night->repairs, *row);
	return 0;
}

static int push_chunk(struct lull_night *night, const struct lull_chunk *chunk)
{
	APPEND(night->chunks, *chunk);
	return 0;
}

static int push_further_chunk(struct lull_night *night, const struct lull_chunk *chunk)
{
	APPEND(night->further_chunks, *chunk);
	return 0;
}

static int add_chunk(void *ctx, const struct lull_chunk *row)
{
	struct lull_night *night = ctx;
	struct lull_chunk copy = *row;

	if (row->step_ns <= 0 || row->count == 0 || !row->uA)
		return -EINVAL;
	copy.uA = malloc(row->count * sizeof(*copy.uA));
	if (!copy.uA)
		return -ENOMEM;
	memcpy(copy.uA, row->uA, row->count * sizeof(*copy.uA));
	int r = row->channel ? push_further_chunk(night, &copy) : push_chunk(night, &copy);

	if (r)
		free(copy.uA);
	return r;
}

struct lull_sink lull_night_sink(struct lull_night *night)
{
	return (struct lull_sink){
		.ctx = night,
		.stretch = add_stretch,
		.cadence = add_cadence,
		.gap = add_gap,
		.change = add_change,
		.edge = add_edge,
		.coverage = add_coverage,
		.mark = add_mark,
		.clock = add_clock,
		.bus = add_bus,
		.clamp = set_clamp,
		.chunk = add_chunk,
		.repair = add_repair,
		.left_out = add_left_out,
	};
}

/* --- order: by time, then by bus and ID, so that the same rows always lie in the same order --- */

#define COMPARE(a, b) \
	do { \
		if ((a) != (b)) \
			return (a) < (b) ? -1 : 1; \
	} while (0)

static int by_first(const void *x, const void *y)
{
	const struct lull_stretch *a = x, *b = y;

	COMPARE(a->first, b->first);
	COMPARE(a->bus, b->bus);
	COMPARE(a->id, b->id);
	COMPARE(a->last, b->last);
	return 0;
}

static int by_window(const void *x, const void *y)
{
	const struct lull_cadence *a = x, *b = y;

	COMPARE(a->window, b->window);
	COMPARE(a->bus, b->bus);
	COMPARE(a->id, b->id);
	COMPARE(a->stretch_first, b->stretch_first);
	return 0;
}

static int by_gap_last(const void *x, const void *y)
{
	const struct lull_gap *a = x, *b = y;

	COMPARE(a->last, b->last);
	COMPARE(a->bus, b->bus);
	return 0;
}

static int by_chunk(const void *x, const void *y)
{
	const struct lull_chunk *a = x, *b = y;

	COMPARE(a->channel, b->channel);
	COMPARE(a->tau_ns, b->tau_ns);
	COMPARE(a->count, b->count);
	return 0;
}

static int by_change(const void *x, const void *y)
{
	const struct lull_change *a = x, *b = y;

	COMPARE(a->t, b->t);
	COMPARE(a->bus, b->bus);
	COMPARE(a->id, b->id);
	COMPARE(a->byte[0], b->byte[0]);
	COMPARE(a->byte[1], b->byte[1]);
	return 0;
}

static int by_edge(const void *x, const void *y)
{
	const struct lull_edge *a = x, *b = y;

	COMPARE(a->frame.t, b->frame.t);
	COMPARE(a->frame.bus, b->frame.bus);
	COMPARE(a->frame.id, b->frame.id);
	COMPARE(a->kind, b->kind);
	return 0;
}

static int by_mark(const void *x, const void *y)
{
	const struct lull_mark *a = x, *b = y;

	COMPARE(a->t, b->t);
	COMPARE(a->kind, b->kind);
	return strcmp(a->text, b->text);
}

static int by_clock(const void *x, const void *y)
{
	const struct lull_clock_map *a = x, *b = y;

	COMPARE(a->t, b->t);
	COMPARE(a->error_ns, b->error_ns);
	COMPARE(a->utc_ns, b->utc_ns);
	return 0;
}

#define SORT(array, compare) \
	do { \
		if ((array).n > 1) \
			qsort((array).at, (array).n, sizeof(*(array).at), (compare)); \
	} while (0)

static lull_time later(lull_time a, lull_time b)
{
	return a > b ? a : b;
}

/* LULL_NEVER is the smallest instant there is, so it never wins. */
static lull_time latest(const struct lull_night *night)
{
	lull_time end = 0;

	for (size_t i = 0; i < night->stretches.n; i++)
		end = later(end, night->stretches.at[i].last);
	for (size_t i = 0; i < night->cadences.n; i++)
		end = later(end, night->cadences.at[i].window);
	for (size_t i = 0; i < night->gaps.n; i++)
		end = later(end, later(night->gaps.at[i].last, night->gaps.at[i].next));
	for (size_t i = 0; i < night->changes.n; i++)
		end = later(end, night->changes.at[i].t);
	for (size_t i = 0; i < night->edges.n; i++)
		end = later(end, later(night->edges.at[i].frame.t, night->edges.at[i].last_copy));
	for (size_t i = 0; i < night->coverage.n; i++)
		end = later(end, night->coverage.at[i].to);
	for (size_t i = 0; i < night->marks.n; i++)
		end = later(end, night->marks.at[i].t);
	for (size_t i = 0; i < night->clocks.n; i++)
		end = later(end, night->clocks.at[i].t);
	for (unsigned i = 0; i < night->bus_count; i++)
		end = later(end, night->bus[i].last);
	return end;
}

int lull_night_sort(struct lull_night *night)
{
	SORT(night->stretches, by_first);
	SORT(night->cadences, by_window);
	SORT(night->gaps, by_gap_last);
	SORT(night->changes, by_change);
	SORT(night->chunks, by_chunk);
	SORT(night->further_chunks, by_chunk);
	SORT(night->edges, by_edge);
	SORT(night->marks, by_mark);
	SORT(night->clocks, by_clock);
	night->end = latest(night);

	struct lull_coverage *rows;
	size_t n;
	int r = lull_coverage_resolve(
		night->coverage.at, night->coverage.n, night->bus, night->bus_count, night->end, &rows, &n);

	if (r)
		return r;
	free(night->coverage.at);
	night->coverage.at = rows;
	night->coverage.n = night->coverage.room = n;
	return 0;
}

/* --- dates --- */

/* Error of a map at t: its own, and a clock that may run 100 ppm fast or slow since. */
static double error_at(const struct lull_clock_map *map, lull_time t)
{
	return (double)map->error_ns + 1e-4 * fabs((double)t - (double)map->t);
}

int64_t lull_night_utc(const struct lull_night *night, lull_time t)
{
	const struct lull_clock_map *map = night->clocks.at, *best;

	if (t == LULL_NEVER || !night->clocks.n)
		return INT64_MIN;
	/* In force: the last one at or before t. A later one is a step of the clock, or a better reading of it:
	 * only one whose error is smaller all the same speaks for t. */
	best = map;
	for (size_t i = 1; i < night->clocks.n && map[i].t <= t; i++)
		best = &map[i];
	double best_error = (double)best->error_ns;

	for (size_t i = 0; i < night->clocks.n; i++) {
		if (error_at(&map[i], t) < best_error) {
			best = &map[i];
			best_error = error_at(best, t);
		}
	}
	int64_t since, utc;

	if (__builtin_sub_overflow(t, best->t, &since) || __builtin_add_overflow(best->utc_ns, since, &utc))
		return INT64_MIN;
	return utc;
}
