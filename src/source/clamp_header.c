/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clamp_header: which column of a clamp's log holds what, and in which unit. */
#include <source/clamp_impl.h>

#include <ctype.h>
#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define LINES_MOST 64 /* that may stand before the first sample */
#define NAME 64

void clamp_split(const char *line, size_t n, char delimiter, struct clamp_fields *f)
{
	const char *p = line, *const end = line + n;
	f->n = 0;
	for (;;) {
		const char *from = p, *to;
		while (from < end && *from == ' ')
			from++;
		if (from < end && *from == '"') {
			from++;
			to = memchr(from, '"', (size_t)(end - from));
			if (!to)
				to = end;
			p = memchr(to, delimiter, (size_t)(end - to));
		} else {
			p = memchr(p, delimiter, (size_t)(end - p));
			to = p ? p : end;
		}
		while (to > from && (to[-1] == ' ' || to[-1] == '\r'))
			to--;
		if (f->n < CLAMP_FIELDS) {
			f->at[f->n] = from;
			f->size[f->n] = (size_t)(to - from);
		}
		f->n++;
		if (!p)
			return;
		p++;
	}
}

/* --- names --- */

/* A column's name in small letters and digits only, and the unit that stood with it. */
struct name {
	char text[NAME];
	char unit[NAME];
};

static void plain(const char *text, size_t n, char out[NAME])
{
	size_t k = 0;
	for (size_t i = 0; i < n && k + 1 < NAME; i++) {
		if (isalnum((unsigned char)text[i]) || (unsigned char)text[i] >= 0x80)
			out[k++] = (char)tolower((unsigned char)text[i]);
	}
	out[k] = 0;
}

static bool time_unit(const char *text, enum lull_time_unit *unit)
{
	static const struct {
		const char *word;
		enum lull_time_unit unit;
	} known[] = {{"s", LULL_UNIT_S}, {"sec", LULL_UNIT_S}, {"secs", LULL_UNIT_S}, {"second", LULL_UNIT_S},
		{"seconds", LULL_UNIT_S}, {"ms", LULL_UNIT_MS}, {"msec", LULL_UNIT_MS}, {"milliseconds", LULL_UNIT_MS},
		{"us", LULL_UNIT_US}, {"usec", LULL_UNIT_US}, {"\xc2\xb5s", LULL_UNIT_US}, {"\xce\xbcs", LULL_UNIT_US},
		{"ns", LULL_UNIT_NS}, {"nsec", LULL_UNIT_NS}};
	for (size_t i = 0; i < sizeof known / sizeof *known; i++) {
		if (!strcmp(text, known[i].word)) {
			*unit = known[i].unit;
			return true;
		}
	}
	return false;
}

static void copy(const char *text, size_t n, char out[NAME])
{
	if (n >= NAME)
		n = NAME - 1;
	memcpy(out, text, n);
	out[n] = 0;
}

/* "Current (mA)", "I [mA]", "current_mA", "I/mA", "current mA"; a lone letter behind a blank is no unit: "channel A". */
static void read_name(const char *text, size_t n, struct name *out)
{
	enum lull_clamp_unit value;
	enum lull_time_unit t;
	char small[NAME];
	memset(out, 0, sizeof *out);
	for (size_t i = n; i-- > 0;) {
		if (text[i] == '(' || text[i] == '[') {
			size_t k = i + 1;
			while (k < n && text[k] != ')' && text[k] != ']')
				k++;
			copy(text + i + 1, k - i - 1, out->unit);
			plain(text, i, out->text);
			return;
		}
		if (text[i] != '_' && text[i] != '/' && text[i] != ' ')
			continue;
		const char *tail = text + i + 1;
		const size_t length = n - i - 1;
		plain(tail, length, small);
		if ((lull_clamp_unit_parse(tail, length, &value) == 0 && (length > 1 || text[i] != ' ')) || time_unit(small, &t)) {
			copy(tail, length, out->unit);
			plain(text, i, out->text);
			return;
		}
		break;
	}
	plain(text, n, out->text);
	if (lull_clamp_unit_parse(text, n, &value) == 0)
		copy(text, n, out->unit);
}

static bool among(const char *text, const char *const *list, size_t n)
{
	for (size_t i = 0; i < n; i++) {
		if (!strcmp(text, list[i]))
			return true;
	}
	return false;
}
#define AMONG(text, list) among((text), (list), sizeof(list) / sizeof *(list))

