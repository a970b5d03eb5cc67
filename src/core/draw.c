/* SPDX-License-Identifier: GPL-3.0-or-later */
/* draw: the clamp's log made a current in recording time: dead times cut out, zero taken off, turned where the clamp hung
 * the wrong way round, levelled, lined up with the bus; then the quiet level and its band. Pure.
 *
 * Level and step have separate errors (trade rule 18): steps are good to the noise, the level only to the zero. */
#include "core/draw.h"

#include <math.h>
#include <stdlib.h>

#define DEAD_APART_S 20.0 /* two dead times closer than this are one */
#define MOST_SAMPLES 1000000 /* 30 a second in a night of nine hours */
/* Ranges by scale: common practice, from memory: 10 mV/A goes with 60 A, and 100 mV/A ends near 10 A. */
#define RANGE_FITS 1.004 /* a range is met as closely as this */
#define RANGE_SHOWS 10 /* by so many readings */
#define LOG_ENDS_EARLY (15 * LULL_MIN)
#define UNPLACED_SHARE 0.7 /* a log shorter than this part of the night ended early, wherever it began */

lull_time draw_time(const struct draw *w, double s)
{
	double t = w->start_s + s * w->rate;
	if (!(t > -1e9 && t < 1e9))
		t = t < 0 ? -1e9 : 1e9;
	return (lull_time)llround(t * 1e9);
}

static void keep_samples(struct draw *w)
{
	struct lull_case *c = w->c;
	c->draw_at = calloc(w->n + 1, sizeof *c->draw_at);
	c->draw_mA = calloc(w->n + 1, sizeof *c->draw_mA);
	if (!c->draw_at || !c->draw_mA) {
		c->oom = true;
		return;
	}
	for (size_t i = 0; i < w->n; i++) {
		c->draw_at[i] = draw_time(w, w->s[i]);
		c->draw_mA[i] = w->x[i];
	}
	c->draw_n = w->n;
	c->draw_step = (lull_time)llround(w->series.step_s * 1e9);
}

/* Hung anew, a clamp reads a little different: no step of the car's. */
static bool off_cable_between(const struct draw *w, double from, double to)
{
	for (size_t i = 0; i < w->dead_n; i++)
		if (w->dead[i].why == LULL_DEAD_OFF_CABLE && w->dead[i].from_s >= from && w->dead[i].to_s <= to)
			return true;
	return false;
}

static void keep_stages(struct draw *w)
{
	struct lull_case *c = w->c;
	struct lull_current_report *r = &c->v->current;
	double noise = 0, weight = 0;
	for (size_t i = 0; i < w->levels; i++) {
		const struct lull_level *l = &w->level[i];
		struct lull_stage stage = { .from = draw_time(w, w->s[l->from]),
			.to = draw_time(w, w->s[l->to - 1]),
			.mA = l->mean,
			.error_mA = l->error,
			.noise_mA = l->noise };
		noise += l->noise * (double)(l->to - l->from);
		weight += (double)(l->to - l->from);
		if (i > 0 && !off_cable_between(w, w->s[l[-1].to - 1], w->s[l->from])) {
			const struct lull_level *a = &w->level[i - 1];
			struct lull_step step = { .at = stage.from, .from_mA = a->mean, .to_mA = l->mean, .error_mA = hypot(a->error, l->error) };
			CASE_PUSH(c, r->steps, step);
		}
		CASE_PUSH(c, r->stages, stage);
	}
	c->draw_noise = weight > 0 ? noise / weight : 0;
}

