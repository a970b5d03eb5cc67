/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ready_traffic: what a bus carries while somebody listens for some seconds: who is cyclic, what is diagnostic, who wakes it. */
#include <lull/ready.h>
#include <math.h>
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
		double gap = (double)(f->t - i->last) / 1e9;

		i->sum += gap;
		i->squares += gap * gap;
	}
	i->last = f->t;
}

/* Steady: gaps whose standard deviation is under a third of their mean; an adapter's batches are borne by that. */
static bool steady(const struct lull_ready_id *i)
{
	double n = i->frames - 1.0, mean, variance;

	if (i->frames < 5)
		return false;
	mean = i->sum / n;
	variance = i->squares / n - mean * mean;
	return mean > 0 && variance < mean * mean / 9;
}

unsigned lull_ready_cyclic(const struct lull_ready_traffic *t)
{
	unsigned i, n = 0;

	for (i = 0; i < t->ids; i++)
		n += !lull_id_is_request(t->id[i].id) && !lull_id_is_answer(t->id[i].id) && steady(&t->id[i]);
	return n;
}
