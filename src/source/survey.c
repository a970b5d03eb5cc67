/* SPDX-License-Identifier: GPL-3.0-or-later */
/* survey: CSV of voltage drops across fuses. */
#include <lull/text.h>
#include <source/decimal.h>
#include <source/marks_table.h>
#include <source/survey.h>
#include <source/utf8.h>

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

enum column { FUSE, TYPE, RATING, BEFORE, AFTER, OHMS, COLUMNS };

struct reader {
	int at[COLUMNS]; /* -1: not there */
	bool headed;
	struct lull_survey_row *row;
	size_t n, room;
};

int lull_survey_value(const char *text, size_t n, const char *unit, double *value)
{
	const size_t k = strlen(unit);
	int64_t scaled;
	if (n > k && !strncasecmp(text + n - k, unit, k))
		n -= k;
	while (n && text[n - 1] == ' ')
		n--;
	while (n && *text == ' ') {
		text++;
		n--;
	}
	if (lull_decimal_ns(text, n, 9, ',', &scaled) < 0)
		return -EINVAL;
	*value = (double)scaled / 1e9;
	return 0;
}

/* "Rating (A)" -> "rating", "mV" -> "mv". */
static void plain(struct lull_csv_field f, char out[24])
{
	size_t k = 0;
	for (size_t i = 0; i < f.n && k < 23 && f.at[i] != '(' && f.at[i] != '[' && f.at[i] != '_'; i++) {
		if (f.at[i] != ' ')
			out[k++] = (char)tolower((unsigned char)f.at[i]);
	}
	out[k] = 0;
}

static int named(const char *name)
{
	static const struct {
		const char *name;
		enum column column;
	} known[] = {{"fuse", FUSE}, {"circuit", FUSE}, {"name", FUSE}, {"type", TYPE}, {"kind", TYPE}, {"rating", RATING},
		{"amps", RATING}, {"a", RATING}, {"millivolts", BEFORE}, {"millivolt", BEFORE}, {"mv", BEFORE},
		{"before", BEFORE}, {"drop", BEFORE}, {"after", AFTER}, {"milliohm", OHMS},
		{"milliohms", OHMS}, {"mohm", OHMS}};
	for (size_t i = 0; i < sizeof known / sizeof *known; i++) {
		if (!strcmp(name, known[i].name))
			return (int)known[i].column;
	}
	return -1;
}

/* lull_table_read() asks for the header before it has a place for the answer: it is looked at here only, and read as a row. */
static bool no_head(const struct lull_csv_record *r)
{
	(void)r;
	return false;
}

static bool is_head(const struct lull_csv_record *r)
{
	char name[24];
	unsigned found = 0;
	for (unsigned i = 0; i < r->count && i < LULL_CSV_FIELDS; i++) {
		plain(lull_csv_at(r, i), name);
		found += named(name) >= 0;
	}
	return found >= 3;
}

static int take_head(struct reader *s, const struct lull_table_place *place, const struct lull_csv_record *r)
{
	static const char *const words[] = {"fuse", "type", "rating", "millivolts"};
	char name[24];
	for (int c = 0; c < COLUMNS; c++)
		s->at[c] = -1;
	for (unsigned i = 0; i < r->count && i < LULL_CSV_FIELDS; i++) {
		plain(lull_csv_at(r, i), name);
		const int c = named(name);
		if (c >= 0 && s->at[c] < 0)
			s->at[c] = (int)i;
	}
	for (int c = FUSE; c <= BEFORE; c++) {
		if (s->at[c] < 0)
			return lull_table_error(place, "the header has no column '%s'; a survey is fuse,type,rating,millivolts", words[c]);
	}
	return 0;
}

static int number(const struct lull_table_place *place, struct lull_csv_field f, const char *what, const char *unit,
	double *value)
{
	char text[40];
	if (lull_survey_value(f.at, f.n, unit, value) == 0)
		return 0;
	lull_utf8_clean(text, sizeof text, f.at, f.n);
	return lull_table_error(place, "'%s' value \"%s\" is not a number (of %s)%s", what, text, unit,
		!strncasecmp(text, "OL", 2) ? "; over the meter's range: take a higher one" : "");
}

