/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_traffic: invents the messages of a bus: IDs, contents, periods, and how much of it there is. Pure. */
#include <math.h>
#include <source/sim_traffic.h>
#include <string.h>

static const double park_ms[] = { 20, 40, 50, 100, 160, 200, 250, 300, 400, 500, 640, 800, 1000, 2000, 2500, 5000 };
static const double drive_ms[] = { 10, 20, 25, 40, 50, 100, 200, 500, 1000 };
enum { PARKS = sizeof park_ms / sizeof *park_ms, DRIVES = sizeof drive_ms / sizeof *drive_ms };

static uint32_t standard_id(struct sim_world *w, struct sim_deal *d)
{
	for (;;) {
		unsigned id = 0x40 + sim_pick(w->plan, 0x7c0 - 0x40);

		if (d->style == 1 && sim_chance(w->plan, 0.9))
			id = d->block + sim_pick(w->plan, 24);
		if (id < 0x7c0 && !d->used[id]) {
			d->used[id] = true;
			return id;
		}
	}
}

static uint32_t extended_id(struct sim_world *w, const struct sim_node *n)
{
	static const uint32_t priorities[] = { 3, 6, 6, 7 };

	for (;;) {
		uint32_t pgn = (0xf0 + sim_pick(w->plan, 16)) << 8 | sim_pick(w->plan, 256);
		uint32_t id = LULL_ID_EXTENDED | priorities[sim_pick(w->plan, 4)] << 26 | pgn << 8 | n->address;
		bool taken = false;

		for (unsigned i = n->first_msg; i < w->msgs; i++)
			taken |= w->msg[i].id == id;
		if (!taken)
			return id;
	}
}

static uint32_t priority(uint32_t id)
{
	uint32_t bits = id & LULL_ID_BITS;

	/* With equal first 11 bits the standard frame wins (ISO 11898-1: SRR and IDE are recessive). */
	return id & LULL_ID_EXTENDED ? bits >> 18 << 19 | 1u << 18 | (bits & 0x3ffff) : bits << 19;
}

struct sim_msg *sim_add_msg(struct sim_world *w, unsigned node, uint32_t id, enum sim_msg_kind kind)
{
	struct sim_msg *m = &w->msg[w->msgs];

	if (w->msgs + 1 < SIM_MSGS)
		w->msgs++;
	w->node[node].msg_count = w->msgs - w->node[node].first_msg;
	m->id = id;
	m->priority = priority(id);
	m->node = (uint16_t)node;
	m->kind = (uint8_t)kind;
	m->len = 8;
	m->counter_byte = m->checksum_byte = m->signal_byte = -1;
	for (unsigned i = 0; i < 8; i++)
		m->data[i] = sim_chance(w->plan, 0.5) ? 0 : (uint8_t)gsl_rng_get(w->plan);
	return m;
}

void sim_content(struct sim_world *w, struct sim_msg *m)
{
	if (sim_chance(w->plan, 0.2))
		m->len = (uint8_t)(1 + sim_pick(w->plan, 8));

	unsigned free = sim_pick(w->plan, m->len);

	if (sim_chance(w->plan, 0.5))
		m->counter_byte = (int8_t)free;
	if (m->len > 1 && sim_chance(w->plan, 0.4))
		m->checksum_byte = (int8_t)((free + 1) % m->len);
	if (m->len > 2 && sim_chance(w->plan, 0.5))
		m->signal_byte = (int8_t)((free + 2) % m->len);
}

uint32_t sim_new_id(struct sim_world *w, struct sim_deal *d, const struct sim_node *n)
{
	return w->bus[n->bus].extended ? extended_id(w, n) : standard_id(w, d);
}

struct sim_msg *sim_add_cyclic(struct sim_world *w, struct sim_deal *d, unsigned node, double key_ms,
	double parked_ms)
{
	struct sim_msg *m = sim_add_msg(w, node, sim_new_id(w, d, &w->node[node]), SIM_CYCLIC);
	double shorter = parked_ms > 0 && parked_ms < key_ms ? parked_ms : key_ms;

	sim_content(w, m);
	m->period_key = (int64_t)(key_ms * 1e6);
	m->period_park = (int64_t)(parked_ms * 1e6);
	m->ignition = parked_ms <= 0;
	/* Offsets on a tick of the software timer. */
	m->offset = (int64_t)sim_pick(w->plan, (unsigned)(shorter < 200 ? shorter : 200) / 5 + 1) * 5 * LULL_MS;
	return m;
}

