/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clamp_feed: the instrument on the battery cable, read while the buses are listened to. */
#include <daemon/clamp_feed.h>
#include <daemon/log.h>
#include <source/clamp_impl.h>
#include <source/live.h>

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RHYTHM 16 /* readings */
#define NEARLY (10 * 1000) /* us: a reading may be asked for so much later, with others */

struct lull_clamp_feed {
	struct lull_live *live;
	struct lull_clamp about;
	struct clamp_grid grid;
	/* A chunk begins when its rhythm is known. */
	int64_t first_t[RHYTHM];
	int32_t first_uA[RHYTHM];
	size_t first_n;
	struct lull_clamp_state state;
	struct lull_book *book;
	sd_event *event;
	sd_event_source *io, *timer;
	int fd; /* that io watches; -1 */
	int failure;
};

static void spec_of(const struct lull_config_clamp *c, struct lull_live_spec *spec)
{
	*spec = lull_live_spec_default();
	switch (c->source) {
	case LULL_CLAMP_IIO: spec->kind = LULL_LIVE_IIO; break;
	case LULL_CLAMP_SCPI: spec->kind = LULL_LIVE_SCPI; break;
	case LULL_CLAMP_LINES:
	case LULL_CLAMP_NONE: spec->kind = LULL_LIVE_LINES; break;
	}
	(void)snprintf(spec->device, sizeof spec->device, "%s", c->device);
	(void)snprintf(spec->channel, sizeof spec->channel, "%s", c->channel);
	(void)snprintf(spec->query, sizeof spec->query, "%s", c->query);
	spec->baud = c->baud;
	spec->gain = c->gain;
	spec->divider = c->divider;
	spec->range_A = c->range_A;
	spec->mV_per_A = c->mV_per_A;
	spec->unit = c->amperes ? LULL_CLAMP_A : LULL_CLAMP_UNIT_AUTO;
	spec->invert = c->inverted;
	spec->period_ns = (int64_t)(1e9 / c->samples_per_s);
	if (spec->lost_ns < 5 * spec->period_ns)
		spec->lost_ns = 5 * spec->period_ns;
}

int lull_clamp_feed_open(
	struct lull_clamp_feed **out, const struct lull_config_clamp *c, lull_time now, char *err, size_t err_size)
{
	struct lull_live_spec spec;

	*out = NULL;
	if (c->source == LULL_CLAMP_NONE)
		return 0;
	spec_of(c, &spec);
	int r = lull_live_spec_check(&spec, err, err_size);

	if (r)
		return r;
	struct lull_clamp_feed *feed = calloc(1, sizeof *feed);

	if (feed) {
		feed->grid.uA = malloc(CLAMP_CHUNK_MOST * sizeof *feed->grid.uA);
		feed->live = feed->grid.uA ? lull_live_open(&spec, now) : NULL;
	}
	if (!feed || !feed->live) {
		lull_clamp_feed_close(feed);
		(void)snprintf(err, err_size, "[clamp]: out of memory or descriptors");
		return -ENOMEM;
	}
	feed->fd = -1;
	feed->grid.step = c->source == LULL_CLAMP_LINES ? 0 : spec.period_ns;
	feed->state.present = true;
	feed->about = (struct lull_clamp){.present = true,
		.live = true,
		.mV_per_A = c->mV_per_A,
		.range_A = c->range_A,
		.inverted = c->inverted,
		.zero_before_mA = (double)NAN,
		.zero_after_mA = (double)NAN,
		.logger_mA = (double)NAN};
	*out = feed;
	return 0;
}

/* --- into the book --- */

static int take_chunk(struct lull_clamp_feed *feed)
{
	struct lull_chunk chunk;

	if (!clamp_grid_take(&feed->grid, &chunk) || !feed->book)
		return 0;
	for (uint32_t i = 0; i < chunk.count; i++)
		feed->about.samples += chunk.uA[i] != LULL_NO_SAMPLE;
	feed->about.skipped = lull_live_senseless(feed->live);
	int r = lull_book_chunk(feed->book, &chunk);

	return r ? r : lull_book_clamp(feed->book, &feed->about);
}

static int begin_chunk(struct lull_clamp_feed *feed)
{
	size_t done = 0;
	int r = 0;

	while (done < feed->first_n && !r) {
		done += clamp_grid_put(&feed->grid, feed->first_t + done, feed->first_uA + done, feed->first_n - done,
			feed->first_n - done, 0);
		if (done < feed->first_n)
			r = take_chunk(feed);
	}
	feed->first_n = 0;
	return r;
}

/* All that is held goes into the book. */
static int put_chunk(struct lull_clamp_feed *feed)
{
	int r = begin_chunk(feed);

	return r ? r : take_chunk(feed);
}

