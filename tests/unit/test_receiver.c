/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_receiver: the process that listens: that it answers, and ends as told. */
#include <daemon/receiver.h>
#include <errno.h>
#include <poll.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>
#include <cmocka.h>

static void it_answers_and_ends(void **state)
{
	const struct lull_identity self = {.uid = geteuid(), .gid = getegid()};
	struct lull_receiver r;
	int err;

	(void)state;
	assert_int_equal(lull_receiver_start(&r, 500000, &self, false), 0);
	lull_receiver_ping(&r);
	for (int i = 0; i < 1000 && !lull_receiver_answered(&r); i++)
		(void)poll(NULL, 0, 10);
	assert_true(lull_receiver_answered(&r));
	/* Its answer came with a reading of both clocks. */
	const struct lull_entry *entry = lull_ring_peek(&r.shared->ring, &err);

	assert_non_null(entry);
	assert_int_equal(entry->kind, LULL_ENTRY_CLOCK);
	assert_int_equal(entry->len, 8);
	lull_ring_take(&r.shared->ring, entry);
	/* An interface that is not there: told, not fatal. Without CAN in the kernel it is the same answer of another errno. */
	lull_receiver_listen(&r, 2, 0x7ffffff0);
	for (int i = 0; i < 1000 && !(entry = lull_ring_peek(&r.shared->ring, &err)); i++)
		(void)poll(NULL, 0, 10);
	assert_non_null(entry);
	assert_int_equal(entry->kind, LULL_ENTRY_OPENED);
	assert_int_equal(entry->bus, 2);
	int answer;

	memcpy(&answer, entry->data, sizeof answer);
	assert_true(answer < 0);
	const pid_t pid = r.pid;

	lull_receiver_stop(&r);
	assert_int_equal(kill(pid, 0), -1);
	assert_int_equal(errno, ESRCH);
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(it_answers_and_ends)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
