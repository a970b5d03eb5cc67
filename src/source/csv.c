/* SPDX-License-Identifier: GPL-3.0-or-later */
/* csv: frames in CSV, one row a frame, columns found by header or told. Rows that are no frame are passed over. */
#include <lull/text.h>
#include <source/capture_impl.h>
#include <source/csv_header.h>
#include <source/decimal.h>
#include <source/hex.h>
#include <source/lines.h>
#include <source/marks.h>

#include <errno.h>
#include <linux/can.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define HEADER_WITHIN 30 /* lines */
#define GUESS_ROWS 2000

struct csv {
	struct lull_lines lines;
	struct csv_layout layout;
	int unit; /* power of ten of the time column, in ns */
	char point; /* decimal comma where commas do not delimit */
	bool header_may_follow; /* columns told by number: the first row may be a header */
	uint64_t header_line;
	int last_bus;
	size_t last_length;
	bool dated; /* the first row was asked for its date */
	int64_t epoch; /* what is added to every time */
	char last_name[LULL_BUS_NAME];
	struct lull_csv_record record;
};

static bool is_true(struct lull_csv_field f)
{
	static const char *const yes[] = {"true", "1", "yes", "y", "x", "ext", "extended", "t"};
	for (size_t i = 0; i < sizeof yes / sizeof *yes; i++) {
		if (f.n == strlen(yes[i]) && !strncasecmp(f.at, yes[i], f.n))
			return true;
	}
	return false;
}

/* Dates in the time column. */
static bool is_date(struct lull_csv_field f)
{
	return f.n > 10 && f.at[4] == '-' && f.at[7] == '-';
}

static const char *read_time(const struct csv *v, struct lull_csv_field f, int64_t *t)
{
	if (is_date(f)) {
		char text[64];
		struct lull_stamp stamp;
		lull_csv_copy(f, text, sizeof text);
		if (f.n >= sizeof text || lull_stamp_parse(text, &stamp) < 0)
			return "its time is no date";
		*t = stamp.ns;
		return NULL;
	}
	return lull_decimal_ns(f.at, f.n, v->unit, v->point, t) < 0 ? "its time is no number" : NULL;
}

/* The first row's date tells what the times of all count from. */
static void add_date(struct csv *v, int64_t *t)
{
	const int i = v->layout.column[CSV_UTC];
	if (i >= 0 && !v->dated) {
		const struct lull_csv_field f = lull_csv_at(&v->record, (unsigned)i);
		char text[64];
		struct lull_stamp stamp;
		v->dated = true;
		lull_csv_copy(f, text, sizeof text);
		if (f.n >= sizeof text || !is_date(f) || lull_stamp_parse(text, &stamp) < 0 || __builtin_sub_overflow(stamp.ns, *t, &v->epoch))
			v->epoch = 0;
	}
	int64_t sum;
	if (!__builtin_add_overflow(*t, v->epoch, &sum))
		*t = sum;
}

static const char *read_id(
	const struct csv *v, struct lull_csv_field f, bool extended, struct lull_frame *out)
{
	static const char no_id[] = "its ID is no hexadecimal number";
	const char *p = f.at, *end = f.at + f.n;
	uint64_t id = 0;
	bool hex = !v->layout.decimal_id;
	if (end - p > 2 && p[0] == '0' && (p[1] | 0x20) == 'x') {
		p += 2;
		hex = true;
	}
	if (hex && end - p > 1 && (end[-1] == 'h' || end[-1] == 'H')) {
		end--;
	} else if (hex && end - p > 1 && (end[-1] == 'x' || end[-1] == 'X')) {
		end--;
		extended = true;
	}
	if (p == end || end - p > 12)
		return no_id;
	for (; p < end; p++) {
		const int d = lull_hex(*p);
		if (d < 0 || (!hex && d > 9))
			return no_id;
		id = id * (hex ? 16 : 10) + (unsigned)d;
	}
	out->flags = 0;
	if (id > UINT32_MAX)
		return "its ID has more than 29 bits";
	if (id > CAN_EFF_MASK && id & CAN_ERR_FLAG) {
		out->id = (uint32_t)id & CAN_ERR_MASK;
		out->flags = LULL_FRAME_ERROR;
		return NULL;
	}
	if (id & CAN_RTR_FLAG)
		out->flags = LULL_FRAME_REMOTE;
	extended |= (id & CAN_EFF_FLAG) != 0;
	id &= CAN_EFF_MASK;
	out->id = (uint32_t)id | (extended || id > CAN_SFF_MASK ? LULL_ID_EXTENDED : 0);
	return NULL;
}

