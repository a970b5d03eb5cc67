/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_car: invents one bus of a car: its nodes, their IDs, habits and clocks. Pure. */
#include <math.h>
#include <source/sim_car.h>
#include <source/sim_traffic.h>
#include <stdio.h>
#include <string.h>

static const char *const body_names[] = { "door-left", "door-right", "seat-left", "seat-right", "seat-heater", "roof",
	"tailgate", "climate", "radio", "display", "cluster", "body", "light-front", "light-rear", "mirror", "tow",
	"park-aid", "antenna", "charge-port", "battery-sensor", "wiper", "wheel", "key-receiver", "phone-module", "camera",
	"amplifier", "pump", "alarm", "trailer-light", "window-rear", "footwell", "blower" };
static const char *const drive_names[] = { "engine", "gearbox", "brake", "steering", "chassis", "suspension",
	"fuel-pump", "cooling", "radar", "all-wheel", "damper", "pedal" };

static void give_name(struct sim_world *w, struct sim_node *n, const char *const *pool, unsigned count)
{
	unsigned start = sim_pick(w->plan, count);

	for (unsigned i = 0; i < count; i++) {
		const char *name = pool[(start + i) % count];
		bool taken = false;

		for (unsigned k = 0; k < w->nodes; k++)
			taken |= &w->node[k] != n && strcmp(w->node[k].name, name) == 0;
		if (!taken) {
			snprintf(n->name, sizeof n->name, "%s", name);
			return;
		}
	}
	snprintf(n->name, sizeof n->name, "%s-%u", pool[start], w->nodes);
}

/* Run-on after key-off: most are short, a few long, all legitimate. */
static int64_t run_on(struct sim_world *w, double cap_s)
{
	double kind = gsl_rng_uniform(w->plan);

	if (kind < 0.7)
		return sim_log_ns(w->plan, 1, fmin(60, cap_s));
	if (kind < 0.95)
		return sim_log_ns(w->plan, 15, fmin(300, cap_s));
	return sim_log_ns(w->plan, fmin(120, cap_s / 2), cap_s);
}

/* Ticks of software timers: divided from a 32,768 Hz crystal, from a power of two of microseconds, or just so. */
static const double ticks_ns[] = { 1e9 / 1024, 1e9 / 2048, 1.024e6, 0.512e6, 1.0004e6, 0.9997e6, 2.001e6 };

static unsigned add_node(struct sim_world *w, unsigned bus)
{
	unsigned index = w->nodes < SIM_NODES - 1 ? w->nodes++ : w->nodes;
	struct sim_node *n = &w->node[index];
	gsl_rng *r = w->plan;

	n->bus = (uint8_t)bus;
	n->twin = SIM_NOBODY;
	n->nm_msg = n->claim_msg = n->answer_msg = -1;
	n->first_msg = w->msgs;
	n->wake_line = sim_chance(r, 0.6);
	n->ctrl_ns = sim_log_ns(r, 0.002, 0.12);
	n->app_ns = n->ctrl_ns + n->ctrl_ns / 20 + sim_log_ns(r, 0.003, 0.12);
	n->lead_ns = sim_log_ns(r, 0.004, 1);
	n->ignition_ns = sim_ns(r, 0.02, 0.8);
	n->follow_ns = sim_ns(r, 0.1, 2);
	n->jitter_ns = sim_log_ns(r, 10e-6, 2e-3);
	n->run_on_varies = sim_chance(r, 0.5) ? sim_uniform(r, 0, 0.002) : sim_uniform(r, 0, 0.3);
	n->tick_ns = sim_chance(r, 0.6) ? 0 : ticks_ns[sim_pick(r, sizeof ticks_ns / sizeof *ticks_ns)];
	n->ppm_start = n->ppm = sim_uniform(r, -80, 80);
	n->ppm_drift = sim_uniform(r, -15, 15);
	n->tau_s = sim_log_uniform(r, 1200, 7200);
	n->mA_run = sim_log_uniform(r, 20, 500);
	n->mA_mute = n->mA_run * sim_uniform(r, 0.4, 0.9);
	return index;
}

