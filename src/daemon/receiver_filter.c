/* SPDX-License-Identifier: GPL-3.0-or-later */
/* receiver_filter: the calls that the receiver process has left. None of them can send: no send family, no write but of 8 bytes to
 * the eventfd, no way to give a socket that descriptor's number. Anything else ends the process at once. */
#include <daemon/receiver.h>

#include <errno.h>
#include <linux/can.h>
#include <linux/can/raw.h>
#include <seccomp.h>
#include <sys/prctl.h>
#include <sys/socket.h>

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

static int build(scmp_filter_ctx ctx, int kick, int news)
{
	const struct scmp_arg_cmp news_8[] = {SCMP_A0(SCMP_CMP_EQ, (scmp_datum_t)news, 0), SCMP_A2(SCMP_CMP_EQ, 8, 0)};
	const struct scmp_arg_cmp kick_8[] = {SCMP_A0(SCMP_CMP_EQ, (scmp_datum_t)kick, 0), SCMP_A2(SCMP_CMP_EQ, 8, 0)};
	const struct scmp_arg_cmp raw_can[] = {SCMP_A0(SCMP_CMP_EQ, AF_CAN, 0), SCMP_A2(SCMP_CMP_EQ, CAN_RAW, 0)};
	const struct scmp_arg_cmp of_socket[] = {SCMP_A1(SCMP_CMP_EQ, SOL_SOCKET, 0)};
	const struct scmp_arg_cmp of_raw[] = {SCMP_A1(SCMP_CMP_EQ, SOL_CAN_RAW, 0)};
	const struct scmp_arg_cmp others[] = {SCMP_A0(SCMP_CMP_NE, (scmp_datum_t)news, 0)};
	int err = 0;

	for (unsigned i = 0; i < sizeof plain / sizeof plain[0] && !err; i++)
		err = allow(ctx, plain[i], 0, NULL);
	if (!err)
		err = allow(ctx, SCMP_SYS(write), 2, news_8);
	if (!err)
		err = allow(ctx, SCMP_SYS(read), 2, kick_8);
	if (!err)
		err = allow(ctx, SCMP_SYS(socket), 2, raw_can);
	if (!err)
		err = allow(ctx, SCMP_SYS(setsockopt), 1, of_socket);
	if (!err)
		err = allow(ctx, SCMP_SYS(setsockopt), 1, of_raw);
	if (!err)
		err = allow(ctx, SCMP_SYS(close), 1, others);
	return err;
}

int lull_receiver_confine(int kick, int news)
{
	scmp_filter_ctx ctx = seccomp_init(SCMP_ACT_KILL_PROCESS);
	int err;

	if (!ctx)
		return -ENOMEM;
	err = build(ctx, kick, news);
	if (!err)
		err = seccomp_load(ctx);
	seccomp_release(ctx);
	return err;
}
