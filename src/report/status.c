/* SPDX-License-Identifier: GPL-3.0-or-later */
/* status: how it stands now, as one line of JSON. */
#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <report/page.h>
#include <report/status.h>
#include <report/trace.h>
#include <report/when.h>
#include <report/words.h>
#include <stdlib.h>
#include <string.h>

#define RECENT (120 * LULL_SEC)
#define RECENT_MOST 600
#define STOPPED_MOST 200 /* of a bus */
#define MARKS_MOST 20 /* the last ones */

static json_t *number(double x)
{
	return isfinite(x) ? json_real(x) : json_null();
}

/* Recording time in seconds, to the microsecond. */
static json_t *instant(lull_time t)
{
	return t == LULL_NEVER ? json_null() : json_real(round((double)t / 1e3) / 1e6);
}

static json_t *string(const char *s)
{
	char clean[2048];
	json_t *j = s && s[0] ? json_string(s) : json_null();

	return j ? j : json_string(lull_page_clean(s, clean, sizeof clean));
}

static const char *node_name(const struct lull_verdict *v, int node)
{
	return node >= 0 && (size_t)node < v->nodes.n && v->nodes.at[node].named_by != LULL_BY_TIMING ? v->nodes.at[node].name : NULL;
}

/* What covers `now` on this bus, if it is no observed time. */
static const struct lull_coverage *blind_now(const struct lull_verdict *v, unsigned bus, lull_time now)
{
	for (size_t i = 0; i < v->blind.n; i++) {
		const struct lull_coverage *c = &v->blind.at[i];

		if ((c->bus == bus || c->bus == LULL_BUS_ALL) && c->from <= now && c->to >= now && c->to > c->from)
			return c;
	}
	return NULL;
}

static const struct lull_spell *last_spell(const struct lull_verdict *v, unsigned bus)
{
	const struct lull_spell *last = NULL;

	for (size_t i = 0; i < v->spells.n; i++) {
		if (v->spells.at[i].bus == bus && !v->spells.at[i].lone)
			last = &v->spells.at[i];
	}
	return last;
}

static int by_last(const void *x, const void *y)
{
	const lull_time a = (*(const struct lull_id_info *const *)x)->last, b = (*(const struct lull_id_info *const *)y)->last;

	return (a < b) - (a > b);
}

/* An ID that was heard within three of its periods (and at least 3 s) still sends, as far as the bus is heard. */
static bool sends(const struct lull_id_info *d, lull_time now)
{
	const double wait = isfinite(d->period_ms) ? fmax(3 * d->period_ms * 1e6, 3e9) : 10e9;

	return (double)(now - d->last) <= wait;
}

static void ids(const struct lull_verdict *v, unsigned bus, lull_time now, bool heard, json_t *sending, json_t *stopped)
{
	const struct lull_id_info **order = calloc(v->ids.n + 1, sizeof *order);
	size_t n = 0;

	for (size_t i = 0; order && i < v->ids.n; i++) {
		if (v->ids.at[i].bus == bus)
			order[n++] = &v->ids.at[i];
	}
	if (order)
		qsort(order, n, sizeof *order, by_last);
	for (size_t i = 0; i < n; i++) {
		const struct lull_id_info *d = order[i];
		json_t *list = heard && sends(d, now) ? sending : stopped;
		char id[11];

		if (json_array_size(list) < STOPPED_MOST)
			(void)json_array_append_new(list,
				json_pack("{s:s, s:o, s:o}", "id", lull_id_text(d->id, id), "node", string(node_name(v, d->node)), "last_s", instant(d->last)));
	}
	free(order);
}

static json_t *one_bus(const struct lull_night *night, const struct lull_verdict *v, unsigned bus, lull_time now)
{
	const struct lull_coverage *blind = blind_now(v, bus, now);
	const struct lull_spell *spell = last_spell(v, bus);
	const enum lull_bus_state state = blind ? LULL_BUS_BLIND : v->bus[bus].state_at_end;
	lull_time since = LULL_NEVER;
	const char *why = NULL;
	json_t *sending = json_array(), *stopped = json_array();

	switch (state) {
	case LULL_BUS_AWAKE: since = spell ? spell->from : LULL_NEVER; break;
	case LULL_BUS_QUIET:
		since = spell ? spell->to : LULL_NEVER;
		why = night->bus[bus].frames ? lull_words_proof(v->bus[bus].proof_at_end) : "never heard alive";
		break;
	case LULL_BUS_BLIND:
		since = blind ? blind->from : LULL_NEVER;
		why = blind ? lull_words_blind((enum lull_coverage_why)blind->why) : "not observed";
		break;
	}
	ids(v, bus, now, state == LULL_BUS_AWAKE, sending, stopped);
	return json_pack("{s:o, s:s, s:b, s:o, s:o, s:I, s:o, s:o}", "name", string(night->bus[bus].name), "state", lull_bus_state_name(state), "proven",
		night->bus[bus].frames > 0 && v->bus[bus].proof_at_end != LULL_PROOF_NONE, "since_s",
		instant(since), "why", string(why), "frames", (json_int_t)night->bus[bus].frames, "sending", sending, "stopped", stopped);
}