static void add_network_management(struct sim_world *w, unsigned node)
{
	struct sim_node *n = &w->node[node];
	struct sim_bus *b = &w->bus[n->bus];
	struct sim_msg *m;

	n->nm = true;
	n->nm_msg = (int)w->msgs;
	m = sim_add_msg(w, node, b->nm_base + n->address, SIM_NM_PDU);
	m->len = (uint8_t)(b->nm == SIM_NM_OSEK || sim_chance(w->plan, 0.8) ? 8 : 6);
	if (b->nm == SIM_NM_OSEK) {
		memset(m->data, 0, sizeof m->data);
	} else {
		m->period_key = m->period_park = b->nm_cycle;
		m->offset = sim_ns(w->plan, 0, 1e-9 * (double)b->nm_cycle);
	}
	n->reduced_ns = (int64_t)((double)b->nm_cycle * sim_uniform(w->plan, 0.5, 0.95));
}

static void make_body_node(struct sim_world *w, struct sim_deal *d, const struct sim_car *car, unsigned node)
{
	struct sim_node *n = &w->node[node];
	const struct sim_bus *b = &w->bus[n->bus];
	unsigned parked = 1 + sim_pick(w->plan, 3) + (sim_chance(w->plan, 0.3) ? sim_pick(w->plan, 4) : 0);
	unsigned driving = sim_pick(w->plan, 4), events = sim_chance(w->plan, 0.5) ? 1 + sim_pick(w->plan, 2) : 0;
	double cap_s = fmin(900, 0.7 * w->limit_s);
	bool asks = b->nm == SIM_NM_OWN || b->nm == SIM_NM_FOLLOW || n->nm;

	if (asks) {
		n->key_off_run_on = run_on(w, cap_s);
		if (sim_chance(w->plan, 0.4))
			n->door_run_on = sim_log_ns(w->plan, 3, fmin(180, 0.4 * w->limit_s));
	}
	for (unsigned i = 0; i < parked; i++) {
		double ms = sim_park_ms(w);
		double faster = sim_chance(w->plan, 0.6) ? 1 : sim_chance(w->plan, 0.5) ? 2 : 5;

		/* One ID at least by which a person would notice within a second that it is alive. */
		if (i == 0 && ms > 1000)
			ms = 500;
		sim_add_cyclic(w, d, node, fmax(10, ms / faster), ms);
	}
	for (unsigned i = 0; i < driving; i++)
		sim_add_cyclic(w, d, node, sim_drive_ms(w, true), 0);
	for (unsigned i = 0; i < events; i++) {
		struct sim_msg *m = sim_add_msg(w, node, sim_new_id(w, d, n), SIM_EVENT);

		sim_content(w, m);
		m->period_key = sim_log_ns(w->plan, 1, 20);
		m->period_park = sim_chance(w->plan, 0.25) ? sim_log_ns(w->plan, 20, 200) : 0;
	}
	if (car->answering && n->answers) {
		uint32_t id = b->extended ? LULL_ID_EXTENDED | 0x18daf100 | n->address : 0x7e8 + (node & 7);

		for (unsigned i = 0; i < w->msgs; i++) {
			if (w->msg[i].id == id)
				return;
		}
		n->answer_msg = (int)w->msgs;

		struct sim_msg *m = sim_add_msg(w, node, id, SIM_ANSWER);

		m->signal_byte = 4;
		m->data[0] = 4;
		m->data[1] = 0x41;
		if (sim_chance(w->plan, 0.5))
			n->diag_hold = sim_ns(w->plan, 3, 10);
	}
}

static void make_drive_node(struct sim_world *w, struct sim_deal *d, unsigned node)
{
	struct sim_node *n = &w->node[node];
	unsigned count = 2 + sim_pick(w->plan, 7);

	n->ignition = true;
	n->ignition_ns = sim_chance(w->plan, 0.7) ? sim_ns(w->plan, 0.03, 1.5) : sim_ns(w->plan, 1, 8);
	for (unsigned i = 0; i < count; i++)
		sim_add_cyclic(w, d, node, sim_drive_ms(w, false), 0);
}

