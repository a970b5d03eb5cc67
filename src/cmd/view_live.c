/* SPDX-License-Identifier: GPL-3.0-or-later */
/* view_live: the running recorder as a source of the live view. */
#include <cmd/ask.h>
#include <cmd/view_live.h>
#include <math.h>
#include <report/report.h>
#include <report/status.h>
#include <report/when.h>
#include <report/words.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

static const char who[] = "lull view";

#define ASK_MS 2000
#define MARK_MS 15000 /* a mark is on the disk when it is answered: a card may be slow */
#define RECENT 120 /* seconds of readings that are kept */
#define STOPPED_MOST 200
#define JUDGE_S 30 /* the night so far is judged so often, and seldom enough to take a twentieth of the time */
#define COLUMNS 600

struct reading {
	double s, mA; /* recording time; NAN: lost */
};

struct lull_view_live {
	char socket[256];
	struct lull_judged_options options;
	char recording[512];
	struct lull_judged judged; /* the night so far */
	bool known;
	int64_t judge_at; /* ms, monotonic */
	struct reading recent[RECENT];
	size_t count, next;
};

struct lull_view_live *lull_view_live_new(const char *socket, const struct lull_judged_options *options)
{
	struct lull_view_live *l = calloc(1, sizeof *l);

	if (!l)
		return NULL;
	(void)snprintf(l->socket, sizeof l->socket, "%s", socket);
	l->options = *options;
	return l;
}

static void forget(struct lull_view_live *l)
{
	if (l->known)
		lull_judged_clear(&l->judged);
	l->known = false;
}

void lull_view_live_free(struct lull_view_live *l)
{
	if (!l)
		return;
	forget(l);
	free(l);
}

static int64_t now_ms(void)
{
	struct timespec t;

	(void)clock_gettime(CLOCK_MONOTONIC, &t);
	return t.tv_sec * INT64_C(1000) + t.tv_nsec / 1000000;
}

/* What stands in the file is some seconds old: the recorder writes in batches. */
static void judge(struct lull_view_live *l, const char *recording)
{
	const int64_t began = now_ms();
	struct lull_judged fresh;

	if (strcmp(recording, l->recording) != 0) {
		forget(l);
		l->count = 0;
		l->judge_at = 0;
		(void)snprintf(l->recording, sizeof l->recording, "%s", recording);
	}
	if (began < l->judge_at || !l->recording[0])
		return;
	l->options.recording = l->recording;
	if (!access(l->recording, R_OK) && lull_judged_load(&fresh, &l->options, who) == 0) {
		forget(l);
		l->judged = fresh;
		l->known = true;
	}
	const int64_t took = now_ms() - began;
	l->judge_at = now_ms() + (20 * took > JUDGE_S * 1000 ? 20 * took : JUDGE_S * 1000);
}

static double number_of(const json_t *object, const char *key)
{
	const json_t *value = json_object_get(object, key);

	return json_is_number(value) ? json_number_value(value) : (double)NAN;
}

static json_t *number(double x)
{
	return isfinite(x) ? json_real(x) : json_null();
}

static void keep_reading(struct lull_view_live *l, const json_t *current)
{
	const double s = number_of(current, "at_s"), mA = number_of(current, "mA");
	const struct reading *last = l->count ? &l->recent[(l->next + RECENT - 1) % RECENT] : NULL;

	if (!isfinite(s) || (last && !(s > last->s)))
		return;
	l->recent[l->next] = (struct reading){s, mA};
	l->next = (l->next + 1) % RECENT;
	l->count += l->count < RECENT;
}

static json_t *current(struct lull_view_live *l, const json_t *state)
{
	const json_t *c = json_object_get(state, "current");
	json_t *recent;

	if (!json_is_object(c))
		return json_null();
	keep_reading(l, c);
	recent = json_array();
	for (size_t i = 0; i < l->count; i++) {
		const struct reading *r = &l->recent[(l->next + RECENT - l->count + i) % RECENT];

		(void)json_array_append_new(recent, json_pack("[o, o]", number(r->s), number(r->mA)));
	}
	return json_pack("{s:o, s:o, s:b, s:o, s:o, s:o}", "now_mA", number(number_of(c, "mA")), "at_s", number(number_of(c, "at_s")), "lost",
		json_is_string(json_object_get(c, "lost")), "quiet_mA", number(l->known ? l->judged.verdict.current.quiet_mA : (double)NAN), "quiet_error_mA",
		number(l->known ? l->judged.verdict.current.quiet_error_mA : (double)NAN), "recent", recent);
}

