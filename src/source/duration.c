/* SPDX-License-Identifier: GPL-3.0-or-later */
/* duration: lengths of time as people write them -> nanoseconds. Pure. */
#include <source/decimal.h>
#include <source/duration.h>

#include <errno.h>
#include <inttypes.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

/* In the order of the enumeration: a number is taken in units of 10^power ns, and then so many times. */
static const struct {
	const char *name, *plural;
	int power;
	int64_t times;
} units[] = {
	[LULL_IN_MS] = {"ms", "milliseconds", 6, 1},
	[LULL_IN_S] = {"s", "seconds", 9, 1},
	[LULL_IN_MIN] = {"min", "minutes", 9, 60},
	[LULL_IN_H] = {"h", "hours", 9, 3600},
	[LULL_IN_D] = {"d", "days", 9, 86400},
};

static const struct {
	const char *word;
	enum lull_duration_unit unit;
} words[] = {{"ms", LULL_IN_MS}, {"s", LULL_IN_S}, {"sec", LULL_IN_S}, {"min", LULL_IN_MIN}, {"m", LULL_IN_MIN}, {"h", LULL_IN_H},
	{"d", LULL_IN_D}};

static bool blank(char c)
{
	return c == ' ' || c == '\t';
}

static bool digit(char c)
{
	return c >= '0' && c <= '9';
}

static bool letter(char c)
{
	return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
}

static void skip_blanks(const char **p, const char *end)
{
	while (*p < end && blank(**p))
		++*p;
}

/* Digits with at most one point or comma, which has a digit on both sides. */
static int take_number(const char **p, const char *end, size_t *length, bool *fraction)
{
	const char *begin = *p;

	*fraction = false;
	for (; *p < end; ++*p) {
		if (digit(**p))
			continue;
		if ((**p != '.' && **p != ',') || *fraction || *p == begin || *p + 1 == end || !digit((*p)[1]))
			break;
		*fraction = true;
	}
	*length = (size_t)(*p - begin);
	return *length ? 0 : -EINVAL;
}

/* LULL_UNIT_REQUIRED: no letter stands there. */
static int take_unit(const char **p, const char *end, enum lull_duration_unit *unit)
{
	const char *begin = *p;

	*unit = LULL_UNIT_REQUIRED;
	while (*p < end && letter(**p))
		++*p;
	const size_t n = (size_t)(*p - begin);

	if (!n)
		return 0;
	for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
		if (strlen(words[i].word) == n && !strncasecmp(words[i].word, begin, n)) {
			*unit = words[i].unit;
			return 0;
		}
	}
	return -EINVAL;
}

int lull_duration_parse(const char *text, size_t n, const struct lull_duration_rule *rule, int64_t *ns)
{
	const char *p = text, *end = text + n;
	enum lull_duration_unit before = LULL_UNIT_REQUIRED;
	bool fraction = false, first = true;
	int64_t sum = 0;
	int range = 0; /* what is no length of time at all is said before what is too long */

	for (skip_blanks(&p, end); p < end || first; skip_blanks(&p, end), first = false) {
		const char *number = p;
		enum lull_duration_unit unit;
		size_t length;
		int64_t part;

		if (fraction || take_number(&p, end, &length, &fraction))
			return -EINVAL;
		skip_blanks(&p, end);
		if (take_unit(&p, end, &unit))
			return -EINVAL;
		if (unit == LULL_UNIT_REQUIRED) {
			if (!first || p < end || rule->bare == LULL_UNIT_REQUIRED)
				return -EINVAL;
			unit = rule->bare;
		}
		if (unit >= before)
			return -EINVAL;
		before = unit;
		if (lull_decimal_ns(number, length, units[unit].power, ',', &part) || __builtin_mul_overflow(part, units[unit].times, &part) ||
			__builtin_add_overflow(sum, part, &sum))
			range = -ERANGE;
	}
	if (range || sum < rule->least_ns || sum > rule->most_ns)
		return -ERANGE;
	*ns = sum;
	return 0;
}

/* In the longest unit that leaves no fraction: "90 min", "24 h". A day is 24 h unless there are several. */
static void put(char out[24], int64_t ns)
{
	enum lull_duration_unit unit = LULL_IN_MS;

	for (enum lull_duration_unit u = LULL_IN_S; u <= LULL_IN_D; u++) {
		const int64_t size = LULL_SEC * units[u].times;

		if (ns % size == 0 && ns >= (u == LULL_IN_D ? 2 * size : size))
			unit = u;
	}
	if (!ns)
		unit = LULL_IN_S;
	const int64_t size = unit == LULL_IN_MS ? LULL_MS : LULL_SEC * units[unit].times;

	(void)snprintf(out, 24, "%" PRId64 " %s", ns / size, units[unit].name);
}

const char *lull_duration_why(int error, const struct lull_duration_rule *rule, char *out, size_t size)
{
	if (error == -ERANGE) {
		char least[24], most[24];

		put(least, rule->least_ns);
		put(most, rule->most_ns);
		(void)snprintf(out, size, "is not between %s and %s", least, most);
		return out;
	}
	(void)snprintf(out, size, "is no length of time; write 90 s, 5 min, 1.5 h or 1h30m%s%s",
		rule->bare == LULL_UNIT_REQUIRED ? "; the unit is required" : ", or a number of ",
		rule->bare == LULL_UNIT_REQUIRED ? "" : units[rule->bare].plural);
	return out;
}
