/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text_current: the part of the text report that tells the current and the battery, and the night as a chart. */
#ifndef LULL_REPORT_TEXT_CURRENT_H
#define LULL_REPORT_TEXT_CURRENT_H

#include <report/page.h>
#include <report/when.h>

/* The clamp's log: lining up, zero, quiet level against the limit, average, complaint, battery, steps, what nodes draw.
 * Nothing without a log but a complaint's or battery's own lines. */
void lull_text_current(const struct lull_page *, const struct lull_when *, const struct lull_verdict *);

/* text_chart.c: one row for the current, one for each bus, time from left to right. Told by shapes, not by colour; in ASCII
 * unless the page takes more. */
void lull_text_chart(const struct lull_page *, const struct lull_when *, const struct lull_verdict *);
/* text_draws: of each node. */
void lull_text_draws(const struct lull_page *, const struct lull_when *, const struct lull_verdict *);

#endif