static bool names_time(const char *text)
{
	static const char *const names[] = {"time", "t", "timestamp", "datetime", "dateandtime", "datetimestamp", "datumzeit",
		"datumuhrzeit", "zeit", "uhrzeit", "zeitstempel", "elapsed", "elapsedtime", "seconds", "sec", "s", "ms",
		"times", "timems", "clock"};
	return AMONG(text, names);
}

static bool names_date(const char *text)
{
	static const char *const names[] = {"date", "datum", "day"};
	return AMONG(text, names);
}

static bool names_unit(const char *text)
{
	static const char *const names[] = {"unit", "units", "einheit"};
	return AMONG(text, names);
}

static bool names_count(const char *text)
{
	static const char *const names[] = {"", "no", "nr", "n", "index", "sample", "samples", "id", "count", "row"};
	return AMONG(text, names);
}

/* How much a column looks like the clamp's: 3 a current, 2 millivolts, 1 some value, 0 nothing. */
static int rank(const struct name *name)
{
	static const char *const currents[] = {"current", "i", "amps", "amp", "ampere", "amperes", "strom", "clamp",
		"clampcurrent", "batterycurrent", "currentclamp", "ibat", "ibatt", "shunt", "zange", "stromzange"};
	static const char *const values[] = {"value", "reading", "measurement", "measured", "messwert", "wert", "voltage",
		"spannung", "u", "v", "output", "display", "data", "main", "primary"};
	enum lull_clamp_unit unit = LULL_CLAMP_UNIT_AUTO;
	if (name->unit[0])
		(void)!lull_clamp_unit_parse(name->unit, strlen(name->unit), &unit);
	if (AMONG(name->text, currents) || unit == LULL_CLAMP_A || unit == LULL_CLAMP_MA || unit == LULL_CLAMP_UA)
		return 3;
	if (unit == LULL_CLAMP_MV || unit == LULL_CLAMP_UV)
		return 2;
	return AMONG(name->text, values) || unit == LULL_CLAMP_V ? 1 : 0;
}

/* --- columns --- */

struct search {
	const char *name; /* of the file */
	const struct lull_clamp_options *told;
	struct clamp_layout *layout;
	char *err;
	size_t err_size;
	unsigned line;
};

LULL_PRINTF(2, 3) static int refuse(const struct search *s, const char *format, ...)
{
	const int n = snprintf(s->err, s->err_size, "%s:%u: ", s->name, s->line);
	va_list list;
	if (n < 0 || (size_t)n >= s->err_size)
		return -EINVAL;
	va_start(list, format);
	(void)vsnprintf(s->err + n, s->err_size - (size_t)n, format, list);
	va_end(list);
	return -EINVAL;
}

static int number_of(const char *text)
{
	const size_t n = strspn(text, "0123456789");
	int v = 0;
	if (!n || n > 2 || text[n])
		return -1;
	for (size_t i = 0; i < n; i++)
		v = v * 10 + (text[i] - '0');
	return v >= 1 && v <= CLAMP_FIELDS ? v - 1 : -1;
}

/* A column that was told, by name or number: its index, -1 if it is not there, -2 if none was told. */
static int told_column(const char *told, const struct clamp_fields *f)
{
	char wanted[NAME], have[NAME];
	if (!*told)
		return -2;
	for (unsigned i = 0; i < f->n && i < CLAMP_FIELDS; i++) {
		if (f->size[i] == strlen(told) && !memcmp(f->at[i], told, f->size[i]))
			return (int)i;
	}
	plain(told, strlen(told), wanted);
	for (unsigned i = 0; i < f->n && i < CLAMP_FIELDS; i++) {
		struct name name;
		read_name(f->at[i], f->size[i], &name);
		plain(f->at[i], f->size[i], have);
		if (wanted[0] && (!strcmp(wanted, have) || !strcmp(wanted, name.text)))
			return (int)i;
	}
	const int n = number_of(told);
	return n >= 0 && (unsigned)n < f->n ? n : -1;
}

static void list_columns(const struct clamp_fields *f, char *out, size_t size)
{
	size_t used = 0;
	out[0] = 0;
	for (unsigned i = 0; i < f->n && i < CLAMP_FIELDS && used < size; i++) {
		const int more = snprintf(out + used, size - used, "%s%.*s", i ? ", " : "",
			(int)(f->size[i] < 40 ? f->size[i] : 40), f->at[i]);
		used += more > 0 ? (size_t)more : 0;
	}
}

static bool stamp_at(const struct clamp_fields *f, int i)
{
	return i >= 0 && (unsigned)i < f->n && clamp_time_kind(f->at[i], f->size[i]) != CLAMP_TIME_NONE;
}

