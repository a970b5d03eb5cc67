/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html_tables: what the pictures rest on, as tables that sort. */
#include <inttypes.h>
#include <math.h>
#include <report/html.h>
#include <report/words.h>

struct column {
	const char *title;
	bool number;
};

static void table(const struct lull_html *h, const char *id, const char *title, size_t rows, const struct column *c, size_t n)
{
	(void)fprintf(h->out, "<details id=%s><summary>%s (%zu)</summary>\n<div class=wide tabindex=0><table class=sorts><thead><tr>", id, title, rows);
	for (size_t i = 0; i < n; i++)
		(void)fprintf(h->out, "<th scope=col%s><button type=button>%s</button></th>", c[i].number ? " class=n" : "", c[i].title);
	(void)fputs("</tr></thead><tbody>\n", h->out);
}

static void table_end(const struct lull_html *h)
{
	(void)fputs("</tbody></table></div></details>\n", h->out);
}

static void cell(const struct lull_html *h, const char *text)
{
	(void)fputs("<td>", h->out);
	lull_html_text(h->out, text);
	(void)fputs("</td>", h->out);
}

static void instant(const struct lull_html *h, lull_time t)
{
	char a[LULL_WHEN];

	if (t == LULL_NEVER)
		(void)fputs("<td data-v=\"\">&ndash;</td>", h->out);
	else
		(void)fprintf(h->out, "<td data-v=\"%.15g\">%s</td>", lull_seconds(t), lull_when_both(&h->when, t, a));
}

static void length(const struct lull_html *h, lull_time t)
{
	char a[LULL_WHEN];

	(void)fprintf(h->out, "<td class=n data-v=\"%.15g\">%s</td>", (double)t / 1e9, lull_when_length(t, a));
}

static void whole(const struct lull_html *h, uint64_t n)
{
	char a[LULL_WHEN];

	(void)fprintf(h->out, "<td class=n data-v=%" PRIu64 ">%s</td>", n, lull_words_grouped(n, a));
}

static const char *bus_name(const struct lull_html *h, unsigned bus)
{
	return bus < h->night->bus_count ? h->night->bus[bus].name : "every bus";
}

static const char *node_name(const struct lull_html *h, int node)
{
	return node >= 0 && (size_t)node < h->v->nodes.n ? h->v->nodes.at[node].name : "-";
}

static void spells(const struct lull_html *h)
{
	static const struct column c[] = {{"Bus", false}, {"From", false}, {"For", true}, {"What", false}, {"First ID", false}, {"Woke it", false},
		{"Kept it", false}, {"Frames", true}, {"Charge above quiet", true}, {"\xc2\xb1", true}};

	table(h, "spells", "Awake periods", h->v->spells.n, c, sizeof c / sizeof c[0]);
	for (size_t i = 0; i < h->v->spells.n; i++) {
		const struct lull_spell *s = &h->v->spells.at[i];
		char id[11];

		(void)fputs("<tr>", h->out);
		cell(h, bus_name(h, s->bus));
		instant(h, s->from);
		length(h, s->to - s->from);
		cell(h, s->lone ? "single frames" : s->relayed ? "followed another bus" : lull_words_kind(s->kind));
		cell(h, s->first_id == LULL_ID_NONE ? "-" : lull_id_text(s->first_id, id));
		cell(h, node_name(h, s->waker));
		cell(h, node_name(h, s->keeper));
		whole(h, s->frames);
		lull_html_number(h->out, s->charge_mAs / 3600, 2, "mAh");
		lull_html_number(h->out, s->charge_error_mAs / 3600, 2, "mAh");
		(void)fputs("</tr>\n", h->out);
	}
	table_end(h);
}

