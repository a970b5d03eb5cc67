/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_queue: what happens next: a four-way heap of timers. Pure. */
#include <errno.h>
#include <source/sim_world.h>
#include <stdlib.h>

static bool before(const struct sim_timer *a, const struct sim_timer *b)
{
	/* Equal instants in a fixed order: the same seed must give the same night. */
	return a->t != b->t ? a->t < b->t : a->what < b->what;
}

void sim_at(struct sim_world *w, int64_t t, enum sim_event event, unsigned index, uint32_t gen)
{
	if (w->timers == w->timer_room) {
		size_t room = w->timer_room ? 2 * w->timer_room : 1024;
		struct sim_timer *heap = realloc(w->heap, room * sizeof *heap);

		if (!heap) {
			w->error = -ENOMEM;
			return;
		}
		w->heap = heap;
		w->timer_room = room;
	}

	struct sim_timer timer = { t, (uint32_t)event << 16 | index, gen };
	size_t i = w->timers++;

	while (i > 0) {
		size_t up = (i - 1) / 4;

		if (!before(&timer, &w->heap[up]))
			break;
		w->heap[i] = w->heap[up];
		i = up;
	}
	w->heap[i] = timer;
}

void sim_pop(struct sim_world *w)
{
	struct sim_timer timer = w->heap[--w->timers];
	size_t i = 0;

	while (4 * i + 1 < w->timers) {
		size_t least = 4 * i + 1, stop = 4 * i + 5 < w->timers ? 4 * i + 5 : w->timers;

		for (size_t child = least + 1; child < stop; child++) {
			if (before(&w->heap[child], &w->heap[least]))
				least = child;
		}
		if (!before(&w->heap[least], &timer))
			break;
		w->heap[i] = w->heap[least];
		i = least;
	}
	w->heap[i] = timer;
}

void sim_node_at(struct sim_world *w, unsigned node, enum sim_event event, int64_t t)
{
	sim_at(w, t, event, node, ++w->node[node].gen[event]);
}

void sim_node_cancel(struct sim_world *w, unsigned node, enum sim_event event)
{
	w->node[node].gen[event]++;
}
