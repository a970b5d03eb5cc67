/* SPDX-License-Identifier: GPL-3.0-or-later */
/* judge: what may be concluded from small nights made by hand. Whole invented nights are in tests/nights. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "made_night.h"

static void one_goes_on(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 1, 3600);
	covered(&s, 0, 3600, LULL_OBSERVED);
	judge(&s, 3600, NULL, &v);
	const struct lull_finding *f = only(&v, LULL_HELD_AWAKE);
	assert_true(fabs(lull_seconds(v.key_off) - 60) < 1.5);
	assert_int_equal(v.key_off_by, LULL_FROM_TRAFFIC);
	assert_int_equal(f->named, 0);
	assert_int_equal(f->suspects.at[0].id_count, 1);
	assert_int_equal(f->suspects.at[0].ids[0], 0x200);
	assert_true(f->evidence.n > 0 && f->next.n > 0);
	assert_int_equal(lull_verdict_status(&v), 1);
	lull_verdict_clear(&v);
}

/* Never a single name where the evidence leaves several. The two senders differ in rhythm, so nothing joins them. */
static void two_go_on(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 1, 3600);
	sends(&s, 0x3c0, 0.2 * (1 + 60e-6), 0, 3600, 1);
	covered(&s, 0, 3600, LULL_OBSERVED);
	judge(&s, 3600, NULL, &v);
	const struct lull_finding *f = only(&v, LULL_HELD_AWAKE);
	assert_int_equal(f->named, -1);
	assert_int_equal(f->suspects.n, 2);
	lull_verdict_clear(&v);
}

static void late_alone_and_late_together(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 1, 2000);
	covered(&s, 0, 9000, LULL_OBSERVED);
	judge(&s, 9000, NULL, &v);
	const struct lull_finding *f = only(&v, LULL_LATE_TO_SLEEP);
	assert_int_equal(f->named, 0);
	assert_int_equal(f->suspects.at[0].ids[0], 0x200);
	assert_true(fabs(lull_seconds(v.bus[0].first_quiet) - 2000) < 0.2);
	lull_verdict_clear(&v);

	/* all together within 2 s: the last one heard is not the keeper by that alone */
	parks(&s, 0, 0);
	for (unsigned i = 0; i < 5; i++)
		sends(&s, 0x300 + 3 * i, 0.1 * (1 + 17e-6 * i), 0, 2000 + 0.4 * i, 7);
	covered(&s, 0, 9000, LULL_OBSERVED);
	judge(&s, 9000, NULL, &v);
	f = only(&v, LULL_LATE_TO_SLEEP);
	assert_int_equal(f->named, -1);
	assert_int_equal(f->suspects.n, 5);
	lull_verdict_clear(&v);
}

static void in_time_is_no_all_clear(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	covered(&s, 0, 20000, LULL_OBSERVED);
	judge(&s, 20000, NULL, &v);
	only(&v, LULL_DRAW_NOT_MEASURED);
	assert_int_equal(lull_verdict_status(&v), 1);
	assert_true(v.bus[0].representative);
	assert_int_equal(v.bus[0].state_at_end, LULL_BUS_QUIET);
	assert_int_equal(v.bus[0].proof_at_end, LULL_PROOF_CONTROLLER);
	lull_verdict_clear(&v);
}

/* Trade rule 6: frames that an adapter hears after it was plugged in anew say nothing of what it heard before. */
static void frames_after_a_replug_prove_nothing(void **state)
{
	(void)state;
	for (int replugged = 0; replugged < 2; replugged++) {
		struct script s = { 0 };
		struct lull_verdict v;
		parks(&s, 0, 0);
		for (int i = 0; i < 10; i++)
			once(&s, 0x101, 10000 + i, 0, 1);
		covered(&s, 0, replugged ? 5000 : 20000, LULL_OBSERVED);
		if (replugged) {
			covered(&s, 5000, 5600, LULL_BLIND_ADAPTER_GONE);
			covered(&s, 5600, 20000, LULL_OBSERVED);
		}
		judge(&s, 20000, NULL, &v);
		assert_true(v.spells.n >= 2);
		assert_int_equal(v.spells.at[v.spells.n - 2].proof, replugged ? LULL_PROOF_CONTROLLER : LULL_PROOF_FRAMES_AFTER);
		lull_verdict_clear(&v);
	}
}

/* The same frames without anything that says how long was listened: a capture is observed to its last frame only. */
static void silence_after_the_capture_is_not_quiet(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	covered(&s, 0, 105, LULL_OBSERVED); /* as an import says */
	judge(&s, 105, NULL, &v);
	only(&v, LULL_TOO_EARLY);
	assert_int_not_equal(v.bus[0].state_at_end, LULL_BUS_QUIET);
	assert_int_equal(v.bus[0].first_quiet, LULL_NEVER);
	lull_verdict_clear(&v);
}

