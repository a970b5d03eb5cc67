/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html_picture: what every picture of the HTML report has: a frame, a time axis, names at the left, marks, hatching. */
#include <math.h>
#include <report/html.h>
#include <report/page.h>
#include <report/words.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

double lull_html_x(const struct lull_html_axis *a, lull_time t)
{
	const double x = LULL_HTML_LEFT + LULL_HTML_SPAN * ((double)t - (double)a->from) / ((double)a->to - (double)a->from);

	return fmin(fmax(x, LULL_HTML_LEFT), LULL_HTML_LEFT + LULL_HTML_SPAN);
}

/* Patterns have ids, and a picture that is hidden hides its patterns: each brings its own. */
void lull_html_picture(struct lull_html *h, const char *name, unsigned height, const char *title, const char *shows)
{
	const unsigned id = ++h->pictures;

	(void)fprintf(h->out, "<figure class=\"picture %s\" tabindex=0>\n<svg role=img viewBox=\"0 0 %d %u\" aria-labelledby=\"t%u d%u\">\n<title id=t%u>",
		name, LULL_HTML_WIDTH, height, id, id, id);
	lull_html_text(h->out, title);
	(void)fprintf(h->out, "</title><desc id=d%u>", id);
	lull_html_text(h->out, shows);
	(void)fprintf(h->out,
		"</desc>\n<defs><pattern id=blind%u width=7 height=7 patternUnits=userSpaceOnUse patternTransform=\"rotate(45)\">"
		"<rect width=7 height=7 class=blindpaper /><path d=\"M0 0V7\" class=hatch /></pattern></defs>\n",
		id);
}

void lull_html_picture_end(struct lull_html *h, const char *caption)
{
	(void)fputs("</svg>\n<figcaption>", h->out);
	lull_html_text(h->out, caption);
	(void)fputs("</figcaption>\n</figure>\n", h->out);
}

static const int64_t spans_s[] = {1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800};

/* A round span that gives at most so many ticks. */
static lull_time tick_span(const struct lull_html_axis *a, unsigned most)
{
	const size_t n = sizeof spans_s / sizeof spans_s[0];

	for (size_t i = 0; i < n; i++) {
		if ((a->to - a->from) / (spans_s[i] * LULL_SEC) <= (int64_t)most)
			return spans_s[i] * LULL_SEC;
	}
	return (a->to - a->from) / (int64_t)most;
}

static lull_time round_up(lull_time t, lull_time step)
{
	const lull_time rest = t % step;

	return rest > 0 ? t + step - rest : t - rest;
}

static void tick(const struct lull_html *h, double x, double top, double bottom, bool above, const char *text)
{
	const double y = above ? top - 6 : bottom + 15;

	(void)fprintf(h->out, "<path class=%s d=\"M%.1f %.1fV%.1f\"/><text class=tick x=%.1f y=%.1f>%s</text>\n", above ? "tickabove" : "grid", x,
		above ? top - 4 : top, above ? top : bottom, x, y, text);
}

/* Local clock times at round local times; "Tue 02:00" where the night has more than one day's. */
static void clock_ticks(const struct lull_html *h, const struct lull_html_axis *a, double top, double bottom, lull_time span)
{
	const int64_t utc = lull_night_utc(h->night, a->from);
	struct tm tm;

	if (utc == INT64_MIN)
		return;
	const time_t s = (time_t)(utc / LULL_SEC);
	if (!localtime_r(&s, &tm))
		return;
	const int64_t since_midnight = (tm.tm_hour * INT64_C(3600) + tm.tm_min * 60 + tm.tm_sec) * LULL_SEC + utc % LULL_SEC;
	const lull_time first = a->from + round_up(since_midnight, span) - since_midnight;

	for (lull_time t = first; t <= a->to; t += span) {
		char text[LULL_WHEN];

		lull_when_clock(&h->when, t, text);
		if (span % LULL_MIN == 0 && strlen(text) > 3)
			text[strlen(text) - 3] = 0;
		tick(h, lull_html_x(a, t), top, bottom, true, text);
	}
}

static void title_of_axis(const struct lull_html *h, double y, const char *text)
{
	(void)fprintf(h->out, "<text class=axis x=%d y=%.1f>%s</text>\n", LULL_HTML_LEFT - 34, y, text);
}

