/* SPDX-License-Identifier: GPL-3.0-or-later */
/* simulate: runs an invented night: a scenario makes car and script, time does the rest. Pure. */
#include <errno.h>
#include <math.h>
#include <source/sim_scenario.h>
#include <stdlib.h>
#include <string.h>

static void report_change(struct sim_world *w, unsigned node)
{
	const struct sim_node *n = &w->node[node];

	for (unsigned i = n->first_msg; i < n->first_msg + n->msg_count; i++) {
		if (w->msg[i].kind == SIM_EVENT && n->state == SIM_RUN) {
			sim_msg_fill(w, &w->msg[i]);
			sim_bus_send(w, i);
		}
	}
}

static void act(struct sim_world *w, const struct sim_act *a)
{
	switch (a->kind) {
	case SIM_ACT_KEY_ON:
		sim_node_key(w, true);
		break;
	case SIM_ACT_KEY_OFF:
		sim_node_key(w, false);
		break;
	case SIM_ACT_ASK:
		sim_node_ask(w, (unsigned)a->node, 1);
		break;
	case SIM_ACT_RELEASE:
		sim_node_ask(w, (unsigned)a->node, -1);
		break;
	case SIM_ACT_LINE:
		for (unsigned i = 0; i < w->nodes; i++) {
			if (w->node[i].bus == a->node && w->node[i].wake_line && !w->node[i].ignition)
				sim_node_wake(w, i, SIM_BY_LINE);
		}
		break;
	case SIM_ACT_CHANGE:
		report_change(w, (unsigned)a->node);
		break;
	case SIM_ACT_DOOR:
		for (unsigned i = 0; i < w->nodes; i++) {
			if (w->node[i].door_run_on && (w->node[i].state == SIM_RUN || w->node[i].state == SIM_MUTE))
				sim_node_run_on(w, i, w->now + w->node[i].door_run_on);
		}
		break;
	case SIM_ACT_LONE:
		sim_msg_fill(w, &w->msg[a->node]);
		sim_bus_send(w, (unsigned)a->node);
		sim_at(w, w->now + a->value + sim_ns(w->run, 0, 1e-11 * (double)(a->value * a->spread)), SIM_EV_ACT,
			(unsigned)(a - w->act), 0);
		break;
	case SIM_ACT_CLOSE:
		w->adapter.closed = true;
		break;
	case SIM_ACT_DEAF:
		sim_osek_limp(w, (unsigned)a->node);
		break;
	case SIM_ACT_REPEAT:
		sim_nm_repeat(w, (unsigned)a->node);
		break;
	case SIM_ACT_STEP:
		sim_adapter_flush(w);
		w->adapter.step += a->value;
		break;
	case SIM_ACT_UNPLUG:
		sim_node_unplug(w, (unsigned)a->node);
		break;
	case SIM_ACT_PLUG:
		sim_node_plug(w, (unsigned)a->node);
		break;
	case SIM_ACT_CUT:
		for (int64_t i = 0; i < a->value; i++)
			sim_adapter_destroyed(w, &w->bus[0], w->now + i * LULL_MS / 2, false);
		sim_adapter_flush(w);
		w->adapter.closed = true;
		break;
	case SIM_ACT_WHOLE:
		w->adapter.closed = false;
		break;
	}
}

static void clocks(struct sim_world *w)
{
	double since = w->key_off == LULL_NEVER ? -1 : 1e-9 * (double)(w->now - w->key_off);

	double common = since > 0 ? w->adapter.ppm_drift * -expm1(-since / w->adapter.tau_s) : 0;

	/* Modules cool down after the drive, and their oscillators with them. */
	for (unsigned i = 0; i < w->nodes; i++) {
		struct sim_node *n = &w->node[i];

		n->ppm = n->ppm_start + common + (since > 0 ? n->ppm_drift * -expm1(-since / n->tau_s) : 0);
	}
	sim_at(w, w->now + 30 * LULL_SEC, SIM_EV_CLOCKS, 0, 0);
}

static void handle(struct sim_world *w, const struct sim_timer *timer)
{
	enum sim_event event = (enum sim_event)(timer->what >> 16);
	unsigned index = timer->what & 0xffff;

	switch (event) {
	case SIM_EV_MSG:
		if (w->msg[index].gen == timer->gen)
			sim_msg_due(w, index);
		break;
	case SIM_EV_RING_WATCH:
		if (w->bus[index].watch_gen == timer->gen)
			sim_osek_watch(w, index);
		break;
	case SIM_EV_ACT:
		act(w, &w->act[index]);
		break;
	case SIM_EV_CLOCKS:
		clocks(w);
		break;
	case SIM_EV_CTRL:
	case SIM_EV_APP:
	case SIM_EV_NEED:
	case SIM_EV_IDLE:
	case SIM_EV_OFF:
	case SIM_EV_STOP:
	case SIM_EV_RESUME:
	case SIM_EV_IGNITION:
	case SIM_EV_NM:
	case SIM_EV_NM_TIMEOUT:
	case SIM_EV_RING:
	case SIM_EV_ANSWER:
	case SIM_EV_RELAY:
		if (w->node[index].gen[event] == timer->gen)
			sim_node_event(w, event, index);
		break;
	case SIM_EV_COUNT:
		break;
	}
}

