/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_terms: every word reads back, no two are alike. */
#include <lull/rows.h>
#include <lull/terms.h>

#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>

#include <cmocka.h>

#define assert_near(a, b, within) assert_true(fabs((a) - (b)) <= (within))

static void seconds(void **state)
{
	(void)state;
	assert_true(isnan(lull_seconds(LULL_NEVER)));
	assert_near(lull_seconds(1500 * LULL_MS), 1.5, 1e-12);
	assert_near(lull_seconds(-LULL_SEC), -1, 0);
}

static void coverage_words(void **state)
{
	(void)state;
	for (int i = 0; i < LULL_COVERAGE_COUNT; i++) {
		enum lull_coverage_why why = LULL_COVERAGE_COUNT;

		assert_string_not_equal(lull_coverage_name((enum lull_coverage_why)i), "?");
		assert_int_equal(lull_coverage_parse(lull_coverage_name((enum lull_coverage_why)i), &why), 0);
		assert_int_equal(why, i);
	}
	static const struct {
		const char *text;
		int result;
		enum lull_coverage_why why;
	} cases[] = {
		{"Capture-Ended", 0, LULL_BLIND_CAPTURE_ENDED},
		{"bus_off", 0, LULL_BLIND_BUS_OFF},
		{"Error Passive", 0, LULL_BLIND_ERROR_PASSIVE},
		{" OBSERVED ", 0, LULL_OBSERVED},
		{"observe", -EINVAL, LULL_OBSERVED},
		{"observed!", -EINVAL, LULL_OBSERVED},
		{"", -EINVAL, LULL_OBSERVED},
		{"?", -EINVAL, LULL_OBSERVED},
	};
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		enum lull_coverage_why why = LULL_OBSERVED;

		assert_int_equal(lull_coverage_parse(cases[i].text, &why), cases[i].result);
		if (!cases[i].result)
			assert_int_equal(why, cases[i].why);
	}
}

static void code_words(void **state)
{
	(void)state;
	for (int i = 0; i < LULL_CODE_COUNT; i++) {
		enum lull_code code = LULL_CODE_COUNT;

		assert_int_equal(lull_code_parse(lull_code_name((enum lull_code)i), &code), 0);
		assert_int_equal(code, i);
	}
	enum lull_code code;

	assert_int_equal(lull_code_parse("asleep", &code), -EINVAL);
	assert_string_equal(lull_code_name(LULL_WOKEN_FROM_OUTSIDE), "woken-from-outside");
}

static void all_have_names(void **state)
{
	(void)state;
	for (int i = 0; i < LULL_MARK_COUNT; i++)
		assert_string_not_equal(lull_mark_name((enum lull_mark_kind)i), "?");
	assert_string_equal(lull_mark_name(LULL_MARK_STOPPED_LISTENING), "stopped listening");
	assert_string_equal(lull_bus_state_name(LULL_BUS_QUIET), "quiet");
	assert_string_equal(lull_role_name(LULL_WAKER), "waker");
	assert_string_equal(lull_standing_name(LULL_SEEN), "observed");
	assert_string_equal(lull_named_by_name(LULL_BY_SOURCE_ADDRESS), "source-address");
	assert_string_equal(lull_by_name(LULL_FROM_KEY_OFF), "key-off");
	assert_string_equal(lull_limit_source_name(LULL_LIMIT_RULE_OF_THUMB), "rule of thumb");
	assert_string_equal(lull_end_name(LULL_END_RATE), "rate");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(seconds),
		cmocka_unit_test(coverage_words),
		cmocka_unit_test(code_words),
		cmocka_unit_test(all_have_names),
	};
	return cmocka_run_group_tests_name("terms", tests, NULL, NULL);
}
