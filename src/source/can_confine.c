/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_confine: the calls that a process that listens has left. */
#include <source/can_confine.h>
#include <source/seccomp_args.h>

#include <errno.h>
#include <fcntl.h>
#include <linux/can.h>
#include <linux/can/raw.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <unistd.h>

/* Any arguments. */
static const int plain[] = {
	SCMP_SYS(poll),
	SCMP_SYS(ppoll),
	SCMP_SYS(ppoll_time64),
	SCMP_SYS(recvmmsg),
	SCMP_SYS(recvmmsg_time64),
	SCMP_SYS(clock_gettime),
	SCMP_SYS(clock_gettime64),
	SCMP_SYS(bind),
	SCMP_SYS(getsockopt),
	SCMP_SYS(exit),
	SCMP_SYS(exit_group),
	SCMP_SYS(rt_sigreturn),
	SCMP_SYS(restart_syscall),
	SCMP_SYS(munmap),
};

static int allow(scmp_filter_ctx ctx, int call, unsigned n, const struct scmp_arg_cmp *args)
{
	return seccomp_rule_add_array(ctx, SCMP_ACT_ALLOW, call, n, args);
}

int lull_can_rules(void *ctx, int kick, int news)
{
	const struct scmp_arg_cmp news_8[] = {LULL_ARG_IS(0, news), SCMP_A2_64(SCMP_CMP_EQ, 8, 0)};
	const struct scmp_arg_cmp kick_8[] = {LULL_ARG_IS(0, kick), SCMP_A2_64(SCMP_CMP_EQ, 8, 0)};
	const struct scmp_arg_cmp raw_can[] = {
		LULL_ARG_IS(0, AF_CAN), LULL_ARG_BITS(1, LULL_SOCKET_KIND, SOCK_RAW), LULL_ARG_IS(2, CAN_RAW)};
	const struct scmp_arg_cmp of_socket[] = {LULL_ARG_IS(1, SOL_SOCKET)};
	const struct scmp_arg_cmp of_raw[] = {LULL_ARG_IS(1, SOL_CAN_RAW)};
	const struct scmp_arg_cmp below[] = {LULL_ARG_BITS(0, ~(LULL_CAN_GUARDED - 1), 0)};
	int err = news < LULL_CAN_GUARDED ? -EINVAL : 0;

	for (unsigned i = 0; i < sizeof plain / sizeof plain[0] && !err; i++)
		err = allow(ctx, plain[i], 0, NULL);
	if (!err)
		err = allow(ctx, SCMP_SYS(write), 2, news_8);
	if (!err && kick >= 0)
		err = allow(ctx, SCMP_SYS(read), 2, kick_8);
	if (!err)
		err = allow(ctx, SCMP_SYS(socket), 3, raw_can);
	if (!err)
		err = allow(ctx, SCMP_SYS(setsockopt), 1, of_socket);
	if (!err)
		err = allow(ctx, SCMP_SYS(setsockopt), 1, of_raw);
	if (!err)
		err = allow(ctx, SCMP_SYS(close), 1, below);
	return err;
}

/* Moves it above all others. */
static int guard(int *fd)
{
	struct rlimit most;

	if (getrlimit(RLIMIT_NOFILE, &most))
		return -errno;
	if (most.rlim_cur <= LULL_CAN_GUARDED) {
		most.rlim_cur = LULL_CAN_GUARDED + 1 < most.rlim_max ? LULL_CAN_GUARDED + 1 : most.rlim_max;
		if (setrlimit(RLIMIT_NOFILE, &most))
			return -errno;
	}
	const int moved = fcntl(*fd, F_DUPFD_CLOEXEC, LULL_CAN_GUARDED);

	if (moved < 0)
		return -errno;
	(void)close(*fd);
	*fd = moved;
	return 0;
}

int lull_can_confine(int kick, int *news)
{
	scmp_filter_ctx ctx = seccomp_init(SCMP_ACT_KILL_PROCESS);
	int err;

	if (!ctx)
		return -ENOMEM;
	err = guard(news);
	if (!err)
		err = lull_can_rules(ctx, kick, *news);
	if (!err)
		err = seccomp_load(ctx);
	seccomp_release(ctx);
	return err;
}
