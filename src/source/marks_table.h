/* SPDX-License-Identifier: GPL-3.0-or-later */
/* marks_table: small CSV files that people write, as marks and coverage share them: comments with #, an
 * optional header, comma or semicolon, errors with file:line. For the files of src/source only. */
#ifndef LULL_SOURCE_MARKS_TABLE_H
#define LULL_SOURCE_MARKS_TABLE_H

#include <source/csv_record.h>
#include <source/marks.h>
#include <stdio.h>

struct lull_table_place {
	const char *name;
	unsigned line;
	char delimiter;
	char *err;
	size_t err_size;
};

/* Is the first record a header? */
typedef bool lull_table_head(const struct lull_csv_record *);
/* 0, or a negative errno, which ends the reading (see lull_table_error()). */
typedef int lull_table_row(void *ctx, const struct lull_table_place *, const struct lull_csv_record *);

/* -EINVAL with a message, -ENOMEM, or what a row returned. */
LULL_MUST_CHECK int lull_table_read(const char *name, const char *text, size_t size, lull_table_head *head,
	lull_table_row *row, void *ctx, char *err, size_t err_size);
/* Writes "name:line: ..." and returns -EINVAL. */
LULL_PRINTF(2, 3) int lull_table_error(const struct lull_table_place *, const char *format, ...);
LULL_MUST_CHECK int lull_table_stamp(
	const struct lull_table_place *, const char *what, struct lull_csv_field, struct lull_stamp *);
/* Equal but for case. */
bool lull_table_is(struct lull_csv_field, const char *word);
/* The file's text, to be freed; a negative errno with a message. */
LULL_MUST_CHECK int lull_table_text(const char *path, char **text, size_t *size, char *err, size_t err_size);

#endif
