/* SPDX-License-Identifier: GPL-3.0-or-later */
/* live: one face for all live sources of current: what is lost, when it is tried again, and readings in microamperes. */
#include <source/clamp_impl.h>
#include <source/live_impl.h>
#include <source/scpi_query.h>

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define RETRY (5 * LULL_SEC)

struct lull_live {
	struct lull_live_spec spec;
	const struct lull_live_ops *ops;
	void *self; /* NULL: not open */
	lull_time alive; /* last reading, or when it was opened */
	lull_time retry; /* not open: when to try */
	lull_time last_t;
	bool lost, held;
	struct lull_live_event reading; /* held back behind LULL_LIVE_BACK */
	uint64_t senseless;
};

const char *lull_live_kind_name(enum lull_live_kind k)
{
	switch (k) {
	case LULL_LIVE_IIO: return "iio";
	case LULL_LIVE_SCPI: return "scpi";
	case LULL_LIVE_LINES: break;
	}
	return "lines";
}

int lull_live_kind_parse(const char *text, enum lull_live_kind *out)
{
	enum lull_live_kind k;

	for (k = LULL_LIVE_IIO; k <= LULL_LIVE_LINES; k++) {
		if (!strcasecmp(text, lull_live_kind_name(k))) {
			*out = k;
			return 0;
		}
	}
	return -EINVAL;
}

struct lull_live_spec lull_live_spec_default(void)
{
	return (struct lull_live_spec){.kind = LULL_LIVE_LINES,
		.query = "MEAS:VOLT:DC?",
		.baud = 9600,
		.gain = (double)NAN,
		.divider = 1,
		.mV_per_A = (double)NAN,
		.range_A = (double)NAN,
		.period_ns = 200 * LULL_MS,
		.lost_ns = 5 * LULL_SEC};
}

int lull_live_spec_check(const struct lull_live_spec *s, char *err, size_t size)
{
	const bool volts = s->kind == LULL_LIVE_IIO || s->unit == LULL_CLAMP_UNIT_AUTO || clamp_is_voltage(s->unit);
	const char *bad = NULL;

	if (!s->device[0] || strnlen(s->device, sizeof s->device) == sizeof s->device)
		bad = "the device is missing";
	else if (s->kind == LULL_LIVE_IIO && !s->channel[0])
		bad = "an ADC needs a channel, such as voltage0 or voltage0-voltage1";
	else if (s->kind == LULL_LIVE_SCPI && !lull_scpi_query_ok(s->query))
		bad = "a CAN bridge might take the query for a frame; " LULL_SCPI_QUERY_RULE;
	else if (s->period_ns < LULL_MS || s->period_ns > LULL_MIN)
		bad = "the time between readings must lie within 1 ms and 1 min";
	else if (s->lost_ns < 100 * LULL_MS || s->lost_ns > 60 * LULL_MIN)
		bad = "the time after which an instrument counts as lost must lie within 0.1 s and 1 h";
	else if (!isfinite(s->divider) || s->divider == 0)
		bad = "the divider must be a number other than zero";
	else if (volts && s->kind == LULL_LIVE_SCPI && !(s->mV_per_A > 0))
		bad = "the meter shows volts: the clamp's scale is missing, such as 100 mV/A";
	if (bad)
		(void)snprintf(err, size, "%s", bad);
	return bad ? -EINVAL : 0;
}

struct lull_live *lull_live_open_with(const struct lull_live_spec *s, lull_time now, const struct lull_live_ops *ops)
{
	char err[160];
	struct lull_live *l;

	if (lull_live_spec_check(s, err, sizeof err))
		return NULL;
	l = calloc(1, sizeof *l);
	if (!l)
		return NULL;
	*l = (struct lull_live){.spec = *s, .ops = ops, .retry = now, .alive = now, .last_t = LULL_NEVER};
	/* Five readings may be late before all of them are lost. */
	if (s->kind != LULL_LIVE_LINES && l->spec.lost_ns < 5 * s->period_ns)
		l->spec.lost_ns = 5 * s->period_ns;
	return l;
}

struct lull_live *lull_live_open(const struct lull_live_spec *s, lull_time now)
{
	switch (s->kind) {
	case LULL_LIVE_IIO: return lull_live_open_with(s, now, &lull_live_iio);
	case LULL_LIVE_SCPI: return lull_live_open_with(s, now, &lull_live_scpi);
	case LULL_LIVE_LINES: break;
	}
	return lull_live_open_with(s, now, &lull_live_lines);
}

