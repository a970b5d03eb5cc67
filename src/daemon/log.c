/* SPDX-License-Identifier: GPL-3.0-or-later */
/* log: lines to stderr, for the journal or for people. */
#include <daemon/log.h>
#include <source/utf8.h>

#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static enum { UNDECIDED, JOURNAL, PLAIN } form;

void lull_log_plain(bool plain)
{
	form = plain ? PLAIN : UNDECIDED;
}

bool lull_log_is_journal(const char *journal_stream, int fd)
{
	char here[64];
	struct stat st;

	if (!journal_stream || fstat(fd, &st))
		return false;
	(void)snprintf(
		here, sizeof here, "%" PRIuMAX ":%" PRIuMAX, (uintmax_t)st.st_dev, (uintmax_t)st.st_ino);
	return !strcmp(here, journal_stream);
}

static const char *word_of(const char *weight)
{
	static const struct {
		const char *weight, *word;
	} words[] = {{SD_ERR, "error"}, {SD_WARNING, "warning"}, {SD_NOTICE, "notice"}, {SD_INFO, "info"},
		{SD_DEBUG, "debug"}};

	for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
		if (!strcmp(words[i].weight, weight))
			return words[i].word;
	return "error";
}

void lull_log(const char *weight, const char *format, ...)
{
	char text[1024], clean[1100];
	va_list list;

	if (form == UNDECIDED)
		form = lull_log_is_journal(getenv("JOURNAL_STREAM"), STDERR_FILENO) ? JOURNAL : PLAIN;
	if (form == PLAIN && !strcmp(weight, SD_DEBUG))
		return;
	va_start(list, format);
	(void)vsnprintf(text, sizeof text, format, list);
	va_end(list);
	lull_utf8_clean(clean, sizeof clean, text, strlen(text));
	if (form == JOURNAL)
		(void)fprintf(stderr, "%s%s\n", weight, clean);
	else
		(void)fprintf(stderr, "lulld: %s: %s\n", word_of(weight), clean);
}
