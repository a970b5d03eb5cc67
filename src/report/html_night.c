/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html_night: the whole night on one time axis: current, each bus, one row for each node or ID, marks and key-off. */
#include <math.h>
#include <report/html.h>
#include <report/trace.h>
#include <report/words.h>
#include <stdlib.h>
#include <string.h>

#define TOP 34.0
#define CURRENT 230.0 /* height of the current's part */
#define BAND 26.0 /* of a bus */
#define ROW 15.0
#define ROWS_MOST 400 /* in the folded part */
#define COLUMNS (LULL_HTML_SPAN * 2)
#define LEAST_MA 1.0 /* lower edge of the log axis */

/* --- current --- */

struct scale {
	bool log;
	double low, high; /* mA at the lower and upper edge */
	double top, bottom;
};

static double y_of(const struct scale *s, double mA)
{
	const double x = s->log ? log10(fmax(mA, s->low) / s->low) / log10(s->high / s->low) : (mA - s->low) / (s->high - s->low);

	return s->bottom - (s->bottom - s->top) * fmin(fmax(x, 0), 1);
}

/* The linear axis is made for the judged night: a start of the engine would press it flat. */
static struct scale linear_scale(const struct lull_html *h, const struct lull_trace *t)
{
	const struct lull_verdict *v = h->v;
	double most = isfinite(v->limit_draw_mA) ? 1.5 * v->limit_draw_mA : 10, least = 0;

	for (unsigned i = 0; i < t->columns; i++) {
		const lull_time at = (lull_time)((double)v->end * (i + 0.5) / t->columns);

		if (v->settle_from != LULL_NEVER && at < v->settle_from)
			continue;
		if (v->judged_to != LULL_NEVER && v->judged_to > v->settle_from && at > v->judged_to)
			continue;
		most = fmax(most, t->most[i]);
		least = fmin(least, t->least[i]);
	}
	return (struct scale){.low = least < 0 ? -lull_html_round_above(-least) : 0, .high = lull_html_round_above(most), .top = TOP, .bottom = TOP + CURRENT};
}

static struct scale log_scale(const struct lull_trace *t)
{
	return (struct scale){.log = true, .low = LEAST_MA, .high = lull_html_round_above(fmax(isfinite(t->highest) ? t->highest : 100, 100)),
		.top = TOP, .bottom = TOP + CURRENT};
}

static void mA_text(const struct lull_html *h, double y, double mA)
{
	if (fabs(mA) >= 1000)
		(void)fprintf(h->out, "<text class=level x=%d y=%.1f>%g A</text>\n", LULL_HTML_LEFT - 8, y + 4, mA / 1000);
	else
		(void)fprintf(h->out, "<text class=level x=%d y=%.1f>%g mA</text>\n", LULL_HTML_LEFT - 8, y + 4, mA);
}

static void level_line(const struct lull_html *h, const struct scale *s, double mA)
{
	const double y = y_of(s, mA);

	(void)fprintf(h->out, "<path class=grid d=\"M%d %.1fH%d\"/>", LULL_HTML_LEFT, y, LULL_HTML_LEFT + LULL_HTML_SPAN);
	mA_text(h, y, mA);
}

static void levels(const struct lull_html *h, const struct scale *s)
{
	if (s->log) {
		const unsigned decades = (unsigned)(log10(s->high / s->low) + 1e-6);

		for (unsigned i = 0; i <= decades; i++)
			level_line(h, s, s->low * pow(10, i));
		return;
	}
	const double step = lull_html_round_above((s->high - s->low) / 6);
	const int from = (int)ceil(s->low / step), to = (int)floor(s->high * 1.001 / step);

	for (int i = from; i <= to; i++)
		level_line(h, s, i * step);
}

