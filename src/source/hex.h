/* SPDX-License-Identifier: GPL-3.0-or-later */
/* hex: hexadecimal digits in text. */
#ifndef LULL_SOURCE_HEX_H
#define LULL_SOURCE_HEX_H

#include <stdint.h>

/* Value of a hexadecimal digit, -1 for anything else. */
static inline int lull_hex(char c)
{
	if (c >= '0' && c <= '9')
		return c - '0';
	c = (char)(c | 0x20);
	return c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

#endif
