/* SPDX-License-Identifier: GPL-3.0-or-later */
/* order (source): the INI file with the head of a work order, read with inih. */
#include <source/order.h>
#include <source/ini_lines.h>
#include <source/profile.h>
#include <source/utf8.h>

#include <errno.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define TEXT_MAX (1u << 16)

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

struct reader {
	struct lull_ini ini;
	struct lull_order *order;
	bool begun;
};

static void begin_section(void *user, const char *word, size_t word_length, const char *name, size_t name_length)
{
	struct reader *r = user;

	(void)name;
	r->begun = true;
	if (word_length != 5 || strncasecmp(word, "order", 5) != 0 || name_length)
		lull_ini_error(&r->ini, "there is no section [%.*s]: a work order has one section, [order]",
			(int)(word_length < 40 ? word_length : 40), word);
}

static void take_key(void *user, const char *name, const char *value)
{
	const char *keys[LULL_ORDER_COUNT];
	struct reader *r = user;
	char what[120];

	if (!r->begun)
		lull_ini_error(&r->ini, "'%s' stands before the section; begin with [order]", name);
	for (unsigned i = 0; i < LULL_ORDER_COUNT; i++) {
		keys[i] = fields[i].key;
		if (strcasecmp(name, fields[i].key) != 0)
			continue;
		if (r->order->field[i][0])
			lull_ini_error(&r->ini, "'%s' is given twice", name);
		else
			lull_utf8_clean(r->order->field[i], sizeof r->order->field[i], value, strlen(value));
		return;
	}
	(void)snprintf(what, sizeof what, "a work order has no '%s'", name);
	lull_ini_unknown(&r->ini, what, name, keys, NULL, LULL_ORDER_COUNT);
}

int lull_order_read(const char *path, struct lull_order *order, char *err, size_t err_size)
{
	struct reader r = {.order = order};
	size_t size;

	memset(order, 0, sizeof *order);
	r.ini = (struct lull_ini){.name = path, .err = err, .err_size = err_size, .user = &r, .section = begin_section, .key = take_key};
	errno = 0;
	char *text = lull_text_read(path, TEXT_MAX, &size, err, err_size);
	if (!text)
		return errno ? -errno : -EINVAL;
	const int rc = lull_ini_read(&r.ini, text, size, TEXT_MAX, "work order");

	free(text);
	return rc;
}
