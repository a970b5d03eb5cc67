/* SPDX-License-Identifier: GPL-3.0-or-later */
/* case: helpers shared by the steps of a judgement. Pure. */
#include "core/case.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>

void *case_room(struct lull_case *c, void *at, size_t n, size_t *room, size_t size)
{
	if (n < *room)
		return at;
	size_t want = *room ? *room * 2 : 8;
	void *grown = realloc(at, want * size);
	if (!grown) {
		c->oom = true;
		return NULL;
	}
	*room = want;
	return grown;
}

char *case_say(struct lull_case *c, const char *format, ...)
{
	va_list args, again;
	va_start(args, format);
	va_copy(again, args);
	int n = vsnprintf(NULL, 0, format, args);
	va_end(args);
	char *text = n < 0 ? NULL : malloc((size_t)n + 1);
	if (text)
		vsnprintf(text, (size_t)n + 1, format, again);
	else
		c->oom = true;
	va_end(again);
	return text;
}

void case_left_out(struct lull_case *c, char *owned)
{
	size_t before = c->v->left_out.n;
	if (owned)
		CASE_PUSH(c, c->v->left_out, owned);
	if (owned && c->v->left_out.n == before)
		free(owned);
}

const char *span_text(lull_time t, char buf[static 32])
{
	double s = fabs((double)t / 1e9);
	if (s < 0.9995)
		snprintf(buf, 32, "%.0f ms", s * 1e3);
	else if (s < 59.95)
		snprintf(buf, 32, "%.1f s", s);
	else if (s < 3599.5)
		snprintf(buf, 32, "%ld min %02ld s", lround(s) / 60, lround(s) % 60);
	else
		snprintf(buf, 32, "%ld h %02ld min", lround(s / 60) / 60, lround(s / 60) % 60);
	return buf;
}
