/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_privileges: what the filter of the main process answers to a call: tried in the kernel, and run here for each architecture that packages
 * are made for; who it becomes, and what it keeps. */
#include <daemon/privileges.h>

#include <errno.h>
#include <linux/netlink.h>
#include <pwd.h>
#include <seccomp.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/capability.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

#include "bpf.h"

#define BIT_32 ((uint64_t)1 << 32)
#define NO (SECCOMP_RET_ERRNO | 1) /* EPERM */
#define KILL SECCOMP_RET_KILL_PROCESS
#define ALLOW SECCOMP_RET_ALLOW

static const struct bpf_asked asked[] = {
	{"read", {0}, ALLOW, true},
	{"clock_gettime", {0}, ALLOW, true},
	{"adjtimex", {0}, ALLOW, true}, /* asks whether a time service has set the clock */
	{"clock_settime", {0}, NO, true},
	{"clock_settime64", {0}, NO, false},
	{"settimeofday", {0}, NO, true},
	{"stime", {0}, NO, false},
	{"execve", {0}, NO, true},
	{"execveat", {0}, NO, true},
	{"mount", {0}, NO, true},
	{"umount", {0}, NO, false},
	{"umount2", {0}, NO, true},
	{"kexec_file_load", {0}, NO, false},
	{"pidfd_getfd", {0}, NO, true}, /* the receiver's sockets */
	{"ptrace", {0}, NO, true},
	{"io_uring_setup", {0}, NO, true},
	{"socketpair", {AF_UNIX, SOCK_STREAM}, ALLOW, true},
};

/* Of socket() alone. */
static const struct bpf_asked sockets[] = {
	{"socket", {AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC}, ALLOW, true},
	{"socket", {AF_UNIX, SOCK_SEQPACKET}, ALLOW, true},
	{"socket", {AF_UNIX | BIT_32, SOCK_STREAM}, ALLOW, true}, /* the same to the kernel */
	{"socket", {AF_INET, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC}, ALLOW, true},
	{"socket", {AF_INET, SOCK_DGRAM}, ALLOW, true},
	{"socket", {AF_INET6, SOCK_STREAM}, ALLOW, true},
	{"socket", {AF_NETLINK, SOCK_RAW | SOCK_CLOEXEC, NETLINK_ROUTE}, ALLOW, true},
	{"socket", {AF_INET, SOCK_RAW, 1}, KILL, true},
	{"socket", {AF_INET, SOCK_RAW | BIT_32, 1}, KILL, true},
	{"socket", {AF_INET | BIT_32, SOCK_RAW, 1}, KILL, true},
	{"socket", {AF_INET, SOCK_PACKET}, KILL, true},
	{"socket", {AF_INET, SOCK_PACKET | SOCK_CLOEXEC}, KILL, true},
	{"socket", {AF_INET, SOCK_PACKET | BIT_32}, KILL, true},
	{"socket", {AF_INET6, SOCK_RAW, 58}, KILL, true},
	{"socket", {AF_NETLINK, SOCK_RAW, NETLINK_GENERIC}, KILL, true},
	{"socket", {AF_NETLINK, SOCK_RAW, NETLINK_KOBJECT_UEVENT | BIT_32}, KILL, true},
	{"socket", {AF_CAN, SOCK_RAW, 1}, KILL, true},
	{"socket", {AF_CAN, SOCK_DGRAM, 2}, KILL, true},
	{"socket", {AF_CAN | BIT_32, SOCK_RAW, 1}, KILL, true},
	{"socket", {AF_CAN | BIT_32 << 31, SOCK_RAW, 1}, KILL, true},
	{"socket", {AF_PACKET, SOCK_RAW}, KILL, true},
	{"socket", {AF_PACKET | BIT_32, SOCK_RAW}, KILL, true},
	{"socket", {AF_PACKET | BIT_32 << 13, SOCK_DGRAM}, KILL, true},
	{"socket", {AF_PACKET | ~(uint64_t)UINT32_MAX, SOCK_DGRAM}, KILL, true},
	{"socket", {0}, KILL, true},
	{"socket", {AF_BLUETOOTH, SOCK_RAW}, KILL, true},
	{"socket", {AF_ALG, SOCK_SEQPACKET}, KILL, true},
	{"socket", {AF_VSOCK, SOCK_STREAM}, KILL, true},
	{"socket", {AF_XDP, SOCK_RAW}, KILL, true},
	{"socket", {UINT32_MAX, SOCK_RAW}, KILL, true},
	{"socket", {UINT64_MAX, SOCK_RAW}, KILL, true},
	{"socket", {0x80000001, SOCK_STREAM}, KILL, true},
};