/* The last two minutes of samples: every k-th, so that there are not too many. */
static json_t *recent(const struct lull_night *night, const struct lull_verdict *v, lull_time now, double *last_mA, lull_time *last_at)
{
	const struct lull_correction *k = &v->current.correction;
	json_t *list = json_array();
	size_t count = 0, seen = 0;

	for (int pass = 0; pass < 2; pass++) {
		const size_t stride = count / RECENT_MOST + 1;

		for (size_t i = night->chunks.n; i-- > 0;) {
			const struct lull_chunk *c = &night->chunks.at[i];
			const double end = lull_correction_time_s(k, ((double)c->tau_ns + (double)c->step_ns * c->count) / 1e9);

			if (end * 1e9 < (double)(now - RECENT))
				break;
			for (uint32_t n = c->count; n-- > 0;) {
				const double s = ((double)c->tau_ns + (double)c->step_ns * n) / 1e9, at = lull_correction_time_s(k, s);
				const double mA = c->uA[n] == LULL_NO_SAMPLE ? (double)NAN : lull_correction_mA(k, c->uA[n] / 1e3, s);

				if (at * 1e9 > (double)now || at * 1e9 < (double)(now - RECENT))
					continue;
				if (!pass) {
					count++;
					if (!isfinite(*last_mA)) {
						*last_mA = mA;
						*last_at = (lull_time)(at * 1e9);
					}
				} else if (seen++ % stride == 0) {
					(void)json_array_insert_new(list, 0, json_pack("[o, o]", number(round(at * 1e3) / 1e3), number(round(mA * 10) / 10)));
				}
			}
		}
	}
	return list;
}

static json_t *current(const struct lull_night *night, const struct lull_verdict *v, lull_time now)
{
	double mA = NAN;
	lull_time at = LULL_NEVER;
	json_t *list;

	if (!v->current.present)
		return json_null();
	list = recent(night, v, now, &mA, &at);
	return json_pack("{s:o, s:o, s:b, s:o, s:o, s:o}", "now_mA", number(round(mA * 10) / 10), "at_s", instant(at), "lost",
		v->current.lost_at != LULL_NEVER, "quiet_mA", number(v->current.quiet_mA), "quiet_error_mA", number(v->current.quiet_error_mA), "recent",
		list);
}

static json_t *finding(const struct lull_verdict *v)
{
	const struct lull_finding *f = v->findings.n ? &v->findings.at[0] : NULL;
	char who[512];

	if (!f)
		return json_null();
	lull_words_who(f, who, sizeof who);
	return json_pack("{s:s, s:s, s:o, s:o}", "code", lull_code_name(f->code), "headline", lull_words_headline(v, f), "who", string(who), "confidence",
		number(f->confidence));
}

int lull_status_json(FILE *out, const struct lull_night *night, const struct lull_verdict *v, const struct lull_status *s)
{
	const int64_t utc = lull_night_utc(night, 0);
	json_t *buses = json_array(), *marks = json_array(), *j;
	char iso[LULL_WHEN];
	int err = 0;

	for (unsigned b = 0; b < night->bus_count; b++)
		(void)json_array_append_new(buses, one_bus(night, v, b, s->now));
	for (size_t i = night->marks.n > MARKS_MOST ? night->marks.n - MARKS_MOST : 0; i < night->marks.n; i++)
		(void)json_array_append_new(marks, json_pack("{s:o, s:o}", "at_s", instant(night->marks.at[i].t), "text", string(night->marks.at[i].text)));
	j = json_pack("{s:s, s:i, s:b, s:o, s:o, s:{s:o, s:o}, s:o, s:o, s:o, s:o, s:{s:o, s:o}, s:o, s:o, "
		      "s:o, s:o}",
		"format", "lull.status", "version", 1, "live", s->live, "name", string(s->name), "uuid",
		string(night->identity.uuid), "vehicle", "id", string(night->identity.vehicle), "model",
		string(night->identity.model), "start_utc",
		utc == INT64_MIN ? json_null() : string(lull_when_iso(utc, 3, iso)), "now_s", instant(s->now),
		"key_off_s", instant(v->key_off), "settle_from_s", instant(v->settle_from), "limits",
		"draw_mA", number(v->limit_draw_mA), "sleep_s", number(v->limit_sleep_s), "buses", buses,
		"current", current(night, v, s->now), "marks", marks, "finding", finding(v));
	if (!j)
		return -ENOMEM;
	if (json_dumpf(j, out, JSON_COMPACT | JSON_ENSURE_ASCII | JSON_REAL_PRECISION(12)) || fflush(out))
		err = errno ? -errno : -EIO;
	json_decref(j);
	return err;
}

static void column(FILE *out, const char *name, const float *x, unsigned n)
{
	(void)fprintf(out, ",\"%s\":[", name);
	for (unsigned i = 0; i < n; i++) {
		if (isfinite(x[i]))
			(void)fprintf(out, "%s%.1f", i ? "," : "", (double)x[i]);
		else
			(void)fprintf(out, "%snull", i ? "," : "");
	}
	(void)putc(']', out);
}

int lull_trace_json(FILE *out, const struct lull_night *night, const struct lull_verdict *v, unsigned columns)
{
	const int64_t utc = lull_night_utc(night, 0);
	const lull_time end = v->end > 0 ? v->end : 1;
	struct lull_trace t;
	int err = lull_trace_make(night, v, 0, end, columns, &t);

	if (err)
		return err;
	(void)fputs("{\"start_ms\":", out);
	if (utc == INT64_MIN)
		(void)fputs("null", out);
	else
		(void)fprintf(out, "%.0f", (double)utc / 1e6);
	(void)fprintf(out, ",\"from_s\":0,\"step_s\":%.9g", (double)end / 1e9 / columns);
	column(out, "least", t.least, columns);
	column(out, "most", t.most, columns);
	column(out, "mean", t.mean, columns);
	(void)fputs("}", out);
	lull_trace_clear(&t);
	if (fflush(out) || ferror(out))
		return errno ? -errno : -EIO;
	return 0;
}
