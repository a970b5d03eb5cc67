/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clamp_cell: one value of a clamp's log: its number, its unit, and what meters write in its place. */
#include <source/clamp_impl.h>

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <string.h>

/* Instruments that answer in the style of IEEE 488.2 give 9.9E37 for more than they can show. */
#define OVERFLOW_NUMBER 9e36

static const double powers[] = {1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
	1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};
#define POWERS ((int)(sizeof powers / sizeof *powers))

static bool digit(char c)
{
	return c >= '0' && c <= '9';
}

static double scaled(uint64_t mantissa, int e)
{
	const double m = (double)mantissa;
	if (!mantissa)
		return 0;
	if (e <= 0 && -e < POWERS)
		return m / powers[-e];
	if (e > 0 && e < POWERS)
		return m * powers[e];
	return m * pow(10, e);
}

/* Length of the number at text, 0 if there is none. */
static size_t number(const char *text, size_t n, bool comma, double *value)
{
	const char *p = text, *const end = text + n;
	uint64_t mantissa = 0;
	int e = 0, before = 0, after = 0;
	bool point = false, with_comma = false, negative = false;
	if (p < end && (*p == '-' || *p == '+'))
		negative = *p++ == '-';
	const char *const first = p;
	for (; p < end; p++) {
		if (digit(*p)) {
			if (mantissa < UINT64_MAX / 10 - 1) {
				mantissa = mantissa * 10 + (uint64_t)(*p - '0');
				e -= point;
			} else {
				e += !point;
			}
			if (point)
				after++;
			else
				before++;
		} else if ((*p == '.' || *p == ',') && !point) {
			point = true;
			with_comma = *p == ',';
		} else {
			break;
		}
	}
	if (!before && !after)
		return 0;
	/* "1,234" between commas is as likely a thousand as it is one and a bit. */
	if (with_comma && !comma && after == 3 && before <= 3 && *first != '0')
		return 0;
	if (p < end && (*p == '.' || *p == ','))
		return 0;
	if (p + 1 < end && (*p == 'e' || *p == 'E') && (digit(p[1]) || (p + 2 < end && digit(p[2])))) {
		const char *q = p + 1;
		const bool minus = *q == '-';
		int x = 0;
		if (*q == '-' || *q == '+')
			q++;
		if (digit(*q)) {
			for (; q < end && digit(*q); q++)
				x = x < 1000 ? x * 10 + (*q - '0') : x;
			e += minus ? -x : x;
			p = q;
		}
	}
	*value = negative ? -scaled(mantissa, e) : scaled(mantissa, e);
	return (size_t)(p - text);
}

static bool is(const char *text, size_t n, const char *word)
{
	return n == strlen(word) && !memcmp(text, word, n);
}

/* Upper case, without blanks and full stops; "" for a text that is longer than any such word. */
static size_t squeeze(const char *text, size_t n, char out[16])
{
	size_t k = 0;
	for (size_t i = 0; i < n; i++) {
		if (text[i] == ' ' || text[i] == '.' || text[i] == ',')
			continue;
		if (k == 15)
			return 0;
		out[k++] = (char)toupper((unsigned char)text[i]);
	}
	return k;
}

static enum clamp_cell no_number(const char *text, size_t n)
{
	static const char *const over[] = {
		"OL", "0L", "OVL", "OVLD", "OVER", "OVERLOAD", "OVERRANGE", "OVERFLOW", "OFL", "INF", "INFINITY"};
	static const char *const none[] = {"NAN", "NA", "N/A", "NULL", "NONE", "ERR", "#N/A"};
	char word[16];
	size_t k = squeeze(text, n, word), sign = 0;
	if (!k)
		return CELL_BAD;
	if (word[0] == '-' || word[0] == '+')
		sign = 1;
	for (size_t i = 0; i < sizeof none / sizeof *none; i++) {
		if (is(word + sign, k - sign, none[i]))
			return CELL_EMPTY;
	}
	if (k >= 2 && strspn(word, "-") >= k)
		return CELL_EMPTY;
	for (size_t i = 0; i < sizeof over / sizeof *over; i++) {
		const size_t length = strlen(over[i]);
		enum lull_clamp_unit unit;
		if (k - sign < length || memcmp(word + sign, over[i], length) != 0)
			continue;
		if (k - sign == length || lull_clamp_unit_parse(word + sign + length, k - sign - length, &unit) == 0)
			return word[0] == '-' ? CELL_UNDER : CELL_OVER;
	}
	return CELL_BAD;
}