static bool separator(char c)
{
	return c == ' ' || c == ':' || c == '-' || c == '.' || c == '_' || c == '\t';
}

/* "DEADBEEF", "0xDEADBEEF", "DE AD BE EF", "0xDE 0xAD", "D E A": number of bytes, -1 if it is none of these. */
static int hex_bytes(struct lull_csv_field f, uint8_t out[64])
{
	const char *p = f.at, *end = f.at + f.n;
	int n = 0;
	while (p < end) {
		if (separator(*p) && n) {
			p++;
			continue;
		}
		if (end - p > 2 && p[0] == '0' && (p[1] | 0x20) == 'x')
			p += 2;
		const char *from = p;
		while (p < end && lull_hex(*p) >= 0)
			p++;
		const size_t digits = (size_t)(p - from);
		if (!digits || (p < end && !separator(*p)) || (digits % 2 && digits > 1))
			return -1;
		if (digits == 1) {
			if (n == 64)
				return -1;
			out[n++] = (uint8_t)lull_hex(*from);
			continue;
		}
		for (size_t i = 0; i < digits; i += 2) {
			if (n == 64)
				return -1;
			out[n++] =
				(uint8_t)((unsigned)lull_hex(from[i]) << 4 | (unsigned)lull_hex(from[i + 1]));
		}
	}
	return n;
}

/* RFC 4648, padded: some general tools write payloads so. -1: it is none. */
static int base64_bytes(struct lull_csv_field f, uint8_t out[64])
{
	size_t n = f.n;
	int bytes = 0, bits = 0;
	uint32_t word = 0;
	if (!n || n % 4)
		return -1;
	while (n && f.n - n < 2 && f.at[n - 1] == '=')
		n--;
	for (size_t i = 0; i < n; i++) {
		const char c = f.at[i];
		uint32_t v;
		if (c >= 'A' && c <= 'Z')
			v = (uint32_t)(c - 'A');
		else if (c >= 'a' && c <= 'z')
			v = (uint32_t)(c - 'a') + 26;
		else if (c >= '0' && c <= '9')
			v = (uint32_t)(c - '0') + 52;
		else if (c == '+')
			v = 62;
		else if (c == '/')
			v = 63;
		else
			return -1;
		word = word << 6 | v;
		bits += 6;
		if (bits >= 8) {
			bits -= 8;
			if (bytes == 64)
				return -1;
			out[bytes++] = (uint8_t)(word >> bits);
		}
	}
	return bytes;
}

static int read_length(struct lull_csv_field f)
{
	int64_t n;
	return f.n && lull_decimal_ns(f.at, f.n, 0, '.', &n) == 0 && n >= 0 && n <= 65535 ? (int)n : -1;
}

/* One field of data: what it holds rules, not the length column, which counts bits in some files. Base64 only
 * where the length column agrees with it and not with a reading as hex digits. */
static const char *read_field(struct lull_csv_field f, int length, struct lull_frame *out)
{
	const int n = hex_bytes(f, out->data);
	if (n >= 0 && (n == length || length < 0)) {
		out->len = (uint8_t)n;
		return NULL;
	}
	uint8_t other[64];
	const int m = base64_bytes(f, other);
	if (m >= 0 && m == length) {
		memcpy(out->data, other, sizeof other);
		out->len = (uint8_t)m;
		return NULL;
	}
	if (n < 0)
		return "its data are no hexadecimal bytes, or more than 64";
	out->len = (uint8_t)n;
	return NULL;
}

