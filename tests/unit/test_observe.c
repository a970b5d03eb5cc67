/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_observe: frames in, rows out. */
#include "observe_rig.h"
#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#define EXT(id) (LULL_ID_EXTENDED | (id))

static void send_error(struct observe_rig *b, lull_time t, uint32_t class)
{
	struct lull_frame f = observe_frame(t, class, 0);

	f.flags = LULL_FRAME_ERROR;
	assert_int_equal(lull_observer_frame(b->observer, &f), 0);
}

static uint64_t noise_state;

/* --- stretches --- */

static void a_cyclic_id_is_one_stretch(void **state)
{
	(void)state;
	struct observe_rig b;

	noise_state = 1;
	observe_begin(&b);
	/* 100 ms nominal, sent 40 ppm slow, 1 ms of jitter, one frame in 50 lost. */
	for (int i = 0; i < 2000; i++)
		if (i % 50 != 17)
			observe_send(&b, LULL_SEC + i * INT64_C(100004000) + observe_noise(&noise_state, LULL_MS), 0x123, 7);
	observe_end(&b, 202 * LULL_SEC);

	const struct lull_stretch *row = observe_only_row(&b, 0x123);

	assert_int_equal(row->kind, LULL_STRETCH_CYCLIC);
	assert_int_equal(row->end, LULL_END_GAP);
	assert_int_equal(row->frames, 1960);
	assert_int_equal(row->period_ns, 100 * LULL_MS);
	assert_int_equal(row->index, 1999);
	assert_true(row->gap_max > 197 * LULL_MS && row->gap_max < 203 * LULL_MS);
	double error, ppm = lull_fit_ppm(&row->fit, row->period_ns, &error);

	assert_true(fabs(ppm - 40) < 1);
	assert_true(error < 1);
	assert_int_equal(row->changed_bits, 0);
	assert_int_equal(row->payload_last[0], 7);
	lull_night_clear(&b.night);
}

static void a_stop_is_a_gap_and_the_period_is_remembered(void **state)
{
	(void)state;
	struct observe_rig b;

	observe_begin(&b);
	for (int run = 0; run < 3; run++)
		for (int i = 0; i < 40; i++) {
			observe_send(&b, run * 20 * LULL_SEC + i * 100 * LULL_MS, 0x200, (uint64_t)i << 32);
			observe_send(&b, run * 20 * LULL_SEC + i * 100 * LULL_MS + LULL_MS, 0x201, 0);
		}
	/* Five frames of a wake too short to learn from: the remembered period is their nominal one. */
	for (int i = 0; i < 5; i++)
		observe_send(&b, 60 * LULL_SEC + i * 100 * LULL_MS, 0x200, 0);
	observe_end(&b, 90 * LULL_SEC);

	const struct lull_stretch *row = NULL;

	assert_int_equal(observe_rows(&b, 0x200, &row), 4);
	for (size_t i = 0; i < b.night.stretches.n; i++) {
		const struct lull_stretch *s = &b.night.stretches.at[i];

		assert_int_equal(s->end, LULL_END_GAP);
		assert_int_equal(s->period_ns, 100 * LULL_MS);
		assert_true(s->last - s->first == (int64_t)(s->frames - 1) * 100 * LULL_MS);
	}
	assert_int_equal(row->payload_second[4], 1);
	assert_int_equal(row->payload_last[4], 39);
	assert_int_equal(row->changed_bits, UINT64_C(0x3f) << 32);
	/* The silences of the bus, and the last one without an end. */
	assert_int_equal(b.night.gaps.n, 4);
	assert_int_equal(b.night.gaps.at[0].last, 39 * 100 * LULL_MS + LULL_MS);
	assert_int_equal(b.night.gaps.at[0].last_id, 0x201);
	assert_int_equal(b.night.gaps.at[0].next, 20 * LULL_SEC);
	assert_int_equal(b.night.gaps.at[0].next_id, 0x200);
	assert_int_equal(b.night.gaps.at[3].next, LULL_NEVER);
	assert_int_equal(b.night.gaps.at[3].next_id, LULL_ID_NONE);
	lull_night_clear(&b.night);
}

