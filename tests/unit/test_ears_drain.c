/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_ears_drain: what the receiver tells: frames, losses, errors and nonsense, and what is counted of it. */
#include "ears_rig.h"
#include "stderr_rig.h"
#include "store_rig.h"

#include <errno.h>
#include <linux/can/error.h>
#include <lull/night.h>
#include <setjmp.h>
#include <stdarg.h>
#include <string.h>
#include <cmocka.h>

static const uint8_t payload[8] = {1, 2, 3, 4, 5, 6, 7, 8};

static void frames_are_counted(void **state)
{
	const struct lull_ear *ear = &ears.ear[0];

	(void)state;
	ears_listening();
	/* Before a reading of the clocks a stamp means nothing. */
	ears_put(LULL_ENTRY_FRAME, 0, 0x100, 0, UTC_0, payload, 8);
	ears_drain_all();
	assert_int_equal(ear->count.frames, 0);
	ears_put_frame(0, 0x100, 0, 10 * LULL_SEC, payload);
	ears_put_frame(0, 0x101, 0, 11 * LULL_SEC, payload);
	assert_int_equal(ear->count.frames, 2);
	assert_int_equal(ear->count.first, BOOT_0 + 10 * LULL_SEC);
	assert_int_equal(ear->count.last, BOOT_0 + 11 * LULL_SEC);
	assert_int_equal(ear->count.last_id, 0x101);
	assert_int_equal(ear->awake_since, BOOT_0 + 10 * LULL_SEC);
	/* After 5 s of silence it is awake anew. */
	ears_put_frame(0, 0x102, 0, 16 * LULL_SEC, payload);
	assert_int_equal(ear->awake_since, BOOT_0 + 16 * LULL_SEC);
	assert_int_equal(ears.ear[1].count.frames, 0);
	/* A bus that is none. */
	ears_put(LULL_ENTRY_FRAME, 7, 0x100, 0, UTC_0 + 17 * LULL_SEC, payload, 8);
	ears_drain_all();
	assert_int_equal(ear->count.frames, 3);
}

/* The adapter's own clock takes a batch apart; a new socket begins with a new clock. */
static void an_adapter_s_clock_is_used(void **state)
{
	const struct lull_ear *ear = &ears.ear[0];
	uint8_t data[16];
	int64_t own = 50 * LULL_SEC;

	(void)state;
	ears_listening();
	memcpy(data + 8, payload, 8);
	for (int i = 0; i < 3; i++) {
		const int64_t arrived = 10 * LULL_SEC + i * 100 * LULL_MS,
			      stamp = own + (i ? i * 100 * LULL_MS - 7 * LULL_MS : 0);

		memcpy(data, &stamp, 8);
		ears_put_clock(arrived);
		ears_put(LULL_ENTRY_FRAME_HW, 0, 0x100, 0, UTC_0 + arrived, data, 16);
		ears_drain_all();
	}
	/* The third was received 7 ms before it arrived, at most 400 ppm of 0.2 s later by the rule for rates. */
	assert_true(ear->count.last <= BOOT_0 + 10 * LULL_SEC + 193 * LULL_MS + 80 * LULL_US);
	assert_true(ear->count.last >= BOOT_0 + 10 * LULL_SEC + 193 * LULL_MS);
	assert_true(ear->own.known);
	ears_link_goes(0);
	ears_link_is(0, 5, "can0", true, true);
	assert_false(ear->own.known);
}