/* One column a byte: the length column rules if it is there, else the first empty column ends the payload. */
static const char *read_columns(const struct csv *v, int length, struct lull_frame *out)
{
	static const uint8_t of_code[] = {12, 16, 20, 24, 32, 48, 64}; /* ISO 11898-1, DLC 9 to 15 */
	unsigned n = 0;
	for (; n < v->layout.byte_count; n++) {
		const struct lull_csv_field f = lull_csv_at(&v->record, (unsigned)v->layout.byte[n]);
		if (!f.n || (length >= 0 && length <= CAN_MAX_DLEN && (int)n >= length))
			break; /* columns beyond the length may hold anything */
		uint8_t byte[64];
		if (f.n > 4 || hex_bytes(f, byte) != 1)
			return "a data byte is no hexadecimal number of two digits";
		out->data[n] = byte[0];
	}
	if (length >= 0 && (unsigned)length != n) {
		const bool code = length >= 9 && length <= 15 && of_code[length - 9] <= n;
		if (code)
			n = of_code[length - 9];
		else if ((unsigned)length < n)
			n = (unsigned)length;
		else
			return "it has fewer data bytes than its length says";
	}
	out->len = (uint8_t)n;
	return NULL;
}

static int find_bus(struct lull_capture *c, struct csv *v)
{
	const struct lull_csv_field f = lull_csv_at(&v->record, (unsigned)v->layout.column[CSV_BUS]);
	if (v->last_bus >= 0 && f.n == v->last_length && !memcmp(f.at, v->last_name, f.n))
		return v->last_bus;
	bool number = f.n > 0 && f.n < 4;
	unsigned long value = 0;
	for (size_t i = 0; i < f.n && number; i++) {
		number = f.at[i] >= '0' && f.at[i] <= '9';
		value = value * 10 + (unsigned char)(f.at[i] - '0');
	}
	char text[LULL_BUS_NAME * LULL_ESCAPED];
	size_t used = f.n < sizeof text ? f.n : sizeof text;
	memcpy(text, f.at, used);
	used = lull_text_unescape(text, used);
	const int bus = number ? lull_capture_bus_number(c, value) : lull_capture_bus(c, text, used);
	if (bus >= 0 && f.n < sizeof v->last_name) {
		memcpy(v->last_name, f.at, f.n);
		v->last_length = f.n;
		v->last_bus = bus;
	}
	return bus;
}

static bool flag(const struct csv *v, enum csv_column column)
{
	const int i = v->layout.column[column];
	return i >= 0 && is_true(lull_csv_at(&v->record, (unsigned)i));
}

static bool kind(const struct csv *v, const char *word)
{
	const int i = v->layout.column[CSV_KIND];
	const struct lull_csv_field f = i >= 0 ? lull_csv_at(&v->record, (unsigned)i) : (struct lull_csv_field){"", 0};
	return f.n == strlen(word) && !strncasecmp(f.at, word, f.n);
}

/* The row in v->record as a frame, or why it is none. */
static const char *read_row(struct lull_capture *c, struct csv *v, struct lull_frame *out)
{
	const struct csv_layout *l = &v->layout;
	const char *why = read_time(v, lull_csv_at(&v->record, (unsigned)l->column[CSV_TIME]), &out->t);
	if (!why)
		add_date(v, &out->t);
	if (!why)
		why = read_id(
			v, lull_csv_at(&v->record, (unsigned)l->column[CSV_ID]), flag(v, CSV_EXTENDED), out);
	if (why)
		return why;
	const int length = l->column[CSV_LENGTH] >= 0
		? read_length(lull_csv_at(&v->record, (unsigned)l->column[CSV_LENGTH]))
		: -1;
	if (flag(v, CSV_ERROR) || kind(v, "error")) {
		out->id &= CAN_ERR_MASK;
		out->flags = LULL_FRAME_ERROR;
	}
	if (flag(v, CSV_REMOTE) || kind(v, "remote"))
		out->flags |= LULL_FRAME_REMOTE;
	out->len = 0;
	if (out->flags & LULL_FRAME_REMOTE)
		out->len = (uint8_t)(length >= 0 && length <= 8 ? length : 0);
	else if (l->byte_count)
		why = read_columns(v, length, out);
	else if (l->column[CSV_DATA] >= 0)
		why = read_field(lull_csv_at(&v->record, (unsigned)l->column[CSV_DATA]), length, out);
	else if (length > 0)
		why = "no column holds its data";
	if (why)
		return why;
	if (out->len > CAN_MAX_DLEN && out->flags & LULL_FRAME_ERROR)
		return "an error frame has 8 bytes at most";
	if (out->len > CAN_MAX_DLEN || kind(v, "fd"))
		out->flags |= LULL_FRAME_FD;
	out->bus = 0;
	if (l->column[CSV_BUS] >= 0) {
		const int bus = find_bus(c, v);
		if (bus < 0)
			return "it belongs to one bus more than a recording holds";
		out->bus = (uint8_t)bus;
	}
	return NULL;
}

