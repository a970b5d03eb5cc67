/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ini_lines: what every INI file of lull shares: inih gets its lines one by one, each known to be text and short enough
 * not to be cut; errors name file and line; a word that is not known brings the nearest one. For the files of src/source
 * only. */
#ifndef LULL_SOURCE_INI_LINES_H
#define LULL_SOURCE_INI_LINES_H

#include <lull/terms.h>

#include <stddef.h>

struct lull_ini {
	const char *name; /* of the file, for messages; borrowed */
	char *err;
	size_t err_size;
	const char *when_long; /* way out for a line that is too long, or NULL */
	/* "[word name]": neither ends in a 0; name may be empty. */
	void (*section)(void *user, const char *word, size_t word_length, const char *name, size_t name_length);
	void (*key)(void *user, const char *key, const char *value);
	void *user;
	unsigned line; /* being read, from 1 */
	int rc; /* 0, or the first error's negative errno */
	const char *text; /* from here on lull_ini_read()'s own */
	size_t size, at;
};

/* The first error stays: "name:line: ...". */
LULL_PRINTF(2, 3) void lull_ini_error(struct lull_ini *, const char *format, ...);
void lull_ini_no_memory(struct lull_ini *);

/* Calls section and key for each of text's until one says an error. More than `most` bytes are no `what`. 0, -EINVAL or
 * -ENOMEM, also in rc. */
LULL_MUST_CHECK int lull_ini_read(struct lull_ini *, const char *text, size_t size, size_t most, const char *what);

/* "WHAT, did you mean 'near'?; known are: a, b": n words, and in the list what stands for each in `shown`, or, if that is
 * NULL, the words. */
void lull_ini_unknown(
	struct lull_ini *, const char *what, const char *given, const char *const *words, const char *const *shown, size_t n);

#endif
