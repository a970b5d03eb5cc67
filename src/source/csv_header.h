/* SPDX-License-Identifier: GPL-3.0-or-later */
/* csv_header: which column of a CSV of frames holds what. For the files of src/source only. */
#ifndef LULL_SOURCE_CSV_HEADER_H
#define LULL_SOURCE_CSV_HEADER_H

#include <source/capture.h>
#include <source/csv_record.h>

enum csv_column {
	CSV_TIME,
	CSV_ID,
	CSV_EXTENDED,
	CSV_BUS,
	CSV_LENGTH,
	CSV_DATA,
	CSV_REMOTE,
	CSV_ERROR,
	/* As `lull export --frames` has them: */
	CSV_KIND, /* data, remote, fd or error */
	CSV_UTC, /* the date of the same instant as CSV_TIME, which counts from anywhere */
	CSV_COLUMNS
};

struct csv_layout {
	char delimiter;
	int column[CSV_COLUMNS]; /* -1: none */
	int byte[64]; /* one column a byte; byte_count 0: CSV_DATA holds all, or there is no data */
	unsigned byte_count;
	enum lull_time_unit unit; /* told by the header, or LULL_UNIT_AUTO */
	bool decimal_id; /* the header says that IDs are decimal */
};

/* Is this record the header, and does it have a time and an ID? columns may be NULL. */
bool lull_csv_header(
	const struct lull_csv_record *, char delimiter, const struct lull_csv_columns *, struct csv_layout *);
/* The layout where the user told all he needs by number; false if time or ID is not told so. */
bool lull_csv_numbers(const struct lull_csv_columns *, char delimiter, struct csv_layout *);

#endif
