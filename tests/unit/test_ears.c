/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_ears: adapters that come, go and do wrong: when a bus is listened to, and for which reason it cannot be heard. */
#include "ears_rig.h"
#include "stderr_rig.h"
#include "store_rig.h"

#include <errno.h>
#include <linux/can/netlink.h>
#include <linux/rtnetlink.h>
#include <lull/night.h>
#include <poll.h>
#include <setjmp.h>
#include <signal.h>
#include <source/can_fake.h>
#include <stdarg.h>
#include <string.h>
#include <cmocka.h>

/* --- adapters --- */

static void nothing_is_there(void **state)
{
	(void)state;
	assert_int_equal(lull_ears_begin(&ears, &ears_now), 0);
	for (unsigned i = 0; i < 2; i++) {
		assert_true(ears_blind(i, LULL_BLIND_NOT_LISTENING));
		assert_true(ears_blind(i, LULL_BLIND_ADAPTER_GONE));
		assert_int_equal(ears_wanted(i), 0);
	}
	/* A controller that is none of the two is nobody's. */
	ears_link_is(1, 9, "can7", true, true);
	assert_int_equal(ears_wanted(0), 0);
	assert_int_equal(ears_wanted(1), 0);
}

static void it_comes_and_is_listened_to(void **state)
{
	(void)state;
	assert_int_equal(lull_ears_begin(&ears, &ears_now), 0);
	ears_at(5 * LULL_SEC);
	ears_link_is(0, 3, "can0", true, true);
	assert_int_equal(ears_wanted(0), 3);
	assert_false(ears_blind(0, LULL_BLIND_ADAPTER_GONE));
	/* Not before the receiver has its socket. */
	assert_true(ears_blind(0, LULL_BLIND_NOT_LISTENING));
	ears_at(6 * LULL_SEC);
	ears_put_opened(0, ears_generation(0), 0);
	assert_true(ears_hear(0));
	assert_true(ears.ear[0].open);
	assert_int_equal(ears.ear[0].opened, BOOT_0 + 6 * LULL_SEC);
	assert_int_equal(ears.ear[0].buffer, 1 << 20);
	assert_true(stderr_has("bus body: listening on can0, receive buffer of 1048576 bytes"));
	/* The other one by its key, under whatever name... which here is the key. */
	ears_link_is(1, 4, "lulltest1", true, true);
	assert_int_equal(ears_wanted(1), 4);
}

static void answers_for_another_socket_do_not_count(void **state)
{
	(void)state;
	assert_int_equal(lull_ears_begin(&ears, &ears_now), 0);
	ears_link_is(0, 3, "can0", true, true);
	ears_put_opened(0, ears_generation(0) - 1, 0);
	assert_false(ears.ear[0].open);
	assert_true(ears_blind(0, LULL_BLIND_NOT_LISTENING));
	/* No socket: told, and looked for again. */
	(void)stderr_text();
	ears_put_opened(0, ears_generation(0), -ENODEV);
	assert_string_equal(stderr_text(), "lulld: error: bus body: no socket for can0: No such device\n");
	assert_int_equal(ears.ear[0].index, 0);
	const uint32_t before = ears_generation(0);

	ears_at(11 * LULL_SEC);
	assert_int_equal(lull_ears_tick(&ears, &ears_now), 0);
	assert_int_equal(ears_generation(0), before + 1);
	assert_int_equal(ears_wanted(0), 3);
}

static void one_that_would_acknowledge_is_refused(void **state)
{
	(void)state;
	assert_int_equal(lull_ears_begin(&ears, &ears_now), 0);
	ears_link_is(0, 3, "can0", true, false);
	assert_int_equal(ears_wanted(0), 0);
	assert_true(ears_blind(0, LULL_BLIND_NOT_LISTENING));
	assert_true(stderr_has("can0 is not in listen-only mode"));
	(void)stderr_text();
	/* Said once. */
	ears_at(11 * LULL_SEC);
	assert_int_equal(lull_ears_tick(&ears, &ears_now), 0);
	assert_string_equal(stderr_text(), "");
	assert_int_equal(ears_wanted(0), 0);
	/* Somebody sets it right. */
	ears_link[0].modes = CAN_CTRLMODE_LISTENONLY;
	ears_at(22 * LULL_SEC);
	assert_int_equal(lull_ears_tick(&ears, &ears_now), 0);
	assert_int_equal(ears_wanted(0), 3);
}

