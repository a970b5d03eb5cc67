/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_nm: how the nodes of a bus agree to sleep: not at all, by following who asks, or by AUTOSAR CanNm. Pure.
 *
 * AUTOSAR (Specification of CAN Network Management): repeat message state after every start, then normal
 * operation while the node itself asks, ready sleep while others do; the NM-timeout restarts with every NM PDU;
 * application traffic stops with the network mode; bus sleep follows after the wait. */
#include <source/sim_world.h>

enum { REPEAT_REQUEST = 0x01, COORDINATOR = 0x08, ACTIVE_WAKEUP = 0x10, PARTIAL = 0x40, CLUSTER_BYTE = 2 };

/* Clusters that some node of the bus asks for. */
static unsigned asked_clusters(const struct sim_world *w, uint8_t bus)
{
	unsigned asked = 0;

	for (unsigned i = 0; i < w->nodes; i++) {
		const struct sim_node *n = &w->node[i];

		if (n->bus == bus && (n->nm_state == SIM_NM_NORMAL || n->nm_state == SIM_NM_REPEAT) && sim_node_needs(w, n))
			asked |= n->clusters;
	}
	return asked;
}

bool sim_nm_addressed(const struct sim_world *w, unsigned node)
{
	const struct sim_node *n = &w->node[node];

	return !w->bus[n->bus].partial || w->key || (asked_clusters(w, n->bus) & n->clusters);
}

static struct sim_bus *bus_of(struct sim_world *w, unsigned node)
{
	return &w->bus[w->node[node].bus];
}

/* --- no network management: one's own run-on --- */

static void own_changed(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	if (sim_node_needs(w, n)) {
		if (n->state == SIM_MUTE)
			sim_node_at(w, node, SIM_EV_RESUME, w->now + sim_ns(w->run, 0.001, 0.02));
	} else if (n->state == SIM_RUN) {
		if (n->tester)
			sim_node_off(w, node);
		else
			sim_node_mute(w, node);
	}
}

/* --- all follow who asks --- */

static void follow_changed(struct sim_world *w, unsigned node)
{
	uint8_t bus = w->node[node].bus;
	unsigned asking = 0;

	for (unsigned i = 0; i < w->nodes; i++) {
		const struct sim_node *n = &w->node[i];

		if (n->bus == bus && !n->ignition && !n->tester && n->state != SIM_OFF && n->state != SIM_DOZE)
			asking += sim_node_needs(w, n);
	}
	for (unsigned i = 0; i < w->nodes; i++) {
		struct sim_node *n = &w->node[i];

		if (n->bus != bus || n->ignition || n->tester)
			continue;
		if (asking) {
			sim_node_cancel(w, i, SIM_EV_STOP);
			if (n->state == SIM_MUTE)
				sim_node_at(w, i, SIM_EV_RESUME, w->now + sim_ns(w->run, 0.005, 0.05));
		} else if (n->state == SIM_RUN) {
			sim_node_at(w, i, SIM_EV_STOP, w->now + (i == node ? n->follow_ns / 20 : n->follow_ns));
		}
	}
}

/* --- AUTOSAR --- */

static void nm_send_from(struct sim_world *w, unsigned node, int64_t first)
{
	struct sim_node *n = &w->node[node];

	if (n->nm_msg >= 0) {
		sim_msg_stop(w, (unsigned)n->nm_msg);
		sim_msg_start(w, (unsigned)n->nm_msg, first);
	}
}

static void nm_silent(struct sim_world *w, unsigned node)
{
	if (w->node[node].nm_msg >= 0)
		sim_msg_stop(w, (unsigned)w->node[node].nm_msg);
}

static void autosar_repeat(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];
	struct sim_bus *b = bus_of(w, node);
	int64_t offset = n->nm_msg >= 0 ? w->msg[n->nm_msg].offset : 0;

	n->nm_state = SIM_NM_REPEAT;
	n->repeat_until = w->now + b->nm_repeat;
	b->last_nm = w->now; /* the timeout starts with the network mode */
	/* Who wakes the network says so at once; the others after their own offset. */
	nm_send_from(w, node, w->now + (n->active_wakeup ? offset / 20 : offset));
	sim_node_at(w, node, SIM_EV_NM, n->repeat_until);
}

static void autosar_started(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	if (n->ignition && !n->nm)
		return;
	if (w->now == 0 && w->key) { /* the capture begins in the middle of a drive */
		n->nm_state = SIM_NM_NORMAL;
		nm_send_from(w, node, sim_ns(w->run, 0, 1e-9 * (double)bus_of(w, node)->nm_cycle));
		return;
	}
	autosar_repeat(w, node);
}

static void autosar_ready(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	n->nm_state = SIM_NM_READY;
	nm_silent(w, node);
	if (bus_of(w, node)->partial) /* looks again and again whether its cluster is asked for */
		sim_node_at(w, node, SIM_EV_NM_TIMEOUT, w->now + bus_of(w, node)->nm_timeout);
	else
		sim_node_at(w, node, SIM_EV_NM_TIMEOUT, bus_of(w, node)->last_nm + bus_of(w, node)->nm_timeout);
}

static void autosar_changed(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];
	bool need = sim_node_needs(w, n);

	if (n->ignition)
		return;
	switch (n->nm_state) {
	case SIM_NM_SLEEP:
	case SIM_NM_REPEAT: /* decided when that time is over */
		break;
	case SIM_NM_NORMAL:
		if (!need)
			autosar_ready(w, node);
		break;
	case SIM_NM_READY:
		if (need) {
			n->nm_state = SIM_NM_NORMAL;
			sim_node_cancel(w, node, SIM_EV_NM_TIMEOUT);
			nm_send_from(w, node, w->now + sim_ns(w->run, 0, 0.01));
		}
		break;
	case SIM_NM_PREPARE:
		if (need) {
			n->active_wakeup = true;
			sim_node_resume(w, node);
			autosar_repeat(w, node);
		}
		break;
	}
}

