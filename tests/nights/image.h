/* SPDX-License-Identifier: GPL-3.0-or-later */
/* image: a night as the bytes of a recording, for tests that change single values of it. What cannot be done ends the program. */
#ifndef LULL_TESTS_IMAGE_H
#define LULL_TESTS_IMAGE_H

#include "store/recording.h"

struct image {
	unsigned char *bytes; /* sqlite3_free() it */
	sqlite3_int64 size;
	int64_t rows[LULL_TABLE_COUNT]; /* numbered from 1 on in their table's order */
};
struct image image_of(const struct lull_night *);
/* A database of its own in memory from these bytes, whatever they are. */
sqlite3 *image_open(const unsigned char *bytes, size_t size);

#endif
