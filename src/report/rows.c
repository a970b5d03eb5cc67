/* SPDX-License-Identifier: GPL-3.0-or-later */
/* rows (report): what a recording holds as tables. */
#include <math.h>
#include <report/rows.h>
#include <report/listing.h>
#include <report/when.h>

#define COUNT(a) (sizeof(a) / sizeof(a)[0])

static const char *bus_name(const struct lull_night *night, unsigned bus)
{
	return bus < night->bus_count ? night->bus[bus].name : NULL;
}

static void id_field(struct lull_listing *t, uint32_t id)
{
	char text[11];

	lull_listing_text(t, id == LULL_ID_NONE ? NULL : lull_id_text(id, text));
}

static void utc_field(struct lull_listing *t, const struct lull_night *night, lull_time at, unsigned decimals)
{
	const int64_t utc = lull_night_utc(night, at);
	char iso[LULL_WHEN];

	lull_listing_text(t, utc == INT64_MIN ? NULL : lull_when_iso(utc, decimals, iso));
}

static void node_field(struct lull_listing *t, const struct lull_verdict *v, int node)
{
	lull_listing_text(t, node >= 0 && (size_t)node < v->nodes.n ? v->nodes.at[node].name : NULL);
}

void lull_rows_spells(FILE *out, bool json, const struct lull_night *night, const struct lull_verdict *v)
{
	static const char *const columns[] = {"bus", "from_s", "to_s", "utc", "kind", "first_id", "last_id", "frames", "woken_by", "kept_by", "begun",
		"closed", "relayed", "lone", "proof", "charge_mAs"};
	struct lull_listing t = lull_listing_begin(out, json, columns, COUNT(columns));

	for (size_t i = 0; i < v->spells.n; i++) {
		const struct lull_spell *s = &v->spells.at[i];

		lull_listing_bus(&t, bus_name(night, s->bus));
		lull_listing_time(&t, s->from);
		lull_listing_time(&t, s->to);
		utc_field(&t, night, s->from, 3);
		lull_listing_text(&t, lull_spell_kind_name(s->kind));
		id_field(&t, s->first_id);
		id_field(&t, s->last_id);
		lull_listing_whole(&t, (int64_t)s->frames);
		node_field(&t, v, s->waker);
		node_field(&t, v, s->keeper);
		lull_listing_flag(&t, s->begun);
		lull_listing_flag(&t, s->closed);
		lull_listing_flag(&t, s->relayed);
		lull_listing_flag(&t, s->lone);
		lull_listing_text(&t, lull_proof_name(s->proof));
		lull_listing_number(&t, s->charge_mAs);
	}
}

static const char *kind_name(uint8_t kind)
{
	switch ((enum lull_stretch_kind)kind) {
	case LULL_STRETCH_CYCLIC: return "run";
	case LULL_STRETCH_EVENTS: return "events";
	case LULL_STRETCH_OVERFLOW: return "overflow";
	}
	return NULL;
}

void lull_rows_stretches(FILE *out, bool json, const struct lull_night *night)
{
	static const char *const columns[] = {"bus", "id", "extended", "first_s", "last_s", "frames", "kind", "end", "period_ms", "ppm", "ppm_error",
		"gap_min_ms", "gap_max_ms", "back_to_back", "bits"};
	struct lull_listing t = lull_listing_begin(out, json, columns, COUNT(columns));

	for (size_t i = 0; i < night->stretches.n; i++) {
		const struct lull_stretch *s = &night->stretches.at[i];
		double error = NAN, ppm = s->period_ns > 0 && s->kind == LULL_STRETCH_CYCLIC ? lull_fit_ppm(&s->fit, s->period_ns, &error) : NAN;

		lull_listing_bus(&t, bus_name(night, s->bus));
		id_field(&t, s->id);
		lull_listing_flag(&t, s->id != LULL_ID_NONE && s->id & LULL_ID_EXTENDED);
		lull_listing_time(&t, s->first);
		lull_listing_time(&t, s->last);
		lull_listing_whole(&t, (int64_t)s->frames);
		lull_listing_text(&t, kind_name(s->kind));
		lull_listing_text(&t, lull_end_name((enum lull_end)s->end));
		lull_listing_number(&t, s->period_ns > 0 ? (double)s->period_ns / 1e6 : NAN);
		lull_listing_number(&t, ppm);
		lull_listing_number(&t, error);
		lull_listing_number(&t, s->frames > 1 ? (double)s->gap_min / 1e6 : NAN);
		lull_listing_number(&t, s->frames > 1 ? (double)s->gap_max / 1e6 : NAN);
		lull_listing_whole(&t, s->back_to_back);
		lull_listing_whole(&t, (int64_t)s->bits);
	}
}

void lull_rows_current(FILE *out, bool json, const struct lull_night *night, const struct lull_verdict *v)
{
	static const char *const columns[] = {"time_s", "current_mA", "read_mA"};
	const struct lull_correction *k = &v->current.correction;
	struct lull_listing t = lull_listing_begin(out, json, columns, COUNT(columns));

	for (size_t i = 0; i < night->chunks.n && !ferror(out); i++) {
		const struct lull_chunk *c = &night->chunks.at[i];

		for (uint32_t n = 0; n < c->count; n++) {
			const double s = ((double)c->tau_ns + (double)c->step_ns * n) / 1e9;
			const double mA = c->uA[n] == LULL_NO_SAMPLE ? NAN : c->uA[n] / 1e3;

			lull_listing_time(&t, (lull_time)llround(lull_correction_time_s(k, s) * 1e9));
			lull_listing_number(&t, isfinite(mA) ? round(lull_correction_mA(k, mA, s) * 1e3) / 1e3 : NAN);
			lull_listing_number(&t, mA);
		}
	}
}

static const char *frame_kind(const struct lull_frame *f)
{
	return f->flags & LULL_FRAME_ERROR ? "error" : f->flags & LULL_FRAME_REMOTE ? "remote" : f->flags & LULL_FRAME_FD ? "fd" : "data";
}

void lull_rows_frames(FILE *out, bool json, const struct lull_night *night)
{
	static const char *const columns[] = {"bus", "time_s", "id", "extended", "kind", "copies", "last_copy_s", "len", "data",
		"utc"};
	struct lull_listing t = lull_listing_begin(out, json, columns, COUNT(columns));

	for (size_t i = 0; i < night->edges.n; i++) {
		const struct lull_edge *e = &night->edges.at[i];
		const struct lull_frame *f = &e->frame;
		char hex[2 * sizeof f->data + 1] = "";

		for (unsigned k = 0; k < f->len && k < sizeof f->data && !(f->flags & LULL_FRAME_REMOTE); k++)
			(void)snprintf(hex + 2 * (size_t)k, 3, "%02X", f->data[k]);
		lull_listing_bus(&t, bus_name(night, f->bus));
		lull_listing_time(&t, f->t);
		id_field(&t, f->id);
		lull_listing_flag(&t, f->id & LULL_ID_EXTENDED);
		lull_listing_text(&t, frame_kind(f));
		lull_listing_whole(&t, e->copies);
		lull_listing_time(&t, e->copies > 1 ? e->last_copy : LULL_NEVER);
		lull_listing_whole(&t, f->len);
		lull_listing_text(&t, hex);
		utc_field(&t, night, f->t, 9);
	}
}
