/* SPDX-License-Identifier: GPL-3.0-or-later */
/* live_line: one line of a live source: a value, or a time and a value. Pure. */
#include <source/clamp_impl.h>
#include <source/decimal.h>
#include <source/live_impl.h>

#include <errno.h>
#include <string.h>

#define CREEP_PPM 200
#define JUMP (2 * LULL_SEC)

static bool blank(char c)
{
	return c == ' ' || c == '\t' || c == ';' || c == '\r';
}

/* The comma that parts two fields: one with blanks behind it, or one in a text whose numbers have points. */
static size_t parting_comma(const char *text, size_t n)
{
	const char *comma = memchr(text, ',', n);

	if (!comma)
		return n;
	if ((comma + 1 < text + n && blank(comma[1])) || memchr(text, '.', n))
		return (size_t)(comma - text);
	return n;
}

static bool starts_number(const char *text, size_t n)
{
	return n && strchr("+-.0123456789", text[0]) && text[0];
}

static int value(const char *text, size_t n, struct lull_live_line *out)
{
	out->unit = LULL_CLAMP_UNIT_AUTO;
	out->over = 0;
	out->value = 0;
	switch (clamp_cell(text, n, true, &out->value, &out->unit)) {
	case CELL_NUMBER: return 0;
	case CELL_OVER: out->over = 1; return 0;
	case CELL_UNDER: out->over = -1; return 0;
	case CELL_EMPTY:
	case CELL_BAD: break;
	}
	return -EINVAL;
}

int lull_live_line_parse(const char *text, size_t n, struct lull_live_line *out)
{
	size_t first, rest;

	while (n && blank(text[0])) {
		text++;
		n--;
	}
	while (n && blank(text[n - 1]))
		n--;
	memset(out, 0, sizeof *out);
	if (!n || n > LULL_WIRE_LINE)
		return -EINVAL;
	for (first = 0; first < n && !blank(text[first]); first++)
		;
	rest = parting_comma(text, n);
	if (rest <= first && rest < n)
		first = rest;
	for (rest = first; rest < n && (blank(text[rest]) || text[rest] == ','); rest++)
		;
	/* Two fields, the second of them a number or "OL": a time comes first. Else the second is the unit of the first. */
	if (rest < n && starts_number(text, first) && !lull_decimal_ns(text, first, 9, memchr(text, '.', first) ? '.' : ',', &out->time_ns) &&
		!value(text + rest, n - rest, out)) {
		out->timed = true;
		return 0;
	}
	out->time_ns = 0;
	return value(text, n, out);
}

lull_time lull_live_clock_map(struct lull_live_clock *c, int64_t time_ns, lull_time now)
{
	int64_t offset, creep;
	lull_time t;

	if (__builtin_sub_overflow(now, time_ns, &offset)) {
		c->known = false;
		return now;
	}
	/* Delays make the offset look larger: the least one counts, but for what the clocks drift apart meanwhile. */
	creep = c->known ? (now - c->last_now) / 1000000 * CREEP_PPM : 0;
	if (!c->known || offset < c->offset || offset - c->offset > JUMP || time_ns < c->last_time)
		c->offset = offset;
	else if (offset > c->offset)
		c->offset += creep < offset - c->offset ? creep : offset - c->offset;
	c->known = true;
	c->last_time = time_ns;
	c->last_now = now;
	if (__builtin_add_overflow(time_ns, c->offset, &t) || t > now)
		t = now;
	return t;
}
