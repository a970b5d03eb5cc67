/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text_current: what the clamp's log says, what it does not, and what that means for the battery. */
#include <inttypes.h>
#include <math.h>
#include <report/text_current.h>
#include <stdlib.h>
#include <report/words.h>
#include <string.h>

#define STEPS_MOST 10 /* shown of the log's steps: the largest */
#define DEAD_MOST 6

static void log_line(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v)
{
	const struct lull_clamp *c = &w->night->clamp;
	char scale[64], range[80] = "";

	if (isfinite(c->mV_per_A))
		(void)snprintf(scale, sizeof scale, "millivolts of a clamp that gives %g mV/A", c->mV_per_A);
	else
		(void)snprintf(scale, sizeof scale, "already in amperes");
	if (isfinite(c->range_A) && c->range_A < 2147)
		(void)snprintf(range, sizeof range, ", range %g A", c->range_A);
	else if (isfinite(v->current.range_taken_A))
		(void)snprintf(range, sizeof range, ", range taken as %g A: readings stand there", v->current.range_taken_A);
	lull_page_itemf(p, "Log", "%" PRIu64 " samples, %s%s%s", v->current.samples, scale, range,
		c->inverted && v->current.reversed ? "; turned, as told, and turned back: by its current it pointed the right way"
			: c->inverted		   ? "; turned, as told"
			: v->current.reversed	   ? "; it pointed the wrong way and was turned"
						   : "");
	if (isfinite(v->current.gain))
		lull_page_itemf(p, "Gain", "the known load read otherwise than told: all readings were multiplied by %.3f (+-%.1f %%)", v->current.gain,
			196 * v->current.gain_error / fabs(v->current.gain));
	if (v->current.load_unread)
		lull_page_item(p, "Gain", "as told: how large the known load is does not show in the log (it takes a reading in 2 s or more, "
					  "and a car that stands still the while)");
	if (v->current.scale_doubt)
		lull_page_item(p, "Scale?", v->current.scale_doubt);
}

static void lined_up(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v)
{
	const struct lull_current_report *r = &v->current;
	const struct lull_lineup *l = &r->lineup;
	char apart[LULL_WHEN];

	if (w->night->clamp.live) {
		lull_page_item(p, "Clocks", "one: the log's clock is the recording's");
		return;
	}
	if (!l->paired) {
		lull_page_itemf(p, "Clocks", "not lined up with the bus: %s", l->why[0] ? l->why : "nothing in the two fits together");
		lull_page_item(p, "", "so no step is laid to a node, and times of the current are the log's own");
		return;
	}
	lull_page_itemf(p, "Clocks", "lined up: %s", l->why[0] ? l->why : "as one clock");
	if (isfinite(r->clock_offset_s) && l->error_s > 0) {
		lull_when_length((lull_time)(l->error_s * 1e9), apart);
		lull_page_itemf(p, "", "offset %+.2f s, rate %+.1f ppm, good to %s; %.0f %% sure", r->clock_offset_s, l->drift_ppm,
			apart, floor(100 * l->confidence));
	}
}

static void zero(const struct lull_page *p, const struct lull_verdict *v)
{
	const struct lull_current_report *r = &v->current;
	char a[LULL_WHEN], left[96] = "";

	if (isfinite(r->zero_error_mA))
		(void)snprintf(left, sizeof left, "; what it leaves open is %s%.1f mA", "+-", r->zero_error_mA);
	if (!isfinite(r->zero_mA))
		lull_page_itemf(p, "Zero", "no reading off the cable was given: steps are good, the level is only as good as the clamp's own zero%s",
			left);
	else if (r->zero_before && r->zero_after)
		lull_page_itemf(p, "Zero", "read before and after: %s taken off, its drift of %.1f mA with it%s", lull_words_amps(r->zero_mA, a),
			r->zero_drift_mA, left);
	else
		lull_page_itemf(p, "Zero", "read %s only: %s taken off, its drift not known%s",
			r->zero_before ? "before" : "after", lull_words_amps(r->zero_mA, a), left);
	if (isfinite(r->logger_mA))
		lull_page_itemf(p, "", "the logger's own %s were taken off, as the profile has it", lull_words_amps(r->logger_mA, a));
}

static const char *source_words(enum lull_limit_source source)
{
	switch (source) {
	case LULL_LIMIT_RULE_OF_THUMB: return "a rule of thumb";
	case LULL_LIMIT_USER: return "as given";
	case LULL_LIMIT_PROFILE: return "the profile's";
	case LULL_LIMIT_MAKER: return "the maker's";
	}
	return "";
}

