/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_osek: the logical ring of OSEK/VDX NM 2.5.3, direct: alive, ring, sleep indication and acknowledge. Pure.
 *
 * Byte 0 is the destination, byte 1 the opcode. Who got the ring message passes it on to the next higher address
 * TTyp later. When all have said that they are ready to sleep, whoever is next acknowledges, all application
 * traffic stops, and the bus sleeps TWaitBusSleep later. */
#include <source/sim_world.h>

enum { LIMP_HOME = 0x04, SLEEP_INDICATION = 0x10, SLEEP_ACKNOWLEDGE = 0x20 };
static const int64_t limp_ns = LULL_SEC; /* TError */

static bool member(const struct sim_node *n, uint8_t bus)
{
	return n->bus == bus && n->nm && n->state == SIM_RUN && !n->limps;
}

/* Next higher address that is alive, round the corner; itself when alone. */
static unsigned successor(const struct sim_world *w, unsigned node)
{
	const struct sim_node *self = &w->node[node];
	unsigned best = node;
	int best_step = 256;

	for (unsigned i = 0; i < w->nodes; i++) {
		int step = (w->node[i].address - self->address) & 255;

		if (i != node && member(&w->node[i], self->bus) && step < best_step) {
			best = i;
			best_step = step;
		}
	}
	return best;
}

static void send(struct sim_world *w, unsigned node, uint8_t destination, uint8_t op)
{
	struct sim_msg *m = &w->msg[w->node[node].nm_msg];

	m->data[0] = destination;
	m->data[1] = op;
	sim_bus_send(w, (unsigned)w->node[node].nm_msg);
}

static void watch(struct sim_world *w, struct sim_bus *b, int64_t wait)
{
	sim_at(w, w->now + wait, SIM_EV_RING_WATCH, (unsigned)(b - w->bus), ++b->watch_gen);
}

void sim_osek_started(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];
	struct sim_bus *b = &w->bus[n->bus];

	n->sleep_ind = false;
	if (!n->nm)
		return;
	if (w->now > 0 || !w->key)
		send(w, node, n->address, b->op_alive);
	else if (b->last_nm == LULL_NEVER) { /* the ring of a drive under way */
		b->last_nm = 0;
		sim_node_at(w, node, SIM_EV_RING, sim_ns(w->run, 0, 1e-9 * (double)b->nm_cycle));
		watch(w, b, b->nm_timeout);
		return;
	} else {
		return;
	}
	if (b->last_nm == LULL_NEVER || w->now - b->last_nm > b->nm_timeout) {
		b->last_nm = w->now;
		sim_node_at(w, node, SIM_EV_RING, w->now + b->nm_cycle);
	}
	watch(w, b, b->nm_timeout);
}

void sim_osek_need_changed(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	/* A ring message carries it; only after the acknowledge it has to wake the others again. */
	if (n->state == SIM_MUTE && sim_node_needs(w, n)) {
		sim_node_resume(w, node);
		sim_osek_started(w, node);
	}
}

void sim_osek_turn(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];
	struct sim_bus *b = &w->bus[n->bus];

	if (n->limps && n->state == SIM_RUN) {
		n->sleep_ind = !sim_node_needs(w, n);
		send(w, node, n->address, (uint8_t)(LIMP_HOME | (n->sleep_ind ? SLEEP_INDICATION : 0)));
		sim_node_at(w, node, SIM_EV_RING, w->now + limp_ns);
		return;
	}
	if (!member(n, n->bus))
		return; /* the watch notices */

	bool all = true;
	uint8_t op = b->op_ring;

	n->sleep_ind = !sim_node_needs(w, n);
	for (unsigned i = 0; i < w->nodes; i++) {
		const struct sim_node *other = &w->node[i];

		if ((member(other, n->bus) || (other->bus == n->bus && other->limps && other->state == SIM_RUN)) && !other->sleep_ind)
			all = false;
	}
	if (n->sleep_ind)
		op |= SLEEP_INDICATION;
	if (all)
		op |= SLEEP_ACKNOWLEDGE;
	send(w, node, w->node[successor(w, node)].address, op);
}

static void acknowledged(struct sim_world *w, struct sim_bus *b)
{
	for (unsigned i = 0; i < w->nodes; i++) {
		struct sim_node *n = &w->node[i];

		if (&w->bus[n->bus] != b || n->ignition || n->tester || n->state != SIM_RUN)
			continue;
		sim_node_cancel(w, i, SIM_EV_RING);
		sim_node_mute(w, i);
		sim_node_cancel(w, i, SIM_EV_IDLE);
		sim_node_at(w, i, SIM_EV_OFF, w->now + b->nm_wait);
	}
	b->watch_gen++;
}

void sim_osek_heard(struct sim_world *w, unsigned index)
{
	struct sim_msg *m = &w->msg[index];
	struct sim_bus *b = &w->bus[w->node[m->node].bus];
	uint8_t op = w->bus[w->node[m->node].bus].frame.data[1], destination = b->frame.data[0];

	b->last_nm = w->now;
	if (op & SLEEP_ACKNOWLEDGE) {
		acknowledged(w, b);
		return;
	}
	watch(w, b, b->nm_timeout);
	for (unsigned i = 0; i < w->nodes; i++) {
		struct sim_node *n = &w->node[i];

		if (&w->bus[n->bus] != b || n->ignition || n->tester)
			continue;
		if (n->state == SIM_MUTE) { /* somebody wants the network again */
			sim_node_resume(w, i);
			sim_osek_started(w, i);
		}
		if ((op & b->op_ring) && n->nm && n->address == destination)
			sim_node_at(w, i, SIM_EV_RING, w->now + b->nm_cycle + sim_ns(w->run, 0, 0.005));
	}
}

void sim_osek_limp(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	n->limps = true;
	n->sleep_ind = false;
	sim_node_at(w, node, SIM_EV_RING, w->now + limp_ns);
}

/* The ring broke (its next member fell silent): the first still alive begins anew. */
void sim_osek_watch(struct sim_world *w, unsigned bus)
{
	struct sim_bus *b = &w->bus[bus];

	for (unsigned i = 0; i < w->nodes; i++) {
		if (member(&w->node[i], (uint8_t)bus)) {
			send(w, i, w->node[i].address, b->op_alive);
			sim_node_at(w, i, SIM_EV_RING, w->now + b->nm_cycle);
			watch(w, b, b->nm_timeout);
			return;
		}
	}
}
