/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text_night: the part of the text report that tells the night itself. */
#ifndef LULL_REPORT_TEXT_NIGHT_H
#define LULL_REPORT_TEXT_NIGHT_H

#include <report/page.h>
#include <report/when.h>

/* Key-off, settling, limits, marks; each bus with its spells; what was blind and why. */
void lull_text_night(const struct lull_page *, const struct lull_when *, const struct lull_verdict *);

#define LULL_WAKE_GROUPS_MOST 6
/* The kinds of wakes of one bus: nothing if it had none. */
void lull_text_wakes(const struct lull_page *, const struct lull_when *, const struct lull_verdict *, unsigned bus);

#endif