static void keep_dead(struct draw *w)
{
	struct lull_case *c = w->c;
	struct lull_current_report *r = &c->v->current;
	double end_s = w->series.n ? w->series.s[w->series.n - 1] : 0;
	/* dead times one after the other, for whatever reasons, up to the log's end: it died with the first of them */
	double from = NAN, to = NAN;
	enum lull_dead_why why = LULL_DEAD_DROPPED;
	for (size_t i = 0; i < w->dead_n; i++) {
		const struct lull_dead *d = &w->dead[i];
		if (!(d->from_s - to <= DEAD_APART_S)) {
			from = d->from_s;
			to = d->to_s;
			why = d->why;
		}
		to = fmax(to, d->to_s);
		if (why == LULL_DEAD_DROPPED)
			why = d->why;
	}
	/* they were sought in a log picked from: the very last readings may be missing in it; taken off the cable in the morning it is not lost */
	bool counts = why == LULL_DEAD_OFF_CABLE ? draw_time(w, from) + LOG_ENDS_EARLY < c->v->judged_to : why != LULL_DEAD_SATURATED || end_s - from > 600;
	if (to >= end_s - DEAD_APART_S && counts) {
		r->lost_at = draw_time(w, from);
		r->lost_log_s = from;
		r->lost_why = why;
	}
	for (size_t i = 0; i < w->dead_n; i++) {
		const struct lull_dead *d = &w->dead[i];
		struct lull_dead_time row = { .from = draw_time(w, d->from_s), .to = draw_time(w, d->to_s), .why = d->why };
		CASE_PUSH(c, r->dead, row);
	}
	/* the log ends while the night goes on; where the clocks are not lined up, only if it is too short for any placing */
	lull_time log_end = draw_time(w, end_s), judged = c->v->judged_to;
	bool ends = w->placed ? log_end + LOG_ENDS_EARLY < judged : end_s * 1e9 < UNPLACED_SHARE * (double)(judged - c->v->settle_from);
	if (judged != LULL_NEVER && r->lost_at == LULL_NEVER && ends) {
		r->lost_at = log_end < judged ? log_end : judged - LOG_ENDS_EARLY;
		r->lost_why = LULL_DEAD_ENDED;
		r->lost_log_s = end_s;
	}
}

double case_mean_mA(const struct lull_case *c, lull_time from, lull_time to, double *error)
{
	size_t low = 0, high = c->draw_n;
	while (low < high) {
		size_t mid = (low + high) / 2;
		if (c->draw_at[mid] < from)
			low = mid + 1;
		else
			high = mid;
	}
	double sum = 0;
	size_t n = 0;
	for (size_t i = low; i < c->draw_n && c->draw_at[i] < to; i++) {
		sum += (double)c->draw_mA[i];
		n++;
	}
	if (error)
		*error = n ? c->draw_noise / sqrt((double)n) : NAN;
	if (!n || (double)n * (double)c->draw_step < 0.5 * (double)(to - from - c->draw_step))
		return NAN;
	return sum / (double)n;
}

/* The bus of a spell after key-off that was going on at t, NULL none. */
static const struct lull_spell *awake_at(const struct lull_case *c, lull_time t)
{
	for (size_t k = 0; k < c->v->spells.n; k++) {
		const struct lull_spell *s = &c->v->spells.at[k];
		if (!s->lone && c->v->key_off != LULL_NEVER && s->from > c->v->key_off && s->from < t && t < s->to)
			return s;
	}
	return NULL;
}

static void name_steps(struct lull_case *c)
{
	struct lull_current_report *r = &c->v->current;
	char a[32];
	for (size_t i = 0; i < r->steps.n; i++) {
		struct lull_step *step = &r->steps.at[i];
		bool up = step->to_mA > step->from_mA;
		lull_time best = 3 * LULL_SEC + 2 * c->draw_step;
		const struct lull_spell *at = NULL, *within = awake_at(c, step->at);
		bool begins = false;
		if (!r->lineup.paired)
			continue;
		for (size_t k = 0; k < c->v->spells.n; k++) {
			const struct lull_spell *s = &c->v->spells.at[k];
			lull_time edge = up ? s->from : s->to, apart = step->at > edge ? step->at - edge : edge - step->at;
			if (!s->lone && apart < best) {
				best = apart;
				at = s;
				begins = up;
			}
		}
		if (at)
			step->because = case_say(c, "bus %s %s", c->night->bus[at->bus].name, begins ? "wakes" : "falls quiet");
		else if (c->v->key_off != LULL_NEVER && step->at > c->v->key_off - 3 * LULL_SEC && step->at < c->v->key_off + 5 * LULL_SEC)
			step->because = case_say(c, "key-off");
		else if (within)
			step->because = case_say(c, "while bus %s is awake", c->night->bus[within->bus].name);
		else if (!up && c->v->key_off != LULL_NEVER && step->at > c->v->key_off && step->at < c->v->key_off + 90 * LULL_MIN)
			step->because = case_say(c, "%s after key-off, downwards: retained power, a relay or a timed lamp drops", span_text(step->at - c->v->key_off, a));
	}
}

