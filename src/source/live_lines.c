/* SPDX-License-Identifier: GPL-3.0-or-later */
/* live_lines: current from lines of `value` or `time value`, from a pipe, a serial line or a TCP connection. */
#include <source/live_impl.h>

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct reader {
	struct lull_wire wire;
	struct lull_live_clock clock;
	enum lull_clamp_unit unit;
	char device[128];
	bool begun; /* the first line may have been cut in the middle */
	lull_time opened;
};

static int open_lines(void **self, const struct lull_live_spec *s, lull_time now, char *why, size_t size)
{
	struct reader *l = calloc(1, sizeof *l);
	int r;

	if (!l)
		return -ENOMEM;
	r = lull_wire_open(&l->wire, s->device, s->baud, false, why, size);
	if (r) {
		free(l);
		return r;
	}
	l->unit = s->unit;
	l->opened = now;
	memcpy(l->device, s->device, sizeof l->device);
	*self = l;
	return 0;
}

static void close_lines(void *self)
{
	struct reader *l = self;

	lull_wire_close(&l->wire);
	free(l);
}

static int fd(const void *self)
{
	return ((const struct reader *)self)->wire.fd;
}

static short events(const void *self)
{
	return lull_wire_events(&((const struct reader *)self)->wire);
}

static lull_time due(const void *self)
{
	(void)self;
	return INT64_MAX;
}

static enum lull_got next(void *self, lull_time now, struct lull_raw *raw, char *why, size_t size)
{
	struct reader *l = self;
	struct lull_live_line f;
	char line[LULL_WIRE_LINE + 1], reason[64] = "";
	size_t n = 0;

	for (;;) {
		switch (lull_wire_line(&l->wire, line, &n, reason, sizeof reason)) {
		case LULL_WIRE_NONE: return LULL_GOT_NOTHING;
		case LULL_WIRE_TOO_LONG: return LULL_GOT_NO_SENSE;
		case LULL_WIRE_ENDED:
			(void)snprintf(why, size, "%.60s: %s", l->device, reason);
			return LULL_GOT_ENDED;
		case LULL_WIRE_LINE_READ: break;
		}
		/* Whoever joins a serial line in the middle of a number reads another number. */
		if (!l->begun && !strncmp(l->device, "/dev/", 5)) {
			l->begun = true;
			continue;
		}
		if (n)
			break;
	}
	if (lull_live_line_parse(line, n, &f))
		return LULL_GOT_NO_SENSE;
	raw->t = f.timed ? lull_live_clock_map(&l->clock, f.time_ns, now) : now;
	raw->value = f.value;
	raw->over = f.over;
	raw->unit = f.unit != LULL_CLAMP_UNIT_AUTO ? f.unit : l->unit != LULL_CLAMP_UNIT_AUTO ? l->unit : LULL_CLAMP_MV;
	return LULL_GOT_READING;
}

const struct lull_live_ops lull_live_lines = {
	.open = open_lines, .close = close_lines, .fd = fd, .events = events, .due = due, .next = next};
