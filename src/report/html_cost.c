/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html_cost: what each cause costs in a day, as bars, and how long the battery bears it, as a band. */
#include <math.h>
#include <report/html.h>
#include <report/words.h>
#include <stdlib.h>
#include <string.h>

#define TOP 26.0
#define ROW 26.0
#define BARS_MOST 14

struct bar {
	char name[160];
	double mAh, low, high; /* a day; low and high NAN: no band is known */
	bool whole; /* not a cause, but what they add up to */
};

static size_t bars(const struct lull_html *h, struct bar *b)
{
	const struct lull_verdict *v = h->v;
	const struct lull_current_report *r = &v->current;
	size_t n = 0;

	if (isfinite(r->average_mA)) {
		const double e = isfinite(r->average_error_mA) ? r->average_error_mA * 24 : NAN;

		b[n] = (struct bar){.mAh = r->average_mA * 24, .low = r->average_mA * 24 - e, .high = r->average_mA * 24 + e, .whole = true};
		(void)snprintf(b[n++].name, sizeof b->name, "all of this night");
	}
	if (isfinite(r->quiet_mA)) {
		const double e = isfinite(r->quiet_error_mA) ? r->quiet_error_mA * 24 : NAN;

		b[n] = (struct bar){.mAh = r->quiet_mA * 24, .low = r->quiet_mA * 24 - e, .high = r->quiet_mA * 24 + e};
		(void)snprintf(b[n++].name, sizeof b->name, "quiet level");
	}
	for (size_t i = 0; i < v->findings.n && n < BARS_MOST; i++) {
		const struct lull_finding *f = &v->findings.at[i];
		const struct lull_suspect *s = lull_words_accused(f);

		if (!isfinite(f->cost_mAh_per_day))
			continue;
		const double e = f->cost_error_mAh_per_day > 0 ? f->cost_error_mAh_per_day : NAN;

		b[n] = (struct bar){.mAh = f->cost_mAh_per_day, .low = f->cost_mAh_per_day - e, .high = f->cost_mAh_per_day + e};
		(void)snprintf(b[n++].name, sizeof b->name, "%zu. %s%s%s", i + 1, lull_code_name(f->code), s ? ", " : "", s ? s->node : "");
	}
	return n;
}

static double place(double value, double most)
{
	return LULL_HTML_LEFT + (LULL_HTML_SPAN - 110) * fmin(fmax(value, 0) / most, 1);
}

static void charge_bars(struct lull_html *h)
{
	struct bar b[BARS_MOST + 2];
	const size_t n = bars(h, b);
	const double bottom = TOP + ROW * (double)n;
	const double limit = isfinite(h->v->limit_draw_mA) ? h->v->limit_draw_mA * 24 : NAN;
	double most = isfinite(limit) ? limit * 1.2 : 1;
	char a[LULL_WHEN];

	if (!n)
		return;
	for (size_t i = 0; i < n; i++)
		most = fmax(most, isfinite(b[i].high) ? b[i].high : b[i].mAh);
	most = lull_html_round_above(most);
	lull_html_picture(h, "charge", (unsigned)bottom + 30, "Charge lost in a day, by cause", "Bars in milliampere hours a day with their 95 % band where it is known.");
	for (unsigned k = 0; k <= 5; k++)
		(void)fprintf(h->out, "<path class=grid d=\"M%.1f %.1fV%.1f\"/><text class=tick x=%.1f y=%.1f>%g%s</text>\n", place(most * k / 5, most), TOP,
			bottom, place(most * k / 5, most), bottom + 15, most * k / 5, k == 5 ? " mAh" : "");
	for (size_t i = 0; i < n; i++) {
		const double y = TOP + ROW * ((double)i + 0.5);

		lull_html_label(h, y, b[i].name, false);
		(void)fprintf(h->out, "<rect class=\"%s\" x=%d y=%.1f width=%.1f height=14 />", b[i].whole ? "bar whole" : "bar", LULL_HTML_LEFT, y - 7,
			fmax(place(b[i].mAh, most) - LULL_HTML_LEFT, 0.5));
		if (isfinite(b[i].low))
			(void)fprintf(h->out, "<path class=error d=\"M%.1f %.1fv8m0 -4H%.1fm0 -4v8\"/>", place(b[i].low, most), y - 4, place(b[i].high, most));
		(void)fprintf(h->out, "<text class=value x=%.1f y=%.1f>", place(fmax(b[i].mAh, isfinite(b[i].high) ? b[i].high : 0), most) + 6, y + 4);
		lull_html_text(h->out, lull_words_charge(b[i].mAh, a));
		(void)fputs("</text>\n", h->out);
	}
	if (isfinite(limit) && limit <= most)
		(void)fprintf(h->out, "<path class=limit d=\"M%.1f %.1fV%.1f\"/><text class=limit x=%.1f y=%.1f>the limit all day</text>\n",
			place(limit, most), TOP - 4, bottom, place(limit, most), TOP - 8);
	lull_html_picture_end(h, "What each statement costs is what would be gone without its cause, the whole network it holds up included; so the "
				 "bars overlap and do not add up.");
}