/* Least to most of each column as one band; a column without samples opens it. */
static void band(const struct lull_html *h, const struct lull_trace *t, const struct scale *s)
{
	const double unit = (double)LULL_HTML_SPAN / t->columns;

	(void)fputs("<path class=trace d=\"", h->out);
	for (unsigned i = 0; i < t->columns;) {
		unsigned to = i;

		if (!isfinite(t->most[i])) {
			i++;
			continue;
		}
		while (to < t->columns && isfinite(t->most[to]))
			to++;
		for (unsigned k = i; k < to; k++)
			(void)fprintf(h->out, "%c%.4g %.4g", k == i ? 'M' : 'L', LULL_HTML_LEFT + (k + 0.5) * unit, y_of(s, t->most[k]) - 0.4);
		for (unsigned k = to; k-- > i;)
			(void)fprintf(h->out, "L%.4g %.4g", LULL_HTML_LEFT + (k + 0.5) * unit, y_of(s, t->least[k]) + 0.4);
		(void)fputc('Z', h->out);
		i = to;
	}
	(void)fputs("\"/>\n", h->out);
}

/* The mean of each column: what an eye would draw through the noise. */
static void middle(const struct lull_html *h, const struct lull_trace *t, const struct scale *s)
{
	const double unit = (double)LULL_HTML_SPAN / t->columns;
	bool down = false;

	(void)fputs("<path class=mean d=\"", h->out);
	for (unsigned i = 0; i < t->columns; i++) {
		if (isfinite(t->mean[i]))
			(void)fprintf(h->out, "%c%.4g %.4g", down ? 'L' : 'M', LULL_HTML_LEFT + (i + 0.5) * unit, y_of(s, t->mean[i]));
		down = isfinite(t->mean[i]);
	}
	(void)fputs("\"/>\n", h->out);
}

static void stages(const struct lull_html *h, const struct lull_html_axis *a, const struct scale *s)
{
	const struct lull_current_report *r = &h->v->current;

	(void)fputs("<path class=stage d=\"", h->out);
	for (size_t i = 0; i < r->stages.n; i++) {
		const struct lull_stage *g = &r->stages.at[i];

		if (isfinite(g->mA) && g->to > a->from && g->from < a->to)
			(void)fprintf(h->out, "M%.1f %.1fH%.1f", lull_html_x(a, g->from), y_of(s, g->mA), lull_html_x(a, g->to));
	}
	(void)fputs("\"/>\n", h->out);
}

#define NAMED_MOST 8

static int by_time(const void *x, const void *y)
{
	const lull_time a = (*(const struct lull_step *const *)x)->at, b = (*(const struct lull_step *const *)y)->at;

	return (a > b) - (a < b);
}

/* The largest rises that have a cause, with a letter that the list below explains. */
static size_t named_steps(const struct lull_html *h, const struct lull_step *out[NAMED_MOST])
{
	const struct lull_current_report *r = &h->v->current;
	size_t n = 0;

	for (size_t i = 0; i < r->steps.n; i++) {
		const struct lull_step *s = &r->steps.at[i];
		const double size = fabs(s->to_mA - s->from_mA);
		size_t k = n;

		if (!s->because || s->to_mA < s->from_mA)
			continue;
		while (k && fabs(out[k - 1]->to_mA - out[k - 1]->from_mA) < size)
			k--;
		if (k == NAMED_MOST)
			continue;
		memmove(&out[k + 1], &out[k], ((n < NAMED_MOST ? n : NAMED_MOST - 1) - k) * sizeof out[0]);
		out[k] = s;
		n += n < NAMED_MOST;
	}
	qsort(out, n, sizeof out[0], by_time);
	return n;
}

static void steps(const struct lull_html *h, const struct lull_html_axis *a, const struct scale *s)
{
	const struct lull_step *named[NAMED_MOST] = {NULL};
	const size_t n = named_steps(h, named);

	for (size_t i = 0; i < n; i++) {
		const double x = lull_html_x(a, named[i]->at), y = y_of(s, named[i]->to_mA);

		if (i && x < lull_html_x(a, named[i - 1]->at) + 10)
			continue;
		(void)fprintf(h->out, "<text class=step x=%.1f y=%.1f>%c<title>", x + 3, fmax(y - 4, s->top + 10), (char)('a' + (int)i));
		lull_html_text(h->out, named[i]->because);
		(void)fputs("</title></text>\n", h->out);
	}
}

