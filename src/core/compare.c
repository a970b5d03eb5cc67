/* SPDX-License-Identifier: GPL-3.0-or-later */
/* compare: two nights, before and after a repair. Pure. */
#include <lull/compare.h>

#include "core/counts.h"
#include "core/pairing.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define BEATS_MISSED 3.0 /* a wake that came evenly has stopped if so many are missing */
#define CHANCE 0.05
#define SLEEP_LEAST_S 60 /* one key-off a night: how much two of one car differ is not known, so judged roughly */
#define SLEEP_SHARE 0.2
#define SECONDS_A_DAY 86400.0

/* One night of the two, and the bus of it that is looked at. */
struct side {
	const struct lull_night *night;
	const struct lull_verdict *v;
	int bus; /* -1: this night has not got it */
};

/* Room for one more; NULL when memory is out, and `at` stays as it was. */
static void *room_for(void *at, size_t n, size_t *room, size_t size)
{
	if (n < *room)
		return at;
	size_t want = *room ? *room * 2 : 8;
	void *grown = realloc(at, want * size);
	if (grown)
		*room = want;
	return grown;
}

const char *lull_measure_name(enum lull_measure m)
{
	switch (m) {
	case LULL_TIME_TO_SLEEP: return "time-to-sleep";
	case LULL_WAKES_A_DAY: return "wakes-a-day";
	case LULL_QUIET_DRAW: return "quiet-draw";
	case LULL_CHARGE_A_DAY: return "charge-a-day";
	case LULL_MEASURE_COUNT: break;
	}
	return "";
}

const char *lull_difference_name(enum lull_difference d)
{
	switch (d) {
	case LULL_NOT_KNOWN: return "unknown";
	case LULL_NO_MORE_THAN_NOISE: return "within-noise";
	case LULL_LESS: return "less";
	case LULL_MORE: return "more";
	}
	return "";
}

const char *lull_fate_name(enum lull_fate f)
{
	switch (f) {
	case LULL_GONE: return "gone";
	case LULL_STILL: return "still-there";
	case LULL_NEW: return "new";
	case LULL_FATE_UNKNOWN: return "unknown";
	}
	return "";
}

const char *lull_outcome_name(enum lull_outcome o)
{
	switch (o) {
	case LULL_WORKED: return "worked";
	case LULL_PARTLY: return "partly";
	case LULL_DID_NOT_WORK: return "did-not-work";
	case LULL_UNDECIDED: return "undecided";
	case LULL_NOTHING_BEFORE: return "nothing-before";
	}
	return "";
}

/* --- measures --- */

static const struct lull_reading unmeasured = { NAN, NAN, NAN, NAN };

static bool judged(const struct lull_verdict *v)
{
	return v->settle_from != LULL_NEVER && v->judged_to != LULL_NEVER && v->judged_to > v->settle_from;
}

static bool slept(const struct side *s)
{
	return s->bus >= 0 && judged(s->v) && !s->v->bus[s->bus].stub && s->v->bus[s->bus].first_quiet != LULL_NEVER;
}

static bool has(const struct lull_verdict *v, enum lull_code code, int bus)
{
	for (size_t i = 0; i < v->findings.n; i++)
		if (v->findings.at[i].code == code && (v->findings.at[i].bus == bus || v->findings.at[i].bus == LULL_BUS_ALL))
			return true;
	return false;
}

static struct lull_reading sleep_of(const struct side *s)
{
	struct lull_reading r = unmeasured;
	if (slept(s)) {
		/* a sleep behind a blind time may have begun earlier; then nothing is known of its time */
		lull_time quiet = s->v->bus[s->bus].first_quiet, span = quiet - s->v->settle_from;
		if (span < 0)
			span = 0;
		if (span - counts_observed(s->v, (unsigned)s->bus, s->v->settle_from, quiet) > LULL_MIN + span / 20)
			return r;
		r.value = r.low = r.high = (double)span / 1e9;
	} else if (s->bus >= 0 && judged(s->v) && has(s->v, LULL_HELD_AWAKE, s->bus)) {
		r.value = r.low = (double)counts_observed(s->v, (unsigned)s->bus, s->v->settle_from, s->v->judged_to) / 1e9;
		r.high = INFINITY;
	}
	if (isfinite(r.value))
		r.limit = s->v->limit_sleep_s;
	return r;
}

