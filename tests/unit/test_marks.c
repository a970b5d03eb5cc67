/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_marks: times, marks and coverage as people write them. */
#include <source/marks.h>

#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <cmocka.h>

static char err[512];

static void test_stamps(void **state)
{
	(void)state;
	/* UTC seconds by `date -u -d ... +%s` (GNU coreutils). */
	static const struct {
		const char *text;
		int rc;
		bool absolute;
		int64_t ns;
	} cases[] = {
		{"0", 0, false, 0},
		{"74.2", 0, false, 74200000000},
		{" 74.2 ", 0, false, 74200000000},
		{"-3", 0, false, -3000000000},
		{"2026-03-05T22:41:07Z", 0, true, INT64_C(1772750467000000000)},
		{"2026-03-05T22:41:07.120Z", 0, true, INT64_C(1772750467120000000)},
		{"2026-03-05 22:41:07,5Z", 0, true, INT64_C(1772750467500000000)},
		{"2026-03-05t22:41z", 0, true, INT64_C(1772750460000000000)},
		{"2026-03-05T23:41:07+01:00", 0, true, INT64_C(1772750467000000000)},
		{"2026-03-05T17:11:07-0530", 0, true, INT64_C(1772750467000000000)},
		{"2026-03-06T00:41:07 +02", 0, true, INT64_C(1772750467000000000)},
		{"2026-03-05T22:41:07.1234567891234Z", 0, true, INT64_C(1772750467123456789)},
		{"2024-02-29T00:00:00Z", 0, true, INT64_C(1709164800000000000)},
		{"2016-12-31T23:59:60Z", 0, true, INT64_C(1483228800000000000)},
		{"2026-03-05T23:41:07", 0, true, INT64_C(1772750467000000000)}, /* local, see main() */
		{"2026-07-05T22:41:07", 0, true, INT64_C(1783284067000000000)}, /* summer time */
		{"2026-03-29T02:30:00", -EINVAL, false, 0}, /* left out by the change to summer time */
		{"2023-02-29T00:00:00Z", -EINVAL, false, 0},
		{"2026-13-05T22:41:07Z", -EINVAL, false, 0},
		{"2026-00-05T22:41:07Z", -EINVAL, false, 0},
		{"2026-03-00T22:41:07Z", -EINVAL, false, 0},
		{"2026-03-05T24:00:00Z", -EINVAL, false, 0},
		{"2026-03-05T22:60:00Z", -EINVAL, false, 0},
		{"2026-03-05T22:41:07.Z", -EINVAL, false, 0},
		{"2026-03-05T22:41:07Zx", -EINVAL, false, 0},
		{"2026-03-05T22:41:07+1", -EINVAL, false, 0},
		{"2026-03-05T22:41:07+25:00", -EINVAL, false, 0},
		{"2026-03-05", -EINVAL, false, 0},
		{"1969-03-05T22:41:07Z", -EINVAL, false, 0},
		{"2300-03-05T22:41:07Z", -EINVAL, false, 0},
		{"22:41:07", -EINVAL, false, 0},
		{"", -EINVAL, false, 0},
		{"soon", -EINVAL, false, 0},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct lull_stamp s = {0};
		const int rc = lull_stamp_parse(cases[i].text, &s);
		if (rc != cases[i].rc || (!rc && (s.absolute != cases[i].absolute || s.ns != cases[i].ns)))
			fail_msg("\"%s\": %d, %d, %lld", cases[i].text, rc, s.absolute, (long long)s.ns);
	}
}