static void shut(struct lull_live *l)
{
	if (l->self)
		l->ops->close(l->self);
	l->self = NULL;
}

void lull_live_close(struct lull_live *l)
{
	if (!l)
		return;
	shut(l);
	free(l);
}

int lull_live_fd(const struct lull_live *l)
{
	return l->self ? l->ops->fd(l->self) : -1;
}

short lull_live_poll(const struct lull_live *l)
{
	return l->self ? l->ops->events(l->self) : 0;
}

uint64_t lull_live_senseless(const struct lull_live *l)
{
	return l->senseless;
}

lull_time lull_live_due(const struct lull_live *l)
{
	lull_time due, silent = l->alive + l->spec.lost_ns;

	if (l->held)
		return l->alive; /* at once */
	if (!l->self)
		return l->retry;
	due = l->ops->due(l->self);
	return due < silent ? due : silent;
}

/* From here on nothing is measured. False: that is known already. */
static bool lose(struct lull_live *l, lull_time now, const char *why, struct lull_live_event *e)
{
	if (l->lost)
		return false;
	l->lost = true;
	*e = (struct lull_live_event){.what = LULL_LIVE_LOST, .t = now};
	(void)snprintf(e->why, sizeof e->why, "%s", why);
	return true;
}

/* False: a voltage without a scale, or no number. */
static bool scale(const struct lull_live *l, const struct lull_raw *raw, struct lull_live_event *e)
{
	const double most = isfinite(l->spec.range_A) ? fmin(l->spec.range_A * 1e6, INT32_MAX) : INT32_MAX;
	double uA = raw->over * most;

	if (!raw->over) {
		double per = clamp_uA_per(raw->unit, l->spec.mV_per_A);

		uA = raw->value * per * l->spec.divider;
		if (per == 0 || !isfinite(uA))
			return false;
	}
	e->over = raw->over || fabs(uA) >= most;
	if (l->spec.invert)
		uA = -uA;
	e->uA = fabs(uA) >= INT32_MAX ? (uA < 0 ? -INT32_MAX : INT32_MAX) : (int32_t)lrint(uA);
	return true;
}

static bool reading(struct lull_live *l, const struct lull_raw *raw, lull_time now, struct lull_live_event *e)
{
	*e = (struct lull_live_event){.what = LULL_LIVE_READING, .t = raw->t > now ? now : raw->t};
	if (!scale(l, raw, e)) {
		l->senseless++;
		return false;
	}
	/* In order, whatever the instrument's clock does. */
	if (e->t <= l->last_t)
		e->t = l->last_t + 1;
	l->last_t = e->t;
	l->alive = now;
	if (l->lost) {
		l->lost = false;
		l->held = true;
		l->reading = *e;
		*e = (struct lull_live_event){.what = LULL_LIVE_BACK, .t = l->reading.t};
	}
	return true;
}

/* The same, and it has to be opened anew. */
static bool end(struct lull_live *l, lull_time now, const char *why, struct lull_live_event *e)
{
	shut(l);
	l->retry = now + RETRY;
	return lose(l, now, why, e);
}

static bool silent(struct lull_live *l, lull_time now, struct lull_live_event *e)
{
	char why[128];

	if (now - l->alive < l->spec.lost_ns)
		return false;
	(void)snprintf(why, sizeof why, "%.60s: no reading for %.1f s%s", l->spec.device, (double)(now - l->alive) / 1e9,
		l->senseless ? " (what came made no sense)" : "");
	return end(l, now, why, e);
}

bool lull_live_step(struct lull_live *l, lull_time now, struct lull_live_event *e)
{
	char why[128] = "";

	if (l->held) {
		l->held = false;
		*e = l->reading;
		return true;
	}
	if (!l->self) {
		if (now < l->retry)
			return false;
		if (l->ops->open(&l->self, &l->spec, now, why, sizeof why)) {
			l->self = NULL;
			return end(l, now, why, e);
		}
		l->alive = now;
	}
	for (;;) {
		struct lull_raw raw = {.t = now};

		switch (l->ops->next(l->self, now, &raw, why, sizeof why)) {
		case LULL_GOT_NOTHING: return silent(l, now, e);
		case LULL_GOT_NO_SENSE: l->senseless++; break;
		case LULL_GOT_ENDED: return end(l, now, why, e);
		case LULL_GOT_LOST:
			l->alive = now; /* as far as its reader goes */
			if (lose(l, now, why, e))
				return true;
			break;
		case LULL_GOT_READING:
			if (reading(l, &raw, now, e))
				return true;
			break;
		}
	}
}