static void quiet(const struct lull_page *p, const struct lull_verdict *v)
{
	const struct lull_current_report *r = &v->current;
	const double low = r->quiet_mA - r->quiet_error_mA, high = r->quiet_mA + r->quiet_error_mA;
	char a[LULL_WHEN], limit[LULL_WHEN];

	if (!isfinite(r->quiet_mA)) {
		lull_page_item(p, "Quiet", "not measured: no stable level with the bus quiet");
		return;
	}
	lull_words_amps(r->quiet_mA, a);
	if (!isfinite(r->quiet_error_mA)) {
		lull_page_item(p, "Quiet", a);
		return;
	}
	lull_page_itemf(p, "Quiet", "%s (95 %%: %.1f to %.1f)", a, low, high);
	if (!isfinite(v->limit_draw_mA))
		return;
	lull_words_amps(v->limit_draw_mA, limit);
	lull_page_itemf(p, "", "%s of %s (%s)",
		high < v->limit_draw_mA	      ? "within the limit"
			: low > v->limit_draw_mA ? "over the limit"
						 : "too near to say, against the limit",
		limit, source_words(v->limit_source));
}

static void average(const struct lull_page *p, const struct lull_verdict *v)
{
	const struct lull_current_report *r = &v->current;
	char a[LULL_WHEN], b[LULL_WHEN], c[LULL_WHEN], band[32] = "";

	if (!isfinite(r->average_mA))
		return;
	lull_words_amps(r->average_mA, a);
	if (isfinite(r->average_error_mA))
		(void)snprintf(band, sizeof band, " +-%.1f", r->average_error_mA);
	if (isfinite(r->charge_mAh))
		lull_page_itemf(p, "Average", "%s%s from settling on; %s lost in that time, %s in a day at that rate", a, band,
			lull_words_charge(r->charge_mAh, b), lull_words_charge(r->average_mA * 24, c));
	else
		lull_page_itemf(p, "Average", "%s%s, %s in a day", a, band, lull_words_charge(r->average_mA * 24, c));
}

static void complaint(const struct lull_page *p, const struct lull_verdict *v)
{
	const struct lull_current_report *r = &v->current;
	char need[LULL_WHEN], have[LULL_WHEN];

	if (!isfinite(r->needed_mA))
		return;
	lull_words_amps(r->needed_mA, need);
	if (!isfinite(r->average_mA)) {
		lull_page_itemf(p, "Complaint", "would need %s on average; this night has none to set against it", need);
		return;
	}
	lull_words_amps(r->average_mA, have);
	if (r->average_mA < 0.5 * r->needed_mA)
		lull_page_itemf(p, "Complaint",
			"would need %s on average, measured were %s: this night does not explain it. What happens on other nights or "
			"days, a battery that holds less than its label, and charging while driving are still open.",
			need, have);
	else
		lull_page_itemf(p, "Complaint", "would need %s on average, measured were %s: this night explains it.", need, have);
}

/* "3.7", "22": days as a person counts them. */
static const char *count(double d, char buf[static LULL_WHEN])
{
	(void)snprintf(buf, LULL_WHEN, d < 9.95 ? "%.1f" : "%.0f", d);
	return buf;
}

/* "half charge after 22 days (12 to 38)" */
static void days(const struct lull_page *p, const char *what, const struct lull_band *b)
{
	char mid[LULL_WHEN], low[LULL_WHEN], high[LULL_WHEN];

	if (!isfinite(b->mid))
		return;
	if (b->mid <= 0)
		lull_page_itemf(p, "", "%s from the start", what);
	else if (b->high > 3650 || !isfinite(b->high))
		lull_page_itemf(p, "", "%s after %s days (%s at least)", what, count(b->mid, mid), count(b->low, low));
	else
		lull_page_itemf(p, "", "%s after %s days (%s to %s)", what, count(b->mid, mid), count(b->low, low), count(b->high, high));
}

static void battery(const struct lull_page *p, const struct lull_verdict *v)
{
	const struct lull_battery_report *b = &v->battery;

	if (!b->known)
		return;
	lull_page_itemf(p, "Battery", "%.3g Ah (%.3g to %.3g), %.0f %% full when parked (%.0f to %.0f)", b->capacity_Ah.mid,
		b->capacity_Ah.low, b->capacity_Ah.high, 100 * b->charge.mid, 100 * b->charge.low, 100 * b->charge.high);
	if (!isfinite(b->days_to_half.mid) && !isfinite(b->days_to_doubtful.mid)) {
		lull_page_item(p, "", "no forecast: the draw is not known well enough");
		return;
	}
	days(p, "half charge", &b->days_to_half);
	days(p, "a start doubtful", &b->days_to_doubtful);
}