static void make_bus(struct sim_world *w, struct sim_bus *b, struct sim_deal *d, const struct sim_car *car)
{
	static const uint32_t rates[] = { 125000, 250000, 500000 };
	static const uint32_t bases[] = { 0x400, 0x440, 0x480, 0x500, 0x540, 0x580, 0x600, 0x640, 0x680, 0x700 };
	static const uint32_t masks[] = { 0x7c0, 0x7c0, 0x7e0 };
	gsl_rng *r = w->plan;

	b->nm = car->nm;
	b->extended = car->extended;
	b->bitrate = rates[b->extended ? 1 + sim_pick(r, 2) : sim_pick(r, 3)];
	b->bit_ns = (int64_t)(1000000000 / b->bitrate);
	snprintf(b->name, sizeof b->name, "can%u", (unsigned)(b - w->bus));
	b->nm_base = bases[sim_pick(r, sizeof bases / sizeof *bases)];
	b->nm_mask = masks[sim_pick(r, 3)];
	b->op_alive = 1;
	b->op_ring = 2;
	b->claim_wait = sim_chance(r, 0.5) ? 250 * LULL_MS : sim_ns(r, 0.001, 0.02);
	if (b->nm == SIM_NM_OSEK) {
		static const double waits[] = { 1.5, 1.5, 5 };

		if (sim_chance(r, 0.4)) { /* seen in a real car */
			b->op_alive = 2;
			b->op_ring = 1;
		}
		b->nm_source_byte = b->nm_control_byte = -1;
		b->nm_cycle = sim_chance(r, 0.5) ? 100 * LULL_MS : sim_ns(r, 0.045, 0.14) / LULL_MS * LULL_MS;
		b->nm_timeout = (int64_t)(2.6 * (double)b->nm_cycle);
		b->nm_wait = (int64_t)(1e9 * waits[sim_pick(r, 3)]);
	} else {
		static const double cycles[] = { 0.1, 0.2, 0.2, 0.32, 0.5, 0.5, 0.64, 1, 1 };
		double order = gsl_rng_uniform(r);

		b->nm_source_byte = order < 0.5 ? 0 : order < 0.75 ? 1 : -1;
		b->nm_control_byte = order < 0.5 ? 1 : order < 0.9 ? 0 : 1;
		b->nm_cycle = (int64_t)(1e9 * cycles[sim_pick(r, 9)]);
		b->nm_repeat = sim_ns(r, 1, 5) / (10 * LULL_MS) * (10 * LULL_MS);
		b->nm_timeout = sim_ns(r, fmax(2, 3e-9 * (double)b->nm_cycle), 5) / (10 * LULL_MS) * (10 * LULL_MS);
		b->nm_wait = sim_ns(r, 0.75, 5) / (10 * LULL_MS) * (10 * LULL_MS);
		b->nm_reduction = sim_chance(r, 0.2);
	}
	if (b->nm == SIM_NM_AUTOSAR || b->nm == SIM_NM_OSEK) {
		for (uint32_t id = 0; id < 2048; id++)
			d->used[id] |= (id & b->nm_mask) == b->nm_base;
	}
	d->style = sim_pick(r, 2);
}

/* Linger, run-ons and orders that only make sense for the whole bus. */
static void settle_habits(struct sim_world *w, unsigned bus, unsigned first, const struct sim_car *car)
{
	struct sim_bus *b = &w->bus[bus];
	double slowest_s = 0, wake_s = sim_log_uniform(w->plan, 2, b->nm == SIM_NM_FOLLOW ? 15 : 30);
	int64_t first_app = INT64_MAX;
	/* Sixteen destroyed tries and some whole copies: 150 bits each, flags included. */
	int64_t alone = 22 * 150 * b->bit_ns;

	for (unsigned i = 0; i < w->msgs; i++) {
		const struct sim_msg *m = &w->msg[i];

		if (w->node[m->node].bus == bus && m->kind == SIM_CYCLIC && 1e-9 * (double)m->period_park > slowest_s)
			slowest_s = 1e-9 * (double)m->period_park;
	}
	for (unsigned i = first; i < w->nodes; i++) {
		struct sim_node *n = &w->node[i];

		n->linger_ns = (int64_t)(1.5e9 * slowest_s) + sim_ns(w->plan, 0.5, 4);
		n->wake_run_on = 0;
		if (b->nm == SIM_NM_OWN || b->nm == SIM_NM_FOLLOW)
			n->wake_run_on = (int64_t)(1e9 * wake_s * sim_uniform(w->plan, 0.6, 1.4));
		else if (b->nm == SIM_NM_OSEK)
			n->wake_run_on = sim_ns(w->plan, 0, 3);
		if (car->seen_alone && n->ctrl_ns < alone) {
			int64_t later = alone + sim_ns(w->plan, 0, 0.04);

			n->app_ns += later - n->ctrl_ns + later / 20;
			n->ctrl_ns = later;
		}
		if (car->line)
			n->wake_line = true;
		if (n->app_ns < first_app && !n->ignition)
			first_app = n->app_ns;
	}
	if (car->line) {
		/* Enough controllers are up before the first frame that it is acknowledged. */
		for (unsigned i = first, early = 0; i < w->nodes && early < 3; i++, early++)
			w->node[i].ctrl_ns = (int64_t)((double)first_app * sim_uniform(w->plan, 0.2, 0.8));
	}
	if (car->always_acks) {
		unsigned acker;

		do
			acker = sim_car_choose(w, bus, NULL, 0);
		while (w->node[acker].lone);
		w->node[acker].always_acks = true;
	}
}

