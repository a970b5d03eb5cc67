/* SPDX-License-Identifier: GPL-3.0-or-later */
/* edges: the frames kept around silences of one bus. Pure. */
#include "edges.h"

#include <stddef.h>

_Static_assert(offsetof(struct lull_frame, data) + 8 <= 24, "lull_edges_put() copies what a classical frame needs");

#define ERROR_TOKENS 64

void lull_edges_init(struct lull_edges *edges)
{
	memset(edges, 0, sizeof(*edges));
	edges->careful = true;
	edges->known = true;
	edges->error_tokens = ERROR_TOKENS;
}

static int emit(struct lull_edges *edges, const struct lull_sink *sink, uint64_t number)
{
	unsigned at = number % LULL_EDGE_FRAMES;
	struct lull_edge *edge = &edges->ring[at];

	if (edges->out[at])
		return 0;
	if (edges->known && number < LULL_EDGE_FRAMES)
		edge->kind = LULL_EDGE_FIRST;
	edges->out[at] = 1;
	return sink->edge ? sink->edge(sink->ctx, edge) : 0;
}

/* The newest entry gets no more copies: out with it, if it is kept for more than the end of the spell. */
static int settle_newest(struct lull_edges *edges, const struct lull_sink *sink)
{
	struct lull_edge *newest = lull_edges_newest(edges);

	if (!newest)
		return 0;
	if (newest->kind == LULL_EDGE_NEW_ID || (edges->known && edges->next <= LULL_EDGE_FRAMES))
		return emit(edges, sink, edges->next - 1);
	return 0;
}

static void put(struct lull_edges *edges, const struct lull_frame *frame, uint8_t kind)
{
	lull_edges_put(edges, frame, kind);
	edges->careful = kind == LULL_EDGE_NEW_ID || (edges->known && edges->next <= LULL_EDGE_FRAMES);
}

/* The first frame after a silence: of the error frames heard in it, those right before belong to the spell. */
static int begin_spell(struct lull_edges *edges, const struct lull_sink *sink, lull_time t)
{
	uint64_t kept = 0;

	for (uint64_t i = 0; i < edges->next; i++)
		if (edges->ring[i].last_copy >= t - LULL_EDGE_SILENCE)
			edges->ring[kept++] = edges->ring[i];
	edges->next = kept;
	edges->spell = true;
	for (uint64_t i = 0; i < kept; i++) {
		edges->out[i] = 0;
		int err = emit(edges, sink, i);

		if (err)
			return err;
	}
	return 0;
}

int lull_edges_add_careful(struct lull_edges *edges, const struct lull_sink *sink, const struct lull_frame *frame,
	bool new_id)
{
	int err = edges->spell ? settle_newest(edges, sink) : begin_spell(edges, sink, frame->t);

	if (err)
		return err;
	put(edges, frame, new_id ? LULL_EDGE_NEW_ID : LULL_EDGE_LAST);
	return 0;
}

/* Errors that no frame followed: somebody may have tried in vain to be heard, so a bounded number is kept. */
static int end_of_burst(struct lull_edges *edges, const struct lull_sink *sink)
{
	int err = 0;

	if (edges->next && edges->error_tokens) {
		edges->error_tokens--;
		for (uint64_t i = 0; i < edges->next && !err; i++)
			err = emit(edges, sink, i);
	}
	edges->next = 0;
	return err;
}

int lull_edges_error(struct lull_edges *edges, const struct lull_sink *sink, const struct lull_frame *frame)
{
	struct lull_edge *newest = lull_edges_newest(edges), *error = NULL;
	unsigned errors = 0;
	int err = 0;

	if (newest && !edges->spell && newest->last_copy < frame->t - LULL_EDGE_SILENCE) {
		err = end_of_burst(edges, sink);
		newest = NULL;
	}
	if (newest && newest->frame.flags & LULL_FRAME_ERROR && newest->frame.id == frame->id) {
		error = newest;
	} else {
		for (uint64_t i = 0; i < edges->next && i < LULL_EDGE_FRAMES; i++) {
			struct lull_edge *older = &edges->ring[(edges->next - 1 - i) % LULL_EDGE_FRAMES];

			if (!(older->frame.flags & LULL_FRAME_ERROR))
				continue;
			if (!errors++)
				error = older;
		}
		if (errors < LULL_EDGE_ERRORS)
			error = NULL;
	}
	if (error) {
		error->copies += error->copies < UINT32_MAX;
		error->last_copy = frame->t;
		return err;
	}
	if (!err && edges->spell)
		err = settle_newest(edges, sink);
	if (!err)
		put(edges, frame, LULL_EDGE_LAST);
	return err;
}

int lull_edges_silence(struct lull_edges *edges, const struct lull_sink *sink)
{
	int err = 0;

	if (!edges->spell)
		return 0;
	for (uint64_t i = edges->next < LULL_EDGE_FRAMES ? 0 : edges->next - LULL_EDGE_FRAMES; i < edges->next && !err; i++)
		err = emit(edges, sink, i);
	edges->next = 0;
	edges->spell = false;
	edges->known = true;
	edges->careful = true;
	return err;
}

int lull_edges_drop(struct lull_edges *edges, const struct lull_sink *sink, bool known)
{
	int err = edges->spell ? settle_newest(edges, sink) : end_of_burst(edges, sink);

	edges->next = 0;
	edges->spell = !known;
	edges->known = known;
	edges->careful = known;
	return err;
}