/* Wakes after the first sleep, and the seconds in which they would have been seen. */
static size_t wakes_of(const struct side *s, double *seconds)
{
	size_t n = 0;
	lull_time from = s->v->bus[s->bus].first_quiet;
	*seconds = (double)counts_observed(s->v, (unsigned)s->bus, from, s->v->judged_to) / 1e9;
	for (size_t i = 0; i < s->v->spells.n; i++)
		n += s->v->spells.at[i].bus == s->bus && counts_as_wake(&s->v->spells.at[i]);
	return n;
}

static struct lull_reading rate_of(size_t n, double seconds)
{
	struct lull_reading r = unmeasured;
	counts_interval(n, &r.low, &r.high);
	r.value = (double)n / seconds * SECONDS_A_DAY;
	r.low *= SECONDS_A_DAY / seconds;
	r.high *= SECONDS_A_DAY / seconds;
	return r;
}

static struct lull_reading banded(double value, double error, double factor, double limit)
{
	if (!isfinite(value) || !isfinite(error))
		return unmeasured;
	return (struct lull_reading){ value * factor, (value - error) * factor, (value + error) * factor, limit };
}

static const char *which_side(bool before, bool after)
{
	return before ? "the night after" : after ? "the night before" : "either night";
}

static void compare_sleep(const struct side *b, const struct side *a, struct lull_compared *m)
{
	m->before = sleep_of(b);
	m->after = sleep_of(a);
	double x = m->before.value, y = m->after.value, noise = fmax(SLEEP_LEAST_S, SLEEP_SHARE * fmax(x, y));
	bool x_open = isinf(m->before.high), y_open = isinf(m->after.high);
	if (!isfinite(x) || !isfinite(y)) {
		snprintf(m->noise, sizeof m->noise, "not observed in %s", which_side(isfinite(x), isfinite(y)));
		return;
	}
	snprintf(m->noise, sizeof m->noise, "one key-off each: only a difference above 1 min and a fifth of the longer counts (here %.0f s)", noise);
	m->difference = LULL_NO_MORE_THAN_NOISE;
	if (x_open && y_open) {
		m->difference = LULL_NOT_KNOWN;
		snprintf(m->noise, sizeof m->noise, "neither night saw the sleep, only that it took longer than was observed");
	} else if (x - y > noise) {
		m->difference = y_open ? LULL_NOT_KNOWN : LULL_LESS;
	} else if (y - x > noise) {
		m->difference = x_open ? LULL_NOT_KNOWN : LULL_MORE;
	} else if (x_open || y_open) {
		m->difference = LULL_NOT_KNOWN;
	}
	if (m->difference == LULL_NOT_KNOWN && x_open != y_open)
		snprintf(m->noise, sizeof m->noise, "in %s no sleep was seen, but no longer was observed than the other took", x_open ? "the night before" : "the night after");
}

static void compare_wakes(const struct side *b, const struct side *a, struct lull_compared *m)
{
	double x_s = 0, y_s = 0;
	size_t x = slept(b) ? wakes_of(b, &x_s) : 0, y = slept(a) ? wakes_of(a, &y_s) : 0;
	m->before = x_s > 0 ? rate_of(x, x_s) : unmeasured;
	m->after = y_s > 0 ? rate_of(y, y_s) : unmeasured;
	if (!(x_s > 0) || !(y_s > 0)) {
		snprintf(m->noise, sizeof m->noise, "%s shows no sleep from which it could be woken", which_side(x_s > 0, y_s > 0));
		return;
	}
	double fewer = counts_chance_of_more(x, x_s, y, y_s), more = counts_chance_of_more(y, y_s, x, x_s), p = fmin(1, 2 * fmin(fewer, more));
	m->difference = p >= CHANCE ? LULL_NO_MORE_THAN_NOISE : fewer < more ? LULL_LESS : LULL_MORE;
	snprintf(m->noise, sizeof m->noise, "%zu in %.1f h before, %zu in %.1f h after: equal rates, at random (Poisson), differ so much in %.*f %% of cases; 5 %% is the bar", x,
		x_s / 3600, y, y_s / 3600, p < 0.1 ? 1 : 0, 100 * p);
}

