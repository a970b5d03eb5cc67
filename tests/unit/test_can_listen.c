/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_can_listen: the listener of commands where nothing can be heard: what it says, and that its filter lets it come so far. What it hears is in
 * tests/bus/check.test and link.test. */
#include <source/can_listen.h>

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>

#include <cmocka.h>

#include "share.h"

static int none(void *ctx, const struct lull_frame *f)
{
	(void)ctx, (void)f;
	fail_msg("a frame from nowhere");
	return 0;
}

static void no_interface(void **state)
{
	const char *const absent[] = {"lo", "no-such-if"};
	const char *const many[LULL_LISTEN_MAX + 1] = {"lo"};
	struct lull_listen_result result;

	(void)state;
	assert_int_equal(lull_listen(absent, 2, LULL_SEC, NULL, none, NULL, &result), -ENODEV);
	assert_int_equal(lull_listen(many, LULL_LISTEN_MAX + 1, LULL_SEC, NULL, none, NULL, &result), -E2BIG);
}

/* Loopback is no CAN interface: the kernel refuses it, or has no CAN at all. The filter does not stand in the way, and nothing is left. */
static void no_can_interface(void **state)
{
	const char *const lo[] = {"lo"};
	struct lull_listen_result result;
	int r;

	(void)state;
	if (prctl(PR_GET_SECCOMP, 0, 0, 0, 0) < 0) {
		print_message("no seccomp filter can be had here: skipped\n");
		skip();
	}
	if (test_sanitized()) {
		print_message("the sanitizer makes calls that the filter refuses: skipped\n");
		skip();
	}
	r = lull_listen(lo, 1, 60 * LULL_SEC, NULL, none, NULL, &result);
	assert_true(r == -EAFNOSUPPORT || r == -ENODEV);
	assert_false(result.stopped[0]);
	assert_int_equal(waitpid(-1, NULL, WNOHANG), -1);
	assert_int_equal(errno, ECHILD);
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(no_interface), cmocka_unit_test(no_can_interface)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