static void the_controller_s_own_words(void **state)
{
	static const struct {
		uint32_t id;
		uint8_t control;
		enum lull_coverage_why why;
		bool becomes;
	} cases[] = {
		{CAN_ERR_BUSOFF, 0, LULL_BLIND_BUS_OFF, true},
		{CAN_ERR_RESTARTED, 0, LULL_BLIND_BUS_OFF, false},
		{CAN_ERR_CRTL, CAN_ERR_CRTL_RX_PASSIVE, LULL_BLIND_ERROR_PASSIVE, true},
		{CAN_ERR_CRTL, CAN_ERR_CRTL_RX_WARNING, LULL_BLIND_ERROR_PASSIVE, false},
		{CAN_ERR_CRTL, CAN_ERR_CRTL_TX_PASSIVE, LULL_BLIND_ERROR_PASSIVE, true},
		{CAN_ERR_CRTL, CAN_ERR_CRTL_ACTIVE, LULL_BLIND_ERROR_PASSIVE, false},
		{CAN_ERR_BUSOFF, 0, LULL_BLIND_BUS_OFF, true},
		/* No controller that is off counts down. */
		{CAN_ERR_CRTL, CAN_ERR_CRTL_ACTIVE, LULL_BLIND_BUS_OFF, false},
		{CAN_ERR_PROT, CAN_ERR_CRTL_RX_PASSIVE, LULL_BLIND_ERROR_PASSIVE, false},
	};
	const size_t n = sizeof cases / sizeof cases[0];

	(void)state;
	ears_listening();
	for (size_t i = 0; i < n; i++) {
		const uint8_t data[8] = {0, cases[i].control};

		ears_put_frame(0, cases[i].id, LULL_FRAME_ERROR, (int64_t)(10 + i) * LULL_SEC, data);
		if (ears_blind(0, cases[i].why) != cases[i].becomes)
			fail_msg("case %zu", i);
	}
	assert_int_equal(ears.ear[0].count.errors, n);
	assert_int_equal(ears.ear[0].count.frames, 0);
	/* Its buffer ran over. */
	const uint8_t over[8] = {0, CAN_ERR_CRTL_RX_OVERFLOW};

	ears_put_frame(0, CAN_ERR_CRTL, LULL_FRAME_ERROR, 30 * LULL_SEC, over);
	assert_int_equal(ears.ear[0].count.lost_controller, 1);
}

static void losses_are_counted_apart(void **state)
{
	(void)state;
	ears_listening();
	ears_put_frame(0, 0x100, 0, 10 * LULL_SEC, payload);
	ears_put(LULL_ENTRY_LOST, 0, 17, LULL_LOST_SOCKET, BOOT_0 + 11 * LULL_SEC, NULL, 0);
	ears_put(LULL_ENTRY_LOST, 0, 4, LULL_LOST_RING, BOOT_0 + 12 * LULL_SEC, NULL, 0);
	ears_drain_all();
	assert_int_equal(ears.ear[0].count.lost_socket, 17);
	assert_int_equal(ears.ear[0].count.lost_ring, 4);
	assert_string_equal(stderr_text(),
		"lulld: warning: bus body: 17 frames lost in the socket's buffer\n"
		"lulld: warning: bus body: 4 frames lost between receiver and recorder\n");
	/* From the last frame to the loss nothing is known. */
	ears_at(20 * LULL_SEC);
	assert_int_equal(lull_book_flush(ears.book, &ears_now), 0);
	struct lull_night night;
	bool told = false;

	lull_night_init(&night);
	assert_int_equal(lull_store_load(lull_book_path(ears.book), &night, store_err, sizeof store_err), 0);
	for (size_t i = 0; i < night.coverage.n; i++)
		told |= night.coverage.at[i].bus == 0 && night.coverage.at[i].why != LULL_OBSERVED &&
			night.coverage.at[i].from <= 10 * LULL_SEC &&
			night.coverage.at[i].to >= 12 * LULL_SEC;
	assert_true(told);
	lull_night_clear(&night);
}

static void this_computer_s_own_frames(void **state)
{
	(void)state;
	ears_listening();
	ears_put_frame(0, 0x100, LULL_ENTRY_LOCAL, 10 * LULL_SEC, payload);
	ears_put_frame(0, 0x100, LULL_ENTRY_LOCAL, 11 * LULL_SEC, payload);
	assert_int_equal(ears.ear[0].count.local, 2);
	assert_string_equal(
		stderr_text(), "lulld: error: bus body: a program on this computer sends on can0\n");
	/* A virtual interface knows no other senders. */
	ears.ear[1].stated = ears.ear[1].state.simulated = true;
	ears_put_frame(1, 0x100, LULL_ENTRY_LOCAL, 12 * LULL_SEC, payload);
	assert_string_equal(stderr_text(), "");
}