static void test_mark_words(void **state)
{
	(void)state;
	static const struct {
		const char *text;
		enum lull_mark_kind kind;
		double value;
		const char *name;
	} cases[] = {
		{"key on", LULL_MARK_KEY_ON, 0, ""},
		{"Key-Off", LULL_MARK_KEY_OFF, 0, ""},
		{"  KEY   off ", LULL_MARK_KEY_OFF, 0, ""},
		{"key_off", LULL_MARK_KEY_OFF, 0, ""},
		{"door", LULL_MARK_DOOR, 0, ""},
		{"morning", LULL_MARK_MORNING, 0, ""},
		{"clamp zero", LULL_MARK_CLAMP_ZERO, 0, ""},
		{"Test load 420 mA", LULL_MARK_TEST_LOAD, 420, ""},
		{"test-load 0,42 A", LULL_MARK_TEST_LOAD, 420, ""},
		{"test load 420", LULL_MARK_TEST_LOAD, 420, ""},
		{"test load 420mA", LULL_MARK_TEST_LOAD, 420, ""},
		{"test load lamp", LULL_MARK_OTHER, 0, ""},
		{"test load 1 2 mA", LULL_MARK_OTHER, 0, ""},
		{"test load 0 mA", LULL_MARK_OTHER, 0, ""},
		{"unplugged Rear-Door module", LULL_MARK_UNPLUGGED, 0, "Rear-Door module"},
		{"Unplugged: radio", LULL_MARK_OTHER, 0, ""},
		{"unplugged", LULL_MARK_OTHER, 0, ""},
		{"re-plugged radio", LULL_MARK_OTHER, 0, ""},
		{"replugged radio", LULL_MARK_REPLUGGED, 0, "radio"},
		{"fuse out F14", LULL_MARK_FUSE_OUT, 0, "F14"},
		{"fuse-out F14 rear", LULL_MARK_FUSE_OUT, 0, "F14 rear"},
		{"Fuse back  F14", LULL_MARK_FUSE_BACK, 0, "F14"},
		{"listening", LULL_MARK_LISTENING, 0, ""},
		{"stopped listening", LULL_MARK_STOPPED_LISTENING, 0, ""},
		{"keyoff", LULL_MARK_OTHER, 0, ""},
		{"customer came by", LULL_MARK_OTHER, 0, ""},
		{"", LULL_MARK_OTHER, 0, ""},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct lull_mark m;
		memset(&m, 0x55, sizeof m);
		m.t = 7;
		lull_mark_parse(cases[i].text, &m);
		if (m.kind != cases[i].kind || strcmp(m.name, cases[i].name) != 0)
			fail_msg("\"%s\": %d '%s'", cases[i].text, m.kind, m.name);
		if (cases[i].kind == LULL_MARK_TEST_LOAD)
			assert_true(fabs(m.value - cases[i].value) < 1e-9);
		else
			assert_true(isnan(m.value));
		assert_true(m.t == 7);
	}
	struct lull_mark m;
	lull_mark_parse("unplugged "
			"\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3"
			"\xa4\xc3\xa4\xc3\xa4\xc3\xa4"
			"\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3"
			"\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4"
			"\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4\xc3\xa4",
		&m);
	assert_int_equal(strlen(m.name), 62); /* cut between characters */
}

static void test_marks_file(void **state)
{
	(void)state;
	static const char text[] = "# night in the workshop\r\n"
				   "time,mark\r\n"
				   "\r\n"
				   "74.2,key off\r\n"
				   "2026-03-05T22:41:07Z,\"unplugged radio, the \"\"big\"\" one\"\r\n"
				   "# in between\n"
				   "90,\"two\nlines\"\n";
	struct lull_stamped_mark *m;
	size_t n;
	/* A line feed inside a mark is a control character: refused, at its line. */
	assert_int_equal(
		lull_marks_parse_text("marks.csv", text, sizeof text - 1, &m, &n, err, sizeof err), -EINVAL);
	assert_non_null(strstr(err, "marks.csv:7: "));
	assert_null(m);
	assert_int_equal(n, 0);
	const size_t shorter = (size_t)(strstr(text, "90,") - text);
	assert_int_equal(lull_marks_parse_text("marks.csv", text, shorter, &m, &n, err, sizeof err), 0);
	assert_int_equal(n, 2);
	assert_false(m[0].at.absolute);
	assert_true(m[0].at.ns == INT64_C(74200000000));
	assert_int_equal(m[0].mark.kind, LULL_MARK_KEY_OFF);
	assert_string_equal(m[0].mark.text, "key off");
	assert_true(m[1].at.absolute);
	assert_string_equal(m[1].mark.name, "radio, the \"big\" one");
	free(m);
	static const char semicolons[] = "12.5;door\n13,5;key on\n";
	assert_int_equal(lull_marks_parse_text("m", semicolons, 10, &m, &n, err, sizeof err), 0);
	assert_int_equal(n, 1);
	assert_int_equal(m[0].mark.kind, LULL_MARK_DOOR);
	free(m);
	assert_int_equal(lull_marks_parse_text("m", "", 0, &m, &n, err, sizeof err), 0);
	assert_int_equal(n, 0);
	free(m);
}

