/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html_key_off: who stopped when after key-off, and the last minute before the first quiet enlarged. */
#include <math.h>
#include <report/html.h>
#include <report/words.h>
#include <stdlib.h>

#define TOP 34.0
#define ROW 14.0
#define CASCADE_MOST 40
#define MINUTE_MOST 30
#define AFTER (10 * LULL_SEC) /* shown after the last frame */

/* First bus that went quiet after settling began; its last frame. */
static bool first_quiet(const struct lull_html *h, unsigned *bus, lull_time *at)
{
	bool found = false;

	for (unsigned b = 0; b < h->night->bus_count; b++) {
		const lull_time t = h->v->bus[b].first_quiet;

		if (t != LULL_NEVER && (!found || t < *at)) {
			found = true;
			*bus = b;
			*at = t;
		}
	}
	return found;
}

static int by_stop(const void *x, const void *y)
{
	const struct lull_id_info *a = *(const struct lull_id_info *const *)x, *b = *(const struct lull_id_info *const *)y;

	if (a->last_after_key_off != b->last_after_key_off)
		return a->last_after_key_off > b->last_after_key_off ? -1 : 1;
	return a->bus != b->bus ? (a->bus < b->bus ? -1 : 1) : a->id < b->id ? -1 : a->id > b->id;
}

static void name_of(const struct lull_html *h, const struct lull_id_info *d, char *out, size_t size)
{
	char id[11];

	lull_id_text(d->id, id);
	if (d->node >= 0 && (size_t)d->node < h->v->nodes.n && h->v->nodes.at[d->node].named_by != LULL_BY_TIMING)
		(void)snprintf(out, size, "%s %s", id, h->v->nodes.at[d->node].name);
	else
		(void)snprintf(out, size, "%s", id);
}

static bool is_named(const struct lull_html *h, const struct lull_id_info *d)
{
	for (size_t i = 0; i < h->v->findings.n; i++) {
		const struct lull_suspect *s = lull_words_accused(&h->v->findings.at[i]);

		if (s && s->node_index >= 0 && s->node_index == d->node)
			return true;
	}
	return false;
}

/* IDs heard after key-off, the last to stop first. */
static const struct lull_id_info **by_their_stop(const struct lull_html *h, size_t *n)
{
	const struct lull_id_info **order = calloc(h->v->ids.n + 1, sizeof *order);

	*n = 0;
	for (size_t i = 0; order && i < h->v->ids.n; i++) {
		if (h->v->ids.at[i].last_after_key_off != LULL_NEVER)
			order[(*n)++] = &h->v->ids.at[i];
	}
	if (order)
		qsort(order, *n, sizeof *order, by_stop);
	return order;
}

/* A line from key-off to the last frame, with a bar across where the sender stopped. */
static void cascade(struct lull_html *h, const struct lull_id_info *const *order, size_t n, lull_time quiet, bool slept)
{
	const size_t shown = n < CASCADE_MOST ? n : CASCADE_MOST;
	const lull_time from = h->v->key_off, last = slept ? quiet : h->v->judged_to != LULL_NEVER ? h->v->judged_to : h->v->end;
	const struct lull_html_axis a = {.from = from, .to = last > from ? last + (last - from) / 50 + 1 : from + LULL_SEC};
	const double bottom = TOP + ROW * (double)shown;
	char title[160], name[LULL_NODE_NAME + 16], caption[200];

	(void)snprintf(title, sizeof title, slept ? "After key-off: who stopped when" : "After key-off: who stopped, and who did not");
	lull_html_picture(h, "cascade", (unsigned)bottom + 24, title, "One row for each ID that was heard after key-off, the last to stop first.");
	lull_html_axis(h, &a, TOP, bottom);
	for (size_t i = 0; i < shown; i++) {
		const double y = TOP + ((double)i + 0.5) * ROW;
		const double x = lull_html_x(&a, order[i]->last_after_key_off);
		const bool goes_on = !slept && order[i]->last_after_key_off > last - 10 * LULL_SEC;

		name_of(h, order[i], name, sizeof name);
		lull_html_label(h, y, name, is_named(h, order[i]));
		(void)fprintf(h->out, "<path class=\"%s\" d=\"M%d %.1fH%.1f%s\"/>\n", is_named(h, order[i]) ? "run named" : "run", LULL_HTML_LEFT, y, x,
			goes_on ? "" : "m0 -4v8");
	}
	lull_html_marks(h, &a, TOP, bottom);
	(void)snprintf(caption, sizeof caption, "A line ends where the ID was heard last; a bar across: it stopped there.%s",
		shown < n ? " Those that stopped earlier are in the table of IDs." : "");
	lull_html_picture_end(h, caption);
}

struct run {
	const struct lull_id_info *d;
	lull_time from, to;
	bool stopped;
};

