/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_node: a node sleeps, boots, sends, falls silent. Pure. */
#include <source/sim_world.h>

static int64_t later(int64_t a, int64_t b)
{
	return a > b ? a : b;
}

static void controller(struct sim_world *w, struct sim_node *n, bool on)
{
	if (n->ctrl_on == on)
		return;
	n->ctrl_on = on;
	if (on)
		w->bus[n->bus].listeners++;
	else
		w->bus[n->bus].listeners--;
}

bool sim_node_needs(const struct sim_world *w, const struct sim_node *n)
{
	return n->demand > 0 || (w->key && !n->tester) || w->now < n->run_until;
}

void sim_node_wake(struct sim_world *w, unsigned node, enum sim_cause cause)
{
	struct sim_node *n = &w->node[node];

	if ((n->state != SIM_OFF && n->state != SIM_DOZE) || n->unplugged)
		return;

	/* Booting is the same each time but for a little: the order in which nodes come up is fixed. */
	double stretch = sim_uniform(w->run, 0.99, 1.01);
	int64_t begin = w->now + (cause == SIM_BY_ITSELF ? n->lead_ns : 0);

	if (n->state == SIM_OFF)
		sim_node_at(w, node, SIM_EV_CTRL, begin + (int64_t)((double)n->ctrl_ns * stretch));
	sim_node_at(w, node, SIM_EV_APP, begin + (int64_t)((double)n->app_ns * stretch) + sim_ns(w->run, 0, 0.001));
	n->state = SIM_BOOT;
	sim_current_run(w, n);
	n->draws_from = later(w->now, begin + (int64_t)((double)n->app_ns * stretch) - LULL_SEC);
	n->cause = cause;
	n->active_wakeup = cause == SIM_BY_ITSELF;
	n->tec = 0;
}

void sim_bus_traffic(struct sim_world *w, struct sim_bus *b)
{
	b->alert = false;
	for (unsigned i = 0; i < w->nodes; i++) {
		struct sim_node *n = &w->node[i];

		if (&w->bus[n->bus] != b || n->ignition || n->tester)
			continue;
		if (!sim_nm_addressed(w, i)) {
			b->alert = true; /* its turn may come with a later frame */
			continue;
		}
		sim_node_wake(w, i, SIM_BY_BUS);
	}
}

static void asleep(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	sim_node_cancel(w, node, SIM_EV_CTRL);
	sim_node_cancel(w, node, SIM_EV_APP);
	sim_node_cancel(w, node, SIM_EV_STOP);
	sim_node_cancel(w, node, SIM_EV_RESUME);
	sim_node_cancel(w, node, SIM_EV_NM);
	sim_node_cancel(w, node, SIM_EV_NM_TIMEOUT);
	sim_node_cancel(w, node, SIM_EV_RING);
	sim_node_cancel(w, node, SIM_EV_ANSWER);
	sim_node_cancel(w, node, SIM_EV_IDLE);
	n->nm_state = SIM_NM_SLEEP;
	n->active_wakeup = n->repeat_request = false;
	n->state = n->always_acks ? SIM_DOZE : SIM_OFF;
	controller(w, n, n->always_acks);
	w->bus[n->bus].alert = true;
}

void sim_node_off(struct sim_world *w, unsigned node)
{
	sim_msg_stop_all(w, node, false);
	asleep(w, node);
}

void sim_node_unplug(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	sim_node_off(w, node);
	n->unplugged = true;
	n->state = SIM_OFF;
	controller(w, n, false);
	sim_nm_need_changed(w, node); /* followers notice; the others have timers of their own */
}

/* With its supply back it boots like one that the wake line starts. */
void sim_node_plug(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	n->unplugged = false;
	if (!n->ignition || w->key)
		sim_node_wake(w, node, SIM_BY_LINE);
}

void sim_node_mute(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	sim_node_cancel(w, node, SIM_EV_STOP);
	sim_node_cancel(w, node, SIM_EV_RESUME);
	if (n->state != SIM_RUN)
		return;
	sim_msg_stop_all(w, node, false);
	n->state = SIM_MUTE;
	n->muted = w->now;
	sim_node_at(w, node, SIM_EV_IDLE, w->now + n->linger_ns);
}

void sim_node_resume(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	if (n->state != SIM_MUTE)
		return;
	sim_node_cancel(w, node, SIM_EV_IDLE);
	sim_node_cancel(w, node, SIM_EV_OFF);
	n->state = SIM_RUN;
	sim_current_run(w, n);
	sim_msg_start_all(w, node, SIM_START_AGAIN);
}

void sim_node_run_on(struct sim_world *w, unsigned node, int64_t until)
{
	struct sim_node *n = &w->node[node];

	if (until <= n->run_until)
		return;
	n->run_until = until;
	sim_node_at(w, node, SIM_EV_NEED, until);
	sim_nm_need_changed(w, node);
}

/* A gateway asks on its other bus while somebody but itself asks here. */
static void relay(struct sim_world *w, unsigned node)
{
	struct sim_node *half = &w->node[node];
	struct sim_node *twin = &w->node[half->twin];
	bool asked = false;

	if (half->state == SIM_RUN) {
		for (unsigned i = 0; i < w->nodes; i++) {
			const struct sim_node *n = &w->node[i];

			if (n->bus == half->bus && n->demand > n->relayed)
				asked = true;
		}
	}
	if (asked && !twin->relayed) {
		twin->relayed = 1;
		sim_node_ask(w, (unsigned)half->twin, 1);
	} else if (!asked && twin->relayed) {
		twin->relayed = 0;
		sim_node_ask(w, (unsigned)half->twin, -1);
	}
}

