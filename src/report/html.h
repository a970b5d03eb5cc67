/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html: the report as one self-contained page, for handing over and for printing. For the files html*.c only.
 *
 * Nothing is loaded from anywhere: style and script are in the page, pictures are SVG drawn here. What an enum or a figure
 * is called comes from words.h, as in the text report. Every figure that the JSON report has carries it unrounded in
 * data-v, so that a test can hold the two against each other. */
#ifndef LULL_REPORT_HTML_H
#define LULL_REPORT_HTML_H

#include <lull/order.h>
#include <report/report.h>
#include <report/when.h>

struct lull_html {
	FILE *out;
	const struct lull_night *night;
	const struct lull_verdict *v;
	struct lull_when when;
	const struct lull_order *order; /* NULL: no head */
	unsigned pictures; /* so far, for ids */
};

/* The page up to <body>, and from the script on. */
void lull_html_begin(FILE *, const char *title, bool linked);
void lull_html_end(FILE *, bool linked); /* within <footer> */

/* --- words --- */

/* Text as it may stand in an element or a quoted attribute: made harmless (page.h) and escaped. */
void lull_html_text(FILE *, const char *);
void lull_html_textf(FILE *, const char *format, ...) LULL_PRINTF(2, 3);
/* <td> with a number of so many decimals and its unrounded value for sorting; an empty one for NAN. */
void lull_html_number(FILE *, double, unsigned decimals, const char *unit);

/* --- the page's parts, in order --- */

void lull_html_verdict(struct lull_html *); /* html_verdict.c: the statements, who, cost, next */
void lull_html_evidence(struct lull_html *); /* and what speaks for each */
void lull_html_night(struct lull_html *); /* html_night.c: current, buses, rows, marks, one time axis */
void lull_html_key_off(struct lull_html *); /* html_key_off.c: who stopped when, and the last minute */
void lull_html_wakes(struct lull_html *); /* html_wakes.c: the first second of each group of wakes */
void lull_html_cost(struct lull_html *); /* html_cost.c: charge by cause, the battery's forecast */
void lull_html_tables(struct lull_html *); /* html_tables.c: what the pictures rest on, as tables */

/* --- pictures --- */

/* A picture is so many units wide; its time axis begins at LEFT and is SPAN long. */
#define LULL_HTML_WIDTH 1000
#define LULL_HTML_LEFT 150
#define LULL_HTML_SPAN 840
#define LULL_HTML_COLUMNS 1680 /* distinct instants of a row: two a unit */

struct lull_html_axis {
	lull_time from, to; /* to > from */
};
/* 1, 2 or 5 times a power of ten, not below x, which is above 0: the end of an axis. */
double lull_html_round_above(double x);
/* Units from the picture's left edge, within the axis. */
double lull_html_x(const struct lull_html_axis *, lull_time);

/* <figure> with a picture, its title and what it shows in words, for who cannot see it. */
void lull_html_picture(struct lull_html *, const char *name, unsigned height, const char *title, const char *shows);
void lull_html_picture_end(struct lull_html *, const char *caption);
/* Ticks with lines from top to bottom: local time above where a clock is known, time since key-off below. */
void lull_html_axis(struct lull_html *, const struct lull_html_axis *, double top, double bottom);
/* The same for a short piece: seconds from `zero`, below only. */
void lull_html_seconds(struct lull_html *, const struct lull_html_axis *, lull_time zero, double top, double bottom);
/* Names left of a row; cut to fit, whole in its tooltip. */
void lull_html_label(struct lull_html *, double y, const char *text, bool strong);
/* Marks and key-off as numbered lines from top to bottom, those within the axis. */
void lull_html_marks(struct lull_html *, const struct lull_html_axis *, double top, double bottom);
/* Hatching where a bus (LULL_BUS_ALL: every bus) could not be heard. */
void lull_html_blind(struct lull_html *, const struct lull_html_axis *, unsigned bus, double top, double bottom);

/* html_row.c: one row of when something sent. Runs closer than a column are one. */
struct lull_html_row {
	FILE *out;
	const struct lull_html_axis *axis;
	double y; /* middle */
	int from, to; /* columns of the run that is open; from < 0: none */
	int pen; /* column where the last run ended */
	bool any;
};
struct lull_html_row lull_html_row_begin(FILE *, const struct lull_html_axis *, double y, const char *css);
/* Instants in order of their beginning. */
void lull_html_row_add(struct lull_html_row *, lull_time from, lull_time to);
void lull_html_row_end(struct lull_html_row *);

#endif