static void asleep_at_start(struct sim_world *w)
{
	for (unsigned i = 0; i < w->nodes; i++) {
		struct sim_node *n = &w->node[i];

		if (!n->always_acks)
			continue;
		n->state = SIM_DOZE;
		n->ctrl_on = true;
		w->bus[n->bus].listeners++;
	}
	for (unsigned i = 0; i < w->buses; i++)
		w->bus[i].alert = true;
}

void sim_run(struct sim_world *w)
{
	clocks(w);
	if (w->starts_asleep)
		asleep_at_start(w);
	else
		sim_node_warm_start(w);
	for (unsigned i = 0; i < w->acts; i++)
		sim_at(w, w->act[i].t, SIM_EV_ACT, i, 0);
	while (!w->error && w->timers) {
		struct sim_bus *ending = NULL;
		int64_t t = w->heap[0].t;

		for (unsigned i = 0; i < w->buses; i++) {
			if (w->bus[i].busy && w->bus[i].end <= t) {
				t = w->bus[i].end;
				ending = &w->bus[i];
			}
		}
		if (t > w->end)
			break;
		if (w->clamp.wanted && w->clamp.next <= t)
			sim_meter_until(w, t);
		sim_charge_until(w, t);
		w->now = t;
		if (ending) {
			sim_bus_end(w, ending);
			continue;
		}

		struct sim_timer timer = w->heap[0];

		sim_pop(w);
		handle(w, &timer);
	}
	if (!w->error)
		sim_meter_until(w, INT64_MAX);
	sim_charge_until(w, w->end);
	if (!w->error)
		sim_adapter_flush(w);
}

static uint32_t mix(const char *scenario, uint64_t seed, uint32_t stream)
{
	uint64_t h = seed * 0x9e3779b97f4a7c15u + stream * 0xd1b54a32d192ed03u;

	for (; *scenario; scenario++)
		h = (h ^ (uint8_t)*scenario) * 0x100000001b3u;
	h ^= h >> 29;
	h *= 0xbf58476d1ce4e5b9u;
	return (uint32_t)(h >> 32);
}

/* Which bus sleeps last decides; one that never does, or never spoke, leaves it unknown. */
static double first_quiet_s(const struct sim_world *w)
{
	int64_t quiet = LULL_NEVER;

	for (unsigned i = 0; i < w->buses; i++) {
		const struct sim_bus *b = &w->bus[i];
		int64_t t = b->quiet;

		if (t == LULL_NEVER && b->last_tx != LULL_NEVER &&
		    w->end - (b->last_tx > w->settle ? b->last_tx : w->settle) >= SIM_QUIET)
			t = b->last_tx;
		if (t == LULL_NEVER)
			return NAN;
		if (t > quiet)
			quiet = t;
	}
	return quiet == LULL_NEVER ? NAN : 1e-9 * (double)quiet;
}

static int add_coverage(struct lull_sim_night *night, const struct lull_coverage *row)
{
	struct lull_coverage *at = reallocarray(night->coverage.at, night->coverage.n + 1, sizeof *at);

	if (!at)
		return -ENOMEM;
	at[night->coverage.n++] = *row;
	night->coverage.at = at;
	return 0;
}

static int coverage(const struct sim_world *w, struct lull_sim_night *night)
{
	for (unsigned b = 0; b < w->buses; b++) {
		int64_t from = 0;

		for (unsigned i = 0; i <= w->blinds; i++) {
			struct lull_coverage row = { .bus = (uint8_t)b, .why = LULL_OBSERVED, .from = from };

			row.to = i < w->blinds ? w->blind[i].from : w->end;
			if (row.to > row.from && add_coverage(night, &row))
				return -ENOMEM;
			if (i == w->blinds)
				break;
			row.why = (uint8_t)w->blind[i].why;
			row.from = w->blind[i].from;
			row.to = from = w->blind[i].to;
			if (add_coverage(night, &row))
				return -ENOMEM;
		}
	}
	return 0;
}

