/* SPDX-License-Identifier: GPL-3.0-or-later */
/* book: the recording at hand. */
#include <daemon/book_impl.h>
#include <daemon/log.h>
#include <source/marks.h>

#include <errno.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#define PICTURE LULL_CADENCE /* what is open is written at least so often */
#define EDGE_WAIT (2 * LULL_SEC) /* after an edge: its other rows follow within a second or two */
#define ROWS_MOST 60000 /* held in memory while the disk refuses */
#define CLOCK_NEWS LULL_SEC /* a map that errs by more than it says and this is renewed */
#define CLOCK_EVERY (60 * LULL_MIN)

lull_time lull_book_time(const struct lull_book *book, int64_t boottime)
{
	const lull_time t = boottime - book->zero;

	return t > book->began ? t : book->began;
}

lull_time lull_book_began(const struct lull_book *book)
{
	return book->began;
}

static lull_time tell_time(struct lull_book *book, int64_t boottime)
{
	const lull_time t = lull_book_time(book, boottime);

	if (t > book->last)
		book->last = t;
	return t;
}

unsigned lull_book_bus(const struct lull_book *book, unsigned bus)
{
	return book->bus[bus].index;
}

struct lull_observer *lull_book_observer(struct lull_book *book)
{
	return book->observer;
}

/* --- the observer's sink: into the rows, with an eye on what is an edge --- */

#define PASS(name, type) \
	static int take_##name(void *ctx, const struct lull_##type *row) \
	{ \
		struct lull_book *book = ctx; \
		struct lull_sink to = lull_night_sink(&book->rows); \
		return to.name(to.ctx, row); \
	}
PASS(stretch, stretch)
PASS(cadence, cadence)
PASS(change, change)

static int take_gap(void *ctx, const struct lull_gap *row)
{
	struct lull_book *book = ctx;
	struct lull_sink to = lull_night_sink(&book->rows);

	book->edge = true;
	return to.gap(to.ctx, row);
}

static int take_edge(void *ctx, const struct lull_edge *row)
{
	struct lull_book *book = ctx;
	struct lull_sink to = lull_night_sink(&book->rows);

	book->edge |= row->kind != LULL_EDGE_NEW_ID;
	return to.edge(to.ctx, row);
}

static int take_coverage(void *ctx, const struct lull_coverage *row)
{
	struct lull_book *book = ctx;
	struct lull_sink to = lull_night_sink(&book->rows);

	return to.coverage(to.ctx, row);
}

/* Counts are for the whole recording, the observer knows its own session. */
static struct lull_bus whole_bus(const struct lull_book *book, unsigned index, const struct lull_bus *row)
{
	const struct lull_bus *before = &book->before[index];
	struct lull_bus whole = *row;

	whole.frames += before->frames;
	whole.bits += before->bits;
	whole.errors += before->errors;
	whole.overflow += before->overflow;
	if (whole.sent != LULL_NOT_COUNTED && before->name[0])
		whole.sent = before->sent == LULL_NOT_COUNTED ? LULL_NOT_COUNTED : whole.sent + before->sent;
	if (before->overflow_ids > whole.overflow_ids)
		whole.overflow_ids = before->overflow_ids;
	if (before->name[0] && before->first != LULL_NEVER)
		whole.first = before->first;
	if (whole.last == LULL_NEVER && before->name[0])
		whole.last = before->last;
	return whole;
}

static int take_bus(void *ctx, unsigned index, const struct lull_bus *row)
{
	struct lull_book *book = ctx;
	struct lull_sink to = lull_night_sink(&book->rows);
	const struct lull_bus whole = whole_bus(book, index, row);

	return to.bus(to.ctx, index, &whole);
}

