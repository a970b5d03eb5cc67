/* SPDX-License-Identifier: GPL-3.0-or-later */
/* csv_record: fields of one CSV record (RFC 4180), of any delimiter. */
#ifndef LULL_SOURCE_CSV_RECORD_H
#define LULL_SOURCE_CSV_RECORD_H

#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>

#define LULL_CSV_FIELDS 96

struct lull_csv_field {
	const char *at; /* into the text, blanks at both ends taken off (not those in quotes) */
	size_t n;
};

struct lull_csv_record {
	unsigned count; /* of fields in the record; only the first LULL_CSV_FIELDS are in field */
	bool stray; /* something stood between a closing quote and the next delimiter, and was dropped */
	struct lull_csv_field field[LULL_CSV_FIELDS];
};

/* Splits the record at *text, of at most n bytes, and returns how many bytes it took, its line end with it.
 * Quoted fields may span lines; doubled quotes are undone in place. `lines` (may be NULL) counts line
 * feeds. 0: n is 0, or a quote that is not closed (then record->count is 0). */
LULL_MUST_CHECK size_t lull_csv_split(
	char *text, size_t n, char delimiter, struct lull_csv_record *, unsigned *lines);
/* Field i, or an empty one. */
struct lull_csv_field lull_csv_at(const struct lull_csv_record *, unsigned i);
/* Copies a field with its terminator, cut to size. */
void lull_csv_copy(struct lull_csv_field, char *out, size_t size);

#endif