static void each_call_is_answered(void **state)
{
	(void)state;
	for (size_t m = 0; m < BPF_MACHINES; m++) {
		scmp_filter_ctx ctx = bpf_filter(m, SCMP_ACT_ALLOW);

		assert_int_equal(lull_main_rules(ctx), 0);
		bpf_check(m, ctx, asked, sizeof asked / sizeof asked[0]);
		bpf_check(m, ctx, sockets, sizeof sockets / sizeof sockets[0]);
		seccomp_release(ctx);
	}
}

/* An allow list: of every family that there is or may come, those four alone. */
static void no_other_family(void **state)
{
	scmp_filter_ctx ctx = bpf_filter(0, SCMP_ACT_ALLOW);
	struct bpf_asked each[256];

	(void)state;
	assert_int_equal(lull_main_rules(ctx), 0);
	for (uint64_t i = 0; i < 256; i++) {
		const bool needed = i == AF_UNIX || i == AF_INET || i == AF_INET6 || i == AF_NETLINK;

		each[i] = (struct bpf_asked){"socket", {i, SOCK_STREAM, 0}, needed ? ALLOW : KILL, true};
	}
	bpf_check(0, ctx, each, 256);
	seccomp_release(ctx);
}

/* In a process under the filter: what ended it, or its exit status; 99: no filter can be had here. Arguments have 64 bits; a 32-bit program has
 * no such, there the kernel and the filter see the lower half. */
static int tried(const uint64_t args[3])
{
	int status;
	const pid_t pid = fork();

	if (!pid) {
		if (lull_main_confine())
			_exit(99);
		if (args)
			(void)syscall(SYS_socket, (long)args[0], (long)args[1], (long)args[2]);
		_exit(0);
	}
	assert_int_equal(waitpid(pid, &status, 0), pid);
	return WIFSIGNALED(status) ? -WTERMSIG(status) : WEXITSTATUS(status);
}

static void in_the_kernel(void **state)
{
	(void)state;
	if (tried(NULL) == 99) {
		print_message("no seccomp filter can be had here: skipped\n");
		skip();
	}
	assert_int_equal(tried(NULL), 0);
	for (size_t i = 0; i < sizeof sockets / sizeof sockets[0]; i++) {
		const int end = tried(sockets[i].args), want = sockets[i].want == ALLOW ? 0 : -SIGSYS;

		if (end != want)
			fail_msg("socket (%zu): ended with %d, not %d", i, end, want);
	}
}

static void other_calls_in_the_kernel(void **state)
{
	int status;
	const pid_t pid = fork();

	(void)state;
	if (!pid) {
		if (lull_main_confine())
			_exit(99);
		if (syscall(SYS_pidfd_getfd, -1, 0, 0) != -1 || errno != EPERM || execl("/bin/true", "true", (char *)NULL) != -1 || errno != EPERM)
			_exit(1);
		_exit(0);
	}
	assert_int_equal(waitpid(pid, &status, 0), pid);
	if (WIFEXITED(status) && WEXITSTATUS(status) == 99)
		skip();
	assert_int_equal(status, 0);
}

/* --- who it is --- */

