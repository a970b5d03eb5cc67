/* SPDX-License-Identifier: GPL-3.0-or-later */
/* log: lines to stderr, as a service manager takes them. */
#include <daemon/log.h>
#include <source/utf8.h>

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static bool plain_lines;

void lull_log_plain(bool plain)
{
	plain_lines = plain;
}

void lull_log(const char *weight, const char *format, ...)
{
	char text[1024], clean[1100];
	va_list list;

	if (plain_lines && !strcmp(weight, SD_DEBUG))
		return;
	va_start(list, format);
	(void)vsnprintf(text, sizeof text, format, list);
	va_end(list);
	lull_utf8_clean(clean, sizeof clean, text, strlen(text));
	(void)fprintf(stderr, "%s%s\n", plain_lines ? "lulld: " : weight, clean);
}
