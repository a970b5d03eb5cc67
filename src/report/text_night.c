/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text_night: the part of the text report that tells the night itself. */
#include <inttypes.h>
#include <math.h>
#include <report/text_night.h>
#include <report/words.h>
#include <string.h>

/* Spells shown one by one: all of them up to LULL_SPELLS_WHOLE, else the first and last few. */
#define LULL_SPELLS_WHOLE 12
#define LULL_SPELLS_FIRST 7
#define LULL_SPELLS_LAST 3
#define LULL_ROWS_MOST 10 /* of marks and of blind times */

static void frame_of_night(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v)
{
	char a[LULL_WHEN], b[LULL_WHEN];

	if (v->key_off == LULL_NEVER)
		lull_page_item(p, "Key off", "not told and not seen");
	else
		lull_page_itemf(
			p, "Key off", "%s, %s", lull_when_both(w, v->key_off, a), lull_words_by(v->key_off_by));
	if (v->settle_from != LULL_NEVER)
		lull_page_itemf(p, "Settling", "from %s, %s", lull_when_both(w, v->settle_from, a),
			lull_words_by(v->settle_by));
	if (v->judged_to == LULL_NEVER)
		lull_page_item(p, "Judged", "nothing of this night could be judged");
	else if (v->settle_from != LULL_NEVER && v->judged_to >= v->settle_from)
		lull_page_itemf(p, "Judged", "to %s, %s after settling began",
			lull_when_both(w, v->judged_to, a),
			lull_when_length(v->judged_to - v->settle_from, b));
	else
		lull_page_itemf(p, "Judged", "to %s", lull_when_both(w, v->judged_to, a));
	lull_page_itemf(
		p, "Observed", "%s of %s", lull_when_length(v->observed, a), lull_when_length(v->end, b));
	if (isfinite(v->limit_draw_mA) && isfinite(v->limit_sleep_s))
		lull_page_itemf(p, "Limits", "asleep within %s, then at most %g mA (%s)",
			lull_when_length((lull_time)(v->limit_sleep_s * 1e9), a), v->limit_draw_mA,
			lull_words_limit(v->limit_source));
}

static void marks(const struct lull_page *p, const struct lull_when *w)
{
	const struct lull_night *night = w->night;
	size_t i;

	for (i = 0; i < night->marks.n && i < LULL_ROWS_MOST; i++) {
		const struct lull_mark *m = &night->marks.at[i];
		char a[LULL_WHEN];

		lull_page_itemf(p, i ? "" : "Marks", "%s  %s", lull_when_both(w, m->t, a), m->text);
	}
	if (night->marks.n > LULL_ROWS_MOST)
		lull_page_itemf(p, "", "and %zu more marks", night->marks.n - LULL_ROWS_MOST);
}

/* "slept after" against the limit, with the words for either side. */
static void first_quiet(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v,
	const struct lull_bus_report *r)
{
	char a[LULL_WHEN], b[LULL_WHEN], c[LULL_WHEN];
	lull_time took;

	if (r->first_quiet == LULL_NEVER) {
		lull_page_item(p, "",
			r->stub ? "port closed by the gateway: the time to sleep cannot be told"
				: "no quiet was observed since settling began");
		return;
	}
	if (v->settle_from == LULL_NEVER) {
		lull_page_itemf(p, "", "first quiet at %s", lull_when_both(w, r->first_quiet, a));
		return;
	}
	took = r->first_quiet - v->settle_from;
	lull_page_itemf(p, "", "quiet from %s: %s after settling began, %s the limit of %s",
		lull_when_both(w, r->first_quiet, a), lull_when_length(took, b),
		(double)took / 1e9 <= v->limit_sleep_s ? "within" : "over",
		lull_when_length((lull_time)(v->limit_sleep_s * 1e9), c));
}

