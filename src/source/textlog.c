/* SPDX-License-Identifier: GPL-3.0-or-later */
/* textlog: the one-line text log of the Linux CAN tools, as input only:
 * (1436509052.249713) can0 123#DEADBEEF, 123##<flags>data for FD, 123#R for remote, an ID with 0x20000000 for
 * an error frame; a direction letter may follow. */
#include <source/capture_impl.h>
#include <source/decimal.h>
#include <source/hex.h>
#include <source/lines.h>

#include <errno.h>
#include <linux/can.h>
#include <stdlib.h>
#include <string.h>

struct textlog {
	struct lull_lines lines;
	int last_bus; /* the interface of the line before, mostly that of the next, too */
	char last_name[LULL_BUS_NAME];
	size_t last_length;
};

struct cursor {
	const char *p, *end;
};

static bool blank(char c)
{
	return c == ' ' || c == '\t';
}

static bool skip_blanks(struct cursor *c)
{
	const char *from = c->p;
	while (c->p < c->end && blank(*c->p))
		c->p++;
	return c->p > from;
}

static bool word(struct cursor *c, const char **from, size_t *n)
{
	*from = c->p;
	while (c->p < c->end && !blank(*c->p))
		c->p++;
	*n = (size_t)(c->p - *from);
	return *n > 0;
}

static bool parse_id(struct cursor *c, struct lull_frame *f)
{
	uint32_t id = 0;
	int digits = 0, d;
	while (c->p < c->end && (d = lull_hex(*c->p)) >= 0 && digits < 9) {
		id = id << 4 | (uint32_t)d;
		digits++;
		c->p++;
	}
	f->flags = 0;
	if (digits == 3 && id <= CAN_SFF_MASK) {
		f->id = id;
	} else if (digits == 8 && id & CAN_ERR_FLAG && !(id & (CAN_EFF_FLAG | CAN_RTR_FLAG))) {
		f->id = id & CAN_ERR_MASK;
		f->flags = LULL_FRAME_ERROR;
	} else if (digits == 8 && !(id & ~(CAN_EFF_MASK | CAN_EFF_FLAG))) {
		f->id = (id & CAN_EFF_MASK) | LULL_ID_EXTENDED;
	} else {
		return false;
	}
	return c->p < c->end && *c->p++ == '#';
}

/* Data bytes up to a blank; '.' may stand between two. */
static bool parse_data(struct cursor *c, struct lull_frame *f, unsigned most)
{
	unsigned n = 0;
	while (c->p < c->end && !blank(*c->p) && *c->p != '_') {
		if (*c->p == '.' && n) {
			c->p++;
			continue;
		}
		if (n == most || c->end - c->p < 2)
			return false;
		const int high = lull_hex(c->p[0]), low = lull_hex(c->p[1]);
		if (high < 0 || low < 0)
			return false;
		f->data[n++] = (uint8_t)(high << 4 | low);
		c->p += 2;
	}
	f->len = (uint8_t)n;
	/* _9.._F after 8 bytes: the raw length code of a classical frame. */
	if (c->p < c->end && *c->p == '_') {
		c->p++;
		if (n != CAN_MAX_DLEN || c->p == c->end || lull_hex(*c->p++) <= CAN_MAX_DLEN)
			return false;
	}
	return true;
}

static bool parse_remote(struct cursor *c, struct lull_frame *f)
{
	f->flags |= LULL_FRAME_REMOTE;
	f->len = 0;
	c->p++;
	if (c->p < c->end && *c->p >= '0' && *c->p <= '8')
		f->len = (uint8_t)(*c->p++ - '0');
	if (c->end - c->p >= 2 && *c->p == '_') /* raw length code */
		c->p += 2;
	return true;
}

static bool parse_fd(struct cursor *c, struct lull_frame *f)
{
	c->p++;
	const int flags = c->p < c->end ? lull_hex(*c->p++) : -1;
	if (flags < 0)
		return false;
	f->flags |= (uint8_t)(LULL_FRAME_FD | (flags & CANFD_BRS ? LULL_FRAME_BRS : 0) |
		(flags & CANFD_ESI ? LULL_FRAME_ESI : 0));
	return parse_data(c, f, CANFD_MAX_DLEN);
}

