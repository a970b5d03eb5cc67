/* SPDX-License-Identifier: GPL-3.0-or-later */
/* utf8: text from outside -> text that can be shown. */
#ifndef LULL_SOURCE_UTF8_H
#define LULL_SOURCE_UTF8_H

#include <stdbool.h>
#include <stddef.h>

/* Bytes of the well-formed character at p (RFC 3629), 0 if there is none. n > 0. */
size_t lull_utf8_length(const char *p, size_t n);
/* Well-formed and without control characters (C0, DEL, C1). */
bool lull_utf8_fit(const char *text, size_t n);
/* Copies what fits into size bytes with the terminator, cut between characters; bytes that are unfit become
 * '?', blanks at both ends go. */
void lull_utf8_clean(char *out, size_t size, const char *text, size_t n);

#endif
