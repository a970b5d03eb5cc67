/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_retime: leaps of a source's clock told from silences, on invented buses and on an open capture. */
#include <lull/night.h>
#include <lull/observe.h>

#include "open_captures.h"
#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#define NODES 8
#define IDS 6
#define EPOCH (INT64_C(1770000000) * LULL_SEC)
#define HOUR (60 * LULL_MIN)

static uint64_t seed;
static int64_t random_below(int64_t most)
{
	/* splitmix64: near seeds give unlike nights */
	uint64_t z = seed += UINT64_C(0x9e3779b97f4a7c15);

	z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
	z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
	return (int64_t)((z ^ (z >> 31)) % (uint64_t)most);
}

/* One sender: a task table that starts at zero when it boots, with its own clock and jitter. */
struct node {
	unsigned ids;
	uint32_t id[IDS];
	int64_t period[IDS], offset[IDS];
	int64_t ppm, jitter;
};

static void invent(struct node *node, unsigned number, unsigned ids)
{
	static const int64_t periods[] = {10, 20, 20, 50, 100, 100, 200, 500, 1000};

	node->ids = ids;
	node->ppm = random_below(200) - 100;
	node->jitter = 50 * LULL_US + random_below(LULL_MS);
	for (unsigned i = 0; i < ids; i++) {
		node->id[i] = 0x100 + number * 16 + i;
		node->period[i] = periods[random_below(sizeof(periods) / sizeof(*periods))] * LULL_MS;
		node->offset[i] = random_below(node->period[i] / LULL_MS / 5 + 1) * 5 * LULL_MS;
	}
}

static int by_time(const void *x, const void *y)
{
	const struct lull_frame *a = x, *b = y;

	return (a->t > b->t) - (a->t < b->t);
}

/* The node's frames from its boot until it stops, without those of a hole, in true time. */
static void run(struct frame_list *list, const struct node *node, uint8_t bus, int64_t boot, int64_t stop,
	int64_t hole_from, int64_t hole_to)
{
	for (unsigned i = 0; i < node->ids; i++)
		for (int64_t k = 0;; k++) {
			int64_t own = node->offset[i] + k * node->period[i];
			int64_t t = boot + own + own / 1000000 * node->ppm;

			if (t >= stop)
				break;
			t += random_below(node->jitter);
			if (t >= hole_from && t < hole_to)
				continue;
			struct lull_frame f = {.t = t, .id = node->id[i], .bus = bus, .len = 8};

			f.data[7] = (uint8_t)k;
			frame_list_add(list, &f);
		}
}

struct outcome {
	struct lull_night night;
	unsigned steps;
	int64_t offset;
	lull_time last;
};

/* Through retimer and observer; frames at or after `step_at` carry stamps that are `step` too high. */
static void play(struct frame_list *list, int64_t step_at, int64_t step, struct outcome *out)
{
	if (list->at)
		qsort(list->at, list->n, sizeof(*list->at), by_time);
	lull_night_init(&out->night);
	struct lull_sink sink = lull_night_sink(&out->night);
	struct lull_observer *observer = lull_observer_new(&sink);
	struct lull_retimer *retimer = lull_retimer_new(observer, &sink, EPOCH);

	assert_non_null(retimer);
	assert_int_equal(lull_observer_bus(observer, "can0", 500000, 0), 0);
	assert_int_equal(lull_observer_bus(observer, "can1", 500000, 0), 1);
	assert_int_equal(lull_retimer_last(retimer), LULL_NEVER);
	for (size_t i = 0; list->at && i < list->n; i++) {
		struct lull_frame f = list->at[i];

		f.t += EPOCH + (f.t >= step_at ? step : 0);
		assert_int_equal(lull_retimer_frame(retimer, &f), 0);
	}
	assert_int_equal(lull_retimer_flush(retimer), 0);
	out->steps = lull_retimer_steps(retimer);
	out->offset = lull_retimer_offset(retimer) - EPOCH;
	out->last = lull_retimer_last(retimer);
	lull_retimer_free(retimer);
	assert_int_equal(lull_observer_finish(observer, out->last), 0);
	lull_observer_free(observer);
	assert_int_equal(out->night.bus[0].frames + out->night.bus[1].frames, list->n);
}

static size_t blind_rows(const struct outcome *out, enum lull_coverage_why why)
{
	size_t n = 0;

	for (size_t i = 0; i < out->night.coverage.n; i++)
		n += out->night.coverage.at[i].why == why;
	return n;
}