static void free_work(struct draw *w)
{
	lull_series_clear(&w->series);
	free(w->dead);
	free(w->s);
	free(w->x);
	free(w->level);
}

/* What clamps end at, by their scale, where nobody told it: only if readings stand there and none goes beyond. */
static double usual_range_mA(const struct draw *w)
{
	double scale = w->c->night->clamp.mV_per_A, range = fabs(scale - 10) < 0.5 ? 60e3 : fabs(scale - 100) < 5 ? 10e3 : NAN;
	size_t there = 0;
	for (size_t i = 0; i < w->series.n && isfinite(range); i++) {
		double mA = fabs((double)w->series.mA[i]);
		if (mA > RANGE_FITS * range)
			return NAN;
		there += mA > range / RANGE_FITS;
	}
	return there >= RANGE_SHOWS ? range : NAN;
}

static double range_mA(struct draw *w)
{
	struct lull_current_report *r = &w->c->v->current;
	double told = w->c->night->clamp.range_A * 1e3;
	if (isfinite(told))
		return told;
	double usual = usual_range_mA(w);
	r->range_taken_A = usual / 1e3;
	return usual;
}

void case_draw(struct lull_case *c)
{
	struct lull_current_report *r = &c->v->current;
	const struct lull_clamp *clamp = &c->night->clamp;
	struct draw w = { .c = c, .rate = 1 };

	r->lost_at = LULL_NEVER;
	r->quiet_mA = r->quiet_error_mA = r->average_mA = r->average_error_mA = r->charge_mAh = r->zero_mA = r->zero_error_mA = NAN;
	r->gain = r->gain_error = r->scale_times = r->lost_log_s = r->range_taken_A = NAN;
	r->clock_offset_s = r->logger_mA = r->needed_mA = NAN;
	r->lineup.other_start_s = r->lineup.scale = NAN;
	r->correction = (struct lull_correction){ .gain = 1, .rate = 1 };
	if (!clamp->present || !c->night->chunks.n)
		return;
	r->present = true;
	r->samples = clamp->samples;
	/* dead times show in readings as they are; the rest of a long log is judged by means, so that memory stays bounded */
	if (lull_series_picked(c->night->chunks.at, c->night->chunks.n, MOST_SAMPLES, &w.series) != 0 ||
		lull_find_dead(&w.series, range_mA(&w), NAN, &w.dead, &w.dead_n) != 0) {
		c->oom = true;
		goto out;
	}
	lull_series_clear(&w.series);
	if (lull_series_thinned(c->night->chunks.at, c->night->chunks.n, MOST_SAMPLES, &w.series) != 0) {
		c->oom = true;
		goto out;
	}
	if (!w.series.n || !draw_keep_living(&w) || !draw_find_levels(&w))
		goto out;
	draw_read_zero(&w);
	draw_take_zero_off(&w);
	if (draw_hangs_reversed(&w))
		draw_turn(&w);
	draw_line_up(&w);
	draw_find_gain(&w);
	draw_zero_by_marks(&w);
	draw_leave_off_cable(&w);
	draw_take_logger_off(&w);
	r->correction.start_s = w.start_s;
	r->correction.rate = w.rate;
	r->zero_before = w.before;
	r->zero_after = w.after;
	if (c->oom)
		goto out;
	if (r->lineup.paired)
		r->clock_offset_s = clamp->dated ?
			r->lineup.start_s - ((double)clamp->start_utc_ns - (double)lull_night_utc(c->night, 0)) / 1e9 :
			r->lineup.start_s - clamp->first_s * w.rate;
	keep_samples(&w);
	keep_stages(&w);
	keep_dead(&w);
	if (c->oom)
		goto out;
	draw_find_quiet(&w);
	draw_find_average(&w);
	draw_doubt_scale(&w);
	name_steps(c);
	r->usable = isfinite(r->quiet_mA) || isfinite(r->average_mA);
out:
	free_work(&w);
}
