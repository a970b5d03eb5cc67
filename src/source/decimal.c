/* SPDX-License-Identifier: GPL-3.0-or-later */
/* decimal: decimal numbers as text -> integer nanoseconds, without a detour through floating point. */
#include <source/decimal.h>

#include <errno.h>
#include <stdbool.h>

/* An int64 has 19 digits; the rest only tells that a number is too large, or rounds. */
#define KEPT 40

static bool digit(char c)
{
	return c >= '0' && c <= '9';
}

static int exponent(const char *p, const char *end, int *value)
{
	bool negative = false;
	if (p < end && (*p == '+' || *p == '-'))
		negative = *p++ == '-';
	if (p == end)
		return -EINVAL;
	int e = 0;
	for (; p < end; p++) {
		if (!digit(*p))
			return -EINVAL;
		if (e < 10000)
			e = e * 10 + (*p - '0');
	}
	*value = negative ? -e : e;
	return 0;
}

int lull_decimal_ns(const char *text, size_t n, int unit, char point, int64_t *ns)
{
	const char *p = text, *end = text + n;
	bool negative = false, any = false, fraction = false;
	char kept[KEPT];
	int count = 0,
	    places = 0; /* places: digits of the integer part, leading zeros gone; may be negative */
	if (p < end && (*p == '+' || *p == '-'))
		negative = *p++ == '-';
	for (; p < end; p++) {
		if ((*p == '.' || *p == point) && !fraction) {
			fraction = true;
			continue;
		}
		if (!digit(*p))
			break;
		any = true;
		if (count || *p != '0') {
			if (count < KEPT)
				kept[count++] = (char)(*p - '0');
			if (!fraction && places < 10000)
				places++;
		} else if (fraction && places > -10000) {
			places--;
		}
	}
	if (!any)
		return -EINVAL;
	if (p < end) {
		int e = 0;
		if ((*p != 'e' && *p != 'E') || exponent(p + 1, end, &e) < 0)
			return -EINVAL;
		places += e;
	}
	places += unit;
	if (!count) {
		*ns = 0;
		return 0;
	}
	if (places > 19)
		return -ERANGE;
	uint64_t v = 0;
	for (int i = 0; i < places; i++) {
		const unsigned d = i < count ? (unsigned char)kept[i] : 0;
		if (v > (UINT64_MAX - d) / 10)
			return -ERANGE;
		v = v * 10 + d;
	}
	if (places >= 0 && places < count && kept[places] >= 5)
		v++;
	if (v > INT64_MAX)
		return -ERANGE;
	*ns = negative ? -(int64_t)v : (int64_t)v;
	return 0;
}

int lull_decimal(const char *text, size_t n, double *value)
{
	int64_t v;
	const int rc = lull_decimal_ns(text, n, 9, '.', &v);
	if (rc < 0)
		return rc;
	*value = (double)v / 1e9;
	return 0;
}