int lull_book_begin(struct lull_book *book, lull_time began)
{
	const struct lull_config *config = book->plan.config;

	book->sink = (struct lull_sink){.ctx = book,
		.stretch = take_stretch,
		.cadence = take_cadence,
		.gap = take_gap,
		.change = take_change,
		.edge = take_edge,
		.coverage = take_coverage,
		.bus = take_bus};
	book->began = book->last = began;
	book->observer = lull_observer_new(&book->sink);
	if (!book->observer)
		return -ENOMEM;
	/* Buses of the sessions before keep their numbers. */
	for (unsigned i = 0; i < LULL_BUS_MAX && book->before[i].name[0]; i++) {
		int r = lull_observer_bus(
			book->observer, book->before[i].name, book->before[i].bitrate, book->before[i].bitrate_data);

		if (r < 0)
			return r;
	}
	book->bus_count = (unsigned)config->bus_count;
	for (unsigned i = 0; i < book->bus_count; i++) {
		const struct lull_config_bus *bus = &config->bus[i];
		int r = lull_observer_bus(book->observer, bus->name, bus->bitrate, bus->bitrate_data);

		if (r < 0)
			return r;
		book->bus[i].index = (unsigned)r;
		book->bus[i].observed = book->bus[i].reasons ? LULL_NEVER : began;
	}
	return 0;
}

/* --- what happens --- */

int lull_book_frame(struct lull_book *book, const struct lull_frame *frame)
{
	struct lull_frame moved = *frame;

	moved.t = tell_time(book, frame->t);
	moved.bus = (uint8_t)book->bus[frame->bus].index;
	int r = lull_observer_frame(book->observer, &moved);

	/* A frame that cannot be placed is the adapter's nonsense. */
	return r == -EINVAL ? 0 : r;
}

static int put_coverage(struct lull_book *book, unsigned bus, enum lull_coverage_why why, lull_time from, lull_time to)
{
	const struct lull_coverage row = {
		.bus = (uint8_t)book->bus[bus].index, .why = (uint8_t)why, .from = from, .to = to > from ? to : from};

	return take_coverage(book, &row);
}

int lull_book_blind(struct lull_book *book, unsigned bus, enum lull_coverage_why why, int64_t since)
{
	struct lull_book_bus *b = &book->bus[bus];
	int r = 0;

	if (b->reasons & 1u << why)
		return 0;
	const lull_time t = tell_time(book, since);

	b->since[why] = since;
	book->edge = true;
	if (!b->reasons) {
		/* What is open ends here, blind. */
		r = lull_observer_blind(book->observer, b->index, t, t, why);
		if (!r && b->observed != LULL_NEVER && t > b->observed)
			r = put_coverage(book, bus, LULL_OBSERVED, b->observed, t);
		b->observed = LULL_NEVER;
	}
	b->reasons |= 1u << why;
	return r;
}

int lull_book_hears(struct lull_book *book, unsigned bus, enum lull_coverage_why why, int64_t until)
{
	struct lull_book_bus *b = &book->bus[bus];

	if (!(b->reasons & 1u << why))
		return 0;
	const lull_time from = lull_book_time(book, b->since[why]), to = tell_time(book, until);
	int r = lull_observer_blind(book->observer, b->index, from, to > from ? to : from, why);

	b->reasons &= ~(1u << why);
	if (!b->reasons)
		b->observed = to > from ? to : from;
	book->edge = true;
	return r;
}

bool lull_book_is_blind(const struct lull_book *book, unsigned bus, enum lull_coverage_why why)
{
	return book->bus[bus].reasons & 1u << why;
}

unsigned lull_book_blindness(const struct lull_book *book, unsigned bus, int64_t *since)
{
	const struct lull_book_bus *b = &book->bus[bus];

	*since = INT64_MAX;
	for (int why = 0; why < LULL_COVERAGE_COUNT; why++)
		if (b->reasons & 1u << why && b->since[why] < *since)
			*since = b->since[why];
	return b->reasons;
}

int lull_book_lost(struct lull_book *book, unsigned bus, int64_t from, int64_t to)
{
	const lull_time a = lull_book_time(book, from), b = tell_time(book, to);

	return lull_observer_blind(book->observer, book->bus[bus].index, a, b > a ? b : a, LULL_BLIND_FRAMES_LOST);
}

int lull_book_mark(struct lull_book *book, const char *text, int64_t at)
{
	struct lull_sink to = lull_night_sink(&book->rows);
	struct lull_mark mark = {0};

	lull_mark_parse(text, &mark);
	mark.t = tell_time(book, at);
	book->edge = true;
	return to.mark(to.ctx, &mark);
}