static void test_marks_errors(void **state)
{
	(void)state;
	static const struct {
		const char *text, *want;
	} cases[] = {
		{"time,mark\nsoon,key off\n",
			"m:2: 'time' value \"soon\" is no time; write seconds from the first frame (74.2) or "
			"ISO 8601 "
			"(2026-03-05T22:41:07Z)"},
		{"1,key off,again\n",
			"m:1: a mark has two fields, time and mark, this line has 3; put a mark with a comma "
			"in double quotes"},
		{"1\n", "m:1: a mark has two fields"},
		{"1,\n", "m:1: the mark is empty"},
		{"1,\" \"\n", "m:1: the mark is empty"},
		{"1,door\n2,\"door\" opened\n", "m:2: text follows a closing double quote"},
		{"1,a\n\n2,\"b\n\n", "m:3: the double quote that begins here is not closed"},
		{"1,a\n2,\xff\n", "m:2: the mark is no UTF-8 text"},
		{"1,a\x01\n", "m:1: the mark is no UTF-8 text or holds control characters"},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct lull_stamped_mark *m;
		size_t n;
		assert_int_equal(lull_marks_parse_text(
					 "m", cases[i].text, strlen(cases[i].text), &m, &n, err, sizeof err),
			-EINVAL);
		if (strncmp(err, cases[i].want, strlen(cases[i].want)) != 0)
			fail_msg("got: %s\nwant: %s", err, cases[i].want);
		assert_null(m);
	}
	struct lull_stamped_mark *m;
	size_t n;
	assert_int_equal(lull_marks_read("/nonexistent/marks.csv", &m, &n, err, sizeof err), -ENOENT);
	assert_string_equal(err, "/nonexistent/marks.csv: cannot be opened: No such file or directory");
}

static void test_names_refused(void **state)
{
	(void)state;
	static const struct {
		const char *text, *want;
	} cases[] = {
		{"5,unplugged =cmd|' /C calc'!A0\n", "m:1: the name behind 'unplugged' does not begin with a letter or a digit"},
		{"5,key off\n6,replugged +1\n", "m:2: the name behind 'replugged' does not begin with a letter or a digit"},
		{"5,fuse out @SUM(1)\n", "m:1: the name behind 'fuse out' does not begin with a letter or a digit"},
		{"5,fuse back F\xe2\x80\xae" "1\n", "m:1: the name behind 'fuse back' holds a control character or a mark of writing direction"},
	};
	struct lull_stamped_mark *m;
	size_t n;
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		assert_int_equal(lull_marks_parse_text("m", cases[i].text, strlen(cases[i].text), &m, &n, err, sizeof err), -EINVAL);
		if (strncmp(err, cases[i].want, strlen(cases[i].want)) != 0)
			fail_msg("got: %s\nwant: %s", err, cases[i].want);
	}
	/* Umlauts begin a name, and free text is free. */
	static const char good[] = "5,unplugged \xc3\x84ltere T\xc3\xbcr\n6,unplugged 3. seat\n7,=1+1\n";
	if (lull_marks_parse_text("m", good, sizeof good - 1, &m, &n, err, sizeof err) < 0)
		fail_msg("%s", err);
	assert_int_equal(n, 3);
	assert_string_equal(m[0].mark.name, "\xc3\x84ltere T\xc3\xbcr");
	assert_string_equal(m[2].mark.text, "=1+1");
	free(m);
}

