/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_can_search: each of the answers, from a made-up bus; and that no try ever acknowledges. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <linux/can/error.h>
#include <linux/can/netlink.h>
#include <source/can_fake.h>
#include <string.h>

static void run(struct lull_fake_adapter *a, enum lull_transceiver p, struct lull_search *s)
{
	const struct lull_search_io io = lull_fake_search(a);

	lull_search_run(&io, "can0", 2 * LULL_SEC, p, s);
	assert_false(a->acknowledged);
	assert_false(a->state.up);
}

static void test_rates(void **unused)
{
	/* Issue: the rates that a search must know. */
	static const uint32_t rates[] = {1000000, 800000, 500000, 250000, 125000, 100000, 83333, 50000, 33333};
	size_t i;

	(void)unused;
	for (i = 0; i < sizeof rates / sizeof rates[0]; i++) {
		struct lull_fake_adapter a = lull_fake_new("can0", false);
		struct lull_search s;

		a.bus_rate = rates[i];
		a.classical_per_s = 200;
		run(&a, LULL_TRANSCEIVER_UNKNOWN, &s);
		assert_int_equal(s.answer, LULL_SEARCH_FOUND);
		assert_int_equal(s.tries[s.best].bitrate, rates[i]);
		assert_int_equal(s.tries[s.best].fd_bitrate, 0);
		/* The same where wrong rates look like silence. */
		a = lull_fake_new("can0", false);
		a.bus_rate = rates[i];
		a.classical_per_s = 200;
		a.shows_errors = false;
		run(&a, LULL_TRANSCEIVER_UNKNOWN, &s);
		assert_int_equal(s.answer, LULL_SEARCH_FOUND);
		assert_int_equal(s.tries[s.best].bitrate, rates[i]);
	}
}

static void test_answers(void **unused)
{
	static const struct {
		const char *name;
		uint32_t bus, bus_fd;
		unsigned classical, fd;
		bool fd_adapter, lone, stuck, blind, passes;
		enum lull_search_answer want;
		uint32_t rate, fd_rate;
		const char *word;
	} cases[] = {
		{.name = "silence", .want = LULL_SEARCH_NOTHING, .word = "gateway"},
		{.name = "silence, errors not shown", .blind = true, .want = LULL_SEARCH_NOTHING, .word = "looks just like silence"},
		{.name = "an unusual rate", .bus = 617000, .classical = 100, .want = LULL_SEARCH_ONLY_ERRORS, .word = "no usual rate"},
		{.name = "a line that never rests", .stuck = true, .want = LULL_SEARCH_TRANSCEIVER, .word = "transceiver"},
		{.name = "one sender alone", .bus = 500000, .classical = 3000, .lone = true, .want = LULL_SEARCH_LONE_SENDER,
			.rate = 500000, .word = "nobody acknowledges"},
		{.name = "FD among classical, classical adapter", .bus = 500000, .bus_fd = 2000000, .classical = 50, .fd = 50,
			.want = LULL_SEARCH_POSSIBLY_FD, .rate = 500000, .word = "possibly CAN FD"},
		{.name = "FD only, classical adapter", .bus = 500000, .bus_fd = 2000000, .fd = 100, .want = LULL_SEARCH_ONLY_ERRORS,
			.word = "CAN FD at an adapter that cannot"},
		{.name = "FD among classical", .bus = 500000, .bus_fd = 5000000, .classical = 50, .fd = 50, .fd_adapter = true,
			.want = LULL_SEARCH_FOUND, .rate = 500000, .fd_rate = 5000000, .word = ""},
		{.name = "FD only", .bus = 500000, .bus_fd = 4000000, .fd = 100, .fd_adapter = true, .want = LULL_SEARCH_FOUND,
			.rate = 500000, .fd_rate = 4000000, .word = ""},
		{.name = "FD with an unusual data rate", .bus = 500000, .bus_fd = 3000000, .classical = 50, .fd = 50, .fd_adapter = true,
			.want = LULL_SEARCH_POSSIBLY_FD, .rate = 500000, .word = "possibly CAN FD"},
		{.name = "FD passed over without a word", .bus = 500000, .bus_fd = 5000000, .classical = 50, .fd = 50, .fd_adapter = true,
			.passes = true, .want = LULL_SEARCH_FOUND, .rate = 500000, .fd_rate = 5000000, .word = ""},
		{.name = "the same with an unusual data rate", .bus = 500000, .bus_fd = 3000000, .classical = 50, .fd = 50,
			.fd_adapter = true, .passes = true, .want = LULL_SEARCH_POSSIBLY_FD, .rate = 500000, .word = "would not be seen"},
		{.name = "classical, FD adapter", .bus = 500000, .classical = 50, .fd_adapter = true, .want = LULL_SEARCH_FOUND,
			.rate = 500000, .word = ""},
		{.name = "hardly any frames", .bus = 500000, .classical = 2, .want = LULL_SEARCH_UNCLEAR, .rate = 500000,
			.word = "Listen longer"},
		{.name = "single-wire rate", .bus = 33333, .classical = 40, .want = LULL_SEARCH_FOUND, .rate = 33333,
			.word = "single-wire"},
	};
	size_t i;

	(void)unused;
	for (i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		struct lull_fake_adapter a = lull_fake_new("can0", cases[i].fd_adapter);
		struct lull_search s;

		a.bus_rate = cases[i].bus;
		a.bus_fd_rate = cases[i].bus_fd;
		a.classical_per_s = cases[i].classical;
		a.fd_per_s = cases[i].fd;
		a.lone_sender = cases[i].lone;
		a.stuck_dominant = cases[i].stuck;
		a.passes_over_fd = cases[i].passes;
		if (cases[i].blind) {
			a.shows_errors = false;
			a.state.can_do &= ~(uint32_t)CAN_CTRLMODE_BERR_REPORTING;
		}
		run(&a, LULL_TRANSCEIVER_UNKNOWN, &s);
		if (s.answer != cases[i].want || !strstr(s.why, cases[i].word))
			fail_msg("%s: %s: '%s'", cases[i].name, lull_search_answer_name(s.answer), s.why);
		if (cases[i].rate) {
			assert_in_range(s.best, 0, s.n - 1);
			assert_int_equal(s.tries[s.best].bitrate, cases[i].rate);
			assert_int_equal(s.tries[s.best].fd_bitrate, cases[i].fd_rate);
		}
	}
}

