/* SPDX-License-Identifier: GPL-3.0-or-later */
/* csv_header: which column of a CSV of frames holds what, by the usual names or as told. */
#include <source/csv_header.h>

#include <string.h>

static const struct {
	enum csv_column column;
	const char *names[14]; /* plain: see plain() */
} usual[] = {
	{CSV_TIME, {"time", "timestamp", "timestamps", "ts", "t", "datetime", "reltime", "abstime", "epoch"}},
	{CSV_ID,
		{"id", "canid", "arbitrationid", "arbid", "messageid", "msgid", "frameid", "identifier",
			"canidentifier"}},
	{CSV_EXTENDED, {"extended", "ext", "isextended", "isextendedid", "extendedid", "ide", "eff"}},
	{CSV_BUS, {"bus", "channel", "interface", "iface", "busid", "canbus"}},
	{CSV_LENGTH, {"length", "len", "dlc", "datalength", "size", "bytecount"}},
	{CSV_DATA,
		{"data", "payload", "payloadhex", "datahex", "databytes", "bytes", "datafield", "hexdata"}},
	{CSV_REMOTE, {"remote", "rtr", "isremote", "isremoteframe", "remoteframe"}},
	{CSV_ERROR, {"error", "iserror", "errorframe", "iserrorframe"}},
	{CSV_KIND, {"kind"}},
	{CSV_UTC, {"utc"}},
};

/* Lower case letters and digits only, up to a unit in brackets or at the end, which is taken apart. */
struct plain_name {
	char name[40], unit[8];
};

static char lower(char c)
{
	return c >= 'A' && c <= 'Z' ? (char)(c + 32) : c;
}

static void plain(const char *text, size_t n, struct plain_name *out)
{
	size_t name = 0, unit = 0;
	bool in_unit = false;
	memset(out, 0, sizeof *out);
	for (size_t i = 0; i < n; i++) {
		const char c = lower(text[i]);
		if (c == '(' || c == '[')
			in_unit = true;
		if (!((c >= 'a' && c <= 'z') || (c >= '0' && c <= '9')))
			continue;
		if (in_unit && unit + 1 < sizeof out->unit)
			out->unit[unit++] = c;
		else if (!in_unit && name + 1 < sizeof out->name)
			out->name[name++] = c;
	}
}

/* "timestampus" is "timestamp" in us, if only the whole is no name itself. */
static void cut_unit(struct plain_name *p)
{
	static const char *const units[] = {
		"us", "ms", "ns", "sec", "seconds", "milliseconds", "microseconds", "s"};
	const size_t n = strlen(p->name);
	if (p->unit[0])
		return;
	for (size_t i = 0; i < sizeof units / sizeof *units; i++) {
		const size_t m = strlen(units[i]);
		if (n > m && !strcmp(p->name + n - m, units[i])) {
			memcpy(p->unit, units[i], m < sizeof p->unit ? m : sizeof p->unit - 1);
			p->name[n - m] = 0;
			return;
		}
	}
}

static enum lull_time_unit unit_of(const char *text)
{
	if (!strcmp(text, "s") || !strncmp(text, "sec", 3))
		return LULL_UNIT_S;
	if (!strcmp(text, "ms") || !strncmp(text, "msec", 4) || !strncmp(text, "milli", 5))
		return LULL_UNIT_MS;
	if (!strcmp(text, "us") || !strncmp(text, "usec", 4) || !strncmp(text, "micro", 5))
		return LULL_UNIT_US;
	if (!strcmp(text, "ns") || !strncmp(text, "nsec", 4) || !strncmp(text, "nano", 4))
		return LULL_UNIT_NS;
	return LULL_UNIT_AUTO;
}

static bool named(enum csv_column column, const char *name)
{
	for (size_t i = 0; i < sizeof usual / sizeof *usual; i++) {
		if (usual[i].column != column)
			continue;
		for (const char *const *p = usual[i].names; *p; p++) {
			if (!strcmp(*p, name))
				return true;
		}
	}
	return false;
}

/* The first n characters, all digits, as a number. */
static int small(const char *digits, size_t n)
{
	int value = 0;
	for (size_t i = 0; i < n; i++)
		value = value * 10 + (digits[i] - '0');
	return value;
}

/* "d1", "b0", "byte3", "data07", "databyte2" -> its number; -1. */
static int byte_number(const char *name)
{
	static const char *const stems[] = {"databyte", "byte", "data", "db", "d", "b"};
	for (size_t i = 0; i < sizeof stems / sizeof *stems; i++) {
		const size_t n = strlen(stems[i]);
		if (strncmp(name, stems[i], n) != 0)
			continue;
		const char *p = name + n;
		const size_t digits = strspn(p, "0123456789");
		if (!digits || digits > 2 || p[digits])
			continue;
		return small(p, digits);
	}
	return -1;
}

/* Byte columns by name, from 0 or 1 on without a hole. */
static void find_bytes(const struct plain_name *p, unsigned count, struct csv_layout *l)
{
	int at[65];
	memset(at, -1, sizeof at);
	for (unsigned i = 0; i < count; i++) {
		const int k = byte_number(p[i].name);
		if (k >= 0 && k <= 64 && at[k] < 0)
			at[k] = (int)i;
	}
	const int base = at[0] >= 0 ? 0 : 1;
	for (l->byte_count = 0; l->byte_count < 64 && base + (int)l->byte_count <= 64; l->byte_count++) {
		const int column = at[base + (int)l->byte_count];
		if (column < 0)
			break;
		l->byte[l->byte_count] = column;
	}
}

