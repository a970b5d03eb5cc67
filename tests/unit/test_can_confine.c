/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_can_confine: what the filter of a listening process leaves it: tried in the kernel, and run here for each architecture that packages are
 * made for. */
#include <source/can_confine.h>

#include <errno.h>
#include <fcntl.h>
#include <linux/audit.h>
#include <linux/can.h>
#include <linux/can/raw.h>
#include <poll.h>
#include <seccomp.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

#include "bpf.h"

#define BIT_32 ((uint64_t)1 << 32)

/* A call with arguments of 64 bits. A 32-bit program has no such, there the kernel and the filter see the lower half. */
static long raw(long call, uint64_t first, uint64_t second, uint64_t third)
{
	return syscall(call, (long)first, (long)second, (long)third);
}

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
		if (lull_can_confine(kick, &news))
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
	/* What the kernel takes for the same number is the same number. */
	(void)raw(SYS_write, (uint64_t)news | BIT_32, (uint64_t)(uintptr_t)&count, 8);
	(void)raw(SYS_close, (uint64_t)pair[0] | BIT_32, 0, 0);
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
static void by_a_freed_number_and_more(void)
{
	(void)raw(SYS_close, (uint64_t)news | BIT_32, 0, 0);
}
static void by_a_freed_number_and_all_above(void)
{
	(void)raw(SYS_close, (uint64_t)news | ~(uint64_t)UINT32_MAX, 0, 0);
}
static void by_a_negative_number(void)
{
	(void)raw(SYS_close, UINT64_MAX, 0, 0);
}
static void by_a_write_to_more(void)
{
	(void)raw(SYS_write, (uint64_t)pair[0] | BIT_32, (uint64_t)(uintptr_t)"12345678", 8);
}
static void by_a_socket_and_more(void)
{
	(void)raw(SYS_socket, AF_PACKET | BIT_32, SOCK_RAW, 0);
}
static void by_another_protocol(void)
{
	(void)raw(SYS_socket, AF_CAN, SOCK_DGRAM, CAN_BCM); /* sends by itself what it is told */
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
		{"closing the eventfd", by_a_freed_number},
		{"closing the eventfd, with bit 32", by_a_freed_number_and_more}, {"closing the eventfd, with all bits above", by_a_freed_number_and_all_above},
		{"closing -1", by_a_negative_number}, {"a write with bit 32", by_a_write_to_more}, {"a packet socket with bit 32", by_a_socket_and_more},
		{"another protocol", by_another_protocol}, {"ioctl", by_ioctl}, {"socket", by_another_socket},
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

/* The same, for all architectures. */
static void each_call_is_answered(void **state)
{
	static const uint64_t n = LULL_CAN_GUARDED + 3;
	const struct bpf_asked asked[] = {
		{"recvmmsg", {0}, SECCOMP_RET_ALLOW, true},
		{"clock_gettime", {0}, SECCOMP_RET_ALLOW, true},
		{"socket", {AF_CAN, SOCK_RAW | SOCK_CLOEXEC | SOCK_NONBLOCK, CAN_RAW}, SECCOMP_RET_ALLOW, true},
		{"socket", {AF_CAN, SOCK_DGRAM, CAN_BCM}, SECCOMP_RET_KILL_PROCESS, true},
		{"socket", {AF_PACKET, SOCK_RAW, CAN_RAW}, SECCOMP_RET_KILL_PROCESS, true},
		{"socket", {AF_PACKET | BIT_32, SOCK_RAW, CAN_RAW}, SECCOMP_RET_KILL_PROCESS, true},
		{"close", {5}, SECCOMP_RET_ALLOW, true},
		{"close", {LULL_CAN_GUARDED - 1}, SECCOMP_RET_ALLOW, true},
		{"close", {LULL_CAN_GUARDED}, SECCOMP_RET_KILL_PROCESS, true},
		{"close", {n}, SECCOMP_RET_KILL_PROCESS, true},
		{"close", {n | BIT_32}, SECCOMP_RET_KILL_PROCESS, true},
		{"close", {n | BIT_32 << 31}, SECCOMP_RET_KILL_PROCESS, true},
		{"close", {UINT32_MAX}, SECCOMP_RET_KILL_PROCESS, true},
		{"close", {UINT64_MAX}, SECCOMP_RET_KILL_PROCESS, true},
		{"write", {n, 0, 8}, SECCOMP_RET_ALLOW, true},
		{"write", {n, 0, 16}, SECCOMP_RET_KILL_PROCESS, true},
		{"write", {n - 1, 0, 8}, SECCOMP_RET_KILL_PROCESS, true},
		{"write", {5, 0, 8}, SECCOMP_RET_KILL_PROCESS, true},
		{"read", {4, 0, 8}, SECCOMP_RET_ALLOW, true},
		{"read", {5, 0, 8}, SECCOMP_RET_KILL_PROCESS, true},
		{"setsockopt", {5, SOL_SOCKET, SO_RCVBUF}, SECCOMP_RET_ALLOW, true},
		{"setsockopt", {5, SOL_CAN_RAW, CAN_RAW_ERR_FILTER}, SECCOMP_RET_ALLOW, true},
		{"setsockopt", {5, 0, 0}, SECCOMP_RET_KILL_PROCESS, true},
		{"send", {0}, SECCOMP_RET_KILL_PROCESS, false},
		{"sendto", {0}, SECCOMP_RET_KILL_PROCESS, true},
		{"sendmsg", {0}, SECCOMP_RET_KILL_PROCESS, true},
		{"sendmmsg", {0}, SECCOMP_RET_KILL_PROCESS, true},
		{"writev", {n}, SECCOMP_RET_KILL_PROCESS, true},
		{"pwrite64", {n}, SECCOMP_RET_KILL_PROCESS, true},
		{"sendfile", {n}, SECCOMP_RET_KILL_PROCESS, true},
		{"splice", {0}, SECCOMP_RET_KILL_PROCESS, true},
		{"dup", {5}, SECCOMP_RET_KILL_PROCESS, true},
		{"dup2", {5, n}, SECCOMP_RET_KILL_PROCESS, false},
		{"dup3", {5, n}, SECCOMP_RET_KILL_PROCESS, true},
		{"fcntl", {5, F_DUPFD, n}, SECCOMP_RET_KILL_PROCESS, true},
		{"close_range", {n, n}, SECCOMP_RET_KILL_PROCESS, true},
		{"ioctl", {5}, SECCOMP_RET_KILL_PROCESS, true},
		{"io_uring_enter", {5}, SECCOMP_RET_KILL_PROCESS, true},
		{"clone", {0}, SECCOMP_RET_KILL_PROCESS, true},
	};

	(void)state;
	for (size_t m = 0; m < BPF_MACHINES; m++) {
		scmp_filter_ctx ctx = bpf_filter(m, SCMP_ACT_KILL_PROCESS);

		assert_int_equal(lull_can_rules(ctx, 4, (int)n), 0);
		bpf_check(m, ctx, asked, sizeof asked / sizeof asked[0]);
		seccomp_release(ctx);
	}
}

static void without_a_kick(void **state)
{
	const struct bpf_asked asked[] = {{"read", {UINT32_MAX, 0, 8}, SECCOMP_RET_KILL_PROCESS, true}, {"read", {0, 0, 8}, SECCOMP_RET_KILL_PROCESS, true}};
	scmp_filter_ctx ctx = bpf_filter(0, SCMP_ACT_KILL_PROCESS);

	(void)state;
	assert_int_equal(lull_can_rules(ctx, -1, LULL_CAN_GUARDED), 0);
	bpf_check(0, ctx, asked, 2);
	seccomp_release(ctx);
}

/* What cannot be guarded is told, before anything holds. */
static void no_guard(void **state)
{
	struct rlimit most, few;
	int fd = -1;

	(void)state;
	assert_int_equal(lull_can_confine(-1, &fd), -EBADF);
	assert_int_equal(lull_can_rules(NULL, -1, LULL_CAN_GUARDED - 1), -EINVAL);
	/* A soft limit that is too low is raised. */
	assert_int_equal(getrlimit(RLIMIT_NOFILE, &most), 0);
	few = most;
	few.rlim_cur = 256;
	assert_int_equal(setrlimit(RLIMIT_NOFILE, &few), 0);
	assert_int_equal(lull_can_confine(-1, &fd), -EBADF);
	assert_int_equal(getrlimit(RLIMIT_NOFILE, &few), 0);
	assert_int_equal(few.rlim_cur, most.rlim_max > LULL_CAN_GUARDED ? LULL_CAN_GUARDED + 1 : most.rlim_max);
	assert_int_equal(setrlimit(RLIMIT_NOFILE, &most), 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(no_way_to_send), cmocka_unit_test(each_call_is_answered), cmocka_unit_test(without_a_kick),
		cmocka_unit_test(no_guard)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
