/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html_verdict: the statements first, in plain words; further down what speaks for each. */
#include <math.h>
#include <report/html.h>
#include <report/words.h>

static void sentences(const struct lull_html *h, const char *tag, char *const *at, size_t n)
{
	(void)fprintf(h->out, "<%s>\n", tag);
	for (size_t i = 0; i < n; i++) {
		(void)fputs("<li>", h->out);
		lull_html_text(h->out, at[i]);
		(void)fputs("</li>\n", h->out);
	}
	(void)fprintf(h->out, "</%s>\n", tag);
}

static void one(const struct lull_html *h, const struct lull_finding *f, size_t i)
{
	char who[512];

	(void)fprintf(h->out, "<article class=\"finding %s\" data-code=%s data-v=\"%.15g\">\n<h3>", f->code == LULL_WITHIN_LIMIT ? "good" : "look",
		lull_code_name(f->code), isfinite(f->confidence) ? f->confidence : -1);
	if (h->v->findings.n > 1)
		(void)fprintf(h->out, "%zu. ", i + 1);
	lull_html_text(h->out, lull_words_headline(h->v, f));
	(void)fputs("</h3>\n", h->out);
	lull_words_who(f, who, sizeof who);
	if (who[0]) {
		(void)fputs("<p class=who>", h->out);
		lull_html_text(h->out, who);
		(void)fputs("</p>\n", h->out);
	}
	if (f->text) {
		(void)fputs("<p>", h->out);
		lull_html_text(h->out, f->text);
		(void)fputs("</p>\n", h->out);
	}
	if (isfinite(f->cost_mAh_per_day)) {
		char a[LULL_WHEN], error[48] = "";

		if (f->cost_error_mAh_per_day > 0)
			(void)snprintf(error, sizeof error, " (\xc2\xb1%.*f mAh)", f->cost_error_mAh_per_day < 9.95 ? 1 : 0, f->cost_error_mAh_per_day);
		(void)fprintf(h->out, "<p class=cost data-v=\"%.15g\">Costs ", f->cost_mAh_per_day);
		lull_html_textf(h->out, "%s a day%s%s%s.", lull_words_charge(f->cost_mAh_per_day, a), error, f->cost_basis ? ", " : "",
			f->cost_basis ? f->cost_basis : "");
		(void)fputs("</p>\n", h->out);
	}
	if (f->next.n) {
		(void)fputs("<h4>Next</h4>\n", h->out);
		sentences(h, "ol", f->next.at, f->next.n);
	}
	(void)fputs("</article>\n", h->out);
}

void lull_html_verdict(struct lull_html *h)
{
	(void)fputs("<section id=verdict><h2>Verdict</h2>\n", h->out);
	for (size_t i = 0; i < h->v->findings.n; i++)
		one(h, &h->v->findings.at[i], i);
	(void)fputs("</section>\n", h->out);
}

static void suspect(const struct lull_html *h, const struct lull_finding *f, size_t k)
{
	const struct lull_suspect *s = &f->suspects.at[k];
	char id[11];

	(void)fputs("<tr><th scope=row>", h->out);
	lull_html_text(h->out, s->node);
	(void)fputs(f->named == (int)k ? " (named)</th>" : "</th>", h->out);
	(void)fprintf(h->out, "<td>%s</td><td>%s</td>", lull_words_deed(s->role), lull_standing_name(s->standing));
	(void)fprintf(h->out, "<td class=n data-v=\"%.15g\">%u&nbsp;%%</td><td>", s->confidence, lull_words_percent(s->confidence));
	if (s->bus < h->night->bus_count)
		lull_html_text(h->out, h->night->bus[s->bus].name);
	(void)fputs("</td><td>", h->out);
	for (size_t i = 0; i < s->id_count && i < 12; i++)
		lull_html_textf(h->out, "%s%s", i ? ", " : "", lull_id_text(s->ids[i], id));
	if (s->id_count > 12)
		(void)fprintf(h->out, " and %zu more", s->id_count - 12);
	(void)fputs("</td></tr>\n", h->out);
}

void lull_html_evidence(struct lull_html *h)
{
	(void)fputs("<section id=evidence><h2>What speaks for it</h2>\n", h->out);
	for (size_t i = 0; i < h->v->findings.n; i++) {
		const struct lull_finding *f = &h->v->findings.at[i];

		(void)fputs("<h3>", h->out);
		if (h->v->findings.n > 1)
			(void)fprintf(h->out, "%zu. ", i + 1);
		lull_html_text(h->out, lull_words_headline(h->v, f));
		(void)fputs("</h3>\n", h->out);
		if (f->suspects.n) {
			(void)fputs("<div class=wide tabindex=0><table class=suspects><thead><tr><th scope=col>Node</th><th scope=col>What it does</th>"
				    "<th scope=col>Standing</th><th scope=col>Sure</th><th scope=col>Bus</th><th scope=col>IDs</th></tr></thead><tbody>\n",
				h->out);
			for (size_t k = 0; k < f->suspects.n; k++)
				suspect(h, f, k);
			(void)fputs("</tbody></table></div>\n", h->out);
		}
		sentences(h, "ul", f->evidence.at, f->evidence.n);
	}
	(void)fputs("</section>\n", h->out);
}