/* 1: this line is the header, and *layout is filled; 0: it is none; negative: it is one that leaves a question. */
static int try_header(const struct search *s, const struct clamp_fields *f)
{
	const struct lull_clamp_options *told = s->told;
	struct clamp_layout *l = s->layout;
	struct name name[CLAMP_FIELDS];
	const unsigned n = f->n < CLAMP_FIELDS ? f->n : CLAMP_FIELDS;
	char columns[512];
	int time = told_column(told->time, f), date = told_column(told->date, f), value = told_column(told->value, f),
	    unit = told_column(told->unit_column, f), best = 0, count = 0;
	if (n < 2 || stamp_at(f, time >= 0 ? time : 0))
		return 0;
	if (time == -1 || date == -1 || value == -1 || unit == -1)
		return 0;
	for (unsigned i = 0; i < n; i++)
		read_name(f->at[i], f->size[i], &name[i]);
	for (unsigned i = 0; i < n; i++) {
		if (time == -2 && names_time(name[i].text))
			time = (int)i;
		if (date == -2 && names_date(name[i].text))
			date = (int)i;
		if (unit == -2 && names_unit(name[i].text))
			unit = (int)i;
	}
	if (time < 0 && date >= 0) {
		time = date;
		date = -1;
	}
	if (time < 0 || time == value)
		return 0;
	if (value == -2) {
		int others = 0, last = -1;
		for (int i = 0; i < (int)n; i++) {
			if (i == time || i == date || i == unit || names_date(name[i].text) || names_time(name[i].text))
				continue;
			const int r = rank(&name[i]);
			if (!names_count(name[i].text)) {
				others++;
				last = i;
			}
			if (r > best) {
				best = r;
				count = 0;
			}
			if (r && r == best) {
				value = i;
				count++;
			}
		}
		list_columns(f, columns, sizeof columns);
		if (value < 0 && others == 1)
			value = last;
		if (value < 0 && others == 0)
			return 0;
		if (value < 0 || count > 1)
			return refuse(s, "which column is the clamp's? Tell it with --clamp-columns value=NAME; there are: %s", columns);
	}
	l->time = time;
	l->date = date >= 0 ? date : -1;
	l->value = value;
	l->unit_column = unit >= 0 ? unit : -1;
	l->has_header = true;
	l->columns = f->n;
	if (name[value].unit[0])
		(void)!lull_clamp_unit_parse(name[value].unit, strlen(name[value].unit), &l->unit);
	char small[NAME];
	plain(name[time].unit, strlen(name[time].unit), small);
	if (!time_unit(small, &l->time_unit))
		(void)time_unit(name[time].text, &l->time_unit);
	return 1;
}

/* Is this a line of samples, with the columns told by number or as the first ones? Then the layout is filled. */
static bool try_sample(const struct search *s, const struct clamp_fields *f)
{
	const struct lull_clamp_options *told = s->told;
	struct clamp_layout *l = s->layout;
	int time = number_of(told->time), date = number_of(told->date), value = number_of(told->value),
	    unit = number_of(told->unit_column);
	double v;
	enum lull_clamp_unit u;
	if ((*told->time && time < 0) || (*told->date && date < 0) || (*told->value && value < 0) ||
		(*told->unit_column && unit < 0))
		return false;
	if (time < 0 && date < 0 && f->n >= 3 && f->size[0] && !stamp_at(f, 0) &&
		memchr("0123456789", f->at[0][0], 10) && clamp_time_kind(f->at[1], f->size[1]) == CLAMP_TIME_CLOCK) {
		date = 0;
		time = 1;
	}
	if (time < 0)
		time = 0;
	if (value < 0)
		value = (time > date ? time : date) + 1;
	if (!stamp_at(f, time) || (unsigned)value >= f->n || value >= CLAMP_FIELDS || value == time)
		return false;
	const enum clamp_cell cell = clamp_cell(f->at[value], f->size[value], l->comma, &v, &u);
	if (cell == CELL_BAD || (cell == CELL_EMPTY && !f->size[value]))
		return false;
	l->time = time;
	l->date = date;
	l->value = value;
	l->unit_column = unit;
	return true;
}