static void one_that_is_accepted_is_told_in_the_report(void **state)
{
	struct lull_book *first = ears.book;

	(void)state;
	ears_config.bus[0].accept_acknowledging = true;
	assert_int_equal(lull_ears_begin(&ears, &ears_now), 0);
	ears_link_is(0, 3, "can0", true, false);
	assert_int_equal(ears_wanted(0), 3);
	assert_int_equal(lull_book_flush(first, &ears_now), 0);
	struct lull_night night;

	lull_night_init(&night);
	assert_int_equal(lull_store_load(lull_book_path(first), &night, store_err, sizeof store_err), 0);
	assert_int_equal(night.left_out.n, 1);
	assert_non_null(strstr(night.left_out.at[0], "the adapter acknowledged frames"));
	lull_night_clear(&night);
}

static void a_link_goes_down_and_comes_up(void **state)
{
	(void)state;
	ears_listening();
	const uint32_t before = ears_generation(0);

	ears_at(20 * LULL_SEC);
	ears_link_is(0, 3, "can0", false, true);
	assert_true(ears_blind(0, LULL_BLIND_LINK_DOWN));
	/* The socket lives on: it hears again with the link. */
	ears_at(30 * LULL_SEC);
	ears_link_is(0, 3, "can0", true, true);
	assert_true(ears_hear(0));
	assert_int_equal(ears_generation(0), before);
}

/* The receiver answered at 5 s, fetched a frame of 7 s, and stands still: what was not fetched may be gone with the adapter. */
static void an_adapter_that_goes_was_heard_so_far(void **state)
{
	static const uint8_t data[8] = {0};
	int64_t since;

	(void)state;
	ears_listening();
	ears_put_clock(7 * LULL_SEC);
	ears_put_frame(0, 0x123, 0, 7 * LULL_SEC, data);
	ears_at(20 * LULL_SEC);
	ears.heard = BOOT_0 + 5 * LULL_SEC;
	lull_receiver_ping(ears.receiver);
	ears_link_goes(0);
	assert_true(ears_blind(0, LULL_BLIND_ADAPTER_GONE));
	(void)lull_book_blindness(ears.book, 0, &since);
	assert_int_equal(since, BOOT_0 + 7 * LULL_SEC);
}

static void an_adapter_goes_and_comes_back_as_another(void **state)
{
	(void)state;
	ears_listening();
	assert_int_equal(lull_book_blind(ears.book, 0, LULL_BLIND_BUS_OFF, ears_now.boot), 0);
	ears_at(20 * LULL_SEC);
	ears_link_goes(0);
	assert_true(ears_blind(0, LULL_BLIND_ADAPTER_GONE));
	assert_int_equal(ears_wanted(0), 0);
	/* What was wrong with it has gone with it. */
	assert_false(ears_blind(0, LULL_BLIND_BUS_OFF));
	assert_true(stderr_has("bus body: can0 (name:can0) gone"));
	const uint32_t before = ears_generation(0);

	ears_at(30 * LULL_SEC);
	ears_link_is(0, 8, "can0", true, true);
	assert_int_equal(ears_wanted(0), 8);
	assert_int_equal(ears_generation(0), before + 1);
	assert_true(ears_blind(0, LULL_BLIND_NOT_LISTENING));
	/* Another index under the same name without a word of the end of the first: a new socket too. */
	ears_put_opened(0, ears_generation(0), 0);
	ears_say(RTM_DELLINK, 8, "can0", false);
	ears_link_is(0, 9, "can0", true, true);
	assert_int_equal(ears_wanted(0), 9);
	assert_true(ears_blind(0, LULL_BLIND_NOT_LISTENING));
}

static void a_driver_that_holds_frames_back(void **state)
{
	(void)state;
	ears_coalescing = (struct lull_coalescing){.known = true, .frames_irq = 8};
	assert_int_equal(lull_ears_begin(&ears, &ears_now), 0);
	ears_link_is(0, 3, "can0", true, true);
	ears_put_opened(0, ears_generation(0), 0);
	assert_true(ears_blind(0, LULL_BLIND_COALESCING));
	assert_true(stderr_has("holds frames back until 8 have come"));
	ears_coalescing.usecs_irq = 1000;
	ears_link_goes(0);
	ears_link_is(0, 4, "can0", true, true);
	assert_false(ears_blind(0, LULL_BLIND_COALESCING));
}

/* --- controllers --- */

static void look_at(int64_t t, enum lull_controller controller)
{
	ears_link[0].controller = controller;
	ears_at(t);
	assert_int_equal(lull_ears_tick(&ears, &ears_now), 0);
}