static void take_address(struct sim_world *w, unsigned node, unsigned first)
{
	struct sim_node *n = &w->node[node];
	unsigned size = w->bus[n->bus].extended ? 0xf0 : 0x800 - w->bus[n->bus].nm_mask;
	bool taken;

	do {
		taken = false;
		n->address = (uint8_t)sim_pick(w->plan, size);
		for (unsigned i = first; i < w->nodes; i++)
			taken |= i != node && (w->node[i].address == n->address ||
				(w->node[i].second_claim_msg && w->node[i].second_address == n->address));
	} while (taken);
}

/* SAE J1939 NAME: identity number and manufacturer code of the ECU, function and its instance of the address. */
static void name_it(struct sim_msg *m, unsigned node, unsigned instance)
{
	uint64_t name = (0x1001 + 0x335ULL * node) | 0x3c5ULL << 21 | (uint64_t)instance << 35 | (uint64_t)(0x20 + node) << 40 | 1ULL << 60;

	for (unsigned i = 0; i < 8; i++)
		m->data[i] = (uint8_t)(name >> (8 * i));
}

static bool address_taken(const struct sim_world *w, unsigned first, uint8_t address)
{
	for (unsigned i = first; i < w->nodes; i++) {
		if (w->node[i].address == address || (w->node[i].second_claim_msg && w->node[i].second_address == address))
			return true;
	}
	return false;
}

static uint8_t second_address(struct sim_world *w, unsigned node, unsigned first)
{
	uint8_t address = w->node[node].address;

	while (address_taken(w, first, address))
		address = (uint8_t)((address + 17) % 0xf0);
	return address;
}

/* Every other ID goes out under the second address. */
static void share_addresses(struct sim_world *w, const struct sim_node *n)
{
	for (unsigned i = n->first_msg, turn = 0; i < n->first_msg + n->msg_count; i++) {
		struct sim_msg *m = &w->msg[i];
		uint32_t other = (m->id & ~0xffu) | n->second_address;
		bool taken = m->kind == SIM_CLAIM || m->kind == SIM_ANSWER || m->kind == SIM_REQUEST;

		for (unsigned k = 0; k < w->msgs; k++)
			taken |= w->msg[k].id == other;
		if (!taken && turn++ % 2)
			m->id = other;
	}
}

