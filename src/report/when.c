/* SPDX-License-Identifier: GPL-3.0-or-later */
/* when: instants and lengths of time as people read them. */
#include <report/when.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

struct lull_when lull_when_new(const struct lull_night *night, const struct lull_verdict *v)
{
	struct lull_when w = {.night = night, .zero = 0};

	if (v->key_off != LULL_NEVER) {
		w.zero = v->key_off;
		w.from_key_off = true;
	}
	w.clock = lull_night_utc(night, 0) != INT64_MIN;
	w.days = v->end > 20 * 60 * LULL_MIN;
	return w;
}

const char *lull_when_hms(lull_time length, char buf[static LULL_WHEN])
{
	const char *sign = length < 0 ? "-" : "";
	/* Rounded to seconds away from the sign, so that -0.2 s is "0:00:00" and not "-0:00:00". */
	uint64_t s = ((length < 0 ? 0 - (uint64_t)length : (uint64_t)length) + 500000000u) / 1000000000u;

	if (!s)
		sign = "";
	(void)snprintf(buf, LULL_WHEN, "%s%" PRIu64 ":%02u:%02u", sign, s / 3600, (unsigned)(s / 60 % 60),
		(unsigned)(s % 60));
	return buf;
}

const char *lull_when_length(lull_time length, char buf[static LULL_WHEN])
{
	double s = (double)length / 1e9;
	uint64_t whole = length < 0 ? 0 : ((uint64_t)length + 500000000u) / 1000000000u;

	if (length && s > -1 && s < 1)
		(void)snprintf(buf, LULL_WHEN, "%.3g ms", s * 1e3);
	else if (s < 59.95)
		(void)snprintf(buf, LULL_WHEN, s < 10 ? "%.3g s" : "%.1f s", s);
	else if (whole < 3600 && whole % 60)
		(void)snprintf(
			buf, LULL_WHEN, "%u min %02u s", (unsigned)(whole / 60), (unsigned)(whole % 60));
	else if (whole < 3600)
		(void)snprintf(buf, LULL_WHEN, "%u min", (unsigned)(whole / 60));
	else
		(void)snprintf(buf, LULL_WHEN, "%" PRIu64 " h %02u min", (whole + 30) / 3600,
			(unsigned)((whole + 30) / 60 % 60));
	return buf;
}

const char *lull_when_since(const struct lull_when *w, lull_time t, char buf[static LULL_WHEN])
{
	char hms[LULL_WHEN];

	if (t == LULL_NEVER)
		return strcpy(buf, "-");
	lull_when_hms(t - w->zero, hms);
	(void)snprintf(buf, LULL_WHEN, "%s%.40s", hms[0] == '-' ? "" : "+", hms);
	return buf;
}

static bool local(const struct lull_when *w, lull_time t, struct tm *tm)
{
	int64_t utc = t == LULL_NEVER ? INT64_MIN : lull_night_utc(w->night, t);
	time_t s;

	if (utc == INT64_MIN)
		return false;
	s = (time_t)(utc / LULL_SEC - (utc % LULL_SEC < 0));
	return localtime_r(&s, tm) != NULL;
}

const char *lull_when_clock(const struct lull_when *w, lull_time t, char buf[static LULL_WHEN])
{
	struct tm tm;

	if (!local(w, t, &tm) || !strftime(buf, LULL_WHEN, w->days ? "%a %H:%M:%S" : "%H:%M:%S", &tm))
		buf[0] = 0;
	return buf;
}

const char *lull_when_both(const struct lull_when *w, lull_time t, char buf[static LULL_WHEN])
{
	char clock[LULL_WHEN], since[LULL_WHEN];

	if (t == LULL_NEVER)
		return strcpy(buf, "unknown");
	lull_when_clock(w, t, clock);
	lull_when_since(w, t, since);
	if (clock[0])
		(void)snprintf(buf, LULL_WHEN, "%.20s (%.24s)", clock, since);
	else
		(void)snprintf(buf, LULL_WHEN, "%s", since);
	return buf;
}

const char *lull_when_date(const struct lull_when *w, lull_time t, char buf[static LULL_WHEN])
{
	struct tm tm;

	if (!local(w, t, &tm) || !strftime(buf, LULL_WHEN, "%a %Y-%m-%d %H:%M", &tm))
		buf[0] = 0;
	return buf;
}

const char *lull_when_of_day(const struct lull_when *w, lull_time t, double utc_s, char buf[static LULL_WHEN])
{
	struct tm tm;
	int minutes;

	if (!isfinite(utc_s) || !local(w, t, &tm))
		return strcpy(buf, "");
	minutes = (int)floor((utc_s + (double)tm.tm_gmtoff) / 60 + 0.5) % 1440;
	if (minutes < 0)
		minutes += 1440;
	(void)snprintf(buf, LULL_WHEN, "%02d:%02d", minutes / 60, minutes % 60);
	return buf;
}

const char *lull_when_iso(int64_t utc_ns, unsigned decimals, char buf[static LULL_WHEN])
{
	static const int64_t unit[] = {LULL_SEC, 100 * LULL_MS, 10 * LULL_MS, LULL_MS, 100 * LULL_US,
		10 * LULL_US, LULL_US, 100, 10, 1};
	int64_t rest, sec;
	struct tm tm;
	time_t s;
	size_t n;

	if (decimals > 9)
		decimals = 9;
	if (utc_ns > INT64_MAX - LULL_SEC || utc_ns < INT64_MIN + LULL_SEC)
		return strcpy(buf, "");
	utc_ns += unit[decimals] / 2;
	sec = utc_ns / LULL_SEC;
	rest = utc_ns % LULL_SEC;
	if (rest < 0) {
		rest += LULL_SEC;
		sec--;
	}
	s = (time_t)sec;
	if (!gmtime_r(&s, &tm))
		return strcpy(buf, "");
	n = strftime(buf, LULL_WHEN, "%Y-%m-%dT%H:%M:%S", &tm);
	if (decimals)
		(void)snprintf(
			buf + n, LULL_WHEN - n, ".%0*" PRId64 "Z", (int)decimals, rest / unit[decimals]);
	else
		(void)snprintf(buf + n, LULL_WHEN - n, "Z");
	return buf;
}
