/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text: the verdict for a technician: what it says first, then each finding with what speaks for it and what to do
 * next, then the night it rests on (text_chart.c,
 * text_night.c, text_current.c). Everything that came from a file is cleaned on the way out. */
#include <errno.h>
#include <math.h>
#include <report/page.h>
#include <report/text_current.h>
#include <report/text_night.h>
#include <report/words.h>
#include <string.h>

#define LULL_TEXT_SUSPECTS 6 /* shown of one finding; the rest is counted */

static enum lull_ink code_ink(enum lull_code code)
{
	return code == LULL_WITHIN_LIMIT ? LULL_INK_GOOD : LULL_INK_WARN;
}

static void head(const struct lull_page *p, const struct lull_when *w, const struct lull_night *night,
	const struct lull_verdict *v, const struct lull_report_style *style)
{
	char from[LULL_WHEN], length[LULL_WHEN], text[2 * LULL_VEHICLE + 16];

	lull_when_length(v->end, length);
	if (lull_when_date(w, 0, from)[0])
		(void)snprintf(text, sizeof text, "Recorded from %s, for %s.", from, length);
	else
		(void)snprintf(text, sizeof text, "Recorded for %s; no clock tells the date.", length);
	if (style && style->name)
		lull_page_para(p, 0, "Night ", LULL_INK_STRONG, style->name);
	lull_page_para(p, 0, "", LULL_INK_NONE, text);
	if (lull_words_vehicle(&night->identity, text, sizeof text))
		lull_page_para(p, 0, "Vehicle ", LULL_INK_NONE, text);
	if (w->from_key_off)
		(void)fputs("Times like +0:31:05 count from key-off.\n", p->out);
	else
		(void)fputs("Times like +0:31:05 count from the start of the recording.\n", p->out);
}

static void verdict(const struct lull_page *p, const struct lull_verdict *v)
{
	size_t i;

	lull_page_heading(p, "VERDICT", "");
	for (i = 0; i < v->findings.n; i++) {
		const struct lull_finding *f = &v->findings.at[i];
		char lead[24], text[512];

		if (v->findings.n > 1)
			(void)snprintf(lead, sizeof lead, "%zu. ", i + 1);
		else
			lead[0] = 0;
		lull_page_para(p, 3, lead, code_ink(f->code), lull_words_headline(v, f));
		lull_words_who(f, text, sizeof text);
		if (text[0])
			lull_page_para(p, 3 + (unsigned)strlen(lead), "", LULL_INK_STRONG, text);
	}
}

static void suspect(const struct lull_page *p, const struct lull_night *night, const struct lull_suspect *s,
	const char *label, bool is_accused)
{
	char text[1400], ids[512];
	size_t i, used = 0;

	ids[0] = 0;
	/* A node that is known by its IDs alone has them in its name. */
	for (i = 0; i < s->id_count && i < 8 && strncmp(s->node, "IDs ", 4) != 0; i++) {
		char id[11];

		used += (size_t)snprintf(ids + used, sizeof ids - used, "%s%s", i ? ", " : "; IDs ",
			lull_id_text(s->ids[i], id));
	}
	if (used && s->id_count > 8)
		(void)snprintf(ids + used, sizeof ids - used, " and %zu more", s->id_count - 8);
	(void)snprintf(text, sizeof text, "%u %% %s%s: %s, %s%s%s%s", lull_words_percent(s->confidence), s->node,
		is_accused ? " (named)" : "", lull_words_deed(s->role), lull_standing_name(s->standing),
		s->bus < night->bus_count ? "; bus " : "",
		s->bus < night->bus_count ? night->bus[s->bus].name : "", ids);
	lull_page_item(p, label, text);
}