/* The chunk that is not full yet, for a picture of the recording as it stands. */
static bool partial(void *ctx, struct lull_chunk *chunk)
{
	const struct lull_clamp_feed *feed = ctx;
	struct clamp_grid copy = feed->grid;

	return clamp_grid_take(&copy, chunk);
}

static int take_reading(struct lull_clamp_feed *feed, const struct lull_live_event *event)
{
	const int64_t t = lull_book_time(feed->book, event->t);
	int r = 0;

	feed->state.mA = event->uA / 1000.0;
	feed->state.at = event->t;
	if (feed->grid.count) {
		if (clamp_grid_put(&feed->grid, &t, &event->uA, 1, 1, 0))
			return 0;
		r = take_chunk(feed);
	}
	feed->first_t[feed->first_n] = t;
	feed->first_uA[feed->first_n++] = event->uA;
	if (feed->first_n == RHYTHM && !r)
		r = begin_chunk(feed);
	return r;
}

static int take(struct lull_clamp_feed *feed, const struct lull_live_event *event)
{
	switch (event->what) {
	case LULL_LIVE_READING: return take_reading(feed, event);
	case LULL_LIVE_LOST:
		lull_log(SD_WARNING, "clamp: lost: %s", event->why);
		feed->state.lost = true;
		(void)snprintf(feed->state.why, sizeof feed->state.why, "%s", event->why);
		return put_chunk(feed);
	case LULL_LIVE_BACK:
		lull_log(SD_NOTICE, "clamp: readings come");
		feed->state.lost = false;
		return 0;
	}
	return 0;
}

/* --- the loop --- */

static int on_io(sd_event_source *source, int fd, uint32_t revents, void *ctx)
{
	(void)source;
	(void)fd;
	(void)revents;
	lull_clamp_feed_step(ctx, lull_boottime());
	return 0;
}

static int on_timer(sd_event_source *source, uint64_t usec, void *ctx)
{
	(void)source;
	(void)usec;
	lull_clamp_feed_step(ctx, lull_boottime());
	return 0;
}

/* The descriptor may be another one now, and the next instant is. */
static int arm(struct lull_clamp_feed *feed)
{
	const int fd = lull_live_fd(feed->live);
	const lull_time due = lull_live_due(feed->live);
	int r = 0;

	/* A descriptor that was closed and opened anew has the same number and is not watched any more. */
	feed->io = sd_event_source_disable_unref(feed->io);
	if (fd >= 0)
		r = sd_event_add_io(feed->event, &feed->io, fd, (uint32_t)lull_live_poll(feed->live), on_io, feed);
	if (r < 0)
		return r;
	r = sd_event_source_set_time(feed->timer, due > 0 ? (uint64_t)(due / LULL_US) : 0);
	return r < 0 ? r : sd_event_source_set_enabled(feed->timer, SD_EVENT_ONESHOT);
}

void lull_clamp_feed_step(struct lull_clamp_feed *feed, int64_t now)
{
	struct lull_live_event event;
	int r = 0;

	while (!r && lull_live_step(feed->live, now, &event))
		r = take(feed, &event);
	if (r >= 0)
		r = arm(feed);
	if (r < 0 && !feed->failure) {
		feed->failure = r;
		lull_log(SD_ERR, "clamp: %s; it is read no more", strerror(-r));
		feed->state.lost = true;
		(void)snprintf(feed->state.why, sizeof feed->state.why, "%s", strerror(-r));
	}
}

int lull_clamp_feed_attach(struct lull_clamp_feed *feed, sd_event *event, struct lull_book *book)
{
	feed->event = event;
	feed->book = book;
	lull_book_partial(book, partial, feed);
	const int r = sd_event_add_time_relative(event, &feed->timer, CLOCK_BOOTTIME, 0, NEARLY, on_timer, feed);

	return r < 0 ? r : 0;
}

int lull_clamp_feed_turn(struct lull_clamp_feed *feed, struct lull_book *next)
{
	const int r = put_chunk(feed);

	if (feed->book)
		lull_book_partial(feed->book, NULL, NULL);
	feed->book = next;
	if (next)
		lull_book_partial(next, partial, feed);
	return r;
}

void lull_clamp_feed_state(const struct lull_clamp_feed *feed, struct lull_clamp_state *state)
{
	if (feed)
		*state = feed->state;
	else
		*state = (struct lull_clamp_state){0};
}

void lull_clamp_feed_close(struct lull_clamp_feed *feed)
{
	if (!feed)
		return;
	(void)sd_event_source_disable_unref(feed->io);
	(void)sd_event_source_disable_unref(feed->timer);
	if (feed->live)
		lull_live_close(feed->live);
	free(feed->grid.uA);
	free(feed);
}