static void list_steps(const struct lull_html *h)
{
	const struct lull_step *named[NAMED_MOST] = {NULL};
	const size_t n = named_steps(h, named);
	char at[LULL_WHEN], from[LULL_WHEN], to[LULL_WHEN];

	if (!n)
		return;
	(void)fputs("<ol class=letters>\n", h->out);
	for (size_t i = 0; i < n; i++) {
		(void)fputs("<li>", h->out);
		lull_html_textf(h->out, "%s: %s to %s, %s", lull_when_both(&h->when, named[i]->at, at), lull_words_amps(named[i]->from_mA, from),
			lull_words_amps(named[i]->to_mA, to), named[i]->because);
		(void)fputs("</li>\n", h->out);
	}
	(void)fputs("</ol>\n", h->out);
}

static void dead(const struct lull_html *h, const struct lull_html_axis *a, const struct scale *s)
{
	const struct lull_current_report *r = &h->v->current;

	for (size_t i = 0; i < r->dead.n; i++) {
		const double x = lull_html_x(a, r->dead.at[i].from), width = fmax(lull_html_x(a, r->dead.at[i].to) - x, 1.5);

		(void)fprintf(h->out, "<rect class=blind fill=\"url(#blind%u)\" x=%.1f y=%.1f width=%.1f height=%.1f><title>the clamp's log is no "
				      "measurement here: %s</title></rect>\n",
			h->pictures, x, s->top, width, s->bottom - s->top, lull_dead_name(r->dead.at[i].why));
	}
}

static void one_scale(const struct lull_html *h, const struct lull_html_axis *a, const struct lull_trace *t, const struct scale *s)
{
	unsigned cut = 0;

	(void)fprintf(h->out, "<g class=%s>\n", s->log ? "log" : "linear");
	levels(h, s);
	dead(h, a, s);
	band(h, t, s);
	middle(h, t, s);
	stages(h, a, s);
	if (isfinite(h->v->limit_draw_mA)) {
		const double y = y_of(s, h->v->limit_draw_mA);

		(void)fprintf(h->out, "<path class=limit d=\"M%d %.1fH%d\"/><text class=limit x=%d y=%.1f>limit %g mA</text>\n", LULL_HTML_LEFT, y,
			LULL_HTML_LEFT + LULL_HTML_SPAN, LULL_HTML_LEFT + LULL_HTML_SPAN - 4, y - 4, h->v->limit_draw_mA);
	}
	steps(h, a, s);
	for (unsigned i = 0; i < t->columns; i++)
		cut += t->most[i] > (float)s->high;
	if (cut) {
		char most[LULL_WHEN];

		(void)fprintf(h->out, "<text class=mark x=%d y=%.1f>", LULL_HTML_LEFT + 4, s->top + 24);
		lull_html_textf(h->out, "cut at the upper edge; up to %s, whole on the log axis", lull_words_amps(t->highest, most));
		(void)fputs("</text>\n", h->out);
	}
	(void)fputs("</g>\n", h->out);
}

/* --- buses --- */

