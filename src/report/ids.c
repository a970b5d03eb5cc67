/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ids: who sent after key-off, how long, how often, until when; by node, those still sending first. */
#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <report/page.h>
#include <report/when.h>
#include <stdlib.h>
#include <string.h>

/* What one ID did after key-off. */
struct row {
	const struct lull_id_info *info;
	lull_time since, until; /* first and last frame after key-off; LULL_NEVER: none */
	lull_time sent; /* time within its stretches */
	double frames; /* a stretch over key-off counts by its share */
	unsigned runs;
	bool open; /* still sending when the recording ends */
};

struct group {
	int node; /* -1: no node */
	uint8_t bus;
	size_t first, n; /* rows */
	lull_time until;
	bool open;
};

static int by_id(const void *x, const void *y)
{
	const struct row *a = x, *b = y;

	if (a->info->bus != b->info->bus)
		return a->info->bus < b->info->bus ? -1 : 1;
	return (a->info->id > b->info->id) - (a->info->id < b->info->id);
}

static void add_stretch(struct row *r, const struct lull_stretch *s, lull_time from)
{
	lull_time first = s->first > from ? s->first : from;
	double share = s->last > s->first ? (double)(s->last - first) / (double)(s->last - s->first) : 1;

	if (s->last < from)
		return;
	if (r->since == LULL_NEVER || first < r->since)
		r->since = first;
	/* A run that goes on at another period, or was cut by us, is one run still. */
	if (s->last > r->until || r->until == LULL_NEVER) {
		r->until = s->last;
		r->open = s->end == LULL_END_OPEN;
	}
	r->sent += s->last - first;
	r->frames += (double)s->frames * share;
	if (s->end == LULL_END_GAP || s->end == LULL_END_OPEN)
		r->runs++;
}

static struct row *collect(
	const struct lull_night *night, const struct lull_verdict *v, lull_time from, size_t *n)
{
	struct row *rows = calloc(v->ids.n ? v->ids.n : 1, sizeof *rows);
	size_t i;

	if (!rows)
		return NULL;
	for (i = 0; i < v->ids.n; i++)
		rows[i] = (struct row){.info = &v->ids.at[i], .since = LULL_NEVER, .until = LULL_NEVER};
	if (v->ids.n > 1)
		qsort(rows, v->ids.n, sizeof *rows, by_id);
	for (i = 0; i < night->stretches.n; i++) {
		const struct lull_stretch *s = &night->stretches.at[i];
		const struct lull_id_info key_info = {.id = s->id, .bus = s->bus};
		const struct row key = {.info = &key_info};
		struct row *r = bsearch(&key, rows, v->ids.n, sizeof *rows, by_id);

		if (r)
			add_stretch(r, s, from);
	}
	*n = 0;
	for (i = 0; i < v->ids.n; i++) {
		if (rows[i].until != LULL_NEVER)
			rows[(*n)++] = rows[i];
	}
	return rows;
}

/* Still sending first, then what was heard last. */
static int by_end(bool open_a, lull_time until_a, bool open_b, lull_time until_b)
{
	if (open_a != open_b)
		return open_a ? -1 : 1;
	return (until_a < until_b) - (until_a > until_b);
}

static int by_node(const void *x, const void *y)
{
	const struct row *a = x, *b = y;

	if (a->info->bus != b->info->bus)
		return a->info->bus < b->info->bus ? -1 : 1;
	if (a->info->node != b->info->node)
		return a->info->node < b->info->node ? -1 : 1;
	if (by_end(a->open, a->until, b->open, b->until))
		return by_end(a->open, a->until, b->open, b->until);
	return by_id(x, y);
}

static int by_group_end(const void *x, const void *y)
{
	const struct group *a = x, *b = y;

	if (by_end(a->open, a->until, b->open, b->until))
		return by_end(a->open, a->until, b->open, b->until);
	return (a->first > b->first) - (a->first < b->first);
}

static struct group *grouped(const struct row *rows, size_t n, size_t *count)
{
	struct group *groups = calloc(n ? n : 1, sizeof *groups);
	size_t i, g = 0;

	if (!groups)
		return NULL;
	for (i = 0; i < n; i++) {
		if (!i || rows[i].info->node != rows[i - 1].info->node ||
			rows[i].info->bus != rows[i - 1].info->bus) {
			groups[g++] = (struct group){.node = rows[i].info->node,
				.bus = rows[i].info->bus,
				.first = i,
				.until = LULL_NEVER};
		}
		groups[g - 1].n++;
		groups[g - 1].open |= rows[i].open;
		if (rows[i].until > groups[g - 1].until)
			groups[g - 1].until = rows[i].until;
	}
	if (g > 1)
		qsort(groups, g, sizeof *groups, by_group_end);
	*count = g;
	return groups;
}

static const char *named_by_words(enum lull_named_by by)
{
	switch (by) {
	case LULL_BY_PROFILE: return "Name from the profile.";
	case LULL_BY_SOURCE_ADDRESS: return "Name from its source address.";
	case LULL_BY_NM: return "Name from network management.";
	case LULL_BY_LEARNED: return "Name from an unplug test.";
	case LULL_BY_TIMING: return "These IDs behave as one sender.";
	}
	return "";
}

static const char *period_words(const struct lull_id_info *d, char buf[static LULL_WHEN])
{
	if (!d->cyclic)
		return strcpy(buf, "at times");
	if (!isfinite(d->period_ms))
		return strcpy(buf, "-");
	(void)snprintf(buf, LULL_WHEN, d->period_ms < 999.95 ? "%.1f ms" : "%.0f ms", d->period_ms);
	return buf;
}

