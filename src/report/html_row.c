/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html_row: one row of when something sent, as a path of short strokes. A night's row of 500 runs takes some 4 kB. */
#include <math.h>
#include <report/html.h>

static int column(const struct lull_html_axis *a, lull_time t)
{
	const double share = ((double)t - (double)a->from) / ((double)a->to - (double)a->from);

	return (int)lround(fmin(fmax(share, 0), 1) * LULL_HTML_COLUMNS);
}

/* Columns are finer than the picture's units; the row is drawn in columns and scaled. */
struct lull_html_row lull_html_row_begin(FILE *out, const struct lull_html_axis *axis, double y, const char *css)
{
	(void)fprintf(out, "<path class=\"%s\" transform=\"translate(%d %.1f) scale(%.4g 1)\" d=\"", css, LULL_HTML_LEFT, y,
		(double)LULL_HTML_SPAN / LULL_HTML_COLUMNS);
	return (struct lull_html_row){.out = out, .axis = axis, .y = y, .from = -1};
}

static void flush(struct lull_html_row *r)
{
	if (r->from < 0)
		return;
	/* a run of no length is still to be seen */
	const int to = r->to > r->from + 2 ? r->to : r->from + 2;

	if (r->any)
		(void)fprintf(r->out, "m%d 0h%d", r->from - r->pen, to - r->from);
	else
		(void)fprintf(r->out, "M%d 0h%d", r->from, to - r->from);
	r->any = true;
	r->pen = to;
	r->from = -1;
}

void lull_html_row_add(struct lull_html_row *r, lull_time from, lull_time to)
{
	if (to < r->axis->from || from > r->axis->to)
		return;
	const int a = column(r->axis, from), b = column(r->axis, to);

	if (r->from >= 0 && a <= r->to + 1) {
		r->to = b > r->to ? b : r->to;
		return;
	}
	flush(r);
	r->from = a;
	r->to = b;
}

void lull_html_row_end(struct lull_html_row *r)
{
	flush(r);
	(void)fputs("\"/>\n", r->out);
}