static void test_coverage(void **state)
{
	(void)state;
	static const char text[] = "bus,from,to,why\nbody,0,3600,observed\n*,2026-03-05T22:41:07Z,2026-03-"
				   "05T23:41:07Z,link-down\n"
				   ",3600,3700.5,Adapter Gone\n";
	struct lull_stamped_coverage *c;
	size_t n;
	if (lull_coverage_parse_text("c", text, sizeof text - 1, &c, &n, err, sizeof err) < 0)
		fail_msg("%s", err);
	assert_int_equal(n, 3);
	assert_string_equal(c[0].bus, "body");
	assert_int_equal(c[0].why, LULL_OBSERVED);
	assert_true(c[0].to.ns == 3600 * LULL_SEC);
	assert_string_equal(c[1].bus, "");
	assert_int_equal(c[1].why, LULL_BLIND_LINK_DOWN);
	assert_true(c[1].from.absolute);
	assert_string_equal(c[2].bus, "");
	assert_int_equal(c[2].why, LULL_BLIND_ADAPTER_GONE);
	free(c);
	/* An escaped name is undone; only a bare * and nothing at all are every bus, and only a whole escape is one. */
	static const char escaped[] = "\\u{3D}cmd|' /C calc'!A0,1,2,observed\n\\u{2A},1,2,observed\nb\\u{202E}-c,1,2,observed\n"
				      "\\u{},1,2,observed\nC:\\users,1,2,observed\n\\u{5C}u{41},1,2,observed\n";
	static const char *const names[] = {"=cmd|' /C calc'!A0", "*", "b\xe2\x80\xae-c", "\\u{}", "C:\\users", "\\u{41}"};
	if (lull_coverage_parse_text("c", escaped, sizeof escaped - 1, &c, &n, err, sizeof err) < 0)
		fail_msg("%s", err);
	assert_int_equal(n, sizeof names / sizeof names[0]);
	for (size_t i = 0; i < n; i++)
		assert_string_equal(c[i].bus, names[i]);
	free(c);
	/* Every name that the program writes is read back. */
	for (int i = 0; i < LULL_COVERAGE_COUNT; i++) {
		char row[128];
		snprintf(row, sizeof row, "b,1,2,%s\n", lull_coverage_name((enum lull_coverage_why)i));
		assert_int_equal(lull_coverage_parse_text("c", row, strlen(row), &c, &n, err, sizeof err), 0);
		assert_int_equal(c[0].why, i);
		free(c);
	}
	static const struct {
		const char *text, *want;
	} bad[] = {
		{"b,1,2\n", "c:1: a line of coverage has four fields"},
		{"b,2,1,observed\n", "c:1: 'to' lies before 'from'"},
		{"b,1,2,asleep\n", "c:1: 'asleep' is no reason; known are: observed, "},
		{"b,x,2,observed\n", "c:1: 'from' value \"x\" is no time"},
		{"0123456789012345678901234567890123,1,2,observed\n",
			"c:1: the bus name is longer than 31 bytes"},
	};
	for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
		assert_int_equal(lull_coverage_parse_text(
					 "c", bad[i].text, strlen(bad[i].text), &c, &n, err, sizeof err),
			-EINVAL);
		if (strncmp(err, bad[i].want, strlen(bad[i].want)) != 0)
			fail_msg("got: %s\nwant: %s", err, bad[i].want);
		assert_null(c);
	}
}

int main(void)
{
	/* Central European time, spelled out, so that no time-zone data is needed. */
	setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3", 1);
	tzset();
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_stamps),
		cmocka_unit_test(test_mark_words),
		cmocka_unit_test(test_marks_file),
		cmocka_unit_test(test_marks_errors),
		cmocka_unit_test(test_names_refused), cmocka_unit_test(test_coverage),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
