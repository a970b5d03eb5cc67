/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_can_link: a link never comes up after a step that failed, nor without listen-only; what the kernel tells is read. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <linux/can/netlink.h>
#include <linux/if_arp.h>
#include <linux/if_link.h>
#include <linux/rtnetlink.h>
#include <source/can_fake.h>
#include <source/can_guard.h>
#include <source/can_route.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const struct lull_link_spec plain = {.name = "can0", .bitrate = 500000};

static enum lull_link_result setup(struct lull_fake_adapter *a, const struct lull_link_spec *s, struct lull_link_state *state, char why[160])
{
	const struct lull_link_io io = lull_fake_link(a);

	return lull_link_setup(&io, s, state, why, 160);
}

/* Down, set, read back, up, read back: in this order and no other. */
static void test_order(void **unused)
{
	struct lull_fake_adapter a = lull_fake_new("can0", false);
	struct lull_link_state state;
	char why[160];

	(void)unused;
	a.state.up = true; /* as somebody left it */
	assert_int_equal(setup(&a, &plain, &state, why), LULL_LINK_SET);
	assert_string_equal(a.log, "qDSqUq");
	assert_string_equal(why, "");
	assert_true(state.up);
	assert_int_equal(state.bitrate, 500000);
	assert_true(lull_link_listens_only(&state));
	assert_true(lull_link_shows_bus_errors(&state));
	assert_false(a.acknowledged);
}

static void test_failures(void **unused)
{
	static const struct {
		const char *name;
		int query, down, set, up;
		bool ignores, loses, vanishes, no_listen_only;
		uint32_t other_rate, most_rate;
		enum lull_link_result want;
		const char *word; /* in the sentence */
	} cases[] = {
		{.name = "no such interface", .query = -ENODEV, .want = LULL_LINK_ABSENT, .word = "not there"},
		{.name = "hangs at the first look", .query = -ETIMEDOUT, .want = LULL_LINK_LATE, .word = "in time"},
		{.name = "may not", .down = -EPERM, .want = LULL_LINK_FORBIDDEN, .word = "root"},
		{.name = "hangs while set", .set = -ETIMEDOUT, .want = LULL_LINK_LATE, .word = "in time"},
		{.name = "set fails", .set = -EIO, .want = LULL_LINK_FAILED, .word = "failed"},
		{.name = "no such rate", .most_rate = 125000, .want = LULL_LINK_NO_RATE, .word = "500000"},
		{.name = "set refused", .set = -EOPNOTSUPP, .want = LULL_LINK_ACKNOWLEDGES, .word = "acknowledge"},
		{.name = "driver without listen-only", .no_listen_only = true, .want = LULL_LINK_ACKNOWLEDGES, .word = "acknowledge"},
		{.name = "flag taken and not kept", .ignores = true, .want = LULL_LINK_ACKNOWLEDGES, .word = "acknowledge"},
		{.name = "flag lost when up", .loses = true, .want = LULL_LINK_ACKNOWLEDGES, .word = "acknowledge"},
		{.name = "another rate came out", .other_rate = 480000, .want = LULL_LINK_NO_RATE, .word = "480000"},
		{.name = "does not come up", .up = -EIO, .want = LULL_LINK_FAILED, .word = "bringing it up"},
		{.name = "vanishes", .vanishes = true, .want = LULL_LINK_ABSENT, .word = "not there"},
	};
	size_t i;

	(void)unused;
	for (i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		struct lull_fake_adapter a = lull_fake_new("can0", false);
		struct lull_link_state state;
		enum lull_link_result r;
		char why[160];

		a.fail_query = cases[i].query;
		a.fail_down = cases[i].down;
		a.fail_set = cases[i].set;
		a.fail_up = cases[i].up;
		a.ignores_listen_only = cases[i].ignores;
		a.loses_listen_only = cases[i].loses;
		a.vanishes_on_up = cases[i].vanishes;
		a.other_rate = cases[i].other_rate;
		a.most_rate = cases[i].most_rate;
		if (cases[i].no_listen_only)
			a.state.can_do &= ~(uint32_t)CAN_CTRLMODE_LISTENONLY;
		r = setup(&a, &plain, &state, why);
		if (r != cases[i].want || !strstr(why, cases[i].word))
			fail_msg("%s: %s: '%s' (%s)", cases[i].name, lull_link_result_name(r), why, a.log);
		/* Whatever went wrong: it is not up, and only the driver that loses the flag was ever up without it. */
		if (!cases[i].down && !cases[i].query && !cases[i].vanishes)
			assert_false(a.state.up);
		assert_int_equal(a.acknowledged, cases[i].loses);
		if (cases[i].set || cases[i].ignores || cases[i].other_rate || cases[i].most_rate || cases[i].no_listen_only)
			assert_null(strchr(a.log, 'U'));
	}
}

