/* SPDX-License-Identifier: GPL-3.0-or-later */
/* observe_rig: an observer of one bus that writes into a night. */
#include "observe_rig.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <cmocka.h>

void observe_begin(struct observe_rig *rig)
{
	lull_night_init(&rig->night);
	rig->sink = lull_night_sink(&rig->night);
	rig->observer = lull_observer_new(&rig->sink);
	assert_non_null(rig->observer);
	rig->bus = lull_observer_bus(rig->observer, "can0", 500000, 0);
	assert_int_equal(rig->bus, 0);
}

void observe_end(struct observe_rig *rig, lull_time t)
{
	assert_int_equal(lull_observer_finish(rig->observer, t), 0);
	lull_observer_free(rig->observer);
	assert_int_equal(lull_night_sort(&rig->night), 0);
}

struct lull_frame observe_frame(lull_time t, uint32_t id, uint64_t payload)
{
	struct lull_frame f = {.t = t, .id = id, .len = 8};

	for (unsigned i = 0; i < 8; i++)
		f.data[i] = (uint8_t)(payload >> 8 * i);
	return f;
}

void observe_send(struct observe_rig *rig, lull_time t, uint32_t id, uint64_t payload)
{
	struct lull_frame f = observe_frame(t, id, payload);

	assert_int_equal(lull_observer_frame(rig->observer, &f), 0);
}

size_t observe_rows(const struct observe_rig *rig, uint32_t id, const struct lull_stretch **first)
{
	size_t n = 0;

	for (size_t i = 0; i < rig->night.stretches.n; i++) {
		if (rig->night.stretches.at[i].id != id)
			continue;
		if (!n++ && first)
			*first = &rig->night.stretches.at[i];
	}
	return n;
}

const struct lull_stretch *observe_only_row(const struct observe_rig *rig, uint32_t id)
{
	const struct lull_stretch *row = NULL;

	assert_int_equal(observe_rows(rig, id, &row), 1);
	return row;
}

int64_t observe_noise(uint64_t *state, int64_t most)
{
	*state = *state * UINT64_C(6364136223846793005) + 1442695040888963407;
	return most ? (int64_t)((*state >> 33) % (uint64_t)(2 * most + 1)) - most : 0;
}
