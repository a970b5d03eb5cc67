/* SPDX-License-Identifier: GPL-3.0-or-later */
/* inputs: one or more captures, merged by stamp into one observer, each through a retimer of its own. */
#include <cmd/inputs.h>
#include <errno.h>
#include <lull/text.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LULL_PIECES_JOIN \
	LULL_SEC /* two captures of one bus that follow each other within this lie end to end */

static bool has_bus(const struct lull_input *in, unsigned bus)
{
	return in->mapped && memchr(in->map, (int)bus, in->mapped) != NULL;
}

static void fill(struct lull_input *in)
{
	in->at = 0;
	in->n = lull_capture_read(in->capture, in->batch, LULL_INPUT_BATCH);
}

int lull_inputs_open(
	struct lull_inputs *all, const struct lull_csv_columns *columns, char *err, size_t err_size)
{
	size_t i;

	for (i = 0; i < all->n; i++) {
		struct lull_input *in = &all->in[i];

		in->first = in->last = LULL_NEVER;
		in->batch = calloc(LULL_INPUT_BATCH, sizeof *in->batch);
		if (!in->batch) {
			(void)snprintf(err, err_size, "out of memory");
			return -1;
		}
		in->capture = lull_capture_open(
			in->path, in->named || all->n > 1 ? in->bus : NULL, columns, err, err_size);
		if (!in->capture)
			return -1;
		fill(in);
		in->has_frames = in->n > 0;
		if (in->n)
			in->first_stamp = in->batch[0].t;
	}
	return 0;
}

void lull_inputs_close(struct lull_inputs *all)
{
	size_t i;

	for (i = 0; i < all->n; i++) {
		if (all->in[i].capture)
			lull_capture_close(all->in[i].capture);
		if (all->in[i].retimer)
			lull_retimer_free(all->in[i].retimer);
		free(all->in[i].batch);
	}
	all->n = 0;
}

bool lull_inputs_first(const struct lull_inputs *all, int64_t *stamp)
{
	bool any = false;
	size_t i;

	for (i = 0; i < all->n; i++) {
		if (all->in[i].has_frames && (!any || all->in[i].first_stamp < *stamp)) {
			*stamp = all->in[i].first_stamp;
			any = true;
		}
	}
	return any;
}

int lull_inputs_bus(const struct lull_inputs *all, const char *name)
{
	for (unsigned b = 0; b < all->bus_count; b++)
		if (!strcmp(all->bus[b], name))
			return (int)b;
	for (unsigned b = 0; b < all->bus_count; b++)
		if (all->was[b][0] && !strcmp(all->was[b], name))
			return (int)b;
	return -1;
}

/* Some bus is called so, or will be, as far as the captures were read. */
static bool taken(const struct lull_inputs *all, const char *name)
{
	for (unsigned b = 0; b < all->bus_count; b++)
		if (!strcmp(all->bus[b], name))
			return true;
	for (size_t i = 0; i < all->n; i++) {
		const struct lull_input *in = &all->in[i];

		if (in->named && !strcmp(in->bus, name))
			return true;
		for (unsigned b = 0; b < lull_capture_bus_count(in->capture); b++)
			if (!strcmp(lull_capture_bus_name(in->capture, b), name))
				return true;
	}
	return false;
}

/* What a bus is called whose own name, `was`, will not do. */
static const char *other_name(const struct lull_inputs *all, char out[LULL_BUS_NAME])
{
	unsigned i = 0;

	do
		(void)snprintf(out, LULL_BUS_NAME, "can%u", i++);
	while (taken(all, out));
	return out;
}

/* The bus of that name, or of the other one that it was given, made if it is new. `own`: its name in the captures. */
static int make_bus(struct lull_inputs *all, const char *own)
{
	uint32_t rate = 0, rate_data = 0;
	char other[LULL_BUS_NAME];
	const char *name = own;
	size_t i;
	int b;

	for (unsigned k = 0; k < all->bus_count; k++)
		if (!strcmp(all->was[k][0] ? all->was[k] : all->bus[k], own))
			return (int)k;
	/* A name that will not do, or one that such a bus was given before this one turned up. */
	if (lull_name_fault(own, strlen(own)) || lull_inputs_bus(all, own) >= 0)
		name = other_name(all, other);
	/* Later entries win: what was given on the command line stands behind the profile's. */
	for (i = 0; i < all->rate_count; i++) {
		if (!strcmp(all->rates[i].name, name) || !strcmp(all->rates[i].name, own)) {
			rate = all->rates[i].bitrate;
			rate_data = all->rates[i].bitrate_data;
		}
	}
	b = lull_observer_bus(all->observer, name, rate, rate_data);
	if (b >= 0 && b < LULL_BUS_MAX && (unsigned)b >= all->bus_count) {
		(void)snprintf(all->bus[b], sizeof all->bus[b], "%s", name);
		if (name != own)
			(void)snprintf(all->was[b], sizeof all->was[b], "%s", own);
		all->bus_count = (unsigned)b + 1;
	}
	return b;
}

