/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_battery: capacity, rest voltage and days until flat.
 *
 * Sources stand beside the values; AGM and EFB voltages and self-discharge are from memory. */
#include <lull/battery.h>

#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#define assert_near(a, b, within) assert_true(fabs((a) - (b)) <= (within))
#define NO ((double)NAN)

static struct lull_band exact(double x)
{
	return (struct lull_band){x, x, x};
}

/* SAE J537 as cited: minutes at 25 A, Ah = RC / 2.4. A lower bound at drain currents; 1.4 times it is from memory. */
static void reserve_capacity(void **state)
{
	struct lull_band b = lull_battery_capacity_from_reserve(120);

	(void)state;
	assert_near(b.low, 50, 1e-9);
	assert_near(b.high, 70, 1e-9);
	assert_true(b.low < b.mid && b.mid < b.high);
	assert_true(isnan(lull_battery_capacity_from_reserve(0).mid));
	assert_true(isnan(lull_battery_capacity_from_reserve(-5).mid));
	assert_true(isnan(lull_battery_capacity_from_reserve(NO).mid));
	assert_true(isnan(lull_battery_capacity_from_reserve((double)INFINITY).mid));
}

/* Published table of lead-acid rest voltage at 26.7 C: 12.65/12.45/12.24/12.06/11.89 V flooded,
 * 12.80/12.60/12.40/12.00/11.80 V gel, for 100/75/50/25/0 %. */
static void rest_voltage(void **state)
{
	static const struct {
		enum lull_battery_kind kind;
		double V, charge;
	} rows[] = {
		{LULL_BATTERY_FLOODED, 12.65, 1}, {LULL_BATTERY_FLOODED, 12.45, 0.75},
		{LULL_BATTERY_FLOODED, 12.24, 0.5}, {LULL_BATTERY_FLOODED, 12.06, 0.25},
		{LULL_BATTERY_FLOODED, 11.89, 0}, {LULL_BATTERY_FLOODED, 12.15, 0.375},
		{LULL_BATTERY_GEL, 12.80, 1}, {LULL_BATTERY_GEL, 12.60, 0.75}, {LULL_BATTERY_GEL, 12.40, 0.5},
		{LULL_BATTERY_GEL, 12.00, 0.25}, {LULL_BATTERY_GEL, 11.80, 0}, {LULL_BATTERY_GEL, 11.2, 0},
		{LULL_BATTERY_AGM, 12.85, 1}, {LULL_BATTERY_EFB, 12.7, 1}, /* from memory */
	};

	(void)state;
	for (size_t i = 0; i < sizeof(rows) / sizeof(*rows); i++) {
		struct lull_band b = lull_battery_charge_from_rest(rows[i].kind, rows[i].V, NO, 12, 0.02);

		assert_near(b.mid, rows[i].charge, 1e-9);
		assert_true(b.low <= b.mid && b.mid <= b.high && b.low >= 0 && b.high <= 1);
		assert_true(rows[i].V < 11.5 || b.high - b.low >= 0.05);
		/* A kind that nobody told spans the kinds there are. */
		struct lull_band u =
			lull_battery_charge_from_rest(LULL_BATTERY_UNKNOWN, rows[i].V, NO, 12, 0.02);

		assert_true(u.low <= b.low && u.high >= b.high && u.mid >= u.low && u.mid <= u.high);
		/* A table from memory has the wider band. */
		if (rows[i].charge == 0.5) {
			struct lull_band m =
				lull_battery_charge_from_rest(LULL_BATTERY_AGM, 12.35, NO, 12, 0.02);

			assert_true(m.high - m.low > b.high - b.low);
		}
	}
}

/* Within 4 h of charging, under more than 0.1 A, or off any 12 V battery's table, a voltage says nothing. */
static void rest_voltage_refused(void **state)
{
	static const struct {
		double V, C, h, A;
	} rows[] = {
		{12.5, 20, 3.9, 0},
		{12.5, 20, 12, 0.11},
		{12.5, 20, 12, -0.2},
		{13.4, 20, 12, 0},
		{25.2, 20, 12, 0},
		{8, 20, 12, 0},
		{NO, 20, 12, 0},
		{12.5, 200, 12, 0},
		{12.5, -60, 12, 0},
		{(double)INFINITY, 20, 12, 0},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(rows) / sizeof(*rows); i++)
		for (enum lull_battery_kind k = LULL_BATTERY_UNKNOWN; k <= LULL_BATTERY_GEL; k++) {
			struct lull_band b =
				lull_battery_charge_from_rest(k, rows[i].V, rows[i].C, rows[i].h, rows[i].A);

			assert_true(isnan(b.low) && isnan(b.mid) && isnan(b.high));
		}
	/* What nobody knows widens. */
	struct lull_band told = lull_battery_charge_from_rest(LULL_BATTERY_FLOODED, 12.4, 20, 12, 0.01);
	struct lull_band rest = lull_battery_charge_from_rest(LULL_BATTERY_FLOODED, 12.4, 20, NO, NO);
	struct lull_band cold = lull_battery_charge_from_rest(LULL_BATTERY_FLOODED, 12.4, -20, 12, 0.01);

	assert_true(rest.low < told.low && rest.high >= told.high);
	assert_true(cold.low < told.low && cold.high > told.high);
}