static void still_sending_at_the_end_is_open(void **state)
{
	(void)state;
	struct observe_rig b;

	observe_begin(&b);
	for (int i = 0; i < 100; i++)
		observe_send(&b, i * 20 * LULL_MS, 0x300, 0);
	observe_end(&b, 99 * 20 * LULL_MS);
	assert_int_equal(observe_only_row(&b, 0x300)->end, LULL_END_OPEN);
	assert_int_equal(b.night.gaps.n, 0);
	lull_night_clear(&b.night);
}

static void standard_and_extended_do_not_mix(void **state)
{
	(void)state;
	struct observe_rig b;

	observe_begin(&b);
	for (int i = 0; i < 100; i++) {
		observe_send(&b, i * 20 * LULL_MS, 0x123, 0);
		if (i % 2)
			observe_send(&b, i * 20 * LULL_MS + LULL_MS, EXT(0x123), 0);
	}
	observe_end(&b, 2 * LULL_SEC);
	assert_int_equal(observe_only_row(&b, 0x123)->frames, 100);
	assert_int_equal(observe_only_row(&b, EXT(0x123))->frames, 50);
	lull_night_clear(&b.night);
}

static void another_rate_is_another_stretch(void **state)
{
	(void)state;
	struct observe_rig b;
	lull_time t = 0;

	observe_begin(&b);
	for (int i = 0; i < 100; i++, t += 20 * LULL_MS)
		observe_send(&b, t, 0x321, 0);
	lull_time change = t - 20 * LULL_MS;

	t += 180 * LULL_MS;
	for (int i = 0; i < 100; i++, t += 200 * LULL_MS)
		observe_send(&b, t, 0x321, 0);
	observe_end(&b, t);

	const struct lull_stretch *row = NULL;

	assert_int_equal(observe_rows(&b, 0x321, &row), 2);
	assert_int_equal(row->end, LULL_END_RATE);
	assert_int_equal(row->period_ns, 20 * LULL_MS);
	assert_int_equal(row->last, change);
	assert_int_equal(row->frames, 100);
	row++;
	assert_int_equal(row->period_ns, 200 * LULL_MS);
	assert_int_equal(row->frames, 100);
	assert_int_equal(row->index, 99);
	assert_int_equal(row->first, change + 200 * LULL_MS);
	lull_night_clear(&b.night);
}

static void slow_cyclic_ids_are_learned_across_stretches(void **state)
{
	(void)state;
	struct observe_rig b;

	noise_state = 5;
	observe_begin(&b);
	for (int i = 0; i < 200; i++)
		observe_send(&b, i * 4 * LULL_SEC + observe_noise(&noise_state, 5 * LULL_MS) + 10 * LULL_MS, 0x7a0, 0);
	observe_end(&b, 800 * LULL_SEC);

	/* Alone on the bus it closes after each frame at first; then it is one stretch. */
	size_t n = b.night.stretches.n;

	assert_in_range(n, 1, 6);
	const struct lull_stretch *last = &b.night.stretches.at[n - 1];

	assert_int_equal(last->period_ns, 4 * LULL_SEC);
	assert_true(last->frames >= 194);
	lull_night_clear(&b.night);
}

static void slower_than_ten_seconds_stays_event_rows(void **state)
{
	(void)state;
	struct observe_rig b;
	size_t events = 0, frames = 0;

	observe_begin(&b);
	for (int i = 0; i < 1000; i++) /* something else keeps the bus awake */
		for (int k = 0; k < 30; k++)
			observe_send(&b, (30 * i + k) * LULL_SEC + k, k ? 0x100 : 0x6f0, 0);
	observe_end(&b, 30000 * LULL_SEC);
	for (size_t i = 0; i < b.night.stretches.n; i++) {
		const struct lull_stretch *row = &b.night.stretches.at[i];

		if (row->id != 0x6f0)
			continue;
		frames += row->frames;
		if (row->kind != LULL_STRETCH_EVENTS)
			continue;
		events++;
		assert_true(row->last - row->first <= LULL_CADENCE);
		if (i > 200)
			assert_true(llabs(row->period_ns - 30 * LULL_SEC) < LULL_MS);
	}
	assert_int_equal(frames, 1000);
	assert_in_range(events, 98, 101); /* one for each five minutes */
	lull_night_clear(&b.night);
}

