/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_command: what may be asked for over the control socket. */
#include <daemon/command.h>
#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <string.h>
#include <cmocka.h>

static struct lull_command command;
static char err[128];

static int parse(const char *text)
{
	return lull_command_parse(text, strlen(text), &command, err, sizeof err);
}

static void what_is_taken(void **state)
{
	(void)state;
	assert_int_equal(parse("mark key off"), 0);
	assert_int_equal(command.verb, LULL_VERB_MARK);
	assert_string_equal(command.text, "key off");
	assert_int_equal(command.ago, 0);
	assert_int_equal(parse("mark -90 unplugged door left\n"), 0);
	assert_string_equal(command.text, "unplugged door left");
	assert_int_equal(command.ago, 90 * LULL_SEC);
	assert_int_equal(parse("mark -5m door"), 0);
	assert_int_equal(command.ago, 5 * LULL_MIN);
	assert_string_equal(command.text, "door");
	assert_int_equal(parse("mark -1h30m door"), 0);
	assert_int_equal(command.ago, 90 * LULL_MIN);
	assert_int_equal(parse("mark -90250ms door"), 0);
	assert_int_equal(command.ago, 90250 * LULL_MS);
	assert_int_equal(parse("mark 90 door"), 0);
	assert_string_equal(command.text, "90 door");
	assert_int_equal(parse("mark t\xc3\xbcr"), 0);
	assert_int_equal(parse("mark unplugged \xc3\x9c" "berwachung"), 0);
	assert_int_equal(parse("status"), 0);
	assert_int_equal(command.verb, LULL_VERB_STATUS);
	assert_false(command.fresh);
	assert_int_equal(parse("status fresh"), 0);
	assert_true(command.fresh);
	assert_int_equal(parse("new"), 0);
	assert_int_equal(command.verb, LULL_VERB_NEW);
}

static void what_is_refused(void **state)
{
	static const char *const cases[] = {"", "\n", " ", "mark", "mark ", "mark  ", "mark -", "mark -5", "mark -5 ", "mark -x door",
		"mark -86401 door", "mark --5 door", "mark -5x door", "mark -25h door", "mark unplugged =cmd", "mark -5m fuse out @SUM(1)", "mark replugged T\xe2\x80\xae\xc3\xbcr", "mark -1e3 door", "mark -99999999999999999999 door", "mark a\x01z", "mark a\nb", "mark \xff", "status now", "statusfresh",
		"new x", "MARK x", "markx"};
	char line[1000];

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		if (parse(cases[i]) != -EINVAL)
			fail_msg("'%s' is taken", cases[i]);
		assert_true(strlen(err) > 5);
	}
	memset(line, 'x', sizeof line);
	memcpy(line, "mark ", 5);
	assert_int_equal(lull_command_parse(line, 5 + 159, &command, err, sizeof err), 0);
	assert_int_equal(lull_command_parse(line, 5 + 160, &command, err, sizeof err), -EINVAL);
	assert_int_equal(lull_command_parse(line, LULL_COMMAND_MOST + 1, &command, err, sizeof err), -EINVAL);
	/* A zero within is no end. */
	assert_int_equal(lull_command_parse("mark a\0b", 8, &command, err, sizeof err), -EINVAL);
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(what_is_taken), cmocka_unit_test(what_is_refused)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