static void broken_sockets(void **state)
{
	(void)state;
	ears_listening();
	/* The link went down: the socket comes back with it. */
	ears_put_broken(0, ENETDOWN);
	assert_true(ears_blind(0, LULL_BLIND_LINK_DOWN));
	assert_true(ears.ear[0].open);
	/* One of before. */
	const int error = ENODEV;

	ears_put(LULL_ENTRY_BROKEN, 0, ears_generation(0) - 1, 0, ears_now.boot, &error, sizeof error);
	ears_drain_all();
	assert_true(ears.ear[0].open);
	ears_put_broken(0, ENODEV);
	assert_false(ears.ear[0].open);
	assert_true(ears_blind(0, LULL_BLIND_ADAPTER_GONE));
	assert_true(stderr_has("bus body: the socket of can0 is dead: No such device"));
	/* Without a reason it is one of input. */
	ears_link_is(1, 4, "lulltest1", true, true);
	ears_put_opened(1, ears_generation(1), 0);
	ears_put(LULL_ENTRY_BROKEN, 1, ears_generation(1), 0, ears_now.boot, NULL, 0);
	ears_drain_all();
	assert_true(ears_blind(1, LULL_BLIND_NOT_LISTENING));
	assert_true(stderr_has("bus drive: the socket of lulltest1 is dead: Input/output error"));
}

/* The receiver is another process: nonsense from it ends the recording, not the recorder. */
static void nonsense_from_the_receiver(void **state)
{
	const uint8_t data[LULL_ENTRY_DATA] = {1};

	(void)state;
	ears_listening();
	ears_put_clock(1 * LULL_SEC);
	ears_drain_all();
	ears_put(LULL_ENTRY_FRAME_HW, 0, 0x100, 0, UTC_0, data, 7);
	assert_int_equal(lull_ears_drain(&ears, 10), -EBADMSG);
	ears_put(LULL_ENTRY_FRAME, 0, 0x100, 0, UTC_0, data, 65);
	assert_int_equal(lull_ears_drain(&ears, 10), -EBADMSG);
	ears_put(LULL_ENTRY_CLOCK, 0, 0, 0, UTC_0, data, 4);
	assert_int_equal(lull_ears_drain(&ears, 10), -EBADMSG);
	/* Answers of another length are not taken. */
	ears_put(LULL_ENTRY_OPENED, 0, ears_generation(0), 0, 0, data, 4);
	assert_int_equal(lull_ears_drain(&ears, 10), 1);
	struct lull_ring *ring = ears_ring();

	lull_ring_init(ring, EARS_RING);
	atomic_store(&ring->head, 4);
	assert_int_equal(lull_ears_drain(&ears, 10), -EBADMSG);
}

static void no_more_than_was_asked_for(void **state)
{
	(void)state;
	ears_listening();
	for (int i = 0; i < 5; i++)
		ears_put_clock(i * LULL_SEC);
	assert_int_equal(lull_ears_drain(&ears, 3), 3);
	assert_int_equal(lull_ears_drain(&ears, 3), 2);
	assert_int_equal(lull_ears_drain(&ears, 3), 0);
}

static void frames_are_kept_where_that_is_wanted(void **state)
{
	(void)state;
	ears_config.keep_free = 0;
	ears_listening();
	ears.keep = lull_keep_open(&ears_config, lull_book_path(ears.book), &ears_now);
	assert_non_null(ears.keep);
	ears_put_frame(0, 0x100, 0, 10 * LULL_SEC, payload);
	lull_keep_flush(ears.keep, &ears_now);
	assert_true(lull_keep_bytes(ears.keep) > 0);
	lull_keep_close(ears.keep);
	ears.keep = NULL;
}

int main(void)
{
#define EARS(name) cmocka_unit_test_setup_teardown(name, ears_set_up, ears_tear_down)
	const struct CMUnitTest tests[] = {
		EARS(frames_are_counted),
		EARS(an_adapter_s_clock_is_used),
		EARS(the_controller_s_own_words),
		EARS(losses_are_counted_apart),
		EARS(this_computer_s_own_frames),
		EARS(broken_sockets),
		EARS(nonsense_from_the_receiver),
		EARS(no_more_than_was_asked_for),
		EARS(frames_are_kept_where_that_is_wanted),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
