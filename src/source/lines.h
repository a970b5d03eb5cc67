/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lines: a stream's lines, one by one, in bounded memory. */
#ifndef LULL_SOURCE_LINES_H
#define LULL_SOURCE_LINES_H

#include <source/stream.h>

#define LULL_LINE_MAX 32768

struct lull_lines {
	struct lull_stream *stream;
	char *buffer;
	size_t from, to;
	uint64_t number; /* of the line last given, from 1 */
	bool whole; /* the line last given ended with a line feed */
	bool too_long; /* the line last given was over LULL_LINE_MAX: only its start is there */
};

/* -ENOMEM. */
LULL_MUST_CHECK int lull_lines_open(struct lull_lines *, struct lull_stream *);
void lull_lines_close(struct lull_lines *);
/* The next line without its end (LF or CR LF; a UTF-8 mark before the first is taken off), valid until the
 * next call. False: the end. */
bool lull_lines_next(struct lull_lines *, char **line, size_t *n);

#endif
