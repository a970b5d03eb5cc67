/* SPDX-License-Identifier: GPL-3.0-or-later */
/* battery: capacity, state of charge from rest voltage, and how long a draw can be borne. Pure.
 *
 * Bands are 95 %. A figure of days is worked out at the middle of each input, and each input's two ends then move
 * it up and down in turn; the moves add as independent errors do (root of the sum of squares), never past what all
 * inputs at their worst give. */
#include <lull/battery.h>

#include <errno.h>
#include <math.h>
#include <string.h>

static const struct {
	const char *name;
	/* Rest voltage at 26.7 C for a charge of 0, 25, 50, 75, 100 %. */
	double rest_V[5];
	/* What a voltage may be off for its charge: acid density, voltmeter, rest not quite over. */
	double rest_error_V;
	/* Share of the charge lost in a month near 20 C. From memory: common figures, no single source. */
	struct lull_band month;
	/* Where rest_V is from. */
	const char *source;
} kinds[] = {
	/* Unknown has no row of its own: it spans the others. */
	[LULL_BATTERY_UNKNOWN] = {"unknown", {0}, 0, {0.01, 0.03, 0.08}, "all kinds"},
	[LULL_BATTERY_FLOODED] = {"flooded", {11.89, 12.06, 12.24, 12.45, 12.65}, 0.06, {0.02, 0.04, 0.08},
		"published table of rest voltage at 26.7 C"},
	[LULL_BATTERY_EFB] = {"efb", {11.90, 12.10, 12.30, 12.50, 12.70}, 0.12, {0.015, 0.03, 0.06},
		"from memory"},
	[LULL_BATTERY_AGM] = {"agm", {11.80, 12.05, 12.35, 12.60, 12.85}, 0.12, {0.01, 0.02, 0.04},
		"from memory"},
	[LULL_BATTERY_GEL] = {"gel", {11.80, 12.00, 12.40, 12.60, 12.80}, 0.06, {0.01, 0.02, 0.04},
		"published table of rest voltage at 26.7 C"},
};

enum { KINDS = sizeof(kinds) / sizeof(*kinds) };

static const struct lull_band no_band = {(double)NAN, (double)NAN, (double)NAN};

int lull_battery_kind_parse(const char *text, enum lull_battery_kind *out)
{
	for (unsigned i = 0; text && i < KINDS; i++)
		if (strcasecmp(text, kinds[i].name) == 0) {
			*out = (enum lull_battery_kind)i;
			return 0;
		}
	return -EINVAL;
}

const char *lull_battery_kind_name(enum lull_battery_kind kind)
{
	return (unsigned)kind < KINDS ? kinds[kind].name : "?";
}

const char *lull_battery_kind_source(enum lull_battery_kind kind)
{
	return (unsigned)kind < KINDS ? kinds[kind].source : "?";
}

/* A reserve capacity is the time for which 25 A flow: RC minutes are RC / 60 x 25 = RC / 2.4 Ah (SAE J537 as cited). At
 * the tiny current of a drain the plates give more: up to 1.4 times, from memory. */
struct lull_band lull_battery_capacity_from_reserve(double minutes)
{
	double at_25_A = minutes / 2.4;

	if (!isfinite(minutes) || minutes <= 0)
		return no_band;
	return (struct lull_band){at_25_A, 1.2 * at_25_A, 1.4 * at_25_A};
}

/* Charge for a voltage, on straight lines between the table's rows. */
static double charge_at(enum lull_battery_kind kind, double volts)
{
	const double *v = kinds[kind].rest_V;

	if (volts <= v[0])
		return 0;
	for (unsigned i = 1; i < 5; i++)
		if (volts < v[i])
			return 0.25 * (i - 1 + (volts - v[i - 1]) / (v[i] - v[i - 1]));
	return 1;
}

/* Below this a cell has gone rather than its charge; above, something is charging; 24 V is two batteries. */
static const double least_V = 9, most_V = 13.2;

