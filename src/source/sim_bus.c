/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_bus: arbitration, frame times, acknowledgement and its absence. Pure.
 *
 * A node alone on the bus gets no acknowledgement: while error-active its active error flag destroys every
 * try (16 of them, +8 each, take it to error-passive); from then on its passive error flag disturbs nobody, so a
 * listener sees whole copies, each followed by flag, delimiter, intermission and suspend transmission
 * (ISO 11898-1, fault confinement). */
#include <source/sim_world.h>
#include <string.h>

enum { ERROR_PASSIVE = 128, AFTER_ACTIVE_FLAG = 7, AFTER_PASSIVE_FLAG = 14, INTERMISSION = 3 };

static void start_next(struct sim_world *w, struct sim_bus *b)
{
	if (!b->queued) {
		b->busy = false;
		return;
	}

	unsigned best = 0;

	for (unsigned i = 1; i < b->queued; i++) {
		if (w->msg[b->queue[i]].priority < w->msg[b->queue[best]].priority)
			best = i;
	}

	unsigned index = b->queue[best];
	struct sim_msg *m = &w->msg[index];

	b->queue[best] = b->queue[--b->queued];
	m->pending = false;
	b->current = (int)index;
	b->busy = true;
	b->frame.id = m->id;
	b->frame.bus = (uint8_t)(b - w->bus);
	b->frame.flags = 0;
	b->frame.len = m->len;
	memcpy(b->frame.data, m->data, sizeof m->data);
	b->end = w->now + (int64_t)lull_frame_bits(&b->frame).nominal * b->bit_ns;
	if (b->alert && m->kind != SIM_LONE)
		sim_bus_traffic(w, b);
}

static void queue(struct sim_bus *b, struct sim_msg *m, unsigned index)
{
	m->pending = true;
	b->queue[b->queued++] = (uint16_t)index;
}

void sim_bus_send(struct sim_world *w, unsigned index)
{
	struct sim_msg *m = &w->msg[index];
	struct sim_bus *b = &w->bus[w->node[m->node].bus];

	if (m->pending)
		return; /* its mailbox is full: the newer content has replaced the older */
	queue(b, m, index);
	if (!b->busy)
		start_next(w, b);
}

void sim_bus_withdraw(struct sim_world *w, unsigned index)
{
	struct sim_msg *m = &w->msg[index];
	struct sim_bus *b = &w->bus[w->node[m->node].bus];

	if (!m->pending)
		return;
	for (unsigned i = 0; i < b->queued; i++) {
		if (b->queue[i] == index) {
			b->queue[i] = b->queue[--b->queued];
			break;
		}
	}
	m->pending = false;
}

/* The frame on the wire failed: the sender tries again, unless it has given up or has newer content. */
static void again(struct sim_world *w, struct sim_bus *b, unsigned index, int64_t bits)
{
	struct sim_msg *m = &w->msg[index];

	if (w->node[m->node].ctrl_on && !m->pending)
		queue(b, m, index);
	b->current = -1;
	b->end = w->now + bits * b->bit_ns;
}

void sim_bus_end(struct sim_world *w, struct sim_bus *b)
{
	if (b->current < 0) {
		start_next(w, b);
		return;
	}

	unsigned index = (unsigned)b->current;
	struct sim_msg *m = &w->msg[index];
	struct sim_node *n = &w->node[m->node];
	int64_t heard = w->now - INTERMISSION * b->bit_ns;
	bool acknowledged = b->listeners > (n->ctrl_on ? 1u : 0u);

	if (w->adapter.noise_every && --w->adapter.noise_left == 0) {
		w->adapter.noise_left = w->adapter.noise_every;
		sim_adapter_destroyed(w, b, heard, false);
		again(w, b, index, AFTER_ACTIVE_FLAG);
		return;
	}
	if (!acknowledged && n->tec < ERROR_PASSIVE) {
		n->tec += 8;
		sim_adapter_destroyed(w, b, heard, true);
		again(w, b, index, AFTER_ACTIVE_FLAG);
		return;
	}

	sim_adapter_frame(w, b, &b->frame, heard);
	if (b->quiet == LULL_NEVER && b->last_tx != LULL_NEVER &&
	    heard - (b->last_tx > w->settle ? b->last_tx : w->settle) >= SIM_QUIET)
		b->quiet = b->last_tx;
	b->last_tx = heard;
	b->frames++;
	if (!acknowledged) {
		again(w, b, index, AFTER_PASSIVE_FLAG);
		return;
	}
	if (n->tec)
		n->tec--;
	b->current = -1;
	if (m->kind == SIM_NM_PDU)
		sim_nm_heard(w, index);
	else if (m->kind == SIM_REQUEST) {
		for (unsigned i = 0; i < w->nodes; i++) {
			struct sim_node *a = &w->node[i];

			if (a->bus == n->bus && a->answers && (a->state == SIM_RUN || a->state == SIM_MUTE))
				sim_node_at(w, i, SIM_EV_ANSWER, w->now + sim_ns(w->run, 0.002, 0.03));
		}
	}
	start_next(w, b);
}
