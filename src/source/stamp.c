/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stamp: a time in a file of marks, coverage or frames: seconds, or ISO 8601. */
#include <source/decimal.h>
#include <source/marks.h>

#include <errno.h>
#include <string.h>
#include <time.h>

struct cursor {
	const char *p;
};

static bool number(struct cursor *c, int digits, int *value)
{
	*value = 0;
	for (int i = 0; i < digits; i++) {
		if (*c->p < '0' || *c->p > '9')
			return false;
		*value = *value * 10 + (*c->p++ - '0');
	}
	return true;
}

static bool literal(struct cursor *c, const char *any_of)
{
	if (!*c->p || !strchr(any_of, *c->p))
		return false;
	c->p++;
	return true;
}

/* ".5", ",249713": digits beyond the ninth are cut. */
static bool fraction(struct cursor *c, int64_t *ns)
{
	int64_t unit = 100 * LULL_MS;
	const char *from = c->p;
	*ns = 0;
	for (; *c->p >= '0' && *c->p <= '9'; c->p++) {
		*ns += (*c->p - '0') * unit;
		unit /= 10;
	}
	return c->p > from;
}

/* Z, +02, +0200, +02:00. */
static bool zone(struct cursor *c, int *minutes)
{
	*minutes = 0;
	if (literal(c, "Zz"))
		return true;
	const bool west = *c->p == '-';
	int h, m = 0;
	if (!literal(c, "+-") || !number(c, 2, &h))
		return false;
	if (*c->p) {
		(void)literal(c, ":");
		if (!number(c, 2, &m))
			return false;
	}
	if (h > 23 || m > 59)
		return false;
	*minutes = west ? -(h * 60 + m) : h * 60 + m;
	return true;
}

static int days_in(int year, int month)
{
	static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
	const bool leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
	return days[month - 1] + (month == 2 && leap);
}

static int iso(const char *text, struct lull_stamp *out)
{
	struct cursor c = {text};
	struct tm tm = {.tm_isdst = -1};
	int year, month;
	int64_t ns = 0;
	if (!number(&c, 4, &year) || !literal(&c, "-") || !number(&c, 2, &month) || !literal(&c, "-") ||
		!number(&c, 2, &tm.tm_mday) || !literal(&c, "Tt "))
		return -EINVAL;
	if (!number(&c, 2, &tm.tm_hour) || !literal(&c, ":") || !number(&c, 2, &tm.tm_min))
		return -EINVAL;
	if (literal(&c, ":")) {
		if (!number(&c, 2, &tm.tm_sec))
			return -EINVAL;
		if (literal(&c, ".,") && !fraction(&c, &ns))
			return -EINVAL;
	}
	/* Years that fit nanoseconds in 64 bits; a leap second is the second after it. */
	if (year < 1970 || year > 2261 || month < 1 || month > 12 || tm.tm_mday < 1 ||
		tm.tm_mday > days_in(year, month) || tm.tm_hour > 23 || tm.tm_min > 59 || tm.tm_sec > 60)
		return -EINVAL;
	tm.tm_year = year - 1900;
	tm.tm_mon = month - 1;
	while (*c.p == ' ')
		c.p++;
	time_t t;
	if (*c.p) {
		int minutes;
		if (!zone(&c, &minutes) || *c.p)
			return -EINVAL;
		t = timegm(&tm) - (time_t)minutes * 60;
	} else {
		const int hour = tm.tm_hour, minute = tm.tm_min, second = tm.tm_sec;
		tm.tm_sec = 0;
		t = mktime(&tm);
		/* An hour that the change to summer time leaves out is no time. */
		if (t == (time_t)-1 || tm.tm_hour != hour || tm.tm_min != minute)
			return -EINVAL;
		t += second;
	}
	out->absolute = true;
	out->ns = (int64_t)t * LULL_SEC + ns;
	return 0;
}

int lull_stamp_parse(const char *text, struct lull_stamp *out)
{
	while (*text == ' ' || *text == '\t')
		text++;
	size_t n = strlen(text);
	while (n && (text[n - 1] == ' ' || text[n - 1] == '\t'))
		n--;
	if (n >= 64)
		return -EINVAL;
	char copy[64];
	memcpy(copy, text, n);
	copy[n] = 0;
	if (n > 4 && copy[4] == '-')
		return iso(copy, out);
	out->absolute = false;
	return lull_decimal_ns(copy, n, 9, '.', &out->ns);
}
