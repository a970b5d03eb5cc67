/* SPDX-License-Identifier: GPL-3.0-or-later */
/* feed: an invented night through the observer into memory, with what the recorder, people and the clamp's user say. */
#include "nights.h"

#include <lull/observe.h>

#include <errno.h>
#include <string.h>

struct feed {
	struct lull_sink *sink;
	struct lull_observer *observer;
	struct lull_retimer *retimer; /* made at the first frame */
	const struct lull_sim_night *sim;
	struct chunker chunks;
	struct sized size;
};

static int ready(struct feed *feed)
{
	for (unsigned i = 0; i < feed->sim->bus_count; i++) {
		int err = lull_observer_bus(feed->observer, feed->sim->bus_name[i], 0, 0);
		if (err < 0)
			return err;
	}
	const struct lull_clock_map map = { .utc_ns = feed->sim->start_utc_ns, .error_ns = LULL_SEC };
	int err = feed->sink->clock(feed->sink->ctx, &map);
	if (err)
		return err;
	feed->retimer = lull_retimer_new(feed->observer, feed->sink, feed->sim->start_utc_ns);
	return feed->retimer ? 0 : -ENOMEM;
}

static int take_frame(void *ctx, const struct lull_frame *frame)
{
	struct feed *feed = ctx;
	if (!feed->retimer) {
		int err = ready(feed);
		if (err)
			return err;
	}
	lull_time since = frame->t - feed->sim->start_utc_ns;
	feed->size.frames++;
	feed->size.whole_ms += since % LULL_MS == 0;
	feed->size.whole_us += since % LULL_US == 0;
	return lull_retimer_frame(feed->retimer, frame);
}

static int take_sample(void *ctx, const struct lull_sim_sample *sample)
{
	struct feed *feed = ctx;
	feed->size.samples++;
	return chunker_take(&feed->chunks, sample);
}

int nights_make(const struct lull_sim_options *options, bool with_clamp, struct lull_sim_night *sim, struct lull_night *night,
	struct sized *size)
{
	struct lull_sink sink = lull_night_sink(night);
	struct feed feed = { .sink = &sink, .observer = lull_observer_new(&sink), .sim = sim };
	struct lull_sim_sink to = { .ctx = &feed, .frame = take_frame, .current = with_clamp ? take_sample : NULL };
	int err = feed.observer ? lull_sim_run(options, &to, sim) : -ENOMEM;
	if (!err && !feed.retimer)
		err = ready(&feed);
	if (!err)
		err = lull_retimer_flush(feed.retimer);
	/* what the recorder says of coverage, and what people did */
	for (size_t i = 0; !err && i < sim->coverage.n; i++)
		err = sink.coverage(sink.ctx, &sim->coverage.at[i]);
	for (size_t i = 0; !err && i < sim->marks.n; i++)
		err = sink.mark(sink.ctx, &sim->marks.at[i]);
	if (!err)
		err = lull_observer_finish(feed.observer, sim->end_utc_ns - sim->start_utc_ns);
	if (!err && with_clamp) {
		struct lull_clamp clamp = sim->clamp;
		clamp.samples = feed.size.samples;
		err = sink.clamp(sink.ctx, &clamp);
		if (!err)
			err = chunker_give(&feed.chunks, clamp.mV_per_A, &sink);
	}
	if (!err)
		err = lull_night_sort(night);
	*size = feed.size;
	chunker_clear(&feed.chunks);
	lull_retimer_free(feed.retimer);
	lull_observer_free(feed.observer);
	return err;
}
