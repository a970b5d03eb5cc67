/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ready_traffic: what a bus carries while somebody listens for some seconds: who is cyclic, what is diagnostic, who wakes it. */
#include <lull/ready.h>
#include <string.h>

#define WAKE_SILENCE (2 * LULL_SEC)

void lull_ready_traffic_init(struct lull_ready_traffic *t)
{
	memset(t, 0, sizeof *t);
	t->last = LULL_NEVER;
}

static struct lull_ready_id *place(struct lull_ready_traffic *t, uint32_t id)
{
	unsigned i;

	for (i = 0; i < t->ids; i++) {
		if (t->id[i].id == id)
			return &t->id[i];
	}
	if (t->ids == LULL_READY_IDS)
		return NULL;
	t->id[t->ids] = (struct lull_ready_id){.id = id};
	return &t->id[t->ids++];
}

static unsigned octave(lull_time gap)
{
	unsigned o = 0;

	for (gap /= 100 * LULL_US; gap > 1 && o + 1 < LULL_READY_OCTAVES; gap /= 2)
		o++;
	return o;
}

void lull_ready_traffic_add(struct lull_ready_traffic *t, const struct lull_frame *f)
{
	struct lull_ready_id *i;

	if (f->flags & LULL_FRAME_ERROR) {
		t->errors++;
		return;
	}
	t->frames++;
	if (t->last != LULL_NEVER && f->t - t->last >= WAKE_SILENCE) {
		if (t->wakes < LULL_READY_WAKES)
			t->first_id[t->wakes] = f->id;
		t->wakes++;
	}
	t->last = f->t;
	t->requests += lull_id_is_request(f->id);
	t->answers += lull_id_is_answer(f->id);
	i = place(t, f->id);
	if (!i) {
		t->crowded++;
		return;
	}
	if (i->frames++) {
		unsigned o = octave(f->t - i->last);

		if (i->gaps[o] < UINT16_MAX)
			i->gaps[o]++;
	}
	i->last = f->t;
}

/* Steady: three gaps in four lie within two octaves beside each other (all of them where there are few), which bears batches of
 * an adapter and a board that was busy for a while. Of gaps at random at most 47 % do: max of exp(-a) - exp(-4a). */
static bool steady(const struct lull_ready_id *i)
{
	unsigned o, n = i->frames - 1, best = 0;

	if (i->frames < 5)
		return false;
	for (o = 0; o + 1 < LULL_READY_OCTAVES; o++) {
		unsigned both = i->gaps[o] + i->gaps[o + 1];

		best = both > best ? both : best;
	}
	return n < 8 ? best >= n : best * 4 >= n * 3;
}

unsigned lull_ready_cyclic(const struct lull_ready_traffic *t)
{
	unsigned i, n = 0;

	for (i = 0; i < t->ids; i++)
		n += !lull_id_is_request(t->id[i].id) && !lull_id_is_answer(t->id[i].id) && steady(&t->id[i]);
	return n;
}