static const char *node_of(const struct lull_view_live *l, const struct lull_id_info *d)
{
	const struct lull_verdict *v = &l->judged.verdict;

	return d->node >= 0 && (size_t)d->node < v->nodes.n && v->nodes.at[d->node].named_by != LULL_BY_TIMING ? v->nodes.at[d->node].name : NULL;
}

/* The bus of the file that has this name, or -1. */
static int bus_of(const struct lull_view_live *l, const char *name)
{
	for (unsigned i = 0; l->known && i < l->judged.night.bus_count; i++) {
		if (!strcmp(l->judged.night.bus[i].name, name))
			return (int)i;
	}
	return -1;
}

static bool listed(const json_t *ids, const char *id)
{
	size_t i;
	json_t *value;

	json_array_foreach(ids, i, value)
	{
		if (json_is_string(value) && !strcmp(json_string_value(value), id))
			return true;
	}
	return false;
}

static int by_last(const void *x, const void *y)
{
	const lull_time a = (*(const struct lull_id_info *const *)x)->last, b = (*(const struct lull_id_info *const *)y)->last;

	return (a < b) - (a > b);
}

/* Who is known from the file and does not talk now, the last to stop first. */
static json_t *stopped(const struct lull_view_live *l, int bus, const json_t *talking)
{
	json_t *list = json_array();
	const size_t all = l->known && bus >= 0 ? l->judged.verdict.ids.n : 0;
	const struct lull_id_info **order = calloc(all + 1, sizeof *order);
	size_t n = 0;

	for (size_t i = 0; order && i < all; i++) {
		if (l->judged.verdict.ids.at[i].bus == bus)
			order[n++] = &l->judged.verdict.ids.at[i];
	}
	if (order)
		qsort(order, n, sizeof *order, by_last);
	for (size_t i = 0; i < n && json_array_size(list) < STOPPED_MOST; i++) {
		char id[11];

		lull_id_text(order[i]->id, id);
		if (!listed(talking, id))
			(void)json_array_append_new(list, json_pack("{s:s, s:s?, s:f}", "id", id, "node", node_of(l, order[i]), "last_s", lull_seconds(order[i]->last)));
	}
	free(order);
	return list;
}

static json_t *sending(const struct lull_view_live *l, int bus, const json_t *talking, double now)
{
	json_t *list = json_array(), *value;
	size_t i;

	json_array_foreach(talking, i, value)
	{
		const char *id = json_string_value(value), *node = NULL;

		for (size_t k = 0; l->known && bus >= 0 && k < l->judged.verdict.ids.n; k++) {
			const struct lull_id_info *d = &l->judged.verdict.ids.at[k];
			char text[11];

			if (d->bus == bus && id && !strcmp(lull_id_text(d->id, text), id))
				node = node_of(l, d);
		}
		(void)json_array_append_new(list, json_pack("{s:s?, s:s?, s:o}", "id", id, "node", node, "last_s", number(now)));
	}
	return list;
}

static json_t *why(const json_t *bus)
{
	const json_t *reasons = json_object_get(bus, "why");
	const char *state = json_string_value(json_object_get(bus, "state"));
	char text[400] = "";
	size_t i, used = 0;
	json_t *value;

	json_array_foreach(reasons, i, value)
	{
		enum lull_coverage_why code;
		const char *name = json_string_value(value);

		if (name && used < sizeof text)
			used += (size_t)snprintf(text + used, sizeof text - used, "%s%s", i ? ", " : "", lull_coverage_parse(name, &code) ? name : lull_words_blind(code));
	}
	if (!text[0] && state && !strcmp(state, "quiet") && !json_is_true(json_object_get(bus, "proven")))
		(void)snprintf(text, sizeof text, "unproven: nothing was heard yet since the adapter was set up");
	return text[0] ? json_string(text) : json_null();
}

static json_t *buses(const struct lull_view_live *l, const json_t *state, double now)
{
	json_t *list = json_array(), *bus;
	size_t i;

	json_array_foreach(json_object_get(state, "buses"), i, bus)
	{
		const char *name = json_string_value(json_object_get(bus, "name"));
		const json_t *talking = json_object_get(bus, "talking");
		const int index = name ? bus_of(l, name) : -1;

		(void)json_array_append_new(list,
			json_pack("{s:s?, s:O, s:b, s:O, s:o, s:O, s:o, s:o}", "name", name, "state", json_object_get(bus, "state"), "proven",
				json_is_true(json_object_get(bus, "proven")), "since_s", json_object_get(bus, "since_s"),
				"why", why(bus), "frames", json_object_get(bus, "frames"), "sending", sending(l, index, talking, now), "stopped",
				stopped(l, index, talking)));
	}
	return list;
}