static void an_irregular_id_does_not_fill_the_recording(void **state)
{
	(void)state;
	struct observe_rig b;
	lull_time t = 0;
	uint64_t frames = 0, binned = 0;

	noise_state = 9;
	observe_begin(&b);
	for (int i = 0; i < 100000; i++) {
		/* Gaps from 1 ms to 8 s, a change of mind every few dozen frames. */
		int64_t scale = LULL_MS << ((i / 37) % 13);

		t += scale + llabs(observe_noise(&noise_state, scale));
		observe_send(&b, t, 0x555, (uint64_t)i);
	}
	observe_end(&b, t);
	for (size_t i = 0; i < b.night.stretches.n; i++) {
		const struct lull_stretch *row = &b.night.stretches.at[i];

		frames += row->frames;
		for (unsigned k = 0; k < LULL_GAP_BINS; k++)
			binned += row->bins[k];
		if (row->kind == LULL_STRETCH_EVENTS)
			assert_true(row->frames > 0);
	}
	/* Every frame is in a row, but for the few between the last stretch and the first event row. */
	assert_in_range(frames, 99900, 100000);
	assert_true(binned > 0);
	assert_true((double)b.night.stretches.n < 60 + 8.0 * (double)t / (double)LULL_CADENCE);
	lull_night_clear(&b.night);
}

static void bursts_have_the_period_of_their_first_frames(void **state)
{
	(void)state;
	struct observe_rig b;

	observe_begin(&b);
	for (int i = 0; i < 200; i++)
		for (int k = 0; k < 7; k++)
			observe_send(&b, i * 500 * LULL_MS + k * 600 * LULL_US, EXT(0x18fef100), (uint64_t)k);
	observe_end(&b, 100 * LULL_SEC);

	const struct lull_stretch *row = observe_only_row(&b, EXT(0x18fef100));

	assert_int_equal(row->period_ns, 500 * LULL_MS);
	assert_int_equal(row->frames, 1400);
	assert_int_equal(row->index, 199);
	assert_true(row->fit.n >= 190 && row->fit.n <= 200);
	lull_night_clear(&b.night);
}

static void cadence_windows_add_up_to_the_stretch(void **state)
{
	(void)state;
	struct observe_rig b;
	struct lull_fit sum = {0};

	noise_state = 3;
	observe_begin(&b);
	for (int i = 0; i < 16000; i++) {
		observe_send(&b, 100 * LULL_SEC + i * 100 * LULL_MS + observe_noise(&noise_state, LULL_MS) + LULL_MS, 0x111, 0);
		observe_send(&b, 100 * LULL_SEC + i * 100 * LULL_MS + 50 * LULL_MS, 0x112, 0);
	}
	observe_end(&b, 1700 * LULL_SEC);

	const struct lull_stretch *row = observe_only_row(&b, 0x111);
	size_t n = 0;

	for (size_t i = 0; i < b.night.cadences.n; i++) {
		const struct lull_cadence *c = &b.night.cadences.at[i];

		assert_int_equal(c->window % LULL_CADENCE, 0);
		if (c->id != 0x111)
			continue;
		assert_int_equal(c->stretch_first, row->first);
		assert_int_equal(c->period_ns, row->period_ns);
		lull_fit_join(&sum, &c->fit);
		n++;
	}
	assert_int_equal(n, 6); /* 100..300, four whole ones, 1500..1700 s */
	assert_int_equal(b.night.cadences.n, 12);
	assert_true(sum.n == row->fit.n && sum.n == 16000);
	assert_true(fabs(sum.skr - row->fit.skr) <= 1e-9 * fabs(row->fit.skr));
	assert_int_equal(sum.r_min, row->fit.r_min);
	lull_night_clear(&b.night);
}