double sim_park_ms(struct sim_world *w)
{
	double kind = gsl_rng_uniform(w->plan);

	if (kind < 0.04)
		return park_ms[sim_pick(w->plan, 3)];
	if (kind < 0.88)
		return park_ms[3 + sim_pick(w->plan, 10)];
	return park_ms[13 + sim_pick(w->plan, 3)];
}

static double period_rate(const struct sim_world *w, unsigned bus, bool key)
{
	double rate = 0;

	for (unsigned i = 0; i < w->msgs; i++) {
		const struct sim_msg *m = &w->msg[i];
		int64_t period = key ? m->period_key : m->period_park;

		if (w->node[m->node].bus == bus && period && m->kind != SIM_REQUEST)
			rate += 1e9 / (double)period;
	}
	return rate;
}

double sim_car_rate(const struct sim_world *w, unsigned bus)
{
	return period_rate(w, bus, false) + (w->bus[bus].nm == SIM_NM_OSEK ? 1e9 / (double)w->bus[bus].nm_cycle : 0);
}

/* A parked node can do without that ID: another still shows within a second that it is alive. */
static bool dispensable(const struct sim_world *w, const struct sim_msg *m)
{
	const struct sim_node *n = &w->node[m->node];

	for (unsigned i = n->first_msg; i < n->first_msg + n->msg_count && !m->remote; i++) {
		const struct sim_msg *other = &w->msg[i];

		if (other != m && other->kind == SIM_CYCLIC && other->period_park && other->period_park <= LULL_SEC)
			return true;
	}
	return false;
}

void sim_tame(struct sim_world *w, unsigned bus, bool key, double rate)
{
	const double *steps = key ? drive_ms : park_ms;
	unsigned count = key ? DRIVES : PARKS - 3;

	for (unsigned tries = 0; tries < 100000 && period_rate(w, bus, key) > rate; tries++) {
		struct sim_msg *m = &w->msg[sim_pick(w->plan, w->msgs)];
		int64_t *period = key ? &m->period_key : &m->period_park;
		unsigned next = 0;

		if (w->node[m->node].bus != bus || m->kind != SIM_CYCLIC || !*period)
			continue;
		if (!key && sim_chance(w->plan, 0.4) && dispensable(w, m)) {
			m->period_park = 0;
			m->ignition = true;
			continue;
		}
		while (next < count && (int64_t)(steps[next] * 1e6) <= *period)
			next++;
		if (next == count)
			continue;
		*period = (int64_t)(steps[next] * 1e6);
		if (m->period_park && m->period_key > m->period_park)
			m->period_park = m->period_key;
	}
}

void sim_forward(struct sim_world *w, struct sim_deal *d, unsigned gateway, unsigned count)
{
	double ppm[5];
	unsigned senders = 2 + sim_pick(w->plan, 4);

	for (unsigned i = 0; i < senders; i++)
		ppm[i] = sim_uniform(w->plan, -80, 80);
	for (unsigned i = 0; i < count; i++) {
		double ms = park_ms[3 + sim_pick(w->plan, 10)];
		struct sim_msg *m = sim_add_cyclic(w, d, gateway, ms, ms);

		m->remote = true;
		m->ppm = ppm[sim_pick(w->plan, senders)];
		m->offset = sim_ns(w->plan, 0, 1e-3 * ms);
	}
}

static int64_t round_to(int64_t t, double tick_ns)
{
	return (int64_t)(fmax(1, round((double)t / tick_ns)) * tick_ns);
}

void sim_round_to_ticks(struct sim_world *w, unsigned bus)
{
	for (unsigned i = 0; i < w->msgs; i++) {
		struct sim_msg *m = &w->msg[i];
		double tick = w->node[m->node].tick_ns;

		if (w->node[m->node].bus != bus || tick <= 0 || m->remote || m->kind == SIM_EVENT)
			continue;
		if (m->period_key)
			m->period_key = round_to(m->period_key, tick);
		if (m->period_park)
			m->period_park = round_to(m->period_park, tick);
		if (m->offset)
			m->offset = round_to(m->offset, tick);
	}
}

double sim_drive_ms(struct sim_world *w, bool slow)
{
	return slow ? drive_ms[2 + sim_pick(w->plan, DRIVES - 2)] : drive_ms[sim_pick(w->plan, 7)];
}