/* --- silences must stay silences --- */

/* All nodes stop within a second, and hours later boot one after the other. */
static void a_bus_that_stops_and_boots_was_silent(void **state)
{
	(void)state;
	unsigned silent = 0, seeds = 200;

	for (unsigned s = 1; s <= seeds; s++) {
		struct frame_list list = {0};
		struct outcome out;
		struct node node[NODES];

		seed = s * 977;
		unsigned nodes = 2 + (unsigned)random_below(NODES - 1);
		int64_t stop = 40 * LULL_SEC + random_below(LULL_SEC), spread = s % 2 ? 1 : random_below(LULL_SEC) + 1;
		int64_t boot = stop + 3 * LULL_SEC + random_below(s % 3 ? 6 * HOUR : 20 * LULL_SEC);

		for (unsigned i = 0; i < nodes; i++) {
			invent(&node[i], i, 1 + (unsigned)random_below(IDS));
			run(&list, &node[i], 0, random_below(100 * LULL_MS), stop + random_below(spread), 0, 0);
			run(&list, &node[i], 0, boot + random_below(600 * LULL_MS), boot + 20 * LULL_SEC, 0, 0);
		}
		play(&list, INT64_MAX, 0, &out);
		silent += out.night.coverage.n == 0 && out.night.gaps.n == 1;
		assert_int_equal(out.steps, 0);
		lull_night_clear(&out.night);
		frame_list_clear(&list);
	}
	print_message("%u of %u seen as silence\n", silent, seeds);
	assert_true(silent >= seeds * 98 / 100);
}

/* Others stop first; the keeper goes on alone, stops, and hours later starts alone. */
static void a_keeper_alone_was_silent(void **state)
{
	(void)state;
	unsigned silent = 0, steps = 0, seeds = 300;

	for (unsigned s = 1; s <= seeds; s++) {
		struct frame_list list = {0};
		struct outcome out;
		struct node keeper, other;

		seed = s * 4241;
		invent(&keeper, 0, 1 + s % IDS);
		invent(&other, 1, 4);
		int64_t stop = 60 * LULL_SEC + random_below(LULL_SEC), boot = stop + LULL_MIN + random_below(6 * HOUR);

		run(&list, &other, 0, 0, 20 * LULL_SEC, 0, 0);
		run(&list, &keeper, 0, 0, stop, 0, 0);
		run(&list, &keeper, 0, boot, boot + 20 * LULL_SEC, 0, 0);
		play(&list, INT64_MAX, 0, &out);
		silent += out.night.coverage.n == 0 && out.night.gaps.n >= 1;
		steps += out.steps;
		lull_night_clear(&out.night);
		frame_list_clear(&list);
	}
	print_message("%u of %u seen as silence, %u as steps\n", silent, seeds, steps);
	assert_true(silent >= seeds * 95 / 100);
	assert_true(steps <= seeds / 100);
}

/* A wake line boots all nodes together, each as long after it as ever; they run for some seconds and stop together. Now and then
 * they stop just where all would be due again in the order in which they boot. */
static void a_fixed_boot_order_is_no_phase_that_goes_on(void **state)
{
	(void)state;
	enum { CARS = 60, WAKES = 20 };
	unsigned misread = 0, leaps = 0;

	for (unsigned s = 1; s <= CARS; s++) {
		struct frame_list list = {0};
		struct outcome out;
		struct node node[NODES];
		int64_t boots[NODES], at = 0;

		seed = s * 6007;
		for (unsigned i = 0; i < NODES; i++) {
			invent(&node[i], i, 1 + (unsigned)random_below(IDS));
			boots[i] = random_below(150 * LULL_MS);
		}
		for (unsigned k = 0; k < WAKES; k++) {
			/* A first spell of a minute teaches the periods. */
			int64_t stop = at + (k ? 3 * LULL_SEC + random_below(8 * LULL_SEC) : LULL_MIN);

			for (unsigned i = 0; i < NODES; i++)
				run(&list, &node[i], 0, at + boots[i] + random_below(2 * LULL_MS), stop, 0, 0);
			at = stop + LULL_MIN + random_below(30 * LULL_MIN);
		}
		play(&list, INT64_MAX, 0, &out);
		misread += (unsigned)out.night.coverage.n;
		leaps += WAKES - 1;
		lull_night_clear(&out.night);
		frame_list_clear(&list);
	}
	print_message("%u of %u wakes taken for no silence\n", misread, leaps);
	assert_true(misread <= leaps / 500);
}

