/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text_wakes: the wakes of one bus in the text report, by what they look like. */
#include <math.h>
#include <report/text_night.h>
#include <report/words.h>
#include <stdio.h>
#include <string.h>

static lull_time ns(double seconds)
{
	return isfinite(seconds) ? (lull_time)(seconds * 1e9) : 0;
}

/* "one every 30 min 02 s", "at irregular times, typically 12 min apart" */
static void spacing(const struct lull_wake_group *g, char *buf, size_t size)
{
	char a[LULL_WHEN], b[LULL_WHEN];

	lull_when_length(ns(g->period_s), a);
	lull_when_length(ns(g->spread_s), b);
	if (g->n == 1)
		(void)snprintf(buf, size, "one wake");
	else if (g->rhythm == LULL_RHYTHM_PERIODIC)
		(void)snprintf(buf, size, "%zu wakes, %s every %s (+-%s)", g->n, g->skips ? "on a beat, not all of them, of one" : "one", a, b);
	else
		(void)snprintf(buf, size, "%zu wakes%s, typically %s apart", g->n, g->rhythm == LULL_RHYTHM_IRREGULAR ? " at irregular times" : "", a);
}

/* What chance has to do with that; nothing of few wakes. */
static void chance(const struct lull_wake_group *g, char *buf, size_t size)
{
	buf[0] = 0;
	if (!isfinite(g->chance))
		return;
	if (g->rhythm == LULL_RHYTHM_PERIODIC)
		(void)snprintf(buf, size, "at random so even less than once in %s times", g->chance < 1e-6 ? "a million" : g->chance < 1e-3 ? "a thousand" : "a hundred");
	else if (g->rhythm == LULL_RHYTHM_IRREGULAR)
		(void)snprintf(buf, size, "at random so even in %.2g %% of cases", fmin(100 * g->chance, 99));
}

/* The part of the day that holds all of them: says whether it is every night at three. */
static void of_day(const struct lull_when *w, const struct lull_wake_group *g, char *buf, size_t size)
{
	char a[LULL_WHEN], b[LULL_WHEN];
	double arc = g->day_to_s - g->day_from_s;

	buf[0] = 0;
	if (!isfinite(arc) || !lull_when_of_day(w, g->first, g->day_from_s, a)[0] || !lull_when_of_day(w, g->first, g->day_to_s, b)[0])
		return;
	if (arc < 0)
		arc += 86400;
	if (arc > 18 * 3600)
		(void)snprintf(buf, size, "at all times of day");
	else if (strcmp(a, b) == 0)
		(void)snprintf(buf, size, "time of day %s", a);
	else
		(void)snprintf(buf, size, "time of day %s to %s", a, b);
}

static void add(char *line, size_t size, const char *text)
{
	size_t at = strlen(line);

	if (at < size)
		(void)snprintf(line + at, size - at, "; %s", text);
}

void lull_words_wakes(const struct lull_when *w, const struct lull_verdict *v, const struct lull_wake_group *g, char *line, size_t size)
{
	char part[160], a[LULL_WHEN], b[LULL_WHEN], id[11];

	spacing(g, line, size);
	chance(g, part, sizeof part);
	if (part[0])
		add(line, size, part);
	(void)snprintf(part, sizeof part, "%s long, %zu IDs, %s first", lull_when_length(ns(g->length_s), a), g->ids, lull_id_text(g->first_id, id));
	add(line, size, part);
	if (g->waker >= 0) {
		(void)snprintf(part, sizeof part, "by %s", v->nodes.at[g->waker].name);
		add(line, size, part);
	}
	if (isfinite(g->charge_mAs)) {
		(void)snprintf(part, sizeof part, "together %s", lull_words_charge(g->charge_mAs / 3600, a));
		add(line, size, part);
	}
	of_day(w, g, part, sizeof part);
	if (part[0])
		add(line, size, part);
	/* within a day that says it all */
	if (w->days && w->clock && g->n > 1) {
		(void)snprintf(part, sizeof part, "from %s to %s", lull_when_clock(w, g->first, a), lull_when_clock(w, g->last, b));
		add(line, size, part);
	}
	if (g->leader >= 0) {
		(void)snprintf(part, sizeof part, "%zu after bus %s, %s later", g->after_bus, w->night->bus[g->leader].name, lull_when_length(ns(g->lead_s), a));
		add(line, size, part);
	}
	if (g->after_mark) {
		(void)snprintf(part, sizeof part, "%zu soon after a mark", g->after_mark);
		add(line, size, part);
	}
	if (g->after_step) {
		(void)snprintf(part, sizeof part, "%zu after a step of the current", g->after_step);
		add(line, size, part);
	}
	if (isfinite(g->rise_s)) {
		(void)snprintf(part, sizeof part, "the current rises %s before the first frame", lull_when_length(ns(g->rise_s), a));
		add(line, size, part);
	}
}

void lull_text_wakes(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v, unsigned bus)
{
	size_t told = 0, wakes = 0;

	for (size_t i = 0; i < v->wakes.n; i++)
		wakes += v->wakes.at[i].bus == bus ? v->wakes.at[i].n : 0;
	/* of a single one the row above tells all */
	for (size_t i = 0; wakes > 1 && i < v->wakes.n; i++) {
		char line[1024];

		if (v->wakes.at[i].bus != bus)
			continue;
		if (!told)
			(void)putc('\n', p->out);
		if (told++ == LULL_WAKE_GROUPS_MOST)
			break;
		lull_words_wakes(w, v, &v->wakes.at[i], line, sizeof line);
		lull_page_item(p, told == 1 ? "Wakes" : "", line);
	}
	if (told > LULL_WAKE_GROUPS_MOST)
		lull_page_item(p, "", "and more kinds");
}
