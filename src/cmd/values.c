/* SPDX-License-Identifier: GPL-3.0-or-later */
/* values: numbers and words given on the command line. */
#include <cmd/cmd.h>
#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

int lull_number(const char *text, double least, double *out)
{
	char *end;
	double x;

	if (!*text || strspn(text, "+-.0123456789eE") != strlen(text))
		return -EINVAL; /* no hexadecimal, no "inf", no blanks */
	x = strtod(text, &end);
	if (*end || !isfinite(x) || x < least)
		return -EINVAL;
	*out = x;
	return 0;
}

int lull_duration_option(const char *who, const char *option, const char *text, const struct lull_duration_rule *rule,
	int64_t unit_ns, double *out)
{
	char why[LULL_DURATION_WHY];
	int64_t ns;
	const int rc = lull_duration_parse(text, strlen(text), rule, &ns);

	if (rc)
		return lull_misuse(who, "%s '%s' %s", option, text, lull_duration_why(rc, rule, why, sizeof why));
	*out = (double)ns / (double)unit_ns;
	return 0;
}

int lull_limit_sleep_option(const char *who, const char *text, double *seconds)
{
	static const struct lull_duration_rule rule = {LULL_IN_S, 0, 366 * 24 * 60 * LULL_MIN};

	return lull_duration_option(who, "--limit-sleep", text, &rule, LULL_SEC, seconds);
}

int lull_bitrate(const char *text, size_t len, uint32_t *out)
{
	char digits[32];
	double x, unit = 1;

	if (!len || len >= sizeof digits)
		return -EINVAL;
	memcpy(digits, text, len);
	digits[len] = 0;
	if (digits[len - 1] == 'k' || digits[len - 1] == 'K')
		unit = 1e3;
	else if (digits[len - 1] == 'M')
		unit = 1e6;
	if (unit > 1)
		digits[len - 1] = 0;
	if (lull_number(digits, 0, &x))
		return -EINVAL;
	x = round(x * unit);
	if (x < 1000 || x > 20e6)
		return -EINVAL;
	*out = (uint32_t)x;
	return 0;
}

char *lull_shell_word(const char *text)
{
	static const char plain[] =
		"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-./,:=+@%";
	char *out = malloc(strlen(text) * 4 + 3), *o = out;

	if (!out)
		return NULL;
	if (*text && strspn(text, plain) == strlen(text))
		return strcpy(out, text);
	*o++ = '\'';
	for (; *text; text++) {
		if (*text == '\'') {
			memcpy(o, "'\\''", 4);
			o += 4;
		} else {
			*o++ = *text;
		}
	}
	*o++ = '\'';
	*o = 0;
	return out;
}
