/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clamp_time: stamps of a clamp's log: numbers, dates, and clocks that pass midnight. */
#include <source/clamp_impl.h>
#include <source/decimal.h>

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define DAY_S INT64_C(86400)
/* A clock that shows this much less than before has passed midnight; less than that, it was set back. */
#define MIDNIGHT (12 * 60 * LULL_MIN)
#define HOURS_MOST 100000 /* of a time that counts on beyond a day */
#define TEXT_MOST 64
#define YEAR_MOST 2114
/* 145 years on either side of zero, so that the difference of two stamps fits. */
#define STAMP_MOST INT64_C(4600000000000000000)

struct cursor {
	const char *p, *end;
};

static bool digit(char c)
{
	return c >= '0' && c <= '9';
}

static bool literal(struct cursor *c, const char *any_of)
{
	if (c->p == c->end || !*c->p || !strchr(any_of, *c->p))
		return false;
	c->p++;
	return true;
}

/* A whole number; returns how many digits it has, 0 for none. */
static int whole(struct cursor *c, int most, int *value)
{
	int n = 0;
	for (*value = 0; n < most && c->p < c->end && digit(*c->p); n++)
		*value = *value * 10 + (*c->p++ - '0');
	return n;
}

static void finer(struct clamp_time *ct, int64_t resolution)
{
	if (!ct->resolution || resolution < ct->resolution)
		ct->resolution = resolution > 0 ? resolution : 1;
}

static bool fraction(struct cursor *c, int64_t *ns, int64_t *resolution)
{
	int64_t unit = LULL_SEC;
	const char *const from = c->p;
	*ns = 0;
	for (; c->p < c->end && digit(*c->p); c->p++) {
		unit /= 10;
		*ns += (*c->p - '0') * unit;
	}
	*resolution = unit > 0 ? unit : 1;
	return c->p > from;
}

/* --- numbers --- */

static int exponent_of(enum lull_time_unit unit)
{
	switch (unit) {
	case LULL_UNIT_AUTO:
	case LULL_UNIT_S: return 9;
	case LULL_UNIT_MS: return 6;
	case LULL_UNIT_US: return 3;
	case LULL_UNIT_NS: return 0;
	}
	return 9;
}

static const int64_t powers[] = {1, 10, 100, 1000, 10000, 100000, 1000000, 10000000, 100000000, 1000000000};

static int number(struct clamp_time *ct, const char *text, size_t n, int64_t *ns)
{
	const int e = exponent_of(ct->unit);
	const char *p = text, *const end = text + n;
	uint64_t mantissa = 0;
	int decimals = 0;
	bool point = false;
	const bool negative = p < end && *p == '-';
	p += negative;
	for (; p < end; p++) {
		if (digit(*p)) {
			mantissa = mantissa * 10 + (uint64_t)(*p - '0');
			decimals += point;
		} else if ((*p == '.' || *p == ',') && !point) {
			point = true;
		} else {
			break;
		}
	}
	/* At most 18 digits and no more decimals than nanoseconds: no rounding, no overflow. */
	if (p == end && p > text + negative + point && n <= 18 && decimals <= e &&
		mantissa <= (uint64_t)(INT64_MAX / powers[e - decimals])) {
		*ns = (int64_t)mantissa * powers[e - decimals];
		if (negative)
			*ns = -*ns;
		finer(ct, powers[e - decimals]);
		return llabs(*ns) <= STAMP_MOST ? 0 : -EINVAL;
	}
	if (lull_decimal_ns(text, n, e, ',', ns) < 0 || *ns > STAMP_MOST || *ns < -STAMP_MOST)
		return -EINVAL;
	finer(ct, decimals < e ? powers[e - decimals] : 1);
	return 0;
}

/* --- clocks --- */

struct clock {
	int hour, minute, second;
	int64_t ns, resolution;
	bool half_days; /* AM or PM stood there */
};

static bool am_pm(struct cursor *c, struct clock *k)
{
	while (literal(c, " "))
		;
	if (c->end - c->p < 2)
		return true;
	const char a = (char)(c->p[0] | 0x20), m = (char)(c->p[1] | 0x20);
	if ((a != 'a' && a != 'p') || m != 'm')
		return true;
	if (k->hour < 1 || k->hour > 12)
		return false;
	k->hour = k->hour % 12 + (a == 'p' ? 12 : 0);
	k->half_days = true;
	c->p += 2;
	return true;
}

