/* SPDX-License-Identifier: GPL-3.0-or-later */
/* compare (report): the outcome first, then what was measured on both sides with its noise, then what became of each
 * finding. */
#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <report/compare.h>
#include <report/page.h>
#include <report/when.h>
#include <string.h>

#define COLUMN 20 /* of one reading */

const char *lull_compare_headline(const struct lull_comparison *c)
{
	if (lull_comparison_doubtful(c))
		return "Undecided: the two nights share so few IDs that they may be of two cars, or of two buses.";
	switch (c->outcome) {
	case LULL_WORKED:
		return c->all_clear
			? "The repair worked: what was found before is gone, and the night after is within the limit."
			: "What was found before is gone; but the night after gives no all-clear.";
	case LULL_PARTLY: return "Better, but not good: some of it is gone or less, and something remains or is new.";
	case LULL_DID_NOT_WORK: return "The repair did not work: what was found before is still there, or something new is.";
	case LULL_UNDECIDED: return "Undecided: the night after does not show whether it is gone.";
	case LULL_NOTHING_BEFORE: return "The night before shows no fault that a repair could have removed.";
	}
	return "";
}

const char *lull_compare_title(enum lull_measure m)
{
	switch (m) {
	case LULL_TIME_TO_SLEEP: return "Time to sleep";
	case LULL_WAKES_A_DAY: return "Wakes a day";
	case LULL_QUIET_DRAW: return "Quiet draw";
	case LULL_CHARGE_A_DAY: return "Charge a day";
	case LULL_MEASURE_COUNT: break;
	}
	return "";
}

const char *lull_compare_said(enum lull_difference d)
{
	switch (d) {
	case LULL_NOT_KNOWN: return "unknown";
	case LULL_NO_MORE_THAN_NOISE: return "within the noise";
	case LULL_LESS: return "less";
	case LULL_MORE: return "more";
	}
	return "";
}

/* The value, and under it what the noise allows or how it stands to the limit. */
static void reading(enum lull_measure m, const struct lull_reading *r, char value[64], char under[64])
{
	char a[LULL_WHEN];

	under[0] = 0;
	if (!isfinite(r->value)) {
		(void)snprintf(value, 64, "unknown");
		return;
	}
	switch (m) {
	case LULL_TIME_TO_SLEEP:
		lull_when_length((lull_time)(r->value * 1e9), a);
		(void)snprintf(value, 64, isinf(r->high) ? "over %s" : "%s", a);
		break;
	case LULL_WAKES_A_DAY:
		(void)snprintf(value, 64, "%.1f", r->value);
		(void)snprintf(under, 64, "%.1f to %.1f", r->low, r->high);
		break;
	case LULL_QUIET_DRAW: (void)snprintf(value, 64, "%.0f mA +-%.0f", r->value, r->high - r->value); break;
	case LULL_CHARGE_A_DAY:
		(void)snprintf(value, 64, "%.0f mAh", r->value);
		(void)snprintf(under, 64, "+-%.0f", r->high - r->value);
		break;
	case LULL_MEASURE_COUNT: break;
	}
	if (isfinite(r->limit))
		(void)snprintf(under, 64, "%s", r->low > r->limit ? "above the limit" : r->high < r->limit ? "within the limit" : "too near the limit");
}

static void row(const struct lull_page *p, const char *label, const char *before, const char *after, const char *difference)
{
	char line[256];
	size_t n;

	(void)snprintf(line, sizeof line, "   %-*s%-*s%-*s%s", LULL_PAGE_LABEL + 2, label, COLUMN, before, COLUMN, after, difference);
	for (n = strlen(line); n && line[n - 1] == ' '; n--)
		line[n - 1] = 0;
	(void)fprintf(p->out, "%s\n", line);
}

static void measures(const struct lull_page *p, const struct lull_comparison *c)
{
	lull_page_heading(p, "MEASURED", "");
	row(p, "", "before", "after", "difference");
	for (size_t i = 0; i < c->measures.n; i++) {
		const struct lull_compared *m = &c->measures.at[i];
		char b[64], a[64], under_b[64], under_a[64], note[400];

		reading(m->what, &m->before, b, under_b);
		reading(m->what, &m->after, a, under_a);
		row(p, lull_compare_title(m->what), b, a, lull_compare_said(m->difference));
		if (under_b[0] || under_a[0])
			row(p, "", under_b, under_a, "");
		(void)snprintf(note, sizeof note, "%s%s%s", m->bus, m->bus[0] ? ": " : "", m->noise);
		lull_page_para(p, 5, "- ", LULL_INK_NONE, note);
	}
}

const char *lull_compare_fate(enum lull_fate f)
{
	switch (f) {
	case LULL_GONE: return "Gone";
	case LULL_STILL: return "Still";
	case LULL_NEW: return "New";
	case LULL_FATE_UNKNOWN: return "Unknown";
	}
	return "";
}

static const char *who(const struct lull_finding *f)
{
	return f && f->named >= 0 && (size_t)f->named < f->suspects.n ? f->suspects.at[f->named].node : NULL;
}

