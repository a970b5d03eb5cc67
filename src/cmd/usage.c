/* SPDX-License-Identifier: GPL-3.0-or-later */
/* usage: what the command says when it cannot go on, and what was probably meant. */
#include <cmd/cmd.h>
#include <report/page.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static void complain(const char *who, const char *format, va_list ap)
{
	char text[2048], clean[4096];

	(void)vsnprintf(text, sizeof text, format, ap);
	(void)fprintf(stderr, "%s: %s\n", who, lull_page_clean(text, clean, sizeof clean));
}

int lull_fail(const char *who, const char *format, ...)
{
	va_list ap;

	va_start(ap, format);
	complain(who, format, ap);
	va_end(ap);
	return LULL_EXIT_ERROR;
}

int lull_misuse(const char *who, const char *format, ...)
{
	va_list ap;

	va_start(ap, format);
	complain(who, format, ap);
	va_end(ap);
	return lull_try_help(who);
}

int lull_try_help(const char *who)
{
	(void)fprintf(stderr, "Try '%s --help' for more information.\n", who);
	return LULL_EXIT_ERROR;
}

int lull_printed(const char *who, int status)
{
	if (fflush(stdout) || ferror(stdout))
		return lull_fail(who, "cannot write to standard output");
	return status;
}
