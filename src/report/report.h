/* SPDX-License-Identifier: GPL-3.0-or-later */
/* report: a verdict as text, JSON, or a table of IDs. Each form is one file in this folder. */
#ifndef LULL_REPORT_H
#define LULL_REPORT_H

#include <lull/order.h>
#include <lull/verdict.h>
#include <stdio.h>

struct lull_report_style {
	bool colour; /* never alone carrying meaning */
	bool blocks; /* block characters may be shown; else ASCII */
	unsigned width; /* columns, 60 at least; 80 by default */
	const char *name; /* of the recording, for the head; may be NULL */
	bool linked; /* HTML: style and script are /report.css and /report.js, not inside */
	const struct lull_order *order; /* head of the work order, HTML only; may be NULL */
};

/* 0 or a negative errno of the stream. */
LULL_MUST_CHECK int lull_report_text(
	FILE *, const struct lull_night *, const struct lull_verdict *, const struct lull_report_style *);
/* Format 1 of the report's JSON. */
LULL_MUST_CHECK int lull_report_json(
	FILE *, const struct lull_night *, const struct lull_verdict *, const struct lull_report_style *);
/* One self-contained page for a browser or a printer. */
LULL_MUST_CHECK int lull_report_html(
	FILE *, const struct lull_night *, const struct lull_verdict *, const struct lull_report_style *);
/* Who sent after key-off, how long, how often, until when. */
LULL_MUST_CHECK int lull_report_ids(
	FILE *, const struct lull_night *, const struct lull_verdict *, const struct lull_report_style *);

#endif