/* Awake is a full bar, quiet a thin line, what was not heard is hatched: to be told without colour. */
static void bus(struct lull_html *h, const struct lull_html_axis *a, unsigned index, double top)
{
	const double middle = top + BAND / 2;
	struct lull_html_row row;

	lull_html_label(h, middle, h->night->bus[index].name, true);
	(void)fprintf(h->out, "<path class=quiet d=\"M%d %.1fH%d\"/>\n", LULL_HTML_LEFT, middle, LULL_HTML_LEFT + LULL_HTML_SPAN);
	lull_html_blind(h, a, index, top + 3, top + BAND - 3);
	row = lull_html_row_begin(h->out, a, middle, "lone");
	for (size_t i = 0; i < h->v->spells.n; i++) {
		const struct lull_spell *s = &h->v->spells.at[i];

		if (s->bus == index && s->lone)
			lull_html_row_add(&row, s->from, s->to);
	}
	lull_html_row_end(&row);
	row = lull_html_row_begin(h->out, a, middle, "awake");
	for (size_t i = 0; i < h->v->spells.n; i++) {
		const struct lull_spell *s = &h->v->spells.at[i];

		if (s->bus == index && !s->lone)
			lull_html_row_add(&row, s->from, s->to);
	}
	lull_html_row_end(&row);
}

/* --- rows --- */

struct line {
	int node; /* or -1: one ID that nothing gives to a node */
	size_t info; /* index into the verdict's IDs, for one ID */
	uint8_t bus;
	bool suspect;
	lull_time after; /* last heard after key-off, for the order */
	char name[LULL_NODE_NAME + 16];
};

static bool is_suspect(const struct lull_verdict *v, int node)
{
	for (size_t i = 0; i < v->findings.n; i++) {
		for (size_t k = 0; k < v->findings.at[i].suspects.n; k++) {
			if (v->findings.at[i].suspects.at[k].node_index == node)
				return true;
		}
	}
	return false;
}

static int by_interest(const void *x, const void *y)
{
	const struct line *a = x, *b = y;

	if (a->suspect != b->suspect)
		return a->suspect ? -1 : 1;
	if (a->bus != b->bus)
		return a->bus < b->bus ? -1 : 1;
	if (a->after != b->after)
		return a->after > b->after ? -1 : 1;
	return strcmp(a->name, b->name);
}

/* One line for each node that has IDs, one for each ID without. */
static struct line *make_lines(const struct lull_verdict *v, size_t *n)
{
	struct line *l = calloc(v->nodes.n + v->ids.n + 1, sizeof *l);

	*n = 0;
	if (!l)
		return NULL;
	for (size_t i = 0; i < v->nodes.n; i++) {
		const struct lull_node *d = &v->nodes.at[i];

		l[*n] = (struct line){.node = (int)i, .bus = d->bus, .suspect = is_suspect(v, (int)i), .after = LULL_NEVER};
		(void)snprintf(l[*n].name, sizeof l[*n].name, "%s", d->name);
		(*n)++;
	}
	for (size_t i = 0; i < v->ids.n; i++) {
		const struct lull_id_info *d = &v->ids.at[i];

		if (d->node >= 0 && (size_t)d->node < v->nodes.n) {
			if (d->last_after_key_off > l[d->node].after)
				l[d->node].after = d->last_after_key_off;
			continue;
		}
		l[*n] = (struct line){.node = -1, .info = i, .bus = d->bus, .after = d->last_after_key_off};
		(void)lull_id_text(d->id, l[*n].name);
		(*n)++;
	}
	qsort(l, *n, sizeof *l, by_interest);
	return l;
}

/* Which line an ID's stretches go to: by bus and ID, as the verdict's IDs are sorted. */
static size_t info_of(const struct lull_verdict *v, uint8_t bus, uint32_t id)
{
	size_t low = 0, high = v->ids.n;

	while (low < high) {
		const size_t mid = low + (high - low) / 2;
		const struct lull_id_info *d = &v->ids.at[mid];

		if (d->bus < bus || (d->bus == bus && d->id < id))
			low = mid + 1;
		else
			high = mid;
	}
	return low < v->ids.n && v->ids.at[low].bus == bus && v->ids.at[low].id == id ? low : v->ids.n;
}

/* Stretches by line, in order of time, so that each line is drawn in one go. */
struct share {
	size_t *start; /* of each line, and the end */
	const struct lull_stretch **at;
};

