/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuzz_observe: bytes -> frames of any stamp, order and ID -> retimers and observer -> a night of bounded size. */
#include <lull/night.h>
#include <lull/observe.h>

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define ROWS_MOST 20000
#define BUSES 3

/* A night that refuses rows beyond a number, as a full disk would. */
struct capped {
	struct lull_night night;
	struct lull_sink sink;
	size_t rows;
};

static int count(struct capped *c)
{
	return ++c->rows > ROWS_MOST ? -ENOSPC : 0;
}

/* What any row must be, whatever comes in. */
static int stretch(void *ctx, const struct lull_stretch *row)
{
	struct capped *c = ctx;

	if (row->first < 0 || row->last < row->first || !row->frames || row->gap_min > row->gap_max || row->bus >= BUSES)
		abort();
	if (row->kind == LULL_STRETCH_CYCLIC && row->fit.n > (double)row->frames)
		abort();
	int err = count(c);

	return err ? err : c->sink.stretch(c->sink.ctx, row);
}

static int cadence(void *ctx, const struct lull_cadence *row)
{
	struct capped *c = ctx;

	if (row->window % LULL_CADENCE || !(row->fit.n > 0) || row->period_ns <= 0)
		abort();
	int err = count(c);

	return err ? err : c->sink.cadence(c->sink.ctx, row);
}

static int gap(void *ctx, const struct lull_gap *row)
{
	struct capped *c = ctx;

	if (row->last < 0 || (row->next != LULL_NEVER && row->next - row->last < LULL_SEC))
		abort();
	int err = count(c);

	return err ? err : c->sink.gap(c->sink.ctx, row);
}

static int change(void *ctx, const struct lull_change *row)
{
	struct capped *c = ctx;
	int err = count(c);

	return err ? err : c->sink.change(c->sink.ctx, row);
}

static int edge(void *ctx, const struct lull_edge *row)
{
	struct capped *c = ctx;

	if (!row->copies || row->last_copy < row->frame.t || row->frame.t < 0)
		abort();
	int err = count(c);

	return err ? err : c->sink.edge(c->sink.ctx, row);
}

static int coverage(void *ctx, const struct lull_coverage *row)
{
	struct capped *c = ctx;

	if (row->from < 0 || row->to < row->from)
		abort();
	int err = count(c);

	return err ? err : c->sink.coverage(c->sink.ctx, row);
}

struct input {
	const uint8_t *at;
	size_t left;
};

static uint64_t take(struct input *in, size_t bytes)
{
	uint64_t value = 0;

	for (size_t i = 0; i < bytes; i++) {
		value = value << 8 | (in->left ? *in->at : 0);
		if (in->left) {
			in->at++;
			in->left--;
		}
	}
	return value;
}

/* Steps of time from nothing to centuries, mostly those at which something happens. */
static int64_t step(struct input *in)
{
	uint8_t how = (uint8_t)take(in, 1);

	switch (how & 15) {
	case 0: return (int64_t)take(in, 8);
	case 1: return -(int64_t)take(in, 4);
	case 2: return (int64_t)take(in, 5);
	case 3: return (how >> 4) * LULL_SEC;
	case 4: return (how >> 4) * LULL_MIN;
	case 5: return (how >> 4) * 24 * 60 * LULL_MIN;
	case 6: return -(how >> 4) * LULL_SEC;
	case 7: return (how >> 4) * 270 * LULL_US;
	default: return (how >> 4) * LULL_MS;
	}
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
	struct input in = {bytes, size};
	struct capped c = {.rows = 0};
	struct lull_sink sink = {.ctx = &c, .stretch = stretch, .cadence = cadence, .gap = gap, .change = change,
		.edge = edge, .coverage = coverage};
	uint64_t stamp = take(&in, 8), seed = take(&in, 1);

	lull_night_init(&c.night);
	c.sink = lull_night_sink(&c.night);
	struct lull_observer *observer = lull_observer_new(&sink);
	struct lull_retimer *retimer[2] = {NULL, NULL};
	int err = observer ? 0 : -ENOMEM;

	for (int i = 0; i < BUSES && !err; i++)
		if (lull_observer_bus(observer, i == 0 ? "a" : i == 1 ? "b" : "c", i ? 500000 : 0, 0) != i)
			abort();
	for (int i = 0; i < 2 && !err; i++) {
		retimer[i] = lull_retimer_new(observer, &sink, (int64_t)stamp);
		if (!retimer[i])
			err = -ENOMEM;
	}
	while (in.left && (!err || err == -EINVAL)) {
		uint8_t what = (uint8_t)take(&in, 1);
		struct lull_frame f = {.bus = what & 3, .len = 8};

		if (what >= 0xf8) {
			lull_time last = lull_retimer_last(retimer[0]);

			last = last == LULL_NEVER ? 0 : last;
			err = what & 4 ? lull_observer_tick(observer, last + (what & 3) * LULL_SEC)
				       : lull_observer_blind(observer, what & 1 ? LULL_BUS_ALL : 0, last, last + (what & 2) * LULL_SEC,
						 LULL_BLIND_LINK_DOWN);
			continue;
		}
		stamp += (uint64_t)step(&in);
		seed = seed * 6364136223846793005u + 1;
		f.t = (int64_t)stamp;
		if (what & 4)
			f.id = (uint32_t)take(&in, 4);
		else if (what & 8)
			f.id = LULL_ID_EXTENDED | (uint32_t)(seed >> 35);
		else
			f.id = 0x100 + (what >> 4);
		if ((what & 0x34) == 0x34)
			f.flags = (uint8_t)take(&in, 1);
		f.len = (uint8_t)(what & 0x40 && f.flags ? what : 8);
		const uint64_t payload = what & 0x80 ? seed : 0;

		memcpy(f.data, &payload, 8);
		/* One byte of input may be a whole run of frames, so that stretches, tables and windows fill. */
		uint64_t times = what & 8 ? 200 : what & 0x10 ? 40 : 1;
		int64_t period = (int64_t)(1 + (seed >> 60)) * 10 * LULL_MS;

		for (uint64_t i = 0; i < times && (!err || err == -EINVAL); i++) {
			err = lull_retimer_frame(retimer[what >> 7], &f);
			stamp += times > 1 ? (uint64_t)period : 0;
			f.t = (int64_t)stamp;
			if (what & 8)
				f.id = LULL_ID_EXTENDED | ((f.id * 2654435761u + 1) & LULL_ID_BITS);
		}
	}
	for (int i = 0; i < 2; i++) {
		if (retimer[i] && (!err || err == -EINVAL))
			err = lull_retimer_flush(retimer[i]);
	}
	if (!err || err == -EINVAL)
		err = lull_observer_finish(observer, 0);
	if (!err && lull_night_sort(&c.night))
		abort();
	lull_retimer_free(retimer[0]);
	lull_retimer_free(retimer[1]);
	lull_observer_free(observer);
	lull_night_clear(&c.night);
	return 0;
}
