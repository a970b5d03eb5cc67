/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_log: how a line begins, by where stderr goes. */
#include <daemon/log.h>

#include "stderr_rig.h"
#include <inttypes.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <cmocka.h>

static int set_up(void **state)
{
	(void)state;
	stderr_take();
	return 0;
}

static int tear_down(void **state)
{
	(void)state;
	stderr_give_back();
	(void)unsetenv("JOURNAL_STREAM");
	lull_log_plain(false);
	return 0;
}

/* JOURNAL_STREAM as systemd would set it for this descriptor. */
static void call_journal(int fd, uintmax_t more)
{
	char text[64];
	struct stat st;

	assert_int_equal(fstat(fd, &st), 0);
	(void)snprintf(text, sizeof text, "%" PRIuMAX ":%" PRIuMAX, (uintmax_t)st.st_dev,
		(uintmax_t)st.st_ino + more);
	assert_int_equal(setenv("JOURNAL_STREAM", text, 1), 0);
	lull_log_plain(false);
}

static void without_a_journal_there_are_words(void **state)
{
	(void)state;
	assert_int_equal(unsetenv("JOURNAL_STREAM"), 0);
	lull_log_plain(false);
	lull_log(SD_ERR, "no room on %s", "/data");
	assert_string_equal(stderr_text(), "lulld: error: no room on /data\n");
	lull_log(SD_WARNING, "w");
	lull_log(SD_NOTICE, "n");
	lull_log(SD_INFO, "i");
	lull_log(SD_DEBUG, "d");
	assert_string_equal(stderr_text(), "lulld: warning: w\nlulld: notice: n\nlulld: info: i\n");
}

static void the_journal_gets_weights(void **state)
{
	(void)state;
	call_journal(STDERR_FILENO, 0);
	lull_log(SD_ERR, "e");
	lull_log(SD_DEBUG, "d");
	assert_string_equal(stderr_text(), "<3>e\n<7>d\n");
	/* --foreground wins. */
	lull_log_plain(true);
	lull_log(SD_ERR, "e");
	lull_log(SD_DEBUG, "d");
	assert_string_equal(stderr_text(), "lulld: error: e\n");
}

/* The variable is inherited by what a person starts in a service's shell, with stderr elsewhere. */
static void another_stream_is_not_the_journal(void **state)
{
	static const char *const wrong[] = {"", ":", "8", "8:", "8:9", "x:y"};

	(void)state;
	call_journal(STDERR_FILENO, 1);
	lull_log(SD_WARNING, "w");
	assert_string_equal(stderr_text(), "lulld: warning: w\n");
	for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
		assert_false(lull_log_is_journal(wrong[i], STDERR_FILENO));
	assert_false(lull_log_is_journal(NULL, STDERR_FILENO));
	assert_false(lull_log_is_journal(getenv("JOURNAL_STREAM"), -1));
}

/* What a bus's name or another program said cannot begin a line of its own, nor be endless. */
static void foreign_text_stays_in_its_line(void **state)
{
	char most[3000];

	(void)state;
	lull_log_plain(true);
	lull_log(SD_ERR, "bus %s", "a\nlulld: error: \x1b[31mb");
	assert_string_equal(stderr_text(), "lulld: error: bus a?lulld: error: ?[31mb\n");
	memset(most, 'x', sizeof most - 1);
	most[sizeof most - 1] = '\0';
	lull_log(SD_ERR, "%s", most);
	const char *line = stderr_text();

	assert_int_equal(strlen(line), strlen("lulld: error: ") + 1023 + 1);
	assert_int_equal(line[strlen(line) - 1], '\n');
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(without_a_journal_there_are_words, set_up, tear_down),
		cmocka_unit_test_setup_teardown(the_journal_gets_weights, set_up, tear_down),
		cmocka_unit_test_setup_teardown(another_stream_is_not_the_journal, set_up, tear_down),
		cmocka_unit_test_setup_teardown(foreign_text_stays_in_its_line, set_up, tear_down),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
