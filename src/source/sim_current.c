/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_current: what the battery gives: the quiet level, the nodes, the key, and what is switched beside them. Pure.
 *
 * A node draws from the moment it has a reason to wake, so the current leads its first frame. After its last one it either
 * goes to sleep by itself within some seconds or stays awake, silent, as long as the bus is. */
#include <gsl/gsl_randist.h>
#include <math.h>
#include <source/sim_scenario.h>
#include <stdlib.h>

void sim_draw(struct sim_world *w, int64_t from, int64_t to, double mA)
{
	struct sim_clamp *c = &w->clamp;

	if (c->turns + 2 > SIM_TURNS || to <= from)
		return;
	c->turn[c->turns++] = (struct sim_turn){ from, mA };
	c->turn[c->turns++] = (struct sim_turn){ to, -mA };
}

static int by_time(const void *a, const void *b)
{
	const struct sim_turn *x = a, *y = b;

	return (x->t > y->t) - (x->t < y->t);
}

void sim_current_turns(struct sim_world *w)
{
	qsort(w->clamp.turn, w->clamp.turns, sizeof *w->clamp.turn, by_time);
}

/* Retained power and relays drop some time after the key, with nothing on the bus. */
static void retain(struct sim_world *w)
{
	gsl_rng *r = w->clamp.rng;

	for (unsigned i = 0, n = sim_chance(r, 0.3) ? 0 : 1 + sim_pick(r, 3); i < n; i++) {
		double mA = sim_log_uniform(r, 20, 400);
		int64_t lasts = sim_log_ns(r, 120, 1800);

		if (w->key_off != LULL_NEVER)
			sim_draw(w, -60 * LULL_MIN, w->key_off + lasts, mA);
	}
}

void sim_current_make(struct sim_world *w)
{
	struct sim_clamp *c = &w->clamp;
	double dozing = 0, quiet = sim_uniform(c->rng, 0.15, 0.65) * w->limit_mA;

	for (unsigned i = 0; i < w->nodes; i++) {
		struct sim_node *n = &w->node[i];

		n->sleeps_alone = sim_chance(c->rng, 0.55) || c->all_sleep_alone;
		/* No awake bus is silent for longer than a second; only then can those that wait for its end fall asleep. */
		n->tail_ns = sim_ns(c->rng, n->sleeps_alone ? 0 : 1.2, 3);
		n->mA_doze = sim_uniform(c->rng, 0.5, 3);
		if (n->always_acks)
			dozing += n->mA_doze;
	}
	if (c->quiet_mA > 0)
		quiet = c->quiet_mA;
	c->base_mA = fmax(quiet - dozing, 1);
	/* Ignition loads; with the engine running it charges. */
	c->keyed_mA = sim_chance(c->rng, 0.3) ? -sim_log_uniform(c->rng, 1500, 15000) : sim_log_uniform(c->rng, 3000, 18000);
	retain(w);
}

void sim_current_run(struct sim_world *w, struct sim_node *n)
{
	n->mA_share = n->mA_varies > 0 ? fmax(0, 1 + gsl_ran_gaussian(w->clamp.rng, n->mA_varies)) : 1;
}

double sim_current_quiet(const struct sim_world *w)
{
	double sum = w->clamp.base_mA;

	for (unsigned i = 0; i < w->nodes; i++) {
		if (w->node[i].always_acks)
			sum += w->node[i].mA_doze;
	}
	return sum;
}

static double node_mA(const struct sim_world *w, const struct sim_node *n, int64_t t)
{
	int64_t silent = n->sleeps_alone ? n->muted : w->bus[n->bus].last_tx;

	switch (n->state) {
	case SIM_OFF:
		return 0;
	case SIM_DOZE:
		return n->mA_doze;
	case SIM_MUTE:
		if (t < silent + n->tail_ns)
			return n->mA_share * n->mA_mute;
		return n->always_acks ? n->mA_doze : 0;
	case SIM_BOOT:
		return t >= n->draws_from ? n->mA_share * n->mA_run : 0;
	case SIM_RUN:
		return n->mA_share * n->mA_run;
	}
	return 0;
}

double sim_current_bus(const struct sim_world *w, int64_t t)
{
	double sum = w->key ? w->clamp.keyed_mA : 0;

	for (unsigned i = 0; i < w->nodes; i++)
		sum += node_mA(w, &w->node[i], t);
	return sum;
}

void sim_charge_until(struct sim_world *w, int64_t t)
{
	struct lull_truth *truth = &w->night->truth;
	double dozing = sim_current_quiet(w) - w->clamp.base_mA;

	/* From here to there nothing happens but that a node's last rest of current ends. */
	for (struct sim_clamp *c = &w->clamp; truth->charge_count && c->charged_to < t && c->charged < truth->charge_count;) {
		int64_t next = (int64_t)(c->charged + 1) * LULL_TRUTH_CHARGE;
		int64_t to = next < t ? next : t;

		if (!w->key)
			truth->charge_mAs[c->charged] +=
				(sim_current_bus(w, c->charged_to) - dozing) * 1e-9 * (double)(to - c->charged_to);
		c->charged_to = to;
		if (to == next && ++c->charged < truth->charge_count)
			truth->charge_mAs[c->charged] = truth->charge_mAs[c->charged - 1];
	}
}

void sim_charge_add(struct sim_world *w, int64_t t, double mAs)
{
	struct lull_truth *truth = &w->night->truth;

	if (w->key || t < 0)
		return;
	sim_charge_until(w, t);
	for (size_t i = (size_t)(t / LULL_TRUTH_CHARGE); i <= w->clamp.charged && i < truth->charge_count; i++)
		truth->charge_mAs[i] += mAs;
}

static double charge_to(const struct lull_truth *truth, int64_t t)
{
	int64_t i = t / LULL_TRUTH_CHARGE - 1;

	if (i < 0 || !truth->charge_count)
		return 0;
	return truth->charge_mAs[i < (int64_t)truth->charge_count ? (size_t)i : truth->charge_count - 1];
}

double sim_charge(const struct sim_world *w, int64_t from, int64_t to)
{
	return charge_to(&w->night->truth, to) - charge_to(&w->night->truth, from);
}

double sim_current_other(struct sim_world *w, int64_t t)
{
	struct sim_clamp *c = &w->clamp;

	for (; c->turned < c->turns && c->turn[c->turned].t <= t; c->turned++)
		c->turned_mA += c->turn[c->turned].mA;
	return c->base_mA + c->turned_mA;
}