/* The user's name goes before the file's own; further buses of the same file carry both. */
static int make_named_bus(struct lull_inputs *all, const struct lull_input *in, const char *own)
{
	char name[2 * LULL_BUS_NAME];

	if (!in->named || strncmp(own, in->bus, strlen(in->bus)) == 0)
		return make_bus(all, own);
	if (!in->mapped)
		return make_bus(all, in->bus);
	(void)snprintf(name, sizeof name, "%s.%s", in->bus, own);
	name[LULL_BUS_NAME - 1] = 0;
	return make_bus(all, name);
}

/* Buses of the capture that have turned up since the last look. */
static int map_buses(struct lull_inputs *all, struct lull_input *in)
{
	unsigned count = lull_capture_bus_count(in->capture);

	while (in->mapped < count && in->mapped < LULL_BUS_ALL) {
		int b = make_named_bus(all, in, lull_capture_bus_name(in->capture, in->mapped));

		if (b == -ENOSPC)
			b = LULL_BUS_ALL;
		if (b < 0)
			return b;
		in->map[in->mapped++] = (uint8_t)b;
	}
	return 0;
}

int lull_inputs_buses(struct lull_inputs *all)
{
	size_t i;
	int r = 0;

	for (i = 0; i < all->n && !r; i++) {
		struct lull_input *in = &all->in[i];

		r = map_buses(all, in);
		if (!r && !in->mapped) {
			int b = make_bus(all, in->bus);

			if (b == -ENOSPC)
				b = LULL_BUS_ALL;
			if (b < 0)
				return b;
			in->map[in->mapped++] = (uint8_t)b;
		}
	}
	return r;
}

lull_time lull_inputs_last(const struct lull_inputs *all, unsigned bus, bool *damaged)
{
	lull_time last = LULL_NEVER;
	size_t i;

	*damaged = false;
	for (i = 0; i < all->n; i++) {
		const struct lull_input *in = &all->in[i];

		if (!in->ended || in->last == LULL_NEVER || !has_bus(in, bus) || in->last < last)
			continue;
		last = in->last;
		*damaged = lull_capture_damage(in->capture) != NULL;
	}
	return last;
}

static int cover(
	const struct lull_inputs *all, unsigned bus, enum lull_coverage_why why, lull_time from, lull_time to)
{
	const struct lull_coverage row = {.bus = (uint8_t)bus, .why = (uint8_t)why, .from = from, .to = to};

	return all->sink.coverage ? all->sink.coverage(all->sink.ctx, &row) : 0;
}

static bool told_observed(const struct lull_inputs *all, unsigned bus, lull_time from, lull_time to)
{
	size_t i;

	for (i = 0; i < all->told_count && from < to; i++) {
		const struct lull_coverage *c = &all->told[i];

		if (c->why == LULL_OBSERVED && (c->bus == bus || c->bus == LULL_BUS_ALL) && c->from <= from &&
			c->to > from)
			from = c->to;
	}
	return from >= to;
}

/* A further capture of a bus begins: the time since the one before was not observed, unless somebody says so. */
static int bridge(struct lull_inputs *all, const struct lull_input *in)
{
	unsigned b;

	for (b = 0; b < all->bus_count; b++) {
		bool damaged, running = false;
		lull_time last;
		size_t i;
		int r;

		if (!has_bus(in, b))
			continue;
		for (i = 0; i < all->n; i++)
			running = running ||
				(all->in[i].started && !all->in[i].ended && &all->in[i] != in &&
					has_bus(&all->in[i], b));
		last = lull_inputs_last(all, b, &damaged);
		if (running || last == LULL_NEVER || in->first - last < LULL_PIECES_JOIN ||
			told_observed(all, b, last, in->first))
			continue;
		r = lull_observer_blind(all->observer, b, last, in->first,
			damaged ? LULL_BLIND_FILE_DAMAGED : LULL_BLIND_CAPTURE_ENDED);
		if (r)
			return r;
	}
	return 0;
}

static int start(struct lull_inputs *all, struct lull_input *in, int64_t zero)
{
	in->started = true;
	in->first = in->first_stamp - zero;
	return bridge(all, in);
}

/* As in pass(): what could not be placed does not end the work. */
static int flush(struct lull_input *in)
{
	int r = lull_retimer_flush(in->retimer);

	if (r != -EINVAL)
		return r;
	in->misplaced++;
	return 0;
}

