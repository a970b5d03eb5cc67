/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_clamp_feed: readings of an instrument become chunks of the recording. The instrument is a pipe, and time is told. */
#include <daemon/clamp_feed.h>
#include <daemon/log.h>
#include <lull/current.h>
#include <lull/night.h>

#include "stderr_rig.h"
#include "store_rig.h"
#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <math.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <cmocka.h>

#define STEP (200 * LULL_MS)

static struct lull_config config;
static struct lull_book_plan plan;
static char pipe_path[100];
static int64_t zero; /* CLOCK_BOOTTIME at the start */
static sd_event *event;
static struct lull_book *book;
static struct lull_clamp_feed *feed;
static int writer;

static struct lull_moment moment(int64_t t)
{
	return (struct lull_moment){
		.boot = zero + t, .utc = INT64_C(1772750000) * LULL_SEC + t, .error = LULL_MS, .dated = true};
}

static struct lull_book *book_at(int64_t t)
{
	const struct lull_moment now = moment(t);
	struct lull_book *made = lull_book_open(&plan, &now, store_err, sizeof store_err);

	if (!made)
		fail_msg("%s", store_err);
	return made;
}

static int set_up(void **state)
{
	char folder[sizeof store_path];

	if (store_set_up(state))
		return -1;
	memcpy(folder, store_path, sizeof folder);
	stderr_take();
	lull_log_plain(true);
	lull_config_defaults(&config);
	(void)snprintf(config.folder, sizeof config.folder, "%s", dirname(folder));
	(void)snprintf(pipe_path, sizeof pipe_path, "%.80s/pipe", config.folder);
	assert_int_equal(mkfifo(pipe_path, 0600), 0);
	config.bus_count = 1;
	(void)snprintf(config.bus[0].name, sizeof config.bus[0].name, "body");
	config.clamp.source = LULL_CLAMP_LINES;
	(void)snprintf(config.clamp.device, sizeof config.clamp.device, "%s", pipe_path);
	config.clamp.amperes = true;
	plan = (struct lull_book_plan){.config = &config, .boot = "00000000-0000-0000-0000-000000000001"};
	zero = lull_boottime();
	book = book_at(0);
	feed = NULL;
	writer = -1;
	(void)signal(SIGPIPE, SIG_IGN);
	return sd_event_new(&event) < 0 ? -1 : 0;
}

static int tear_down(void **state)
{
	const struct lull_moment end = moment(1000 * LULL_SEC);

	lull_clamp_feed_close(feed);
	if (writer >= 0)
		(void)close(writer);
	if (book)
		(void)!lull_book_close(book, &end);
	(void)sd_event_unref(event);
	stderr_give_back();
	return store_tear_down(state);
}

static void feed_it(void)
{
	if (lull_clamp_feed_open(&feed, &config.clamp, zero, store_err, sizeof store_err))
		fail_msg("%s", store_err);
	assert_non_null(feed);
	assert_int_equal(lull_clamp_feed_attach(feed, event, book), 0);
	lull_clamp_feed_step(feed, zero + LULL_SEC);
	writer = open(pipe_path, O_WRONLY | O_NONBLOCK | O_CLOEXEC);
	assert_true(writer >= 0);
	(void)stderr_text();
}

/* The instrument writes a line, and it is read at once. */
static void line(const char *text, int64_t t)
{
	assert_int_equal(write(writer, text, strlen(text)), strlen(text));
	lull_clamp_feed_step(feed, zero + t);
}

/* Readings of 0.100 A, 0.101 A, ... from t on, one a step. */
static void readings(unsigned n, int64_t t)
{
	for (unsigned i = 0; i < n; i++) {
		char text[32];

		(void)snprintf(text, sizeof text, "0.%03u A\n", 100 + i);
		line(text, t + i * STEP);
	}
}

static struct lull_clamp_state state_of(void)
{
	struct lull_clamp_state s;

	lull_clamp_feed_state(feed, &s);
	return s;
}

/* What a reader finds in the recording now. */
static struct lull_night night;

static void look(struct lull_book *at, int64_t t)
{
	const struct lull_moment now = moment(t);

	assert_int_equal(lull_book_flush(at, &now), 0);
	lull_night_clear(&night);
	lull_night_init(&night);
	if (lull_store_load(lull_book_path(at), &night, store_err, sizeof store_err))
		fail_msg("%s", store_err);
}

