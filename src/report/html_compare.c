/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html_compare: before and after a repair as one page: the outcome, each measure as two bars with their noise, what became
 * of each finding. */
#include <errno.h>
#include <math.h>
#include <report/compare.h>
#include <report/html.h>
#include <report/html_files.h>
#include <report/words.h>

#define TOP 26.0
#define ROW 24.0

static const char *unit(enum lull_measure m)
{
	switch (m) {
	case LULL_TIME_TO_SLEEP: return "s";
	case LULL_WAKES_A_DAY: return "a day";
	case LULL_QUIET_DRAW: return "mA";
	case LULL_CHARGE_A_DAY: return "mAh";
	case LULL_MEASURE_COUNT: break;
	}
	return "";
}

static double reach(const struct lull_reading *r)
{
	const double x = isfinite(r->high) ? fmax(r->high, r->value) : r->value;

	return isfinite(x) ? x : 0;
}

static double place(double x, double most)
{
	return LULL_HTML_LEFT + (LULL_HTML_SPAN - 130) * fmin(fmax(x, 0) / most, 1);
}

static void bar(struct lull_html *h, const char *label, const struct lull_reading *r, double y, double most, enum lull_measure m, bool after)
{
	lull_html_label(h, y, label, false);
	if (!isfinite(r->value)) {
		(void)fprintf(h->out, "<text class=value x=%d y=%.1f>not measured</text>\n", LULL_HTML_LEFT + 4, y + 4);
		return;
	}
	(void)fprintf(h->out, "<rect class=\"%s\" x=%d y=%.1f width=%.1f height=14 />", after ? "bar" : "bar whole", LULL_HTML_LEFT, y - 7,
		fmax(place(r->value, most) - LULL_HTML_LEFT, 0.5));
	if (isfinite(r->low) && isfinite(r->high))
		(void)fprintf(h->out, "<path class=error d=\"M%.1f %.1fv8m0 -4H%.1fm0 -4v8\"/>", place(r->low, most), y - 4, place(r->high, most));
	(void)fprintf(h->out, "<text class=value x=%.1f y=%.1f>%s%.4g %s</text>\n", place(reach(r), most) + 6, y + 4, isinf(r->high) ? "over " : "", r->value,
		unit(m));
}

static void measure(struct lull_html *h, const struct lull_compared *c)
{
	const double limit = isfinite(c->after.limit) ? c->after.limit : c->before.limit;
	double most = fmax(reach(&c->before), reach(&c->after));
	char title[200];

	most = fmax(isfinite(limit) ? fmax(most, limit * 1.1) : most, 1e-9);
	(void)snprintf(title, sizeof title, "%s%s%s: %s", lull_compare_title(c->what), c->bus[0] ? ", " : "", c->bus, lull_compare_said(c->difference));
	(void)fprintf(h->out, "<h3 data-what=%s data-difference=%s>", lull_measure_name(c->what), lull_difference_name(c->difference));
	lull_html_text(h->out, title);
	(void)fputs("</h3>\n", h->out);
	lull_html_picture(h, "measure", (unsigned)(TOP + 2 * ROW + 6), title, "Two bars, before and after, with what the noise allows.");
	bar(h, "before", &c->before, TOP + ROW * 0.5, most, c->what, false);
	bar(h, "after", &c->after, TOP + ROW * 1.5, most, c->what, true);
	if (isfinite(limit))
		(void)fprintf(h->out, "<path class=limit d=\"M%.1f %.1fV%.1f\"/><text class=limit x=%.1f y=%.1f>limit</text>\n", place(limit, most), TOP - 4,
			TOP + 2 * ROW, place(limit, most), TOP - 8);
	lull_html_picture_end(h, c->noise);
}

static void fates(struct lull_html *h, const struct lull_comparison *c)
{
	(void)fputs("<section><h2>What became of the findings</h2>\n", h->out);
	if (!c->findings.n)
		(void)fputs("<p>Neither night shows a fault.</p>\n", h->out);
	for (size_t i = 0; i < c->findings.n; i++) {
		const struct lull_fate_of *f = &c->findings.at[i];
		const struct lull_finding *one = f->before ? f->before : f->after;
		const struct lull_suspect *s = lull_words_accused(one);

		(void)fprintf(h->out, "<article class=\"finding %s\"><h3>", f->fate == LULL_GONE ? "good" : "look");
		lull_html_textf(h->out, "%s: %s%s%s", lull_compare_fate(f->fate), lull_code_name(one->code), s ? ", " : "", s ? s->node : "");
		(void)fputs("</h3>\n", h->out);
		if (f->before && f->before->text) {
			(void)fputs("<p>Before: ", h->out);
			lull_html_text(h->out, f->before->text);
			(void)fputs("</p>\n", h->out);
		}
		if (f->after && f->after->text) {
			(void)fputs("<p>After: ", h->out);
			lull_html_text(h->out, f->after->text);
			(void)fputs("</p>\n", h->out);
		}
		(void)fputs("<p>", h->out);
		lull_html_text(h->out, f->why);
		(void)fputs("</p></article>\n", h->out);
	}
	(void)fputs("</section>\n", h->out);
}

int lull_compare_html(FILE *out, const struct lull_comparison *c, const char *before, const char *after)
{
	struct lull_html h = {.out = out};

	lull_html_begin(out, "Before and after", false);
	(void)fputs("<header><h1>Before and after</h1>\n<dl class=order><div><dt>Before</dt><dd>", out);
	lull_html_text(out, before);
	(void)fputs("</dd></div><div><dt>After</dt><dd>", out);
	lull_html_text(out, after);
	(void)fputs("</dd></div></dl></header>\n<main>\n<section id=verdict><h2>Outcome</h2>\n", out);
	(void)fprintf(out, "<article class=\"finding %s\" data-outcome=%s><h3>", lull_comparison_status(c) ? "look" : "good", lull_outcome_name(c->outcome));
	lull_html_text(out, lull_compare_headline(c));
	(void)fputs("</h3></article></section>\n<section><h2>Measured</h2>\n", out);
	for (size_t i = 0; i < c->measures.n; i++)
		measure(&h, &c->measures.at[i]);
	(void)fputs("</section>\n", out);
	fates(&h, c);
	(void)fputs("<section><h2>What this cannot say</h2><ul>\n"
		    "<li>Within the noise does not say that nothing changed: only that these nights do not show it.</li>\n"
		    "<li>A cause that comes once a week needs more nights than one.</li>\n"
		    "<li>The maker's service information and licensed practice come first.</li></ul></section>\n</main>\n<footer>",
		out);
	lull_html_end(out, false);
	if (fflush(out) || ferror(out))
		return errno ? -errno : -EIO;
	return 0;
}
