/* SPDX-License-Identifier: GPL-3.0-or-later */
/* privileges: what each process of lulld may do once it is started. */
#include <daemon/privileges.h>
#include <source/seccomp_args.h>

#include <errno.h>
#include <grp.h>
#include <linux/netlink.h>
#include <pwd.h>
#include <stdio.h>
#include <string.h>
#include <sys/capability.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <unistd.h>

int lull_identity_find(const char *user, struct lull_identity *identity, char *err, size_t err_size)
{
	const struct passwd *entry;

	*identity = (struct lull_identity){.uid = geteuid(), .gid = getegid()};
	if (identity->uid != 0 || !strcmp(user, "root"))
		return 0;
	errno = 0;
	entry = getpwnam(user); // cppcheck-suppress getpwnamCalled ; one thread
	if (!entry) {
		(void)snprintf(err, err_size,
			"there is no user '%s' to become: make one (adduser --system --group %s), or name another with user = in "
			"[recorder]",
			user, user);
		return -EINVAL;
	}
	identity->change = true;
	identity->uid = entry->pw_uid;
	identity->gid = entry->pw_gid;
	return 0;
}

bool lull_privileges_net_admin(void)
{
	cap_t have = cap_get_proc();
	cap_flag_value_t value = CAP_CLEAR;

	if (have) {
		(void)cap_get_flag(have, CAP_NET_ADMIN, CAP_EFFECTIVE, &value);
		(void)cap_free(have);
	}
	return value == CAP_SET;
}

static int keep_only(bool net_admin)
{
	const cap_value_t wanted = CAP_NET_ADMIN;
	cap_t none = cap_init();
	int err = 0;

	if (!none)
		return -ENOMEM;
	if (net_admin && (cap_set_flag(none, CAP_PERMITTED, 1, &wanted, CAP_SET) ||
				 cap_set_flag(none, CAP_EFFECTIVE, 1, &wanted, CAP_SET)))
		err = -errno;
	if (!err && cap_set_proc(none))
		err = -errno;
	(void)cap_free(none);
	return err;
}

int lull_privileges_drop(const struct lull_identity *identity, bool net_admin)
{
	const bool keep = net_admin && lull_privileges_net_admin();

	if (prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0))
		return -errno;
	(void)prctl(PR_CAP_AMBIENT, PR_CAP_AMBIENT_CLEAR_ALL, 0, 0, 0);
	if (identity->change) {
		if (keep && prctl(PR_SET_KEEPCAPS, 1, 0, 0, 0))
			return -errno;
		/* The groups of the user, so that serial ports and converters can be had (dialout, iio). */
		const struct passwd *entry = getpwuid(identity->uid); // cppcheck-suppress getpwuidCalled ; one thread

		if (!entry || initgroups(entry->pw_name, identity->gid))
			return entry ? -errno : -EINVAL;
		if (setresgid(identity->gid, identity->gid, identity->gid) ||
			setresuid(identity->uid, identity->uid, identity->uid))
			return -errno;
	} else if (identity->uid == 0) {
		/* Told to stay root: files need its rights, the network does not. */
		return 0;
	}
	return keep_only(keep);
}

/* Calls that only some architectures have are among them: 32-bit ones set the clock by clock_settime64. */
static const int refused[] = {
	SCMP_SYS(execve), SCMP_SYS(execveat), SCMP_SYS(ptrace), SCMP_SYS(process_vm_writev), SCMP_SYS(pidfd_getfd), SCMP_SYS(mount), SCMP_SYS(umount),
	SCMP_SYS(umount2),
	SCMP_SYS(pivot_root), SCMP_SYS(chroot), SCMP_SYS(unshare), SCMP_SYS(setns), SCMP_SYS(init_module), SCMP_SYS(finit_module),
	SCMP_SYS(delete_module), SCMP_SYS(kexec_load), SCMP_SYS(kexec_file_load), SCMP_SYS(reboot), SCMP_SYS(swapon), SCMP_SYS(swapoff),
	SCMP_SYS(bpf), SCMP_SYS(perf_event_open), SCMP_SYS(settimeofday), SCMP_SYS(clock_settime), SCMP_SYS(clock_settime64), SCMP_SYS(stime),
	SCMP_SYS(add_key), SCMP_SYS(request_key), SCMP_SYS(keyctl), SCMP_SYS(userfaultfd), SCMP_SYS(io_uring_setup), SCMP_SYS(io_uring_enter), SCMP_SYS(io_uring_register),
};
#define LOW_BITS 5 /* families that are looked at one by one; above, none is needed */

