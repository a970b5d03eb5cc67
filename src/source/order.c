/* SPDX-License-Identifier: GPL-3.0-or-later */
/* order (source): the INI file with the head of a work order, read with inih. */
#include <source/order.h>
#include <source/profile.h>
#include <source/utf8.h>

#include <errno.h>
#include <ini.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* inih cuts lines near 198 bytes without a word. */
#define LINE_MAX_BYTES 190
#define TEXT_MAX (1u << 16)

struct reader {
	const char *name, *text;
	size_t size, at;
	unsigned line; /* from 1 */
	struct lull_order *order;
	int rc;
	char *err;
	size_t err_size;
};

static struct {
	const char *key, *title;
	bool private;
} const fields[LULL_ORDER_COUNT] = {
	[LULL_ORDER_NUMBER] = {"number", "Order", false},
	[LULL_ORDER_DATE] = {"date", "Date", false},
	[LULL_ORDER_WORKSHOP] = {"workshop", "Workshop", false},
	[LULL_ORDER_TECHNICIAN] = {"technician", "Technician", false},
	[LULL_ORDER_CUSTOMER] = {"customer", "Customer", true},
	[LULL_ORDER_VEHICLE] = {"vehicle", "Vehicle", false},
	[LULL_ORDER_PLATE] = {"plate", "Number plate", true},
	[LULL_ORDER_VIN] = {"vin", "VIN", true},
	[LULL_ORDER_ODOMETER] = {"odometer", "Odometer", false},
	[LULL_ORDER_COMPLAINT] = {"complaint", "Complaint", false},
	[LULL_ORDER_BATTERY] = {"battery", "Battery", false},
	[LULL_ORDER_BATTERY_TEST] = {"battery-test", "Battery test", false},
	[LULL_ORDER_CLAMP] = {"clamp", "Clamp", false},
	[LULL_ORDER_LIMITS] = {"limits", "Limits from", false},
	[LULL_ORDER_NOTE] = {"note", "Note", false},
};

const char *lull_order_key(enum lull_order_field f)
{
	return fields[f].key;
}

const char *lull_order_title(enum lull_order_field f)
{
	return fields[f].title;
}

bool lull_order_private(enum lull_order_field f)
{
	return fields[f].private;
}

void lull_order_anonymous(struct lull_order *order)
{
	for (unsigned i = 0; i < LULL_ORDER_COUNT; i++) {
		if (fields[i].private)
			order->field[i][0] = 0;
	}
}

LULL_PRINTF(2, 3) static void error(struct reader *r, const char *format, ...)
{
	if (r->rc < 0)
		return;
	r->rc = -EINVAL;
	const int n = snprintf(r->err, r->err_size, "%s:%u: ", r->name, r->line);
	if (n < 0 || (size_t)n >= r->err_size)
		return;
	va_list list;
	va_start(list, format);
	(void)vsnprintf(r->err + n, r->err_size - (size_t)n, format, list);
	va_end(list);
}

/* Lines for inih; one that it would cut, or that is no text, ends the reading. */
static char *next_line(char *buf, int size, void *stream)
{
	struct reader *r = stream;
	const char *p = r->text + r->at, *end = r->text + r->size;

	if (p >= end || r->rc < 0)
		return NULL;
	const char *nl = memchr(p, '\n', (size_t)(end - p));
	size_t n = (size_t)((nl ? nl : end) - p);

	r->line++;
	r->at += n + (nl != NULL);
	if (n && p[n - 1] == '\r')
		n--;
	if (n >= LINE_MAX_BYTES || (int)n + 2 > size) {
		error(r, "the line has %zu bytes, at most %d can be read", n, LINE_MAX_BYTES - 1);
		return NULL;
	}
	for (size_t i = 0; i < n;) {
		const size_t length = p[i] == '\t' ? 1 : lull_utf8_length(p + i, n - i);

		if (p[i] != '\t' && (!length || !lull_utf8_fit(p + i, length))) {
			error(r, "byte %zu of the line is a control character or no UTF-8; save the file as UTF-8 text", i + 1);
			return NULL;
		}
		i += length;
	}
	memcpy(buf, p, n);
	buf[n] = '\n';
	buf[n + 1] = 0;
	return buf;
}

static int take_key(void *user, const char *section, const char *name, const char *value)
{
	struct reader *r = user;

	if (strcasecmp(section, "order") != 0) {
		error(r, "'%s' stands in section [%s]; a work order has one section, [order]", name, section);
		return 0;
	}
	for (unsigned i = 0; i < LULL_ORDER_COUNT; i++) {
		if (strcasecmp(name, fields[i].key) != 0)
			continue;
		if (r->order->field[i][0]) {
			error(r, "'%s' is given twice", name);
			return 0;
		}
		lull_utf8_clean(r->order->field[i], sizeof r->order->field[i], value, strlen(value));
		return 1;
	}
	char list[400];
	size_t used = 0;
	for (unsigned i = 0; i < LULL_ORDER_COUNT; i++)
		used += (size_t)snprintf(list + used, sizeof list - used, "%s%s", i ? ", " : "", fields[i].key);
	error(r, "a work order has no '%s'; it has %s", name, list);
	return 0;
}

int lull_order_read(const char *path, struct lull_order *order, char *err, size_t err_size)
{
	struct reader r = {.name = path, .order = order, .err = err, .err_size = err_size};

	memset(order, 0, sizeof *order);
	errno = 0;
	char *text = lull_text_read(path, TEXT_MAX, &r.size, err, err_size);
	if (!text)
		return errno ? -errno : -EINVAL;
	r.text = text;
	const int bad = ini_parse_stream(next_line, &r, take_key, &r);
	if (bad && r.rc == 0) {
		r.line = bad > 0 ? (unsigned)bad : r.line;
		error(&r, "is neither [order] nor key = value; a comment begins with ; or #");
	}
	free(text);
	return r.rc;
}
