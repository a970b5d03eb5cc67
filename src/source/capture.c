/* SPDX-License-Identifier: GPL-3.0-or-later */
/* capture: finished captures on file: tells the kind, and what all kinds share. */
#include <source/capture_impl.h>

#include <errno.h>
#include <source/utf8.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Earlier stamps are a clock that was never set, or relative ones: 1990-01-01. */
#define DATES_FROM_NS (INT64_C(631152000) * LULL_SEC)

static char *sentence(const char *format, va_list list)
{
	char *text;
	return vasprintf(&text, format, list) < 0 ? NULL : text;
}

void lull_capture_set_damage(struct lull_capture *c, const char *format, ...)
{
	if (c->damage)
		return;
	va_list list;
	va_start(list, format);
	char *what = sentence(format, list);
	va_end(list);
	if (!what)
		return;
	if (asprintf(&c->damage, "%s: %s", c->name, what) < 0)
		c->damage = NULL;
	free(what);
}

void lull_capture_skip(struct lull_capture *c, const char *format, ...)
{
	if (c->skipped++)
		return;
	va_list list;
	va_start(list, format);
	char *what = sentence(format, list);
	va_end(list);
	if (!what)
		return;
	if (asprintf(&c->first_skip, "%s:%s", c->name, what) < 0)
		c->first_skip = NULL;
	free(what);
}

int lull_capture_bus(struct lull_capture *c, const char *name, size_t n)
{
	char clean[LULL_BUS_NAME];
	lull_utf8_clean(clean, sizeof clean, name, n);
	if (!clean[0])
		memcpy(clean, c->bus_base, sizeof clean);
	for (unsigned i = 0; i < c->bus_count; i++) {
		if (!strcmp(c->bus[i], clean))
			return (int)i;
	}
	if (c->bus_count == LULL_BUS_MAX)
		return -1;
	memcpy(c->bus[c->bus_count], clean, sizeof clean);
	return (int)c->bus_count++;
}

int lull_capture_bus_number(struct lull_capture *c, unsigned long i)
{
	char name[LULL_BUS_NAME + 24];
	if (!c->bus_given)
		snprintf(name, sizeof name, "can%lu", i);
	else if (!i)
		snprintf(name, sizeof name, "%s", c->bus_base);
	else
		snprintf(name, sizeof name, "%.20s%lu", c->bus_base, i);
	return lull_capture_bus(c, name, strlen(name));
}

/* More than one odd byte in sixteen, or any zero byte: no text. */
static bool looks_like_text(const uint8_t *b, size_t n)
{
	size_t odd = 0;
	if (n > 4096)
		n = 4096;
	for (size_t i = 0; i < n; i++) {
		if (b[i] < 0x20 && b[i] != '\n' && b[i] != '\r' && b[i] != '\t')
			odd++;
	}
	return odd * 16 <= n && !(n && !b[0]);
}

static bool holds_log_line(const uint8_t *b, size_t n)
{
	const char *p = (const char *)b, *end = p + n;
	for (int i = 0; p < end && i < 50; i++) {
		const char *nl = memchr(p, '\n', (size_t)(end - p));
		const char *stop = nl ? nl : end;
		if (lull_textlog_is_line(p, (size_t)(stop - p)))
			return true;
		p = stop + 1;
	}
	return false;
}

static bool pcap_magic(const uint8_t *b, size_t n)
{
	static const uint8_t magic[][4] = {
		{0xa1, 0xb2, 0xc3, 0xd4}, {0xd4, 0xc3, 0xb2, 0xa1}, /* microseconds */
		{0xa1, 0xb2, 0x3c, 0x4d}, {0x4d, 0x3c, 0xb2, 0xa1}, /* nanoseconds */
		{0xa1, 0xb2, 0xcd, 0x34}, {0x34, 0xcd, 0xb2, 0xa1}, /* an old patched form */
	};
	for (size_t i = 0; n >= 4 && i < sizeof magic / sizeof *magic; i++) {
		if (!memcmp(b, magic[i], 4))
			return true;
	}
	return false;
}

static size_t read_nothing(struct lull_capture *c, struct lull_frame *out, size_t max)
{
	(void)c, (void)out, (void)max;
	return 0;
}

static const struct lull_capture_format empty_format = {.read = read_nothing};

