/* SPDX-License-Identifier: GPL-3.0-or-later */
/* command: what is asked for over the control socket. Pure. */
#include <daemon/command.h>
#include <source/duration.h>
#include <source/marks.h>
#include <source/utf8.h>

#include <errno.h>
#include <stdio.h>
#include <string.h>

static int refuse(char *err, size_t err_size, const char *why)
{
	(void)snprintf(err, err_size, "%s", why);
	return -EINVAL;
}

/* "-90 ", "-5m " before the mark. */
static int take_ago(const char **bytes, size_t *n, int64_t *ago, char *err, size_t err_size)
{
	static const struct lull_duration_rule day = {LULL_IN_S, 0, LULL_AGO_MOST};
	const char *blank = memchr(*bytes, ' ', *n), *end = *bytes + *n;
	char why[LULL_DURATION_WHY];

	if (!blank)
		return refuse(err, err_size, "behind - stands how long ago it was, such as 90 or 5m, and then the mark");
	const int rc = lull_duration_parse(*bytes + 1, (size_t)(blank - *bytes) - 1, &day, ago);

	if (rc) {
		(void)snprintf(err, err_size, "what stands behind - %s", lull_duration_why(rc, &day, why, sizeof why));
		return -EINVAL;
	}
	*n = (size_t)(end - blank) - 1;
	*bytes = blank + 1;
	return 0;
}

static int take_mark(const char *bytes, size_t n, struct lull_command *c, char *err, size_t err_size)
{
	if (n && *bytes == '-' && take_ago(&bytes, &n, &c->ago, err, err_size))
		return -EINVAL;
	if (n >= sizeof c->text)
		return refuse(err, err_size, "a mark has at most 159 bytes");
	if (!lull_utf8_fit(bytes, n))
		return refuse(err, err_size, "a mark is UTF-8 without control characters");
	lull_utf8_clean(c->text, sizeof c->text, bytes, n);

	struct lull_mark mark = {0};

	lull_mark_parse(c->text, &mark);
	if (lull_mark_fault(&mark, err, err_size))
		return -EINVAL;
	return c->text[0] ? 0 : refuse(err, err_size, "the mark is empty");
}

static bool is_word(const char *bytes, size_t n, const char *word)
{
	return n == strlen(word) && !memcmp(bytes, word, n);
}

int lull_command_parse(const char *bytes, size_t n, struct lull_command *c, char *err, size_t err_size)
{
	memset(c, 0, sizeof *c);
	if (n > LULL_COMMAND_MOST)
		return refuse(err, err_size, "the request is too long");
	if (n && bytes[n - 1] == '\n')
		n--;
	const char *blank = n ? memchr(bytes, ' ', n) : NULL;
	const size_t verb = blank ? (size_t)(blank - bytes) : n, rest = blank ? n - verb - 1 : 0;

	if (is_word(bytes, verb, "mark"))
		return take_mark(blank ? blank + 1 : bytes, rest, c, err, err_size);
	c->verb = LULL_VERB_STATUS;
	c->fresh = blank && is_word(blank + 1, rest, "fresh");
	if (is_word(bytes, verb, "status") && (!blank || c->fresh))
		return 0;
	c->verb = LULL_VERB_NEW;
	if (is_word(bytes, verb, "new") && !blank)
		return 0;
	return refuse(err, err_size, "there are: mark TEXT, status, new");
}