static double day_x(double days, double most)
{
	return LULL_HTML_LEFT + LULL_HTML_SPAN * fmin(days / most, 1);
}

static double full_y(double charge)
{
	return TOP + 180 * (1 - charge);
}

/* Charge falls straight from where it was to half after so many days. */
static void fall(const struct lull_html *h, const char *css, double charge, double days, double most)
{
	const double rate = days > 0 ? (charge - 0.5) / days : 0, end = rate > 0 ? fmin(charge / rate, most) : most;

	(void)fprintf(h->out, "<path class=%s d=\"M%d %.1fL%.1f %.1f\"/>\n", css, LULL_HTML_LEFT, full_y(charge), day_x(end, most),
		full_y(fmax(charge - rate * end, 0)));
}

static void forecast(struct lull_html *h)
{
	const struct lull_battery_report *b = &h->v->battery;
	const struct lull_band *half = &b->days_to_half;
	double most;
	char caption[300];

	if (!b->known || !isfinite(half->mid) || !(half->mid > 0))
		return;
	most = lull_html_round_above(fmin(fmax(half->mid * 2.2, 2), 365));
	lull_html_picture(h, "battery", 250, "How long the battery bears it", "Charge over days: the likely line between the lowest and the highest that the figures allow.");
	for (unsigned k = 0; k <= 4; k++) {
		(void)fprintf(h->out, "<path class=grid d=\"M%d %.1fH%d\"/><text class=level x=%d y=%.1f>%u %%</text>\n", LULL_HTML_LEFT, full_y(k / 4.0),
			LULL_HTML_LEFT + LULL_HTML_SPAN, LULL_HTML_LEFT - 8, full_y(k / 4.0) + 4, k * 25);
		(void)fprintf(h->out, "<text class=tick x=%.1f y=%.1f>%g%s</text>\n", day_x(most * k / 4, most), full_y(0) + 15, most * k / 4,
			k == 4 ? " days" : "");
	}
	const double low_rate = half->low > 0 ? (b->charge.low - 0.5) / half->low : 0;
	const double low_end = low_rate > 0 ? fmin(b->charge.low / low_rate, most) : half->low > 0 ? most : 0;
	const double high_rate = isfinite(half->high) && half->high > 0 ? (b->charge.high - 0.5) / half->high : 0;
	(void)fprintf(h->out, "<path class=band d=\"M%d %.1fL%.1f %.1fL%.1f %.1fL%.1f %.1fL%d %.1fZ\"/>\n", LULL_HTML_LEFT, full_y(b->charge.low),
		day_x(low_end, most), full_y(fmax(b->charge.low - low_rate * low_end, 0)), day_x(most, most), full_y(0), day_x(most, most),
		full_y(fmax(b->charge.high - high_rate * most, 0)), LULL_HTML_LEFT, full_y(b->charge.high));
	fall(h, "likely", b->charge.mid, half->mid, most);
	(void)fprintf(h->out, "<path class=limit d=\"M%d %.1fH%d\"/><text class=limit x=%d y=%.1f>half charge</text>\n", LULL_HTML_LEFT, full_y(0.5),
		LULL_HTML_LEFT + LULL_HTML_SPAN, LULL_HTML_LEFT + LULL_HTML_SPAN - 4, full_y(0.5) - 4);
	(void)snprintf(caption, sizeof caption, "Half charge after %.1f days (%.1f to %.1f)%s; from %.3g Ah, %.0f %% full when parked.", half->mid, half->low,
		isfinite(half->high) ? half->high : 3650.0, isfinite(b->days_to_doubtful.mid) ? ", a start is doubtful some time after it" : "",
		b->capacity_Ah.mid, 100 * b->charge.mid);
	lull_html_picture_end(h, caption);
}

void lull_html_cost(struct lull_html *h)
{
	struct bar b[BARS_MOST + 2];

	if (!bars(h, b) && !h->v->battery.known)
		return;
	(void)fputs("<section id=cost><h2>What it costs</h2>\n", h->out);
	charge_bars(h);
	forecast(h);
	(void)fputs("</section>\n", h->out);
}
