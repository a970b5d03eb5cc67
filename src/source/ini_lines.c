/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ini_lines: lines of an INI file, looked at before inih sees them. */
#include <source/ini_lines.h>
#include <source/nearest.h>
#include <source/utf8.h>

#include <ctype.h>
#include <errno.h>
#include <ini.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define LINE_MAX_BYTES 190 /* inih cuts lines near 198 bytes without a word */

void lull_ini_error(struct lull_ini *ini, const char *format, ...)
{
	va_list list;

	if (ini->rc)
		return;
	ini->rc = -EINVAL;
	const int n = snprintf(ini->err, ini->err_size, "%s:%u: ", ini->name, ini->line);

	if (n < 0 || (size_t)n >= ini->err_size)
		return;
	va_start(list, format);
	(void)vsnprintf(ini->err + n, ini->err_size - (size_t)n, format, list);
	va_end(list);
}

void lull_ini_no_memory(struct lull_ini *ini)
{
	if (ini->rc)
		return;
	ini->rc = -ENOMEM;
	(void)snprintf(ini->err, ini->err_size, "%s: out of memory", ini->name);
}

void lull_ini_unknown(
	struct lull_ini *ini, const char *what, const char *given, const char *const *words, const char *const *shown, size_t n)
{
	const char *near = lull_nearest(given, words, n);
	char list[400] = "";
	size_t used = 0;

	for (size_t i = 0; i < n && used < sizeof list; i++)
		used += (size_t)snprintf(list + used, sizeof list - used, "%s%s", i ? ", " : "", shown ? shown[i] : words[i]);
	lull_ini_error(ini, "%s%s%s%s; known are: %s", what, near ? ", did you mean '" : "", near ? near : "", near ? "'?" : "", list);
}

/* --- lines --- */

static void check_text(struct lull_ini *ini, const char *line, size_t n)
{
	if (n >= LINE_MAX_BYTES)
		lull_ini_error(ini, "the line has %zu bytes, at most %d can be read%s%s", n, LINE_MAX_BYTES - 1, ini->when_long ? "; " : "",
			ini->when_long ? ini->when_long : "");
	for (size_t i = 0; i < n && !ini->rc;) {
		const size_t length = line[i] == '\t' ? 1 : lull_utf8_length(line + i, n - i);

		if (line[i] != '\t' && (!length || !lull_utf8_fit(line + i, length)))
			lull_ini_error(ini, "byte %zu of the line is a control character or no UTF-8; save the file as UTF-8 text", i + 1);
		i += length;
	}
}

static void neither(struct lull_ini *ini)
{
	lull_ini_error(ini, "is neither [section] nor key = value; a comment begins with ; or #");
}

static void without_blanks(const char **text, size_t *n)
{
	while (*n && isblank((unsigned char)**text))
		++*text, --*n;
	while (*n && isblank((unsigned char)(*text)[*n - 1]))
		--*n;
}

/* What stands between the brackets. inih's own copy is cut after 49 bytes. */
static void begin_section(struct lull_ini *ini, const char *title, size_t n)
{
	size_t word = 0;

	without_blanks(&title, &n);
	while (word < n && !isblank((unsigned char)title[word]))
		word++;

	const char *name = title + word;
	size_t rest = n - word;

	without_blanks(&name, &rest);
	ini->section(ini->user, title, word, name, rest);
}

/* inih asks for lines here. It gets each without leading blanks, since it takes an indented line for more of the value
 * above, which would hide a key. */
static char *next_line(char *out, int size, void *stream)
{
	struct lull_ini *ini = stream;

	if (ini->at >= ini->size || ini->rc || size < LINE_MAX_BYTES + 2)
		return NULL;
	const char *p = ini->text + ini->at, *end = ini->text + ini->size, *nl = memchr(p, '\n', (size_t)(end - p));
	size_t n = (size_t)((nl ? nl : end) - p);

	ini->at += n + 1;
	ini->line++;
	if (n && p[n - 1] == '\r')
		n--;
	if (ini->line == 1 && n >= 3 && !memcmp(p, "\xef\xbb\xbf", 3))
		p += 3, n -= 3;
	check_text(ini, p, n);
	without_blanks(&p, &n);
	if (!ini->rc && n && *p == '[') {
		const char *close = memchr(p, ']', n);

		if (close)
			begin_section(ini, p + 1, (size_t)(close - p) - 1);
		else
			lull_ini_error(ini, "the section's closing ']' is missing");
	} else if (!ini->rc && n && *p != ';' && *p != '#' && !memchr(p, '=', n) && !memchr(p, ':', n)) {
		neither(ini);
	}
	if (ini->rc)
		return NULL;
	memcpy(out, p, n);
	out[n] = '\n';
	out[n + 1] = '\0';
	return out;
}

static int take_key(void *user, const char *section, const char *key, const char *value)
{
	struct lull_ini *ini = user;

	(void)section; /* known from begin_section() */
	if (!ini->rc)
		ini->key(ini->user, key, value);
	return 1;
}

int lull_ini_read(struct lull_ini *ini, const char *text, size_t size, size_t most, const char *what)
{
	ini->text = text;
	ini->size = size;
	ini->at = 0;
	ini->line = 0;
	ini->rc = 0;
	if (size > most) {
		ini->line = 1;
		lull_ini_error(ini, "the file has more than %zu bytes: this is no %s", most, what);
		return ini->rc;
	}
	const int bad = ini_parse_stream(next_line, ini, take_key, ini);

	if (bad > 0) {
		ini->line = ini->rc ? ini->line : (unsigned)bad;
		neither(ini);
	} else if (bad < 0) {
		lull_ini_no_memory(ini);
	}
	return ini->rc;
}
