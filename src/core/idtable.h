/* SPDX-License-Identifier: GPL-3.0-or-later */
/* idtable: arbitration ID -> slot, bounded, and whom to drop when it is full. Pure. */
#ifndef LULL_CORE_IDTABLE_H
#define LULL_CORE_IDTABLE_H

#include "slot.h"

#define LULL_STANDARD_IDS 2048 /* each has its place */
#define LULL_EXTENDED_IDS 4096 /* so many at once */
#define LULL_SLOTS (LULL_STANDARD_IDS + LULL_EXTENDED_IDS)
#define LULL_HASH_BITS 13
#define LULL_EVICT_SILENCE (10 * LULL_SEC)
#define LULL_DOOR 4096

struct lull_idtable {
	uint16_t direct[LULL_STANDARD_IDS];
	uint16_t hash[1 << LULL_HASH_BITS]; /* linear probing, at most half full */
	/* Slots lie densely in the order of their first frame, so that the busy ones share few pages. */
	struct lull_slot *slots;
	struct lull_slot_rest *rest;
	unsigned used, extended;
	/* Who may be dropped: found by looking at the whole table once a second at most, fewest frames first. */
	uint16_t victim[LULL_EXTENDED_IDS];
	unsigned victim_at, victims;
	lull_time looked; /* LULL_NEVER: not yet */
	/* IDs turned away: who comes a second time is let in, so random IDs cannot churn the table. */
	uint32_t door[LULL_DOOR];
	unsigned tokens; /* so many may come in without having knocked before */
};

LULL_MUST_CHECK int lull_idtable_init(struct lull_idtable *); /* -ENOMEM */
void lull_idtable_clear(struct lull_idtable *);
/* A new slot for an ID that has none, or LULL_SLOT_NONE: full. */
unsigned lull_idtable_add(struct lull_idtable *, uint32_t id);
/* The slot whose ID should make room for `id`, or LULL_SLOT_NONE: nobody, count it elsewhere. */
unsigned lull_idtable_victim(struct lull_idtable *, uint32_t id, lull_time now);
/* Gives a slot to another extended ID; the slot's content is zeroed. */
void lull_idtable_replace(struct lull_idtable *, unsigned slot, uint32_t id);

/* 11-bit without, 29-bit with LULL_ID_EXTENDED; anything else is no ID. */
static inline bool lull_id_is_valid(uint32_t id)
{
	return id < LULL_STANDARD_IDS || (id & ~LULL_ID_BITS) == LULL_ID_EXTENDED;
}

static inline unsigned lull_id_hash(uint32_t id)
{
	return (id * UINT32_C(2654435761)) >> (32 - LULL_HASH_BITS);
}

/* LULL_SLOT_NONE: not there. The ID must be valid. */
static inline unsigned lull_idtable_find(const struct lull_idtable *table, uint32_t id)
{
	if (id < LULL_STANDARD_IDS)
		return table->direct[id];
	for (unsigned at = lull_id_hash(id);; at = (at + 1) & ((1u << LULL_HASH_BITS) - 1)) {
		unsigned slot = table->hash[at];

		if (slot == LULL_SLOT_NONE || table->slots[slot].id == id)
			return slot;
	}
}

#endif
