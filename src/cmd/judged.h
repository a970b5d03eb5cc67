/* SPDX-License-Identifier: GPL-3.0-or-later */
/* judged: a recording from its file to a verdict, for the commands that show one. */
#ifndef LULL_CMD_JUDGED_H
#define LULL_CMD_JUDGED_H

#include <lull/verdict.h>

struct lull_judged {
	struct lull_night night;
	struct lull_profile profile;
	struct lull_verdict verdict;
};

/* What the command line adds to the recording; NULL and NAN: nothing. */
struct lull_judged_options {
	const char *recording, *profile, *key_off;
	double limit_draw_mA, limit_sleep_s;
	double flat_after_h, stops_a_day;
	double capacity_Ah, reserve_min, charge, rest_V;
	enum lull_battery_kind battery;
};
struct lull_judged_options lull_judged_options_default(void);

/* Loads and judges. Complains by itself and returns an exit status; 0: clear *j afterwards. */
int lull_judged_load(struct lull_judged *j, const struct lull_judged_options *, const char *who);
void lull_judged_clear(struct lull_judged *j);

#endif
