/* SPDX-License-Identifier: GPL-3.0-or-later */
/* battery: capacity, state of charge, how long a draw can be borne; and currents from fuse voltage drops. Pure. */
#ifndef LULL_BATTERY_H
#define LULL_BATTERY_H

#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>

struct lull_band {
	double low, mid, high; /* 95 % */
};

enum lull_battery_kind { LULL_BATTERY_UNKNOWN, LULL_BATTERY_FLOODED, LULL_BATTERY_EFB, LULL_BATTERY_AGM, LULL_BATTERY_GEL };
LULL_MUST_CHECK int lull_battery_kind_parse(const char *, enum lull_battery_kind *);
const char *lull_battery_kind_name(enum lull_battery_kind);
/* Where its table of rest voltages comes from. */
const char *lull_battery_kind_source(enum lull_battery_kind);

/* Ah from reserve capacity in minutes at 25 A: RC/2.4 (SAE J537 as cited) is a lower bound at drain currents; the band
 * reaches to 1.4 times it. */
struct lull_band lull_battery_capacity_from_reserve(double minutes);
/* State of charge (0..1) from a rest voltage of a 12 V battery, by the published table for its kind, at a temperature in
 * degrees C (NAN: 26.7). NAN band when the voltage cannot say: under 4 h after charging, above 0.1 A, off the table (9 to
 * 13.2 V). Hours NAN (not known) widen the band downwards. */
struct lull_band lull_battery_charge_from_rest(enum lull_battery_kind, double volts, double celsius, double hours_since_charging,
	double draw_A);
/* Days until `until` (0.5: half charge; 0.3: a start is doubtful) from `charge`, with self-discharge of the kind a month. NAN band
 * when an input is NAN or no band; a draw below zero counts as zero. */
struct lull_band lull_battery_days(struct lull_band capacity_Ah, struct lull_band charge, struct lull_band draw_mA, double until,
	enum lull_battery_kind);
/* Average current that empties capacity in the hours told: the complaint (trade rule 5). 30 Ah in 72 h = 417 mA. NAN if
 * either is not above zero. */
double lull_battery_complaint_mA(double capacity_Ah, double hours);

/* --- fuses --- */
struct lull_fuse_row {
	const char *type; /* "ato", "mini", ... */
	double rating_A;
	double milliohm; /* cold */
	const char *source; /* where the value comes from */
};
const struct lull_fuse_row *lull_fuse_table(size_t *n);
/* mA through a fuse from its voltage drop, with a band for the spread of makers (some 10 %) and the meter's resolution; -EINVAL
 * for an unknown type or rating. *least_mA: the smallest current this meter can show on it. The sign is the leads'; shorted_mV
 * NAN: not read (0); resolution_mV NAN or 0: 0.1. */
LULL_MUST_CHECK int lull_fuse_current(const char *type, double rating_A, double mV, double shorted_mV, double resolution_mV,
	struct lull_band *mA, double *least_mA);
/* The same through a fuse that is in no table, by its cold resistance as its maker's data sheet has it. -EINVAL unless that is above zero. */
LULL_MUST_CHECK int lull_fuse_current_by(double milliohm, double mV, double shorted_mV, double resolution_mV, struct lull_band *mA, double *least_mA);

#endif
