/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lines: a stream's lines, one by one, in bounded memory. */
#include <source/lines.h>

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define BUFFER 131072

int lull_lines_open(struct lull_lines *l, struct lull_stream *stream)
{
	*l = (struct lull_lines){.stream = stream, .buffer = malloc(BUFFER)};
	return l->buffer ? 0 : -ENOMEM;
}

void lull_lines_close(struct lull_lines *l)
{
	free(l->buffer);
	l->buffer = NULL;
}

static bool more(struct lull_lines *l)
{
	if (l->from) {
		memmove(l->buffer, l->buffer + l->from, l->to - l->from);
		l->to -= l->from;
		l->from = 0;
	}
	const size_t got = lull_stream_read(l->stream, l->buffer + l->to, BUFFER - l->to);
	l->to += got;
	return got != 0;
}

/* The rest of a line that is too long. */
static void drop_rest(struct lull_lines *l)
{
	for (;;) {
		const char *nl = memchr(l->buffer + l->from, '\n', l->to - l->from);
		if (nl) {
			l->from = (size_t)(nl - l->buffer) + 1;
			return;
		}
		l->from = l->to = 0;
		if (!more(l))
			return;
	}
}

bool lull_lines_next(struct lull_lines *l, char **line, size_t *n)
{
	if (l->too_long) {
		l->too_long = false;
		drop_rest(l);
	}
	size_t looked = 0;
	char *nl;
	for (;;) {
		nl = memchr(l->buffer + l->from + looked, '\n', l->to - l->from - looked);
		looked = l->to - l->from;
		if (nl || looked > LULL_LINE_MAX || !more(l))
			break;
	}
	*line = l->buffer + l->from;
	*n = nl ? (size_t)(nl - *line) : l->to - l->from;
	if (!nl && !*n)
		return false;
	l->number++;
	l->whole = nl != NULL;
	if (*n > LULL_LINE_MAX) {
		/* The rest is dropped at the next call, so that the start can be shown until then. */
		*n = LULL_LINE_MAX;
		l->too_long = true;
		return true;
	}
	l->from = nl ? (size_t)(nl - l->buffer) + 1 : l->to;
	if (*n && (*line)[*n - 1] == '\r')
		--*n;
	if (l->number == 1 && *n >= 3 && !memcmp(*line, "\xef\xbb\xbf", 3)) {
		*line += 3;
		*n -= 3;
	}
	return true;
}
