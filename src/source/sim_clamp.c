/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_clamp: the battery current beside the bus, as a clamp on its own clock logs it. Pure.
 *
 * The sum of what is awake, on top of a quiet level and of retained supplies that drop out some time after the
 * key. A node draws from the moment it has a reason to wake, so the current leads its first frame. */
#include <gsl/gsl_randist.h>
#include <source/sim_world.h>

void sim_clamp_make(struct sim_world *w)
{
	struct sim_clamp *c = &w->clamp;
	static const double rates[] = { 1, 2, 5, 10, 20 };

	c->wanted = w->sink->current != NULL;
	c->interval = (int64_t)(1e9 / rates[sim_pick(c->rng, 5)]);
	c->base_mA = sim_log_uniform(c->rng, 6, 30);
	c->noise_mA = sim_log_uniform(c->rng, 0.5, 8);
	c->zero_mA = sim_uniform(c->rng, -25, 25);
	c->drift_mA = sim_uniform(c->rng, -12, 12);
	c->mV_per_A = sim_chance(c->rng, 0.5) ? 100 : 10;
	c->clock_offset_s = sim_chance(c->rng, 0.3) ? sim_uniform(c->rng, -7200, 7200) : sim_uniform(c->rng, -30, 30);
	c->clock_ppm = sim_uniform(c->rng, -60, 60);
	c->retained_mA = sim_chance(c->rng, 0.6) ? sim_log_uniform(c->rng, 20, 400) : 0;
	c->retained_until = w->key_off == LULL_NEVER ? 0 : w->key_off + sim_log_ns(c->rng, 30, 1800);
}

static double current_mA(const struct sim_world *w)
{
	double sum = w->clamp.base_mA;

	for (unsigned i = 0; i < w->nodes; i++) {
		const struct sim_node *n = &w->node[i];

		switch (n->state) {
		case SIM_OFF:
			break;
		case SIM_DOZE:
			sum += 0.1 * n->mA_mute;
			break;
		case SIM_MUTE:
			sum += n->mA_mute;
			break;
		case SIM_BOOT:
		case SIM_RUN:
			sum += n->mA_run;
			break;
		}
	}
	if (w->key)
		sum += 9000; /* ignition loads; the morning shows it too */
	return w->clamp.next < w->clamp.retained_until ? sum + w->clamp.retained_mA : sum;
}

void sim_clamp_until(struct sim_world *w, int64_t t)
{
	struct sim_clamp *c = &w->clamp;

	if (!c->wanted)
		return;
	for (; c->next <= t && !w->error; c->next += c->interval) {
		double at = 1e-9 * (double)c->next, share = w->end > 0 ? at / (1e-9 * (double)w->end) : 0;
		double mA = current_mA(w) + c->zero_mA + share * c->drift_mA + gsl_ran_gaussian(c->rng, c->noise_mA);
		struct lull_sim_sample s = {
			.clamp_s = at * (1 + 1e-6 * c->clock_ppm) + c->clock_offset_s,
			.mV = mA * 1e-3 * c->mV_per_A,
		};
		int error = w->sink->current(w->sink->ctx, &s);

		if (error)
			w->error = error;
	}
}