static int end(struct lull_inputs *all, struct lull_input *in)
{
	unsigned b;
	int r;

	in->ended = true;
	if (!in->has_frames)
		return 0;
	r = flush(in);
	in->last = lull_retimer_last(in->retimer);
	if (in->last == LULL_NEVER || in->last < in->first)
		in->last = in->first;
	for (b = 0; b < all->bus_count && !r; b++) {
		if (has_bus(in, b))
			r = cover(all, b, LULL_OBSERVED, in->first, in->last);
	}
	return r;
}

/* A frame that the observer cannot take for its time is left out and counted; the rest goes on. */
static int pass(struct lull_input *in, struct lull_frame *f)
{
	int r;

	f->bus = in->map[f->bus];
	if (f->bus == LULL_BUS_ALL) {
		in->no_bus++;
		return 0;
	}
	r = lull_retimer_frame(in->retimer, f);
	if (r == -EINVAL) {
		in->misplaced++;
		return 0;
	}
	return r;
}

static int64_t key(const struct lull_input *in, const struct lull_frame *f)
{
	int64_t k;

	return __builtin_sub_overflow(f->t, lull_retimer_offset(in->retimer), &k) ? INT64_MAX : k;
}

/* Frames of one capture as long as they lie before `limit` (recording time). */
static int run(struct lull_inputs *all, struct lull_input *in, lull_time limit)
{
	int r = 0;

	for (;;) {
		struct lull_frame *f = in->batch + in->at;
		const struct lull_frame *const stop = in->batch + in->n, *const begin = f;

		if (limit == INT64_MAX) {
			while (f < stop && !r)
				r = pass(in, f++);
		} else {
			while (f < stop && !r && key(in, f) < limit)
				r = pass(in, f++);
		}
		in->frames += (uint64_t)(f - begin);
		in->at = (size_t)(f - in->batch);
		lull_progress_step(all->progress, (uint64_t)(f - begin),
			all->n == 1 ? lull_capture_progress(in->capture) : -1);
		if (r || f < stop)
			return r;
		if (*all->stop)
			return -EINTR;
		fill(in);
		if (!in->n)
			return end(all, in);
		r = map_buses(all, in);
		if (r)
			return r;
	}
}

/* Told blind rows up to `t`. What the retimers hold back lies before them. */
static int tell(struct lull_inputs *all, lull_time t)
{
	bool flushed = false;
	int r = 0;

	for (; all->told_done < all->told_count && all->told[all->told_done].from <= t && !r;
		all->told_done++) {
		const struct lull_coverage *c = &all->told[all->told_done];
		size_t i;

		if (c->why == LULL_OBSERVED) {
			r = cover(all, c->bus, LULL_OBSERVED, c->from, c->to);
			continue;
		}
		for (i = 0; i < all->n && !flushed && !r; i++) {
			if (all->in[i].started && !all->in[i].ended)
				r = flush(&all->in[i]);
		}
		flushed = true;
		if (!r)
			r = lull_observer_blind(
				all->observer, c->bus, c->from, c->to, (enum lull_coverage_why)c->why);
	}
	return r;
}

int lull_inputs_told_rest(struct lull_inputs *all)
{
	return tell(all, INT64_MAX);
}

/* The capture whose next frame is the earliest, and what its run is bounded by: the next one's. */
static struct lull_input *earliest(struct lull_inputs *all, lull_time *first, lull_time *second)
{
	struct lull_input *best = NULL;
	size_t i;

	*first = *second = INT64_MAX;
	for (i = 0; i < all->n; i++) {
		struct lull_input *in = &all->in[i];
		lull_time k;

		if (in->ended)
			continue;
		k = key(in, &in->batch[in->at]);
		if (!best || k < *first) {
			*second = *first;
			*first = k;
			best = in;
		} else if (k < *second) {
			*second = k;
		}
	}
	/* Where two are level, the one in hand goes on by one frame at least. */
	if (best && *second <= *first && *second != INT64_MAX)
		*second = *first + 1;
	return best;
}

int lull_inputs_run(struct lull_inputs *all, int64_t zero)
{
	size_t i;

	for (i = 0; i < all->n; i++) {
		struct lull_input *in = &all->in[i];

		in->retimer = lull_retimer_new(all->observer, &all->sink, zero);
		if (!in->retimer)
			return -ENOMEM;
		in->ended = !in->has_frames;
	}
	for (;;) {
		lull_time first, limit;
		struct lull_input *in = earliest(all, &first, &limit);
		int r;

		if (!in)
			return 0;
		r = tell(all, first);
		if (all->told_done < all->told_count && all->told[all->told_done].from < limit)
			limit = all->told[all->told_done].from;
		/* A stamp that jumped far back lies before a told row that is done with. */
		if (limit <= first && limit != INT64_MAX)
			limit = first + 1;
		if (!r && !in->started)
			r = start(all, in, zero);
		if (!r)
			r = run(all, in, limit);
		if (r)
			return r;
	}
}
