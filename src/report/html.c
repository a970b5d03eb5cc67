/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html: the report as one self-contained page: head of the work order, verdict, pictures, evidence, tables. */
#include <errno.h>
#include <math.h>
#include <report/html.h>
#include <report/html_files.h>
#include <report/page.h>
#include <report/words.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

void lull_html_text(FILE *out, const char *text)
{
	char clean[4096];

	for (const char *p = lull_page_clean(text, clean, sizeof clean); *p; p++) {
		switch (*p) {
		case '&': (void)fputs("&amp;", out); break;
		case '<': (void)fputs("&lt;", out); break;
		case '>': (void)fputs("&gt;", out); break;
		case '"': (void)fputs("&quot;", out); break;
		case '\'': (void)fputs("&#39;", out); break;
		default: (void)putc(*p, out);
		}
	}
}

void lull_html_textf(FILE *out, const char *format, ...)
{
	char text[2048];
	va_list list;

	va_start(list, format);
	(void)vsnprintf(text, sizeof text, format, list);
	va_end(list);
	lull_html_text(out, text);
}

void lull_html_number(FILE *out, double x, unsigned decimals, const char *unit)
{
	if (!isfinite(x)) {
		(void)fputs("<td class=n data-v=\"\">&ndash;</td>", out);
		return;
	}
	(void)fprintf(out, "<td class=n data-v=\"%.15g\">%.*f%s%s</td>", x, (int)decimals, x, unit[0] ? "&nbsp;" : "", unit);
}

void lull_html_begin(FILE *out, const char *title, bool linked)
{
	(void)fputs("<!DOCTYPE html>\n<html lang=en>\n<head>\n<meta charset=utf-8>\n"
		    "<meta name=viewport content=\"width=device-width, initial-scale=1\">\n<title>",
		out);
	lull_html_text(out, title);
	(void)fputs(" &ndash; what the car did at night</title>\n", out);
	if (linked) {
		(void)fputs("<link rel=icon href=\"/icon.svg\" type=\"image/svg+xml\">\n<link rel=stylesheet href=\"/report.css\">\n<script src=\"/report.js\" defer></script>\n</head>\n<body>\n", out);
		return;
	}
	(void)fputs("<style>\n", out);
	(void)fputs(lull_html_css, out);
	(void)fputs("</style>\n</head>\n<body>\n", out);
}

void lull_html_end(FILE *out, bool linked)
{
	(void)fputs("<p>Made by lull " LULL_VERSION ".</p></footer>\n", out);
	if (!linked) {
		(void)fputs("<script>\n", out);
		(void)fputs(lull_html_js, out);
		(void)fputs("</script>\n", out);
	}
	(void)fputs("</body>\n</html>\n", out);
}

/* "Times are local: UTC+01:00." The offset at the start; a change of it in the night is said too. */
static void zone(const struct lull_html *h)
{
	const int64_t from = lull_night_utc(h->night, 0), to = lull_night_utc(h->night, h->v->end);
	struct tm a, b;

	if (from == INT64_MIN) {
		(void)fputs("No clock tells the date: times count from the start of the recording or from key-off.", h->out);
		return;
	}
	const time_t s = (time_t)(from / LULL_SEC), e = (time_t)(to / LULL_SEC);
	if (!localtime_r(&s, &a) || !localtime_r(&e, &b))
		return;
	const long first = a.tm_gmtoff / 60, last = b.tm_gmtoff / 60;
	(void)fprintf(h->out, "Clock times are local to where this page was made: UTC%+03ld:%02ld", first / 60, labs(first % 60));
	if (last != first)
		(void)fprintf(h->out, ", UTC%+03ld:%02ld at the end", last / 60, labs(last % 60));
	(void)fputs(". Times like +0:31:05 count from ", h->out);
	(void)fputs(h->when.from_key_off ? "key-off." : "the start of the recording.", h->out);
}

static void order(const struct lull_html *h)
{
	bool any = false;

	for (unsigned i = 0; h->order && i < LULL_ORDER_COUNT; i++) {
		if (!h->order->field[i][0])
			continue;
		if (!any)
			(void)fputs("<dl class=order>\n", h->out);
		any = true;
		(void)fprintf(h->out, "<div><dt>%s</dt><dd>", lull_order_title((enum lull_order_field)i));
		lull_html_text(h->out, h->order->field[i]);
		(void)fputs("</dd></div>\n", h->out);
	}
	if (any)
		(void)fputs("</dl>\n", h->out);
}

