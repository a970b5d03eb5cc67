/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_turning: from where settling counts in a night without a key-off, by what was observed of each bus. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <lull/verdict.h>

/* When a bus is observed, s; from == to: never. */
struct watched {
	double from, to;
};

/* Of two buses, each awake for the first minute in which it is observed, then silent; a recording of an hour. */
static void settles_from(struct watched first, struct watched second, double expected)
{
	const struct watched watched[] = {first, second};
	const struct lull_question ask = lull_question_default();
	struct lull_verdict v;
	struct lull_night night;

	lull_night_init(&night);
	struct lull_sink sink = lull_night_sink(&night);

	for (unsigned bus = 0; bus < 2; bus++) {
		const lull_time from = (lull_time)(watched[bus].from * 1e9),
				to = (lull_time)(watched[bus].to * 1e9);
		struct lull_bus row = {.bitrate = 500000, .first = LULL_NEVER, .last = LULL_NEVER};

		row.name[0] = (char)('a' + bus);
		if (from < to) {
			const struct lull_stretch s = {.id = 0x100 + bus,
				.bus = (uint8_t)bus,
				.first = from,
				.last = from + LULL_MIN,
				.frames = 601,
				.period_ns = 100 * LULL_MS,
				.index = 600,
				.gap_min = 100 * LULL_MS,
				.gap_max = 100 * LULL_MS};
			const struct lull_gap g = {.bus = (uint8_t)bus,
				.last = s.last,
				.next = LULL_NEVER,
				.last_id = s.id,
				.next_id = LULL_ID_NONE};

			row.first = s.first;
			row.last = s.last;
			row.frames = s.frames;
			assert_int_equal(sink.stretch(sink.ctx, &s), 0);
			assert_int_equal(sink.gap(sink.ctx, &g), 0);
			assert_int_equal(
				sink.coverage(sink.ctx,
					&(struct lull_coverage){.bus = (uint8_t)bus, .from = from, .to = to}),
				0);
		}
		assert_int_equal(sink.bus(sink.ctx, bus, &row), 0);
	}
	assert_int_equal(lull_night_sort(&night), 0);
	assert_int_equal(lull_judge(&night, &ask, &v), 0);
	assert_int_equal(v.key_off, LULL_NEVER);
	assert_int_equal(v.settle_by, LULL_FROM_START);
	assert_true(lull_seconds(v.settle_from) == expected);
	lull_verdict_clear(&v);
	lull_night_clear(&night);
}

static void by_the_first_bus_that_is_observed(void **state)
{
	const struct watched never = {0, 0};

	(void)state;
	settles_from((struct watched){0, 3600}, (struct watched){600, 3600}, 0);
	settles_from((struct watched){900, 3600}, (struct watched){600, 3600}, 600);
	settles_from((struct watched){600, 3600}, (struct watched){900, 3600}, 600);
	settles_from((struct watched){600, 3600}, never, 600);
	settles_from(never, (struct watched){600, 3600}, 600);
	settles_from(never, never, 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(by_the_first_bus_that_is_observed),
	};
	return cmocka_run_group_tests_name("turning", tests, NULL, NULL);
}