static void short_stretches_leave_no_cadence(void **state)
{
	(void)state;
	struct observe_rig b;

	observe_begin(&b);
	for (int i = 0; i < 1000; i++) /* across a window's end, but shorter than one */
		observe_send(&b, 250 * LULL_SEC + i * 100 * LULL_MS, 0x111, 0);
	observe_end(&b, 400 * LULL_SEC);
	assert_int_equal(b.night.cadences.n, 0);
	assert_int_equal(observe_only_row(&b, 0x111)->fit.n, 1000);
	lull_night_clear(&b.night);
}

static void changes_of_the_first_bytes_leave_rows(void **state)
{
	(void)state;
	struct observe_rig b;
	size_t counter = 0, rare = 0;

	observe_begin(&b);
	for (int i = 0; i < 1000; i++) {
		observe_send(&b, i * 20 * LULL_MS, 0x100, (uint64_t)(i & 0xff) << 8);
		observe_send(&b, i * 20 * LULL_MS + LULL_MS, 0x101, i < 500 ? 0x1140 : 0x1100);
		observe_send(&b, i * 20 * LULL_MS + 2 * LULL_MS, 0x102, (uint64_t)i << 16);
	}
	observe_end(&b, 20 * LULL_SEC);
	for (size_t i = 0; i < b.night.changes.n; i++) {
		const struct lull_change *c = &b.night.changes.at[i];

		counter += c->id == 0x100;
		if (c->id == 0x101) {
			rare++;
			assert_int_equal(c->byte[0], rare == 1 ? 0x40 : 0x00);
			assert_int_equal(c->byte[1], 0x11);
			assert_int_equal(c->t, rare == 1 ? LULL_MS : 500 * 20 * LULL_MS + LULL_MS);
		}
	}
	assert_int_equal(counter, 64);
	assert_int_equal(rare, 2);
	assert_int_equal(observe_only_row(&b, 0x100)->changes, 999);
	assert_int_equal(observe_only_row(&b, 0x101)->changes, 1);
	assert_int_equal(observe_only_row(&b, 0x102)->changes, 0);
	lull_night_clear(&b.night);
}

static void bits_are_those_of_the_frames(void **state)
{
	(void)state;
	struct observe_rig b;
	struct lull_frame f = observe_frame(0, 0x100, 0);
	struct lull_frame_bits bits = lull_frame_bits(&f);

	observe_begin(&b);
	for (int i = 0; i < 100; i++)
		observe_send(&b, i * 20 * LULL_MS, 0x100, 0);
	observe_end(&b, 2 * LULL_SEC);
	assert_int_equal(observe_only_row(&b, 0x100)->bits, 100 * bits.nominal);
	assert_int_equal(b.night.bus[0].bits, 100 * bits.nominal);
	assert_int_equal(b.night.bus[0].frames, 100);
	assert_int_equal(b.night.bus[0].first, 0);
	assert_int_equal(b.night.bus[0].last, 99 * 20 * LULL_MS);
	lull_night_clear(&b.night);
}

/* --- time --- */

static void time_runs_back_by_a_second_at_most(void **state)
{
	(void)state;
	struct observe_rig b;
	struct lull_frame f;

	observe_begin(&b);
	observe_send(&b, 5 * LULL_SEC, 0x100, 0);
	observe_send(&b, 4 * LULL_SEC, 0x101, 0);
	assert_int_equal(lull_observer_bus(b.observer, "can1", 0, 0), 1);
	f = observe_frame(4 * LULL_SEC - 1, 0x102, 0);
	assert_int_equal(lull_observer_frame(b.observer, &f), -EINVAL);
	f.bus = 1; /* another bus has its own order */
	assert_int_equal(lull_observer_frame(b.observer, &f), 0);
	f.bus = 2;
	assert_int_equal(lull_observer_frame(b.observer, &f), -EINVAL);
	f = observe_frame(INT64_MAX, 0x102, 0);
	assert_int_equal(lull_observer_frame(b.observer, &f), -EINVAL);
	f = observe_frame(INT64_MIN, 0x102, 0);
	assert_int_equal(lull_observer_frame(b.observer, &f), -EINVAL);
	f = observe_frame(6 * LULL_SEC, 0x800, 0); /* neither standard nor extended */
	assert_int_equal(lull_observer_frame(b.observer, &f), -EINVAL);
	observe_end(&b, 5 * LULL_SEC);
	assert_int_equal(observe_only_row(&b, 0x101)->first, 5 * LULL_SEC);
	lull_night_clear(&b.night);
}