static void autosar_timer(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	if (n->nm_state != SIM_NM_REPEAT)
		return;
	n->repeat_request = false;
	if (sim_node_needs(w, n))
		n->nm_state = SIM_NM_NORMAL;
	else
		autosar_ready(w, node);
}

static void autosar_timeout(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];
	const struct sim_bus *b = bus_of(w, node);
	/* Each node counts with its own clock and in its own task. */
	int64_t due = b->last_nm + b->nm_timeout + (int64_t)((double)b->nm_timeout * n->ppm * 1e-6) + n->jitter_ns;

	if (n->nm_state != SIM_NM_READY)
		return;
	if (due > w->now && sim_nm_addressed(w, node)) {
		sim_node_at(w, node, SIM_EV_NM_TIMEOUT, b->partial ? w->now + b->nm_timeout : due);
		return;
	}
	n->nm_state = SIM_NM_PREPARE;
	sim_node_mute(w, node);
	sim_node_cancel(w, node, SIM_EV_IDLE);
	sim_node_at(w, node, SIM_EV_OFF, w->now + b->nm_wait);
}

static bool repeats(const struct sim_node *n)
{
	return n->nm_state == SIM_NM_NORMAL || n->nm_state == SIM_NM_READY;
}

void sim_nm_repeat(struct sim_world *w, unsigned node)
{
	if (!repeats(&w->node[node]))
		return;
	w->node[node].repeat_request = true;
	autosar_repeat(w, node);
}

/* Somebody wants to know who is there: all answer with repeat messages, whether they ask for the network or not. */
static void repeat_all(struct sim_world *w, unsigned sender)
{
	for (unsigned i = 0; i < w->nodes; i++) {
		struct sim_node *n = &w->node[i];

		if (i != sender && n->bus == w->node[sender].bus && repeats(n)) {
			sim_node_cancel(w, i, SIM_EV_NM_TIMEOUT);
			autosar_repeat(w, i);
		}
	}
}

static void autosar_heard(struct sim_world *w, unsigned index)
{
	struct sim_bus *b = &w->bus[w->node[w->msg[index].node].bus];
	unsigned sender = w->msg[index].node;

	b->last_nm = w->now;
	if (w->node[sender].repeat_request)
		repeat_all(w, sender);
	for (unsigned i = 0; i < w->nodes; i++) {
		struct sim_node *n = &w->node[i];

		if (i == sender || &w->bus[n->bus] != b)
			continue;
		if (n->nm_state == SIM_NM_PREPARE && sim_nm_addressed(w, i)) {
			sim_node_resume(w, i);
			autosar_repeat(w, i);
		} else if (b->nm_reduction && n->nm_state == SIM_NM_NORMAL) {
			nm_send_from(w, i, w->now + n->reduced_ns);
		}
	}
}

void sim_nm_due(struct sim_world *w, unsigned index)
{
	struct sim_msg *m = &w->msg[index];
	const struct sim_node *n = &w->node[m->node];
	const struct sim_bus *b = &w->bus[n->bus];

	if (b->nm != SIM_NM_AUTOSAR)
		return; /* the ring fills its own */
	if (b->nm_source_byte >= 0)
		m->data[b->nm_source_byte] = n->address;
	if (b->nm_control_byte >= 0)
		m->data[b->nm_control_byte] = (uint8_t)((n->active_wakeup ? ACTIVE_WAKEUP : 0) |
			(n->repeat_request ? REPEAT_REQUEST : 0) | (b->partial ? PARTIAL : 0) |
			(n->coordinates_from && w->now >= n->coordinates_from ? COORDINATOR : 0));
	if (b->partial)
		m->data[CLUSTER_BYTE] = sim_node_needs(w, n) ? n->clusters : 0;
}

/* --- the same for all --- */

void sim_nm_started(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	if (n->tester)
		return;
	switch (bus_of(w, node)->nm) {
	case SIM_NM_OWN:
	case SIM_NM_FOLLOW:
		sim_nm_need_changed(w, node);
		break;
	case SIM_NM_AUTOSAR:
		autosar_started(w, node);
		break;
	case SIM_NM_OSEK:
		sim_osek_started(w, node);
		break;
	}
}

void sim_nm_need_changed(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	if (n->tester) {
		own_changed(w, node);
		return;
	}
	if (n->ignition)
		return; /* lives and dies with the key */
	switch (bus_of(w, node)->nm) {
	case SIM_NM_OWN:
		own_changed(w, node);
		break;
	case SIM_NM_FOLLOW:
		follow_changed(w, node);
		break;
	case SIM_NM_AUTOSAR:
		autosar_changed(w, node);
		break;
	case SIM_NM_OSEK:
		sim_osek_need_changed(w, node);
		break;
	}
}

void sim_nm_heard(struct sim_world *w, unsigned index)
{
	if (w->bus[w->node[w->msg[index].node].bus].nm == SIM_NM_AUTOSAR)
		autosar_heard(w, index);
	else
		sim_osek_heard(w, index);
}

void sim_nm_event(struct sim_world *w, enum sim_event event, unsigned node)
{
	if (event == SIM_EV_NM)
		autosar_timer(w, node);
	else if (event == SIM_EV_NM_TIMEOUT)
		autosar_timeout(w, node);
	else if (event == SIM_EV_RING)
		sim_osek_turn(w, node);
}
