/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_wall: when a date is believed. */
#include <daemon/wall.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#define YEAR_2024 (INT64_C(1704067200) * LULL_SEC)

static void which_dates_are_believed(void **state)
{
	static const struct {
		int64_t utc;
		bool synchronised;
		int64_t error;
		bool battery;
		/* What comes of it. */
		bool dated;
		int64_t got;
	} cases[] = {
		{YEAR_2024 + 1, true, 5 * LULL_MS, false, true, 5 * LULL_MS},
		{YEAR_2024 + 1, true, 5 * LULL_MS, true, true, 5 * LULL_MS},
		{YEAR_2024 + 1, false, 5 * LULL_MS, true, true, 60 * LULL_SEC},
		{YEAR_2024 + 1, false, 0, false, false, 0},
		/* No clock that says so was ever set, whoever vouches for it. */
		{YEAR_2024 - 1, true, 0, true, false, 0},
		{0, true, 0, false, false, 0},
		{-1, false, 0, true, false, 0},
	};

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		struct lull_moment now = {.utc = cases[i].utc, .dated = true, .error = 77};

		lull_moment_date(&now, cases[i].synchronised, cases[i].error, cases[i].battery);
		if (now.dated != cases[i].dated || now.error != cases[i].got)
			fail_msg("case %zu", i);
	}
}

static void clocks_are_read(void **state)
{
	const int64_t before = lull_boottime();
	const struct lull_moment now = lull_moment_now();
	const int64_t after = lull_boottime();
	char id[37], again[37];

	(void)state;
	assert_true(before > 0 && before <= now.boot && now.boot <= after);
	assert_true(now.error >= 0);
	/* A boot has one ID, of 36 characters, or none can be read. */
	lull_boot_id(id);
	lull_boot_id(again);
	assert_string_equal(id, again);
	assert_true(!id[0] || strlen(id) == 36);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(which_dates_are_believed), cmocka_unit_test(clocks_are_read)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