static void identities(void **state)
{
	const struct passwd *nobody = getpwnam("nobody"); // cppcheck-suppress getpwnamCalled ; one thread
	struct lull_identity i;
	char err[256] = "";

	(void)state;
	assert_int_equal(lull_identity_find("root", &i, err, sizeof err), 0);
	assert_false(i.change);
	assert_int_equal(i.uid, geteuid());
	if (geteuid() != 0 || !nobody) {
		assert_int_equal(lull_identity_find("no-such-user", &i, err, sizeof err), 0);
		assert_false(i.change);
		return;
	}
	assert_int_equal(lull_identity_find("nobody", &i, err, sizeof err), 0);
	assert_true(i.change);
	assert_int_equal(i.uid, nobody->pw_uid);
	assert_int_equal(i.gid, nobody->pw_gid);
	assert_int_equal(lull_identity_find("no-such-user", &i, err, sizeof err), -EINVAL);
	assert_non_null(strstr(err, "there is no user 'no-such-user' to become: make one (adduser --system --group no-such-user)"));
}

/* What a process that became that user can do, as bits. */
enum { ROOT = 1, NET_ADMIN = 2, OTHER = 4, NEW_ONES = 8, BACK = 16, FAILED = 64 };

static bool other_capability(void)
{
	cap_t have = cap_get_proc();
	bool found = false;

	assert_non_null(have);
	for (cap_value_t c = 0; c <= CAP_LAST_CAP; c++) {
		cap_flag_value_t value = CAP_CLEAR;

		if (c != CAP_NET_ADMIN && !cap_get_flag(have, c, CAP_PERMITTED, &value))
			found |= value == CAP_SET;
	}
	(void)cap_free(have);
	return found;
}

static int left(const struct lull_identity *identity, bool net_admin)
{
	int status;
	const pid_t pid = fork();

	if (!pid) {
		int bits = 0;

		if (lull_privileges_drop(identity, net_admin))
			exit(FAILED);
		bits |= geteuid() == 0 || getegid() == 0 ? ROOT : 0;
		bits |= lull_privileges_net_admin() ? NET_ADMIN : 0;
		bits |= other_capability() ? OTHER : 0;
		bits |= prctl(PR_GET_NO_NEW_PRIVS, 0, 0, 0, 0) == 1 ? 0 : NEW_ONES;
		bits |= identity->uid && setresuid(0, 0, 0) == 0 ? BACK : 0;
		/* By exit(), so that what was run here is counted. */
		exit(bits);
	}
	assert_int_equal(waitpid(pid, &status, 0), pid);
	assert_true(WIFEXITED(status));
	return WEXITSTATUS(status);
}

static void what_is_left(void **state)
{
	const struct passwd *nobody = getpwnam("nobody"); // cppcheck-suppress getpwnamCalled ; one thread

	(void)state;
	if (geteuid() != 0 || !nobody || !other_capability()) {
		print_message("not root here: skipped\n");
		skip();
		return;
	}
	const struct lull_identity stay = {.uid = 0}, other = {.change = true, .uid = nobody->pw_uid, .gid = nobody->pw_gid}, self = {.uid = 12345},
				   again = {.change = true}, gone = {.change = true, .uid = 54321, .gid = 54321};
	const int net = lull_privileges_net_admin() ? NET_ADMIN : 0;

	assert_int_equal(left(&other, false), 0);
	assert_int_equal(left(&other, true), net);
	/* Root by another user's rules: no capability but that. */
	assert_int_equal(left(&again, true), ROOT | net);
	assert_int_equal(left(&again, false), ROOT);
	assert_int_equal(left(&self, true) & ~(ROOT | BACK), net);
	/* Told to stay root. */
	assert_int_equal(left(&stay, false), ROOT | net | OTHER);
	/* A user whose number is nobody's. */
	assert_int_equal(left(&gone, false), FAILED);
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(each_call_is_answered), cmocka_unit_test(no_other_family), cmocka_unit_test(in_the_kernel),
		cmocka_unit_test(other_calls_in_the_kernel), cmocka_unit_test(identities), cmocka_unit_test(what_is_left)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