static void suspects(const struct lull_page *p, const struct lull_night *night, const struct lull_finding *f)
{
	size_t i;

	for (i = 0; i < f->suspects.n && i < LULL_TEXT_SUSPECTS; i++)
		suspect(p, night, &f->suspects.at[i], i ? "" : "Suspects", f->named == (int)i);
	if (f->suspects.n > LULL_TEXT_SUSPECTS)
		lull_page_itemf(
			p, "", "and %zu more, each less probable", f->suspects.n - LULL_TEXT_SUSPECTS);
	if (f->suspects.n)
		lull_page_item(p, "", "(how often such a call was right on invented nights)");
}

static void cost(const struct lull_page *p, const struct lull_finding *f)
{
	if (!isfinite(f->cost_mAh_per_day))
		return;
	char error[32] = "";

	if (isfinite(f->cost_error_mAh_per_day) && f->cost_error_mAh_per_day > 0)
		(void)snprintf(error, sizeof error, f->cost_error_mAh_per_day < 9.95 ? " +-%.1f" : " +-%.0f", f->cost_error_mAh_per_day);
	lull_page_itemf(p, "Cost", f->cost_mAh_per_day < 99.5 ? "%.1f%s mAh a day%s%s" : "%.0f%s mAh a day%s%s",
		f->cost_mAh_per_day, error, f->cost_basis ? ", " : "", f->cost_basis ? f->cost_basis : "");
}

/* Sentences under one label, each with its own sign. */
static void sentences(const struct lull_page *p, const char *label, char *const *at, size_t n, bool numbered)
{
	size_t i;

	for (i = 0; i < n; i++) {
		char lead[64], sign[24];

		if (numbered)
			(void)snprintf(sign, sizeof sign, "%zu. ", i + 1);
		else
			(void)snprintf(sign, sizeof sign, "- ");
		(void)snprintf(lead, sizeof lead, "%-*s%s", LULL_PAGE_LABEL - 3, i ? "" : label, sign);
		lull_page_para(p, 3, lead, LULL_INK_NONE, at[i]);
	}
}

static void finding(
	const struct lull_page *p, const struct lull_night *night, const struct lull_verdict *v, size_t i)
{
	const struct lull_finding *f = &v->findings.at[i];
	char left[80], right[64];

	if (v->findings.n > 1)
		(void)snprintf(left, sizeof left, "FINDING %zu OF %zu", i + 1, v->findings.n);
	else
		(void)snprintf(left, sizeof left, "FINDING");
	(void)snprintf(right, sizeof right, "%s", lull_code_name(f->code));
	lull_page_heading(p, left, right);
	if (f->text)
		lull_page_item(p, "What", f->text);
	if (isfinite(f->confidence))
		lull_page_itemf(p, "Sure", "%u %% on invented nights", lull_words_percent(f->confidence));
	suspects(p, night, f);
	cost(p, f);
	sentences(p, "Why", f->evidence.at, f->evidence.n, false);
	sentences(p, "Next", f->next.at, f->next.n, true);
}

static void cautions(const struct lull_page *p)
{
	size_t n;
	const char *const *lines = lull_words_cautions(&n);
	size_t i;

	lull_page_heading(p, "BEFORE YOU TOUCH THE CAR", "");
	for (i = 0; i < n; i++)
		lull_page_para(p, 3, "- ", LULL_INK_NONE, lines[i]);
}

int lull_report_text(FILE *out, const struct lull_night *night, const struct lull_verdict *v,
	const struct lull_report_style *style)
{
	const struct lull_page p = lull_page_new(out, style);
	const struct lull_when w = lull_when_new(night, v);
	size_t i;

	head(&p, &w, night, v, style);
	verdict(&p, v);
	for (i = 0; i < v->findings.n; i++)
		finding(&p, night, v, i);
	lull_text_chart(&p, &w, v);
	lull_text_night(&p, &w, v);
	lull_text_current(&p, &w, v);
	if (v->left_out.n) {
		lull_page_heading(&p, "LEFT OUT", "");
		for (i = 0; i < v->left_out.n; i++)
			lull_page_para(&p, 3, "- ", LULL_INK_NONE, v->left_out.at[i]);
	}
	cautions(&p);
	if (fflush(out) || ferror(out))
		return errno ? -errno : -EIO;
	return 0;
}