static void findings(const struct lull_page *p, const struct lull_comparison *c)
{
	lull_page_heading(p, "FINDINGS", "");
	if (!c->findings.n)
		lull_page_para(p, 3, "", LULL_INK_NONE, "Neither night shows a fault.");
	for (size_t i = 0; i < c->findings.n; i++) {
		const struct lull_fate_of *f = &c->findings.at[i];
		const struct lull_finding *one = f->before ? f->before : f->after;
		const char *name = who(one);

		lull_page_itemf(p, lull_compare_fate(f->fate), "%s%s%s%s%s", lull_code_name(one->code), f->bus[0] ? ", bus " : "", f->bus,
			name ? ", " : "", name ? name : "");
		if (f->before && f->before->text)
			lull_page_itemf(p, "", "Before: %s", f->before->text);
		if (f->after && f->after->text)
			lull_page_itemf(p, "", "After: %s", f->after->text);
		if (f->why[0])
			lull_page_item(p, "", f->why);
	}
}

static void bounds(const struct lull_page *p, const struct lull_comparison *c)
{
	lull_page_heading(p, "WHAT THIS CANNOT SAY", "");
	if (lull_comparison_doubtful(c)) {
		char text[160];

		(void)snprintf(text, sizeof text, "The nights share only %zu of %zu and %zu IDs: the same car, and the same bus?", c->ids_shared,
			c->ids_before, c->ids_after);
		lull_page_para(p, 3, "- ", LULL_INK_WARN, text);
	}
	lull_page_para(p, 3, "- ", LULL_INK_NONE, "Within the noise does not say that nothing changed: only that these nights do not show it.");
	lull_page_para(p, 3, "- ", LULL_INK_NONE, "A cause that comes once a week needs more nights than one.");
	lull_page_para(p, 3, "- ", LULL_INK_NONE, "The maker's service information and licensed practice come first.");
}

int lull_compare_text(
	FILE *out, const struct lull_comparison *c, const char *before, const char *after, const struct lull_report_style *style)
{
	const struct lull_page p = lull_page_new(out, style);

	lull_page_para(&p, 0, "Before ", LULL_INK_STRONG, before);
	lull_page_para(&p, 0, "After  ", LULL_INK_STRONG, after);
	lull_page_heading(&p, "OUTCOME", lull_outcome_name(c->outcome));
	lull_page_para(&p, 3, "", lull_comparison_status(c) ? LULL_INK_WARN : LULL_INK_GOOD, lull_compare_headline(c));
	measures(&p, c);
	findings(&p, c);
	bounds(&p, c);
	if (fflush(out) || ferror(out))
		return errno ? -errno : -EIO;
	return 0;
}

/* --- JSON --- */

static json_t *number(double x)
{
	return isfinite(x) ? json_real(x) : json_null();
}

/* jansson takes valid UTF-8 only. */
static json_t *string(const char *s)
{
	char clean[2048];
	json_t *j = s ? json_string(s) : json_null();

	return j ? j : json_string(lull_page_clean(s, clean, sizeof clean));
}

static json_t *json_reading(const struct lull_reading *r)
{
	return json_pack("{s:o, s:o, s:o, s:o, s:b}", "value", number(r->value), "low", number(r->low), "high", number(r->high), "limit",
		number(r->limit), "at_least", isinf(r->high) != 0);
}

static json_t *json_finding(const struct lull_finding *f)
{
	if (!f)
		return json_null();
	return json_pack("{s:s, s:o, s:o, s:o}", "code", lull_code_name(f->code), "text", string(f->text), "named", string(who(f)),
		"cost_mAh_per_day", number(f->cost_mAh_per_day));
}

int lull_compare_json(FILE *out, const struct lull_comparison *c, const char *before, const char *after)
{
	json_t *list = json_array(), *fates = json_array(), *j;
	int err = 0;

	for (size_t i = 0; i < c->measures.n; i++) {
		const struct lull_compared *m = &c->measures.at[i];

		(void)json_array_append_new(list,
			json_pack("{s:s, s:o, s:o, s:o, s:s, s:o}", "what", lull_measure_name(m->what), "bus", m->bus[0] ? string(m->bus) : json_null(),
				"before", json_reading(&m->before), "after", json_reading(&m->after), "difference",
				lull_difference_name(m->difference), "noise", string(m->noise)));
	}
	for (size_t i = 0; i < c->findings.n; i++) {
		const struct lull_fate_of *f = &c->findings.at[i];

		(void)json_array_append_new(fates,
			json_pack("{s:s, s:o, s:o, s:o, s:o}", "fate", lull_fate_name(f->fate), "bus", f->bus[0] ? string(f->bus) : json_null(),
				"before", json_finding(f->before), "after", json_finding(f->after), "why", f->why[0] ? string(f->why) : json_null()));
	}
	j = json_pack("{s:s, s:i, s:o, s:o, s:s, s:b, s:{s:I, s:I, s:I}, s:o, s:o}", "format", "lull.compare", "version", 1, "before",
		string(before), "after", string(after), "outcome", lull_outcome_name(c->outcome), "after_within_limit", c->all_clear ? 1 : 0, "ids",
		"before", (json_int_t)c->ids_before, "after", (json_int_t)c->ids_after, "shared", (json_int_t)c->ids_shared, "measures", list,
		"findings", fates);
	if (!j)
		return -ENOMEM;
	if (json_dumpf(j, out, JSON_INDENT(2) | JSON_ENSURE_ASCII | JSON_REAL_PRECISION(15)) || putc('\n', out) == EOF || fflush(out))
		err = errno ? -errno : -EIO;
	json_decref(j);
	return err;
}