static void test_accepted(void **unused)
{
	struct lull_fake_adapter a = lull_fake_new("can0", false);
	struct lull_link_spec s = plain;
	struct lull_link_state state;
	char why[160];

	(void)unused;
	s.accept_acknowledging = true;
	a.state.can_do &= ~(uint32_t)CAN_CTRLMODE_LISTENONLY;
	assert_int_equal(setup(&a, &s, &state, why), LULL_LINK_SET);
	assert_false(lull_link_listens_only(&state));
	/* Where it can be had it is had all the same. */
	a = lull_fake_new("can0", false);
	assert_int_equal(setup(&a, &s, &state, why), LULL_LINK_SET);
	assert_true(lull_link_listens_only(&state));
	/* A kernel that does not tell what is possible: found out by trying. */
	a = lull_fake_new("can0", false);
	a.state.can_do_known = false;
	a.state.can_do = CAN_CTRLMODE_LOOPBACK;
	assert_int_equal(setup(&a, &plain, &state, why), LULL_LINK_ACKNOWLEDGES);
	assert_string_equal(a.log, "qDSSDq");
	assert_int_equal(setup(&a, &s, &state, why), LULL_LINK_SET);
	/* Listen-only without bus errors: found out too. */
	a = lull_fake_new("can0", false);
	a.state.can_do_known = false;
	a.state.can_do = CAN_CTRLMODE_LISTENONLY;
	assert_int_equal(setup(&a, &plain, &state, why), LULL_LINK_SET);
	assert_true(lull_link_listens_only(&state));
	assert_false(lull_link_shows_bus_errors(&state));
}

static void test_kinds(void **unused)
{
	struct lull_fake_adapter a = lull_fake_new("can0", false);
	struct lull_link_spec s = plain;
	struct lull_link_state state;
	char why[160];

	(void)unused;
	a.state.can = false;
	assert_int_equal(setup(&a, &plain, &state, why), LULL_LINK_NO_CAN);
	assert_string_equal(a.log, "q"); /* an Ethernet port is not touched */
	/* An old serial-line driver: a CAN interface that knows no modes. */
	a = lull_fake_new("can0", false);
	a.state.kind[0] = 0;
	a.state.up = true;
	assert_int_equal(setup(&a, &plain, &state, why), LULL_LINK_ACKNOWLEDGES);
	assert_false(a.state.up);
	/* vcan: nothing to set, nothing to acknowledge with. */
	a = lull_fake_new("can0", false);
	a.state.simulated = true;
	s.bitrate = 0;
	assert_int_equal(setup(&a, &s, &state, why), LULL_LINK_SET);
	assert_string_equal(a.log, "qUq");
	assert_true(lull_link_listens_only(&state));
	a = lull_fake_new("can0", false);
	assert_int_equal(setup(&a, &s, &state, why), LULL_LINK_NO_RATE);
	s = plain;
	s.keep_down = true;
	assert_int_equal(setup(&a, &s, &state, why), LULL_LINK_SET);
	assert_false(state.up);
}

static void test_fd(void **unused)
{
	struct lull_link_spec s = plain;
	struct lull_fake_adapter a = lull_fake_new("can0", true);
	struct lull_link_state state;
	char why[160];

	(void)unused;
	s.fd_bitrate = 2000000;
	assert_int_equal(setup(&a, &s, &state, why), LULL_LINK_SET);
	assert_int_equal(state.fd_bitrate, 2000000);
	assert_int_equal(state.mtu, 72);
	/* Back to classical: the flag goes. */
	assert_int_equal(setup(&a, &plain, &state, why), LULL_LINK_SET);
	assert_int_equal(state.modes & CAN_CTRLMODE_FD, 0);
	a.most_fd_rate = 1000000;
	assert_int_equal(setup(&a, &s, &state, why), LULL_LINK_NO_RATE);
	a = lull_fake_new("can0", false);
	assert_int_equal(setup(&a, &s, &state, why), LULL_LINK_NO_FD);
	assert_non_null(strstr(why, "no CAN FD"));
	assert_null(strchr(a.log, 'U'));
}

