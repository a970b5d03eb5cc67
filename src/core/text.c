/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text: what a name may be, and the escape of foreign text. Pure. */
#include <lull/text.h>

#include <stdio.h>
#include <string.h>

size_t lull_text_char(const char *s, size_t n, uint32_t *c)
{
	static const uint32_t least[] = {0, 0, 0x80, 0x800, 0x10000};
	const unsigned char *b = (const unsigned char *)s;
	const size_t length = b[0] < 0x80 ? 1 : b[0] < 0xc2 ? 0 : b[0] < 0xe0 ? 2 : b[0] < 0xf0 ? 3 : b[0] < 0xf5 ? 4 : 0;

	if (length < 2) {
		*c = b[0];
		return length;
	}
	if (length > n)
		return 0;
	*c = b[0] & (0x7fu >> length);
	for (size_t i = 1; i < length; i++) {
		if ((b[i] & 0xc0) != 0x80)
			return 0;
		*c = *c << 6 | (b[i] & 0x3fu);
	}
	return *c >= least[length] && *c <= 0x10ffff && (*c < 0xd800 || *c > 0xdfff) ? length : 0;
}

const char *lull_name_fault(const char *name, size_t n)
{
	uint32_t c;

	if (!n)
		return "is empty";
	for (size_t i = 0; i < n;) {
		const size_t length = lull_text_char(name + i, n - i, &c);

		if (!length)
			return "is no UTF-8 text";
		if (lull_text_acts(c))
			return "holds a control character or a mark of writing direction";
		if (!i && !lull_text_letter(c))
			return "does not begin with a letter or a digit";
		i += length;
	}
	return NULL;
}

const char *lull_text_escape(const char **text, bool first, char out[LULL_ESCAPED])
{
	const char *s = *text;
	uint32_t c;
	const size_t length = lull_text_char(s, strlen(s), &c);

	*text += length ? length : 1;
	if (!length)
		(void)snprintf(out, LULL_ESCAPED, "%s", first ? "\\u{3F}" : "?");
	else if ((first && !lull_text_letter(c)) || lull_text_acts(c) || (c == '\\' && s[1] == 'u' && s[2] == '{'))
		(void)snprintf(out, LULL_ESCAPED, "\\u{%X}", (unsigned)c);
	else
		(void)snprintf(out, LULL_ESCAPED, "%.*s", (int)length, s);
	return out;
}

static int hex_digit(char c)
{
	return c >= '0' && c <= '9' ? c - '0' : c >= 'A' && c <= 'F' ? c - 'A' + 10 : c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

/* The escape at s: its bytes and its character; 0: there is none. */
static size_t escape_at(const char *s, size_t n, uint32_t *c)
{
	size_t i = 3;

	if (n < 5 || memcmp(s, "\\u{", 3) != 0)
		return 0;
	for (*c = 0; i < n && i < 9 && hex_digit(s[i]) >= 0; i++)
		*c = *c << 4 | (uint32_t)hex_digit(s[i]);
	return i > 3 && i < n && s[i] == '}' && *c && *c <= 0x10ffff && (*c < 0xd800 || *c > 0xdfff) ? i + 1 : 0;
}

static size_t put_char(char *out, uint32_t c)
{
	const size_t n = c < 0x80 ? 1 : c < 0x800 ? 2 : c < 0x10000 ? 3 : 4;

	for (size_t i = n - 1; i; i--, c >>= 6)
		out[i] = (char)(0x80 | (c & 0x3f));
	out[0] = (char)(n == 1 ? c : (0xf00u >> n & 0xff) | c);
	return n;
}

size_t lull_text_unescape(char *text, size_t n)
{
	size_t to = 0;

	for (size_t i = 0; i < n;) {
		uint32_t c;
		const size_t used = escape_at(text + i, n - i, &c);

		if (used) {
			to += put_char(text + to, c);
			i += used;
		} else {
			text[to++] = text[i++];
		}
	}
	return to;
}
