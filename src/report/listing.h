/* SPDX-License-Identifier: GPL-3.0-or-later */
/* listing: rows of named columns as CSV (RFC 4180, but lines end with a line feed alone) or as JSON, one object a line. Units
 * are in the columns' names. What is not known is an empty field in CSV and null in JSON. */
#ifndef LULL_REPORT_LISTING_H
#define LULL_REPORT_LISTING_H

#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

struct lull_listing {
	FILE *out;
	bool json;
	const char *const *columns;
	size_t n, at; /* columns, and the next one of this row */
};

/* Writes the head, in CSV. The columns' names must outlive the table. */
struct lull_listing lull_listing_begin(FILE *, bool json, const char *const *columns, size_t n);
/* The next field. A row is complete, and its line ended, with its last one. */
void lull_listing_text(struct lull_listing *, const char *); /* NULL: not known */
void lull_listing_bus(struct lull_listing *, const char *name); /* NULL: not known */
void lull_listing_number(struct lull_listing *, double); /* NAN or infinite: not known */
void lull_listing_whole(struct lull_listing *, int64_t);
void lull_listing_time(struct lull_listing *, lull_time); /* seconds, to the nanosecond; LULL_NEVER: not known */
void lull_listing_flag(struct lull_listing *, bool);

/* A field as RFC 4180 wants it, foreign text escaped (lull_text_escape()). */
void lull_listing_csv(FILE *, const char *);
/* A bus name as a field: one of digits only has its first escaped, since import takes a number for the bus's place in its file; one
 * that is empty is \u{}, since an empty field is every bus. */
void lull_listing_csv_bus(FILE *, const char *name);

#endif