static void id_row(const struct lull_page *p, const struct lull_when *w, const struct row *r)
{
	char id[11], every[LULL_WHEN], sent[LULL_WHEN], since[LULL_WHEN], until[LULL_WHEN], ago[LULL_WHEN];

	(void)fprintf(p->out, "   %-10s %9s %10.0f %5u %9s", lull_id_text(r->info->id, id),
		period_words(r->info, every), r->frames < 1 ? 1 : r->frames, r->runs,
		lull_when_hms(r->sent, sent));
	(void)fprintf(
		p->out, " %9s %9s", lull_when_since(w, r->since, since), lull_when_since(w, r->until, until));
	if (r->open)
		(void)fprintf(p->out, " %ssending%s\n", lull_page_on(p, LULL_INK_WARN),
			lull_page_off(p, LULL_INK_WARN));
	else
		(void)fprintf(p->out, " %s\n", lull_when_hms(w->night->end - r->until, ago));
}

/* SAE J1939's industry groups: 0 to 2 as in the published header of a J1939 library, 4 by the marine capture of the tests, 3 and 5 from
 * memory. */
static const char *industry(unsigned group)
{
	static const char *const names[] = {"global", "on-highway", "agriculture and forestry", "construction", "marine", "industrial process"};

	return group < sizeof names / sizeof *names ? names[group] : "reserved";
}

/* What the node claimed of itself (SAE J1939), as numbers of the standard's lists. */
static void addresses(const struct lull_page *p, const struct lull_verdict *v, int node)
{
	char text[320];

	if (node < 0 || (size_t)node >= v->nodes.n)
		return;
	for (size_t i = 0; i < v->claims.n; i++) {
		const struct lull_claim *c = &v->claims.at[i];
		struct lull_name n = lull_name_decode(c->name);

		if (c->node != node)
			continue;
		(void)snprintf(text, sizeof text,
			"claims address 0x%02X: function %u (instance %u), vehicle system %u (instance %u), industry group %u (%s), manufacturer "
			"code %u, identity number %u, ECU instance %u%s",
			c->address, n.function, n.function_instance, n.vehicle_system, n.system_instance, n.industry_group,
			industry(n.industry_group), n.manufacturer, (unsigned)n.identity, n.ecu_instance, n.arbitrary ? ", may take another address" : "");
		lull_page_para(p, 3, "", LULL_INK_NONE, text);
	}
	if (v->nodes.at && v->nodes.at[node].second_address >= 0) {
		(void)snprintf(text, sizeof text, "address 0x%02X is of the same ECU: %s", (unsigned)v->nodes.at[node].second_address,
			v->nodes.at[node].second_why);
		lull_page_para(p, 3, "", LULL_INK_NONE, text);
	}
}

static void group(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v,
	const struct group *g, const struct row *rows)
{
	char text[512], ago[LULL_WHEN], end[80], kin[80] = "";
	const struct lull_node *n =
		g->node >= 0 && (size_t)g->node < v->nodes.n ? &v->nodes.at[g->node] : NULL;
	size_t i;

	if (g->open)
		(void)snprintf(end, sizeof end, "still sending at the end");
	else
		(void)snprintf(end, sizeof end, "last heard %s before the end",
			lull_when_length(w->night->end - g->until, ago));
	if (n && n->kin > 0)
		(void)snprintf(kin, sizeof kin, " Sure by timing: %.2f on invented nights.", n->kin);
	(void)snprintf(text, sizeof text, "%s on %s: %s. %s%s", n ? n->name : "IDs of no known node",
		g->bus < w->night->bus_count ? w->night->bus[g->bus].name : "?", end,
		n ? named_by_words(n->named_by) : "Nothing tells whose they are.", kin);
	(void)putc('\n', p->out);
	lull_page_para(p, 0, "", LULL_INK_STRONG, text);
	addresses(p, v, g->node);
	for (i = 0; i < g->n; i++)
		id_row(p, w, &rows[g->first + i]);
}

int lull_report_ids(FILE *out, const struct lull_night *night, const struct lull_verdict *v,
	const struct lull_report_style *style)
{
	const struct lull_page p = lull_page_new(out, style);
	const struct lull_when w = lull_when_new(night, v);
	size_t n = 0, groups = 0, i;
	struct row *rows = collect(night, v, v->key_off == LULL_NEVER ? 0 : v->key_off, &n);
	struct group *g;
	char a[LULL_WHEN], b[LULL_WHEN], text[256];

	if (!rows)
		return -ENOMEM;
	if (n > 1)
		qsort(rows, n, sizeof *rows, by_node);
	g = grouped(rows, n, &groups);
	if (!g) {
		free(rows);
		return -ENOMEM;
	}
	if (v->key_off == LULL_NEVER)
		(void)snprintf(text, sizeof text,
			"Key-off is not known: times count from the start, to the end %s later.",
			lull_when_hms(night->end, a));
	else
		(void)snprintf(text, sizeof text, "Who sent after key-off at %s, until the end at %s.",
			lull_when_both(&w, v->key_off, a), lull_when_both(&w, night->end, b));
	lull_page_para(&p, 0, "", LULL_INK_NONE, text);
	if (!n) {
		(void)fputs("Nothing was heard in that time.\n", out);
	} else {
		(void)fprintf(out, "   %-10s %9s %10s %5s %9s %9s %9s %s\n", "ID", "every", "frames", "runs",
			"sent for", "since", "until", "silent");
	}
	for (i = 0; i < groups; i++)
		group(&p, &w, v, &g[i], rows);
	free(g);
	free(rows);
	if (fflush(out) || ferror(out))
		return errno ? -errno : -EIO;
	return 0;
}