/* Units in brackets on a line of their own beneath the header. */
static bool try_units(struct clamp_layout *l, const struct clamp_fields *f)
{
	char small[NAME];
	if ((unsigned)l->value >= f->n || (unsigned)l->time >= f->n)
		return false;
	for (unsigned i = 0; i < f->n && i < CLAMP_FIELDS; i++) {
		if (f->size[i] && (f->size[i] < 2 || !memchr("([", f->at[i][0], 2)))
			return false;
	}
	struct name name;
	bool any = false;
	read_name(f->at[l->value], f->size[l->value], &name);
	any = lull_clamp_unit_parse(name.unit, strlen(name.unit), &l->unit) == 0;
	read_name(f->at[l->time], f->size[l->time], &name);
	plain(name.unit, strlen(name.unit), small);
	return time_unit(small, &l->time_unit) || any;
}

static bool next_line(const char **p, const char *end, bool whole, const char **line, size_t *n)
{
	if (*p >= end)
		return false;
	const char *nl = memchr(*p, '\n', (size_t)(end - *p));
	if (!nl && !whole)
		return false;
	*line = *p;
	*n = (size_t)((nl ? nl : end) - *p);
	if (*n && (*line)[*n - 1] == '\r')
		--*n;
	*p = nl ? nl + 1 : end;
	return true;
}

/* By the last of the first lines, which is a sample if any is. */
static char find_delimiter(const char *p, const char *end, bool whole)
{
	const char *line, *last = "";
	size_t n, last_n = 0;
	for (unsigned i = 0; i < LINES_MOST && next_line(&p, end, whole, &line, &n); i++) {
		if (n) {
			last = line;
			last_n = n;
		}
	}
	return memchr(last, ';', last_n) ? ';' : memchr(last, '\t', last_n) ? '\t' : ',';
}

int clamp_layout(const char *name, const uint8_t *head, size_t size, const struct lull_clamp_options *told,
	struct clamp_layout *l, unsigned *skip, char *err, size_t err_size)
{
	const bool whole = size < LULL_STREAM_HEAD;
	const char *p = (const char *)head, *const end = p + size, *line;
	struct search s = {.name = name, .told = told, .layout = l, .err = err, .err_size = err_size, .line = 1};
	struct clamp_fields f;
	size_t n;
	if (size >= 3 && !memcmp(p, "\xef\xbb\xbf", 3))
		p += 3;
	*l = (struct clamp_layout){.date = -1, .time = -1, .value = -1, .unit_column = -1};
	l->delimiter = find_delimiter(p, end, whole);
	l->comma = l->delimiter != ',';
	*skip = 0;
	char seen[200] = "";
	for (; s.line <= LINES_MOST && next_line(&p, end, whole, &line, &n); s.line++) {
		clamp_split(line, n, l->delimiter, &f);
		if (n && !seen[0])
			(void)snprintf(seen, sizeof seen, "%.*s", (int)(n < 80 ? n : 80), line);
		const int rc = n && line[0] != '#' ? try_header(&s, &f) : 0;
		if (rc < 0)
			return rc;
		if (rc) {
			*skip = s.line;
			if (next_line(&p, end, whole, &line, &n)) {
				clamp_split(line, n, l->delimiter, &f);
				if (try_units(l, &f))
					++*skip;
				else if (f.n > l->columns && !l->comma && l->columns == 2 && n)
					return s.line++, refuse(&s,
						"has %u fields, the header has %u: with decimal commas the fields must be "
						"parted by semicolons or tabs, or the numbers be in double quotes",
						f.n, l->columns);
			}
			return 0;
		}
		if (n && try_sample(&s, &f)) {
			*skip = s.line - 1;
			if (!told->value[0] && f.n > (unsigned)l->value + 1 && l->unit_column < 0) {
				enum lull_clamp_unit unit;
				const int next = l->value + 1;
				if (f.n == (unsigned)next + 1 && lull_clamp_unit_parse(f.at[next], f.size[next], &unit) == 0)
					l->unit_column = next;
				else
					return refuse(&s,
						"has %u fields and no header says which is which: tell them by number, "
						"--clamp-columns time=1,value=2 (decimal commas need semicolons or tabs "
						"between fields)",
						f.n);
			}
			return 0;
		}
	}
	s.line = 1;
	if (*told->time || *told->value || *told->date || *told->unit_column)
		return refuse(&s, "none of the first %d lines has the columns told with --clamp-columns; the file begins \"%s\"",
			LINES_MOST, seen);
	return refuse(&s,
		"neither a header with a time and a value, nor a time and a number in the first %d lines; tell the columns with "
		"--clamp-columns time=NAME,value=NAME; the file begins \"%s\"",
		LINES_MOST, seen);
}
