/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text_chart: the night in a few lines: the current in steps of a log scale, and what each bus did. */
#include <math.h>
#include <report/text_current.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define LABEL 10
#define COLUMNS_MOST 120
#define LEVELS 8

/* Lower ends, mA: fixed, so that two nights can be held side by side. */
static const double level_from[LEVELS] = {-INFINITY, 20, 50, 100, 200, 500, 1000, 5000};
static const char *const blocks[LEVELS] = {"\xe2\x96\x81", "\xe2\x96\x82", "\xe2\x96\x83", "\xe2\x96\x84", "\xe2\x96\x85",
	"\xe2\x96\x86", "\xe2\x96\x87", "\xe2\x96\x88"};
static const char *const digits[LEVELS] = {"1", "2", "3", "4", "5", "6", "7", "8"};
#define CHARGING (-50.0) /* mA; less than that is no zero that is a little off */

struct chart {
	const struct lull_page *page;
	const struct lull_verdict *v;
	unsigned bus_count;
	unsigned n; /* columns of time */
};

static lull_time column_from(const struct chart *c, unsigned i)
{
	return (lull_time)((double)c->v->end * i / c->n);
}

static bool overlaps(lull_time from, lull_time to, lull_time a, lull_time b)
{
	return from < b && to >= a;
}

static void label(const struct chart *c, const char *text)
{
	char fit[LABEL * 12];
	unsigned k;

	lull_page_fit(text, LABEL - 1, fit, sizeof fit);
	(void)fprintf(c->page->out, "   %s", fit);
	for (k = lull_page_columns(fit); k < LABEL; k++)
		(void)putc(' ', c->page->out);
}

/* The highest level of a column: a short wake is what the eye looks for. */
static const char *current_at(const struct chart *c, lull_time from, lull_time to)
{
	const struct lull_current_report *r = &c->v->current;
	double most = -INFINITY, least = INFINITY;
	size_t i;
	int k;

	for (i = 0; i < r->stages.n; i++) {
		const struct lull_stage *s = &r->stages.at[i];

		if (!overlaps(s->from, s->to, from, to) || !isfinite(s->mA))
			continue;
		most = fmax(most, s->mA);
		least = fmin(least, s->mA);
	}
	for (i = 0; i < r->dead.n; i++) {
		if (overlaps(r->dead.at[i].from, r->dead.at[i].to, from, to) && !isfinite(most))
			return "x";
	}
	if (!isfinite(most))
		return " ";
	if (least < CHARGING)
		return "v";
	for (k = LEVELS - 1; k > 0 && most < level_from[k]; k--)
		;
	return (c->page->blocks ? blocks : digits)[k];
}

/* Awake wins over quiet; half a column that was not heard makes it unheard. */
static char bus_at(const struct chart *c, unsigned bus, lull_time from, lull_time to)
{
	lull_time blind = 0;
	bool lone = false;
	size_t i;

	for (i = 0; i < c->v->spells.n; i++) {
		const struct lull_spell *s = &c->v->spells.at[i];

		if (s->bus != bus || !overlaps(s->from, s->to, from, to))
			continue;
		if (!s->lone)
			return '#';
		lone = true;
	}
	for (i = 0; i < c->v->blind.n; i++) {
		const struct lull_coverage *b = &c->v->blind.at[i];
		lull_time a = b->from > from ? b->from : from, z = b->to < to ? b->to : to;

		if ((b->bus == bus || b->bus == LULL_BUS_ALL) && z > a)
			blind += z - a;
	}
	if (blind * 2 > to - from)
		return '?';
	return lone ? ':' : '.';
}

static const int64_t tick_minutes[] = {1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440, 2880, 10080};

/* Seconds of the local day at recording time 0, or of the zero of times where no clock is known. */
static double day_seconds(const struct lull_when *w)
{
	const int64_t utc = w->clock ? lull_night_utc(w->night, 0) : INT64_MIN;
	struct tm tm;
	time_t s;

	if (utc == INT64_MIN)
		return -(double)w->zero / 1e9;
	s = (time_t)(utc / LULL_SEC);
	if (!localtime_r(&s, &tm))
		return 0;
	return tm.tm_hour * 3600.0 + tm.tm_min * 60.0 + tm.tm_sec + (double)(utc % LULL_SEC) / 1e9;
}

