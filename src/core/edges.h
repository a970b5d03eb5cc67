/* SPDX-License-Identifier: GPL-3.0-or-later */
/* edges: the frames kept around silences of one bus. Pure.
 *
 * The last 64 distinct frames lie in a ring. While a spell is young (fewer than 64 distinct frames), each goes out as
 * LULL_EDGE_FIRST once the next distinct one shows how many copies it had; the first of a new ID later on as
 * LULL_EDGE_NEW_ID; and at a silence what is left in the ring as LULL_EDGE_LAST. No frame goes out twice. */
#ifndef LULL_CORE_EDGES_H
#define LULL_CORE_EDGES_H

#include <lull/rows.h>
#include <string.h>

#define LULL_EDGE_ERRORS (LULL_EDGE_FRAMES / 2) /* of the ring at most: a flood of errors leaves room for frames */

struct lull_edges {
	struct lull_edge ring[LULL_EDGE_FRAMES];
	uint8_t out[LULL_EDGE_FRAMES]; /* 1: has gone out */
	uint64_t next; /* distinct frames of this spell; the newest lies at (next - 1) % 64 */
	bool careful; /* the newest may have to go out: lull_edges_add() must look */
	bool spell; /* a data frame was heard since the silence */
	bool known; /* the spell's start was heard, so its first frames are first */
	unsigned error_tokens; /* bursts of errors without any frame that may still be kept */
};

void lull_edges_init(struct lull_edges *);
/* The long way of lull_edges_add(): a data or remote frame that is no copy of the newest. */
LULL_MUST_CHECK int lull_edges_add_careful(struct lull_edges *, const struct lull_sink *, const struct lull_frame *,
	bool new_id);
/* An error frame. Like ones in a row are one entry; beyond LULL_EDGE_ERRORS entries they only count. */
LULL_MUST_CHECK int lull_edges_error(struct lull_edges *, const struct lull_sink *, const struct lull_frame *);
/* The bus has been silent for LULL_EDGE_SILENCE. */
LULL_MUST_CHECK int lull_edges_silence(struct lull_edges *, const struct lull_sink *);
/* The bus cannot be heard: what lies in the ring is the edge of nothing. known: the next frame starts a spell. */
LULL_MUST_CHECK int lull_edges_drop(struct lull_edges *, const struct lull_sink *, bool known);

static inline struct lull_edge *lull_edges_newest(struct lull_edges *edges)
{
	return edges->next ? &edges->ring[(edges->next - 1) % LULL_EDGE_FRAMES] : NULL;
}

static inline void lull_edges_put(struct lull_edges *edges, const struct lull_frame *frame, uint8_t kind)
{
	unsigned at = edges->next++ % LULL_EDGE_FRAMES;
	struct lull_edge *edge = &edges->ring[at];

	edge->kind = kind;
	edge->copies = 1;
	edge->last_copy = frame->t;
	edges->out[at] = 0;
	/* The whole of a classical frame lies in the first 24 bytes. */
	memcpy(&edge->frame, frame, 24);
	if (frame->len > 8)
		edge->frame = *frame;
}

LULL_MUST_CHECK static inline int lull_edges_add(struct lull_edges *edges, const struct lull_sink *sink,
	const struct lull_frame *frame, bool new_id)
{
	if (__builtin_expect(edges->careful || new_id, 0))
		return lull_edges_add_careful(edges, sink, frame, new_id);
	lull_edges_put(edges, frame, LULL_EDGE_LAST);
	return 0;
}

#endif