int lull_book_clock(struct lull_book *book, const struct lull_moment *now, bool set)
{
	struct lull_sink to = lull_night_sink(&book->rows);
	const struct lull_clock_map map = {
		.t = tell_time(book, now->boot), .utc_ns = now->utc, .error_ns = now->error};

	if (!now->dated)
		return 0;
	if (book->clock.t != LULL_NEVER && !set) {
		const int64_t off = map.utc_ns - book->clock.utc_ns - (map.t - book->clock.t);
		const int64_t allowed = book->clock.error_ns + CLOCK_NEWS;

		if (off < allowed && off > -allowed && map.error_ns >= book->clock.error_ns / 2 &&
			map.t - book->clock.t < CLOCK_EVERY)
			return 0;
	}
	book->clock = map;
	return to.clock(to.ctx, &map);
}

int lull_book_left_out(struct lull_book *book, const char *sentence)
{
	struct lull_sink to = lull_night_sink(&book->rows);

	for (size_t i = 0; i < book->told_count; i++)
		if (!strcmp(book->told[i], sentence))
			return 0;
	char **told = realloc(book->told, (book->told_count + 1) * sizeof *told);

	if (!told)
		return -ENOMEM;
	book->told = told;
	told[book->told_count] = strdup(sentence);
	if (!told[book->told_count])
		return -ENOMEM;
	book->told_count++;
	return to.left_out(to.ctx, sentence);
}

int lull_book_clamp(struct lull_book *book, const struct lull_clamp *clamp)
{
	struct lull_sink to = lull_night_sink(&book->rows);

	return to.clamp(to.ctx, clamp);
}

int lull_book_chunk(struct lull_book *book, const struct lull_chunk *chunk)
{
	struct lull_sink to = lull_night_sink(&book->rows);

	return to.chunk(to.ctx, chunk);
}

void lull_book_partial(struct lull_book *book, bool (*partial)(void *ctx, struct lull_chunk *), void *ctx)
{
	book->partial = partial;
	book->partial_ctx = ctx;
}

/* --- writing --- */

struct picture {
	struct lull_book *book;
	struct lull_night night;
};

/* A blind bus has no silence. */
static int picture_gap(void *ctx, const struct lull_gap *row)
{
	struct picture *picture = ctx;
	struct lull_sink to = lull_night_sink(&picture->night);

	for (unsigned i = 0; i < picture->book->bus_count; i++)
		if (picture->book->bus[i].index == row->bus && picture->book->bus[i].reasons && row->next == LULL_NEVER)
			return 0;
	return to.gap(to.ctx, row);
}

#define PICTURE_PASS(name) \
	static int picture_##name(void *ctx, const struct lull_##name *row) \
	{ \
		struct picture *picture = ctx; \
		struct lull_sink to = lull_night_sink(&picture->night); \
		return to.name(to.ctx, row); \
	}
PICTURE_PASS(stretch)
PICTURE_PASS(cadence)
PICTURE_PASS(change)
PICTURE_PASS(edge)

static int picture_bus(void *ctx, unsigned index, const struct lull_bus *row)
{
	struct picture *picture = ctx;
	struct lull_sink to = lull_night_sink(&picture->night);
	const struct lull_bus whole = whole_bus(picture->book, index, row);

	return to.bus(to.ctx, index, &whole);
}

static int take_picture(struct lull_book *book, struct picture *picture)
{
	const struct lull_sink sink = {.ctx = picture,
		.stretch = picture_stretch,
		.cadence = picture_cadence,
		.gap = picture_gap,
		.change = picture_change,
		.edge = picture_edge,
		.bus = picture_bus};

	struct lull_chunk chunk;
	int r = lull_observer_glance(book->observer, book->last, &sink);

	if (!r && book->partial && book->partial(book->partial_ctx, &chunk)) {
		struct lull_sink to = lull_night_sink(&picture->night);

		r = to.chunk(to.ctx, &chunk);
	}
	return r;
}