/* Readings with a band each: they differ if the difference exceeds both bands together. */
static void compare_bands(struct lull_compared *m, const char *how, const char *unit)
{
	double x = m->before.value, y = m->after.value;
	if (!isfinite(x) || !isfinite(y)) {
		snprintf(m->noise, sizeof m->noise, "not measured in %s", which_side(isfinite(x), isfinite(y)));
		return;
	}
	double band = hypot(m->before.high - x, m->after.high - y);
	m->difference = fabs(x - y) <= band ? LULL_NO_MORE_THAN_NOISE : y < x ? LULL_LESS : LULL_MORE;
	snprintf(m->noise, sizeof m->noise, "%s (95 %%), give +-%.*f %s together", how, band < 10 ? 1 : 0, band, unit);
}

static struct lull_reading draw_of(const struct lull_verdict *v)
{
	const struct lull_current_report *c = &v->current;
	return c->usable ? banded(c->quiet_mA, c->quiet_error_mA, 1, v->limit_draw_mA) : unmeasured;
}

static struct lull_reading charge_of(const struct lull_verdict *v)
{
	const struct lull_current_report *c = &v->current;
	return c->usable ? banded(c->average_mA, c->average_error_mA, 24, NAN) : unmeasured;
}

/* --- findings --- */

/* A fault, or a night that could not tell? */
static bool fault(enum lull_code code)
{
	switch (code) {
	case LULL_HELD_AWAKE:
	case LULL_LATE_TO_SLEEP:
	case LULL_WOKEN_AGAIN:
	case LULL_WOKEN_FROM_OUTSIDE:
	case LULL_DRAW_WHILE_QUIET:
	case LULL_PULSES_WHILE_QUIET:
	case LULL_BUS_NOT_VISIBLE: return true;
	case LULL_WITHIN_LIMIT:
	case LULL_DRAW_NOT_MEASURED:
	case LULL_TOO_EARLY:
	case LULL_BLIND:
	case LULL_CLAMP_LOST:
	case LULL_CODE_COUNT: return false;
	}
	return false;
}

static const struct lull_suspect *named(const struct lull_finding *f)
{
	return f->named >= 0 ? &f->suspects.at[f->named] : NULL;
}

static bool same_finding(const struct side *b, const struct lull_finding *x, const struct side *a, const struct lull_finding *y)
{
	if (x->code != y->code)
		return false;
	if (x->bus == LULL_BUS_ALL || y->bus == LULL_BUS_ALL) {
		if (x->bus != y->bus)
			return false;
	} else if (pairing_bus(b->night, x->bus, a->night) != y->bus) {
		return false;
	}
	const struct lull_suspect *p = named(x), *q = named(y);
	return !p || !q || !strcmp(p->node, q->node) || pairing_ids(p->ids, p->id_count, q->ids, q->id_count);
}

/* Late and held are degrees of one fault: the other one on the bus means that it is not gone. */
static bool sleeps_badly(enum lull_code code)
{
	return code == LULL_HELD_AWAKE || code == LULL_LATE_TO_SLEEP;
}

/* Period of the wakes of this finding if nearly all of them keep one; 0. */
static double beat_of(const struct side *s, const struct lull_finding *f)
{
	int waker = f->named >= 0 ? f->suspects.at[f->named].node_index : -1;
	size_t all = 0, even = 0;
	double period = 0;
	for (size_t i = 0; i < s->v->wakes.n; i++) {
		const struct lull_wake_group *g = &s->v->wakes.at[i];
		if (g->bus != f->bus || g->waker != waker || g->relayed)
			continue;
		all += g->n;
		if (g->rhythm == LULL_RHYTHM_PERIODIC && !g->skips) {
			even += g->n;
			period = g->period_s > period ? g->period_s : period;
		}
	}
	return all && even * 10 >= all * 8 ? period : 0;
}

