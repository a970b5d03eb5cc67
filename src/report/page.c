/* SPDX-License-Identifier: GPL-3.0-or-later */
/* page: words on a page that may be a terminal: made harmless, measured in columns, wrapped. */
#include <lull/text.h>
#include <report/page.h>
#include <stdarg.h>
#include <string.h>

struct lull_page lull_page_new(FILE *out, const struct lull_report_style *style)
{
	struct lull_page p = {.out = out, .width = 80, .colour = false};

	if (style) {
		p.colour = style->colour;
		p.blocks = style->blocks;
		if (style->width)
			p.width = style->width < 60 ? 60 : style->width;
	}
	return p;
}

static unsigned char_columns(uint32_t c)
{
	if ((c >= 0x300 && c <= 0x36f) || (c >= 0x1ab0 && c <= 0x1aff) || (c >= 0x20d0 && c <= 0x20ff) ||
		(c >= 0xfe00 && c <= 0xfe0f))
		return 0;
	if ((c >= 0x1100 && c <= 0x115f) || (c >= 0x2e80 && c <= 0xa4cf) || (c >= 0xac00 && c <= 0xd7a3) ||
		(c >= 0xf900 && c <= 0xfaff) || (c >= 0xfe30 && c <= 0xfe6f) ||
		(c >= 0xff00 && c <= 0xff60) || (c >= 0xffe0 && c <= 0xffe6) ||
		(c >= 0x1f300 && c <= 0x1faff) || (c >= 0x20000 && c <= 0x3fffd))
		return 2;
	return 1;
}

/* The next harmless piece of *text, at most 10 bytes and a terminator; moves *text on. Returns its columns. */
static unsigned piece(const char **text, char out[static 12])
{
	uint32_t c = 0;
	const size_t n = lull_text_char(*text, strnlen(*text, 4), &c);

	if (!n) {
		(void)snprintf(out, 12, "\\x%02x", (unsigned char)**text);
		(*text)++;
		return 4;
	}
	if (lull_text_acts(c)) {
		(void)snprintf(out, 12, c < 0x100 ? "\\x%02x" : "\\u%04x", (unsigned)c);
		*text += n;
		return (unsigned)strlen(out);
	}
	memcpy(out, *text, n);
	out[n] = 0;
	*text += n;
	return char_columns(c);
}

const char *lull_page_clean(const char *text, char *out, size_t size)
{
	return lull_page_fit(text, ~0u, out, size);
}

const char *lull_page_fit(const char *text, unsigned columns, char *out, size_t size)
{
	size_t used = 0, cut = 0; /* cut: where ".." goes if the rest does not fit */
	unsigned col = 0;

	while (*text) {
		char p[12];
		unsigned w = piece(&text, p);
		size_t n = strlen(p);

		if (col + w > columns) {
			if (columns >= 2 && cut + 3 <= size) {
				memcpy(out + cut, "..", 3);
				return out;
			}
			break;
		}
		if (used + n + 1 > size)
			break;
		memcpy(out + used, p, n);
		used += n;
		col += w;
		if (columns >= 2 && col <= columns - 2)
			cut = used;
	}
	if (size)
		out[used] = 0;
	return out;
}

unsigned lull_page_columns(const char *clean)
{
	unsigned col = 0;

	while (*clean) {
		char p[12];

		col += piece(&clean, p);
	}
	return col;
}

const char *lull_page_on(const struct lull_page *p, enum lull_ink ink)
{
	if (!p->colour)
		return "";
	switch (ink) {
	case LULL_INK_NONE: return "";
	case LULL_INK_STRONG: return "\033[1m";
	case LULL_INK_GOOD: return "\033[32m";
	case LULL_INK_WARN: return "\033[1;33m";
	case LULL_INK_FAINT: return "\033[2m";
	}
	return "";
}

const char *lull_page_off(const struct lull_page *p, enum lull_ink ink)
{
	return p->colour && ink != LULL_INK_NONE ? "\033[0m" : "";
}

static void spaces(FILE *out, unsigned n)
{
	while (n--)
		(void)putc(' ', out);
}

/* One word into `word`; *text is moved behind it. Columns of the word, at most `room`. */
static unsigned next_word(const char **text, char *word, size_t size, unsigned room)
{
	unsigned col = 0;
	size_t used = 0;

	while (**text && **text != ' ' && **text != '\n') {
		const char *before = *text;
		char p[12];
		unsigned w = piece(text, p);
		size_t n = strlen(p);

		if (col + w > room || used + n + 1 > size) {
			*text = before;
			break;
		}
		memcpy(word + used, p, n + 1);
		used += n;
		col += w;
	}
	return col;
}

void lull_page_para(
	const struct lull_page *p, unsigned indent, const char *lead, enum lull_ink ink, const char *text)
{
	unsigned left = indent + lull_page_columns(lead), col = left;
	bool begun = false;

	spaces(p->out, indent);
	(void)fputs(lead, p->out);
	(void)fputs(lull_page_on(p, ink), p->out);
	for (;;) {
		char word[512] = "";
		unsigned w;

		while (*text == ' ' || *text == '\n')
			text++;
		if (!*text)
			break;
		w = next_word(&text, word, sizeof word, p->width > left + 8 ? p->width - left : 8);
		if (begun && col + 1 + w > p->width) {
			(void)fprintf(p->out, "%s\n", lull_page_off(p, ink));
			spaces(p->out, left);
			(void)fputs(lull_page_on(p, ink), p->out);
			col = left;
			begun = false;
		}
		if (begun) {
			(void)putc(' ', p->out);
			col++;
		}
		(void)fputs(word, p->out);
		col += w;
		begun = true;
	}
	(void)fprintf(p->out, "%s\n", lull_page_off(p, ink));
}

void lull_page_item(const struct lull_page *p, const char *label, const char *text)
{
	char lead[64];

	(void)snprintf(lead, sizeof lead, "%-*s", LULL_PAGE_LABEL - 3, label);
	lull_page_para(p, 3, lead, LULL_INK_NONE, text);
}

void lull_page_itemf(const struct lull_page *p, const char *label, const char *format, ...)
{
	char text[1024];
	va_list ap;

	va_start(ap, format);
	(void)vsnprintf(text, sizeof text, format, ap);
	va_end(ap);
	lull_page_item(p, label, text);
}

void lull_page_heading(const struct lull_page *p, const char *text, const char *right)
{
	unsigned a = lull_page_columns(text), b = lull_page_columns(right), i;
	unsigned room = p->width > a + b + 2 ? p->width - a - b - 2 : 1;

	if (!b)
		room++;
	(void)fprintf(p->out, "\n%s%s%s ", lull_page_on(p, LULL_INK_STRONG), text,
		lull_page_off(p, LULL_INK_STRONG));
	for (i = 0; i < room; i++)
		(void)putc('-', p->out);
	(void)fprintf(p->out, b ? " %s\n" : "%s\n", right);
}
