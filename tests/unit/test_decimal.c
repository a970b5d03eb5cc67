/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_decimal: numbers as text, to the nanosecond. */
#include <source/decimal.h>

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static void test_values(void **state)
{
	(void)state;
	static const struct {
		const char *text;
		int unit;
		int rc;
		int64_t ns;
	} cases[] = {
		{"0", 9, 0, 0},
		{"1436509052.249713", 9, 0, INT64_C(1436509052249713000)},
		{"1436509052.249713001", 9, 0, INT64_C(1436509052249713001)},
		{"0.1", 9, 0, 100000000},
		{"9e-06", 9, 0, 9000},
		{"1.5E3", 6, 0, 1500000000},
		{"-2.25", 9, 0, -2250000000},
		{"+7", 0, 0, 7},
		{".5", 9, 0, 500000000},
		{"5.", 9, 0, 5000000000},
		{"1,5", 9, 0, 1500000000},
		{"0.0000000005", 9, 0, 1},
		{"0.00000000049999", 9, 0, 0},
		{"0.00000000005", 9, 0, 0},
		{"0.99999999951", 9, 0, 1000000000},
		{"153.20799399999999", 9, 0, INT64_C(153207994000)},
		{"9223372036.854775807", 9, 0, INT64_MAX},
		{"9223372036.854775808", 9, -ERANGE, 0},
		{"-9223372036.854775807", 9, 0, -INT64_MAX},
		{"000000000000000000000000000000000000000000000000000000001", 9, 0, 1000000000},
		{"1e400", 9, -ERANGE, 0},
		{"1e-400", 9, 0, 0},
		{"1e99999999999999999999", 9, -ERANGE, 0},
		{"0e99999999999999999999", 9, 0, 0},
		{"123456789012345678901234567890123456789012345678901234567890", 0, -ERANGE, 0},
		{"0.123456789012345678901234567890123456789012345678901234567890", 9, 0, 123456789},
		{"", 9, -EINVAL, 0},
		{"-", 9, -EINVAL, 0},
		{".", 9, -EINVAL, 0},
		{"1.2.3", 9, -EINVAL, 0},
		{"1e", 9, -EINVAL, 0},
		{"1e+", 9, -EINVAL, 0},
		{"1 ", 9, -EINVAL, 0},
		{"0x10", 9, -EINVAL, 0},
		{"nan", 9, -EINVAL, 0},
		{"inf", 9, -EINVAL, 0},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		int64_t ns = 0;
		const int rc = lull_decimal_ns(cases[i].text, strlen(cases[i].text), cases[i].unit, ',', &ns);
		if (rc != cases[i].rc || (!rc && ns != cases[i].ns))
			fail_msg("\"%s\": %d, %lld", cases[i].text, rc, (long long)ns);
	}
	int64_t ns;
	assert_int_equal(lull_decimal_ns("1,5", 3, 9, '.', &ns), -EINVAL);
}

/* Against the C library: every number of up to 9 digits and 9 places that printf writes. */
static void test_against_printf(void **state)
{
	(void)state;
	uint64_t x = 12345;
	for (int i = 0; i < 20000; i++) {
		char text[40];
		x = x * 6364136223846793005u + 1442695040888963407u;
		const int64_t want = (int64_t)(x >> 2);
		snprintf(text, sizeof text, "%lld.%09lld", (long long)(want / 1000000000),
			(long long)(want % 1000000000));
		int64_t ns;
		assert_int_equal(lull_decimal_ns(text, strlen(text), 9, '.', &ns), 0);
		assert_true(ns == want);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_values), cmocka_unit_test(test_against_printf)};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