static void nodes(const struct lull_html *h)
{
	static const struct column c[] = {{"Node", false}, {"Bus", false}, {"Known by", false}, {"IDs", false}, {"Clock", true}, {"Draw while awake", true},
		{"\xc2\xb1", true}, {"Falls by when it stops", true}, {"\xc2\xb1", true}};

	table(h, "nodes", "Nodes", h->v->nodes.n, c, sizeof c / sizeof c[0]);
	for (size_t i = 0; i < h->v->nodes.n; i++) {
		const struct lull_node *d = &h->v->nodes.at[i];
		char id[11];

		(void)fputs("<tr><th scope=row>", h->out);
		lull_html_text(h->out, d->name);
		(void)fputs("</th>", h->out);
		cell(h, bus_name(h, d->bus));
		cell(h, lull_named_by_name(d->named_by));
		(void)fputs("<td>", h->out);
		for (size_t k = 0; k < d->id_count; k++)
			lull_html_textf(h->out, "%s%s", k ? ", " : "", lull_id_text(d->ids[k], id));
		(void)fputs("</td>", h->out);
		lull_html_number(h->out, d->clock_ppm, 1, "ppm");
		lull_html_number(h->out, d->awake_mA, 0, "mA");
		lull_html_number(h->out, isfinite(d->awake_mA) ? 1.96 * d->awake_mA_error : NAN, 1, "mA");
		lull_html_number(h->out, d->stop_mA, 0, "mA");
		lull_html_number(h->out, isfinite(d->stop_mA) ? 1.96 * d->stop_mA_error : NAN, 1, "mA");
		(void)fputs("</tr>\n", h->out);
	}
	table_end(h);
}

/* Whose draws cannot be told apart, and why the table above has no figure for them. */
static void inseparable(const struct lull_html *h)
{
	const struct lull_current_report *r = &h->v->current;

	for (size_t i = 0; i < r->inseparable.n; i++) {
		const struct lull_inseparable *set = &r->inseparable.at[i];

		(void)fputs("<p>Not to be told apart, since hardly ever one of them is awake without the rest: ", h->out);
		for (size_t k = 0; k < set->n; k++)
			lull_html_textf(h->out, "%s%s", k ? ", " : "", node_name(h, set->nodes[k]));
		if (set->whole)
			(void)fputs(", and whatever stays up silently while the bus is awake", h->out);
		if (isfinite(set->mA))
			(void)fprintf(h->out, ": together %.0f&nbsp;mA &#177;%.1f", set->mA, 1.96 * set->mA_error);
		(void)fputs(".</p>\n", h->out);
	}
}

static void ids(const struct lull_html *h)
{
	static const struct column c[] = {{"ID", false}, {"Bus", false}, {"Node", false}, {"Last after key-off", false}, {"Last", false},
		{"Period", true}, {"Jitter", true}, {"Frames", true}, {"Runs", true}};

	table(h, "ids", "IDs", h->v->ids.n, c, sizeof c / sizeof c[0]);
	for (size_t i = 0; i < h->v->ids.n; i++) {
		const struct lull_id_info *d = &h->v->ids.at[i];
		char id[11];

		(void)fprintf(h->out, "<tr><th scope=row>%s</th>", lull_id_text(d->id, id));
		cell(h, bus_name(h, d->bus));
		cell(h, node_name(h, d->node));
		instant(h, d->last_after_key_off);
		instant(h, d->last);
		lull_html_number(h->out, d->period_ms, 1, "ms");
		lull_html_number(h->out, d->jitter_ms, 2, "ms");
		whole(h, d->frames);
		whole(h, d->stretches);
		(void)fputs("</tr>\n", h->out);
	}
	table_end(h);
}

static void steps(const struct lull_html *h)
{
	static const struct column c[] = {{"At", false}, {"From", true}, {"To", true}, {"\xc2\xb1", true}, {"With", false}};
	const struct lull_current_report *r = &h->v->current;

	if (!r->present)
		return;
	table(h, "steps", "Steps of the current", r->steps.n, c, sizeof c / sizeof c[0]);
	for (size_t i = 0; i < r->steps.n; i++) {
		(void)fputs("<tr>", h->out);
		instant(h, r->steps.at[i].at);
		lull_html_number(h->out, r->steps.at[i].from_mA, 1, "mA");
		lull_html_number(h->out, r->steps.at[i].to_mA, 1, "mA");
		lull_html_number(h->out, 1.96 * r->steps.at[i].error_mA, 1, "mA");
		cell(h, r->steps.at[i].because ? r->steps.at[i].because : "not known");
		(void)fputs("</tr>\n", h->out);
	}
	table_end(h);
}

static void blind(const struct lull_html *h)
{
	static const struct column c[] = {{"Bus", false}, {"From", false}, {"For", true}, {"Why", false}};

	table(h, "blind", "Not heard", h->v->blind.n, c, sizeof c / sizeof c[0]);
	for (size_t i = 0; i < h->v->blind.n; i++) {
		(void)fputs("<tr>", h->out);
		cell(h, bus_name(h, h->v->blind.at[i].bus));
		instant(h, h->v->blind.at[i].from);
		length(h, h->v->blind.at[i].to - h->v->blind.at[i].from);
		cell(h, lull_words_blind((enum lull_coverage_why)h->v->blind.at[i].why));
		(void)fputs("</tr>\n", h->out);
	}
	table_end(h);
}

