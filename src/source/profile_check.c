/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile_check: all that is wrong with a profile, not only the first. A line that is wrong is taken out and the rest read
 * again; with a section's own line goes the section, so that its keys do not fall to the one before. */
#include <source/profile.h>

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MOST_ERRORS 50
#define MESSAGE 1024

static void blank(char *from, char *to)
{
	for (; from < to; from++)
		if (*from != '\n')
			*from = ' ';
}

static char *line_at(char *text, char *end, unsigned line)
{
	char *p = text;
	while (line > 1 && p < end) {
		char *nl = memchr(p, '\n', (size_t)(end - p));
		p = nl ? nl + 1 : end;
		line--;
	}
	return p;
}

static char *line_end(char *p, char *end)
{
	char *nl = memchr(p, '\n', (size_t)(end - p));
	return nl ? nl + 1 : end;
}

static bool opens_section(const char *p, const char *end)
{
	while (p < end && (*p == ' ' || *p == '\t'))
		p++;
	return p < end && *p == '[';
}

static void take_out(char *text, size_t size, unsigned line)
{
	char *end = text + size, *p = line_at(text, end, line), *stop = line_end(p, end);
	if (opens_section(p, end))
		while (stop < end && !opens_section(stop, end))
			stop = line_end(stop, end);
	blank(p, stop);
}

static unsigned line_of(const char *name, const char *message)
{
	size_t n = strlen(name);
	char *rest;
	if (strncmp(message, name, n) != 0 || message[n] != ':')
		return 0;
	unsigned long line = strtoul(message + n + 1, &rest, 10);
	return *rest == ':' && line <= 0xffffffffu ? (unsigned)line : 0;
}

int lull_profile_check_text(const char *name, const char *text, size_t size, lull_profile_problem *say, void *ctx)
{
	char message[MESSAGE], *copy = malloc(size + 1);
	unsigned found = 0;
	int status = 0;
	if (!copy)
		return -ENOMEM;
	memcpy(copy, text, size);
	copy[size] = 0;
	while (found < MOST_ERRORS) {
		struct lull_profile profile;
		status = lull_profile_parse_text(name, copy, size, &profile, message, sizeof message);
		if (!status) {
			lull_profile_clear(&profile);
			break;
		}
		unsigned line = line_of(name, message);
		say(ctx, line, message);
		found++;
		if (status != -EINVAL || !line)
			break;
		take_out(copy, size, line);
		status = 0;
	}
	free(copy);
	return status < 0 && status != -EINVAL ? status : (int)found;
}

int lull_profile_check(const char *path, lull_profile_problem *say, void *ctx)
{
	char message[MESSAGE];
	size_t size;
	errno = 0;
	char *text = lull_text_read(path, 1u << 20, &size, message, sizeof message);
	if (!text) {
		say(ctx, 0, message);
		return 1;
	}
	int found = lull_profile_check_text(path, text, size, say, ctx);
	free(text);
	return found;
}