static void port_closed_concludes_nothing(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	for (unsigned i = 0; i < 12; i++)
		sends(&s, 0x110 + 5 * i, 0.05, 0, 63, 0x77);
	marked(&s, 60, LULL_MARK_KEY_OFF);
	covered(&s, 0, 20000, LULL_OBSERVED);
	judge(&s, 20000, NULL, &v);
	const struct lull_finding *f = only(&v, LULL_DRAW_NOT_MEASURED);
	assert_true(v.bus[0].stub);
	assert_false(v.bus[0].representative);
	assert_int_equal(v.bus[0].first_quiet, LULL_NEVER);
	assert_non_null(strstr(f->text, "gateway closes the port"));
	lull_verdict_clear(&v);
}

/* The same end, but at night some of these IDs wake: no port was closed. When most of them return, the key did. */
static void what_wakes_later_was_not_closed(void **state)
{
	(void)state;
	for (unsigned back = 0; back <= 12; back += 4) {
		struct script s = { 0 };
		struct lull_verdict v;
		for (unsigned i = 0; i < 12; i++)
			sends(&s, 0x110 + 5 * i, 0.05, 0, 63, 0x77);
		for (unsigned i = 0; i < back; i++)
			sends(&s, 0x110 + 5 * i, 0.05, 9000, 9020, 0x77);
		marked(&s, 60, LULL_MARK_KEY_OFF);
		covered(&s, 0, 20000, LULL_OBSERVED);
		judge(&s, 20000, NULL, &v);
		assert_int_equal(v.bus[0].stub, back != 4);
		lull_verdict_clear(&v);
	}
}

/* A device on the port asks all night and is answered: nothing of the car beside it, and the port is closed; two IDs that go on at
 * times, and it is not. */
static void what_goes_on_beside_a_tester_was_not_closed(void **state)
{
	(void)state;
	for (unsigned on = 0; on < 2; on++) {
		struct script s = { 0 };
		struct lull_verdict v;
		for (unsigned i = 0; i < 12; i++)
			sends(&s, 0x110 + 5 * i, 0.05, 0, 63, 0x77);
		sends(&s, 0x7df, 0.5, 0, 8000, 0);
		sends(&s, 0x7e8, 0.5, 0, 8000, 0);
		for (unsigned i = 0; on && i < 150; i++) {
			double t = 70 + 31 * i + i * i / 8.0;
			sends(&s, 0x400, 0.7, t, t + 1, 0x77);
			sends(&s, 0x410, 0.9, t, t + 1, 0x77);
		}
		marked(&s, 60, LULL_MARK_KEY_OFF);
		covered(&s, 0, 8000, LULL_OBSERVED);
		judge(&s, 8000, NULL, &v);
		assert_int_equal(v.bus[0].stub, !on);
		lull_verdict_clear(&v);
	}
}

static void never_alive_is_blind(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	covered(&s, 0, 20000, LULL_OBSERVED);
	judge(&s, 20000, NULL, &v);
	only(&v, LULL_BLIND);
	assert_int_equal(v.bus[0].state_at_end, LULL_BUS_BLIND);
	lull_verdict_clear(&v);
}

static void single_frames_are_no_spells(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	for (int t = 140; t < 20000; t += 31)
		once(&s, 0x5f0, t, 1, 1);
	covered(&s, 0, 20000, LULL_OBSERVED);
	judge(&s, 20000, NULL, &v);
	const struct lull_finding *f = only(&v, LULL_DRAW_NOT_MEASURED);
	bool said = false;
	for (size_t i = 0; i < f->evidence.n; i++)
		said |= strstr(f->evidence.at[i], "Single frames of 0x5F0") != NULL;
	assert_true(said);
	lull_verdict_clear(&v);
}

/* A node that starts unacknowledged is named; the same order without that accuses nobody. */
static void wakes(struct script *s, unsigned copies)
{
	parks(s, 0, 0);
	for (unsigned k = 0; k < 6; k++) {
		double t = 3000 + 1800 * k + 37 * (k & 3);
		once(s, 0x244, t, 0xa5a5, copies);
		sends(s, 0x244, 0.1, t + 0.06, t + 20, 0xa5a5);
		sends(s, 0x211, 0.1, t + 0.05, t + 21, 0xa5a5);
		sends(s, 0x222, 0.1, t + 0.09, t + 21, 0xa5a5);
	}
	covered(s, 0, 20000, LULL_OBSERVED);
}

