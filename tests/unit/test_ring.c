/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_ring: entries through shared memory: order, wrap, fullness, and a writer that lies. */
#include <source/ring.h>
#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#define SIZE 1024

static struct lull_ring *ring;

static int begin(void **state)
{
	(void)state;
	ring = aligned_alloc(64, sizeof(*ring) + SIZE);
	memset(ring, 0, sizeof(*ring) + SIZE);
	lull_ring_init(ring, SIZE);
	return 0;
}

static int end(void **state)
{
	(void)state;
	free(ring);
	return 0;
}

static bool put(uint32_t n, unsigned len)
{
	struct lull_entry *entry = lull_ring_room(ring, len);

	if (!entry)
		return false;
	entry->kind = LULL_ENTRY_FRAME;
	entry->bus = 3;
	entry->id = n;
	entry->stamp = -(int64_t)n;
	entry->flags = 0;
	memset(entry->data, (int)(n & 0xff), len);
	lull_ring_put(ring, entry);
	return true;
}

static void take(uint32_t n, unsigned len)
{
	int err;
	const struct lull_entry *entry = lull_ring_peek(ring, &err);

	assert_non_null(entry);
	assert_int_equal(entry->id, n);
	assert_int_equal(entry->bus, 3);
	assert_int_equal(entry->len, len);
	assert_true(entry->stamp == -(int64_t)n);
	for (unsigned i = 0; i < len; i++)
		assert_int_equal(entry->data[i], n & 0xff);
	lull_ring_take(ring, entry);
}

static void is_empty(void)
{
	int err = 1;

	assert_null(lull_ring_peek(ring, &err));
	assert_int_equal(err, 0);
}

static void order_is_kept_around_the_end(void **state)
{
	uint32_t in = 0, out = 0;
	unsigned seed = 1;

	(void)state;
	is_empty();
	while (in < 100000) {
		seed = seed * 1103515245 + 12345;
		for (unsigned k = seed >> 16 & 15; k > 0; k--)
			in += put(in, in * 7 % (LULL_ENTRY_DATA + 1));
		for (unsigned k = seed >> 20 & 15; k > 0 && out < in; k--, out++)
			take(out, out * 7 % (LULL_ENTRY_DATA + 1));
	}
	for (; out < in; out++)
		take(out, out * 7 % (LULL_ENTRY_DATA + 1));
	is_empty();
}

static void a_full_ring_takes_nothing_and_loses_nothing(void **state)
{
	uint32_t n = 0;

	(void)state;
	while (put(n, 8))
		n++;
	assert_int_equal(n, SIZE / 32);
	assert_false(put(n, 0));
	take(0, 8);
	assert_true(put(n, 8));
	for (uint32_t i = 1; i <= n; i++)
		take(i, 8);
	is_empty();
}

/* The writer is another process: whatever it leaves there, the reader reads within the ring. */
static void nonsense_is_seen(void **state)
{
	static const struct {
		uint16_t size;
		uint8_t kind, len;
		uint64_t head;
	} cases[] = {
		{0, LULL_ENTRY_FRAME, 8, 32},
		{32, LULL_ENTRY_COUNT, 8, 32},
		{31, LULL_ENTRY_FRAME, 8, 32},
		{40, LULL_ENTRY_FRAME, 8, 40},
		{2048, LULL_ENTRY_FRAME, 8, 1024},
		{64, LULL_ENTRY_FRAME, 40, 32}, /* longer than what was put */
		{32, LULL_ENTRY_FRAME, 200, 32},
		{32, LULL_ENTRY_FRAME, 8, 4096}, /* more than fits */
		{32, LULL_ENTRY_FRAME, 8, 4},
		{0, LULL_ENTRY_SKIP, 0, 32}, /* skips beyond what was put */
	};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct lull_entry *entry = (struct lull_entry *)(void *)ring->data;
		int err = 0;

		lull_ring_init(ring, SIZE);
		entry->size = cases[i].size;
		entry->kind = cases[i].kind;
		entry->len = cases[i].len;
		atomic_store(&ring->head, cases[i].head);
		assert_null(lull_ring_peek(ring, &err));
		assert_int_equal(err, -EBADMSG);
	}
}

/* 10 s of two buses of 1 Mbit/s at 111 bits a frame: 180,180 frames of 32 bytes. */
static void ten_seconds_of_full_load_fit(void **state)
{
	(void)state;
	assert_true(lull_ring_bytes(2000000, 10) >= 180180 * 32);
	assert_int_equal(lull_ring_bytes(2000000, 10), 1 << 23);
	assert_int_equal(lull_ring_bytes(0, 10), 1 << 18);
	assert_int_equal(lull_ring_bytes(UINT64_C(16) * 20000000, 10), 1 << 26);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(order_is_kept_around_the_end, begin, end),
		cmocka_unit_test_setup_teardown(a_full_ring_takes_nothing_and_loses_nothing, begin, end),
		cmocka_unit_test_setup_teardown(nonsense_is_seen, begin, end),
		cmocka_unit_test(ten_seconds_of_full_load_fit),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
