/* SPDX-License-Identifier: GPL-3.0-or-later */
/* order (source): the INI file with the head of a work order, read with inih. */
#ifndef LULL_SOURCE_ORDER_H
#define LULL_SOURCE_ORDER_H

#include <lull/order.h>

/* One section [order]; an unknown key, a key said twice or a value that is no text is an error. 0, or -EINVAL/-errno with
 * "order.ini:3: ..." in err. *order is set up anew. */
LULL_MUST_CHECK int lull_order_read(const char *path, struct lull_order *order, char *err, size_t err_size);

#endif
