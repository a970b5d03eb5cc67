/* SPDX-License-Identifier: GPL-3.0-or-later */
/* finished: a recording that is over, as a source of the live view. */
#include <page/finished.h>
#include <report/report.h>
#include <report/status.h>

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define COLUMNS 600

int lull_finished_make(const struct lull_night *night, const struct lull_verdict *v, const char *name, struct lull_finished *f)
{
	const struct lull_status s = {.name = name, .now = v->end};
	const struct lull_report_style style = {.name = name, .linked = true};
	size_t status_size = 0;
	FILE *out[3];
	int err = 0;

	*f = (struct lull_finished){0};
	out[0] = open_memstream(&f->status, &status_size);
	out[1] = open_memstream(&f->report, &f->report_size);
	out[2] = open_memstream(&f->trace, &f->trace_size);
	if (!out[0] || !out[1] || !out[2] || lull_status_json(out[0], night, v, &s) || lull_report_html(out[1], night, v, &style) ||
		lull_trace_json(out[2], night, v, COLUMNS))
		err = -ENOMEM;
	for (size_t i = 0; i < 3; i++) {
		if (out[i] && fclose(out[i]))
			err = -ENOMEM;
	}
	if (err)
		lull_finished_clear(f);
	return err;
}

void lull_finished_clear(struct lull_finished *f)
{
	free(f->status);
	free(f->report);
	free(f->trace);
	*f = (struct lull_finished){0};
}

static char *copy(const char *text, size_t n, size_t *size)
{
	char *c = malloc(n + 1);

	if (c) {
		memcpy(c, text, n);
		c[n] = 0;
		*size = n;
	}
	return c;
}

static char *status(void *ctx)
{
	return strdup(((struct lull_finished *)ctx)->status);
}

static char *report(void *ctx, size_t *size)
{
	const struct lull_finished *f = ctx;

	return copy(f->report, f->report_size, size);
}

static char *trace(void *ctx, size_t *size)
{
	const struct lull_finished *f = ctx;

	return copy(f->trace, f->trace_size, size);
}

struct lull_page_source lull_finished_source(struct lull_finished *f)
{
	return (struct lull_page_source){.ctx = f, .status = status, .report = report, .trace = trace};
}