/* What the measurement itself was: clamp, zero, limits, as the recording has them. */
static void measured(const struct lull_html *h)
{
	const struct lull_verdict *v = h->v;
	char a[LULL_WHEN], b[LULL_WHEN], vehicle[2 * LULL_VEHICLE + 4];

	(void)fputs("<dl class=order>\n", h->out);
	if (lull_words_vehicle(&h->night->identity, vehicle, sizeof vehicle)) {
		(void)fputs("<div><dt>Vehicle ID</dt><dd>", h->out);
		lull_html_text(h->out, vehicle);
		(void)fputs("</dd></div>\n", h->out);
	}
	(void)fputs("<div><dt>Recorded</dt><dd>", h->out);
	lull_when_length(v->end, a);
	if (lull_when_date(&h->when, 0, b)[0])
		lull_html_textf(h->out, "from %s for %s", b, a);
	else
		lull_html_textf(h->out, "for %s", a);
	(void)fprintf(h->out, "</dd></div>\n<div><dt>Observed</dt><dd>%s</dd></div>\n", lull_when_length(v->observed, a));
	if (isfinite(v->limit_draw_mA) && isfinite(v->limit_sleep_s)) {
		lull_when_length((lull_time)(v->limit_sleep_s * 1e9), a);
		(void)fputs("<div><dt>Limits</dt><dd>", h->out);
		lull_html_textf(h->out, "asleep within %s, then at most %g mA (%s)", a, v->limit_draw_mA,
			lull_words_limit(v->limit_source));
		(void)fputs("</dd></div>\n", h->out);
	}
	(void)fputs("<div><dt>Clamp and its zero</dt><dd>", h->out);
	if (!v->current.present)
		(void)fputs("no log of the current", h->out);
	else if (!isfinite(v->current.zero_mA))
		(void)fputs("no reading off the cable: steps are good, levels only as good as the clamp's own zero", h->out);
	else
		lull_html_textf(h->out, "read %s: %.1f mA taken off, %s%.1f mA left open",
			v->current.zero_before && v->current.zero_after ? "before and after" : v->current.zero_before ? "before" : "after",
			v->current.zero_mA, "\xc2\xb1", isfinite(v->current.zero_error_mA) ? v->current.zero_error_mA : 0.0);
	(void)fputs("</dd></div>\n</dl>\n", h->out);
}

static void cautions(const struct lull_html *h)
{
	size_t n;
	const char *const *lines = lull_words_cautions(&n);

	(void)fputs("<section class=care><h2>Before you touch the car</h2>\n<ul>\n", h->out);
	for (size_t i = 0; i < n; i++) {
		(void)fputs("<li>", h->out);
		lull_html_text(h->out, lines[i]);
		(void)fputs("</li>\n", h->out);
	}
	(void)fputs("</ul></section>\n", h->out);
}

static void left_out(const struct lull_html *h)
{
	(void)fputs("<section><h2>Left out</h2>\n<ul>\n", h->out);
	for (size_t i = 0; i < h->v->left_out.n; i++) {
		(void)fputs("<li>", h->out);
		lull_html_text(h->out, h->v->left_out.at[i]);
		(void)fputs("</li>\n", h->out);
	}
	if (!h->v->left_out.n)
		(void)fputs("<li>Nothing of what was recorded.</li>\n", h->out);
	(void)fputs("</ul></section>\n", h->out);
}

int lull_report_html(FILE *out, const struct lull_night *night, const struct lull_verdict *v, const struct lull_report_style *style)
{
	struct lull_html h = {.out = out, .night = night, .v = v, .when = lull_when_new(night, v), .order = style ? style->order : NULL};
	const char *name = style && style->name ? style->name : "recording";
	const char *slash = strrchr(name, '/');

	name = slash && slash[1] ? slash + 1 : name;
	lull_html_begin(out, name, style && style->linked);
	(void)fputs("<header>\n<h1>", out);
	lull_html_text(out, name);
	(void)fputs("</h1>\n", out);
	order(&h);
	measured(&h);
	(void)fputs("</header>\n<main>\n", out);
	lull_html_verdict(&h);
	lull_html_night(&h);
	lull_html_key_off(&h);
	lull_html_wakes(&h);
	lull_html_cost(&h);
	lull_html_evidence(&h);
	lull_html_tables(&h);
	left_out(&h);
	cautions(&h);
	(void)fputs("</main>\n<footer><p>", out);
	zone(&h);
	(void)fputs(" Probabilities say how often such a call was right on invented nights. A &#177; is half of a 95&nbsp;% "
		    "interval.</p>",
		out);
	lull_html_end(out, style && style->linked);
	if (fflush(out) || ferror(out))
		return errno ? -errno : -EIO;
	return 0;
}
