/* SPDX-License-Identifier: GPL-3.0-or-later */
/* command: what is asked for over the control socket. Pure. */
#include <daemon/command.h>
#include <source/utf8.h>

#include <ctype.h>
#include <errno.h>
#include <stdio.h>
#include <string.h>

static int refuse(char *err, size_t err_size, const char *why)
{
	(void)snprintf(err, err_size, "%s", why);
	return -EINVAL;
}

/* "-90 " -> 90 s; no sign: it is text. */
static bool take_ago(const char **bytes, size_t *n, int64_t *ago)
{
	const char *p = *bytes + 1, *end = *bytes + *n;
	int64_t seconds = 0;

	for (; p < end && isdigit((unsigned char)*p); p++)
		if ((seconds = seconds * 10 + (*p - '0')) > LULL_AGO_MOST / LULL_SEC)
			return false;
	if (p == *bytes + 1 || p == end || *p != ' ')
		return false;
	*ago = seconds * LULL_SEC;
	*n = (size_t)(end - p) - 1;
	*bytes = p + 1;
	return true;
}

static int take_mark(const char *bytes, size_t n, struct lull_command *c, char *err, size_t err_size)
{
	if (n && *bytes == '-' && !take_ago(&bytes, &n, &c->ago))
		return refuse(err, err_size, "behind - stand whole seconds, a day at most, and then the mark");
	if (n >= sizeof c->text)
		return refuse(err, err_size, "a mark has at most 159 bytes");
	if (!lull_utf8_fit(bytes, n))
		return refuse(err, err_size, "a mark is UTF-8 without control characters");
	lull_utf8_clean(c->text, sizeof c->text, bytes, n);
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