static size_t read_csv(struct lull_capture *c, struct lull_frame *out, size_t max)
{
	struct csv *v = c->priv;
	size_t done = 0, n;
	char *line;
	while (done < max && lull_lines_next(&v->lines, &line, &n)) {
		const unsigned long long number = v->lines.number;
		if (!n || *line == '#' || number <= v->header_line)
			continue;
		if (!v->lines.whole && lull_stream_damage(c->stream))
			continue; /* cut in the middle */
		const char *why = "is longer than any row of a frame";
		if (!v->lines.too_long) {
			why = "is no row: a double quote is not closed";
			if (lull_csv_split(line, n, v->layout.delimiter, &v->record, NULL))
				why = v->record.count < 2 ? "has no columns" : read_row(c, v, &out[done]);
		}
		if (!why) {
			done++;
			v->header_may_follow = false;
		} else if (v->header_may_follow) {
			v->header_may_follow = false;
		} else {
			lull_capture_skip(c, "%llu: is no row of a frame: %s", number, why);
		}
	}
	return done;
}

static void close_csv(struct lull_capture *c)
{
	struct csv *v = c->priv;
	if (v)
		lull_lines_close(&v->lines);
	free(v);
}

static const struct lull_capture_format csv_format = {.read = read_csv, .close = close_csv};

/* --- opening: the header, and the unit of time from the first rows --- */

struct head {
	char *text, *end, *at;
	bool cut; /* there is more of the file: the last line may go on */
};

static bool head_line(struct head *h, char **line, size_t *n)
{
	if (h->at >= h->end)
		return false;
	char *nl = memchr(h->at, '\n', (size_t)(h->end - h->at));
	*line = h->at;
	*n = (size_t)((nl ? nl : h->end) - h->at);
	h->at = nl ? nl + 1 : h->end;
	if (*n && (*line)[*n - 1] == '\r')
		--*n;
	return true;
}

static bool find_header(struct csv *v, struct head *h, const struct lull_csv_columns *columns)
{
	static const char delimiters[] = {',', ';', '\t'};
	char *line, copy[4096];
	size_t n;
	for (uint64_t number = 1; number <= HEADER_WITHIN && head_line(h, &line, &n); number++) {
		if (!n || *line == '#' || n >= sizeof copy)
			continue;
		for (size_t i = 0; i < sizeof delimiters; i++) {
			memcpy(copy, line, n);
			if (lull_csv_split(copy, n, delimiters[i], &v->record, NULL) && v->record.count > 1 &&
				lull_csv_header(&v->record, delimiters[i], columns, &v->layout)) {
				v->header_line = number;
				return true;
			}
		}
	}
	h->at = h->text;
	return false;
}

/* Without a header the delimiter is the one that parts the first row into the most fields. */
static char guess_delimiter(const struct head *h)
{
	unsigned count[3] = {0};
	for (const char *p = h->text; p < h->end && *p != '\n'; p++) {
		count[0] += *p == ',';
		count[1] += *p == ';';
		count[2] += *p == '\t';
	}
	if (count[2] > count[0] && count[2] > count[1])
		return '\t';
	return count[1] >= count[0] && count[1] ? ';' : ',';
}

/* Fractions are seconds. Whole numbers: dates by their size, else by the mean distance of frames, which on a
 * bus that talks lies between 50 us and 50 ms, so that the four units do not overlap. */