static void bus_head(
	const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v, unsigned index)
{
	const struct lull_bus *b = &w->night->bus[index];
	const struct lull_bus_report *r = &v->bus[index];
	char rate[64], load[48], n[LULL_WHEN], e[LULL_WHEN], a[LULL_WHEN], label[64];

	if (b->bitrate)
		(void)snprintf(rate, sizeof rate, "%g kbit/s", b->bitrate / 1e3);
	else
		(void)snprintf(rate, sizeof rate, "bit rate not known");
	load[0] = 0;
	if (isfinite(r->load_percent))
		(void)snprintf(load, sizeof load, ", load %.1f %%", r->load_percent);
	(void)snprintf(label, sizeof label, "Bus");
	lull_page_itemf(p, label, "%s: %s%s, %s frames, %s bus errors%s", b->name, rate, load,
		lull_words_grouped(b->frames, n), b->errors ? lull_words_grouped(b->errors, e) : "no",
		r->errors_visible ? "" : " (this adapter has shown none)");
	if (r->stub)
		lull_page_item(p, "",
			"it ended as one block right after key-off: a gateway seems to close this port");
	else if (!r->representative)
		lull_page_item(p, "",
			"no cyclic traffic was seen here with the key on: it may not stand for the car");
	first_quiet(p, w, v, r);
	switch (r->state_at_end) {
	case LULL_BUS_AWAKE: lull_page_item(p, "", "awake when the observation ended"); break;
	case LULL_BUS_QUIET:
		lull_page_itemf(p, "", "quiet when the observation ended; %s", lull_words_proof(r->proof_at_end));
		break;
	case LULL_BUS_BLIND: lull_page_item(p, "", "not observed at the end of the recording"); break;
	}
	if (r->quiet_why)
		lull_page_item(p, "", r->quiet_why);
	else if (r->quiet_time_ns > 0)
		lull_page_itemf(
			p, "", "quiet means %s without a frame", lull_when_length(r->quiet_time_ns, a));
	if (b->overflow)
		lull_page_itemf(p, "", "%s frames of at least %u IDs had no place in the table",
			lull_words_grouped(b->overflow, n), (unsigned)b->overflow_ids);
}

static const char *node_words(
	const struct lull_verdict *v, int node, unsigned columns, char *buf, size_t size)
{
	if (node < 0 || (size_t)node >= v->nodes.n)
		return strcpy(buf, "-");
	return lull_page_fit(v->nodes.at[node].name, columns, buf, size);
}

/* A table needs cells that line up by columns and not by bytes. */
static void cell(FILE *out, const char *clean, unsigned columns)
{
	unsigned w = lull_page_columns(clean);

	(void)fputs(clean, out);
	for (; w < columns; w++)
		(void)putc(' ', out);
}

/* What is left for the two columns of names. A narrow page has no room for the first ID. */
struct spell_columns {
	unsigned clock, id, names;
};

static struct spell_columns spell_columns(const struct lull_page *p, const struct lull_when *w)
{
	struct spell_columns c = {.clock = w->clock ? w->days ? 14 : 10 : 0, .id = p->width < 76 ? 0 : 12};

	c.names = p->width - 3 - c.clock - 11 - 10 - 10 - c.id;
	return c;
}

static void spell_row(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v,
	const struct lull_spell *s)
{
	const struct spell_columns c = spell_columns(p, w);
	char a[LULL_WHEN], id[11], name[160];

	(void)fputs("   ", p->out);
	if (c.clock)
		cell(p->out, lull_when_clock(w, s->from, a), c.clock);
	cell(p->out, lull_when_since(w, s->from, a), 11);
	cell(p->out, lull_when_hms(s->to - s->from, a), 10);
	cell(p->out, s->lone ? "lone ID" : s->relayed ? "followed" : lull_words_kind(s->kind), 10);
	if (c.id)
		cell(p->out, s->first_id == LULL_ID_NONE ? "-" : lull_id_text(s->first_id, id), c.id);
	if (s->waker >= 0 && s->waker == s->keeper) {
		(void)fprintf(p->out, "%s, both\n", node_words(v, s->waker, c.names - 6, name, sizeof name));
		return;
	}
	node_words(v, s->waker, c.names / 2 - 1, name, sizeof name);
	cell(p->out, name, c.names / 2);
	(void)fprintf(p->out, "%s\n", node_words(v, s->keeper, c.names - c.names / 2, name, sizeof name));
}