static void axis(const struct chart *c, const struct lull_when *w)
{
	char row[COLUMNS_MOST + 16];
	const double length = (double)c->v->end / 1e9, zero = day_seconds(w);
	double step = 60;
	unsigned used = 0;
	size_t k;

	/* Labels of six columns and two between. */
	for (k = 0; k < sizeof tick_minutes / sizeof tick_minutes[0]; k++) {
		step = 60.0 * (double)tick_minutes[k];
		if (step * c->n >= length * 8)
			break;
	}
	memset(row, ' ', sizeof row);
	const double first = ceil(zero / step) * step;

	/* As many as fit the step chosen, and one more for rounding. */
	for (unsigned tick = 0; tick <= c->n && first + tick * step - zero < length; tick++) {
		const double at = first + tick * step;
		const unsigned i = (unsigned)((at - zero) / length * c->n);
		const long minutes = lround(at / 60), of_day = ((minutes % 1440) + 1440) % 1440;
		char text[16];
		int n;

		if (w->clock)
			n = snprintf(text, sizeof text, "|%02ld:%02ld", of_day / 60, of_day % 60);
		else
			n = snprintf(text, sizeof text, "|%s%ld:%02ld", minutes < 0 ? "-" : "+", labs(minutes) / 60, labs(minutes) % 60);
		if (n < 0 || i < used || i + (unsigned)n > c->n)
			continue;
		memcpy(row + i, text, (size_t)n);
		used = i + (unsigned)n + 1;
	}
	row[c->n] = 0;
	for (k = c->n; k > 0 && row[k - 1] == ' '; k--)
		row[k - 1] = 0;
	label(c, "");
	(void)fprintf(c->page->out, "%s\n", row);
}

static void legend(const struct chart *c)
{
	char text[320];
	const char *const *sign = c->page->blocks ? blocks : digits;

	if (c->v->current.present) {
		(void)snprintf(text, sizeof text,
			"%s under 20 mA, %s 20, %s 50, %s 100, %s 200, %s 500 mA, %s 1 A, %s 5 A and more, the highest of each column; v "
			"into the battery; x no measurement%s",
			sign[0], sign[1], sign[2], sign[3], sign[4], sign[5], sign[6], sign[7],
			c->v->current.lineup.paired ? "" : "; the current is not lined up with the rest");
		lull_page_para(c->page, 3, "Current   ", LULL_INK_FAINT, text);
	}
	if (c->bus_count)
		lull_page_para(c->page, 3, "Bus       ", LULL_INK_FAINT, "# awake, . quiet, : single frames, ? not heard");
}

void lull_text_chart(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v)
{
	struct chart c = {.page = p, .v = v, .bus_count = w->night->bus_count, .n = p->width - 3 - LABEL - 1};
	unsigned b, i;

	if (v->end < LULL_MIN || (!v->current.present && !c.bus_count))
		return;
	if (c.n > COLUMNS_MOST)
		c.n = COLUMNS_MOST;
	lull_page_heading(p, "THE NIGHT AT A GLANCE", "");
	if (v->current.present) {
		label(&c, v->current.lineup.paired ? "current" : "current ~");
		for (i = 0; i < c.n; i++)
			(void)fputs(current_at(&c, column_from(&c, i), column_from(&c, i + 1)), p->out);
		(void)putc('\n', p->out);
	}
	for (b = 0; b < c.bus_count; b++) {
		label(&c, w->night->bus[b].name);
		for (i = 0; i < c.n; i++)
			(void)putc(bus_at(&c, b, column_from(&c, i), column_from(&c, i + 1)), p->out);
		(void)putc('\n', p->out);
	}
	axis(&c, w);
	legend(&c);
}