/* H:MM, H:MM:SS, H:MM:SS.fff, and AM or PM behind it. */
static bool read_clock(struct cursor *c, struct clock *k)
{
	*k = (struct clock){.resolution = LULL_MIN};
	if (!whole(c, 6, &k->hour) || !literal(c, ":") || whole(c, 2, &k->minute) != 2)
		return false;
	if (literal(c, ":")) {
		k->resolution = LULL_SEC;
		if (whole(c, 2, &k->second) != 2)
			return false;
		if (literal(c, ".,") && !fraction(c, &k->ns, &k->resolution))
			return false;
	}
	return am_pm(c, k) && k->hour <= HOURS_MOST && k->minute <= 59 && k->second <= 60;
}

static int64_t clock_ns(const struct clock *k)
{
	return ((int64_t)k->hour * 3600 + k->minute * 60 + k->second) * LULL_SEC + k->ns;
}

static int clock_stamp(struct clamp_time *ct, struct cursor c, int64_t *ns)
{
	struct clock k;
	if (!read_clock(&c, &k) || c.p != c.end)
		return -EINVAL;
	int64_t t = clock_ns(&k);
	if (ct->any_clock && t < ct->clock_last - MIDNIGHT && k.hour <= 23)
		ct->days++;
	ct->any_clock = true;
	ct->clock_last = t;
	finer(ct, k.resolution);
	*ns = t + ct->days * DAY_S * LULL_SEC;
	return 0;
}

/* --- dates --- */

/* Days since 1970-01-01 in the Gregorian calendar, by counting leap days up to the last 29 February. */
static int64_t days_since_1970(int y, int m, int d)
{
	static const int before[] = {0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334};
	const int64_t past = m > 2 ? y : y - 1; /* the last year whose leap day has passed */
	return (int64_t)(y - 1970) * 365 + (past / 4 - past / 100 + past / 400) - (1969 / 4 - 1969 / 100 + 1969 / 400) +
		before[m - 1] + d - 1;
}

static bool day_fits(int y, int m, int d)
{
	static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
	if (y < 1970 || y > YEAR_MOST || m < 1 || m > 12 || d < 1)
		return false;
	return d <= days[m - 1] + (m == 2 && ((y % 4 == 0 && y % 100 != 0) || y % 400 == 0));
}

/* Dots stand for day first wherever they are used; slashes and hyphens do not say. */
static int day_or_month_first(struct clamp_time *ct, char sign, int a, int b, int *day, int *month)
{
	if (ct->order == LULL_DATE_AUTO && sign != '.') {
		if (a > 12)
			ct->order = LULL_DATE_DMY;
		else if (b > 12)
			ct->order = LULL_DATE_MDY;
		else if (a != b)
			return -EDOM;
	}
	const bool month_first = ct->order == LULL_DATE_MDY;
	*month = month_first ? a : b;
	*day = month_first ? b : a;
	return 0;
}

static int read_day(struct clamp_time *ct, struct cursor *c, int64_t *days)
{
	int a, b, y, m, d;
	const int n = whole(c, 4, &a);
	if (!n || c->p == c->end)
		return -EINVAL;
	const char sign = *c->p++;
	if (!strchr("-/.", sign) || !whole(c, 2, &b) || c->p == c->end || *c->p++ != sign)
		return -EINVAL;
	if (n == 4) {
		y = a;
		m = b;
		if (!whole(c, 2, &d))
			return -EINVAL;
	} else {
		const int digits = whole(c, 4, &y);
		if (n > 2 || (digits != 4 && (digits != 2 || (ct->order == LULL_DATE_AUTO && sign != '.'))))
			return -EINVAL;
		if (digits == 2)
			y += 2000;
		const int rc = day_or_month_first(ct, sign, a, b, &d, &m);
		if (rc < 0)
			return rc;
	}
	if (!day_fits(y, m, d))
		return -EINVAL;
	*days = days_since_1970(y, m, d);
	return 0;
}

/* Z, +02, +0200, +02:00. */
static bool read_zone(struct cursor *c, int64_t *seconds)
{
	int h, m = 0;
	*seconds = 0;
	if (literal(c, "Zz"))
		return true;
	const bool west = c->p < c->end && *c->p == '-';
	if (!literal(c, "+-") || whole(c, 2, &h) != 2)
		return false;
	if (c->p < c->end) {
		(void)literal(c, ":");
		if (whole(c, 2, &m) != 2)
			return false;
	}
	*seconds = (h * 60 + m) * (west ? -60 : 60);
	return h <= 23 && m <= 59;
}

