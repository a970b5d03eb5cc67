/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_identity: who the recorder is, and which rights it has left. */
#include <daemon/privileges.h>

#include <errno.h>
#include <pwd.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/capability.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>
#include <cmocka.h>

static void who_it_shall_be(void **state)
{
	struct lull_identity who;
	char err[200] = "";

	(void)state;
	assert_int_equal(lull_identity_find("root", &who, err, sizeof err), 0);
	assert_false(who.change);
	assert_int_equal(who.uid, geteuid());
	assert_int_equal(who.gid, getegid());
	if (geteuid()) {
		/* Whoever is not root stays who it is, whatever is told. */
		assert_int_equal(lull_identity_find("no such user", &who, err, sizeof err), 0);
		assert_false(who.change);
		return;
	}
	assert_int_equal(lull_identity_find("no such user", &who, err, sizeof err), -EINVAL);
	assert_non_null(strstr(err, "there is no user 'no such user'"));
	assert_non_null(strstr(err, "user = in [recorder]"));
	const struct passwd *entry = getpwnam("nobody"); // cppcheck-suppress getpwnamCalled ; one thread

	if (entry) {
		assert_int_equal(lull_identity_find("nobody", &who, err, sizeof err), 0);
		assert_true(who.change);
		assert_int_equal(who.uid, entry->pw_uid);
		assert_int_equal(who.gid, entry->pw_gid);
	}
}

static bool has(cap_flag_t flag, cap_value_t cap)
{
	cap_t all = cap_get_proc();
	cap_flag_value_t value = CAP_CLEAR;

	(void)cap_get_flag(all, cap, flag, &value);
	(void)cap_free(all);
	return value == CAP_SET;
}

/* What a process finds after it: 0, or the number of what is not so. */
static int after_drop(const struct lull_identity *who, bool net_admin)
{
	const bool had = lull_privileges_net_admin();

	if (lull_privileges_drop(who, net_admin))
		return 1;
	if (prctl(PR_GET_NO_NEW_PRIVS, 0, 0, 0, 0) != 1)
		return 2;
	if (getuid() != who->uid || geteuid() != who->uid || getegid() != who->gid)
		return 3;
	if (!who->change && who->uid == 0)
		return 0; /* it was told to stay root */
	if (lull_privileges_net_admin() != (had && net_admin))
		return 4;
	for (cap_value_t cap = 0; cap <= CAP_LAST_CAP; cap++)
		if (cap != CAP_NET_ADMIN && (has(CAP_PERMITTED, cap) || has(CAP_EFFECTIVE, cap)))
			return 5;
	if (who->uid && setuid(0) == 0)
		return 6;
	return 0;
}

static void in_a_process(const struct lull_identity *who, bool net_admin)
{
	int status;

	(void)fflush(NULL);
	const pid_t pid = fork();

	/* exit(), so that what it ran is counted by whoever counts lines. */
	if (!pid)
		exit(after_drop(who, net_admin));
	assert_int_equal(waitpid(pid, &status, 0), pid);
	assert_true(WIFEXITED(status));
	assert_int_equal(WEXITSTATUS(status), 0);
}

static void what_is_left_of_its_rights(void **state)
{
	struct lull_identity who = {.uid = geteuid(), .gid = getegid()};
	const struct passwd *entry = getpwnam("nobody"); // cppcheck-suppress getpwnamCalled ; one thread

	(void)state;
	in_a_process(&who, true);
	in_a_process(&who, false);
	if (geteuid() || !entry) {
		print_message("not root: no change of user\n");
		return;
	}
	who = (struct lull_identity){.change = true, .uid = entry->pw_uid, .gid = entry->pw_gid};
	in_a_process(&who, true);
	in_a_process(&who, false);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(who_it_shall_be), cmocka_unit_test(what_is_left_of_its_rights)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
