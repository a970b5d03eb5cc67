/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_fuse: currents from the voltage drop across a blade fuse.
 *
 * 10 A (7.7 mOhm: 1 mV is 130 mA) and 15 A (4.8 mOhm) are from a maker's table; the other rows are from memory. */
#include <lull/battery.h>

#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>

#include <cmocka.h>

#define assert_near(a, b, within) assert_true(fabs((a) - (b)) <= (within))

static void currents(void **state)
{
	static const struct {
		const char *type;
		double rating_A, mV, shorted_mV, resolution_mV;
		double mA, least_mA;
	} cases[] = {
		{"ato", 10, 1, 0, 0.1, 130, 13}, /* maker's table; least by arithmetic: trade rule 24 */
		{"ATO", 10, 2.3, 0, 0.1, 299, 13},
		{"ato", 15, 1, 0, 0.1, 208, 21},
		{"ato", 30, 0.1, 0, 0.1, 51, 51}, /* from memory; trade rule 24 */
		{"ato", 7.5, 2.2, 0.2, 0.01, 183, 0.9}, /* from memory */
		{"ato", 10, -1, 0, 0.1, -130, 13}, /* leads the other way round */
		{"ato", 10, 1, (double)NAN, (double)NAN, 130, 13},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(*cases); i++) {
		struct lull_band b;
		double least;

		assert_int_equal(lull_fuse_current(cases[i].type, cases[i].rating_A, cases[i].mV,
					 cases[i].shorted_mV, cases[i].resolution_mV, &b, &least),
			0);
		assert_near(b.mid, cases[i].mA, 0.6);
		assert_near(least, cases[i].least_mA, 0.5);
		/* Makers differ by some 10 %. */
		assert_true(b.low <= b.mid - 0.09 * fabs(b.mid) && b.high >= b.mid + 0.09 * fabs(b.mid));
	}
}

/* A reading of 0.0 is "below what can be seen", not nothing. */
static void zero_is_below(void **state)
{
	struct lull_band b;
	double least;

	(void)state;
	assert_int_equal(lull_fuse_current("ato", 10, 0, 0, 0.1, &b, &least), 0);
	assert_true(b.low == 0 && b.mid == 0 && b.high >= least);
}

static void unknown_fuse(void **state)
{
	struct lull_band b;
	double least;

	(void)state;
	assert_int_equal(lull_fuse_current("glass", 10, 1, 0, 0.1, &b, &least), -EINVAL);
	assert_int_equal(lull_fuse_current("ato", 11, 1, 0, 0.1, &b, &least), -EINVAL);
	assert_int_equal(lull_fuse_current(NULL, 10, 1, 0, 0.1, &b, &least), -EINVAL);
	assert_int_equal(lull_fuse_current("ato", (double)NAN, 1, 0, 0.1, &b, &least), -EINVAL);
	assert_int_equal(lull_fuse_current("ato", 10, (double)NAN, 0, 0.1, &b, &least), -EINVAL);
	assert_true(isnan(b.mid));
}

/* By its data sheet: Ohm's law. 7.7 mOhm is the table's 10 A, and gives the same. */
static void by_resistance(void **state)
{
	struct lull_band told, known;
	double told_least, known_least;

	(void)state;
	assert_int_equal(lull_fuse_current_by(7.7, 2.3, 0.1, 0.01, &told, &told_least), 0);
	assert_int_equal(lull_fuse_current("ato", 10, 2.3, 0.1, 0.01, &known, &known_least), 0);
	assert_true(told.low == known.low && told.mid == known.mid && told.high == known.high && told_least == known_least);
	assert_int_equal(lull_fuse_current_by(20, -1, 0, 0.1, &told, &told_least), 0);
	assert_near(told.mid, -50, 1e-9);
	assert_int_equal(lull_fuse_current_by(0, 1, 0, 0.1, &told, &told_least), -EINVAL);
	assert_int_equal(lull_fuse_current_by(-1, 1, 0, 0.1, &told, &told_least), -EINVAL);
	assert_int_equal(lull_fuse_current_by((double)NAN, 1, 0, 0.1, &told, &told_least), -EINVAL);
	assert_true(isnan(told.mid));
}

/* Every row says where it is from; a thicker element has less resistance. */
static void table(void **state)
{
	size_t n;
	const struct lull_fuse_row *row = lull_fuse_table(&n);

	(void)state;
	assert_true(n >= 7);
	for (size_t i = 0; i < n; i++) {
		assert_true(row[i].milliohm > 0);
		assert_true(strlen(row[i].source) > 0);
		if (row[i].rating_A != 10 && row[i].rating_A != 15)
			assert_non_null(strstr(row[i].source, "from memory"));
		if (i > 0 && strcmp(row[i].type, row[i - 1].type) == 0)
			assert_true(row[i].rating_A > row[i - 1].rating_A &&
				row[i].milliohm < row[i - 1].milliohm);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(currents),
		cmocka_unit_test(zero_is_below),
		cmocka_unit_test(unknown_fuse),
		cmocka_unit_test(by_resistance),
		cmocka_unit_test(table),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
