/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ring: entries of various length through shared memory. Pure. */
#include <source/ring.h>

#include <errno.h>

#define LEAST ((size_t)1 << 18)
#define MOST ((size_t)1 << 26)
#define FRAME_BITS 111 /* classical, 11-bit ID, 8 bytes, without stuff bits */

static size_t entry_size(unsigned len)
{
	return (LULL_ENTRY_HEAD + len + 7) & ~(size_t)7;
}

size_t lull_ring_bytes(uint64_t bitrates, unsigned seconds)
{
	uint64_t wanted = bitrates / FRAME_BITS * seconds * entry_size(8);
	size_t size = LEAST;

	while (size < wanted && size < MOST)
		size *= 2;
	return size;
}

void lull_ring_init(struct lull_ring *ring, size_t size)
{
	atomic_store(&ring->head, 0);
	atomic_store(&ring->tail, 0);
	ring->size = size;
}

struct lull_entry *lull_ring_room(struct lull_ring *ring, unsigned len)
{
	uint64_t head = atomic_load_explicit(&ring->head, memory_order_relaxed);
	uint64_t used = head - atomic_load_explicit(&ring->tail, memory_order_acquire);
	size_t size = entry_size(len), at = (size_t)(head & (ring->size - 1)), rest = (size_t)(ring->size - at);
	struct lull_entry *entry = (struct lull_entry *)(void *)(ring->data + at);

	if (rest >= size) {
		if (ring->size - used < size)
			return NULL;
	} else {
		/* An entry lies in one piece: what is left at the end is skipped. 8 bytes are there at least. */
		if (ring->size - used < rest + size)
			return NULL;
		entry->size = 0;
		entry->kind = LULL_ENTRY_SKIP;
		atomic_store_explicit(&ring->head, head + rest, memory_order_release);
		entry = (struct lull_entry *)(void *)ring->data;
	}
	entry->size = (uint16_t)size;
	entry->len = (uint8_t)len;
	return entry;
}

void lull_ring_put(struct lull_ring *ring, const struct lull_entry *entry)
{
	uint64_t head = atomic_load_explicit(&ring->head, memory_order_relaxed);

	atomic_store_explicit(&ring->head, head + entry->size, memory_order_release);
}

const struct lull_entry *lull_ring_peek(struct lull_ring *ring, int *err)
{
	for (;;) {
		uint64_t tail = atomic_load_explicit(&ring->tail, memory_order_relaxed);
		uint64_t there = atomic_load_explicit(&ring->head, memory_order_acquire) - tail;
		size_t at = (size_t)(tail & (ring->size - 1)), rest = (size_t)(ring->size - at);
		const struct lull_entry *entry = (const struct lull_entry *)(const void *)(ring->data + at);

		*err = 0;
		if (!there)
			return NULL;
		*err = -EBADMSG;
		if (there > ring->size || there < 8)
			return NULL;
		if (entry->kind == LULL_ENTRY_SKIP) {
			if (rest > there)
				return NULL;
			atomic_store_explicit(&ring->tail, tail + rest, memory_order_release);
			continue;
		}
		if (entry->kind >= LULL_ENTRY_COUNT || entry->size > rest || entry->size > there || entry->size % 8 ||
			entry->size < LULL_ENTRY_HEAD || entry_size(entry->len) != entry->size || entry->len > LULL_ENTRY_DATA)
			return NULL;
		*err = 0;
		return entry;
	}
}

void lull_ring_take(struct lull_ring *ring, const struct lull_entry *entry)
{
	uint64_t tail = atomic_load_explicit(&ring->tail, memory_order_relaxed);

	atomic_store_explicit(&ring->tail, tail + entry->size, memory_order_release);
}
