/* SPDX-License-Identifier: GPL-3.0-or-later */
/* listing: rows of named columns as CSV or as JSON, one object a line. */
#include <inttypes.h>
#include <jansson.h>
#include <lull/text.h>
#include <math.h>
#include <report/page.h>
#include <report/listing.h>
#include <stdlib.h>
#include <string.h>

struct lull_listing lull_listing_begin(FILE *out, bool json, const char *const *columns, size_t n)
{
	for (size_t i = 0; i < n && !json; i++)
		(void)fprintf(out, "%s%s", columns[i], i + 1 < n ? "," : "\n");
	return (struct lull_listing){.out = out, .json = json, .columns = columns, .n = n};
}

static void before(const struct lull_listing *t)
{
	if (t->json)
		(void)fprintf(t->out, "%s\"%s\":", t->at ? "," : "{", t->columns[t->at]);
	else if (t->at)
		(void)putc(',', t->out);
}

static void after(struct lull_listing *t)
{
	if (++t->at < t->n)
		return;
	(void)fputs(t->json ? "}\n" : "\n", t->out);
	t->at = 0;
}

static void unknown(struct lull_listing *t)
{
	before(t);
	if (t->json)
		(void)fputs("null", t->out);
	after(t);
}

static void put_json(FILE *out, const char *text)
{
	char clean[4096];
	json_t *j = json_string(text);

	if (!j) /* no UTF-8 */
		j = json_string(lull_page_clean(text, clean, sizeof clean));
	if (j)
		(void)json_dumpf(j, out, JSON_ENCODE_ANY | JSON_ENSURE_ASCII);
	else
		(void)fputs("null", out);
	json_decref(j);
}

/* Quoted if it holds a comma, a quote, or a semicolon, for those who read with one. A line end is escaped. */
void lull_listing_csv(FILE *out, const char *text)
{
	const bool quoted = strpbrk(text, ",\";");
	char piece[LULL_ESCAPED];

	if (quoted)
		(void)putc('"', out);
	for (bool first = true; *text; first = false) {
		if (*text == '"' && !first)
			(void)putc('"', out);
		(void)fputs(lull_text_escape(&text, first, piece), out);
	}
	if (quoted)
		(void)putc('"', out);
}

void lull_listing_csv_bus(FILE *out, const char *name)
{
	if (!*name)
		(void)fputs("\\u{}", out);
	else if (name[strspn(name, "0123456789")])
		lull_listing_csv(out, name);
	else
		(void)fprintf(out, "\\u{%X}%s", (unsigned char)name[0], name + 1);
}

void lull_listing_text(struct lull_listing *t, const char *text)
{
	if (!text) {
		unknown(t);
		return;
	}
	before(t);
	(t->json ? put_json : lull_listing_csv)(t->out, text);
	after(t);
}

void lull_listing_bus(struct lull_listing *t, const char *name)
{
	if (!name || t->json) {
		lull_listing_text(t, name);
		return;
	}
	before(t);
	lull_listing_csv_bus(t->out, name);
	after(t);
}

void lull_listing_number(struct lull_listing *t, double x)
{
	if (!isfinite(x)) {
		unknown(t);
		return;
	}
	before(t);
	(void)fprintf(t->out, "%.10g", x);
	after(t);
}

void lull_listing_whole(struct lull_listing *t, int64_t n)
{
	before(t);
	(void)fprintf(t->out, "%" PRId64, n);
	after(t);
}

void lull_listing_time(struct lull_listing *t, lull_time at)
{
	if (at == LULL_NEVER) {
		unknown(t);
		return;
	}
	const uint64_t size = at < 0 ? 0 - (uint64_t)at : (uint64_t)at;

	before(t);
	(void)fprintf(t->out, "%s%" PRIu64 ".%09" PRIu64, at < 0 ? "-" : "", size / 1000000000u, size % 1000000000u);
	after(t);
}

void lull_listing_flag(struct lull_listing *t, bool yes)
{
	before(t);
	(void)fputs(t->json ? (yes ? "true" : "false") : yes ? "yes" : "no", t->out);
	after(t);
}