static int take_row(void *ctx, const struct lull_table_place *place, const struct lull_csv_record *r)
{
	struct reader *s = ctx;
	struct lull_survey_row row = {.after_mV = (double)NAN, .milliohm = (double)NAN, .line = place->line};
	if (!s->headed) {
		s->headed = true;
		if (is_head(r))
			return take_head(s, place, r);
		if (r->count < 4 || r->count > 6)
			return lull_table_error(place, "has %u fields; a survey is fuse,type,rating,millivolts (and after, milliohm)", r->count);
		if (r->count < 5)
			s->at[AFTER] = -1;
		if (r->count < 6)
			s->at[OHMS] = -1;
	}
	for (int c = FUSE; c <= BEFORE; c++) {
		if ((unsigned)s->at[c] >= r->count)
			return lull_table_error(place, "has %u fields only; a survey is fuse,type,rating,millivolts", r->count);
	}
	const struct lull_csv_field fuse = lull_csv_at(r, (unsigned)s->at[FUSE]), type = lull_csv_at(r, (unsigned)s->at[TYPE]);
	const char *fault = lull_name_fault(fuse.at, fuse.n);
	if (fault)
		return lull_table_error(place, "the fuse's name %s; write it as F12 or radio", fault);
	if (fuse.n >= sizeof row.fuse)
		return lull_table_error(place, "the fuse's name is longer than %zu bytes", sizeof row.fuse - 1);
	lull_csv_copy(fuse, row.fuse, sizeof row.fuse);
	if (!type.n || type.n >= sizeof row.type || !lull_utf8_fit(type.at, type.n))
		return lull_table_error(place, "the fuse's type is empty or none that is known");
	for (size_t i = 0; i < type.n; i++)
		row.type[i] = (char)tolower((unsigned char)type.at[i]);
	int rc = number(place, lull_csv_at(r, (unsigned)s->at[RATING]), "rating", "A", &row.rating_A);
	if (rc == 0)
		rc = number(place, lull_csv_at(r, (unsigned)s->at[BEFORE]), "millivolts", "mV", &row.mV);
	if (rc == 0 && s->at[AFTER] >= 0 && lull_csv_at(r, (unsigned)s->at[AFTER]).n)
		rc = number(place, lull_csv_at(r, (unsigned)s->at[AFTER]), "after", "mV", &row.after_mV);
	if (rc == 0 && s->at[OHMS] >= 0 && lull_csv_at(r, (unsigned)s->at[OHMS]).n) {
		rc = number(place, lull_csv_at(r, (unsigned)s->at[OHMS]), "milliohm", "mOhm", &row.milliohm);
		if (rc == 0 && !(row.milliohm >= LULL_SURVEY_OHMS_LEAST && row.milliohm <= LULL_SURVEY_OHMS_MOST))
			rc = lull_table_error(place, "a fuse of %g milliohm? Its cold resistance is wanted, some 1 to 200", row.milliohm);
	}
	if (rc < 0)
		return rc;
	if (s->n == s->room) {
		const size_t room = s->room ? 2 * s->room : 32;
		void *grown = realloc(s->row, room * sizeof *s->row);
		if (!grown)
			return -ENOMEM;
		s->row = grown;
		s->room = room;
	}
	s->row[s->n++] = row;
	return 0;
}

int lull_survey_parse_text(
	const char *name, const char *text, size_t size, struct lull_survey_row **out, size_t *n, char *err, size_t err_size)
{
	struct reader s = {.at = {FUSE, TYPE, RATING, BEFORE, AFTER, OHMS}};
	const int rc = lull_table_read(name, text, size, no_head, take_row, &s, err, err_size);
	*out = NULL;
	*n = 0;
	if (rc < 0) {
		free(s.row);
		return rc;
	}
	if (!s.n) {
		(void)snprintf(err, err_size, "%s: no fuse in it; a line is fuse,type,rating,millivolts, such as F12,ato,10,2.3", name);
		return -EINVAL;
	}
	*out = s.row;
	*n = s.n;
	return 0;
}

int lull_survey_read(const char *path, struct lull_survey_row **out, size_t *n, char *err, size_t err_size)
{
	char *text;
	size_t size;
	*out = NULL;
	*n = 0;
	int rc = lull_table_text(path, &text, &size, err, err_size);
	if (rc < 0)
		return rc;
	rc = lull_survey_parse_text(path, text, size, out, n, err, err_size);
	free(text);
	return rc;
}
