/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text: what a name may be, and the escape that keeps foreign text harmless in a spreadsheet. Pure; text is UTF-8. */
#ifndef LULL_TEXT_H
#define LULL_TEXT_H

#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>

/* Bytes of the well-formed character at s (RFC 3629: no overlong form, no surrogate, nothing above U+10FFFF), n > 0; 0: there is
 * none. *c is the character. */
size_t lull_text_char(const char *s, size_t n, uint32_t *c);
/* A letter or a decimal digit of any script. */
bool lull_text_letter(uint32_t c);
/* Acts instead of showing: controls, ends of lines and paragraphs, marks of writing direction and other format characters. */
bool lull_text_acts(uint32_t c);

/* What names of buses, modules and circuits have to be: UTF-8 that begins with a letter or a digit and holds no character that acts.
 * So no name is a formula in a spreadsheet, and none shows otherwise than it is. NULL: it is such a name; else what is wrong, to
 * stand behind "the name": "does not begin with a letter or a digit". */
const char *lull_name_fault(const char *name, size_t n);

/* The escape. Names can reach a recording from another program, and older programs took any. In CSV and pcapng that lull writes
 *   - a text that does not begin with a letter or a digit has its first character,
 *   - every character that acts is,
 *   - a backslash before "u{" is
 * written as \u{HEX}, the number of the character: "=1+1" becomes "\u{3D}1+1". Everything else stays as it is. lull_text_unescape()
 * of an escaped text is the text. */
#define LULL_ESCAPED 12 /* bytes of one escaped character, with the terminator */
/* The next piece of *text, which is not at its end, and moves on; `first`: it is the text's first. Bytes that are no UTF-8 become
 * '?'. Returns out. */
const char *lull_text_escape(const char **text, bool first, char out[LULL_ESCAPED]);
/* Undoes it in place, in n bytes; \u{...} that names no character stays. Returns the bytes that are left. */
size_t lull_text_unescape(char *text, size_t n);

#endif