static void tell_gateways(struct sim_world *w, uint8_t bus)
{
	for (unsigned i = 0; i < w->nodes; i++) {
		if (w->node[i].bus == bus && w->node[i].twin != SIM_NOBODY)
			sim_node_at(w, i, SIM_EV_RELAY, w->now + sim_ns(w->run, 0.02, 0.2));
	}
}

void sim_node_ask(struct sim_world *w, unsigned node, int change)
{
	struct sim_node *n = &w->node[node];

	n->demand += change;
	if (n->demand > 0 && (n->state == SIM_OFF || n->state == SIM_DOZE))
		sim_node_wake(w, node, SIM_BY_ITSELF);
	else
		sim_nm_need_changed(w, node);
	if (w->buses > 1)
		tell_gateways(w, n->bus);
}

void sim_node_key(struct sim_world *w, bool on)
{
	w->key = on;
	for (unsigned i = 0; i < w->nodes; i++) {
		struct sim_node *n = &w->node[i];

		if (n->tester || n->unplugged)
			continue;
		if (on) {
			sim_node_wake(w, i, SIM_BY_LINE);
			sim_node_at(w, i, SIM_EV_IGNITION, w->now + sim_ns(w->run, 0.01, 0.1));
			continue;
		}
		n->run_until = later(n->run_until, w->now + n->key_off_run_on);
		sim_node_at(w, i, SIM_EV_NEED, n->run_until);
		sim_node_at(w, i, SIM_EV_IGNITION, w->now + n->ignition_ns);
	}
}

static void ignition_changed(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	n->keyed = w->key;
	if (w->key) {
		sim_nm_need_changed(w, node);
		if (n->state == SIM_RUN)
			sim_msg_start_all(w, node, SIM_START_IGNITION);
	} else if (n->ignition) {
		sim_node_off(w, node);
	} else {
		sim_msg_stop_all(w, node, true);
	}
}

static void idle(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];
	const struct sim_bus *b = &w->bus[n->bus];
	int64_t free = b->last_tx == LULL_NEVER ? w->now : later(b->last_tx, w->now - n->linger_ns) + n->linger_ns;

	if (n->state != SIM_MUTE)
		return;
	if (free > w->now || b->busy)
		sim_node_at(w, node, SIM_EV_IDLE, later(free, w->now + 10 * LULL_MS));
	else
		asleep(w, node);
}

static void answer(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	if ((n->state != SIM_RUN && n->state != SIM_MUTE) || n->answer_msg < 0)
		return;
	sim_msg_fill(w, &w->msg[n->answer_msg]);
	sim_bus_send(w, (unsigned)n->answer_msg);
	if (n->diag_hold)
		sim_node_run_on(w, node, w->now + n->diag_hold);
}

static void start(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];

	if (n->state != SIM_BOOT)
		return;
	if (!n->ctrl_on)
		controller(w, n, true);
	n->state = SIM_RUN;
	if (!n->ignition && !n->tester) {
		int64_t least = n->cause == SIM_BY_ITSELF ? LULL_SEC / 2 : n->wake_run_on;

		least = (int64_t)((double)least * sim_uniform(w->run, 1 - n->run_on_varies, 1 + n->run_on_varies));
		n->run_until = later(n->run_until, w->now + least);
		sim_node_at(w, node, SIM_EV_NEED, n->run_until);
	}
	sim_msg_start_all(w, node, SIM_START_BOOT);
	sim_nm_started(w, node);
	if (n->twin != SIM_NOBODY)
		sim_node_at(w, node, SIM_EV_RELAY, w->now + sim_ns(w->run, 0.02, 0.2));
}

void sim_node_event(struct sim_world *w, enum sim_event event, unsigned node)
{
	struct sim_node *n = &w->node[node];

	switch (event) {
	case SIM_EV_CTRL:
		controller(w, n, true);
		break;
	case SIM_EV_APP:
		start(w, node);
		break;
	case SIM_EV_NEED:
		sim_nm_need_changed(w, node);
		break;
	case SIM_EV_IDLE:
		idle(w, node);
		break;
	case SIM_EV_OFF:
		sim_node_off(w, node);
		break;
	case SIM_EV_STOP:
		sim_node_mute(w, node);
		break;
	case SIM_EV_RESUME:
		sim_node_resume(w, node);
		break;
	case SIM_EV_IGNITION:
		ignition_changed(w, node);
		break;
	case SIM_EV_ANSWER:
		answer(w, node);
		break;
	case SIM_EV_RELAY:
		relay(w, node);
		break;
	case SIM_EV_NM:
	case SIM_EV_NM_TIMEOUT:
	case SIM_EV_RING:
		sim_nm_event(w, event, node);
		break;
	case SIM_EV_MSG:
	case SIM_EV_RING_WATCH:
	case SIM_EV_ACT:
	case SIM_EV_CLOCKS:
	case SIM_EV_COUNT:
		break;
	}
}

void sim_node_warm_start(struct sim_world *w)
{
	w->key = true;
	for (unsigned i = 0; i < w->nodes; i++) {
		struct sim_node *n = &w->node[i];

		if (n->tester)
			continue;
		controller(w, n, true);
		n->keyed = true;
		n->state = SIM_RUN;
		n->cause = SIM_BY_LINE;
		sim_current_run(w, n);

		/* It has been running for a while: its timers are somewhere in their periods. */
		int64_t since = -sim_ns(w->run, 5, 100);

		for (unsigned k = n->first_msg; k < n->first_msg + n->msg_count; k++) {
			const struct sim_msg *m = &w->msg[k];
			int64_t first = since + m->offset;

			if ((m->kind != SIM_CYCLIC && m->kind != SIM_EVENT) || !m->period_key)
				continue;
			if (first < 0)
				first += (-first / m->period_key + 1) * m->period_key;
			sim_msg_start(w, k, first);
		}
		sim_nm_started(w, i);
	}
}
