/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_glance: what a recording would end with if it ended now. */
#include "observe_rig.h"
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

static uint64_t noise_state;

/* A glance at any moment gives the very rows that the end at that moment would, and changes nothing. */
static void a_glance_is_the_end_at_that_moment(void **state)
{
	static const lull_time moments[] = {
		150 * LULL_MS, 20 * LULL_SEC, 61 * LULL_SEC, 90 * LULL_SEC, 301 * LULL_SEC, 700 * LULL_SEC};

	(void)state;
	for (size_t m = 0; m < sizeof(moments) / sizeof(moments[0]); m++) {
		struct observe_rig whole, cut;
		struct lull_night seen;
		struct lull_sink sink;

		observe_begin(&whole);
		observe_begin(&cut);
		lull_night_init(&seen);
		sink = lull_night_sink(&seen);
		noise_state = 7;
		/* Awake for a minute, a wake at 80 s, awake again from 200 s on; an event-driven ID among them. */
		for (lull_time t = 0; t <= moments[m]; t += 10 * LULL_MS) {
			if ((t > 60 * LULL_SEC && t < 80 * LULL_SEC) || (t > 81 * LULL_SEC && t < 200 * LULL_SEC))
				continue;
			uint32_t id = t % (100 * LULL_MS) ? 0x120 : observe_noise(&noise_state, 10) > 7 ? 0x555 : 0x300;

			observe_send(&whole, t, id, (uint64_t)(t / LULL_SEC));
			observe_send(&cut, t, id, (uint64_t)(t / LULL_SEC));
		}
		assert_int_equal(lull_observer_glance(whole.observer, moments[m], &sink), 0);
		size_t n = whole.night.stretches.n;

		/* Together with what has gone out it is the whole. */
		for (size_t i = 0; i < whole.night.stretches.n; i++)
			assert_int_equal(sink.stretch(sink.ctx, &whole.night.stretches.at[i]), 0);
		for (size_t i = 0; i < whole.night.cadences.n; i++)
			assert_int_equal(sink.cadence(sink.ctx, &whole.night.cadences.at[i]), 0);
		for (size_t i = 0; i < whole.night.gaps.n; i++)
			assert_int_equal(sink.gap(sink.ctx, &whole.night.gaps.at[i]), 0);
		for (size_t i = 0; i < whole.night.edges.n; i++)
			assert_int_equal(sink.edge(sink.ctx, &whole.night.edges.at[i]), 0);
		assert_int_equal(lull_night_sort(&seen), 0);
		observe_end(&cut, moments[m]);
		assert_int_equal(seen.stretches.n, cut.night.stretches.n);
		for (size_t i = 0; i < seen.stretches.n; i++)
			assert_memory_equal(&seen.stretches.at[i].first, &cut.night.stretches.at[i].first,
				offsetof(struct lull_stretch, back_to_back) - offsetof(struct lull_stretch, first));
		assert_int_equal(seen.cadences.n, cut.night.cadences.n);
		assert_int_equal(seen.gaps.n, cut.night.gaps.n);
		assert_int_equal(seen.edges.n, cut.night.edges.n);
		assert_int_equal(seen.bus_count, 1);
		assert_memory_equal(&seen.bus[0], &cut.night.bus[0], sizeof(struct lull_bus));
		/* The observer went on as if nobody had looked. */
		assert_int_equal(whole.night.stretches.n, n);
		observe_end(&whole, moments[m]);
		assert_int_equal(whole.night.stretches.n, cut.night.stretches.n);
		assert_memory_equal(&whole.night.bus[0], &cut.night.bus[0], sizeof(struct lull_bus));
		lull_night_clear(&whole.night);
		lull_night_clear(&cut.night);
		lull_night_clear(&seen);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(a_glance_is_the_end_at_that_moment)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
