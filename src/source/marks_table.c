/* SPDX-License-Identifier: GPL-3.0-or-later */
/* marks_table: small CSV files that people write, as marks and coverage share them. */
#include <source/marks_table.h>
#include <source/profile.h>

#include <errno.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define TEXT_MAX (16u << 20)

int lull_table_error(const struct lull_table_place *place, const char *format, ...)
{
	const int n = snprintf(place->err, place->err_size, "%s:%u: ", place->name, place->line);
	if (n >= 0 && (size_t)n < place->err_size) {
		va_list list;
		va_start(list, format);
		vsnprintf(place->err + n, place->err_size - (size_t)n, format, list);
		va_end(list);
	}
	return -EINVAL;
}

bool lull_table_is(struct lull_csv_field f, const char *word)
{
	return f.n == strlen(word) && !strncasecmp(f.at, word, f.n);
}

int lull_table_stamp(const struct lull_table_place *place, const char *what, struct lull_csv_field f,
	struct lull_stamp *out)
{
	char text[64];
	lull_csv_copy(f, text, sizeof text);
	if (f.n < sizeof text && lull_stamp_parse(text, out) == 0)
		return 0;
	for (char *p = text; *p; p++) {
		if ((unsigned char)*p < 0x20 || (unsigned char)*p >= 0x7f)
			*p = '?';
	}
	return lull_table_error(place,
		"'%s' value \"%s\" is no time; write seconds from the first frame (74.2) or ISO 8601 "
		"(2026-03-05T22:41:07Z)",
		what, text);
}

/* Semicolons if the first line that is no comment has one before any comma. */
static char find_delimiter(const char *p, size_t n)
{
	for (size_t i = 0; i < n;) {
		const char *nl = memchr(p + i, '\n', n - i);
		const size_t stop = nl ? (size_t)(nl - p) : n;
		if (p[i] != '#') {
			for (size_t k = i; k < stop; k++) {
				if (p[k] == ',' || p[k] == ';')
					return p[k];
			}
		}
		i = stop + 1;
	}
	return ',';
}

int lull_table_read(const char *name, const char *text, size_t size, lull_table_head *head,
	lull_table_row *row, void *ctx, char *err, size_t err_size)
{
	struct lull_table_place place = {name, 1, ',', err, err_size};
	char *copy = malloc(size + 1);
	int rc = 0;
	if (!copy) {
		snprintf(err, err_size, "%s: out of memory", name);
		return -ENOMEM;
	}
	if (size)
		memcpy(copy, text, size);
	copy[size] = 0;
	char *p = copy, *end = copy + size;
	if (size >= 3 && !memcmp(p, "\xef\xbb\xbf", 3))
		p += 3;
	place.delimiter = find_delimiter(p, (size_t)(end - p));
	bool first = true;
	struct lull_csv_record r;
	while (p < end) {
		unsigned lines = 0;
		if (*p == '#') {
			const char *nl = memchr(p, '\n', (size_t)(end - p));
			p = nl ? p + (nl - p) + 1 : end;
			place.line++;
			continue;
		}
		const size_t used = lull_csv_split(p, (size_t)(end - p), place.delimiter, &r, &lines);
		if (!used) {
			rc = lull_table_error(&place, "the double quote that begins here is not closed");
			break;
		}
		p += used;
		if (r.stray) {
			rc = lull_table_error(&place,
				"text follows a closing double quote; double the quotes inside a text");
			break;
		}
		const bool blank = r.count == 1 && !r.field[0].n;
		if (!blank && !(first && head(&r))) {
			rc = row(ctx, &place, &r);
			if (rc == -ENOMEM)
				snprintf(err, err_size, "%s: out of memory", name);
			if (rc < 0)
				break;
		}
		first = first && blank;
		place.line += lines;
	}
	free(copy);
	return rc;
}

int lull_table_text(const char *path, char **text, size_t *size, char *err, size_t err_size)
{
	errno = 0;
	*text = lull_text_read(path, TEXT_MAX, size, err, err_size);
	return *text ? 0 : errno ? -errno : -EINVAL;
}
