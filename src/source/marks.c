/* SPDX-License-Identifier: GPL-3.0-or-later */
/* marks: CSV `time,mark`, as a person writes them. */
#include <lull/text.h>
#include <source/decimal.h>
#include <source/marks_table.h>
#include <source/utf8.h>

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Lower case, and any run of blanks, hyphens and underscores as one space. */
static void plain(const char *text, char *out, size_t size)
{
	size_t n = 0;
	bool space = false;
	for (; *text && n + 2 < size; text++) {
		if (strchr(" \t-_", *text)) {
			space = n > 0;
			continue;
		}
		if (space)
			out[n++] = ' ';
		space = false;
		out[n++] = (char)tolower((unsigned char)*text);
	}
	out[n] = 0;
}

/* What follows the first `words` words of text, as written. */
static const char *rest(const char *text, int words)
{
	const char *gap = " \t-_";
	text += strspn(text, gap);
	for (int i = 0; i < words; i++) {
		text += strcspn(text, gap);
		text += strspn(text, i + 1 < words ? gap : " \t:-");
	}
	return text;
}

static bool test_load(const char *text, double *mA)
{
	const size_t n = strspn(text, "0123456789.,");
	int64_t scaled;
	if (lull_decimal_ns(text, n, 9, ',', &scaled) < 0)
		return false;
	*mA = (double)scaled / 1e9;
	text += n;
	text += strspn(text, " ");
	if (!strcmp(text, "a"))
		*mA *= 1000;
	else if (*text && strcmp(text, "ma") != 0)
		return false;
	return *mA > 0 && *mA <= 1e6;
}

void lull_mark_parse(const char *text, struct lull_mark *m)
{
	static const struct {
		const char *words;
		enum lull_mark_kind kind;
		int named; /* words before a name; 0: the mark is these words and no more */
	} known[] = {
		{"key on", LULL_MARK_KEY_ON, 0},
		{"key off", LULL_MARK_KEY_OFF, 0},
		{"door", LULL_MARK_DOOR, 0},
		{"morning", LULL_MARK_MORNING, 0},
		{"clamp zero", LULL_MARK_CLAMP_ZERO, 0},
		{"listening", LULL_MARK_LISTENING, 0},
		{"stopped listening", LULL_MARK_STOPPED_LISTENING, 0},
		{"unplugged ", LULL_MARK_UNPLUGGED, 1},
		{"replugged ", LULL_MARK_REPLUGGED, 1},
		{"fuse out ", LULL_MARK_FUSE_OUT, 2},
		{"fuse back ", LULL_MARK_FUSE_BACK, 2},
	};
	char words[256];
	lull_utf8_clean(m->text, sizeof m->text, text, strlen(text));
	plain(m->text, words, sizeof words);
	m->kind = LULL_MARK_OTHER;
	m->value = (double)NAN;
	memset(m->name, 0, sizeof m->name);
	if (!strncmp(words, "test load ", 10)) {
		if (test_load(words + 10, &m->value))
			m->kind = LULL_MARK_TEST_LOAD;
		else
			m->value = (double)NAN;
		return;
	}
	for (size_t i = 0; i < sizeof known / sizeof *known; i++) {
		const size_t n = strlen(known[i].words);
		if (known[i].named ? strncmp(words, known[i].words, n) != 0
				   : strcmp(words, known[i].words) != 0)
			continue;
		if (known[i].named) {
			const char *name = rest(m->text, known[i].named);
			if (!*name)
				return;
			lull_utf8_clean(m->name, sizeof m->name, name, strlen(name));
		}
		m->kind = (uint8_t)known[i].kind;
		return;
	}
}

const char *lull_mark_fault(const struct lull_mark *m, char *out, size_t size)
{
	const char *fault = m->name[0] ? lull_name_fault(m->name, strlen(m->name)) : NULL;

	if (!fault)
		return NULL;
	(void)snprintf(out, size, "the name behind '%s' %s", lull_mark_name((enum lull_mark_kind)m->kind), fault);
	return out;
}

struct marks {
	struct lull_stamped_mark *at;
	size_t n, room;
};

static bool mark_head(const struct lull_csv_record *r)
{
	return lull_table_is(lull_csv_at(r, 0), "time");
}

static int mark_row(void *ctx, const struct lull_table_place *place, const struct lull_csv_record *r)
{
	struct marks *marks = ctx;
	struct lull_stamped_mark m;
	memset(&m, 0, sizeof m);
	if (r->count != 2)
		return lull_table_error(place,
			"a mark has two fields, time and mark, this line has %u; put a mark with a %s in "
			"double quotes",
			r->count, place->delimiter == ';' ? "semicolon" : "comma");
	const int rc = lull_table_stamp(place, "time", lull_csv_at(r, 0), &m.at);
	if (rc < 0)
		return rc;
	char text[1024];
	lull_csv_copy(lull_csv_at(r, 1), text, sizeof text);
	if (!lull_utf8_fit(lull_csv_at(r, 1).at, lull_csv_at(r, 1).n))
		return lull_table_error(place, "the mark is no UTF-8 text or holds control characters");
	lull_mark_parse(text, &m.mark);
	char fault[160];
	if (lull_mark_fault(&m.mark, fault, sizeof fault))
		return lull_table_error(place, "%s", fault);
	if (!m.mark.text[0])
		return lull_table_error(place, "the mark is empty; say what was done, for example 'key off'");
	if (marks->n == marks->room) {
		const size_t room = marks->room ? 2 * marks->room : 16;
		void *grown = realloc(marks->at, room * sizeof *marks->at);
		if (!grown)
			return -ENOMEM;
		marks->at = grown;
		marks->room = room;
	}
	marks->at[marks->n++] = m;
	return 0;
}

int lull_marks_parse_text(const char *name, const char *text, size_t size, struct lull_stamped_mark **out,
	size_t *n, char *err, size_t err_size)
{
	struct marks marks = {0};
	const int rc = lull_table_read(name, text, size, mark_head, mark_row, &marks, err, err_size);
	if (rc < 0) {
		free(marks.at);
		marks.at = NULL;
		marks.n = 0;
	}
	*out = marks.at;
	*n = marks.n;
	return rc;
}

int lull_marks_read(const char *path, struct lull_stamped_mark **out, size_t *n, char *err, size_t err_size)
{
	size_t size;
	*out = NULL;
	*n = 0;
	char *text;
	int rc = lull_table_text(path, &text, &size, err, err_size);
	if (rc < 0)
		return rc;
	rc = lull_marks_parse_text(path, text, size, out, n, err, err_size);
	free(text);
	return rc;
}