void lull_html_axis(struct lull_html *h, const struct lull_html_axis *a, double top, double bottom)
{
	const lull_time span = tick_span(a, 8);
	const lull_time first = h->when.zero + round_up(a->from - h->when.zero, span);

	if (h->when.clock) {
		clock_ticks(h, a, top, bottom, span);
		title_of_axis(h, top - 6, "local time");
	}
	for (lull_time t = first; t <= a->to; t += span) {
		char text[LULL_WHEN];

		lull_when_since(&h->when, t, text);
		if (span % LULL_MIN == 0)
			text[strlen(text) - 3] = 0;
		tick(h, lull_html_x(a, t), top, bottom, false, text);
	}
	title_of_axis(h, bottom + 15, h->when.from_key_off ? "since key-off" : "since start");
}

void lull_html_seconds(struct lull_html *h, const struct lull_html_axis *a, lull_time zero, double top, double bottom)
{
	lull_time span = tick_span(a, 10);
	const char *unit = "s";
	double scale = 1e9;

	if (a->to - a->from < 4 * LULL_SEC) {
		span = (a->to - a->from) / 10;
		unit = "ms";
		scale = 1e6;
	}
	for (lull_time t = zero + round_up(a->from - zero, span); t <= a->to; t += span) {
		char text[LULL_WHEN];

		(void)snprintf(text, sizeof text, "%+.0f", (double)(t - zero) / scale);
		tick(h, lull_html_x(a, t), top, bottom, false, t == zero ? "0" : text);
	}
	title_of_axis(h, bottom + 15, unit);
}

void lull_html_label(struct lull_html *h, double y, const char *text, bool strong)
{
	char fit[200];

	(void)fprintf(h->out, "<text class=\"row%s\" x=%d y=%.1f><title>", strong ? " strong" : "", LULL_HTML_LEFT - 8, y + 4);
	lull_html_text(h->out, text);
	(void)fputs("</title>", h->out);
	lull_html_text(h->out, lull_page_fit(text, 22, fit, sizeof fit));
	(void)fputs("</text>\n", h->out);
}

void lull_html_marks(struct lull_html *h, const struct lull_html_axis *a, double top, double bottom)
{
	const struct lull_verdict *v = h->v;
	double key_off = -1, free_from = 0; /* labels before it would lie over the last one */

	if (v->key_off != LULL_NEVER && v->key_off >= a->from && v->key_off <= a->to) {
		const double x = lull_html_x(a, v->key_off);

		(void)fprintf(h->out, "<path class=keyoff d=\"M%.1f %.1fV%.1f\"><title>key off</title></path>"
				      "<text class=mark x=%.1f y=%.1f>key off</text>\n",
			x, top, bottom, x + 4, top + 10);
		free_from = key_off = x;
	}
	for (size_t i = 0; i < h->night->marks.n; i++) {
		const struct lull_mark *m = &h->night->marks.at[i];

		if (m->t < a->from || m->t > a->to || m->kind == LULL_MARK_KEY_OFF)
			continue;
		const double x = lull_html_x(a, m->t);
		(void)fprintf(h->out, "<path class=markline d=\"M%.1f %.1fV%.1f\"><title>", x, top, bottom);
		lull_html_text(h->out, m->text);
		(void)fputs("</title></path>\n", h->out);
		if (free_from > 0 && x > free_from - 16 && x < free_from + (free_from == key_off ? 46 : 14))
			continue;
		free_from = x;
		(void)fprintf(h->out, "<text class=mark x=%.1f y=%.1f>%zu</text>\n", x + 3, top + 10, i + 1);
	}
}

void lull_html_blind(struct lull_html *h, const struct lull_html_axis *a, unsigned bus, double top, double bottom)
{
	for (size_t i = 0; i < h->v->blind.n; i++) {
		const struct lull_coverage *b = &h->v->blind.at[i];

		if ((b->bus != bus && b->bus != LULL_BUS_ALL) || b->to < a->from || b->from > a->to)
			continue;
		const double x = lull_html_x(a, b->from), width = fmax(lull_html_x(a, b->to) - x, 1.5);
		(void)fprintf(h->out, "<rect class=blind fill=\"url(#blind%u)\" x=%.1f y=%.1f width=%.1f height=%.1f><title>not heard: ",
			h->pictures, x, top, width, bottom - top);
		lull_html_text(h->out, lull_words_blind((enum lull_coverage_why)b->why));
		(void)fputs("</title></rect>\n", h->out);
	}
}

double lull_html_round_above(double x)
{
	const double p = pow(10, floor(log10(x)));

	return x <= p ? p : x <= 2 * p ? 2 * p : x <= 5 * p ? 5 * p : 10 * p;
}
