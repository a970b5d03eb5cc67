/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_duration: lengths of time as people write them. */
#include <source/duration.h>

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#define HOUR (60 * LULL_MIN)
#define DAY (24 * HOUR)

static const struct lull_duration_rule any = {LULL_IN_S, 0, INT64_MAX};

static void test_accepted(void **state)
{
	static const struct {
		const char *text;
		enum lull_duration_unit bare;
		int64_t ns;
	} cases[] = {
		{"12h", LULL_IN_S, 12 * HOUR},
		{"12 h", LULL_IN_S, 12 * HOUR},
		{"12H", LULL_IN_S, 12 * HOUR},
		{"1h30m", LULL_IN_S, 90 * LULL_MIN},
		{"1 h 30 min", LULL_IN_S, 90 * LULL_MIN},
		{"2d12h", LULL_IN_S, 60 * HOUR},
		{"1d 2h 3min 4s 5ms", LULL_IN_H, DAY + 2 * HOUR + 3 * LULL_MIN + 4 * LULL_SEC + 5 * LULL_MS},
		{"90 s", LULL_IN_MS, 90 * LULL_SEC},
		{"90 sec", LULL_IN_MS, 90 * LULL_SEC},
		{"250ms", LULL_IN_S, 250 * LULL_MS},
		{"1.5 h", LULL_IN_S, 90 * LULL_MIN},
		{"1,5h", LULL_IN_S, 90 * LULL_MIN},
		{"1h0.5m", LULL_IN_S, HOUR + 30 * LULL_SEC},
		{"0.1 min", LULL_IN_S, 6 * LULL_SEC},
		{"0.000001 ms", LULL_IN_S, 1},
		{"3d", LULL_IN_S, 3 * DAY},
		{"72h", LULL_IN_S, 3 * DAY},
		{" \t 7 min \t", LULL_IN_S, 7 * LULL_MIN},
		{"0", LULL_IN_H, 0},
		{"0 s", LULL_IN_H, 0},
		{"007s", LULL_IN_H, 7 * LULL_SEC},
		/* a number alone is in the place's own unit */
		{"90", LULL_IN_MS, 90 * LULL_MS},
		{"90", LULL_IN_S, 90 * LULL_SEC},
		{"90", LULL_IN_MIN, 90 * LULL_MIN},
		{"90", LULL_IN_H, 90 * HOUR},
		{"90", LULL_IN_D, 90 * DAY},
		{"1.5", LULL_IN_H, 90 * LULL_MIN},
		{"9223372036.854775807", LULL_IN_S, INT64_MAX},
		{"9223372036854.775807 ms", LULL_IN_S, INT64_MAX},
	};

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		const struct lull_duration_rule rule = {cases[i].bare, 0, INT64_MAX};
		int64_t ns = -1;
		const int rc = lull_duration_parse(cases[i].text, strlen(cases[i].text), &rule, &ns);

		if (rc || ns != cases[i].ns)
			fail_msg("'%s': %d, %lld ns, not %lld", cases[i].text, rc, (long long)ns, (long long)cases[i].ns);
	}
}

static void test_refused(void **state)
{
	static const struct {
		const char *text;
		int rc;
	} cases[] = {
		{"", -EINVAL}, {" ", -EINVAL}, {"h", -EINVAL}, {"-5", -EINVAL}, {"-5 s", -EINVAL}, {"+5 s", -EINVAL}, {"nan", -EINVAL},
		{"NaN s", -EINVAL}, {"inf", -EINVAL}, {"0x10", -EINVAL}, {"1e3", -EINVAL}, {"1e3 s", -EINVAL}, {"5 x", -EINVAL},
		{"5 weeks", -EINVAL}, {"5 s s", -EINVAL}, {"5 5", -EINVAL}, {"5 5 s", -EINVAL}, {"1h30", -EINVAL}, {"30m1h", -EINVAL},
		{"1h1h", -EINVAL}, {"1.5h30m", -EINVAL}, {"1.2.3 s", -EINVAL}, {"1..2 s", -EINVAL}, {".5 s", -EINVAL}, {"5. s", -EINVAL},
		{"5 s,", -EINVAL}, {"five minutes", -EINVAL}, {"5 s\n", -EINVAL}, {"5\xc2\xa0s", -EINVAL}, {"=5", -EINVAL},
		{"9223372036.854775808", -ERANGE}, {"9223372037 s", -ERANGE}, {"99999999999999999999 s", -ERANGE},
		{"106752 d", -ERANGE}, {"106751d23h48m", -ERANGE}, {"1d9223372036s", -ERANGE},
		{"9999999999999999999999999999999999999999999999999999999999999999999999 d", -ERANGE},
		{"99999999999999999999 h 5 x", -EINVAL},
	};

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		int64_t ns = -1;
		const int rc = lull_duration_parse(cases[i].text, strlen(cases[i].text), &any, &ns);

		if (rc != cases[i].rc || ns != -1)
			fail_msg("'%s': %d, not %d; %lld ns", cases[i].text, rc, cases[i].rc, (long long)ns);
	}
	/* Every piece of a good text ends where it is told to. */
	int64_t ns = -1;

	assert_int_equal(lull_duration_parse("12hXX", 3, &any, &ns), 0);
	assert_int_equal(ns, 12 * HOUR);
	assert_int_equal(lull_duration_parse("5 s\0", 4, &any, &ns), -EINVAL);
}

static void test_bounds(void **state)
{
	static const struct lull_duration_rule rule = {LULL_UNIT_REQUIRED, LULL_SEC, 10 * LULL_MIN};
	static const struct {
		const char *text;
		int rc;
	} cases[] = {{"1 s", 0}, {"10 min", 0}, {"600 s", 0}, {"0.999 s", -ERANGE}, {"0 s", -ERANGE}, {"601 s", -ERANGE}, {"5", -EINVAL}};
	int64_t ns;

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
		assert_int_equal(lull_duration_parse(cases[i].text, strlen(cases[i].text), &rule, &ns), cases[i].rc);
}

static void test_sentences(void **state)
{
	static const struct {
		int error;
		struct lull_duration_rule rule;
		const char *text;
	} cases[] = {
		{-EINVAL, {LULL_IN_S, 0, DAY}, "is no length of time; write 90 s, 5 min, 1.5 h or 1h30m, or a number of seconds"},
		{-EINVAL, {LULL_IN_MIN, 0, DAY}, "is no length of time; write 90 s, 5 min, 1.5 h or 1h30m, or a number of minutes"},
		{-EINVAL, {LULL_UNIT_REQUIRED, 0, DAY}, "is no length of time; write 90 s, 5 min, 1.5 h or 1h30m; the unit is required"},
		{-ERANGE, {LULL_IN_S, 0, DAY}, "is not between 0 s and 24 h"},
		{-ERANGE, {LULL_IN_S, LULL_SEC, 10 * LULL_MIN}, "is not between 1 s and 10 min"},
		{-ERANGE, {LULL_IN_S, 50 * LULL_MS, 7 * DAY}, "is not between 50 ms and 7 d"},
		{-ERANGE, {LULL_IN_S, 6 * LULL_MIN, 100 * HOUR}, "is not between 6 min and 100 h"},
	};
	char out[LULL_DURATION_WHY];

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		assert_string_equal(lull_duration_why(cases[i].error, &cases[i].rule, out, sizeof out), cases[i].text);
		assert_true(strlen(out) + 1 < sizeof out);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(test_accepted), cmocka_unit_test(test_refused), cmocka_unit_test(test_bounds),
		cmocka_unit_test(test_sentences)};

	return cmocka_run_group_tests_name("duration", tests, NULL, NULL);
}
