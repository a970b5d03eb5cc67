/* SPDX-License-Identifier: GPL-3.0-or-later */
/* page: words on a page that may be a terminal: made harmless, measured in columns, wrapped. */
#ifndef LULL_REPORT_PAGE_H
#define LULL_REPORT_PAGE_H

#include <report/report.h>

#define LULL_PAGE_LABEL 14 /* column at which the text beside a label begins */

struct lull_page {
	FILE *out;
	unsigned width;
	bool colour, blocks;
};

enum lull_ink { LULL_INK_NONE, LULL_INK_STRONG, LULL_INK_GOOD, LULL_INK_WARN, LULL_INK_FAINT };

/* Width at least 60; a style of NULL is 80 columns without colour. */
struct lull_page lull_page_new(FILE *, const struct lull_report_style *);

/* Copies text so that it can do nothing to a terminal: control characters (C0, DEL, C1), characters that turn
 * the direction of writing or end a line, and bytes that are no UTF-8 become \xNN or \uNNNN. Cut at a whole
 * character to fit size. Returns out. */
const char *lull_page_clean(const char *text, char *out, size_t size);
/* The same, cut with ".." to at most so many columns. */
const char *lull_page_fit(const char *text, unsigned columns, char *out, size_t size);
/* Columns that a clean text takes: combining marks none, wide East Asian characters two. */
unsigned lull_page_columns(const char *clean);

/* The sequence that switches ink on, or off; "" without colour. */
const char *lull_page_on(const struct lull_page *, enum lull_ink);
const char *lull_page_off(const struct lull_page *, enum lull_ink);

/* One paragraph (cleaned here): `lead` on the first line, spaces as wide as it on the following ones; both
 * start at column `indent`. Words longer than a line are broken. */
void lull_page_para(
	const struct lull_page *, unsigned indent, const char *lead, enum lull_ink, const char *text);
/* A paragraph beside a label: "   Label      text". label "" for a further paragraph under the same label. */
void lull_page_item(const struct lull_page *, const char *label, const char *text);
void lull_page_itemf(const struct lull_page *, const char *label, const char *format, ...) LULL_PRINTF(3, 4);
/* A heading over a rule: "THE NIGHT ------------". right: text at the right end, "" none. */
void lull_page_heading(const struct lull_page *, const char *text, const char *right);

#endif