static int tell_nodes(const struct sim_world *w, struct lull_truth *truth)
{
	truth->nodes = calloc(w->nodes ? w->nodes : 1, sizeof *truth->nodes);
	if (!truth->nodes)
		return -ENOMEM;
	for (unsigned i = 0; i < w->nodes; i++) {
		const struct sim_node *n = &w->node[i];
		struct lull_truth_node *t = &truth->nodes[truth->node_count++];

		memcpy(t->name, n->name, sizeof t->name);
		memcpy(t->bus, w->bus[n->bus].name, sizeof t->bus);
		t->keyed = n->ignition;
		double asleep = n->always_acks ? n->mA_doze : 0;
		t->awake_mA = n->mA_run - asleep;
		t->silent_mA = n->sleeps_alone ? 0 : n->mA_mute - asleep;
		t->ids = calloc(n->msg_count ? n->msg_count : 1, sizeof *t->ids);
		t->own_pace = calloc(n->msg_count ? n->msg_count : 1, sizeof *t->own_pace);
		if (!t->ids || !t->own_pace)
			return -ENOMEM;
		for (unsigned k = 0; k < n->msg_count; k++) {
			const struct sim_msg *m = &w->msg[n->first_msg + k];

			t->own_pace[k] = !m->remote && (m->kind == SIM_CYCLIC || (m->kind == SIM_NM_PDU && w->bus[n->bus].nm != SIM_NM_OSEK));
			t->ids[t->id_count++] = m->id;
		}
	}
	return 0;
}

int lull_sim_run(const struct lull_sim_options *options, const struct lull_sim_sink *sink,
	struct lull_sim_night *night)
{
	memset(night, 0, sizeof *night);

	const char *name = NULL;
	const struct sim_plan *plan = sim_plan_find(options->scenario, &name);

	if (!plan || (options->after > LULL_SIM_AS_BEFORE && !lull_sim_has_after(name)))
		return -EINVAL;

	struct sim_world *w = calloc(1, sizeof *w);
	int error = -ENOMEM;

	if (!w)
		return -ENOMEM;
	w->options = options;
	w->sink = sink;
	w->night = night;
	gsl_rng **streams[] = { &w->plan, &w->run, &w->text, &w->clamp.rng };

	for (unsigned i = 0; i < sizeof streams / sizeof *streams; i++) {
		*streams[i] = gsl_rng_alloc(gsl_rng_taus2);
		if (!*streams[i])
			goto out;
		/* car, its profile and the clamp are the same in a later night */
		gsl_rng_set(*streams[i], mix(name, options->seed, i + (i == 1 ? 8 * (uint32_t)options->after : 0)));
	}
	w->another_evening = mix(name, options->seed, 64 + (uint32_t)options->after);
	w->key_on = w->key_off = LULL_NEVER;
	for (unsigned i = 0; i < SIM_BUSES; i++)
		w->bus[i].last_tx = w->bus[i].last_nm = w->bus[i].quiet = LULL_NEVER;
	night->truth.scenario = name;
	night->truth.seed = options->seed;
	/* Any evening of a year of ours. */
	night->start_utc_ns = INT64_C(1767225600) * LULL_SEC + sim_ns(w->plan, 0, 360 * 86400.0);
	night->start_utc_ns += 2 * (int64_t)options->after * 86400 * LULL_SEC;
	w->clamp.wanted = sink->current != NULL;
	sim_adapter_make(w);
	error = plan->make(w);
	if (error)
		goto out;
	error = sim_clamp_make(w);
	if (error)
		goto out;
	if (w->clamp.wanted) {
		night->truth.charge_count = (size_t)(w->end / LULL_TRUTH_CHARGE) + 1;
		night->truth.charge_mAs = calloc(night->truth.charge_count, sizeof *night->truth.charge_mAs);
		error = night->truth.charge_mAs ? 0 : -ENOMEM;
		if (error)
			goto out;
	}
	night->bus_count = w->buses;
	for (unsigned i = 0; i < w->buses; i++)
		memcpy(night->bus_name[i], w->bus[i].name, sizeof night->bus_name[i]);
	night->end_utc_ns = night->start_utc_ns + w->end;
	night->profile = sim_profile_text(w);
	error = night->profile ? 0 : -ENOMEM;
	if (!error)
		error = tell_nodes(w, &night->truth);
	if (!error)
		error = coverage(w, night);
	if (error)
		goto out;
	sim_run(w);
	error = w->error;
	night->truth.key_off_s = w->key_off == LULL_NEVER ? NAN : 1e-9 * (double)w->key_off;
	night->truth.first_quiet_s = first_quiet_s(w);
	sim_clamp_truth(w);
out:
	for (unsigned i = 0; i < sizeof streams / sizeof *streams; i++) {
		if (*streams[i])
			gsl_rng_free(*streams[i]);
	}
	free(w->heap);
	free(w);
	return error;
}

void lull_sim_clear(struct lull_sim_night *night)
{
	for (size_t i = 0; i < night->truth.node_count; i++) {
		free(night->truth.nodes[i].ids);
		free(night->truth.nodes[i].own_pace);
	}
	free(night->truth.nodes);
	free(night->truth.pulls);
	free(night->truth.charge_mAs);
	free(night->marks.at);
	free(night->coverage.at);
	free(night->profile);
	memset(night, 0, sizeof *night);
}