struct lull_band lull_battery_charge_from_rest(
	enum lull_battery_kind kind, double volts, double celsius, double hours_since_charging, double draw_A)
{
	if ((unsigned)kind >= KINDS || !(volts >= least_V && volts <= most_V) || hours_since_charging < 4 ||
		fabs(draw_A) > 0.1)
		return no_band;
	if (isnan(celsius))
		celsius = 26.7;
	if (!(celsius >= -40 && celsius <= 80))
		return no_band;
	/* An open cell moves by some 0.25 mV a degree (from memory): too little and too unsure to be taken off. */
	double by_heat = 6 * 0.25e-3 * fabs(celsius - 26.7);
	/* A rest of unknown length: surface charge only ever lifts the voltage. */
	double lifted = isnan(hours_since_charging) ? 0.15 : 0;
	struct lull_band out = {1, 0, 0};
	unsigned counted = 0;

	for (unsigned i = LULL_BATTERY_FLOODED; i < KINDS; i++) {
		enum lull_battery_kind k = (enum lull_battery_kind)i;

		if (kind != LULL_BATTERY_UNKNOWN && k != kind)
			continue;
		double error = hypot(kinds[k].rest_error_V, by_heat);

		out.low = fmin(out.low, charge_at(k, volts - error - lifted));
		out.high = fmax(out.high, charge_at(k, volts + error));
		out.mid += charge_at(k, volts);
		counted++;
	}
	out.mid /= counted;
	return out;
}

/* Hours until the charge has fallen from `from` to `until` (shares of C, in Ah) by a draw of I (A) and a self-discharge
 * that takes k of what is there in an hour: dQ/dt = -I - k Q, so t = ln((I + k Q0) / (I + k Q1)) / k. */
static double hours(double C, double from, double until, double I, double k)
{
	if (from <= until)
		return 0;
	if (I + k * C * until <= 0)
		return (double)INFINITY;
	return log1p(k * C * (from - until) / (I + k * C * until)) / k;
}

static double per_hour(double a_month)
{
	return -log1p(-a_month) / (365.25 / 12 * 24);
}

static bool is_band(const struct lull_band *b)
{
	return isfinite(b->low) && isfinite(b->mid) && isfinite(b->high) && b->low <= b->mid &&
		b->mid <= b->high;
}

struct lull_band lull_battery_days(struct lull_band capacity_Ah, struct lull_band charge,
	struct lull_band draw_mA, double until, enum lull_battery_kind kind)
{
	if ((unsigned)kind >= KINDS || !is_band(&capacity_Ah) || !is_band(&charge) || !is_band(&draw_mA) ||
		capacity_Ah.low <= 0 || !(until > 0 && until <= 1) || charge.low < 0 || charge.high > 1)
		return no_band;
	/* A parked car does not charge its battery: what reads below zero is the clamp's zero. */
	const struct lull_band C = capacity_Ah, q = charge, m = kinds[kind].month;
	const struct lull_band I = {
		1e-3 * fmax(0, draw_mA.low), 1e-3 * fmax(0, draw_mA.mid), 1e-3 * fmax(0, draw_mA.high)};
	const struct lull_band k = {per_hour(m.low), per_hour(m.mid), per_hour(m.high)};
	double mid = hours(C.mid, q.mid, until, I.mid, k.mid);
	const double longer[] = {hours(C.high, q.mid, until, I.mid, k.mid),
		hours(C.mid, q.high, until, I.mid, k.mid), hours(C.mid, q.mid, until, I.low, k.mid),
		hours(C.mid, q.mid, until, I.mid, k.low)};
	const double shorter[] = {hours(C.low, q.mid, until, I.mid, k.mid),
		hours(C.mid, q.low, until, I.mid, k.mid), hours(C.mid, q.mid, until, I.high, k.mid),
		hours(C.mid, q.mid, until, I.mid, k.high)};
	double up = 0, down = 0;

	for (unsigned i = 0; i < 4; i++) {
		up = hypot(up, fmax(0, longer[i] - mid));
		down = hypot(down, fmax(0, mid - shorter[i]));
	}
	double most = hours(C.high, q.high, until, I.low, k.low),
	       least = hours(C.low, q.low, until, I.high, k.high);

	return (struct lull_band){fmax(mid - down, least) / 24, mid / 24, fmin(mid + up, most) / 24};
}

double lull_battery_complaint_mA(double capacity_Ah, double h)
{
	if (!(capacity_Ah > 0) || !(h > 0) || !isfinite(capacity_Ah) || !isfinite(h))
		return (double)NAN;
	return 1000 * capacity_Ah / h;
}