static void marks(const struct lull_html *h)
{
	static const struct column c[] = {{"No.", true}, {"At", false}, {"Mark", false}};

	table(h, "marks", "Marks", h->night->marks.n, c, sizeof c / sizeof c[0]);
	for (size_t i = 0; i < h->night->marks.n; i++) {
		(void)fputs("<tr>", h->out);
		whole(h, i + 1);
		instant(h, h->night->marks.at[i].t);
		cell(h, h->night->marks.at[i].text);
		(void)fputs("</tr>\n", h->out);
	}
	table_end(h);
}

/* The few figures of the current and of each bus, one a row. */
static void figure(const struct lull_html *h, const char *what, double x, unsigned decimals, const char *unit, double error, const char *key)
{
	char band[48] = "";

	if (!isfinite(x))
		return;
	if (isfinite(error))
		(void)snprintf(band, sizeof band, " &#177; %.*f", (int)decimals, error);
	(void)fprintf(h->out, "<tr><th scope=row>%s</th><td class=n data-json=%s data-v=\"%.15g\">%.*f%s&nbsp;%s</td></tr>\n", what, key, x, (int)decimals,
		x, band, unit);
}

static void figures(const struct lull_html *h)
{
	const struct lull_current_report *r = &h->v->current;
	const struct lull_battery_report *b = &h->v->battery;

	(void)fputs("<table class=figures><tbody>\n", h->out);
	for (unsigned i = 0; i < h->night->bus_count; i++) {
		const struct lull_bus_report *d = &h->v->bus[i];
		char a[LULL_WHEN], c[LULL_WHEN];

		(void)fputs("<tr><th scope=row>", h->out);
		lull_html_text(h->out, h->night->bus[i].name);
		(void)fprintf(h->out, "</th><td>%s at the end; ", lull_bus_state_name(d->state_at_end));
		if (d->first_quiet != LULL_NEVER && h->v->settle_from != LULL_NEVER)
			(void)fprintf(h->out, "quiet from %s, %s after settling began", lull_when_both(&h->when, d->first_quiet, a),
				lull_when_length(d->first_quiet - h->v->settle_from, c));
		else
			(void)fputs(d->stub ? "the port is closed by a gateway: its time to sleep cannot be told" : "no quiet since settling began", h->out);
		(void)fputs("</td></tr>\n", h->out);
	}
	figure(h, "Quiet level", r->quiet_mA, 1, "mA", r->quiet_error_mA, "quiet_mA");
	figure(h, "Average", r->average_mA, 1, "mA", r->average_error_mA, "average_mA");
	figure(h, "Charge lost", r->charge_mAh, 1, "mAh", NAN, "charge_mAh");
	figure(h, "The complaint would need", r->needed_mA, 0, "mA", NAN, "needed_mA");
	figure(h, "Clamp's clock ahead by", -r->clock_offset_s, 2, "s", r->lineup.paired ? 1.96 * r->lineup.error_s : NAN, "clock_offset_s");
	figure(h, "Half charge after", b->days_to_half.mid, 1, "days", NAN, "days_to_half");
	(void)fputs("</tbody></table>\n", h->out);
	if (r->present && !r->lineup.paired) {
		(void)fputs("<p>The clamp's log is not lined up with the bus: ", h->out);
		lull_html_text(h->out, r->lineup.why);
		(void)fputs(". Its times are its own.</p>\n", h->out);
	}
	if (r->load_unread)
		(void)fputs("<p>A known load was switched, but how large it is does not show in the log.</p>\n", h->out);
	if (r->scale_doubt) {
		(void)fputs("<p class=doubt>", h->out);
		lull_html_text(h->out, r->scale_doubt);
		(void)fputs("</p>\n", h->out);
	}
}

void lull_html_tables(struct lull_html *h)
{
	(void)fputs("<section id=figures><h2>The figures</h2>\n", h->out);
	figures(h);
	spells(h);
	nodes(h);
	inseparable(h);
	ids(h);
	steps(h);
	blind(h);
	marks(h);
	(void)fputs("</section>\n", h->out);
}
