/* SPDX-License-Identifier: GPL-3.0-or-later */
/* tee: passes rows on to a sink and remembers what an import needs to know of them. */
#include <cmd/tee.h>
#include <errno.h>
#include <stdlib.h>

#define PASS(kind, type) \
	static int kind(void *ctx, const type *row) \
	{ \
		const struct lull_tee *tee = ctx; \
		return tee->to.kind ? tee->to.kind(tee->to.ctx, row) : 0; \
	}

PASS(stretch, struct lull_stretch)
PASS(cadence, struct lull_cadence)
PASS(gap, struct lull_gap)
PASS(change, struct lull_change)
PASS(edge, struct lull_edge)
PASS(coverage, struct lull_coverage)
PASS(mark, struct lull_mark)
PASS(clamp, struct lull_clamp)
PASS(chunk, struct lull_chunk)

static int clock_map(void *ctx, const struct lull_clock_map *row)
{
	struct lull_tee *tee = ctx;

	if (tee->clock_count == tee->clock_room) {
		size_t room = tee->clock_room ? tee->clock_room * 2 : 8;
		void *grown = realloc(tee->clocks, room * sizeof *tee->clocks);

		if (!grown)
			return -ENOMEM;
		tee->clocks = grown;
		tee->clock_room = room;
	}
	tee->clocks[tee->clock_count++] = *row;
	return tee->to.clock ? tee->to.clock(tee->to.ctx, row) : 0;
}

static int bus(void *ctx, unsigned index, const struct lull_bus *row)
{
	struct lull_tee *tee = ctx;

	if (index < LULL_BUS_MAX) {
		tee->frames += row->frames - tee->bus_frames[index];
		tee->bus_frames[index] = row->frames;
		if (row->overflow > tee->overflow)
			tee->overflow = row->overflow;
	}
	return tee->to.bus ? tee->to.bus(tee->to.ctx, index, row) : 0;
}

static int left_out(void *ctx, const char *sentence)
{
	struct lull_tee *tee = ctx;

	tee->left_out++;
	return tee->to.left_out ? tee->to.left_out(tee->to.ctx, sentence) : 0;
}

struct lull_sink lull_tee_sink(struct lull_tee *tee, const struct lull_sink *to)
{
	*tee = (struct lull_tee){.to = *to};
	return (struct lull_sink){
		.ctx = tee,
		.stretch = stretch,
		.cadence = cadence,
		.gap = gap,
		.change = change,
		.edge = edge,
		.coverage = coverage,
		.mark = mark,
		.clock = clock_map,
		.bus = bus,
		.clamp = clamp,
		.chunk = chunk,
		.left_out = left_out,
	};
}

void lull_tee_clear(struct lull_tee *tee)
{
	free(tee->clocks);
	tee->clocks = NULL;
	tee->clock_count = tee->clock_room = 0;
}

lull_time lull_tee_from_utc(const struct lull_tee *tee, int64_t utc_ns)
{
	lull_time best = LULL_NEVER, least = INT64_MAX;
	size_t i;

	for (i = 0; i < tee->clock_count; i++) {
		const struct lull_clock_map *c = &tee->clocks[i];
		lull_time t, away = 0;

		if (__builtin_sub_overflow(utc_ns, c->utc_ns, &t) || __builtin_add_overflow(t, c->t, &t))
			continue;
		if (i && t < c->t)
			away = c->t - t;
		else if (i + 1 < tee->clock_count && t >= tee->clocks[i + 1].t)
			away = t - tee->clocks[i + 1].t + 1;
		if (away < least) {
			least = away;
			best = t;
		}
	}
	return best;
}