/* Would the night after have shown this fault of the night before, were it still there? why: "" yes. */
static void would_show(const struct side *b, const struct lull_finding *f, const struct side *a, char *why, size_t size)
{
	struct side x = *b, y = *a;
	x.bus = f->bus == LULL_BUS_ALL ? -1 : f->bus;
	y.bus = f->bus == LULL_BUS_ALL ? -1 : pairing_bus(b->night, f->bus, a->night);
	why[0] = 0;
	if (f->bus != LULL_BUS_ALL && y.bus < 0) {
		snprintf(why, size, "the night after has no such bus");
		return;
	}
	switch (f->code) {
	case LULL_HELD_AWAKE:
	case LULL_LATE_TO_SLEEP:
		if (!isfinite(sleep_of(&y).value))
			snprintf(why, size, "the night after does not show when this bus fell asleep");
		break;
	case LULL_WOKEN_AGAIN:
	case LULL_WOKEN_FROM_OUTSIDE: {
		double x_s = 0, y_s = 0;
		size_t n = slept(&x) ? wakes_of(&x, &x_s) : 0, m = slept(&y) ? wakes_of(&y, &y_s) : 0;
		double chance = x_s > 0 && y_s > 0 ? counts_chance_of_more(n, x_s, m, y_s) : 1;
		double period = beat_of(b, f);
		/* what came like clockwork is missed sooner than what comes at random */
		if (!m && period > 0 && y_s >= BEATS_MISSED * period)
			break;
		if (chance >= CHANCE)
			snprintf(why, size, "the night after was observed asleep for %.1f h with %zu %s: too short to tell that it wakes less often (%.0f %% by chance)",
				y_s / 3600, m, m == 1 ? "wake" : "wakes", 100 * chance);
		break;
	}
	case LULL_DRAW_WHILE_QUIET:
	case LULL_PULSES_WHILE_QUIET:
	case LULL_BUS_NOT_VISIBLE: {
		const struct lull_current_report *c = &a->v->current;
		if (!c->usable || !isfinite(c->quiet_mA) || c->lost_at != LULL_NEVER)
			snprintf(why, size, "the night after has no current measured to its end");
		else if (f->code == LULL_DRAW_WHILE_QUIET && !(c->quiet_mA + c->quiet_error_mA < a->v->limit_draw_mA))
			snprintf(why, size, "the quiet draw of the night after is too near the limit to say");
		break;
	}
	case LULL_WITHIN_LIMIT:
	case LULL_DRAW_NOT_MEASURED:
	case LULL_TOO_EARLY:
	case LULL_BLIND:
	case LULL_CLAMP_LOST:
	case LULL_CODE_COUNT: break;
	}
}

static void copy_bus(char out[LULL_BUS_NAME], const struct lull_night *night, unsigned bus)
{
	if (bus < night->bus_count)
		snprintf(out, LULL_BUS_NAME, "%s", night->bus[bus].name);
}

static void add_fate(struct lull_comparison *out, const struct lull_fate_of *one, bool *oom)
{
	void *at = room_for(out->findings.at, out->findings.n, &out->findings.room, sizeof *one);
	if (!at) {
		*oom = true;
		return;
	}
	out->findings.at = at;
	out->findings.at[out->findings.n++] = *one;
}

static void compare_findings(const struct side *b, const struct side *a, struct lull_comparison *out, bool *oom)
{
	bool *taken = calloc(a->v->findings.n + 1, sizeof *taken);
	if (!taken) {
		*oom = true;
		return;
	}
	for (size_t i = 0; i < b->v->findings.n && !*oom; i++) {
		const struct lull_finding *f = &b->v->findings.at[i];
		struct lull_fate_of one = { .fate = LULL_GONE, .before = f };
		if (!fault(f->code))
			continue;
		copy_bus(one.bus, b->night, f->bus);
		for (size_t k = 0; k < a->v->findings.n && !one.after; k++)
			if (!taken[k] && same_finding(b, f, a, &a->v->findings.at[k])) {
				taken[k] = true;
				one.fate = LULL_STILL;
				one.after = &a->v->findings.at[k];
			}
		/* held before and late after, or the other way round: one fault in two degrees */
		for (size_t k = 0; k < a->v->findings.n && !one.after && sleeps_badly(f->code); k++) {
			const struct lull_finding *g = &a->v->findings.at[k];
			if (!taken[k] && sleeps_badly(g->code) && pairing_bus(b->night, f->bus, a->night) == g->bus) {
				taken[k] = true;
				one.fate = LULL_STILL;
				one.after = g;
			}
		}
		if (!one.after) {
			would_show(b, f, a, one.why, sizeof one.why);
			if (one.why[0])
				one.fate = LULL_FATE_UNKNOWN;
		}
		add_fate(out, &one, oom);
	}
	for (size_t k = 0; k < a->v->findings.n && !*oom; k++) {
		struct lull_fate_of one = { .fate = LULL_NEW, .after = &a->v->findings.at[k] };
		if (taken[k] || !fault(one.after->code))
			continue;
		copy_bus(one.bus, a->night, one.after->bus);
		add_fate(out, &one, oom);
	}
	free(taken);
}