unsigned sim_car_add(struct sim_world *w, const struct sim_car *car)
{
	unsigned bus = w->buses++, first = w->nodes;
	unsigned body = 5 + sim_pick(w->plan, 9), drive = 2 + sim_pick(w->plan, 6);
	struct sim_bus *b = &w->bus[bus];
	struct sim_deal d = { .style = 0 };
	unsigned lone = car->lone ? 1 + sim_pick(w->plan, body - 1) : body;

	make_bus(w, b, &d, car);
	for (unsigned i = 0; i < body + drive; i++) {
		unsigned node = add_node(w, bus);
		struct sim_node *n = &w->node[node];
		bool driving = i >= body;

		d.block = 0x40 + sim_pick(w->plan, 0x740);
		if (i == 0 && car->gateway) {
			n->gateway = true;
			snprintf(n->name, sizeof n->name, "gateway");
		} else if (driving) {
			give_name(w, n, drive_names, sizeof drive_names / sizeof *drive_names);
		} else {
			give_name(w, n, body_names, sizeof body_names / sizeof *body_names);
		}
		take_address(w, node, first);
		if (b->extended) {
			n->claim_msg = (int)w->msgs;
			name_it(sim_add_msg(w, node, LULL_ID_EXTENDED | 0x18eeff00 | n->address, SIM_CLAIM), node, 0);
			if (car->twice && !driving && i < 5) {
				n->second_address = second_address(w, node, first);
				n->second_claim_msg = (int)w->msgs;
				name_it(sim_add_msg(w, node, LULL_ID_EXTENDED | 0x18eeff00 | n->second_address, SIM_CLAIM), node, 1);
			}
		}
		if ((b->nm == SIM_NM_AUTOSAR || b->nm == SIM_NM_OSEK) &&
		    (driving ? sim_chance(w->plan, 0.4) : i < 4 || sim_chance(w->plan, 0.7)))
			add_network_management(w, node);
		n->answers = !driving && i > 0 && i <= car->answering;
		if (driving)
			make_drive_node(w, &d, node);
		else
			make_body_node(w, &d, car, node);
		if (n->second_claim_msg)
			share_addresses(w, n);
		if (i == 0 && car->gateway && car->forwarded)
			sim_forward(w, &d, node, car->forwarded);
		if (i == lone) {
			struct sim_msg *m = sim_add_msg(w, node, sim_new_id(w, &d, n), SIM_LONE);

			sim_content(w, m);
			n->lone = true;
		}
	}
	sim_tame(w, bus, false, sim_log_uniform(w->plan, car->rate_low, car->rate_high));

	double most = 0.5 * (double)b->bitrate / (b->extended ? 150 : 125);

	sim_tame(w, bus, true, fmin(most, sim_log_uniform(w->plan, 200, 900)));
	sim_round_to_ticks(w, bus);
	settle_habits(w, bus, first, car);
	for (unsigned i = 0, bodies = 1 + sim_pick(w->plan, 3); i < bodies; i++)
		w->node[sim_car_choose(w, bus, NULL, 0)].body = true;
	return bus;
}

unsigned sim_car_tester(struct sim_world *w)
{
	unsigned node = add_node(w, 0);
	struct sim_node *n = &w->node[node];
	const struct sim_bus *b = &w->bus[0];
	double ms = 1e3 * sim_log_uniform(w->plan, 0.08, 2.5);
	bool functional = sim_chance(w->plan, 0.6);

	n->tester = true;
	n->wake_line = false;
	n->address = 0xf1;
	n->jitter_ns = sim_log_ns(w->plan, 1e-3, 20e-3);
	snprintf(n->name, sizeof n->name, "asker");
	for (unsigned i = 0; i < w->nodes; i++) {
		const struct sim_node *a = &w->node[i];
		uint32_t id;

		if (a->answer_msg < 0)
			continue;
		if (b->extended)
			id = LULL_ID_EXTENDED | (functional ? 0x18db33f1 : 0x18da00f1 | (uint32_t)a->address << 8);
		else
			id = functional ? 0x7df : w->msg[a->answer_msg].id - 8;

		struct sim_msg *m = sim_add_msg(w, node, id, SIM_REQUEST);

		m->period_key = m->period_park = (int64_t)(ms * 1e6);
		m->offset = sim_ns(w->plan, 0, 1e-3 * ms);
		m->data[0] = 2;
		m->data[1] = 1;
		m->data[2] = (uint8_t)(4 + sim_pick(w->plan, 32));
		if (functional)
			break;
	}
	return node;
}

unsigned sim_car_choose(struct sim_world *w, unsigned bus, const unsigned *except, unsigned excepted)
{
	bool managed = w->bus[bus].nm == SIM_NM_AUTOSAR || w->bus[bus].nm == SIM_NM_OSEK;

	for (;;) {
		unsigned i = sim_pick(w->plan, w->nodes);
		const struct sim_node *n = &w->node[i];
		bool wanted = n->bus == bus && !n->ignition && !n->gateway && !n->tester && !n->always_acks &&
			(n->nm || !managed);

		for (unsigned k = 0; k < excepted; k++)
			wanted &= except[k] != i;
		if (wanted)
			return i;
	}
}

int sim_car_gateway(const struct sim_world *w, unsigned bus)
{
	for (unsigned i = 0; i < w->nodes; i++) {
		if (w->node[i].bus == bus && w->node[i].gateway)
			return (int)i;
	}
	return SIM_NOBODY;
}