static int deal(const struct lull_html *h, const struct line *l, size_t n, struct share *out)
{
	const struct lull_verdict *v = h->v;
	const size_t all = h->night->stretches.n;
	size_t *line_of_node = calloc(v->nodes.n + 1, sizeof *line_of_node), *line_of_info = calloc(v->ids.n + 1, sizeof *line_of_info),
	       *line = calloc(all + 1, sizeof *line), *taken = calloc(n + 2, sizeof *taken);

	out->start = calloc(n + 2, sizeof *out->start);
	out->at = calloc(all + 1, sizeof *out->at);
	if (!line_of_node || !line_of_info || !line || !taken || !out->start || !out->at) {
		free(taken);
		free(line_of_node);
		free(line_of_info);
		free(line);
		return -1;
	}
	for (size_t i = 0; i < n; i++) {
		if (l[i].node >= 0)
			line_of_node[l[i].node] = i;
		else
			line_of_info[l[i].info] = i;
	}
	for (size_t i = 0; i < v->ids.n; i++) {
		if (v->ids.at[i].node >= 0)
			line_of_info[i] = line_of_node[v->ids.at[i].node];
	}
	for (size_t i = 0; i < all; i++) {
		const size_t info = info_of(v, h->night->stretches.at[i].bus, h->night->stretches.at[i].id);

		line[i] = info < v->ids.n ? line_of_info[info] : n;
		out->start[line[i] + 1]++;
	}
	for (size_t i = 0; i <= n; i++)
		out->start[i + 1] += out->start[i];
	for (size_t i = 0; i < all; i++)
		out->at[out->start[line[i]] + taken[line[i]]++] = &h->night->stretches.at[i];
	free(taken);
	free(line_of_node);
	free(line_of_info);
	free(line);
	return 0;
}

static void draw_line(struct lull_html *h, const struct lull_html_axis *a, const struct line *l, const struct lull_stretch *const *s, size_t n,
	double y)
{
	struct lull_html_row row;

	lull_html_label(h, y, l->name, l->suspect);
	row = lull_html_row_begin(h->out, a, y, "events");
	for (size_t i = 0; i < n; i++) {
		if (s[i]->kind != LULL_STRETCH_CYCLIC)
			lull_html_row_add(&row, s[i]->first, s[i]->last);
	}
	lull_html_row_end(&row);
	row = lull_html_row_begin(h->out, a, y, l->suspect ? "sends suspect" : "sends");
	for (size_t i = 0; i < n; i++) {
		if (s[i]->kind == LULL_STRETCH_CYCLIC)
			lull_html_row_add(&row, s[i]->first, s[i]->last);
	}
	lull_html_row_end(&row);
}

static void blind_beside(struct lull_html *h, const struct lull_html_axis *a, const struct line *l, size_t n, double top)
{
	for (size_t i = 0; i < n;) {
		size_t to = i;

		while (to < n && l[to].bus == l[i].bus)
			to++;
		lull_html_blind(h, a, l[i].bus, top + (double)i * ROW, top + (double)to * ROW);
		i = to;
	}
}

static void draw_lines(struct lull_html *h, const struct lull_html_axis *a, const struct line *l, const struct share *s, size_t from, size_t to,
	double top)
{
	blind_beside(h, a, l + from, to - from, top);
	for (size_t i = from; i < to; i++)
		draw_line(h, a, &l[i], s->at + s->start[i], s->start[i + 1] - s->start[i], top + ((double)(i - from) + 0.5) * ROW);
}

/* --- together --- */

static void describe(const struct lull_html *h, char *text, size_t size)
{
	const struct lull_verdict *v = h->v;
	char length[LULL_WHEN], quiet[LULL_WHEN];
	size_t spells = 0;

	for (size_t i = 0; i < v->spells.n; i++)
		spells += !v->spells.at[i].lone;
	lull_when_length(v->end, length);
	(void)snprintf(text, size, "A night of %s on %u bus%s with %zu awake periods%s%s. The same is in the tables below.", length, h->night->bus_count,
		h->night->bus_count == 1 ? "" : "es", spells, isfinite(v->current.quiet_mA) ? ", quiet level " : "",
		isfinite(v->current.quiet_mA) ? lull_words_amps(v->current.quiet_mA, quiet) : "");
}