/* Trade rule 13: error frames or copies back to back right after the leap. All IDs would go on in phase. */
static void an_unacknowledged_start_proves_a_silence(void **state)
{
	(void)state;
	for (unsigned s = 0; s < 4; s++) {
		struct frame_list list = {0};
		struct outcome out;
		struct node node[4];
		int64_t away = s < 2 ? 3 * HOUR : 8 * LULL_SEC, cut = 40 * LULL_SEC;

		seed = 7;
		for (unsigned i = 0; i < 4; i++) {
			invent(&node[i], i, 4);
			run(&list, &node[i], 0, 0, 60 * LULL_SEC, 0, 0);
		}
		/* A start alone, 3 ms before the rest goes on. */
		for (int i = 0; i < 10; i++) {
			struct lull_frame f = {.t = cut + i * 270 * LULL_US, .id = 0x100, .len = 8};

			if (s % 2)
				f = (struct lull_frame){.t = f.t, .id = 8, .flags = LULL_FRAME_ERROR, .len = 8};
			frame_list_add(&list, &f);
		}
		for (size_t i = 0; i < list.n; i++) {
			if (list.at[i].t >= cut + 3 * LULL_MS)
				list.at[i].t += LULL_MS; /* none within the copies */
			else if (list.at[i].t >= cut && list.at[i].data[7])
				list.at[i].t = cut - LULL_MS;
		}
		if (list.at)
			qsort(list.at, list.n, sizeof(*list.at), by_time);
		int64_t edge = cut;

		lull_night_init(&out.night);
		struct lull_sink sink = lull_night_sink(&out.night);
		struct lull_observer *observer = lull_observer_new(&sink);
		struct lull_retimer *retimer = lull_retimer_new(observer, &sink, EPOCH);

		assert_int_equal(lull_observer_bus(observer, "can0", 500000, 0), 0);
		for (size_t i = 0; i < list.n; i++) {
			struct lull_frame f = list.at[i];

			f.t += EPOCH + (f.t >= edge ? away : 0);
			assert_int_equal(lull_retimer_frame(retimer, &f), 0);
		}
		assert_int_equal(lull_retimer_flush(retimer), 0);
		assert_int_equal(lull_retimer_steps(retimer), 0);
		assert_int_equal(out.night.coverage.n, 0);
		assert_int_equal(out.night.gaps.n, 1);
		lull_retimer_free(retimer);
		assert_int_equal(lull_observer_finish(observer, 60 * LULL_SEC + away), 0);
		lull_observer_free(observer);
		lull_night_clear(&out.night);
		frame_list_clear(&list);
	}
}

static void a_slow_sender_alone_is_no_leap(void **state)
{
	(void)state;
	struct frame_list list = {0};
	struct outcome out;

	for (int i = 0; i < 200; i++) {
		struct lull_frame f = {.t = i * 1500 * LULL_MS, .id = 0x6a0, .len = 8};

		frame_list_add(&list, &f);
	}
	play(&list, INT64_MAX, 0, &out);
	assert_int_equal(out.night.coverage.n, 0);
	assert_int_equal(out.night.gaps.n, 199);
	lull_night_clear(&out.night);
	frame_list_clear(&list);
}

/* --- steps --- */

static void ids_that_go_on_in_phase_prove_a_step(void **state)
{
	(void)state;
	unsigned found = 0, seeds = 200;

	for (unsigned s = 1; s <= seeds; s++) {
		struct frame_list list = {0};
		struct outcome out;
		struct node node[NODES];

		seed = s * 31;
		unsigned nodes = 3 + (unsigned)random_below(NODES - 3);
		int64_t step = LULL_MIN + random_below(20 * HOUR), at = 30 * LULL_SEC + random_below(LULL_SEC);
		unsigned bus = s % 2;

		if (s % 4 == 0)
			step = -step; /* back */
		for (unsigned i = 0; i < nodes; i++) {
			invent(&node[i], i, i ? 3 : 4);
			run(&list, &node[i], (uint8_t)(bus ? i % 2 : 0), random_below(300 * LULL_MS), 60 * LULL_SEC, 0, 0);
		}
		play(&list, at, step, &out);
		bool right = out.steps == 1 && llabs(out.offset - step) < 50 * LULL_MS && out.last < 61 * LULL_SEC;

		found += right;
		if (right) {
			assert_int_equal(blind_rows(&out, LULL_BLIND_CLOCK_STEP), bus ? 2 : 1);
			assert_int_equal(out.night.clocks.n, 1);
			assert_true(llabs(out.night.clocks.at[0].t - at) < LULL_SEC);
			assert_int_equal(out.night.clocks.at[0].utc_ns - EPOCH, out.night.clocks.at[0].t + out.offset);
			assert_int_equal(out.night.gaps.n, 0);
		}
		if (step < 0)
			assert_int_equal(out.steps, 1); /* back is always a step */
		lull_night_clear(&out.night);
		frame_list_clear(&list);
	}
	print_message("%u of %u steps found\n", found, seeds);
	assert_true(found >= seeds * 95 / 100);
}