static const char *told(const struct lull_csv_columns *c, enum csv_column column)
{
	switch (column) {
	case CSV_TIME: return c->time;
	case CSV_ID: return c->id;
	case CSV_EXTENDED: return c->extended;
	case CSV_BUS: return c->bus;
	case CSV_LENGTH: return c->length;
	case CSV_DATA: return c->data;
	case CSV_REMOTE:
	case CSV_ERROR:
	case CSV_KIND:
	case CSV_UTC:
	case CSV_COLUMNS: break;
	}
	return "";
}

/* "6" -> column 5; "6-13" gives the last one, too. False: no number. */
static bool told_number(const char *text, int *first, int *last)
{
	const size_t n = strspn(text, "0123456789");
	if (!n || n > 3)
		return false;
	*first = *last = small(text, n) - 1;
	if (text[n] == '-') {
		const size_t m = strspn(text + n + 1, "0123456789");
		if (!m || m > 3 || text[n + 1 + m])
			return false;
		*last = small(text + n + 1, m) - 1;
	} else if (text[n]) {
		return false;
	}
	return *first >= 0 && *last >= *first && *last < LULL_CSV_FIELDS;
}

static void set_number(struct csv_layout *l, enum csv_column column, int first, int last)
{
	l->column[column] = first;
	if (column != CSV_DATA)
		return;
	l->byte_count = 0;
	for (int i = first; last > first && i <= last && l->byte_count < 64; i++)
		l->byte[l->byte_count++] = i;
}

static void clear(struct csv_layout *l, char delimiter, const struct lull_csv_columns *columns)
{
	memset(l, 0, sizeof *l);
	l->delimiter = delimiter;
	for (int i = 0; i < CSV_COLUMNS; i++)
		l->column[i] = -1;
	l->unit = columns ? columns->unit : LULL_UNIT_AUTO;
}

/* A column told by its name, as it stands or as plain() makes it. */
static int told_name(
	const struct lull_csv_record *r, const struct plain_name *whole, unsigned count, const char *text)
{
	struct plain_name p;
	plain(text, strlen(text), &p);
	for (unsigned i = 0; i < count; i++) {
		if (r->field[i].n == strlen(text) && !memcmp(r->field[i].at, text, r->field[i].n))
			return (int)i;
	}
	for (unsigned i = 0; i < count; i++) {
		if (p.name[0] && !strcmp(whole[i].name, p.name))
			return (int)i;
	}
	return -1;
}

/* A byte column told as the data: it and those after it. */
static void bytes_from(struct csv_layout *l, int column)
{
	for (unsigned i = 0; i < l->byte_count; i++) {
		if (l->byte[i] == column) {
			memmove(l->byte, l->byte + i, (l->byte_count - i) * sizeof *l->byte);
			l->byte_count -= i;
			return;
		}
	}
	l->byte_count = 0;
}

bool lull_csv_header(const struct lull_csv_record *r, char delimiter, const struct lull_csv_columns *columns,
	struct csv_layout *l)
{
	struct plain_name whole[LULL_CSV_FIELDS], cut[LULL_CSV_FIELDS];
	const unsigned count = r->count < LULL_CSV_FIELDS ? r->count : LULL_CSV_FIELDS;
	clear(l, delimiter, columns);
	for (unsigned i = 0; i < count; i++) {
		plain(r->field[i].at, r->field[i].n, &whole[i]);
		cut[i] = whole[i];
		cut_unit(&cut[i]);
	}
	for (int c = 0; c < CSV_COLUMNS; c++) {
		for (unsigned i = 0; i < count && l->column[c] < 0; i++) {
			if (named((enum csv_column)c, whole[i].name) ||
				((c == CSV_TIME || c == CSV_ID) && named((enum csv_column)c, cut[i].name)))
				l->column[c] = (int)i;
		}
	}
	/* A file with an index column "id" and a "can_id" means the latter. */
	for (unsigned i = 0; i < count; i++) {
		if (!strcmp(whole[i].name, "canid") || !strcmp(whole[i].name, "arbitrationid"))
			l->column[CSV_ID] = (int)i;
	}
	if (l->column[CSV_DATA] < 0)
		find_bytes(whole, count, l);
	for (int c = 0; columns && c < CSV_COLUMNS; c++) {
		const char *text = told(columns, (enum csv_column)c);
		int first, last;
		if (!*text)
			continue;
		if (told_number(text, &first, &last)) {
			set_number(l, (enum csv_column)c, first, last);
			continue;
		}
		l->column[c] = told_name(r, whole, count, text);
		if (c == CSV_DATA) {
			find_bytes(whole, count, l);
			bytes_from(l, l->column[c]);
		}
		if (l->column[c] < 0)
			return false;
	}
	const int time = l->column[CSV_TIME], id = l->column[CSV_ID];
	if (time < 0 || id < 0 || time == id)
		return false;
	if (l->unit == LULL_UNIT_AUTO && (unsigned)time < count)
		l->unit = unit_of(cut[time].unit);
	l->decimal_id = (unsigned)id < count && !strncmp(whole[id].unit, "dec", 3);
	return true;
}

bool lull_csv_numbers(const struct lull_csv_columns *columns, char delimiter, struct csv_layout *l)
{
	clear(l, delimiter, columns);
	for (int c = 0; columns && c < CSV_COLUMNS; c++) {
		const char *text = told(columns, (enum csv_column)c);
		int first, last;
		if (!*text)
			continue;
		if (!told_number(text, &first, &last))
			return false;
		set_number(l, (enum csv_column)c, first, last);
	}
	return l->column[CSV_TIME] >= 0 && l->column[CSV_ID] >= 0;
}