static int by_end(const void *x, const void *y)
{
	const struct run *a = x, *b = y;

	return a->to != b->to ? (a->to > b->to ? -1 : 1) : (a->d->id > b->d->id) - (a->d->id < b->d->id);
}

static const struct lull_id_info *info(const struct lull_verdict *v, uint8_t bus, uint32_t id)
{
	for (size_t i = 0; i < v->ids.n; i++) {
		if (v->ids.at[i].bus == bus && v->ids.at[i].id == id)
			return &v->ids.at[i];
	}
	return NULL;
}

/* The last run of each ID that was heard in the minute before. */
static struct run *last_runs(const struct lull_html *h, unsigned bus, const struct lull_html_axis *a, lull_time quiet, size_t *n)
{
	struct run *r = calloc(h->v->ids.n + 1, sizeof *r);

	*n = 0;
	for (size_t i = 0; r && i < h->night->stretches.n; i++) {
		const struct lull_stretch *s = &h->night->stretches.at[i];
		const struct lull_id_info *d;
		size_t k;

		if (s->bus != bus || s->last < a->from || s->first > quiet)
			continue;
		d = info(h->v, s->bus, s->id);
		for (k = 0; k < *n && r[k].d != d; k++)
			;
		if (!d)
			continue;
		if (k == *n)
			r[(*n)++] = (struct run){.d = d, .from = s->first, .to = s->last, .stopped = s->end == LULL_END_GAP};
		else if (s->last > r[k].to)
			r[k] = (struct run){.d = d, .from = r[k].from < s->first ? r[k].from : s->first, .to = s->last, .stopped = s->end == LULL_END_GAP};
	}
	if (r)
		qsort(r, *n, sizeof *r, by_end);
	return r;
}

static void last_minute(struct lull_html *h, unsigned bus, lull_time quiet)
{
	const struct lull_html_axis a = {.from = quiet - 60 * LULL_SEC, .to = quiet + AFTER};
	size_t n;
	struct run *r = last_runs(h, bus, &a, quiet, &n);
	const size_t shown = n < MINUTE_MOST ? n : MINUTE_MOST;
	const double bottom = TOP + ROW * (double)shown;
	char title[200], name[LULL_NODE_NAME + 16], at[LULL_WHEN], caption[500];

	if (!r || !n) {
		free(r);
		return;
	}
	(void)snprintf(title, sizeof title, "The last minute before %s went quiet at %s", h->night->bus[bus].name, lull_when_both(&h->when, quiet, at));
	lull_html_picture(h, "minute", (unsigned)bottom + 24, title, "One row for each ID heard in that minute, the last one first; a tick for each kept frame.");
	lull_html_seconds(h, &a, quiet, TOP, bottom);
	lull_html_blind(h, &a, bus, TOP, bottom);
	for (size_t i = 0; i < shown; i++) {
		const double y = TOP + ((double)i + 0.5) * ROW;

		name_of(h, r[i].d, name, sizeof name);
		lull_html_label(h, y, name, is_named(h, r[i].d));
		(void)fprintf(h->out, "<path class=\"%s\" d=\"M%.1f %.1fH%.1f%s\"/><path class=frame d=\"", is_named(h, r[i].d) ? "run named" : "run",
			lull_html_x(&a, r[i].from), y, lull_html_x(&a, r[i].to), r[i].stopped ? "m0 -4v8" : "");
		for (size_t k = 0; k < h->night->edges.n; k++) {
			const struct lull_edge *e = &h->night->edges.at[k];

			if (e->frame.bus == bus && e->frame.id == r[i].d->id && e->frame.t >= a.from && e->frame.t <= a.to)
				(void)fprintf(h->out, "M%.1f %.1fv6", lull_html_x(&a, e->frame.t), y - 3);
		}
		(void)fputs("\"/>\n", h->out);
	}
	(void)snprintf(caption, sizeof caption,
		"%s. Seconds count from the last frame. Ticks are the frames kept around it. Who sends last need not be who keeps the bus awake.%s",
		title, shown < n ? " Only the last to stop are drawn." : "");
	lull_html_picture_end(h, caption);
	free(r);
}

void lull_html_key_off(struct lull_html *h)
{
	unsigned bus = 0;
	lull_time quiet = LULL_NEVER;
	const bool slept = first_quiet(h, &bus, &quiet);
	size_t n;
	const struct lull_id_info **order = by_their_stop(h, &n);

	if (order && (slept || (n && h->v->key_off != LULL_NEVER))) {
		(void)fputs("<section id=key-off><h2>From key-off to sleep</h2>\n", h->out);
		if (n && h->v->key_off != LULL_NEVER)
			cascade(h, order, n, quiet, slept);
		if (slept)
			last_minute(h, bus, quiet);
		(void)fputs("</section>\n", h->out);
	}
	free(order);
}
