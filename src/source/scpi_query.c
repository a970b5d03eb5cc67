/* SPDX-License-Identifier: GPL-3.0-or-later */
/* scpi_query: which texts may be sent to an instrument. */
#include <source/scpi_query.h>

#include <stddef.h>
#include <string.h>

#define DIGITS "0123456789"
#define LETTERS "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
#define FIRST_LETTERS 3 /* of the first mnemonic, at least */
#define OTHER_LETTERS 2
#define MOST_DIGITS 2

bool lull_scpi_query_ok(const char *text)
{
	size_t least = FIRST_LETTERS;

	for (;; text++) {
		const size_t letters = strspn(text, LETTERS), digits = strspn(text + letters, DIGITS);

		if (letters < least || digits > MOST_DIGITS)
			return false;
		text += letters + digits;
		if (*text != ':')
			break;
		least = OTHER_LETTERS;
	}
	if (*text++ != '?')
		return false;
	if (!*text)
		return true;
	if (*text++ != ' ' || !*text)
		return false;
	return !text[strspn(text, LETTERS DIGITS ".,:()@")];
}