/* Coverage that lasts until now. */
static size_t lasting(const struct lull_book *book, struct lull_coverage *out)
{
	size_t n = 0;

	for (unsigned i = 0; i < book->bus_count; i++) {
		const struct lull_book_bus *b = &book->bus[i];

		if (b->observed != LULL_NEVER)
			out[n++] = (struct lull_coverage){
				.bus = (uint8_t)b->index, .why = LULL_OBSERVED, .from = b->observed, .to = book->last};
		for (int why = 0; why < LULL_COVERAGE_COUNT; why++)
			if (b->reasons & 1u << why)
				out[n++] = (struct lull_coverage){.bus = (uint8_t)b->index,
					.why = (uint8_t)why,
					.from = lull_book_time(book, b->since[why]),
					.to = book->last};
	}
	return n;
}

static size_t rows_held(const struct lull_night *rows)
{
	return rows->stretches.n + rows->cadences.n + rows->gaps.n + rows->changes.n + rows->edges.n + rows->coverage.n +
		rows->marks.n + rows->clocks.n + rows->chunks.n * 64;
}

/* The disk has refused for so long that memory is full: what is held is given up, and said. */
static int give_rows_up(struct lull_book *book)
{
	const lull_time from = lull_book_time(book, book->written_at);
	int r = 0;

	book->dropped += rows_held(&book->rows);
	lull_log(SD_ERR, "%zu rows are given up: the disk takes nothing (%s)", book->dropped, strerror(book->trouble));
	lull_night_clear(&book->rows);
	lull_night_init(&book->rows);
	for (unsigned i = 0; i < book->bus_count && !r; i++) {
		struct lull_book_bus *b = &book->bus[i];

		if (b->observed == LULL_NEVER)
			continue;
		if (from > b->observed)
			r = put_coverage(book, i, LULL_OBSERVED, b->observed, from);
		if (!r)
			r = put_coverage(book, i, LULL_BLIND_FRAMES_LOST, from > b->observed ? from : b->observed, book->last);
		b->observed = book->last;
	}
	return r ? r : lull_book_left_out(book, "the disk was full or failed for some time, and what was heard then is lost");
}

static int failed(struct lull_book *book, const struct lull_moment *now, int r)
{
	if (book->trouble != -r && book->journal)
		lull_log(SD_ERR, "%s: cannot be written: %s; it will be tried again", lull_journal_path(book->journal), strerror(-r));
	book->trouble = -r;
	if (r == -EBADMSG && book->journal) {
		int replaced = lull_book_replace(book, now);

		if (replaced)
			return replaced;
	}
	if (rows_held(&book->rows) > ROWS_MOST)
		return give_rows_up(book);
	return 0;
}

/* The file that rows go into: the one at hand, as long as it lies where it was made, or a new one. As write_out(). */
static int find_file(struct lull_book *book, const struct lull_moment *now, int *disk)
{
	const int astray = book->journal ? lull_journal_astray(book->journal) : 0;
	int r = astray ? lull_book_leave(book, astray) : 0;
	char err[512];

	if (r)
		return r;
	if (book->journal) {
		*disk = book->unsettled ? lull_book_settle(book) : 0;
		return 0;
	}
	*disk = lull_book_new_file(book, now, err, sizeof err);
	if (*disk && book->trouble != -*disk)
		lull_log(SD_ERR, "%s; what is heard is held in memory, and it will be tried again", err);
	return 0;
}

/* disk: what the disk said; the return is about what cannot be survived. */
static int write_out(struct lull_book *book, const struct lull_moment *now, bool pictured, int *disk)
{
	struct lull_coverage coverage[LULL_BUS_MAX * LULL_COVERAGE_COUNT];
	struct picture picture = {.book = book};
	int r = 0;

	*disk = 0;
	book->tried_at = now->boot;
	r = find_file(book, now, disk);
	if (r)
		return r;
	if (*disk)
		return failed(book, now, *disk);
	pictured |= !book->pictured_at;
	lull_night_init(&picture.night);
	if (pictured)
		r = take_picture(book, &picture);
	if (!r)
		*disk = lull_journal_write(book->journal, &book->rows, pictured ? &picture.night : NULL, coverage,
			lasting(book, coverage));
	lull_night_clear(&picture.night);
	if (r)
		return r;
	if (*disk == -ENOMEM || *disk == -EINVAL)
		return *disk;
	if (*disk)
		return failed(book, now, *disk);
	if (book->trouble)
		lull_log(SD_NOTICE, "%s: is written again", lull_journal_path(book->journal));
	book->trouble = 0;
	book->written_at = now->boot;
	if (pictured)
		book->pictured_at = now->boot;
	book->edge = false;
	lull_night_clear(&book->rows);
	lull_night_init(&book->rows);
	return 0;
}

