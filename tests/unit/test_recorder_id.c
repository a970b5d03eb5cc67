/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_recorder_id: made once, kept, never half written, never replaced. */
#include <daemon/recorder_id.h>
#include <store/uuid.h>

#include <errno.h>
#include <fcntl.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <unistd.h>

#include <cmocka.h>

static char folder[64], file[96], err[256];

static int set_up(void **state)
{
	(void)state;
	(void)snprintf(folder, sizeof folder, "/tmp/lull-test-recorder-XXXXXX");
	if (!mkdtemp(folder))
		return -1;
	(void)snprintf(file, sizeof file, "%s/" LULL_RECORDER_ID, folder);
	return 0;
}

static int tear_down(void **state)
{
	(void)state;
	(void)unlink(file);
	return rmdir(folder); /* nothing else was left there */
}

static void put(const char *text)
{
	FILE *f = fopen(file, "w");

	assert_non_null(f);
	assert_true(fputs(text, f) >= 0);
	assert_int_equal(fclose(f), 0);
}

static void made_once(void **state)
{
	char first[LULL_UUID], again[LULL_UUID];

	(void)state;
	assert_int_equal(lull_recorder_id(folder, first, err, sizeof err), 0);
	assert_true(lull_uuid_valid(first));
	assert_int_equal(lull_recorder_id(folder, again, err, sizeof err), 0);
	assert_string_equal(first, again);
	put("5f1c0a9e-3b7d-4e52-9c86-a1b2c3d4e5f6\n");
	assert_int_equal(lull_recorder_id(folder, again, err, sizeof err), 0);
	assert_string_equal(again, "5f1c0a9e-3b7d-4e52-9c86-a1b2c3d4e5f6");
}

static void something_else_is_no_id(void **state)
{
	static const char *const texts[] = {"", "\n", "5f1c0a9e-3b7d-4e52-9c86-a1b2c3d4e5f6",
		"5F1C0A9E-3B7D-4E52-9C86-A1B2C3D4E5F6\n", "5f1c0a9e-3b7d-4e52-9c86-a1b2c3d4e5f6\n\n"};
	char id[LULL_UUID];

	(void)state;
	for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
		put(texts[i]);
		assert_int_equal(lull_recorder_id(folder, id, err, sizeof err), -EBADMSG);
		assert_string_equal(id, "");
		assert_non_null(strstr(err, "/recorder-id: holds no UUID"));
	}
}

/* A full disk: none, and nothing is left of the attempt; later there is room. */
static void no_room(void **state)
{
	struct rlimit before, none;
	char id[LULL_UUID];

	(void)state;
	(void)signal(SIGXFSZ, SIG_IGN);
	assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
	none = before;
	none.rlim_cur = 10;
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &none), 0);
	const int r = lull_recorder_id(folder, id, err, sizeof err);

	assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
	assert_true(r < 0);
	assert_string_equal(id, "");
	assert_int_equal(access(file, F_OK), -1);
	assert_int_equal(lull_recorder_id(folder, id, err, sizeof err), 0);
	assert_int_equal(lull_recorder_id("/nonexistent", id, err, sizeof err), -ENOENT);
	assert_string_equal(id, "");
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		TEST(made_once),
		TEST(something_else_is_no_id),
		TEST(no_room),
	};
	return cmocka_run_group_tests_name("recorder_id", tests, NULL, NULL);
}