static void ticks_close_what_has_ended(void **state)
{
	(void)state;
	struct observe_rig b;

	observe_begin(&b);
	assert_int_equal(lull_observer_tick(b.observer, 2 * LULL_SEC), 0); /* listening from here */
	for (int i = 0; i < 50; i++)
		observe_send(&b, 5 * LULL_SEC + i * 20 * LULL_MS, 0x100, 0);
	assert_int_equal(b.night.stretches.n, 0);
	for (int i = 6; i < 10; i++)
		assert_int_equal(lull_observer_tick(b.observer, i * LULL_SEC), 0);
	assert_int_equal(b.night.stretches.n, 1);
	observe_send(&b, 10 * LULL_SEC, 0x100, 0);
	observe_end(&b, 10 * LULL_SEC);
	assert_int_equal(b.night.gaps.n, 2);
	assert_int_equal(b.night.gaps.at[0].last, 2 * LULL_SEC);
	assert_int_equal(b.night.gaps.at[0].last_id, LULL_ID_NONE);
	assert_int_equal(b.night.gaps.at[0].next, 5 * LULL_SEC);
	assert_int_equal(b.night.gaps.at[1].last, 5 * LULL_SEC + 980 * LULL_MS);
	lull_night_clear(&b.night);
}

static void no_silence_spans_a_blind_time(void **state)
{
	(void)state;
	struct observe_rig b;

	observe_begin(&b);
	for (int i = 0; i < 100; i++) {
		observe_send(&b, i * 20 * LULL_MS, 0x100, 0);
		observe_send(&b, i * 20 * LULL_MS + LULL_MS, 0x101, 0);
	}
	/* Blind at once, for an hour; what comes after is no wake. */
	assert_int_equal(lull_observer_blind(b.observer, 0, 2 * LULL_SEC, 3600 * LULL_SEC, LULL_BLIND_LINK_DOWN), 0);
	for (int i = 0; i < 100; i++)
		observe_send(&b, 3600 * LULL_SEC + 500 * LULL_MS + i * 20 * LULL_MS, 0x100, 0);
	/* Silent for 7 s, then frames lost, then silent for 3 s more. */
	assert_int_equal(lull_observer_blind(b.observer, LULL_BUS_ALL, 3610 * LULL_SEC, 3620 * LULL_SEC,
				 LULL_BLIND_FRAMES_LOST), 0);
	observe_send(&b, 3623 * LULL_SEC, 0x100, 0);
	assert_int_equal(lull_observer_blind(b.observer, 0, 3623 * LULL_SEC, 3624 * LULL_SEC, LULL_BLIND_FRAMES_LOST), 0);
	observe_end(&b, 3624 * LULL_SEC);

	const struct lull_stretch *row = NULL;

	assert_int_equal(observe_rows(&b, 0x100, &row), 3);
	assert_int_equal(row->end, LULL_END_BLIND);
	assert_int_equal(b.night.gaps.n, 2);
	assert_int_equal(b.night.gaps.at[0].last, 3600 * LULL_SEC + 500 * LULL_MS + 99 * 20 * LULL_MS);
	assert_int_equal(b.night.gaps.at[0].last_id, 0x100);
	assert_int_equal(b.night.gaps.at[0].next, 3610 * LULL_SEC);
	assert_int_equal(b.night.gaps.at[0].next_id, LULL_ID_NONE);
	assert_int_equal(b.night.gaps.at[1].last, 3620 * LULL_SEC);
	assert_int_equal(b.night.gaps.at[1].last_id, LULL_ID_NONE);
	assert_int_equal(b.night.gaps.at[1].next, 3623 * LULL_SEC);
	for (size_t i = 0; i < b.night.stretches.n; i++)
		if (b.night.stretches.at[i].first == 3623 * LULL_SEC)
			assert_int_equal(b.night.stretches.at[i].end, LULL_END_LOSS);
	lull_night_clear(&b.night);
}