/* Arithmetic: 30 Ah in 72 h are 417 mA (trade rule 5). */
static void complaint(void **state)
{
	(void)state;
	assert_near(lull_battery_complaint_mA(30, 72), 417, 0.5);
	assert_true(isnan(lull_battery_complaint_mA(0, 72)));
	assert_true(isnan(lull_battery_complaint_mA(30, 0)));
	assert_true(isnan(lull_battery_complaint_mA(NO, 72)));
}

static void days(void **state)
{
	/* Arithmetic: from 80 to 50 % of 60 Ah are 18 Ah: at 1 A 18 h, in which self-discharge does next to nothing. */
	struct lull_band b = lull_battery_days(exact(60), exact(0.8), exact(1000), 0.5, LULL_BATTERY_AGM);

	(void)state;
	assert_near(b.mid, 0.75, 0.01);
	assert_true(b.low <= b.mid && b.mid <= b.high);
	/* No draw: 100 % to 96 % in a month is the self-discharge of the flooded kind itself (from memory). */
	b = lull_battery_days(exact(60), exact(1), exact(0), 0.96, LULL_BATTERY_FLOODED);
	assert_near(b.mid, 365.25 / 12, 0.01);
	assert_true(b.low < 0.6 * b.mid && b.high > 1.9 * b.mid);
	/* Flat already. */
	b = lull_battery_days(exact(60), exact(0.4), exact(50), 0.5, LULL_BATTERY_UNKNOWN);
	assert_true(b.low == 0 && b.mid == 0 && b.high == 0);
	/* A clamp that reads below zero does not charge the battery. */
	b = lull_battery_days(
		exact(60), exact(0.8), (struct lull_band){-20, -5, 10}, 0.5, LULL_BATTERY_FLOODED);
	assert_true(
		isfinite(b.low) && isfinite(b.mid) && isfinite(b.high) && b.low <= b.mid && b.mid <= b.high);
	/* Nothing known, nothing told. */
	b = lull_battery_days(exact(NO), exact(0.8), exact(50), 0.5, LULL_BATTERY_FLOODED);
	assert_true(isnan(b.mid));
	assert_true(
		isnan(lull_battery_days(exact(60), exact(0.8), exact(NO), 0.5, LULL_BATTERY_FLOODED).mid));
	assert_true(isnan(lull_battery_days(exact(60), exact(80), exact(50), 0.5, LULL_BATTERY_FLOODED).mid));
	assert_true(isnan(lull_battery_days(exact(60), exact(0.8), exact(50), NO, LULL_BATTERY_FLOODED).mid));
	assert_true(
		isnan(lull_battery_days(exact(-1), exact(0.8), exact(50), 0.5, LULL_BATTERY_FLOODED).mid));
}

static double drawn(gsl_rng *rng, struct lull_band b)
{
	double z = gsl_ran_ugaussian(rng);

	return b.mid + z / 1.96 * (z > 0 ? b.high - b.mid : b.mid - b.low);
}

/* The band against 20,000 drawn batteries: it holds about 95 % of them. */
static void days_band(void **state)
{
	const struct lull_band capacity = {50, 60, 70}, charge = {0.7, 0.8, 0.85}, draw = {40, 55, 75};
	struct lull_band b = lull_battery_days(capacity, charge, draw, 0.5, LULL_BATTERY_FLOODED);
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	unsigned inside = 0, n = 20000;

	(void)state;
	gsl_rng_set(rng, 5);
	for (unsigned i = 0; i < n; i++) {
		double Ah = drawn(rng, capacity), q = drawn(rng, charge), mA = drawn(rng, draw);
		double month = drawn(rng, (struct lull_band){0.02, 0.04, 0.08});
		/* In small steps of an hour, not by the formula under test. */
		double Q = Ah * q, h = 0;

		while (Q > 0.5 * Ah) {
			Q -= mA * 1e-3 + Q * month / (365.25 / 12 * 24);
			h++;
		}
		inside += h / 24 >= b.low && h / 24 <= b.high;
	}
	gsl_rng_free(rng);
	assert_true(inside >= 0.92 * n && inside <= 0.99 * n);
}

static void kinds(void **state)
{
	enum lull_battery_kind kind;

	(void)state;
	for (enum lull_battery_kind k = LULL_BATTERY_UNKNOWN; k <= LULL_BATTERY_GEL; k++) {
		assert_int_equal(lull_battery_kind_parse(lull_battery_kind_name(k), &kind), 0);
		assert_int_equal(kind, k);
		assert_true(strlen(lull_battery_kind_source(k)) > 0);
	}
	assert_int_equal(lull_battery_kind_parse("AGM", &kind), 0);
	assert_int_equal(kind, LULL_BATTERY_AGM);
	assert_int_equal(lull_battery_kind_parse("lithium", &kind), -EINVAL);
	assert_int_equal(lull_battery_kind_parse(NULL, &kind), -EINVAL);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(reserve_capacity),
		cmocka_unit_test(rest_voltage),
		cmocka_unit_test(rest_voltage_refused),
		cmocka_unit_test(complaint),
		cmocka_unit_test(days),
		cmocka_unit_test(days_band),
		cmocka_unit_test(kinds),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
