/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_state: what `lull status` is told: awake, quiet and blind, what is counted, the current, the disk. */
#include "ears_rig.h"
#include "stderr_rig.h"

#include <daemon/state.h>
#include <jansson.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

static json_t *state_now(const struct lull_clamp_state *clamp)
{
	static const struct lull_clamp_state none;
	char *text = lull_state_text(&ears, clamp ? clamp : &none, &ears_now);

	assert_non_null(text);
	json_t *json = json_loads(text, 0, NULL);

	assert_non_null(json);
	free(text);
	return json;
}

/* A member of the first bus. */
static const json_t *of_bus(const json_t *json, const char *key)
{
	return json_object_get(json_array_get(json_object_get(json, "buses"), 0), key);
}

static void is_text(const json_t *value, const char *text)
{
	assert_true(json_is_string(value));
	assert_string_equal(json_string_value(value), text);
}

static void is_number(const json_t *value, double number)
{
	assert_true(json_is_number(value));
	assert_true(json_number_value(value) - number < 1e-6 && number - json_number_value(value) < 1e-6);
}

static void a_bus_that_cannot_be_heard(void **state)
{
	(void)state;
	assert_int_equal(lull_ears_begin(&ears, &ears_now), 0);
	ears_at(5 * LULL_SEC);
	json_t *json = state_now(NULL);

	is_text(json_object_get(json, "format"), "lull.state");
	is_number(json_object_get(json, "time_s"), 5);
	is_text(json_object_get(json, "utc"), "2026-03-05T22:33:25.000Z");
	is_text(of_bus(json, "name"), "body");
	is_text(of_bus(json, "state"), "blind");
	assert_int_equal(json_array_size(of_bus(json, "why")), 2);
	is_number(of_bus(json, "since_s"), 0);
	assert_true(json_is_null(of_bus(json, "last_s")));
	assert_true(json_is_null(of_bus(json, "last_id")));
	assert_null(of_bus(json, "controller"));
	assert_true(json_is_null(json_object_get(json, "current")));
	json_decref(json);
	/* A date that is not known is not told. */
	ears_now.dated = false;
	json = state_now(NULL);
	assert_true(json_is_null(json_object_get(json, "utc")));
	json_decref(json);
}

static void silence_awake_and_quiet(void **state)
{
	static const uint8_t payload[8] = {1};

	(void)state;
	ears_listening();
	ears_at(8 * LULL_SEC);
	json_t *json = state_now(NULL);

	/* Nothing was heard on this socket yet: quiet, and not proven. */
	is_text(of_bus(json, "state"), "quiet");
	assert_true(json_is_false(of_bus(json, "proven")));
	is_text(of_bus(json, "interface"), "can0");
	assert_true(json_is_true(of_bus(json, "listen_only")));
	is_number(of_bus(json, "bitrate"), 500000);
	is_number(of_bus(json, "buffer_bytes"), 1 << 20);
	json_decref(json);
	for (int64_t t = 10; t <= 20; t++)
		ears_put_frame(0, 0x123, 0, t * LULL_SEC, payload);
	ears_put(LULL_ENTRY_LOST, 0, 3, LULL_LOST_RING, BOOT_0 + 20 * LULL_SEC, NULL, 0);
	ears_drain_all();
	ears_at(29 * LULL_SEC);
	json = state_now(NULL);
	is_text(of_bus(json, "state"), "awake");
	assert_true(json_is_true(of_bus(json, "proven")));
	is_number(of_bus(json, "since_s"), 10);
	is_number(of_bus(json, "last_s"), 20);
	is_text(of_bus(json, "last_id"), "0x123");
	is_number(of_bus(json, "frames"), 11);
	is_number(json_object_get(of_bus(json, "lost"), "ring"), 3);
	is_number(json_object_get(of_bus(json, "lost"), "socket"), 0);
	json_decref(json);
	/* 10 s after the last frame it is quiet, since that frame. */
	ears_at(31 * LULL_SEC);
	json = state_now(NULL);
	is_text(of_bus(json, "state"), "quiet");
	is_number(of_bus(json, "since_s"), 20);
	assert_int_equal(json_array_size(of_bus(json, "talking")), 0);
	json_decref(json);
}

static void the_current_and_the_disk(void **state)
{
	struct lull_clamp_state clamp = {.present = true};

	(void)state;
	ears_listening();
	json_t *json = state_now(&clamp);
	const json_t *current = json_object_get(json, "current");

	/* No reading yet is no zero. */
	assert_true(json_is_object(current));
	assert_true(json_is_null(json_object_get(current, "mA")));
	json_decref(json);
	clamp.mA = 41.5;
	clamp.at = BOOT_0 + 3 * LULL_SEC;
	json = state_now(&clamp);
	current = json_object_get(json, "current");
	is_number(json_object_get(current, "mA"), 41.5);
	is_number(json_object_get(current, "at_s"), 3);
	assert_true(json_is_null(json_object_get(current, "lost")));
	json_decref(json);
	/* Nor is a reading from before the loss one of now. */
	clamp.lost = true;
	(void)strcpy(clamp.why, "no reading for 5.0 s");
	ears_at(60 * LULL_SEC);
	json = state_now(&clamp);
	current = json_object_get(json, "current");
	assert_true(json_is_null(json_object_get(current, "mA")));
	is_text(json_object_get(current, "lost"), "no reading for 5.0 s");
	const json_t *disk = json_object_get(json, "disk");

	assert_true(json_is_null(json_object_get(disk, "trouble")));
	assert_true(json_number_value(json_object_get(disk, "written_bytes")) > 0);
	is_number(json_object_get(disk, "written_s_ago"), 60);
	json_decref(json);
}

int main(void)
{
#define STATE(name) cmocka_unit_test_setup_teardown(name, ears_set_up, ears_tear_down)
	const struct CMUnitTest tests[] = {
		STATE(a_bus_that_cannot_be_heard),
		STATE(silence_awake_and_quiet),
		STATE(the_current_and_the_disk),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
