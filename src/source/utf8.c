/* SPDX-License-Identifier: GPL-3.0-or-later */
/* utf8: text from outside -> text that can be shown. */
#include <lull/text.h>
#include <source/utf8.h>

#include <string.h>

size_t lull_utf8_length(const char *p, size_t n)
{
	uint32_t c;
	return lull_text_char(p, n, &c);
}

/* The character's length, 0 if it is malformed or a control character. */
static size_t fit_length(const char *p, size_t n)
{
	const unsigned char first = (unsigned char)p[0];
	if (first < 0x20 || first == 0x7f)
		return 0;
	const size_t length = lull_utf8_length(p, n);
	if (length == 2 && first == 0xc2 && (unsigned char)p[1] < 0xa0)
		return 0;
	return length;
}

bool lull_utf8_fit(const char *text, size_t n)
{
	for (size_t i = 0; i < n;) {
		const size_t length = fit_length(text + i, n - i);
		if (!length)
			return false;
		i += length;
	}
	return true;
}

static bool blank(char c)
{
	return c == ' ' || c == '\t';
}

void lull_utf8_clean(char *out, size_t size, const char *text, size_t n)
{
	while (n && blank(*text)) {
		text++;
		n--;
	}
	while (n && blank(text[n - 1]))
		n--;
	memset(out, 0, size);
	for (size_t i = 0, to = 0; i < n;) {
		size_t length = fit_length(text + i, n - i);
		const char *from = length ? text + i : "?";
		if (!length)
			length = 1;
		if (to + length >= size)
			break;
		memcpy(out + to, from, length);
		to += length;
		i += length;
	}
}