static size_t samples(void)
{
	size_t n = 0;

	for (size_t i = 0; i < night.chunks.n; i++)
		for (uint32_t k = 0; k < night.chunks.at[i].count; k++)
			n += night.chunks.at[i].uA[k] != LULL_NO_SAMPLE;
	return n;
}

/* --- */

static void no_clamp_and_one_that_makes_no_sense(void **state)
{
	struct lull_clamp_feed *none = (void *)&night;
	struct lull_clamp_state s = {.present = true};

	(void)state;
	config.clamp.source = LULL_CLAMP_NONE;
	assert_int_equal(lull_clamp_feed_open(&none, &config.clamp, zero, store_err, sizeof store_err), 0);
	assert_null(none);
	lull_clamp_feed_state(NULL, &s);
	assert_false(s.present);
	lull_clamp_feed_close(NULL);
	config.clamp.source = LULL_CLAMP_LINES;
	config.clamp.device[0] = '\0';
	assert_int_equal(lull_clamp_feed_open(&none, &config.clamp, zero, store_err, sizeof store_err), -EINVAL);
	assert_null(none);
	assert_string_equal(store_err, "the device is missing");
}

static void readings_become_a_chunk(void **state)
{
	(void)state;
	feed_it();
	readings(40, 10 * LULL_SEC);
	assert_true(fabs(state_of().mA - 139) < 0.01);
	assert_int_equal(state_of().at, zero + 10 * LULL_SEC + 39 * STEP);
	assert_true(state_of().present && !state_of().lost);
	/* The chunk is not full, and a reader has it all the same. */
	look(book, 20 * LULL_SEC);
	assert_int_equal(samples(), 40);
	assert_int_equal(night.chunks.n, 1);
	assert_true(llabs(night.chunks.at[0].tau_ns - 10 * LULL_SEC) < LULL_MS);
	assert_true(llabs(night.chunks.at[0].step_ns - STEP) < LULL_MS);
	assert_int_equal(night.chunks.at[0].uA[0], 100000);
	assert_int_equal(night.chunks.at[0].uA[39], 139000);
	lull_night_clear(&night);
}

/* What comes in before its rhythm is known is held, and not lost. */
static void a_few_readings_are_kept_too(void **state)
{
	(void)state;
	feed_it();
	readings(5, 10 * LULL_SEC);
	assert_int_equal(lull_clamp_feed_turn(feed, NULL), 0);
	look(book, 20 * LULL_SEC);
	assert_int_equal(samples(), 5);
	assert_true(night.clamp.present && night.clamp.live);
	assert_int_equal(night.clamp.samples, 5);
	lull_night_clear(&night);
}

static void an_instrument_that_falls_silent(void **state)
{
	(void)state;
	feed_it();
	readings(20, 10 * LULL_SEC);
	/* No reading for longer than 5 s. */
	lull_clamp_feed_step(feed, zero + 18 * LULL_SEC);
	assert_false(state_of().lost);
	lull_clamp_feed_step(feed, zero + 20 * LULL_SEC);
	assert_true(state_of().lost);
	assert_true(state_of().why[0]);
	assert_true(stderr_has("lulld: warning: clamp: lost: "));
	/* It is opened anew, and the chunk has ended: what comes later is another one, with the gap between. */
	lull_clamp_feed_step(feed, zero + 59 * LULL_SEC);
	readings(20, 60 * LULL_SEC);
	assert_false(state_of().lost);
	assert_true(stderr_has("lulld: notice: clamp: readings come"));
	look(book, 70 * LULL_SEC);
	assert_int_equal(samples(), 40);
	assert_int_equal(night.chunks.n, 2);
	assert_true(llabs(night.chunks.at[1].tau_ns - 60 * LULL_SEC) < LULL_MS);
	lull_night_clear(&night);
}

static void lines_without_sense_are_counted(void **state)
{
	(void)state;
	feed_it();
	line("hello\n", 2 * LULL_SEC);
	line("# a comment\n", 3 * LULL_SEC);
	readings(1, 4 * LULL_SEC);
	readings(20, 10 * LULL_SEC);
	assert_int_equal(lull_clamp_feed_turn(feed, NULL), 0);
	look(book, 20 * LULL_SEC);
	assert_int_equal(samples(), 21);
	assert_int_equal(night.clamp.skipped, 2);
	lull_night_clear(&night);
}

