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

#endif
