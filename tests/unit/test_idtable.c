/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_idtable: IDs to slots, against a plain list, and who makes room. */
#include "core/idtable.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

static uint64_t noise = 1;
static uint32_t any_id(void)
{
	noise = noise * UINT64_C(6364136223846793005) + 1442695040888963407;
	return LULL_ID_EXTENDED | ((uint32_t)(noise >> 33) & LULL_ID_BITS);
}

static void only_ids_are_valid(void **state)
{
	(void)state;
	assert_true(lull_id_is_valid(0));
	assert_true(lull_id_is_valid(0x7ff));
	assert_false(lull_id_is_valid(0x800));
	assert_true(lull_id_is_valid(LULL_ID_EXTENDED));
	assert_true(lull_id_is_valid(LULL_ID_EXTENDED | LULL_ID_BITS));
	assert_false(lull_id_is_valid(LULL_ID_NONE));
	assert_false(lull_id_is_valid(0x40000123));
}

static void a_full_table_finds_all_its_ids(void **state)
{
	(void)state;
	struct lull_idtable *table = malloc(sizeof(*table));
	static uint32_t ids[LULL_EXTENDED_IDS];

	assert_int_equal(lull_idtable_init(table), 0);
	for (uint32_t id = 0; id < LULL_STANDARD_IDS; id++) {
		assert_int_equal(lull_idtable_find(table, id), LULL_SLOT_NONE);
		assert_int_equal(lull_idtable_find(table, LULL_ID_EXTENDED | id), LULL_SLOT_NONE);
		assert_int_equal(lull_idtable_add(table, id), id);
	}
	for (unsigned i = 0; i < LULL_EXTENDED_IDS; i++) {
		do
			ids[i] = i < 2000 ? LULL_ID_EXTENDED | i : any_id();
		while (lull_idtable_find(table, ids[i]) != LULL_SLOT_NONE);
		assert_int_equal(lull_idtable_add(table, ids[i]), LULL_STANDARD_IDS + i);
	}
	assert_int_equal(lull_idtable_add(table, any_id()), LULL_SLOT_NONE);
	/* Replaced again and again, in any order, all are found and none of those that left. */
	for (int round = 0; round < 20000; round++) {
		unsigned i = (unsigned)(any_id() % LULL_EXTENDED_IDS);
		uint32_t old = ids[i], id = any_id();

		if (lull_idtable_find(table, id) != LULL_SLOT_NONE)
			continue;
		lull_idtable_replace(table, LULL_STANDARD_IDS + i, id);
		ids[i] = id;
		assert_int_equal(lull_idtable_find(table, old), LULL_SLOT_NONE);
		assert_int_equal(lull_idtable_find(table, id), LULL_STANDARD_IDS + i);
	}
	for (unsigned i = 0; i < LULL_EXTENDED_IDS; i++)
		assert_int_equal(lull_idtable_find(table, ids[i]), LULL_STANDARD_IDS + i);
	for (uint32_t id = 0; id < LULL_STANDARD_IDS; id++)
		assert_int_equal(lull_idtable_find(table, id), id);
	lull_idtable_clear(table);
	free(table);
}

static void the_fewest_frames_among_the_silent_make_room(void **state)
{
	(void)state;
	struct lull_idtable *table = malloc(sizeof(*table));
	lull_time now = 100 * LULL_SEC;

	assert_int_equal(lull_idtable_init(table), 0);
	(void)lull_idtable_add(table, 0x123);
	table->slots[0].last = 0; /* standard IDs never make room */
	for (unsigned i = 0; i < LULL_EXTENDED_IDS; i++) {
		unsigned at = lull_idtable_add(table, LULL_ID_EXTENDED | (i + 5));

		table->slots[at].last = now - (i % 2 ? 3 : 20) * LULL_SEC;
		table->rest[at].frames_ever = i == 400 ? 2 : i == 300 ? 3 : 10 + i;
	}
	table->rest[1 + 401].frames_ever = 1; /* fewest, but not silent */
	assert_int_equal(lull_idtable_victim(table, any_id(), now), 1 + 400);
	table->slots[1 + 400].last = now;
	assert_int_equal(lull_idtable_victim(table, any_id(), now), 1 + 300);
	lull_idtable_clear(table);
	free(table);
}

static void strangers_wait_at_the_door(void **state)
{
	(void)state;
	struct lull_idtable *table = malloc(sizeof(*table));
	lull_time now = 100 * LULL_SEC;
	unsigned in = 0;
	const uint32_t caller = LULL_ID_EXTENDED | 0x1234567;

	assert_int_equal(lull_idtable_init(table), 0);
	for (unsigned i = 0; i < LULL_EXTENDED_IDS; i++)
		table->slots[lull_idtable_add(table, LULL_ID_EXTENDED | i)].last = 0;
	for (int i = 0; i < 1000; i++)
		in += lull_idtable_victim(table, any_id(), now) != LULL_SLOT_NONE;
	assert_in_range(in, 1, 64);
	assert_int_equal(lull_idtable_victim(table, caller, now), LULL_SLOT_NONE);
	assert_int_not_equal(lull_idtable_victim(table, caller, now), LULL_SLOT_NONE);
	lull_idtable_clear(table);
	free(table);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(only_ids_are_valid),
		cmocka_unit_test(a_full_table_finds_all_its_ids),
		cmocka_unit_test(the_fewest_frames_among_the_silent_make_room),
		cmocka_unit_test(strangers_wait_at_the_door),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