static void wakes_by_one_and_by_none(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	wakes(&s, 60);
	judge(&s, 20000, NULL, &v);
	const struct lull_finding *f = only(&v, LULL_WOKEN_AGAIN);
	assert_int_equal(f->named, 0);
	assert_int_equal(f->suspects.at[0].ids[0], 0x244);
	assert_int_equal(f->suspects.at[0].role, LULL_WAKER);
	lull_verdict_clear(&v);

	wakes(&s, 1);
	judge(&s, 20000, NULL, &v);
	f = only(&v, LULL_WOKEN_FROM_OUTSIDE);
	assert_int_equal(f->suspects.n, 0);
	assert_int_equal(f->named, -1);
	lull_verdict_clear(&v);
}

/* AUTOSAR: base 0x500, source at byte 0, control at byte 1; recognised by structure. All send NM until 50 s after key-off, one
 * alone goes on; everybody's application frames go on with it. */
static void network_management_names_the_asker(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	for (unsigned i = 0; i < 3; i++)
		sends(&s, 0x100 + i, 0.02, 0, 60, 0x1234);
	for (unsigned i = 0; i < 6; i++) {
		sends(&s, 0x200 + 0x11 * i, 0.1 * (1 + 13e-6 * i), 0, 3600, 0xa5a5);
		unsigned node = 3 + 5 * i;
		sends(&s, 0x500 + node, 0.5, 0.1 + 0.03 * i, node == 13 ? 3600 : 110 + 2 * i, node << 8);
	}
	covered(&s, 0, 3600, LULL_OBSERVED);
	judge(&s, 3600, NULL, &v);
	const struct lull_finding *f = only(&v, LULL_HELD_AWAKE);
	assert_int_equal(f->named, 0);
	assert_int_equal(f->suspects.at[0].ids[0], 0x50d);
	assert_int_equal(v.nodes.at[f->suspects.at[0].node_index].named_by, LULL_BY_NM);
	lull_verdict_clear(&v);
}

/* Constant bytes that happen to be an opcode of the standard make no ring: all point at one address. */
static void constant_bytes_are_no_ring(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	for (unsigned i = 0; i < 5; i++)
		sends(&s, 0x500 + i, 0.5, 0, 3600, 0x0001);
	covered(&s, 0, 3600, LULL_OBSERVED);
	judge(&s, 3600, NULL, &v);
	only(&v, LULL_HELD_AWAKE);
	for (size_t i = 0; i < v.nodes.n; i++)
		assert_int_not_equal(v.nodes.at[i].named_by, LULL_BY_NM);
	lull_verdict_clear(&v);
}

static void too_early_and_blind(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 3, 1500);
	covered(&s, 0, 1500, LULL_OBSERVED);
	judge(&s, 1500, NULL, &v);
	only(&v, LULL_TOO_EARLY);
	lull_verdict_clear(&v);

	/* the link fails two minutes after key-off and nothing is heard for hours */
	parks(&s, 3, 180);
	covered(&s, 0, 180, LULL_OBSERVED);
	covered(&s, 180, 20000, LULL_BLIND_LINK_DOWN);
	judge(&s, 20000, NULL, &v);
	only(&v, LULL_BLIND);
	lull_verdict_clear(&v);
}

static void a_dongle_is_the_asker(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	parks(&s, 0, 0);
	sends(&s, 0x7e0, 1.0, 20, 3600, 0x0201);
	sends(&s, 0x7e8, 1.0, 20.01, 3600, 0x0341);
	covered(&s, 0, 3600, LULL_OBSERVED);
	judge(&s, 3600, NULL, &v);
	const struct lull_finding *f = only(&v, LULL_HELD_AWAKE);
	assert_int_equal(f->named, 0);
	assert_int_equal(f->suspects.n, 1);
	assert_int_equal(f->suspects.at[0].ids[0], 0x7e0);
	lull_verdict_clear(&v);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(one_goes_on),
		cmocka_unit_test(two_go_on),
		cmocka_unit_test(late_alone_and_late_together),
		cmocka_unit_test(in_time_is_no_all_clear),
		cmocka_unit_test(frames_after_a_replug_prove_nothing),
		cmocka_unit_test(silence_after_the_capture_is_not_quiet),
		cmocka_unit_test(port_closed_concludes_nothing),
		cmocka_unit_test(what_wakes_later_was_not_closed),
		cmocka_unit_test(what_goes_on_beside_a_tester_was_not_closed),
		cmocka_unit_test(never_alive_is_blind),
		cmocka_unit_test(single_frames_are_no_spells),
		cmocka_unit_test(wakes_by_one_and_by_none),
		cmocka_unit_test(network_management_names_the_asker),
		cmocka_unit_test(constant_bytes_are_no_ring),
		cmocka_unit_test(too_early_and_blind),
		cmocka_unit_test(a_dongle_is_the_asker),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
