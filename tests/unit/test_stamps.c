/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_stamps: stamps of a clock that is set while frames wait, and of an adapter's own clock. */
#include <daemon/stamps.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <cmocka.h>

#define UTC (INT64_C(1772750000) * LULL_SEC)
#define DAY (1440 * LULL_MIN)

static void an_untouched_clock(void **state)
{
	struct lull_stamps s = {0};

	(void)state;
	assert_int_equal(lull_stamps_clock(&s, UTC + 5 * LULL_SEC, 5 * LULL_SEC), 0);
	assert_int_equal(lull_stamps_frame(&s, UTC + 5 * LULL_SEC - 3), 5 * LULL_SEC - 3);
	/* It is slewed by 500 ppm for an hour: no step, and frames are as exact as the slew since the last reading. */
	for (int64_t t = 6; t < 3600; t++) {
		assert_int_equal(lull_stamps_clock(&s, UTC + t * LULL_SEC + t * 500 * LULL_US, t * LULL_SEC), 0);
		int64_t got = lull_stamps_frame(&s, UTC + t * LULL_SEC + t * 500 * LULL_US - LULL_SEC / 2);

		assert_true(llabs(got - (t * LULL_SEC - LULL_SEC / 2)) < LULL_MS);
	}
	assert_int_equal(s.guessed, 0);
}

/* The clock is set between two frames that are fetched together: each is told by its own setting. */
static void set_while_frames_wait(void **state)
{
	static const int64_t steps[] = {DAY, -DAY, 10 * LULL_SEC, -10 * LULL_SEC, -400 * DAY};

	(void)state;
	for (size_t i = 0; i < sizeof(steps) / sizeof(steps[0]); i++) {
		struct lull_stamps s = {0};
		const int64_t t = 100 * LULL_SEC;

		(void)lull_stamps_clock(&s, UTC + t, t);
		assert_true(lull_stamps_clock(&s, UTC + t + 200 * LULL_MS + steps[i], t + 200 * LULL_MS) == steps[i]);
		assert_true(lull_stamps_frame(&s, UTC + t + 50 * LULL_MS) == t + 50 * LULL_MS);
		assert_true(lull_stamps_frame(&s, UTC + t + 150 * LULL_MS + steps[i]) == t + 150 * LULL_MS);
		/* Set twice between two readings: no setting fits, the reading's own time is the best there is. */
		assert_true(lull_stamps_frame(&s, UTC + t + 17 * DAY) == t + 200 * LULL_MS);
		assert_int_equal(s.guessed, 1);
		/* And back: the frames after it are as before. */
		assert_true(lull_stamps_clock(&s, UTC + t + 400 * LULL_MS, t + 400 * LULL_MS) == -steps[i]);
		assert_true(lull_stamps_frame(&s, UTC + t + 390 * LULL_MS) == t + 390 * LULL_MS);
	}
}

/* The receiver stood still for 13 s and reads the clock once a batch: no frame that waited becomes one of now. */
static void frames_that_waited_long(void **state)
{
	struct lull_stamps s = {0};

	(void)state;
	(void)lull_stamps_clock(&s, UTC + 10 * LULL_SEC, 10 * LULL_SEC);
	for (int64_t batch = 0; batch < 100; batch++) {
		const int64_t t = 23 * LULL_SEC + batch * LULL_MS;

		(void)lull_stamps_clock(&s, UTC + t, t);
		for (int64_t k = 0; k < 64; k++) {
			const int64_t received = 10 * LULL_SEC + (64 * batch + k) * 2 * LULL_MS;

			assert_true(lull_stamps_frame(&s, UTC + received) == received);
		}
	}
	assert_int_equal(s.guessed, 0);
	/* Not for ever, and not across a setting of the clock. */
	assert_true(lull_stamps_frame(&s, UTC - 1000 * LULL_SEC) == s.now);
	assert_true(lull_stamps_clock(&s, UTC + 24 * LULL_SEC + DAY, 24 * LULL_SEC) == DAY);
	assert_true(lull_stamps_frame(&s, UTC + 20 * LULL_SEC + DAY) == 24 * LULL_SEC);
	assert_true(lull_stamps_frame(&s, UTC + 20 * LULL_SEC) == 24 * LULL_SEC);
	assert_int_equal(s.guessed, 3);
}

/* Frames every 10 ms by a clock 80 ppm fast that arrive in batches every 100 ms: the batch is taken apart again. */
static void batches_of_an_adapter(void **state)
{
	struct lull_own_clock c = {0};
	int64_t worst = 0;

	(void)state;
	for (int64_t k = 0; k < 60000; k++) {
		const int64_t t = 1000 * LULL_SEC + k * 10 * LULL_MS;
		const int64_t own = 7 * LULL_SEC + k * 10 * LULL_MS + k * 800; /* 80 ppm */
		const int64_t arrived = (t / (100 * LULL_MS) + 1) * (100 * LULL_MS) + LULL_MS / 2;
		const int64_t got = lull_own_clock_frame(&c, own, arrived);

		assert_true(got <= arrived);
		/* The last of each batch waits 10.5 ms: that much remains, and what the clocks drift apart meanwhile. */
		if (k > 10 && llabs(got - t) > worst)
			worst = llabs(got - t);
	}
	assert_true(worst < 11 * LULL_MS);
	assert_int_equal(c.resets, 0);
}

static void an_adapter_begins_anew(void **state)
{
	struct lull_own_clock c = {0};

	(void)state;
	assert_true(lull_own_clock_frame(&c, 0, 5 * LULL_SEC) == 5 * LULL_SEC); /* no stamp in this frame */
	assert_false(c.known);
	assert_true(lull_own_clock_frame(&c, 900 * LULL_SEC, 6 * LULL_SEC) == 6 * LULL_SEC);
	assert_true(lull_own_clock_frame(&c, 901 * LULL_SEC, 7 * LULL_SEC + LULL_MS) <= 7 * LULL_SEC + LULL_MS);
	assert_true(lull_own_clock_frame(&c, 3 * LULL_MS, 8 * LULL_SEC) == 8 * LULL_SEC);
	assert_int_equal(c.resets, 1);
	assert_true(lull_own_clock_frame(&c, 13 * LULL_MS, 8 * LULL_SEC + 12 * LULL_MS) >= 8 * LULL_SEC + 10 * LULL_MS);
	/* An outlier of seconds (candleLight_fw and others) is its arrival. */
	assert_true(lull_own_clock_frame(&c, 5000 * LULL_SEC, 8 * LULL_SEC + 20 * LULL_MS) == 8 * LULL_SEC + 20 * LULL_MS);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(an_untouched_clock),
		cmocka_unit_test(set_while_frames_wait),
		cmocka_unit_test(frames_that_waited_long),
		cmocka_unit_test(batches_of_an_adapter),
		cmocka_unit_test(an_adapter_begins_anew),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