enum clamp_cell clamp_cell(const char *text, size_t n, bool comma, double *value, enum lull_clamp_unit *unit)
{
	while (n && text[0] == ' ') {
		text++;
		n--;
	}
	while (n && text[n - 1] == ' ')
		n--;
	if (!n)
		return CELL_EMPTY;
	size_t used = number(text, n, comma, value);
	if (!used)
		return no_number(text, n);
	if (used < n) {
		while (used < n && text[used] == ' ')
			used++;
		if (lull_clamp_unit_parse(text + used, n - used, unit) < 0)
			return no_number(text, n); /* "0L" */
	}
	if (!(fabs(*value) < OVERFLOW_NUMBER))
		return *value < 0 ? CELL_UNDER : CELL_OVER;
	return CELL_NUMBER;
}

int lull_clamp_unit_parse(const char *text, size_t n, enum lull_clamp_unit *unit)
{
	char word[16] = "";
	size_t k = 0;
	for (size_t i = 0; i < n; i++) {
		/* Both letters that look like a mu, U+00B5 and U+03BC. */
		if (i + 1 < n && (!memcmp(text + i, "\xc2\xb5", 2) || !memcmp(text + i, "\xce\xbc", 2))) {
			if (k == sizeof word)
				return -EINVAL;
			word[k++] = 'u';
			i++;
		} else if (text[i] != ' ' && text[i] != '.') {
			if (k == sizeof word)
				return -EINVAL;
			word[k++] = text[i];
		}
	}
	const char *w = word;
	if (k > 2 && toupper((unsigned char)w[0]) == 'D' && toupper((unsigned char)w[1]) == 'C') {
		w += 2;
		k -= 2;
	} else if (k > 2 && toupper((unsigned char)w[k - 2]) == 'D' && toupper((unsigned char)w[k - 1]) == 'C') {
		k -= 2;
	}
	if (k == 1 || k == 2) {
		/* A capital M is no mega here: no clamp gives megavolts. */
		const char prefix = k == 2 ? (char)tolower((unsigned char)w[0]) : 0;
		const char base = (char)toupper((unsigned char)w[k - 1]);
		if ((base == 'V' || base == 'A') && (!prefix || prefix == 'm' || prefix == 'u')) {
			const bool volt = base == 'V';
			*unit = prefix == 'm' ? (volt ? LULL_CLAMP_MV : LULL_CLAMP_MA)
				: prefix      ? (volt ? LULL_CLAMP_UV : LULL_CLAMP_UA)
					      : (volt ? LULL_CLAMP_V : LULL_CLAMP_A);
			return 0;
		}
	}
	return -EINVAL;
}

const char *lull_clamp_unit_name(enum lull_clamp_unit unit)
{
	switch (unit) {
	case LULL_CLAMP_UNIT_AUTO: break;
	case LULL_CLAMP_UV: return "uV";
	case LULL_CLAMP_MV: return "mV";
	case LULL_CLAMP_V: return "V";
	case LULL_CLAMP_UA: return "uA";
	case LULL_CLAMP_MA: return "mA";
	case LULL_CLAMP_A: return "A";
	}
	return "?";
}

bool clamp_is_voltage(enum lull_clamp_unit unit)
{
	return unit == LULL_CLAMP_UV || unit == LULL_CLAMP_MV || unit == LULL_CLAMP_V;
}

/* At 100 mV/A one millivolt is 10 mA, at 10 mV/A it is 100 mA. */
double clamp_uA_per(enum lull_clamp_unit unit, double mV_per_A)
{
	const double per_mV = mV_per_A > 0 ? 1e6 / mV_per_A : 0;
	switch (unit) {
	case LULL_CLAMP_UNIT_AUTO: break;
	case LULL_CLAMP_UV: return per_mV / 1000;
	case LULL_CLAMP_MV: return per_mV;
	case LULL_CLAMP_V: return per_mV * 1000;
	case LULL_CLAMP_UA: return 1;
	case LULL_CLAMP_MA: return 1e3;
	case LULL_CLAMP_A: return 1e6;
	}
	return 0;
}

int lull_clamp_scale_parse(const char *text, double *mV_per_A)
{
	double v, factor = 1;
	const size_t n = strlen(text), used = number(text, n, true, &v);
	char rest[16];
	const size_t k = used ? squeeze(text + used, n - used, rest) : 0;
	if (!used || (used < n && !k))
		return -EINVAL;
	if (is(rest, k, "V/A"))
		factor = 1000;
	else if (k && !is(rest, k, "MV/A"))
		return -EINVAL;
	if (!(v * factor >= 0.01 && v * factor <= 10000))
		return -EINVAL;
	*mV_per_A = v * factor;
	return 0;
}

int lull_clamp_reading(const char *text, enum lull_clamp_unit unit, double mV_per_A, double *mA)
{
	double v = 0;
	if (clamp_cell(text, strlen(text), true, &v, &unit) != CELL_NUMBER || unit == LULL_CLAMP_UNIT_AUTO)
		return -EINVAL;
	const double uA = clamp_uA_per(unit, mV_per_A);
	if (!(uA > 0))
		return -EDOM;
	*mA = v * uA / 1000;
	return fabs(*mA) < 1e6 ? 0 : -EINVAL;
}
