/* SPDX-License-Identifier: GPL-3.0-or-later */
/* marks: CSV `time,mark` and coverage CSV `bus,from,to,why`, as a person or the recorder writes them. */
#ifndef LULL_SOURCE_MARKS_H
#define LULL_SOURCE_MARKS_H

#include <lull/night.h>

/* Text -> mark: case, space, hyphen do not matter; "test load 420 mA", "unplugged NODE", "fuse out NAME".
 * Always gives a mark (LULL_MARK_OTHER at worst). t is left alone. */
void lull_mark_parse(const char *text, struct lull_mark *);

/* NULL, or what is wrong with the name of the module or circuit in the mark, to be said to whoever sets it: "the name behind 'unplugged'
 * does not begin with a letter or a digit". */
const char *lull_mark_fault(const struct lull_mark *, char *out, size_t size);

/* A time in a file: seconds from the capture's first frame, or ISO 8601 (UTC with Z or offset, local without). */
struct lull_stamp {
	bool absolute;
	int64_t ns; /* UTC ns since 1970, or ns from the first frame */
};
LULL_MUST_CHECK int lull_stamp_parse(const char *text, struct lull_stamp *);

struct lull_stamped_mark {
	struct lull_stamp at;
	struct lull_mark mark;
};
struct lull_stamped_coverage {
	struct lull_stamp from, to;
	char bus[LULL_BUS_NAME]; /* "": all */
	enum lull_coverage_why why;
};

/* Reads the whole file; a bad line is an error with file:line and the way out, and nothing is returned.
 * A header line is optional. Caller frees *out with free(). 0, -EINVAL, or the errno of the file. */
LULL_MUST_CHECK int lull_marks_read(
	const char *path, struct lull_stamped_mark **out, size_t *n, char *err, size_t err_size);
LULL_MUST_CHECK int lull_coverage_read(
	const char *path, struct lull_stamped_coverage **out, size_t *n, char *err, size_t err_size);
/* On memory; name stands for the file in messages. */
LULL_MUST_CHECK int lull_marks_parse_text(const char *name, const char *text, size_t size,
	struct lull_stamped_mark **out, size_t *n, char *err, size_t err_size);
LULL_MUST_CHECK int lull_coverage_parse_text(const char *name, const char *text, size_t size,
	struct lull_stamped_coverage **out, size_t *n, char *err, size_t err_size);

#endif