/* A step in the rhythm that no chunk can hold begins the next one; no reading goes between. */
static void another_rhythm_is_another_chunk(void **state)
{
	(void)state;
	feed_it();
	readings(30, 10 * LULL_SEC);
	for (unsigned i = 0; i < 30; i++)
		line("0.5 A\n", 20 * LULL_SEC + i * LULL_SEC);
	assert_int_equal(lull_clamp_feed_turn(feed, NULL), 0);
	look(book, 60 * LULL_SEC);
	assert_int_equal(samples(), 60);
	assert_true(night.chunks.n >= 2);
	lull_night_clear(&night);
}

static void the_next_book_begins_where_the_last_ends(void **state)
{
	const struct lull_moment now = moment(20 * LULL_SEC);

	(void)state;
	feed_it();
	readings(20, 10 * LULL_SEC);
	plan.anew = true;
	struct lull_book *next = book_at(20 * LULL_SEC);

	assert_int_equal(lull_clamp_feed_turn(feed, next), 0);
	look(book, 20 * LULL_SEC);
	assert_int_equal(samples(), 20);
	assert_int_equal(lull_book_close(book, &now), 0);
	book = next;
	readings(20, 30 * LULL_SEC);
	look(book, 40 * LULL_SEC);
	assert_int_equal(samples(), 20);
	/* Its time counts from its own start. */
	assert_true(llabs(night.chunks.at[0].tau_ns - 10 * LULL_SEC) < LULL_MS);
	lull_night_clear(&night);
}

/* Through the event loop, as in earnest: the clock is the computer's, what is checked is not. */
static void the_event_loop_reads_it(void **state)
{
	(void)state;
	feed_it();
	assert_int_equal(write(writer, "0.25 A\n", 7), 7);
	/* A reading is announced once the instrument is known to answer. */
	for (int i = 0; i < 1000 && state_of().at == 0; i++)
		assert_true(sd_event_run(event, UINT64_MAX) >= 0);
	assert_true(fabs(state_of().mA - 250) < 0.01);
}

/* Each source is opened as it is told, and an instrument that is not there is lost, not zero. */
static void instruments_that_are_not_there(void **state)
{
	(void)state;
	config.clamp.source = LULL_CLAMP_SCPI;
	(void)snprintf(config.clamp.device, sizeof config.clamp.device, "%.80s/no-meter", config.folder);
	(void)snprintf(config.clamp.query, sizeof config.clamp.query, "MEAS:VOLT:DC?");
	config.clamp.amperes = false;
	config.clamp.mV_per_A = 100;
	if (lull_clamp_feed_open(&feed, &config.clamp, zero, store_err, sizeof store_err))
		fail_msg("%s", store_err);
	assert_int_equal(lull_clamp_feed_attach(feed, event, book), 0);
	for (int64_t t = 0; t < 20; t++)
		lull_clamp_feed_step(feed, zero + t * LULL_SEC);
	assert_true(state_of().present && state_of().lost);
	assert_int_equal(state_of().at, 0);
	assert_true(stderr_has("clamp: lost: "));
	/* It is an instrument of its own that is asked for, not one of lines. */
	lull_clamp_feed_close(feed);
	feed = NULL;
	config.clamp.mV_per_A = (double)NAN;
	assert_int_equal(lull_clamp_feed_open(&feed, &config.clamp, zero, store_err, sizeof store_err), -EINVAL);
	config.clamp.source = LULL_CLAMP_IIO;
	config.clamp.channel[0] = '\0';
	assert_int_equal(lull_clamp_feed_open(&feed, &config.clamp, zero, store_err, sizeof store_err), -EINVAL);
	assert_non_null(strstr(store_err, "an ADC needs a channel"));
}

int main(void)
{
#define FEED(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
	const struct CMUnitTest tests[] = {
		FEED(no_clamp_and_one_that_makes_no_sense),
		FEED(readings_become_a_chunk),
		FEED(a_few_readings_are_kept_too),
		FEED(an_instrument_that_falls_silent),
		FEED(lines_without_sense_are_counted),
		FEED(another_rhythm_is_another_chunk),
		FEED(the_next_book_begins_where_the_last_ends),
		FEED(the_event_loop_reads_it),
		FEED(instruments_that_are_not_there),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
