/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_msg: timers and payload of messages. Pure.
 *
 * All cyclic IDs of a node hang on one software timer: their phases are fixed from its start on, and they share
 * its clock. Jitter only delays. */
#include <math.h>
#include <source/sim_world.h>

void sim_msg_fill(struct sim_world *w, struct sim_msg *m)
{
	if (m->counter_byte >= 0) {
		uint8_t *c = &m->data[m->counter_byte];

		m->counter = (uint8_t)((m->counter + 1) & 15);
		*c = (uint8_t)((*c & 0xf0) | m->counter);
	}
	if (m->signal_byte >= 0) {
		unsigned long draw = gsl_rng_get(w->run);

		if ((draw & 0x1f00) == 0)
			m->data[m->signal_byte] = (uint8_t)(m->data[m->signal_byte] + (draw & 1 ? 1 : 255));
	}
	if (m->checksum_byte >= 0) {
		uint8_t sum = (uint8_t)m->id;

		m->data[m->checksum_byte] = 0;
		for (unsigned i = 0; i < m->len; i++)
			sum = (uint8_t)(sum ^ m->data[i]);
		m->data[m->checksum_byte] = sum;
	}
}

static int64_t delay(struct sim_world *w, const struct sim_node *n)
{
	unsigned long draw = gsl_rng_get(w->run);
	/* Mostly a short wait for the task, now and then a long one. */
	int64_t most = draw & 15 ? n->jitter_ns / 8 : n->jitter_ns;

	return (int64_t)((uint64_t)most * ((draw >> 4) & 0xffffff) >> 24);
}

static int64_t period(const struct sim_world *w, const struct sim_msg *m)
{
	return w->node[m->node].keyed || w->now < w->keyed_until ? m->period_key : m->period_park;
}

void sim_msg_start(struct sim_world *w, unsigned index, int64_t first)
{
	struct sim_msg *m = &w->msg[index];
	struct sim_node *n = &w->node[m->node];

	if (m->on || !period(w, m))
		return;
	m->on = true;
	m->gen++;
	m->ideal = first;
	sim_at(w, first + delay(w, n), SIM_EV_MSG, index, m->gen);
}

void sim_msg_stop(struct sim_world *w, unsigned index)
{
	struct sim_msg *m = &w->msg[index];

	m->on = false;
	m->gen++;
	sim_bus_withdraw(w, index);
}

void sim_msg_due(struct sim_world *w, unsigned index)
{
	struct sim_msg *m = &w->msg[index];
	struct sim_node *n = &w->node[m->node];
	int64_t step = period(w, m);

	if (m->kind == SIM_NM_PDU)
		sim_nm_due(w, index);
	else
		sim_msg_fill(w, m);
	sim_bus_send(w, index);
	if (!step) {
		m->on = false;
		return;
	}
	if (m->kind == SIM_EVENT) {
		double gap = -log(gsl_rng_uniform_pos(w->run)) * (double)step;

		m->ideal = w->now + (int64_t)gap + 20 * LULL_MS;
	} else {
		double ppm = m->remote ? m->ppm : n->ppm;

		m->ideal += step + (int64_t)((double)step * ppm * 1e-6);
	}

	int64_t next = m->ideal + delay(w, n);

	sim_at(w, next > w->now ? next : w->now + 1, SIM_EV_MSG, index, m->gen);
}

void sim_msg_start_all(struct sim_world *w, unsigned node, enum sim_start why)
{
	struct sim_node *n = &w->node[node];
	int64_t base = w->now;

	if (n->claim_msg >= 0 && why == SIM_START_BOOT) {
		sim_msg_fill(w, &w->msg[n->claim_msg]);
		sim_bus_send(w, (unsigned)n->claim_msg);
		if (n->second_claim_msg > 0) {
			sim_msg_fill(w, &w->msg[n->second_claim_msg]);
			sim_bus_send(w, (unsigned)n->second_claim_msg);
		}
		base += w->bus[n->bus].claim_wait;
	}
	for (unsigned i = n->first_msg; i < n->first_msg + n->msg_count; i++) {
		struct sim_msg *m = &w->msg[i];

		if (why == SIM_START_IGNITION ? !m->ignition : m->ignition && !w->key)
			continue;
		if (m->kind == SIM_EVENT)
			sim_msg_start(w, i, base + (int64_t)(gsl_rng_uniform(w->run) * (double)period(w, m)));
		else if (m->kind == SIM_CYCLIC || m->kind == SIM_REQUEST)
			sim_msg_start(w, i, base + m->offset);
	}
}

void sim_msg_stop_all(struct sim_world *w, unsigned node, bool ignition_only)
{
	struct sim_node *n = &w->node[node];

	for (unsigned i = n->first_msg; i < n->first_msg + n->msg_count; i++) {
		if (!ignition_only || w->msg[i].ignition)
			sim_msg_stop(w, i);
	}
}
