/* SPDX-License-Identifier: GPL-3.0-or-later */
/* compare (report): two nights beside each other, as text or JSON. */
#ifndef LULL_REPORT_COMPARE_H
#define LULL_REPORT_COMPARE_H

#include <lull/compare.h>
#include <report/report.h>

/* names: of the two recordings. 0 or a negative errno of the stream. */
LULL_MUST_CHECK int lull_compare_text(
	FILE *, const struct lull_comparison *, const char *before, const char *after, const struct lull_report_style *);
/* Format lull.compare, 1. */
LULL_MUST_CHECK int lull_compare_json(FILE *, const struct lull_comparison *, const char *before, const char *after);

/* One self-contained page (html_compare.c). */
LULL_MUST_CHECK int lull_compare_html(FILE *, const struct lull_comparison *, const char *before, const char *after);

/* The words of it, for every form. */
const char *lull_compare_headline(const struct lull_comparison *);
const char *lull_compare_title(enum lull_measure);
const char *lull_compare_said(enum lull_difference);
const char *lull_compare_fate(enum lull_fate);

#endif