static void test_spec(void **unused)
{
	static const char *const bad_names[] = {"", "a/b", "can 0", "can\t0", ".", "..", "x:1", "%d"};
	struct lull_link_spec s = plain;
	char why[160];
	size_t i;

	(void)unused;
	assert_int_equal(lull_link_spec_check(&plain, why, sizeof why), 0);
	for (i = 0; i < sizeof bad_names / sizeof bad_names[0]; i++) {
		(void)snprintf(s.name, sizeof s.name, "%s", bad_names[i]);
		assert_int_equal(lull_link_spec_check(&s, why, sizeof why), -EINVAL);
	}
	s = plain;
	memset(s.name, 'x', sizeof s.name); /* no terminator */
	assert_int_equal(lull_link_spec_check(&s, why, sizeof why), -EINVAL);
	s = plain;
	s.bitrate = 999;
	assert_int_equal(lull_link_spec_check(&s, why, sizeof why), -EINVAL);
	s = plain;
	s.sample_permille = 1000;
	assert_int_equal(lull_link_spec_check(&s, why, sizeof why), -EINVAL);
	s = plain;
	s.fd_bitrate = 250000;
	assert_int_equal(lull_link_spec_check(&s, why, sizeof why), -EINVAL);
}

/* --- rtnetlink messages, built by hand --- */

struct built {
	_Alignas(struct nlmsghdr) char bytes[4096];
};

static struct nlmsghdr *head(struct built *b)
{
	return (struct nlmsghdr *)(void *)b->bytes;
}

static struct rtattr *put(struct built *b, unsigned short type, const void *data, size_t n)
{
	struct rtattr *a = (struct rtattr *)(void *)(b->bytes + NLMSG_ALIGN(head(b)->nlmsg_len));

	a->rta_type = type;
	a->rta_len = (unsigned short)RTA_LENGTH(n);
	if (n)
		memcpy(RTA_DATA(a), data, n);
	head(b)->nlmsg_len = (uint32_t)(NLMSG_ALIGN(head(b)->nlmsg_len) + RTA_ALIGN(a->rta_len));
	return a;
}

static void end(const struct built *b, struct rtattr *nest)
{
	nest->rta_len = (unsigned short)(b->bytes + ((const struct nlmsghdr *)(const void *)b->bytes)->nlmsg_len - (char *)nest);
}

static void build(struct built *b)
{
	const struct can_bittiming timing = {.bitrate = 83333, .sample_point = 875};
	const struct can_ctrlmode mode = {.flags = CAN_CTRLMODE_LISTENONLY};
	const struct can_berr_counter berr = {.txerr = 3, .rxerr = 131};
	const struct can_device_stats stats = {.bus_error = 77, .error_passive = 1};
	const struct rtnl_link_stats64 counts = {.rx_packets = 1234, .tx_packets = 0, .rx_dropped = 2, .rx_over_errors = 3};
	const uint32_t state = CAN_STATE_ERROR_PASSIVE, possible = CAN_CTRLMODE_LISTENONLY | CAN_CTRLMODE_LOOPBACK, mtu = 16;
	struct ifinfomsg *info;
	struct rtattr *link, *data, *ext;

	memset(b, 0, sizeof *b);
	head(b)->nlmsg_type = RTM_NEWLINK;
	head(b)->nlmsg_len = (uint32_t)NLMSG_LENGTH(sizeof *info);
	info = NLMSG_DATA(head(b));
	info->ifi_index = 12;
	info->ifi_type = ARPHRD_CAN;
	info->ifi_flags = 1; /* IFF_UP */
	(void)put(b, IFLA_IFNAME, "can7", 5);
	(void)put(b, IFLA_MTU, &mtu, sizeof mtu);
	(void)put(b, IFLA_STATS64, &counts, sizeof counts);
	link = put(b, IFLA_LINKINFO, NULL, 0);
	(void)put(b, IFLA_INFO_KIND, "can", 4);
	(void)put(b, IFLA_INFO_XSTATS, &stats, sizeof stats);
	data = put(b, IFLA_INFO_DATA, NULL, 0);
	(void)put(b, IFLA_CAN_BITTIMING, &timing, sizeof timing);
	(void)put(b, IFLA_CAN_CTRLMODE, &mode, sizeof mode);
	(void)put(b, IFLA_CAN_STATE, &state, sizeof state);
	(void)put(b, IFLA_CAN_BERR_COUNTER, &berr, sizeof berr);
	ext = put(b, IFLA_CAN_CTRLMODE_EXT, NULL, 0);
	(void)put(b, IFLA_CAN_CTRLMODE_SUPPORTED, &possible, sizeof possible);
	end(b, ext);
	end(b, data);
	end(b, link);
}