static void folded(const struct lull_page *p, const struct lull_spell *s, size_t n)
{
	lull_time sum = 0, shortest = INT64_MAX, longest = 0;
	char a[LULL_WHEN], b[LULL_WHEN], c[LULL_WHEN], text[256];
	size_t i;

	for (i = 0; i < n; i++) {
		lull_time length = s[i].to - s[i].from;

		sum += length;
		shortest = length < shortest ? length : shortest;
		longest = length > longest ? length : longest;
	}
	lull_when_hms(shortest, a);
	lull_when_hms(longest, b);
	lull_when_hms(sum, c);
	if (strcmp(a, b) != 0)
		(void)snprintf(text, sizeof text, "%zu more between, each %s to %s, together %s", n, a, b, c);
	else
		(void)snprintf(text, sizeof text, "%zu more between, each %s, together %s", n, a, c);
	lull_page_para(p, 3, ". . . ", LULL_INK_FAINT, text);
}

static void spells(
	const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v, unsigned index)
{
	const struct lull_spell *s = v->spells.at;
	const struct spell_columns c = spell_columns(p, w);
	size_t first = 0, n = 0, i;

	while (first < v->spells.n && s[first].bus != index)
		first++;
	while (first + n < v->spells.n && s[first + n].bus == index)
		n++;
	if (!n)
		return;
	(void)fprintf(p->out, "\n   %s", lull_page_on(p, LULL_INK_STRONG));
	if (c.clock)
		cell(p->out, "awake at", c.clock);
	cell(p->out, w->from_key_off ? "key-off" : "start", 11);
	cell(p->out, "for", 10);
	cell(p->out, "what", 10);
	if (c.id)
		cell(p->out, "first ID", c.id);
	cell(p->out, "woke it", c.names / 2);
	(void)fprintf(p->out, "kept it%s\n", lull_page_off(p, LULL_INK_STRONG));
	for (i = 0; i < n; i++) {
		if (n > LULL_SPELLS_WHOLE && i == LULL_SPELLS_FIRST) {
			folded(p, s + first + i, n - LULL_SPELLS_FIRST - LULL_SPELLS_LAST);
			i = n - LULL_SPELLS_LAST;
		}
		spell_row(p, w, v, &s[first + i]);
	}
}

static void blind(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v)
{
	size_t i;

	if (!v->blind.n && !w->night->bus_count) {
		lull_page_item(p, "Blind", "throughout: no bus was listened to");
		return;
	}
	if (!v->blind.n) {
		lull_page_item(p, "Blind", "at no time within the recording");
		return;
	}
	for (i = 0; i < v->blind.n && i < LULL_ROWS_MOST; i++) {
		const struct lull_coverage *c = &v->blind.at[i];
		char a[LULL_WHEN], b[LULL_WHEN];

		const char *bus = c->bus < w->night->bus_count ? w->night->bus[c->bus].name : "every bus";
		const char *why = lull_words_blind((enum lull_coverage_why)c->why);

		lull_when_both(w, c->from, b);
		if (c->to > c->from)
			lull_page_itemf(p, i ? "" : "Blind", "%s, %s from %s: %s", bus,
				lull_when_length(c->to - c->from, a), b, why);
		else
			lull_page_itemf(p, i ? "" : "Blind", "%s, at %s: %s", bus, b, why);
	}
	if (v->blind.n > LULL_ROWS_MOST)
		lull_page_itemf(p, "", "and %zu more times", v->blind.n - LULL_ROWS_MOST);
}

void lull_text_night(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v)
{
	unsigned i;

	lull_page_heading(p, "THE NIGHT", "");
	frame_of_night(p, w, v);
	marks(p, w);
	for (i = 0; i < w->night->bus_count; i++) {
		(void)putc('\n', p->out);
		bus_head(p, w, v, i);
		spells(p, w, v, i);
		lull_text_wakes(p, w, v, i);
	}
	(void)putc('\n', p->out);
	blind(p, w, v);
}
