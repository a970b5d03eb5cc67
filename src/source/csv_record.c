/* SPDX-License-Identifier: GPL-3.0-or-later */
/* csv_record: fields of one CSV record (RFC 4180), of any delimiter. */
#include <source/csv_record.h>

#include <string.h>

static bool blank(char c, char delimiter)
{
	return c == ' ' || (c == '\t' && delimiter != '\t');
}

static struct lull_csv_field trim(const char *from, const char *to, char delimiter)
{
	while (from < to && blank(*from, delimiter))
		from++;
	while (to > from && (blank(to[-1], delimiter) || to[-1] == '\r'))
		to--;
	return (struct lull_csv_field){from, (size_t)(to - from)};
}

/* p is behind the opening quote. Returns the place behind the closing one, NULL without any. */
static char *unquote(char *p, const char *end, struct lull_csv_field *f, unsigned *lines)
{
	char *to = p;
	f->at = p;
	for (; p < end; p++) {
		if (*p == '"') {
			if (p + 1 == end || p[1] != '"') {
				f->n = (size_t)(to - f->at);
				return p + 1;
			}
			p++;
		}
		if (*p == '\n' && lines)
			++*lines;
		*to++ = *p;
	}
	return NULL;
}

size_t lull_csv_split(char *text, size_t n, char delimiter, struct lull_csv_record *r, unsigned *lines)
{
	char *p = text;
	const char *end = text + n;
	r->count = 0;
	r->stray = false;
	if (!n)
		return 0;
	for (;;) {
		struct lull_csv_field f;
		char *from = p;
		while (p < end && blank(*p, delimiter))
			p++;
		if (p < end && *p == '"') {
			p = unquote(p + 1, end, &f, lines);
			if (!p) {
				r->count = 0;
				return 0;
			}
			for (; p < end && *p != delimiter && *p != '\n'; p++)
				r->stray |= !blank(*p, delimiter) && *p != '\r';
		} else {
			p = from;
			while (p < end && *p != delimiter && *p != '\n')
				p++;
			f = trim(from, p, delimiter);
		}
		if (r->count < LULL_CSV_FIELDS)
			r->field[r->count] = f;
		r->count++;
		if (p == end)
			return n;
		if (*p++ == '\n') {
			if (lines)
				++*lines;
			return (size_t)(p - text);
		}
	}
}

struct lull_csv_field lull_csv_at(const struct lull_csv_record *r, unsigned i)
{
	if (i < r->count && i < LULL_CSV_FIELDS)
		return r->field[i];
	return (struct lull_csv_field){"", 0};
}

void lull_csv_copy(struct lull_csv_field f, char *out, size_t size)
{
	const size_t n = f.n < size - 1 ? f.n : size - 1;
	memcpy(out, f.at, n);
	out[n] = 0;
}