/* --- all of it --- */

static void add_measure(struct lull_comparison *out, const struct lull_compared *m, bool *oom)
{
	void *at = room_for(out->measures.at, out->measures.n, &out->measures.room, sizeof *m);
	if (!at) {
		*oom = true;
		return;
	}
	out->measures.at = at;
	out->measures.at[out->measures.n++] = *m;
}

static void measure_bus(struct side b, struct side a, struct lull_comparison *out, bool *oom)
{
	struct lull_compared m = { .what = LULL_TIME_TO_SLEEP };
	copy_bus(m.bus, b.bus >= 0 ? b.night : a.night, (unsigned)(b.bus >= 0 ? b.bus : a.bus));
	compare_sleep(&b, &a, &m);
	add_measure(out, &m, oom);
	if (*oom)
		return;
	m.what = LULL_WAKES_A_DAY;
	m.difference = LULL_NOT_KNOWN;
	compare_wakes(&b, &a, &m);
	add_measure(out, &m, oom);
}

static enum lull_outcome decide(const struct lull_comparison *c)
{
	size_t count[LULL_FATE_UNKNOWN + 1] = { 0 };
	if (lull_comparison_doubtful(c))
		return LULL_UNDECIDED;
	for (size_t i = 0; i < c->findings.n; i++)
		count[c->findings.at[i].fate]++;
	if (!count[LULL_GONE] && !count[LULL_STILL] && !count[LULL_FATE_UNKNOWN])
		return LULL_NOTHING_BEFORE;
	bool less = false;
	for (size_t i = 0; i < c->measures.n; i++)
		less |= c->measures.at[i].difference == LULL_LESS;
	if (count[LULL_STILL] || count[LULL_NEW])
		return count[LULL_GONE] || less ? LULL_PARTLY : LULL_DID_NOT_WORK;
	return count[LULL_FATE_UNKNOWN] ? LULL_UNDECIDED : LULL_WORKED;
}

int lull_compare(const struct lull_night *before, const struct lull_verdict *bv, const struct lull_night *after,
	const struct lull_verdict *av, struct lull_comparison *out)
{
	struct side b = { before, bv, -1 }, a = { after, av, -1 };
	bool oom = false;

	memset(out, 0, sizeof *out);
	for (unsigned bus = 0; bus < before->bus_count && !oom; bus++)
		measure_bus((struct side){ before, bv, (int)bus }, (struct side){ after, av, pairing_bus(before, bus, after) }, out, &oom);
	for (unsigned bus = 0; bus < after->bus_count && !oom; bus++)
		if (pairing_bus(after, bus, before) < 0)
			measure_bus(b, (struct side){ after, av, (int)bus }, out, &oom);
	struct lull_compared m = { .what = LULL_QUIET_DRAW, .before = draw_of(bv), .after = draw_of(av) };
	compare_bands(&m, "the bands of both quiet levels, their zeros included", "mA");
	if (!oom)
		add_measure(out, &m, &oom);
	m = (struct lull_compared){ .what = LULL_CHARGE_A_DAY, .before = charge_of(bv), .after = charge_of(av) };
	compare_bands(&m, "the bands of both averages, their zeros included, though not how days differ", "mAh");
	if (!oom)
		add_measure(out, &m, &oom);
	if (!oom)
		compare_findings(&b, &a, out, &oom);
	if (oom) {
		lull_comparison_clear(out);
		return -ENOMEM;
	}
	out->ids_before = bv->ids.n;
	out->ids_after = av->ids.n;
	out->ids_shared = pairing_shared(before, bv, after, av);
	out->outcome = decide(out);
	out->all_clear = lull_verdict_status(av) == 0;
	return 0;
}

void lull_comparison_clear(struct lull_comparison *c)
{
	free(c->measures.at);
	free(c->findings.at);
	memset(c, 0, sizeof *c);
}

bool lull_comparison_doubtful(const struct lull_comparison *c)
{
	size_t fewer = c->ids_before < c->ids_after ? c->ids_before : c->ids_after;
	return c->ids_shared * 2 < fewer;
}

int lull_comparison_status(const struct lull_comparison *c)
{
	return c->outcome == LULL_WORKED && c->all_clear && !lull_comparison_doubtful(c) ? 0 : 1;
}