/* A high-speed transceiver is not tried at rates of single-wire buses, and the other way round. */
static void test_physical(void **unused)
{
	struct lull_search s;
	enum lull_transceiver p;
	size_t i;

	(void)unused;
	lull_search_plan(&s, LULL_TRANSCEIVER_SINGLE_WIRE, true);
	assert_int_equal(s.n, 2);
	lull_search_plan(&s, LULL_TRANSCEIVER_HIGH_SPEED, false);
	for (i = 0; i < s.n; i++)
		assert_int_not_equal(s.tries[i].bitrate, 33333);
	lull_search_plan(&s, LULL_TRANSCEIVER_FAULT_TOLERANT, true);
	for (i = 0; i < s.n; i++)
		assert_true(s.tries[i].bitrate <= 125000 && !s.tries[i].fd_bitrate);
	assert_int_equal(lull_transceiver_parse("fault-tolerant", &p), 0);
	assert_int_equal(p, LULL_TRANSCEIVER_FAULT_TOLERANT);
	assert_int_equal(lull_transceiver_parse("optical", &p), -EINVAL);
}

static void test_adapter(void **unused)
{
	struct lull_fake_adapter a = lull_fake_new("can0", false);
	struct lull_search s;

	(void)unused;
	/* No listen-only: not a single try. */
	a.state.can_do &= ~(uint32_t)CAN_CTRLMODE_LISTENONLY;
	a.bus_rate = 500000;
	a.classical_per_s = 200;
	run(&a, LULL_TRANSCEIVER_UNKNOWN, &s);
	assert_int_equal(s.answer, LULL_SEARCH_FAILED);
	assert_int_equal(s.setup, LULL_LINK_ACKNOWLEDGES);
	assert_null(strchr(a.log, 'U'));
	/* A controller that cannot make some rates: they are passed over. */
	a = lull_fake_new("can0", false);
	a.most_rate = 125000;
	a.bus_rate = 125000;
	a.classical_per_s = 200;
	run(&a, LULL_TRANSCEIVER_UNKNOWN, &s);
	assert_int_equal(s.answer, LULL_SEARCH_FOUND);
	assert_int_equal(s.tries[s.best].bitrate, 125000);
	/* It can make none. */
	a = lull_fake_new("can0", false);
	a.most_rate = 10000;
	run(&a, LULL_TRANSCEIVER_UNKNOWN, &s);
	assert_int_equal(s.answer, LULL_SEARCH_FAILED);
	/* Unplugged in the middle. */
	a = lull_fake_new("can0", false);
	a.vanishes_on_up = true;
	run(&a, LULL_TRANSCEIVER_UNKNOWN, &s);
	assert_int_equal(s.answer, LULL_SEARCH_FAILED);
	assert_int_equal(s.setup, LULL_LINK_ABSENT);
}

static void test_heard(void **unused)
{
	struct lull_heard h = {0};
	struct lull_frame f = {.flags = LULL_FRAME_ERROR};
	uint32_t last = LULL_ID_NONE;
	lull_time t = LULL_NEVER / 2;
	uint32_t i;

	(void)unused;
	/* Changes of state and full queues say nothing of the rate. */
	f.id = CAN_ERR_CRTL;
	lull_heard_frame(&h, &f, &last, &t);
	assert_int_equal(h.errors, 0);
	f.id = CAN_ERR_PROT | CAN_ERR_BUSERROR;
	lull_heard_frame(&h, &f, &last, &t);
	assert_int_equal(h.errors, 1);
	f.flags = 0;
	for (i = 0; i < 200; i++) {
		f.id = i;
		f.t = (lull_time)i * LULL_SEC;
		lull_heard_frame(&h, &f, &last, &t);
	}
	assert_int_equal(h.ids, 64); /* bounded */
	assert_int_equal(h.frames, 200);
	assert_int_equal(h.repeated, 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(test_rates), cmocka_unit_test(test_answers), cmocka_unit_test(test_physical),
		cmocka_unit_test(test_adapter), cmocka_unit_test(test_heard)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
