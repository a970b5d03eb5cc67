/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_can_helper: requests and answers over the socket pair, with a made-up adapter on the other side of it. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <linux/can/netlink.h>
#include <poll.h>
#include <signal.h>
#include <source/can_fake.h>
#include <source/can_helper.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

static const struct lull_link_spec plain = {.name = "can0", .bitrate = 500000};

static void answer(struct lull_helper *h, struct lull_helper_answer *a)
{
	struct pollfd p = {.fd = lull_helper_fd(h), .events = POLLIN};
	int r;

	while ((r = lull_helper_answer(h, a)) == -EAGAIN)
		(void)poll(&p, 1, -1);
	assert_int_equal(r, 0);
}

static void test_answers(void **unused)
{
	struct lull_fake_adapter fake = lull_fake_new("can0", false);
	const struct lull_link_io io = lull_fake_link(&fake);
	struct lull_link_spec s = plain;
	struct lull_helper_answer a;
	struct lull_helper *h;
	uint32_t first, second, ticket;

	(void)unused;
	assert_int_equal(lull_helper_start(&h, (uid_t)-1, (gid_t)-1, false, &io), 0);
	assert_int_equal(lull_helper_answer(h, &a), -EAGAIN);
	assert_int_equal(lull_helper_ask(h, &plain, &first), 0);
	(void)strcpy(s.name, "can9");
	assert_int_equal(lull_helper_ask(h, &s, &second), 0);
	answer(h, &a);
	assert_int_equal(a.ticket, first);
	assert_int_equal(a.result, LULL_LINK_SET);
	assert_int_equal(a.state.bitrate, 500000);
	assert_true(a.state.up && lull_link_listens_only(&a.state));
	answer(h, &a);
	assert_int_equal(a.ticket, second);
	assert_int_equal(a.result, LULL_LINK_ABSENT);
	assert_non_null(strstr(a.why, "can9"));
	/* What no link could be is not even sent. */
	s.name[0] = 0;
	assert_int_equal(lull_helper_ask(h, &s, &ticket), -EINVAL);
	lull_helper_stop(h);
}

/* The parent cannot talk it into acknowledging, unless it was allowed at the start. */
static void test_acknowledging(void **unused)
{
	struct lull_fake_adapter fake = lull_fake_new("can0", false);
	const struct lull_link_io io = lull_fake_link(&fake);
	struct lull_link_spec s = plain;
	struct lull_helper_answer a;
	struct lull_helper *h;
	uint32_t ticket;
	int allowed;

	(void)unused;
	fake.state.can_do &= ~(uint32_t)CAN_CTRLMODE_LISTENONLY;
	s.accept_acknowledging = true;
	for (allowed = 0; allowed < 2; allowed++) {
		assert_int_equal(lull_helper_start(&h, (uid_t)-1, (gid_t)-1, allowed, &io), 0);
		assert_int_equal(lull_helper_ask(h, &s, &ticket), 0);
		answer(h, &a);
		assert_int_equal(a.result, allowed ? LULL_LINK_SET : LULL_LINK_ACKNOWLEDGES);
		lull_helper_stop(h);
	}
}

/* What is no request gets no answer, and the next one does. */
static void test_rubbish(void **unused)
{
	static const char rubbish[4096];
	struct lull_fake_adapter fake = lull_fake_new("can0", false);
	const struct lull_link_io io = lull_fake_link(&fake);
	struct lull_helper_answer a;
	struct lull_helper *h;
	uint32_t ticket;
	size_t n;

	(void)unused;
	assert_int_equal(lull_helper_start(&h, (uid_t)-1, (gid_t)-1, false, &io), 0);
	for (n = 1; n <= sizeof rubbish; n *= 4)
		assert_int_equal(send(lull_helper_fd(h), rubbish, n, 0), n);
	assert_int_equal(lull_helper_ask(h, &plain, &ticket), 0);
	answer(h, &a);
	assert_int_equal(a.ticket, ticket);
	lull_helper_stop(h);
}

static void test_death(void **unused)
{
	struct lull_fake_adapter fake = lull_fake_new("can0", false);
	const struct lull_link_io io = lull_fake_link(&fake);
	struct pollfd p = {.events = POLLIN};
	struct lull_helper_answer a;
	struct lull_helper *h;
	uint32_t ticket;

	(void)unused;
	assert_int_equal(lull_helper_start(&h, (uid_t)-1, (gid_t)-1, false, &io), 0);
	assert_int_equal(kill(lull_helper_pid(h), SIGKILL), 0);
	p.fd = lull_helper_fd(h);
	(void)poll(&p, 1, -1);
	assert_int_equal(lull_helper_answer(h, &a), -EPIPE);
	assert_int_equal(lull_helper_ask(h, &plain, &ticket), -EPIPE);
	lull_helper_stop(h);
}

static int slow_down(void *ctx, const char *name, char *said, size_t size)
{
	(void)ctx, (void)name, (void)said, (void)size;
	for (;;)
		(void)pause();
	return 0;
}

/* More requests than fit are refused at once, and stopping does not wait for a step that hangs. */
static void test_full(void **unused)
{
	struct lull_fake_adapter fake = lull_fake_new("can0", false);
	struct lull_link_io io = lull_fake_link(&fake);
	struct lull_link_ops ops = *io.ops;
	struct lull_helper *h;
	uint32_t ticket;
	int i, r = 0;

	(void)unused;
	ops.down = slow_down;
	io.ops = &ops;
	assert_int_equal(lull_helper_start(&h, (uid_t)-1, (gid_t)-1, false, &io), 0);
	for (i = 0; i < 100000 && !r; i++)
		r = lull_helper_ask(h, &plain, &ticket);
	assert_int_equal(r, -EAGAIN);
	lull_helper_stop(h);
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(test_answers), cmocka_unit_test(test_acknowledging),
		cmocka_unit_test(test_rubbish), cmocka_unit_test(test_death), cmocka_unit_test(test_full)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
