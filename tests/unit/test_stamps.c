/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_stamps: stamps of a clock that is set while frames wait, and of an adapter's own clock. */
#include <daemon/stamps.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
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
		assert_int_equal(
			lull_stamps_clock(&s, UTC + t * LULL_SEC + t * 500 * LULL_US, t * LULL_SEC), 0);
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
		assert_true(lull_stamps_clock(&s, UTC + t + 200 * LULL_MS + steps[i], t + 200 * LULL_MS) ==
			steps[i]);
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
	/* Not for ever. */
	assert_true(lull_stamps_frame(&s, UTC - 1000 * LULL_SEC) == s.now);
	assert_true(lull_stamps_clock(&s, UTC + 24 * LULL_SEC + DAY, 24 * LULL_SEC) == DAY);
	/* The new setting did not hold at 20 s, the old one did. */
	assert_true(lull_stamps_frame(&s, UTC + 20 * LULL_SEC + DAY) == 24 * LULL_SEC);
	assert_true(lull_stamps_frame(&s, UTC + 20 * LULL_SEC) == 20 * LULL_SEC);
	assert_int_equal(s.guessed, 2);
}

/* The clock was set a while ago, and then the receiver stood still for 30 s: what waited keeps its time, batch after batch. */
static void frames_that_waited_after_a_setting(void **state)
{
	static const int64_t steps[] = {DAY, -DAY, 10 * LULL_SEC, -10 * LULL_SEC};

	(void)state;
	for (size_t i = 0; i < sizeof(steps) / sizeof(steps[0]); i++) {
		struct lull_stamps s = {0};

		(void)lull_stamps_clock(&s, UTC + 100 * LULL_SEC, 100 * LULL_SEC);
		(void)lull_stamps_clock(&s, UTC + 101 * LULL_SEC + steps[i], 101 * LULL_SEC);
		(void)lull_stamps_clock(&s, UTC + 105 * LULL_SEC + steps[i], 105 * LULL_SEC);
		for (int64_t batch = 0; batch < 100; batch++) {
			const int64_t now = 135 * LULL_SEC + batch * LULL_MS;

			(void)lull_stamps_clock(&s, UTC + now + steps[i], now);
			for (int64_t k = 0; k < 64; k++) {
				const int64_t received = 105 * LULL_SEC + (64 * batch + k) * 4 * LULL_MS;

				assert_true(lull_stamps_frame(&s, UTC + received + steps[i]) == received);
			}
		}
		assert_int_equal(s.guessed, 0);
	}
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

/* --- an adapter's own clock over a night --- */

enum delay { CONSTANT, JITTERED, RARELY_SHORT, IN_BATCHES, DELAY_KINDS };

struct adapter {
	int64_t gap; /* between frames, ns */
	int64_t ppm; /* by which its clock is fast */
	int64_t start; /* its clock at the start, ns */
	int64_t wrap; /* its clock begins again at 0 after so much, ns; 0: never */
	int64_t restarts; /* its clock begins again at 0 at that time; 0: never */
	enum delay kind;
	int64_t length; /* of the night */
	int64_t heard, period; /* frames come for so long in each period */
};

struct errors {
	int64_t early, late; /* worst: before the real time; after it by more than the frame's own delay */
	int64_t frames;
};

static int64_t delay_of(enum delay kind, int64_t t, uint32_t *seed)
{
	*seed = *seed * 1664525 + 1013904223;
	switch (kind) {
	case CONSTANT: return 300 * LULL_US;
	case JITTERED: return 100 * LULL_US + (*seed >> 8) % (5 * LULL_MS);
	case RARELY_SHORT: return (*seed >> 8) % 1000 ? 8 * LULL_MS : 200 * LULL_US;
	case IN_BATCHES: return 20 * LULL_MS - t % (20 * LULL_MS) + 200 * LULL_US;
	case DELAY_KINDS: break;
	}
	return 0;
}

static int64_t own_at(const struct adapter *a, int64_t t)
{
	const int64_t since = a->restarts && t >= a->restarts ? t - a->restarts : t;
	const int64_t own = (since < t ? LULL_MS : a->start) + since + since / 1000000 * a->ppm +
		since % 1000000 * a->ppm / 1000000;

	return a->wrap ? own % a->wrap : own;
}

static void run_night(const struct adapter *a, struct lull_own_clock *c, struct errors *e)
{
	const int64_t zero = 1000 * LULL_SEC; /* CLOCK_BOOTTIME at the start */
	int64_t arrived = 0;
	uint32_t seed = 7;

	*c = (struct lull_own_clock){0};
	*e = (struct errors){0};
	for (int64_t t = 0; t <= a->length; t += a->gap) {
		if (t % a->period >= a->heard)
			t += a->period - t % a->period;
		const int64_t sent = zero + t, arrives = sent + delay_of(a->kind, sent, &seed);

		/* An adapter hands over frames in their order. */
		arrived = arrives > arrived ? arrives : arrived;
		const int64_t error = lull_own_clock_frame(c, own_at(a, t), arrived) - sent;

		if (-error > e->early)
			e->early = -error;
		if (error - (arrived - sent) > e->late)
			e->late = error - (arrived - sent);
		e->frames++;
	}
}

static void check_night(const struct adapter *a, unsigned resets)
{
	struct lull_own_clock c;
	struct errors e;

	run_night(a, &c, &e);
	/* The aim is 1 ms; what the header promises is less. */
	if (e.early > LULL_US || e.late > 0)
		fail_msg("gap %lld ns, %lld ppm, delay %d: %lld ns early, %lld ns late", (long long)a->gap,
			(long long)a->ppm, a->kind, (long long)e.early, (long long)e.late);
	assert_int_equal(c.resets, resets);
	assert_true(e.frames > 1000);
}

#define TEN_HOURS (600 * LULL_MIN)
#define MOST_AT_ONCE 100000 /* frames */

static const int64_t gaps[] = {50 * LULL_US, 500 * LULL_US, 999 * LULL_US, LULL_MS, 7300 * LULL_US,
	100 * LULL_MS, LULL_SEC, 10 * LULL_SEC};
static const int64_t rates[] = {-200, -50, 0, 50, 200};

/* Short gaps are heard for a while at the start of every two hours, with long silences between. */
static struct adapter adapter_with(int64_t gap, int64_t ppm, enum delay kind)
{
	struct adapter a = {.gap = gap,
		.ppm = ppm,
		.start = 7 * LULL_SEC,
		.kind = kind,
		.length = TEN_HOURS,
		.period = 120 * LULL_MIN};

	a.heard = gap * MOST_AT_ONCE < a.period ? gap * MOST_AT_ONCE : a.period;
	return a;
}

static void ten_hours_of_any_gap_and_rate(void **state)
{
	(void)state;
	for (size_t g = 0; g < sizeof gaps / sizeof gaps[0]; g++)
		for (size_t r = 0; r < sizeof rates / sizeof rates[0]; r++)
			for (int kind = 0; kind < DELAY_KINDS; kind++) {
				const struct adapter a = adapter_with(gaps[g], rates[r], (enum delay)kind);

				check_night(&a, 0);
			}
}

/* Every frame of an hour, without a pause in which a correction could catch up. */
static void a_busy_bus_without_a_pause(void **state)
{
	struct adapter a = adapter_with(500 * LULL_US, 50, CONSTANT);

	(void)state;
	a.length = a.heard = 60 * LULL_MIN;
	check_night(&a, 0);
	a.ppm = -200;
	a.kind = IN_BATCHES;
	check_night(&a, 0);
}

static void a_clock_that_restarts_or_wraps(void **state)
{
	(void)state;
	for (size_t g = 0; g < sizeof gaps / sizeof gaps[0]; g++)
		for (int kind = 0; kind < DELAY_KINDS; kind++) {
			struct adapter a = adapter_with(gaps[g], -200, (enum delay)kind);

			/* Within a time that is heard, and 32 bits of 1 us. */
			a.restarts = 240 * LULL_MIN + a.heard / 2;
			check_night(&a, 1);
			a.restarts = 0;
			a.wrap = (INT64_C(1) << 32) * LULL_US;
			a.heard = gaps[g] * MOST_AT_ONCE / 5 < 60 * LULL_MIN ? gaps[g] * MOST_AT_ONCE / 5
									     : 60 * LULL_MIN;
			a.period = 70 * LULL_MIN;

			struct lull_own_clock c;
			struct errors e;

			run_night(&a, &c, &e);
			assert_true(e.early <= LULL_US && e.late <= 0);
			assert_true(c.resets >= 1);
		}
}

/* A clock that is worse than any quartz costs what the header says, and does not run away. */
static void a_clock_beyond_any_quartz(void **state)
{
	struct adapter a = adapter_with(10 * LULL_MS, -1000, CONSTANT);
	struct lull_own_clock c;
	struct errors e;

	(void)state;
	run_night(&a, &c, &e);
	assert_true(e.early <= 16 * 800 * LULL_US);
	assert_true(e.late <= 0);
	assert_int_equal(c.resets, 0);
}

/* The delay of most frames is taken away: one frame in a thousand that came at once tells the others' time. */
static void jitter_is_taken_away(void **state)
{
	const int64_t gap = LULL_MS;

	(void)state;
	for (size_t r = 0; r < sizeof rates / sizeof rates[0]; r++) {
		struct lull_own_clock c = {0};
		int64_t worst = 0;

		for (int64_t k = 1; k < 60000; k++) {
			const int64_t t = 50 * LULL_SEC + k * gap,
				      own = k * gap + k * gap * rates[r] / 1000000;
			const int64_t delay = k % 1000 == 1 ? 100 * LULL_US : 30 * LULL_MS;
			const int64_t error = lull_own_clock_frame(&c, own, t + delay) - t;

			worst = error > worst ? error : worst;
			assert_true(error >= -LULL_US);
		}
		/* 0.1 ms, and a second's drift of two clocks that may differ by 400 ppm. */
		assert_true(worst <= 500 * LULL_US + LULL_US);
		assert_int_equal(c.resets, 0);
	}
}

static void stamps_that_no_clock_gives(void **state)
{
	static const int64_t odd[] = {0, -1, INT64_MIN, INT64_MAX, INT64_MAX / 2};
	struct lull_own_clock c = {0};

	(void)state;
	for (size_t i = 0; i < sizeof odd / sizeof odd[0]; i++)
		assert_true(lull_own_clock_frame(&c, odd[i], 5 * LULL_SEC) == 5 * LULL_SEC);
	assert_false(c.known);
	assert_true(lull_own_clock_frame(&c, LULL_SEC, 6 * LULL_SEC) == 6 * LULL_SEC);
	/* Two mailboxes that are read in the wrong order are no restart. */
	assert_true(lull_own_clock_frame(&c, LULL_SEC + 5 * LULL_MS, 6 * LULL_SEC + 6 * LULL_MS) <
		6 * LULL_SEC + 6 * LULL_MS);
	assert_true(lull_own_clock_frame(&c, LULL_SEC + 2 * LULL_MS, 6 * LULL_SEC + 6 * LULL_MS) <=
		6 * LULL_SEC + 3 * LULL_MS);
	assert_int_equal(c.resets, 0);
	/* Another adapter's clock is learned from its first frame. */
	lull_own_clock_forget(&c);
	assert_true(lull_own_clock_frame(&c, 2 * LULL_SEC, 9 * LULL_SEC) == 9 * LULL_SEC);
	assert_int_equal(c.resets, 0);
}

static void an_adapter_begins_anew(void **state)
{
	struct lull_own_clock c = {0};

	(void)state;
	assert_true(lull_own_clock_frame(&c, 0, 5 * LULL_SEC) == 5 * LULL_SEC); /* no stamp in this frame */
	assert_false(c.known);
	assert_true(lull_own_clock_frame(&c, 900 * LULL_SEC, 6 * LULL_SEC) == 6 * LULL_SEC);
	assert_true(
		lull_own_clock_frame(&c, 901 * LULL_SEC, 7 * LULL_SEC + LULL_MS) <= 7 * LULL_SEC + LULL_MS);
	assert_true(lull_own_clock_frame(&c, 3 * LULL_MS, 8 * LULL_SEC) == 8 * LULL_SEC);
	assert_int_equal(c.resets, 1);
	assert_true(lull_own_clock_frame(&c, 13 * LULL_MS, 8 * LULL_SEC + 12 * LULL_MS) >=
		8 * LULL_SEC + 10 * LULL_MS);
	/* An outlier of seconds (candleLight_fw and others) is its arrival. */
	assert_true(lull_own_clock_frame(&c, 5000 * LULL_SEC, 8 * LULL_SEC + 20 * LULL_MS) ==
		8 * LULL_SEC + 20 * LULL_MS);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(an_untouched_clock),
		cmocka_unit_test(set_while_frames_wait),
		cmocka_unit_test(frames_that_waited_long),
		cmocka_unit_test(frames_that_waited_after_a_setting),
		cmocka_unit_test(batches_of_an_adapter),
		cmocka_unit_test(ten_hours_of_any_gap_and_rate),
		cmocka_unit_test(a_busy_bus_without_a_pause),
		cmocka_unit_test(a_clock_that_restarts_or_wraps),
		cmocka_unit_test(a_clock_beyond_any_quartz),
		cmocka_unit_test(jitter_is_taken_away),
		cmocka_unit_test(stamps_that_no_clock_gives),
		cmocka_unit_test(an_adapter_begins_anew),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
