/* SPDX-License-Identifier: GPL-3.0-or-later */
/* made_night: small nights made by hand for unit tests. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "made_night.h"

#include <lull/observe.h>

#define PUSH(a, item) \
	do { \
		if ((a).n == (a).room) { \
			(a).room = (a).room ? (a).room * 2 : 64; \
			(a).at = realloc((a).at, (a).room * sizeof *(a).at); \
			assert_non_null((a).at); \
		} \
		(a).at[(a).n++] = (item); \
	} while (0)

static lull_time at(double s)
{
	return (lull_time)llround(s * 1e9);
}

void once(struct script *s, uint32_t id, double t, unsigned data, unsigned copies)
{
	for (unsigned i = 0; i < copies; i++) {
		struct lull_frame f = { .t = at(t) + i * 270 * LULL_US, .id = id, .len = 8 };
		f.data[0] = (uint8_t)(data >> 8);
		f.data[1] = (uint8_t)data;
		PUSH(s->frames, f);
	}
}

void sends(struct script *s, uint32_t id, double period, double from, double to, unsigned data)
{
	sends_with(s, id, id, period, from, to, data);
}

void sends_with(struct script *s, uint32_t id, uint32_t clock, double period, double from, double to, unsigned data)
{
	period *= 1 + (double)(clock * 2654435761u >> 20) / 4096 * 160e-6 - 80e-6;
	for (size_t k = 0; from + (double)k * period < to; k++)
		once(s, id, from + (double)k * period + (id & 0xff) * 1e-5, data, 1);
}

void marked(struct script *s, double t, enum lull_mark_kind kind)
{
	struct lull_mark m = { .t = at(t), .kind = (uint8_t)kind, .value = NAN };
	PUSH(s->marks, m);
}

void covered(struct script *s, double from, double to, enum lull_coverage_why why)
{
	struct lull_coverage c = { .bus = 0, .why = (uint8_t)why, .from = at(from), .to = at(to) };
	PUSH(s->coverage, c);
}

static int earlier(const void *a, const void *b)
{
	const struct lull_frame *x = a, *y = b;
	return x->t < y->t ? -1 : x->t > y->t;
}

void judge(struct script *s, double end, const struct lull_profile *profile, struct lull_verdict *v)
{
	struct lull_night night;
	lull_night_init(&night);
	struct lull_sink sink = lull_night_sink(&night);
	struct lull_observer *o = lull_observer_new(&sink);
	assert_non_null(o);
	assert_int_equal(lull_observer_bus(o, "can0", 500000, 0), 0);
	if (s->frames.n)
		qsort(s->frames.at, s->frames.n, sizeof *s->frames.at, earlier);
	for (size_t i = 0, c = 0; i < s->frames.n; i++) {
		for (; c < s->coverage.n && s->coverage.at[c].to <= s->frames.at[i].t; c++)
			if (s->coverage.at[c].why != LULL_OBSERVED)
				assert_int_equal(lull_observer_blind(o, 0, s->coverage.at[c].from, s->coverage.at[c].to, s->coverage.at[c].why), 0);
		assert_int_equal(lull_observer_frame(o, &s->frames.at[i]), 0);
	}
	for (size_t i = 0; i < s->coverage.n; i++)
		assert_int_equal(sink.coverage(sink.ctx, &s->coverage.at[i]), 0);
	for (size_t i = 0; i < s->marks.n; i++)
		assert_int_equal(sink.mark(sink.ctx, &s->marks.at[i]), 0);
	if (s->uA.n) {
		struct lull_chunk chunk = { .step_ns = s->sample_step ? s->sample_step : LULL_SEC, .count = (uint32_t)s->uA.n, .uA = s->uA.at };
		assert_int_equal(sink.clamp(sink.ctx, &s->clamp), 0);
		assert_int_equal(sink.chunk(sink.ctx, &chunk), 0);
	}
	assert_int_equal(lull_observer_finish(o, at(end)), 0);
	lull_observer_free(o);
	assert_int_equal(lull_night_sort(&night), 0);
	struct lull_question ask = lull_question_default();
	ask.profile = profile;
	assert_int_equal(lull_judge(&night, &ask, v), 0);
	lull_night_clear(&night);
	free(s->frames.at);
	free(s->coverage.at);
	free(s->marks.at);
	free(s->uA.at);
	memset(s, 0, sizeof *s);
}

void parks(struct script *s, unsigned hold, double hold_to)
{
	for (unsigned i = 0; i < 4; i++)
		sends(s, 0x100 + i, 0.02 + 0.01 * i, 0, 60, 0x1234);
	for (unsigned i = 0; i < 6; i++)
		sends(s, 0x200 + 0x11 * i, 0.1, 0, i < hold ? hold_to : 70 + 7 * i, 0xa5a5);
}


void draws(struct script *s, double to, double mA)
{
	/* a cheap, repeatable noise of about 2 mA */
	static uint32_t state = 1;
	if (!s->uA.n)
		s->clamp = (struct lull_clamp){ .present = true,
			.mV_per_A = 100,
			.range_A = 60,
			.zero_before_mA = 0,
			.zero_after_mA = 0,
			.logger_mA = NAN,
			.live = true };
	double step = s->sample_step ? lull_seconds(s->sample_step) : 1;
	while ((double)s->uA.n * step < to) {
		double noise = -6;
		for (int i = 0; i < 4; i++) {
			state = state * 1664525u + 1013904223u;
			noise += (double)(state >> 8) / 16777216.0 * 3;
		}
		PUSH(s->uA, (int32_t)lround((mA + noise) * 1e3));
	}
	s->clamp.samples = s->uA.n;
}

const struct lull_finding *only(const struct lull_verdict *v, enum lull_code code)
{
	assert_int_equal(v->findings.n, 1);
	assert_string_equal(lull_code_name(v->findings.at[0].code), lull_code_name(code));
	return &v->findings.at[0];
}