static void test_parse(void **unused)
{
	struct built b;
	struct lull_link_state s;
	uint32_t n, whole;

	(void)unused;
	build(&b);
	assert_int_equal(lull_route_parse(head(&b), &s), 0);
	assert_string_equal(s.name, "can7");
	assert_int_equal(s.index, 12);
	assert_true(s.can && s.up && !s.running && !s.simulated && s.counted && s.can_do_known);
	assert_int_equal(s.bitrate, 83333);
	assert_int_equal(s.sample_permille, 875);
	assert_int_equal(s.controller, LULL_CONTROLLER_PASSIVE);
	assert_int_equal(s.errors_received, 131);
	assert_int_equal(s.bus_errors, 77);
	assert_int_equal(s.to_passive, 1);
	assert_int_equal(s.frames_received, 1234);
	assert_int_equal(s.frames_lost, 5);
	assert_true(lull_link_listens_only(&s));
	assert_int_equal(s.can_do, CAN_CTRLMODE_LISTENONLY | CAN_CTRLMODE_LOOPBACK);
	/* Cut anywhere: no more than a refusal or fewer facts (the sanitizers watch). */
	whole = head(&b)->nlmsg_len;
	for (n = 0; n < whole; n++) {
		build(&b);
		head(&b)->nlmsg_len = n;
		if (n < NLMSG_LENGTH(sizeof(struct ifinfomsg)))
			assert_int_equal(lull_route_parse(head(&b), &s), -EBADMSG);
		else
			(void)!lull_route_parse(head(&b), &s);
	}
	build(&b);
	head(&b)->nlmsg_type = RTM_NEWADDR;
	assert_int_equal(lull_route_parse(head(&b), &s), -EBADMSG);
}

static void test_kernel_query(void **unused)
{
	const struct lull_link_io io = lull_link_kernel();
	struct lull_link_state s;

	(void)unused;
	/* Every machine has a loopback interface, and it is no CAN. */
	if (lull_link_query(&io, "lo", &s)) {
		print_message("no loopback interface here\n");
		skip();
	}
	assert_string_equal(s.name, "lo");
	assert_false(s.can);
	assert_int_equal(lull_link_query(&io, "no-such-if", &s), -ENODEV);
}

/* --- the guard --- */

static int says_and_fails(const void *arg)
{
	(void)arg;
	(void)!write(STDERR_FILENO, "RTNETLINK answers: Device or resource busy\n", 43);
	(void)!write(STDOUT_FILENO, "not for the user\n", 17);
	return -EBUSY;
}

static int hangs(const void *arg)
{
	(void)arg;
	for (;;)
		(void)pause();
	return 0;
}

static int dies(const void *arg)
{
	(void)arg;
	abort();
}

static int fine(const void *arg)
{
	return *(const int *)arg == 42 ? 0 : -EINVAL;
}

static void test_guard(void **unused)
{
	const int answer = 42;
	char said[24];

	(void)unused;
	assert_int_equal(lull_guard_run(fine, &answer, 60000, said, sizeof said), 0);
	assert_string_equal(said, "");
	assert_int_equal(lull_guard_run(says_and_fails, NULL, 60000, said, sizeof said), -EBUSY);
	assert_string_equal(said, "RTNETLINK answers: Devi"); /* cut to fit */
	assert_int_equal(lull_guard_run(hangs, NULL, 50, said, sizeof said), -ETIMEDOUT);
	assert_int_equal(lull_guard_run(dies, NULL, 60000, said, sizeof said), -ECHILD);
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(test_order), cmocka_unit_test(test_failures),
		cmocka_unit_test(test_accepted), cmocka_unit_test(test_kinds), cmocka_unit_test(test_fd), cmocka_unit_test(test_spec),
		cmocka_unit_test(test_parse), cmocka_unit_test(test_kernel_query), cmocka_unit_test(test_guard)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