static void a_step_of_years_needs_no_phase(void **state)
{
	(void)state;
	struct frame_list list = {0};
	struct outcome out;
	struct node node;

	seed = 3;
	invent(&node, 0, 2);
	run(&list, &node, 0, 0, 60 * LULL_SEC, 0, 0);
	play(&list, 5 * LULL_SEC, 20 * 365 * 24 * HOUR, &out); /* no clock chip: 2006 until the network is there */
	assert_int_equal(out.steps, 1);
	assert_true(out.last < 62 * LULL_SEC);
	lull_night_clear(&out.night);
	frame_list_clear(&list);
}

/* --- lost frames --- */

static void ids_on_their_old_grid_prove_a_loss(void **state)
{
	(void)state;
	unsigned found = 0, seeds = 200;

	for (unsigned s = 1; s <= seeds; s++) {
		struct frame_list list = {0};
		struct outcome out;
		struct node node[NODES];

		seed = s * 131;
		unsigned nodes = 3 + (unsigned)random_below(NODES - 3);
		int64_t from = 40 * LULL_SEC + random_below(LULL_SEC);
		int64_t to = from + 1300 * LULL_MS + random_below(s % 2 ? 2 * LULL_SEC : 30 * LULL_SEC);

		for (unsigned i = 0; i < nodes; i++) {
			invent(&node[i], i, 4);
			run(&list, &node[i], 0, random_below(300 * LULL_MS), to + 20 * LULL_SEC, from, to);
		}
		play(&list, INT64_MAX, 0, &out);
		assert_int_equal(out.steps, 0);
		/* Never a silence. */
		assert_int_equal(out.night.gaps.n, 0);
		assert_int_equal(out.night.coverage.n, 1);
		found += out.night.coverage.at[0].why == LULL_BLIND_FRAMES_LOST;
		assert_true(llabs(out.night.coverage.at[0].from - from) < LULL_SEC);
		assert_true(llabs(out.night.coverage.at[0].to - to) < LULL_SEC);
		lull_night_clear(&out.night);
		frame_list_clear(&list);
	}
	print_message("%u of %u losses found\n", found, seeds);
	assert_true(found >= seeds * 95 / 100);
}

static void a_gap_of_one_bus_is_no_leap_while_another_goes_on(void **state)
{
	(void)state;
	struct frame_list list = {0};
	struct outcome out;
	struct node a, b;

	seed = 11;
	invent(&a, 0, 5);
	invent(&b, 1, 5);
	run(&list, &a, 0, 0, 60 * LULL_SEC, 20 * LULL_SEC, 25 * LULL_SEC);
	run(&list, &b, 1, 0, 60 * LULL_SEC, 0, 0);
	play(&list, INT64_MAX, 0, &out);
	assert_int_equal(out.steps, 0);
	assert_int_equal(out.night.coverage.n, 0);
	assert_int_equal(out.night.gaps.n, 1);
	assert_int_equal(out.night.gaps.at[0].bus, 0);
	lull_night_clear(&out.night);
	frame_list_clear(&list);
}

/* --- hostile stamps --- */