static void dead(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v)
{
	const struct lull_current_report *r = &v->current;
	char a[LULL_WHEN], b[LULL_WHEN];
	size_t i;

	if (r->lost_at != LULL_NEVER)
		lull_page_itemf(p, "Lost", "from %s on the log is no measurement: %s", lull_when_both(w, r->lost_at, a),
			lull_words_dead(r->lost_why));
	for (i = 0; i < r->dead.n && i < DEAD_MOST; i++) {
		const struct lull_dead_time *d = &r->dead.at[i];

		lull_page_itemf(p, i ? "" : "Dead", "%s from %s: %s", lull_when_length(d->to - d->from, a), lull_when_both(w, d->from, b),
			lull_dead_name(d->why));
	}
	if (r->dead.n > DEAD_MOST)
		lull_page_itemf(p, "", "and %zu more times", r->dead.n - DEAD_MOST);
}

static double step_size(const struct lull_step *s)
{
	return fabs(s->to_mA - s->from_mA);
}

static int by_size(const void *x, const void *y)
{
	const double a = step_size(*(const struct lull_step *const *)x), b = step_size(*(const struct lull_step *const *)y);

	return (a < b) - (a > b);
}

static void cell(FILE *out, const char *text, unsigned columns)
{
	(void)fprintf(out, "%-*s", (int)columns, text);
}

static void step_row(const struct lull_page *p, const struct lull_when *w, const struct lull_step *s, unsigned clock)
{
	char a[LULL_WHEN], cause[256];
	const unsigned left = p->width - 3 - clock - 12 - 12 - 12;

	(void)fputs("   ", p->out);
	if (clock)
		cell(p->out, lull_when_clock(w, s->at, a), clock);
	cell(p->out, lull_when_since(w, s->at, a), 12);
	cell(p->out, lull_words_amps(s->from_mA, a), 12);
	cell(p->out, lull_words_amps(s->to_mA, a), 12);
	(void)fprintf(p->out, "%s\n", s->because ? lull_page_fit(s->because, left, cause, sizeof cause) : "-");
}

/* The largest steps in the order of time; how large the rest are. */
static void steps(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v)
{
	const struct lull_current_report *r = &v->current;
	const unsigned clock = w->clock ? w->days ? 14 : 10 : 0;
	const struct lull_step **order;
	double least = 0;
	size_t i, shown = 0;
	char a[LULL_WHEN];

	if (!r->steps.n)
		return;
	order = calloc(r->steps.n, sizeof *order);
	if (!order)
		return;
	for (i = 0; i < r->steps.n; i++)
		order[i] = &r->steps.at[i];
	qsort(order, r->steps.n, sizeof *order, by_size);
	if (r->steps.n > STEPS_MOST)
		least = step_size(order[STEPS_MOST - 1]);
	(void)fprintf(p->out, "\n   %s", lull_page_on(p, LULL_INK_STRONG));
	if (clock)
		cell(p->out, "step at", clock);
	cell(p->out, w->from_key_off ? "key-off" : "start", 12);
	cell(p->out, "from", 12);
	cell(p->out, "to", 12);
	(void)fprintf(p->out, "with%s\n", lull_page_off(p, LULL_INK_STRONG));
	for (i = 0; i < r->steps.n && shown < STEPS_MOST; i++) {
		if (step_size(&r->steps.at[i]) < least)
			continue;
		step_row(p, w, &r->steps.at[i], clock);
		shown++;
	}
	if (r->steps.n > shown) {
		char text[96];

		(void)snprintf(text, sizeof text, "%zu smaller steps, none above %s", r->steps.n - shown, lull_words_amps(least, a));
		lull_page_para(p, 3, ". . . ", LULL_INK_FAINT, text);
	}
	free(order);
}

void lull_text_current(const struct lull_page *p, const struct lull_when *w, const struct lull_verdict *v)
{
	const struct lull_current_report *r = &v->current;

	if (!r->present && !v->battery.known)
		return;
	lull_page_heading(p, "THE CURRENT", "");
	if (!r->present) {
		lull_page_item(p, "Log", "none: what the battery gave was not measured");
		complaint(p, v);
		battery(p, v);
		return;
	}
	log_line(p, w, v);
	lined_up(p, w, v);
	zero(p, v);
	quiet(p, v);
	average(p, v);
	complaint(p, v);
	battery(p, v);
	lull_text_draws(p, w, v);
	dead(p, w, v);
	steps(p, w, v);
}