static bool needed(unsigned family)
{
	/* The control socket and sd_notify; a meter on the network; interfaces. */
	return family == AF_UNIX || family == AF_INET || family == AF_INET6 || family == AF_NETLINK;
}

static int never(scmp_filter_ctx ctx, unsigned n, const struct scmp_arg_cmp *args)
{
	return seccomp_rule_add_array(ctx, SCMP_ACT_KILL_PROCESS, SCMP_SYS(socket), n, args);
}

/* A list of what is allowed, written as all that is not, since one rule of libseccomp compares an argument once: any bit above the
 * lowest, then each value that these can have. */
static int only_needed_families(scmp_filter_ctx ctx)
{
	int err = 0;

	for (unsigned bit = LOW_BITS; bit < 32 && !err; bit++)
		err = never(ctx, 1, (const struct scmp_arg_cmp[]){LULL_ARG_BITS(0, 1u << bit, 1u << bit)});
	for (unsigned family = 0; family < 1u << LOW_BITS && !err; family++)
		if (!needed(family))
			err = never(ctx, 1, (const struct scmp_arg_cmp[]){LULL_ARG_IS(0, family)});
	return err;
}

/* Of the internet: streams and datagrams. Raw sockets have no business here, and SOCK_PACKET is an old name of packet sockets. */
static int only_needed_kinds(scmp_filter_ctx ctx, unsigned family)
{
	int err = 0;

	for (unsigned kind = 0; kind <= LULL_SOCKET_KIND && !err; kind++)
		if (kind != SOCK_STREAM && kind != SOCK_DGRAM)
			err = never(ctx, 2, (const struct scmp_arg_cmp[]){LULL_ARG_IS(0, family), LULL_ARG_BITS(1, LULL_SOCKET_KIND, kind)});
	return err;
}

/* Of netlink: NETLINK_ROUTE, which is 0. */
static int only_routes(scmp_filter_ctx ctx)
{
	int err = 0;

	_Static_assert(NETLINK_ROUTE == 0, "any bit of the protocol makes it another one");
	for (unsigned bit = 0; bit < 32 && !err; bit++)
		err = never(ctx, 2, (const struct scmp_arg_cmp[]){LULL_ARG_IS(0, AF_NETLINK), LULL_ARG_BITS(2, 1u << bit, 1u << bit)});
	return err;
}

int lull_main_rules(void *ctx)
{
	int err = 0;

	for (unsigned i = 0; i < sizeof refused / sizeof refused[0] && !err; i++) {
		err = seccomp_rule_add(ctx, SCMP_ACT_ERRNO(EPERM), refused[i], 0);
		if (err == -EFAULT || err == -EDOM)
			err = 0; /* no such call on this architecture */
	}
	if (!err)
		err = only_needed_families(ctx);
	if (!err)
		err = only_needed_kinds(ctx, AF_INET);
	if (!err)
		err = only_needed_kinds(ctx, AF_INET6);
	return err ? err : only_routes(ctx);
}

int lull_main_confine(void)
{
	scmp_filter_ctx ctx = seccomp_init(SCMP_ACT_ALLOW);
	int err;

	if (!ctx)
		return -ENOMEM;
	err = lull_main_rules(ctx);
	if (!err)
		err = seccomp_load(ctx);
	seccomp_release(ctx);
	return err;
}