/* --- the table --- */

static void a_true_waker_is_found_after_random_ids(void **state)
{
	(void)state;
	static const struct {
		int64_t spacing, pause;
		bool babble_on;
	} cases[] = {
		{300 * LULL_US, 0, false}, /* 30 s of babble, then the waker at once */
		{300 * LULL_US, 20 * LULL_SEC, false},
		{300 * LULL_US, 0, true}, /* and the babble goes on beside it */
		{30 * LULL_US, 11 * LULL_SEC, false}, /* all within 3 s */
	};

	for (size_t c = 0; c < sizeof(cases) / sizeof(*cases); c++) {
		struct observe_rig b;
		lull_time t = 0;

		noise_state = c;
		observe_begin(&b);
		for (int i = 0; i < 100000; i++, t += cases[c].spacing)
			observe_send(&b, t, EXT((uint32_t)observe_noise(&noise_state, 0x7ffffff) & LULL_ID_BITS), 0);
		t += cases[c].pause;
		for (int i = 0; i < 200; i++, t += 50 * LULL_MS) {
			observe_send(&b, t, EXT(0x18ff5e42), 0);
			observe_send(&b, t + LULL_MS, 0x7ff, 0);
			for (int k = 0; cases[c].babble_on && k < 100; k++)
				observe_send(&b, t + 2 * LULL_MS + k * 400 * LULL_US,
					EXT((uint32_t)observe_noise(&noise_state, 0x7ffffff) & LULL_ID_BITS), 0);
		}
		observe_end(&b, t);

		const struct lull_stretch *row = observe_only_row(&b, EXT(0x18ff5e42));
		const struct lull_bus *bus = &b.night.bus[0];

		assert_true(row->frames >= (cases[c].babble_on ? 150 : 199));
		assert_int_equal(row->period_ns, 50 * LULL_MS);
		assert_int_equal(observe_only_row(&b, 0x7ff)->frames, 200);
		assert_true(bus->overflow > 90000);
		assert_true(bus->overflow_ids > 10000);
		assert_int_equal(bus->frames, (cases[c].babble_on ? 20000 : 0) + 100400);

		/* Nothing is lost in the counting, and the babble does not fill the recording. */
		uint64_t frames = 0, overflow = 0;

		for (size_t i = 0; i < b.night.stretches.n; i++) {
			frames += b.night.stretches.at[i].frames;
			if (b.night.stretches.at[i].kind == LULL_STRETCH_OVERFLOW)
				overflow += b.night.stretches.at[i].frames;
		}
		assert_int_equal(frames, bus->frames);
		assert_int_equal(overflow, bus->overflow);
		assert_true(b.night.stretches.n < 4096 + 200);
		lull_night_clear(&b.night);
	}
}

/* --- edges --- */

static size_t edges_of(const struct observe_rig *b, uint8_t kind, lull_time from, lull_time to)
{
	size_t n = 0;

	for (size_t i = 0; i < b->night.edges.n; i++) {
		const struct lull_edge *e = &b->night.edges.at[i];

		n += e->kind == kind && e->frame.t >= from && e->frame.t <= to;
	}
	return n;
}