static void any_stamps_are_survived(void **state)
{
	(void)state;
	static const int64_t some[] = {INT64_MIN, INT64_MAX, 0, -1, 1, EPOCH, EPOCH + HOUR, INT64_MIN / 2, INT64_MAX / 2,
		EPOCH - 400 * 24 * HOUR, EPOCH + 2 * LULL_SEC};
	const size_t n = sizeof(some) / sizeof(*some);

	for (size_t origin = 0; origin < n; origin++) {
		struct lull_night night;

		lull_night_init(&night);
		struct lull_sink sink = lull_night_sink(&night);
		struct lull_observer *observer = lull_observer_new(&sink);
		struct lull_retimer *retimer = lull_retimer_new(observer, &sink, some[origin]);

		assert_int_equal(lull_observer_bus(observer, "can0", 0, 0), 0);
		seed = origin + 1;
		for (int i = 0; i < 3000; i++) {
			struct lull_frame f = {.t = some[random_below((int64_t)n)], .id = (uint32_t)random_below(5), .len = 8};
			int err;

			f.t += f.t < EPOCH * 2 && f.t > 0 ? random_below(3 * LULL_SEC) : 0;
			err = lull_retimer_frame(retimer, &f);
			assert_true(!err || err == -EINVAL);
		}
		int err = lull_retimer_flush(retimer);

		assert_true(!err || err == -EINVAL);
		lull_time last = lull_retimer_last(retimer);

		assert_int_equal(lull_observer_finish(observer, last > 0 ? last : 0), 0);
		for (size_t i = 0; i < night.stretches.n; i++)
			assert_true(night.stretches.at[i].first >= 0);
		lull_retimer_free(retimer);
		lull_observer_free(observer);
		lull_night_clear(&night);
	}
}

/* --- open data --- */

/* data/nmea2000/can0-1.pcap: the clock leaps by -13.86 days and back, and forward by 1.2 s. The last leap is shorter than
 * any that is taken out. */
static void the_leaps_of_an_open_capture(void **state)
{
	(void)state;
	struct frame_list list = {0};
	struct lull_night night;

	if (!open_capture_pcap("nmea2000/can0-1.pcap", &list))
		skip();
	lull_night_init(&night);
	struct lull_sink sink = lull_night_sink(&night);
	struct lull_observer *observer = lull_observer_new(&sink);
	struct lull_retimer *retimer = lull_retimer_new(observer, &sink, list.at[0].t);

	assert_int_equal(lull_observer_bus(observer, "can0", 250000, 0), 0);
	for (size_t i = 0; i < list.n; i++)
		assert_int_equal(lull_retimer_frame(retimer, &list.at[i]), 0);
	assert_int_equal(lull_retimer_flush(retimer), 0);
	assert_int_equal(lull_retimer_steps(retimer), 2);
	lull_time last = lull_retimer_last(retimer);

	assert_true(last > 59 * LULL_SEC && last < 62 * LULL_SEC);
	assert_int_equal(lull_observer_finish(observer, last), 0);
	assert_int_equal(night.bus[0].frames, list.n);
	assert_int_equal(night.gaps.n, 0);
	assert_int_equal(night.coverage.n, 3);
	assert_int_equal(night.coverage.at[0].why, LULL_BLIND_CLOCK_STEP);
	assert_int_equal(night.coverage.at[1].why, LULL_BLIND_CLOCK_STEP);
	/* The frames between the two steps span 0.4284 s. */
	assert_true(llabs(night.coverage.at[1].from - night.coverage.at[0].to - 428413 * LULL_US) < LULL_MS);
	const struct lull_coverage *hole = &night.coverage.at[2];

	assert_true(hole->why == LULL_BLIND_FRAMES_LOST || hole->why == LULL_BLIND_UNDECIDED);
	assert_true(llabs(hole->to - hole->from - 1199627 * LULL_US) < LULL_MS);
	lull_retimer_free(retimer);
	lull_observer_free(observer);
	lull_night_clear(&night);
	frame_list_clear(&list);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_bus_that_stops_and_boots_was_silent),
		cmocka_unit_test(a_keeper_alone_was_silent),
		cmocka_unit_test(a_fixed_boot_order_is_no_phase_that_goes_on),
		cmocka_unit_test(an_unacknowledged_start_proves_a_silence),
		cmocka_unit_test(a_slow_sender_alone_is_no_leap),
		cmocka_unit_test(ids_that_go_on_in_phase_prove_a_step),
		cmocka_unit_test(a_step_of_years_needs_no_phase),
		cmocka_unit_test(ids_on_their_old_grid_prove_a_loss),
		cmocka_unit_test(a_gap_of_one_bus_is_no_leap_while_another_goes_on),
		cmocka_unit_test(any_stamps_are_survived),
		cmocka_unit_test(the_leaps_of_an_open_capture),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