/* UTC of a local hour; false where the change to summer time leaves it out. */
static bool local_hour(int hour, int dst, int64_t *utc)
{
	const time_t as_if_utc = (time_t)hour * 3600;
	struct tm tm;
	if (!gmtime_r(&as_if_utc, &tm))
		return false;
	const int wanted = tm.tm_hour;
	tm.tm_isdst = dst;
	const time_t t = mktime(&tm);
	*utc = (int64_t)t;
	return t != (time_t)-1 && tm.tm_hour == wanted && (dst < 0 || tm.tm_isdst == dst);
}

/* Local seconds since 1970 as written to UTC. The rules are asked once an hour. */
static int64_t from_local(struct clamp_time *ct, int64_t written)
{
	const int hour = (int)(written / 3600);
	const int64_t rest = written % 3600;
	if (ct->fixed)
		return written + ct->fixed_offset;
	if (hour != ct->hour_key || !ct->any_clock) {
		int64_t utc = 0;
		/* Of the hour that comes twice, the first one. */
		if (!local_hour(hour, 1, &utc) && !local_hour(hour, -1, &utc)) {
			/* An hour that there is not: this clock keeps the time of before. */
			ct->fixed = true;
			ct->fixed_offset = ct->any_clock ? ct->hour_utc - (int64_t)ct->hour_key * 3600
							 : utc - (int64_t)hour * 3600;
			return written + ct->fixed_offset;
		}
		ct->hour_key = hour;
		ct->hour_utc = utc;
	}
	int64_t t = ct->hour_utc + rest;
	/* The hour that comes twice in autumn. */
	if (ct->any_clock && t * LULL_SEC < ct->clock_last - LULL_MIN) {
		int64_t winter;
		if (local_hour(hour, 0, &winter) && winter == ct->hour_utc + 3600) {
			ct->hour_utc = winter;
			t = winter + rest;
		}
	}
	return t;
}

static int date_stamp(struct clamp_time *ct, struct cursor c, int64_t *ns)
{
	struct clock k = {.resolution = LULL_SEC};
	int64_t days, zone;
	const int rc = read_day(ct, &c, &days);
	if (rc < 0)
		return rc;
	if (!literal(&c, "Tt "))
		return -EINVAL;
	while (literal(&c, " "))
		;
	if (!read_clock(&c, &k) || k.hour > 23)
		return -EINVAL;
	while (literal(&c, " "))
		;
	const int64_t written = days * DAY_S + clock_ns(&k) / LULL_SEC;
	int64_t s;
	if (c.p < c.end) {
		if (!read_zone(&c, &zone) || c.p != c.end)
			return -EINVAL;
		s = written - zone;
	} else {
		s = from_local(ct, written);
	}
	*ns = s * LULL_SEC + k.ns;
	ct->any_clock = true;
	ct->clock_last = *ns;
	finer(ct, k.resolution);
	return 0;
}

/* --- */

enum clamp_time_kind clamp_time_kind(const char *text, size_t n)
{
	struct clamp_time ct = {.order = LULL_DATE_DMY, .unit = LULL_UNIT_NS};
	int64_t ns;
	while (n && *text == ' ') {
		text++;
		n--;
	}
	if (!n || n > TEXT_MOST)
		return CLAMP_TIME_NONE;
	if (number(&ct, text, n, &ns) == 0)
		return CLAMP_TIME_NUMBER;
	if (clock_stamp(&ct, (struct cursor){text, text + n}, &ns) == 0)
		return CLAMP_TIME_CLOCK;
	if (date_stamp(&ct, (struct cursor){text, text + n}, &ns) == 0)
		return CLAMP_TIME_DATE;
	ct.order = LULL_DATE_MDY;
	return date_stamp(&ct, (struct cursor){text, text + n}, &ns) == 0 ? CLAMP_TIME_DATE : CLAMP_TIME_NONE;
}

int clamp_time(struct clamp_time *ct, const char *text, size_t n, int64_t *ns)
{
	while (n && text[0] == ' ') {
		text++;
		n--;
	}
	while (n && text[n - 1] == ' ')
		n--;
	if (!n || n > TEXT_MOST)
		return -EINVAL;
	switch (ct->kind) {
	case CLAMP_TIME_NONE: return -EINVAL;
	case CLAMP_TIME_NUMBER: return number(ct, text, n, ns);
	case CLAMP_TIME_CLOCK: return clock_stamp(ct, (struct cursor){text, text + n}, ns);
	case CLAMP_TIME_DATE: return date_stamp(ct, (struct cursor){text, text + n}, ns);
	}
	return -EINVAL;
}