static void edges_keep_first_and_last_frames(void **state)
{
	(void)state;
	struct observe_rig b;
	lull_time t = 0;

	observe_begin(&b);
	for (int i = 0; i < 500; i++, t += 10 * LULL_MS)
		observe_send(&b, t, 0x100 + (uint32_t)(i % 4), (uint64_t)i << 16);
	observe_send(&b, t, 0x3aa, 0);
	for (int i = 0; i < 500; i++, t += 10 * LULL_MS)
		observe_send(&b, t + LULL_MS, 0x100 + (uint32_t)(i % 4), (uint64_t)i << 16);
	lull_time wake = t + 60 * LULL_SEC;

	for (int i = 0; i < 10; i++)
		observe_send(&b, wake + i * 10 * LULL_MS, 0x100 + (uint32_t)(i % 4), (uint64_t)i << 16);
	observe_end(&b, wake + 10 * LULL_SEC);

	assert_int_equal(edges_of(&b, LULL_EDGE_FIRST, 0, t + LULL_SEC), 64);
	assert_int_equal(edges_of(&b, LULL_EDGE_LAST, 0, t + LULL_SEC), 64);
	assert_int_equal(edges_of(&b, LULL_EDGE_NEW_ID, 0, t + LULL_SEC), 1);
	/* A spell shorter than 64 frames has them all once. */
	assert_int_equal(edges_of(&b, LULL_EDGE_FIRST, wake, INT64_MAX), 10);
	assert_int_equal(b.night.edges.n, 64 + 64 + 1 + 10);
	assert_int_equal(b.night.edges.at[0].frame.id, 0x100);
	assert_int_equal(b.night.edges.at[64].frame.id, 0x3aa);
	assert_int_equal(b.night.edges.at[b.night.edges.n - 1].frame.data[2], 9);
	lull_night_clear(&b.night);
}

/* Trade rule 13: up to 16 destroyed tries, then whole copies back to back until a second node acknowledges. */
static void an_unacknowledged_start_is_a_few_entries(void **state)
{
	(void)state;
	static const struct {
		int64_t copy_gap, unit;
	} cases[] = {
		{270 * LULL_US, 1}, /* exact stamps */
		{3 * LULL_US, 1}, /* delivered in a batch */
		{270 * LULL_US, LULL_MS}, /* stamps in whole milliseconds */
	};

	for (size_t c = 0; c < sizeof(cases) / sizeof(*cases); c++) {
		struct observe_rig b;
		lull_time t = 0, wake = 100 * LULL_SEC;

		observe_begin(&b);
		for (int i = 0; i < 100; i++, t += 100 * LULL_MS)
			observe_send(&b, t, 0x510, 0x11);
		t = wake;
		for (int i = 0; i < 16; i++, t += 250 * LULL_US)
			send_error(&b, t - t % cases[c].unit, 0x88);
		lull_time first = t - t % cases[c].unit;

		for (int i = 0; i < 400; i++, t += cases[c].copy_gap)
			observe_send(&b, t - t % cases[c].unit, 0x510, 0x22);
		lull_time last = (t - cases[c].copy_gap) - (t - cases[c].copy_gap) % cases[c].unit;

		observe_send(&b, t + 2 * LULL_MS, 0x123, 0);
		for (int i = 1; i < 50; i++) {
			observe_send(&b, t + i * 100 * LULL_MS, 0x510, 0x22);
			observe_send(&b, t + i * 100 * LULL_MS + 2 * LULL_MS, 0x123, 0);
		}
		observe_end(&b, t + 10 * LULL_SEC);

		size_t i = 0;

		while (i < b.night.edges.n && b.night.edges.at[i].frame.t < wake)
			i++;
		const struct lull_edge *e = &b.night.edges.at[i];

		assert_true(e[0].frame.flags & LULL_FRAME_ERROR);
		assert_int_equal(e[0].copies, 16);
		assert_int_equal(e[0].kind, LULL_EDGE_FIRST);
		assert_int_equal(e[1].frame.id, 0x510);
		assert_int_equal(e[1].copies, 400);
		assert_int_equal(e[1].last_copy, last);
		assert_int_equal(e[1].kind, LULL_EDGE_FIRST);
		assert_int_equal(e[2].frame.id, 0x123);
		assert_int_equal(b.night.bus[0].errors, 16);
		/* Error frames are not life of the bus. */
		assert_int_equal(b.night.gaps.at[0].next, first);
		assert_int_equal(b.night.gaps.at[0].next_id, 0x510);
		/* The copies do not spoil the stretch. */
		const struct lull_stretch *row = NULL;

		assert_int_equal(observe_rows(&b, 0x510, &row), 2);
		row = &b.night.stretches.at[b.night.stretches.n - 1];
		for (size_t k = 0; k < b.night.stretches.n; k++)
			if (b.night.stretches.at[k].id == 0x510)
				row = &b.night.stretches.at[k];
		assert_int_equal(row->back_to_back, 399);
		assert_int_equal(row->period_ns, 100 * LULL_MS);
		lull_night_clear(&b.night);
	}
}