static void others(struct lull_html *h, const struct lull_html_axis *a, const struct line *l, const struct share *s, size_t from, size_t n)
{
	const size_t to = n - from > ROWS_MOST ? from + ROWS_MOST : n;
	const double bottom = TOP + (double)(to - from) * ROW;
	char title[120];

	if (to == from)
		return;
	(void)snprintf(title, sizeof title, "The other %zu: when each sent", n - from);
	(void)fprintf(h->out, "<details><summary>%s</summary>\n", title);
	lull_html_picture(h, "rows", (unsigned)bottom + 24, title, "One row for each node, or for each ID that no node is known of. The table of IDs has the same.");
	draw_lines(h, a, l, s, from, to, TOP);
	lull_html_axis(h, a, TOP, bottom);
	lull_html_marks(h, a, TOP, bottom);
	lull_html_picture_end(h, to < n ? "Only the first rows are drawn; the table of IDs has them all." : "By bus, those heard longest after key-off first.");
	(void)fputs("</details>\n", h->out);
}

void lull_html_night(struct lull_html *h)
{
	const struct lull_html_axis a = {.from = 0, .to = h->v->end > 0 ? h->v->end : 1};
	struct share s = {NULL, NULL};
	struct lull_trace t = {NULL, NULL, NULL, 0, NAN, NAN};
	size_t n, suspects = 0;
	struct line *l = make_lines(h->v, &n);
	double y = TOP;
	char text[320];

	if (!l || deal(h, l, n, &s) != 0 || lull_trace_make(h->night, h->v, a.from, a.to, COLUMNS, &t) != 0)
		goto out;
	while (suspects < n && l[suspects].suspect)
		suspects++;
	(void)fputs("<section id=night><h2>The night</h2>\n", h->out);
	if (isfinite(t.highest))
		(void)fputs("<div class=choice role=group aria-label=\"Axis of the current\"><label><input type=radio name=axis id=axis-log checked> "
			    "small currents large (log axis)</label> <label><input type=radio name=axis id=axis-linear> true to size (linear "
			    "axis)</label></div>\n",
			h->out);
	describe(h, text, sizeof text);
	const double height = TOP + (isfinite(t.highest) ? CURRENT + 10 : 0) + BAND * h->night->bus_count + 6 + ROW * (double)suspects;
	lull_html_picture(h, "night", (unsigned)height + 26, "The night: current, buses, and who sent", text);
	if (isfinite(t.highest)) {
		const struct scale lin = linear_scale(h, &t), lg = log_scale(&t);

		one_scale(h, &a, &t, &lg);
		one_scale(h, &a, &t, &lin);
		if (!h->v->current.lineup.paired)
			(void)fprintf(h->out, "<text class=mark x=%d y=%.1f>clocks not lined up: the current's times are the log's own</text>\n",
				LULL_HTML_LEFT + 4, TOP + CURRENT - 6);
		y += CURRENT + 10;
	}
	for (unsigned b = 0; b < h->night->bus_count; b++)
		bus(h, &a, b, y + BAND * b);
	y += BAND * h->night->bus_count + 6;
	draw_lines(h, &a, l, &s, 0, suspects, y);
	lull_html_axis(h, &a, TOP, height);
	lull_html_marks(h, &a, TOP, height);
	lull_html_picture_end(h,
		"Full bar: awake. Thin line: quiet. Hatched: not heard, and no statement leans on it. Short bars stand for nodes: when each sent.");
	list_steps(h);
	others(h, &a, l, &s, suspects, n);
	(void)fputs("</section>\n", h->out);
out:
	lull_trace_clear(&t);
	free(s.start);
	free(s.at);
	free(l);
}