static json_t *finding(const struct lull_view_live *l)
{
	const struct lull_verdict *v = &l->judged.verdict;
	char accused[512];

	if (!l->known || !v->findings.n)
		return json_null();
	lull_words_who(&v->findings.at[0], accused, sizeof accused);
	return json_pack("{s:s, s:s, s:s?, s:o}", "code", lull_code_name(v->findings.at[0].code), "headline", lull_words_headline(v, &v->findings.at[0]), "who",
		accused[0] ? accused : NULL, "confidence", number(v->findings.at[0].confidence));
}

static json_t *marks(const struct lull_view_live *l)
{
	json_t *list = json_array();
	const size_t n = l->known ? l->judged.night.marks.n : 0;

	for (size_t i = n > 20 ? n - 20 : 0; i < n; i++)
		(void)json_array_append_new(list, json_pack("{s:f, s:s}", "at_s", lull_seconds(l->judged.night.marks.at[i].t), "text", l->judged.night.marks.at[i].text));
	return list;
}

/* "2026-..Z" of recording time 0, from what the recorder says it is now. */
static json_t *start_utc(const struct lull_view_live *l)
{
	const int64_t utc = l->known ? lull_night_utc(&l->judged.night, 0) : INT64_MIN;
	char iso[LULL_WHEN];

	return utc == INT64_MIN ? json_null() : json_string(lull_when_iso(utc, 3, iso));
}

static double instant(const struct lull_view_live *l, lull_time t)
{
	return l->known ? lull_seconds(t) : (double)NAN;
}

static char *status(void *ctx)
{
	struct lull_view_live *l = ctx;
	json_t *state, *j;
	const char *recording, *name;
	char err[256], *text;
	double now;

	if (lull_ask_try(l->socket, "status", ASK_MS, &state, err, sizeof err))
		return NULL;
	recording = json_string_value(json_object_get(state, "recording"));
	judge(l, recording ? recording : "");
	now = number_of(state, "time_s");
	name = recording && strrchr(recording, '/') ? strrchr(recording, '/') + 1 : recording;
	j = json_pack("{s:s, s:i, s:b, s:s?, s:o, s:o, s:o, s:o, s:{s:o, s:o}, s:o, s:o, s:o, s:o}", "format", "lull.status", "version", 1, "live", 1, "name", name,
		"start_utc", start_utc(l), "now_s", number(now), "key_off_s", number(instant(l, l->judged.verdict.key_off)), "settle_from_s",
		number(instant(l, l->judged.verdict.settle_from)), "limits", "draw_mA", number(l->known ? l->judged.verdict.limit_draw_mA : (double)NAN), "sleep_s",
		number(l->known ? l->judged.verdict.limit_sleep_s : 1200), "buses", buses(l, state, now), "current", current(l, state), "marks", marks(l),
		"finding", finding(l));
	json_decref(state);
	text = j ? json_dumps(j, JSON_COMPACT | JSON_ENSURE_ASCII | JSON_REAL_PRECISION(12)) : NULL;
	json_decref(j);
	return text;
}

static char *report(void *ctx, size_t *size)
{
	struct lull_view_live *l = ctx;
	const struct lull_report_style style = {.name = l->recording, .linked = true};
	char *text = NULL;
	FILE *out = l->known ? open_memstream(&text, size) : NULL;
	int err;

	if (!out)
		return NULL;
	err = lull_report_html(out, &l->judged.night, &l->judged.verdict, &style);
	if (fclose(out) || err) {
		free(text);
		return NULL;
	}
	return text;
}

static char *trace(void *ctx, size_t *size)
{
	struct lull_view_live *l = ctx;
	char *text = NULL;
	FILE *out = l->known && l->judged.verdict.current.present ? open_memstream(&text, size) : NULL;
	int err;

	if (!out)
		return NULL;
	err = lull_trace_json(out, &l->judged.night, &l->judged.verdict, COLUMNS);
	if (fclose(out) || err) {
		free(text);
		return NULL;
	}
	return text;
}

static int mark(void *ctx, const char *what, double ago_s, char *err, size_t err_size)
{
	struct lull_view_live *l = ctx;
	char request[LULL_PAGE_MARK + 32];
	json_t *answer;
	int r;

	(void)snprintf(request, sizeof request, "mark -%.0f %s", ago_s, what);
	r = lull_ask_try(l->socket, request, MARK_MS, &answer, err, err_size);
	if (!r)
		json_decref(answer);
	l->judge_at = 0;
	return r;
}

struct lull_page_source lull_view_live_source(struct lull_view_live *l)
{
	return (struct lull_page_source){.ctx = l, .live = true, .status = status, .report = report, .trace = trace, .mark = mark};
}