int lull_book_tick(struct lull_book *book, const struct lull_moment *now)
{
	const lull_time t = tell_time(book, now->boot);
	int disk, r = lull_observer_tick(book->observer, t);

	if (!r)
		r = lull_book_clock(book, now, false);
	if (r)
		return r;
	const int64_t since = now->boot - (book->trouble ? book->tried_at : book->written_at);
	const bool edge = book->edge && since >= EDGE_WAIT, due = since >= book->plan.config->batch_ns;

	if (!due && (!edge || book->trouble))
		return 0;
	return write_out(book, now, edge || now->boot - book->pictured_at >= PICTURE, &disk);
}

int lull_book_flush(struct lull_book *book, const struct lull_moment *now)
{
	int disk;

	tell_time(book, now->boot);
	int r = write_out(book, now, true, &disk);

	return r ? r : disk;
}

/* --- the end --- */

static int end_coverage(struct lull_book *book, int64_t now)
{
	int r = 0;

	for (unsigned i = 0; i < book->bus_count && !r; i++) {
		struct lull_book_bus *b = &book->bus[i];

		for (int why = 0; why < LULL_COVERAGE_COUNT && !r; why++) {
			const int64_t since = b->since[why];

			if (!(b->reasons & 1u << why))
				continue;
			r = lull_book_hears(book, i, (enum lull_coverage_why)why, now);
			/* It lasts beyond the recording's end all the same: a recording that follows knows. */
			b->since[why] = since;
		}
		if (!r && b->observed != LULL_NEVER && book->last > b->observed)
			r = put_coverage(book, i, LULL_OBSERVED, b->observed, book->last);
	}
	return r;
}

void lull_book_free(struct lull_book *book)
{
	lull_observer_free(book->observer);
	lull_night_clear(&book->rows);
	for (size_t i = 0; i < book->told_count; i++)
		free(book->told[i]);
	free(book->told);
	free(book);
}

int lull_book_close(struct lull_book *book, const struct lull_moment *now)
{
	struct lull_night nothing;
	char err[512] = "";
	int disk = 0;

	tell_time(book, now->boot);
	/* The file first: one that is new has no part in what was observed before. */
	int r = find_file(book, now, &disk);

	r = r ? r : disk;
	if (!r)
		r = end_coverage(book, now->boot);
	if (!r)
		r = lull_observer_finish(book->observer, book->last);
	lull_night_init(&nothing);
	if (!r)
		r = lull_journal_write(book->journal, &book->rows, &nothing, NULL, 0);
	if (book->journal && r)
		lull_journal_abandon(book->journal);
	else if (!r)
		r = lull_journal_close(book->journal, book->last, err, sizeof err);
	if (r)
		lull_log(SD_ERR, "the recording is not closed as it should be: %s", err[0] ? err : strerror(-r));
	lull_book_free(book);
	return r;
}

int64_t lull_book_written_at(const struct lull_book *book)
{
	return book->written_at;
}

int64_t lull_book_pictured_at(const struct lull_book *book)
{
	return book->pictured_at;
}

int lull_book_trouble(const struct lull_book *book)
{
	return book->trouble;
}

const struct lull_night_identity *lull_book_identity(const struct lull_book *book)
{
	return &book->identity;
}

const char *lull_book_path(const struct lull_book *book)
{
	return book->journal ? lull_journal_path(book->journal) : "";
}

uint64_t lull_book_bytes(const struct lull_book *book)
{
	return book->bytes_before + (book->journal ? lull_journal_written(book->journal) : 0);
}