static void floods_of_errors_are_bounded(void **state)
{
	(void)state;
	struct observe_rig b;
	lull_time t = 0;

	observe_begin(&b);
	for (int i = 0; i < 100000; i++, t += 100 * LULL_US) {
		send_error(&b, t, 4u << (i % 3));
		if (i % 100 == 0)
			observe_send(&b, t, 0x100, (uint64_t)i << 16);
	}
	/* Errors now and then without a single frame, all night. */
	for (int i = 0; i < 10000; i++, t += 3 * LULL_SEC)
		send_error(&b, t, 8);
	observe_end(&b, t);
	assert_int_equal(b.night.bus[0].errors, 110000);
	assert_true(b.night.edges.n <= 64 + 64 + 64 + 100 + 2);
	size_t frames = 0;

	for (size_t i = 0; i < b.night.edges.n; i++)
		frames += !(b.night.edges.at[i].frame.flags & LULL_FRAME_ERROR);
	assert_true(frames >= 60);
	assert_int_equal(b.night.gaps.n, 1);
	lull_night_clear(&b.night);
}

/* --- a sink that refuses --- */

static int refuse(void *ctx, const struct lull_stretch *row)
{
	(void)ctx;
	(void)row;
	return -ENOSPC;
}

static void what_a_sink_refuses_ends_the_work(void **state)
{
	(void)state;
	struct lull_sink sink = {.stretch = refuse};
	struct lull_observer *observer = lull_observer_new(&sink);
	struct lull_frame f = observe_frame(0, 0x100, 0);
	int err = 0;

	assert_int_equal(lull_observer_bus(observer, "can0", 0, 0), 0);
	for (int i = 0; i < 20 && !err; i++) {
		f.t = i * 20 * LULL_SEC;
		err = lull_observer_frame(observer, &f);
	}
	assert_int_equal(err, -ENOSPC);
	assert_int_equal(lull_observer_frame(observer, &f), -ENOSPC);
	assert_int_equal(lull_observer_finish(observer, f.t), -ENOSPC);
	lull_observer_free(observer);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_cyclic_id_is_one_stretch),
		cmocka_unit_test(a_stop_is_a_gap_and_the_period_is_remembered),
		cmocka_unit_test(still_sending_at_the_end_is_open),
		cmocka_unit_test(standard_and_extended_do_not_mix),
		cmocka_unit_test(another_rate_is_another_stretch),
		cmocka_unit_test(slow_cyclic_ids_are_learned_across_stretches),
		cmocka_unit_test(slower_than_ten_seconds_stays_event_rows),
		cmocka_unit_test(an_irregular_id_does_not_fill_the_recording),
		cmocka_unit_test(bursts_have_the_period_of_their_first_frames),
		cmocka_unit_test(cadence_windows_add_up_to_the_stretch),
		cmocka_unit_test(short_stretches_leave_no_cadence),
		cmocka_unit_test(changes_of_the_first_bytes_leave_rows),
		cmocka_unit_test(bits_are_those_of_the_frames),
		cmocka_unit_test(time_runs_back_by_a_second_at_most),
		cmocka_unit_test(ticks_close_what_has_ended),
		cmocka_unit_test(no_silence_spans_a_blind_time),
		cmocka_unit_test(a_true_waker_is_found_after_random_ids),
		cmocka_unit_test(edges_keep_first_and_last_frames),
		cmocka_unit_test(an_unacknowledged_start_is_a_few_entries),
		cmocka_unit_test(floods_of_errors_are_bounded),
		cmocka_unit_test(what_a_sink_refuses_ends_the_work),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