static void a_controller_falls_silent_and_recovers(void **state)
{
	(void)state;
	ears_listening();
	look_at(5 * LULL_SEC, LULL_CONTROLLER_PASSIVE);
	assert_true(ears_hear(0)); /* not looked at yet */
	look_at(10 * LULL_SEC, LULL_CONTROLLER_PASSIVE);
	assert_true(ears_blind(0, LULL_BLIND_ERROR_PASSIVE));
	/* Now it is looked at more often. */
	look_at(12 * LULL_SEC, LULL_CONTROLLER_BUS_OFF);
	assert_true(ears_blind(0, LULL_BLIND_BUS_OFF));
	look_at(13 * LULL_SEC, LULL_CONTROLLER_ACTIVE);
	assert_true(ears_blind(0, LULL_BLIND_BUS_OFF));
	look_at(14 * LULL_SEC, LULL_CONTROLLER_WARNING);
	assert_true(ears_hear(0));
	/* These say nothing either way. */
	look_at(24 * LULL_SEC, LULL_CONTROLLER_PASSIVE);
	look_at(26 * LULL_SEC, LULL_CONTROLLER_STOPPED);
	look_at(28 * LULL_SEC, LULL_CONTROLLER_SLEEPING);
	assert_true(ears_blind(0, LULL_BLIND_ERROR_PASSIVE));
	/* A query that fails is no news. */
	ears_link[0].index = 0;
	look_at(30 * LULL_SEC, LULL_CONTROLLER_ACTIVE);
	assert_true(ears_blind(0, LULL_BLIND_ERROR_PASSIVE));
}

static void what_the_driver_lost_is_blind(void **state)
{
	(void)state;
	ears_listening();
	look_at(10 * LULL_SEC, LULL_CONTROLLER_ACTIVE);
	ears_link[0].frames_lost = 5;
	look_at(20 * LULL_SEC, LULL_CONTROLLER_ACTIVE);
	assert_int_equal(ears.ear[0].count.lost_controller, 5);
	look_at(30 * LULL_SEC, LULL_CONTROLLER_ACTIVE);
	assert_int_equal(ears.ear[0].count.lost_controller, 5);
	/* A counter that begins anew is no loss. */
	ears_link[0].frames_lost = 2;
	look_at(40 * LULL_SEC, LULL_CONTROLLER_ACTIVE);
	assert_int_equal(ears.ear[0].count.lost_controller, 5);
}

/* --- the helper --- */

static void wait_for_helper(void)
{
	struct pollfd p = {.fd = lull_helper_fd(ears.helper), .events = POLLIN};

	assert_int_equal(poll(&p, 1, -1), 1);
	assert_int_equal(lull_ears_helper(&ears, &ears_now), 0);
}

static void a_link_that_is_down_is_set_up(void **state)
{
	struct lull_fake_adapter fake = lull_fake_new("can0", false);
	const struct lull_link_io fake_io = lull_fake_link(&fake);

	(void)state;
	assert_int_equal(lull_helper_start(&ears.helper, (uid_t)-1, (gid_t)-1, false, &fake_io), 0);
	assert_int_equal(lull_ears_begin(&ears, &ears_now), 0);
	ears_link_is(0, 3, "can0", false, false);
	assert_true(ears_blind(0, LULL_BLIND_LINK_DOWN));
	const uint32_t ticket = ears.ear[0].ticket;

	assert_true(ticket != 0);
	/* One request at a time; meanwhile it is not listened to, up or not. */
	ears_link_is(0, 3, "can0", true, true);
	assert_int_equal(ears.ear[0].ticket, ticket);
	assert_int_equal(ears_wanted(0), 0);
	wait_for_helper();
	assert_true(stderr_has("bus body: can0 is set up: 500000 bit/s, listen-only"));
	assert_int_equal(ears.ear[0].ticket, 0);
	assert_int_equal(ears_wanted(0), 3);
}

static void a_link_that_cannot_be_set_up(void **state)
{
	struct lull_fake_adapter fake = lull_fake_new("can0", false);
	const struct lull_link_io fake_io = lull_fake_link(&fake);

	(void)state;
	fake.ignores_listen_only = true;
	assert_int_equal(lull_helper_start(&ears.helper, (uid_t)-1, (gid_t)-1, false, &fake_io), 0);
	assert_int_equal(lull_ears_begin(&ears, &ears_now), 0);
	ears_link_is(0, 3, "can0", false, false);
	wait_for_helper();
	assert_true(stderr_has("lulld: error: bus body: can0 is not set up ("));
	/* Tried again after half a minute, not before. */
	ears_at(29 * LULL_SEC);
	assert_int_equal(lull_ears_tick(&ears, &ears_now), 0);
	assert_int_equal(ears.ear[0].ticket, 0);
	ears_at(40 * LULL_SEC);
	assert_int_equal(lull_ears_tick(&ears, &ears_now), 0);
	assert_true(ears.ear[0].ticket != 0);
	/* An adapter that goes takes its request with it. */
	ears_link_goes(0);
	assert_int_equal(ears.ear[0].ticket, 0);
	assert_int_equal(ears.ear[0].asked, 0);
}