static int open_format(
	struct lull_capture *c, const struct lull_csv_columns *columns, char *err, size_t err_size)
{
	const uint8_t *b;
	const size_t n = lull_stream_head(c->stream, &b);
	const char *damage = lull_stream_damage(c->stream);
	if (!n && damage) {
		snprintf(err, err_size, "%s: %s, and nothing could be read before that", c->name, damage);
		return -EBADMSG;
	}
	if (!n) {
		/* A log that heard nothing has no bytes. */
		c->kind = "empty file";
		c->format = &empty_format;
		return 0;
	}
	if (pcap_magic(b, n))
		return lull_pcap_open(c, false, err, err_size);
	if (n >= 4 && !memcmp(b, "\n\r\r\n", 4))
		return lull_pcap_open(c, true, err, err_size);
	if (holds_log_line(b, n))
		return lull_textlog_open(c, err, err_size);
	if (looks_like_text(b, n))
		return lull_csv_open(c, columns, err, err_size);
	snprintf(err, err_size,
		"%s: is no capture that can be read: pcap, pcapng, CSV with a header line, or lines as "
		"'(1436509052.249713) "
		"can0 123#DEADBEEF'; gzip and zstd around them are read through%s",
		c->name, n >= 2 && !memcmp(b, "PK", 2) ? "; this one is a zip archive, unpack it first" : "");
	return -EINVAL;
}

static struct lull_capture *capture_new(const char *name, struct lull_stream *stream, const char *bus_name,
	const struct lull_csv_columns *columns, char *err, size_t err_size)
{
	struct lull_capture *c = calloc(1, sizeof *c);
	if (!c || !(c->name = strdup(name))) {
		snprintf(err, err_size, "%s: out of memory", name);
		lull_stream_close(stream);
		free(c);
		return NULL;
	}
	c->stream = stream;
	c->bus_given = bus_name && *bus_name;
	if (!c->bus_given)
		bus_name = "can0";
	lull_utf8_clean(c->bus_base, sizeof c->bus_base, bus_name, strlen(bus_name));
	if (open_format(c, columns, err, err_size) < 0) {
		lull_capture_close(c);
		return NULL;
	}
	return c;
}

struct lull_capture *lull_capture_open(const char *path, const char *bus_name,
	const struct lull_csv_columns *columns, char *err, size_t err_size)
{
	int error_number;
	struct lull_stream *stream = lull_stream_open(path, &error_number);
	if (!stream) {
		snprintf(err, err_size, "%s: cannot be opened: %s", path, strerror(error_number));
		return NULL;
	}
	return capture_new(path, stream, bus_name, columns, err, err_size);
}

struct lull_capture *lull_capture_open_memory(const void *bytes, size_t size, const char *bus_name,
	const struct lull_csv_columns *columns, char *err, size_t err_size)
{
	struct lull_stream *stream = lull_stream_open_memory(bytes, size);
	if (!stream) {
		snprintf(err, err_size, "memory: out of memory");
		return NULL;
	}
	return capture_new("memory", stream, bus_name, columns, err, err_size);
}

void lull_capture_close(struct lull_capture *c)
{
	if (!c)
		return;
	if (c->format && c->format->close)
		c->format->close(c);
	lull_stream_close(c->stream);
	free(c->name);
	free(c->damage);
	free(c->first_skip);
	free(c);
}

size_t lull_capture_read(struct lull_capture *c, struct lull_frame *out, size_t max)
{
	if (c->ended || !max)
		return 0;
	const size_t n = c->format->read(c, out, max);
	if (!n) {
		c->ended = true;
		const char *damage = lull_stream_damage(c->stream);
		if (damage && !c->damage)
			lull_capture_set_damage(c, "damaged after frame %llu: %s; what comes before is used",
				(unsigned long long)c->frames, damage);
		return 0;
	}
	c->frames += n;
	/* A clock may be set while the capture runs: the last of each batch is looked at, too. */
	if (!c->dates)
		c->dates = out[0].t >= DATES_FROM_NS || out[n - 1].t >= DATES_FROM_NS;
	return n;
}

unsigned lull_capture_bus_count(const struct lull_capture *c)
{
	return c->bus_count;
}

const char *lull_capture_bus_name(const struct lull_capture *c, unsigned bus)
{
	return bus < c->bus_count ? c->bus[bus] : NULL;
}

bool lull_capture_has_dates(const struct lull_capture *c)
{
	return c->dates;
}

const char *lull_capture_damage(const struct lull_capture *c)
{
	return c->damage;
}

uint64_t lull_capture_skipped(const struct lull_capture *c, const char **text)
{
	if (text)
		*text = c->first_skip;
	return c->skipped;
}

void lull_capture_digest(struct lull_capture *c, uint8_t out[LULL_DIGEST])
{
	lull_stream_digest(c->stream, out);
}

double lull_capture_progress(const struct lull_capture *c)
{
	if (c->ended)
		return 1;
	return c->format->progress ? c->format->progress(c) : lull_stream_progress(c->stream);
}

const char *lull_capture_kind(const struct lull_capture *c)
{
	return c->kind;
}

const char *lull_capture_note(const struct lull_capture *c)
{
	return c->note[0] ? c->note : NULL;
}
