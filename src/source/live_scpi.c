/* SPDX-License-Identifier: GPL-3.0-or-later */
/* live_scpi: current from a meter or scope that speaks SCPI (IEEE 488.2 messages ended by a line feed), over a serial line or TCP.
 * One question is out at a time. */
#include <source/live_impl.h>

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ANSWER (3 * LULL_SEC) /* a slow meter integrates for a second */
#define CONNECT (5 * LULL_SEC)
/* SCPI-99, 7.2.1.4 and 7.2.1.5: infinity is 9.9E37, not-a-number 9.91E37 [mem]. */
#define SCPI_INFINITY 9.9e37

struct meter {
	struct lull_wire wire;
	char query[96], device[128];
	enum lull_clamp_unit unit;
	int64_t period;
	bool asked;
	lull_time at; /* asked: when; else: when to ask */
	lull_time opened;
};

static int open_meter(void **self, const struct lull_live_spec *s, lull_time now, char *why, size_t size)
{
	struct meter *m = calloc(1, sizeof *m);
	int r;

	if (!m)
		return -ENOMEM;
	r = lull_wire_open(&m->wire, s->device, s->baud, true, why, size);
	if (r) {
		free(m);
		return r;
	}
	memcpy(m->query, s->query, sizeof m->query);
	memcpy(m->device, s->device, sizeof m->device);
	m->unit = s->unit == LULL_CLAMP_UNIT_AUTO ? LULL_CLAMP_V : s->unit;
	m->period = s->period_ns;
	m->at = m->opened = now;
	*self = m;
	return 0;
}

static void close_meter(void *self)
{
	struct meter *m = self;

	lull_wire_close(&m->wire);
	free(m);
}

static int fd(const void *self)
{
	return ((const struct meter *)self)->wire.fd;
}

static short events(const void *self)
{
	return lull_wire_events(&((const struct meter *)self)->wire);
}

static lull_time due(const void *self)
{
	const struct meter *m = self;

	if (m->wire.connecting)
		return m->opened + CONNECT;
	return m->asked ? m->at + ANSWER : m->at;
}

/* One answer: a number, several parted by commas of which the first counts. A unit behind it is the meter's own. */
static enum lull_got answer(struct meter *m, char *line, lull_time now, struct lull_raw *raw)
{
	struct lull_live_line f;
	lull_time asked = m->at;

	m->asked = false;
	m->at += m->period;
	if (m->at < now)
		m->at = now;
	line[strcspn(line, ",;\r")] = 0;
	if (lull_live_line_parse(line, strlen(line), &f) || f.timed || fabs(f.value) > SCPI_INFINITY * 1.0005)
		return LULL_GOT_NO_SENSE;
	/* It measured some time between question and answer. */
	raw->t = asked + (now - asked) / 2;
	raw->value = f.value;
	raw->over = f.over ? f.over : fabs(f.value) >= SCPI_INFINITY * 0.9999 ? (f.value < 0 ? -1 : 1) : 0;
	raw->unit = f.unit != LULL_CLAMP_UNIT_AUTO ? f.unit : m->unit;
	return LULL_GOT_READING;
}

static enum lull_got ended(const struct meter *m, const char *reason, char *why, size_t size)
{
	(void)snprintf(why, size, "%.60s: %s", m->device, reason);
	return LULL_GOT_ENDED;
}

static enum lull_got ask(struct meter *m, lull_time now, char *why, size_t size)
{
	int r = lull_wire_ask(&m->wire, m->query);

	if (r == -EAGAIN && m->wire.connecting)
		return now - m->opened < CONNECT ? LULL_GOT_NOTHING : ended(m, "no connection", why, size);
	if (r)
		return ended(m, strerror(-r), why, size);
	m->asked = true;
	m->at = now;
	return LULL_GOT_NOTHING;
}

static enum lull_got next(void *self, lull_time now, struct lull_raw *raw, char *why, size_t size)
{
	struct meter *m = self;
	char line[LULL_WIRE_LINE + 1], reason[64] = "";
	size_t n = 0;

	switch (lull_wire_line(&m->wire, line, &n, reason, sizeof reason)) {
	case LULL_WIRE_NONE: break;
	case LULL_WIRE_TOO_LONG: return LULL_GOT_NO_SENSE;
	case LULL_WIRE_ENDED: return ended(m, reason, why, size);
	case LULL_WIRE_LINE_READ:
		/* Nobody asked: the late answer to a question that was given up. */
		if (!m->asked)
			return LULL_GOT_NO_SENSE;
		return answer(m, line, now, raw);
	}
	if (m->asked && now - m->at < ANSWER)
		return LULL_GOT_NOTHING;
	if (m->asked) {
		m->asked = false;
		m->at = now;
		lull_wire_flush(&m->wire);
		return LULL_GOT_NO_SENSE;
	}
	return now < m->at ? LULL_GOT_NOTHING : ask(m, now, why, size);
}

const struct lull_live_ops lull_live_scpi = {
	.open = open_meter, .close = close_meter, .fd = fd, .events = events, .due = due, .next = next};