static bool parse_line(const char *line, size_t n, struct lull_frame *f, const char **bus, size_t *bus_length)
{
	struct cursor c = {line, line + n};
	skip_blanks(&c);
	if (c.p == c.end || *c.p++ != '(')
		return false;
	const char *close = memchr(c.p, ')', (size_t)(c.end - c.p));
	if (!close || lull_decimal_ns(c.p, (size_t)(close - c.p), 9, '.', &f->t) < 0)
		return false;
	c.p = close + 1;
	if (!skip_blanks(&c) || !word(&c, bus, bus_length) || !skip_blanks(&c) || !parse_id(&c, f))
		return false;
	bool good;
	if (c.p < c.end && *c.p == '#')
		good = !(f->flags & LULL_FRAME_ERROR) && parse_fd(&c, f);
	else if (c.p < c.end && (*c.p | 0x20) == 'r')
		good = !(f->flags & LULL_FRAME_ERROR) && parse_remote(&c, f);
	else
		good = parse_data(&c, f, CAN_MAX_DLEN);
	if (!good)
		return false;
	if (c.p < c.end && !blank(*c.p))
		return false;
	skip_blanks(&c);
	if (c.p < c.end && (*c.p == 'R' || *c.p == 'T'))
		c.p++;
	skip_blanks(&c);
	return c.p == c.end;
}

bool lull_textlog_is_line(const char *line, size_t n)
{
	struct lull_frame f;
	const char *bus;
	size_t length;
	if (n && line[n - 1] == '\r')
		n--;
	return parse_line(line, n, &f, &bus, &length);
}

static int find_bus(struct lull_capture *c, struct textlog *t, const char *name, size_t n)
{
	if (t->last_bus >= 0 && n == t->last_length && !memcmp(name, t->last_name, n))
		return t->last_bus;
	const int bus = lull_capture_bus(c, name, n);
	if (bus >= 0 && n < sizeof t->last_name) {
		memcpy(t->last_name, name, n);
		t->last_length = n;
		t->last_bus = bus;
	}
	return bus;
}

static size_t read_textlog(struct lull_capture *c, struct lull_frame *out, size_t max)
{
	struct textlog *t = c->priv;
	size_t done = 0, n, bus_length;
	char *line;
	const char *bus;
	while (done < max && lull_lines_next(&t->lines, &line, &n)) {
		struct lull_frame *f = &out[done];
		const unsigned long long number = t->lines.number;
		if (!n)
			continue;
		if (!t->lines.whole && lull_stream_damage(c->stream))
			continue; /* cut in the middle: a shorter payload would look whole */
		if (t->lines.too_long || !parse_line(line, n, f, &bus, &bus_length)) {
			if (!t->lines.whole && !t->lines.too_long)
				lull_capture_set_damage(c,
					"damaged after frame %llu (line %llu): the last line is cut off; "
					"what comes before is used",
					(unsigned long long)c->frames + done, number);
			else
				lull_capture_skip(c, "%llu: %s", number,
					memchr(line, 0, n) ? "holds zero bytes, no frame"
							   : "is no line of a frame");
			continue;
		}
		const int index = find_bus(c, t, bus, bus_length);
		if (index < 0) {
			lull_capture_skip(c, "%llu: belongs to one bus more than a recording holds", number);
			continue;
		}
		f->bus = (uint8_t)index;
		done++;
	}
	return done;
}

static void close_textlog(struct lull_capture *c)
{
	struct textlog *t = c->priv;
	if (t)
		lull_lines_close(&t->lines);
	free(t);
}

static const struct lull_capture_format textlog_format = {.read = read_textlog, .close = close_textlog};

int lull_textlog_open(struct lull_capture *c, char *err, size_t err_size)
{
	struct textlog *t = calloc(1, sizeof *t);
	c->priv = t;
	c->format = &textlog_format;
	c->kind = "text log";
	if (!t || lull_lines_open(&t->lines, c->stream) < 0) {
		snprintf(err, err_size, "%s: out of memory", c->name);
		return -ENOMEM;
	}
	t->last_bus = -1;
	return 0;
}
