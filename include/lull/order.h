/* SPDX-License-Identifier: GPL-3.0-or-later */
/* order: the head of the work order, as the workshop writes it: which car, what the customer says, who measured with what.
 * Plain data; nothing of it is judged. */
#ifndef LULL_ORDER_H
#define LULL_ORDER_H

#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>

enum lull_order_field {
	LULL_ORDER_NUMBER,
	LULL_ORDER_DATE,
	LULL_ORDER_WORKSHOP,
	LULL_ORDER_TECHNICIAN,
	LULL_ORDER_CUSTOMER,
	LULL_ORDER_VEHICLE,
	LULL_ORDER_PLATE,
	LULL_ORDER_VIN,
	LULL_ORDER_ODOMETER,
	LULL_ORDER_COMPLAINT,
	LULL_ORDER_BATTERY,
	LULL_ORDER_BATTERY_TEST,
	LULL_ORDER_CLAMP,
	LULL_ORDER_LIMITS,
	LULL_ORDER_NOTE,
	LULL_ORDER_COUNT
};

struct lull_order {
	char field[LULL_ORDER_COUNT][256]; /* "" not given */
};

/* The key in the file ("battery-test"), and what stands on the page ("Battery test"). */
const char *lull_order_key(enum lull_order_field);
const char *lull_order_title(enum lull_order_field);
/* It tells whose car it is: number plate, VIN, customer. */
bool lull_order_private(enum lull_order_field);

/* Takes out what tells whose car it is. */
void lull_order_anonymous(struct lull_order *);

#endif