static void a_helper_that_ends_is_told_once(void **state)
{
	struct lull_fake_adapter fake = lull_fake_new("can0", false);
	const struct lull_link_io fake_io = lull_fake_link(&fake);

	(void)state;
	assert_int_equal(lull_helper_start(&ears.helper, (uid_t)-1, (gid_t)-1, false, &fake_io), 0);
	assert_int_equal(lull_ears_begin(&ears, &ears_now), 0);
	assert_int_equal(kill(lull_helper_pid(ears.helper), SIGKILL), 0);
	wait_for_helper();
	assert_null(ears.helper);
	assert_true(stderr_has("the helper that sets links up has ended"));
	/* Links are taken as they are from then on. */
	ears_link_is(0, 3, "can0", false, true);
	assert_int_equal(ears.ear[0].ticket, 0);
}

/* --- books and receivers that change --- */

static void a_new_receiver_listens_again(void **state)
{
	(void)state;
	ears_listening();
	const uint32_t before = ears_generation(0);

	ears_at(20 * LULL_SEC);
	assert_int_equal(lull_ears_deaf(&ears, &ears_now), 0);
	assert_true(ears_blind(0, LULL_BLIND_NOT_LISTENING));
	assert_int_equal(ears_generation(0), before + 1);
	assert_int_equal(ears_wanted(0), 3);
	ears_put_opened(0, ears_generation(0), 0);
	assert_true(ears_hear(0));
}

static void a_new_book_knows_what_the_old_one_knew(void **state)
{
	struct lull_book *first = ears.book;
	struct lull_book_plan plan = {
		.config = &ears_config, .boot = "00000000-0000-0000-0000-000000000001", .anew = true};

	(void)state;
	ears_config.bus[0].accept_acknowledging = true;
	assert_int_equal(lull_ears_begin(&ears, &ears_now), 0);
	ears_link_is(0, 3, "can0", true, false);
	ears_put_opened(0, ears_generation(0), 0);
	assert_true(ears_hear(0));
	ears_at(20 * LULL_SEC);
	struct lull_book *second = lull_book_open(&plan, &ears_now, store_err, sizeof store_err);

	assert_non_null(second);
	assert_int_equal(lull_ears_new_book(&ears, second, &ears_now), 0);
	assert_ptr_equal(ears.book, second);
	assert_true(ears_hear(0));
	assert_true(ears_blind(1, LULL_BLIND_ADAPTER_GONE));
	assert_true(ears_blind(1, LULL_BLIND_NOT_LISTENING));
	assert_int_equal(lull_book_close(first, &ears_now), 0);
	/* The sentence on acknowledging is in the second one too. */
	assert_int_equal(lull_book_flush(second, &ears_now), 0);
	struct lull_night night;

	lull_night_init(&night);
	assert_int_equal(lull_store_load(lull_book_path(second), &night, store_err, sizeof store_err), 0);
	assert_int_equal(night.left_out.n, 1);
	lull_night_clear(&night);
}

int main(void)
{
#define EARS(name) cmocka_unit_test_setup_teardown(name, ears_set_up, ears_tear_down)
	const struct CMUnitTest tests[] = {
		EARS(nothing_is_there),
		EARS(it_comes_and_is_listened_to),
		EARS(answers_for_another_socket_do_not_count),
		EARS(one_that_would_acknowledge_is_refused),
		EARS(one_that_is_accepted_is_told_in_the_report),
		EARS(a_link_goes_down_and_comes_up),
		EARS(an_adapter_that_goes_was_heard_so_far),
		EARS(an_adapter_goes_and_comes_back_as_another),
		EARS(a_driver_that_holds_frames_back),
		EARS(a_controller_falls_silent_and_recovers),
		EARS(what_the_driver_lost_is_blind),
		EARS(a_link_that_is_down_is_set_up),
		EARS(a_link_that_cannot_be_set_up),
		EARS(a_helper_that_ends_is_told_once),
		EARS(a_new_receiver_listens_again),
		EARS(a_new_book_knows_what_the_old_one_knew),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
