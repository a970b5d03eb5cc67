/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuses: readings across fuses as currents, ranked, with what they cannot show and how to take them safely. */
#ifndef LULL_REPORT_FUSES_H
#define LULL_REPORT_FUSES_H

#include <lull/battery.h>
#include <report/page.h>

struct lull_fuse_reading {
	const char *name, *type;
	double rating_A, mV;
	double milliohm; /* told; NAN: by type and rating */
	double after_mV; /* with a suspect unplugged; NAN: not read */
	struct lull_band mA; /* by lull_fuse_current(); its sign is the leads' */
	double least_mA; /* the smallest current the meter shows on this fuse */
	struct lull_band less_mA; /* before minus after, where after_mV is there */
};

void lull_fuses_one(const struct lull_page *, const struct lull_fuse_reading *);
/* Ranks them, sums up, compares with clamp_mA (NAN: not told). -ENOMEM. */
LULL_MUST_CHECK int lull_fuses_survey(const struct lull_page *, const struct lull_fuse_reading *, size_t n, double clamp_mA);
/* Resistances, each with its source. */
void lull_fuses_table(const struct lull_page *);

#endif
