/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_receiver: the process that listens: what its filter leaves it, and that it ends as told. */
#include <daemon/receiver.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>
#include <cmocka.h>

static int pair[2], kick, news;

static void open_all(void)
{
	assert_int_equal(socketpair(AF_UNIX, SOCK_DGRAM, 0, pair), 0);
	kick = eventfd(0, EFD_NONBLOCK);
	news = eventfd(0, EFD_NONBLOCK);
	assert_true(kick >= 0 && news >= 0);
}

static void close_all(void)
{
	(void)close(pair[0]);
	(void)close(pair[1]);
	(void)close(kick);
	(void)close(news);
}

/* Runs `attempt` in a confined process: 0 if it lived, the signal that ended it, or -1: no filter can be had here. */
static int confined(void (*attempt)(void))
{
	int status;
	const pid_t pid = fork();

	if (!pid) {
		if (lull_receiver_confine(kick, news))
			_exit(99);
		attempt();
		_exit(0);
	}
	assert_int_equal(waitpid(pid, &status, 0), pid);
	if (WIFSIGNALED(status))
		return WTERMSIG(status);
	return WEXITSTATUS(status) == 99 ? -1 : WEXITSTATUS(status);
}

static void nothing(void)
{
}
static void its_work(void)
{
	eventfd_t count;
	struct timespec ts;
	struct pollfd p = {.fd = kick, .events = POLLIN};

	(void)eventfd_write(news, 1);
	(void)eventfd_read(kick, &count);
	(void)poll(&p, 1, 0);
	(void)clock_gettime(CLOCK_BOOTTIME, &ts);
	(void)close(pair[1]);
}
static void by_send(void)
{
	(void)!send(pair[0], "x", 1, 0);
}
static void by_sendto(void)
{
	(void)!sendto(pair[0], "x", 1, 0, NULL, 0);
}
static void by_sendmsg(void)
{
	struct iovec part = {"x", 1};
	struct msghdr m = {.msg_iov = &part, .msg_iovlen = 1};

	(void)!sendmsg(pair[0], &m, 0);
}
static void by_sendmmsg(void)
{
	struct iovec part = {"x", 1};
	struct mmsghdr m = {.msg_hdr = {.msg_iov = &part, .msg_iovlen = 1}};

	(void)!sendmmsg(pair[0], &m, 1, 0);
}
static void by_write(void)
{
	(void)!write(pair[0], "12345678", 8);
}
static void by_long_write(void)
{
	(void)!write(news, "1234567812345678", 16);
}
static void by_writev(void)
{
	struct iovec part = {"x", 1};

	(void)!writev(pair[0], &part, 1);
}
static void by_a_second_number(void)
{
	(void)dup2(pair[0], news);
}
static void by_a_freed_number(void)
{
	(void)close(news);
}
static void by_ioctl(void)
{
	(void)syscall(SYS_ioctl, pair[0], 0, 0);
}
static void by_another_socket(void)
{
	const int fd = socket(AF_INET, SOCK_DGRAM, 0);

	if (fd >= 0)
		(void)close(fd);
}
static void by_another_program(void)
{
	(void)execl("/bin/true", "true", (char *)NULL);
}

static void no_way_to_send(void **state)
{
	static const struct {
		const char *name;
		void (*attempt)(void);
	} ways[] = {{"send", by_send}, {"sendto", by_sendto}, {"sendmsg", by_sendmsg}, {"sendmmsg", by_sendmmsg}, {"write", by_write},
		{"a longer write to the eventfd", by_long_write}, {"writev", by_writev}, {"dup2", by_a_second_number},
		{"closing the eventfd", by_a_freed_number}, {"ioctl", by_ioctl}, {"socket", by_another_socket},
		{"execve", by_another_program}};

	(void)state;
	open_all();
	const int bare = confined(nothing);

	if (bare) {
		close_all();
		print_message("no seccomp filter can be had here (%d): skipped\n", bare);
		skip();
	}
	assert_int_equal(confined(its_work), 0);
	for (size_t i = 0; i < sizeof ways / sizeof ways[0]; i++) {
		const int end = confined(ways[i].attempt);

		if (end != SIGSYS)
			fail_msg("%s: ended with %d, not by the filter", ways[i].name, end);
	}
	/* Nothing has reached the other end. */
	char byte;

	assert_true(recv(pair[1], &byte, 1, MSG_DONTWAIT) < 0);
	close_all();
}

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
	const struct CMUnitTest tests[] = {cmocka_unit_test(no_way_to_send), cmocka_unit_test(it_answers_and_ends)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
