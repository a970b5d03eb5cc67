/* SPDX-License-Identifier: GPL-3.0-or-later */
/* idtable: arbitration ID -> slot, bounded, and whom to drop when it is full. Pure. */
#include "idtable.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define HASH_MASK ((1u << LULL_HASH_BITS) - 1)
#define TOKENS 64

int lull_idtable_init(struct lull_idtable *table)
{
	memset(table, 0, sizeof(*table));
	memset(table->direct, 0xff, sizeof(table->direct));
	memset(table->hash, 0xff, sizeof(table->hash));
	memset(table->door, 0xff, sizeof(table->door));
	table->looked = LULL_NEVER;
	table->tokens = TOKENS;
	/* Pages of slots never used are never touched. A slot's two cache lines shall be two. */
	table->slots = aligned_alloc(64, LULL_SLOTS * sizeof(*table->slots));
	table->rest = malloc(LULL_SLOTS * sizeof(*table->rest));
	if (table->slots && table->rest)
		return 0;
	lull_idtable_clear(table);
	return -ENOMEM;
}

void lull_idtable_clear(struct lull_idtable *table)
{
	free(table->slots);
	free(table->rest);
	table->slots = NULL;
	table->rest = NULL;
}

static void reset(struct lull_idtable *table, unsigned slot, uint32_t id)
{
	memset(&table->slots[slot], 0, sizeof(table->slots[slot]));
	memset(&table->rest[slot], 0, sizeof(table->rest[slot]));
	table->slots[slot].id = id;
	table->slots[slot].slow = LULL_SLOW_CLOSED | LULL_SLOW_UNSEEN;
	table->slots[slot].last = LULL_NEVER;
	table->rest[slot].active = LULL_SLOT_NONE;
}

static void hash_insert(struct lull_idtable *table, unsigned slot)
{
	unsigned at = lull_id_hash(table->slots[slot].id);

	while (table->hash[at] != LULL_SLOT_NONE)
		at = (at + 1) & HASH_MASK;
	table->hash[at] = (uint16_t)slot;
}

/* Later entries of the same chain move up, so that no look-up has to pass a tombstone. */
static void hash_remove(struct lull_idtable *table, unsigned slot)
{
	unsigned hole = lull_id_hash(table->slots[slot].id);

	while (table->hash[hole] != slot)
		hole = (hole + 1) & HASH_MASK;
	for (unsigned at = (hole + 1) & HASH_MASK; table->hash[at] != LULL_SLOT_NONE; at = (at + 1) & HASH_MASK) {
		unsigned home = lull_id_hash(table->slots[table->hash[at]].id);

		if (((at - home) & HASH_MASK) < ((at - hole) & HASH_MASK))
			continue;
		table->hash[hole] = table->hash[at];
		hole = at;
	}
	table->hash[hole] = LULL_SLOT_NONE;
}

unsigned lull_idtable_add(struct lull_idtable *table, uint32_t id)
{
	bool extended = id & LULL_ID_EXTENDED;

	if (extended && table->extended == LULL_EXTENDED_IDS)
		return LULL_SLOT_NONE;
	unsigned slot = table->used++;

	reset(table, slot, id);
	if (extended) {
		table->extended++;
		hash_insert(table, slot);
	} else {
		table->direct[id] = (uint16_t)slot;
	}
	return slot;
}

void lull_idtable_replace(struct lull_idtable *table, unsigned slot, uint32_t id)
{
	hash_remove(table, slot);
	reset(table, slot, id);
	hash_insert(table, slot);
}

static bool silent(const struct lull_idtable *table, unsigned slot, lull_time now)
{
	return table->slots[slot].last <= now - LULL_EVICT_SILENCE;
}

struct candidate {
	uint64_t frames;
	lull_time last;
	uint16_t slot;
};

static int by_frames(const void *x, const void *y)
{
	const struct candidate *a = x, *b = y;

	if (a->frames != b->frames)
		return a->frames < b->frames ? -1 : 1;
	return (a->last > b->last) - (a->last < b->last);
}

static void look(struct lull_idtable *table, lull_time now)
{
	struct candidate found[LULL_EXTENDED_IDS];
	unsigned n = 0;

	table->looked = now;
	for (unsigned slot = 0; slot < table->used && n < LULL_EXTENDED_IDS; slot++)
		if (table->slots[slot].id & LULL_ID_EXTENDED && silent(table, slot, now))
			found[n++] = (struct candidate){table->rest[slot].frames_ever, table->slots[slot].last,
				(uint16_t)slot};
	if (n > 1)
		qsort(found, n, sizeof(*found), by_frames);
	for (unsigned i = 0; i < n; i++)
		table->victim[i] = found[i].slot;
	table->victim_at = 0;
	table->victims = n;
}

unsigned lull_idtable_victim(struct lull_idtable *table, uint32_t id, lull_time now)
{
	uint32_t *door = &table->door[lull_id_hash(id) % LULL_DOOR];
	bool knocked = *door == id;

	*door = id;
	if (!knocked && !table->tokens)
		return LULL_SLOT_NONE;
	for (;;) {
		while (table->victim_at < table->victims) {
			unsigned slot = table->victim[table->victim_at++];

			if (!silent(table, slot, now))
				continue;
			if (!knocked)
				table->tokens--;
			return slot;
		}
		if (table->looked != LULL_NEVER && now - table->looked < LULL_SEC)
			return LULL_SLOT_NONE;
		look(table, now);
		if (!table->victims)
			return LULL_SLOT_NONE;
	}
}