static enum lull_time_unit guess_unit(const struct csv *v, struct head *h, bool *date)
{
	struct lull_csv_record r;
	char *line;
	size_t n;
	int64_t first = 0, last = 0, t;
	unsigned rows = 0;
	while (rows < GUESS_ROWS && head_line(h, &line, &n)) {
		if (!n || *line == '#' || (h->cut && h->at == h->end) ||
			!lull_csv_split(line, n, v->layout.delimiter, &r, NULL))
			continue;
		const struct lull_csv_field f = lull_csv_at(&r, (unsigned)v->layout.column[CSV_TIME]);
		if (is_date(f)) {
			*date = true;
			return LULL_UNIT_S;
		}
		if (lull_decimal_ns(f.at, f.n, 0, v->point, &t) < 0)
			continue;
		if (memchr(f.at, '.', f.n) || memchr(f.at, v->point, f.n))
			return LULL_UNIT_S;
		if (!rows++)
			first = t;
		last = t;
	}
	if (!rows)
		return LULL_UNIT_S;
	if (first >= INT64_C(100000000000000000))
		return LULL_UNIT_NS;
	if (first >= INT64_C(100000000000000))
		return LULL_UNIT_US;
	if (first >= INT64_C(100000000000))
		return LULL_UNIT_MS;
	const double mean = ((double)last - (double)first) / (rows > 1 ? rows - 1 : 1);
	if (mean < 0.05)
		return LULL_UNIT_S;
	if (mean < 50)
		return LULL_UNIT_MS;
	return mean < 50000 ? LULL_UNIT_US : LULL_UNIT_NS;
}

static void set_unit(struct lull_capture *c, struct csv *v, enum lull_time_unit unit, const char *by)
{
	static const struct {
		int power;
		const char *name;
	} of[] = {
		[LULL_UNIT_AUTO] = {9, "seconds"},
		[LULL_UNIT_S] = {9, "seconds"},
		[LULL_UNIT_MS] = {6, "milliseconds"},
		[LULL_UNIT_US] = {3, "microseconds"},
		[LULL_UNIT_NS] = {0, "nanoseconds"},
	};
	if ((unsigned)unit >= sizeof of / sizeof *of)
		unit = LULL_UNIT_S;
	v->unit = of[unit].power;
	if (by)
		snprintf(c->note, sizeof c->note, "time taken as %s, by %s", of[unit].name, by);
}

static int no_header(const struct lull_capture *c, const struct head *h, char *err, size_t err_size)
{
	char first[64];
	size_t n = 0;
	for (const char *p = h->text; p < h->end && *p != '\n' && n + 1 < sizeof first; p++)
		first[n++] = (unsigned char)*p < 0x20 || (unsigned char)*p >= 0x7f ? '?' : *p;
	first[n] = 0;
	snprintf(err, err_size,
		"%s:1: no header with a time and an ID column was found; it begins \"%s\"; name the columns "
		"in the first line "
		"(time, id, extended, bus, length, data), or tell them by name or number",
		c->name, first);
	return -EINVAL;
}

int lull_csv_open(struct lull_capture *c, const struct lull_csv_columns *columns, char *err, size_t err_size)
{
	struct csv *v = calloc(1, sizeof *v);
	const uint8_t *bytes;
	const size_t n = lull_stream_head(c->stream, &bytes);
	c->priv = v;
	c->format = &csv_format;
	c->kind = "csv";
	char *text = v ? malloc(n + 1) : NULL;
	if (!text || lull_lines_open(&v->lines, c->stream) < 0) {
		free(text);
		snprintf(err, err_size, "%s: out of memory", c->name);
		return -ENOMEM;
	}
	memcpy(text, bytes, n);
	text[n] = 0;
	struct head h = {text, text + n, text, n == LULL_STREAM_HEAD};
	if (n >= 3 && !memcmp(text, "\xef\xbb\xbf", 3))
		h.text = h.at = text + 3;
	v->last_bus = -1;
	int rc = 0;
	v->header_may_follow = lull_csv_numbers(columns, guess_delimiter(&h), &v->layout);
	if (!v->header_may_follow && !find_header(v, &h, columns))
		rc = no_header(c, &h, err, err_size);
	if (rc == 0) {
		v->point = v->layout.delimiter == ',' ? '.' : ',';
		bool date = false;
		enum lull_time_unit unit = v->layout.unit;
		if (unit == LULL_UNIT_AUTO) {
			unit = guess_unit(v, &h, &date);
			set_unit(c, v, unit, date ? NULL : "its values");
		} else {
			set_unit(
				c, v, unit, columns && columns->unit != LULL_UNIT_AUTO ? NULL : "its header");
		}
		if (v->layout.column[CSV_BUS] < 0)
			(void)lull_capture_bus_number(c, 0);
	}
	free(text);
	return rc;
}
