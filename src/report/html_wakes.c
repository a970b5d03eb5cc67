/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html_wakes: the first second of each group of wakes enlarged, several wakes laid over each other. */
#include <math.h>
#include <report/html.h>
#include <report/words.h>
#include <stdlib.h>

#define TOP 30.0
#define ROW 14.0
#define GROUPS_MOST 6
#define ROWS_MOST 20
#define OVERLAID_MOST 20
#define BEFORE (100 * LULL_MS) /* errors come before the first frame */

struct entry {
	uint32_t id;
	double sum; /* of its first appearances after the start, s */
	unsigned wakes;
};

static int by_appearance(const void *x, const void *y)
{
	const struct entry *a = x, *b = y;
	const double p = a->sum / a->wakes, q = b->sum / b->wakes;

	return p != q ? (p > q) - (p < q) : (a->id > b->id) - (a->id < b->id);
}

static const struct lull_edge *edges_from(const struct lull_night *night, lull_time t, size_t *n)
{
	size_t low = 0, high = night->edges.n;

	while (low < high) {
		const size_t mid = low + (high - low) / 2;

		if (night->edges.at[mid].frame.t < t)
			low = mid + 1;
		else
			high = mid;
	}
	*n = night->edges.n - low;
	return night->edges.at ? night->edges.at + low : NULL;
}

/* IDs of the first second, by when they come on average. */
static size_t entries(const struct lull_html *h, const struct lull_spell *const *s, size_t count, struct entry *e, size_t room)
{
	size_t n = 0;

	for (size_t i = 0; i < count; i++) {
		size_t left;
		const struct lull_edge *f = edges_from(h->night, s[i]->from, &left);
		bool *seen = calloc(room, sizeof *seen);

		for (; seen && left && f->frame.t <= s[i]->from + LULL_SEC; f++, left--) {
			size_t k;

			if (f->frame.bus != s[i]->bus || f->frame.flags & LULL_FRAME_ERROR)
				continue;
			for (k = 0; k < n && e[k].id != f->frame.id; k++)
				;
			if (k == n && n < room)
				e[n++] = (struct entry){.id = f->frame.id};
			if (k == n || seen[k])
				continue;
			seen[k] = true;
			e[k].wakes++;
			e[k].sum += (double)(f->frame.t - s[i]->from) / 1e9;
		}
		free(seen);
	}
	qsort(e, n, sizeof *e, by_appearance);
	return n;
}

static void frames(struct lull_html *h, const struct lull_html_axis *a, const struct lull_spell *s, const struct entry *e, size_t rows)
{
	const lull_time shift = s->from - BEFORE;
	size_t left;

	for (const struct lull_edge *f = edges_from(h->night, shift, &left); left && f->frame.t <= s->from + LULL_SEC; f++, left--) {
		const double x = lull_html_x(a, f->frame.t - shift);

		if (f->frame.bus != s->bus)
			continue;
		if (f->frame.flags & LULL_FRAME_ERROR) {
			(void)fprintf(h->out, "M%.1f %.1fl5 6m0 -6l-5 6", x - 2.5, TOP + ROW * ((double)rows + 0.5) - 3);
			continue;
		}
		for (size_t k = 0; k < rows; k++) {
			if (e[k].id == f->frame.id)
				(void)fprintf(h->out, "M%.1f %.1fv9", x, TOP + ROW * ((double)k + 0.5) - 4.5);
		}
	}
}

static void heading(const struct lull_html *h, const struct lull_wake_group *g, char *text, size_t size)
{
	const struct lull_verdict *v = h->v;
	const char *bus = g->bus < h->night->bus_count ? h->night->bus[g->bus].name : "?";

	if (g->waker >= 0 && (size_t)g->waker < v->nodes.n)
		(void)snprintf(text, size, "%zu wake%s on %s begun by %s", g->n, g->n == 1 ? "" : "s", bus, v->nodes.at[g->waker].name);
	else
		(void)snprintf(text, size, "%zu wake%s on %s whose beginner is not known", g->n, g->n == 1 ? "" : "s", bus);
}

static void group(struct lull_html *h, size_t index)
{
	const struct lull_verdict *v = h->v;
	const struct lull_wake_group *g = &v->wakes.at[index];
	const struct lull_spell **s = calloc(v->spells.n + 1, sizeof *s);
	struct entry *e = calloc(v->ids.n + 1, sizeof *e);
	const struct lull_html_axis a = {.from = 0, .to = BEFORE + LULL_SEC};
	char text[200], caption[400], line[1024];
	size_t count = 0;

	for (size_t i = 0; s && i < v->spells.n; i++) {
		if (v->spells.at[i].group == (int)index)
			s[count++] = &v->spells.at[i];
	}
	if (!s || !e || !count)
		goto out;
	const size_t overlaid = count < OVERLAID_MOST ? count : OVERLAID_MOST, n = entries(h, s, overlaid, e, v->ids.n + 1),
		     rows = n < ROWS_MOST ? n : ROWS_MOST;
	const double bottom = TOP + ROW * ((double)rows + 1);

	heading(h, g, text, sizeof text);
	(void)fprintf(h->out, "<h3 data-v=%zu>", g->n);
	lull_html_text(h->out, text);
	(void)fputs("</h3>\n<p>", h->out);
	lull_words_wakes(&h->when, v, g, line, sizeof line);
	lull_html_text(h->out, line);
	(void)fputs("</p>\n", h->out);
	lull_html_picture(h, "wake", (unsigned)bottom + 24, text, "The first second: one row for each ID in the order in which they come, ticks of all wakes over each other.");
	lull_html_seconds(h, &a, BEFORE, TOP, bottom);
	for (size_t k = 0; k < rows; k++) {
		char id[11];

		lull_html_label(h, TOP + ROW * ((double)k + 0.5), lull_id_text(e[k].id, id), false);
	}
	lull_html_label(h, TOP + ROW * ((double)rows + 0.5), "bus errors", false);
	for (size_t i = 0; i < overlaid; i++) {
		(void)fputs("<path class=overlaid d=\"M0 0", h->out);
		frames(h, &a, s[i], e, rows);
		(void)fputs("\"/>\n", h->out);
	}
	(void)snprintf(caption, sizeof caption, "The first second%s of %zu wake%s laid over each other; crosses are bus errors. Who comes first need not be who wakes it.%s",
		overlaid > 1 ? "s" : "", overlaid, overlaid == 1 ? "" : "s", rows < n ? " Later IDs are left out." : "");
	lull_html_picture_end(h, caption);
out:
	free(s);
	free(e);
}

void lull_html_wakes(struct lull_html *h)
{
	const size_t n = h->v->wakes.n;

	if (!n)
		return;
	(void)fputs("<section id=wakes><h2>The wakes</h2>\n", h->out);
	for (size_t i = 0; i < n && i < GROUPS_MOST; i++)
		group(h, i);
	if (n > GROUPS_MOST)
		(void)fprintf(h->out, "<p>And %zu more kinds of wakes; the table of awake periods has them.</p>\n", n - GROUPS_MOST);
	(void)fputs("</section>\n", h->out);
}
