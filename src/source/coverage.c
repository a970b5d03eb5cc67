/* SPDX-License-Identifier: GPL-3.0-or-later */
/* coverage: CSV `bus,from,to,why`: when a bus was really observed, as the recorder or a person writes it. */
#include <lull/text.h>
#include <source/marks_table.h>
#include <source/utf8.h>

#include <errno.h>
#include <stdlib.h>
#include <string.h>

struct rows {
	struct lull_stamped_coverage *at;
	size_t n, room;
};

static bool coverage_head(const struct lull_csv_record *r)
{
	return lull_table_is(lull_csv_at(r, 0), "bus") && lull_table_is(lull_csv_at(r, 1), "from");
}

static int unknown_why(const struct lull_table_place *place, const char *why)
{
	char known[400] = "";
	size_t n = 0;
	for (int i = 0; i < LULL_COVERAGE_COUNT; i++) {
		const int more = snprintf(known + n, sizeof known - n, "%s%s", i ? ", " : "",
			lull_coverage_name((enum lull_coverage_why)i));
		if (more < 0 || (size_t)more >= sizeof known - n)
			break;
		n += (size_t)more;
	}
	return lull_table_error(place, "'%s' is no reason; known are: %s", why, known);
}

static int coverage_row(void *ctx, const struct lull_table_place *place, const struct lull_csv_record *r)
{
	struct rows *rows = ctx;
	struct lull_stamped_coverage c;
	memset(&c, 0, sizeof c);
	if (r->count != 4)
		return lull_table_error(place,
			"a line of coverage has four fields, bus, from, to and why, this one has %u",
			r->count);
	const struct lull_csv_field bus = lull_csv_at(r, 0);
	char name[LULL_BUS_NAME * LULL_ESCAPED];
	size_t used = bus.n < sizeof name ? bus.n : sizeof name;
	memcpy(name, bus.at, used);
	used = lull_text_unescape(name, used);
	if (used >= sizeof c.bus || !lull_utf8_fit(name, used))
		return lull_table_error(place,
			"the bus name is longer than %d bytes, no UTF-8 text, or holds control characters",
			LULL_BUS_NAME - 1);
	if (!lull_table_is(bus, "*"))
		lull_utf8_clean(c.bus, sizeof c.bus, name, used);
	int rc = lull_table_stamp(place, "from", lull_csv_at(r, 1), &c.from);
	if (rc == 0)
		rc = lull_table_stamp(place, "to", lull_csv_at(r, 2), &c.to);
	if (rc < 0)
		return rc;
	if (c.from.absolute == c.to.absolute && c.to.ns < c.from.ns)
		return lull_table_error(place, "'to' lies before 'from'");
	char why[64];
	lull_csv_copy(lull_csv_at(r, 3), why, sizeof why);
	if (lull_coverage_parse(why, &c.why) < 0)
		return unknown_why(place, why);
	if (rows->n == rows->room) {
		const size_t room = rows->room ? 2 * rows->room : 16;
		void *grown = realloc(rows->at, room * sizeof *rows->at);
		if (!grown)
			return -ENOMEM;
		rows->at = grown;
		rows->room = room;
	}
	rows->at[rows->n++] = c;
	return 0;
}

int lull_coverage_parse_text(const char *name, const char *text, size_t size,
	struct lull_stamped_coverage **out, size_t *n, char *err, size_t err_size)
{
	struct rows rows = {0};
	const int rc = lull_table_read(name, text, size, coverage_head, coverage_row, &rows, err, err_size);
	if (rc < 0) {
		free(rows.at);
		rows.at = NULL;
		rows.n = 0;
	}
	*out = rows.at;
	*n = rows.n;
	return rc;
}

int lull_coverage_read(
	const char *path, struct lull_stamped_coverage **out, size_t *n, char *err, size_t err_size)
{
	size_t size;
	*out = NULL;
	*n = 0;
	char *text;
	int rc = lull_table_text(path, &text, &size, err, err_size);
	if (rc < 0)
		return rc;
	rc = lull_coverage_parse_text(path, text, size, out, n, err, err_size);
	free(text);
	return rc;
}
