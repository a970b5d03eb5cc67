/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_meter: what the meter behind the clamp writes down, to its last digit, and what was true of it. Pure. */
#include <gsl/gsl_randist.h>
#include <math.h>
#include <source/sim_world.h>

/* Capacitors charge when something wakes: far above its draw, for some ten milliseconds. */
static double inrush(struct sim_world *w, double bus_mA, int64_t t)
{
	struct sim_clamp *c = &w->clamp;

	if (bus_mA > c->bus_before_mA + 50) {
		c->spike_mA = (bus_mA - c->bus_before_mA) * sim_uniform(c->rng, 1, 4);
		c->spike_tau = sim_log_ns(c->rng, 0.005, 0.06);
		c->spike_at = t - sim_ns(c->rng, 0, 1e-9 * (double)c->step);
		sim_charge_add(w, c->spike_at, c->spike_mA * 1e-9 * (double)c->spike_tau);
	}
	c->bus_before_mA = bus_mA;
	if (c->spike_mA <= 0)
		return 0;

	double left = c->spike_mA * exp(-(double)(t - c->spike_at) / (double)c->spike_tau);

	if (left < 1)
		c->spike_mA = 0;
	return left;
}

static bool heard(const struct sim_world *w, int64_t t)
{
	/* After a step of the capture's clock it is the retimer's word what recording time is. */
	if (w->adapter.closed || t < 0 || w->adapter.step)
		return false;
	for (unsigned i = 0; i < w->blinds; i++) {
		if (t > w->blind[i].from - LULL_SEC && t < w->blind[i].to + LULL_SEC)
			return false;
	}
	return true;
}

/* Steps that the bus shows too: held for some samples, well above noise and digit, within the clamp's range. */
static void count_steps(struct sim_world *w, double bus_mA, int64_t t)
{
	struct sim_clamp *c = &w->clamp;
	struct lull_truth_clamp *truth = &w->night->truth.clamp;
	double most = 900 * c->range_A, level = fmin(fmax(bus_mA, -most), most);
	double noise = hypot(c->white_mA, c->slow_mA), least = fmax(fmax(4 * noise, 3e3 * c->resolution_mV / c->mV_per_A), 20);
	double nodes_mA = w->key ? bus_mA - c->keyed_mA : bus_mA;
	int64_t hold = 4 * c->step > 4 * LULL_SEC ? 4 * c->step : 4 * LULL_SEC;

	if (isnan(c->level_mA)) {
		c->level_mA = c->candidate_mA = level;
		c->nodes_mA = nodes_mA;
		c->candidate_at = t;
	}
	if (fabs(level - c->candidate_mA) > least / 2) {
		c->candidate_mA = level;
		c->candidate_nodes_mA = nodes_mA;
		c->candidate_at = t;
	}
	if (fabs(c->candidate_mA - c->level_mA) <= least || t - c->candidate_at < hold)
		return;

	bool rises = c->candidate_nodes_mA > c->nodes_mA + least;

	c->level_mA = c->candidate_mA;
	c->nodes_mA = c->candidate_nodes_mA;
	if (!heard(w, c->candidate_at))
		return;
	truth->steps++;
	truth->last_step_s = 1e-9 * (double)c->candidate_at;
	if (isnan(truth->first_step_s))
		truth->first_step_s = truth->last_step_s;
	if (!rises)
		return;
	truth->rises++;
	truth->last_rise_s = 1e-9 * (double)c->candidate_at;
	if (isnan(truth->first_rise_s))
		truth->first_rise_s = truth->last_rise_s;
}

static double reading_mV(struct sim_world *w, double mA, double share)
{
	struct sim_clamp *c = &w->clamp;
	double tau = 1e-9 * (double)c->step * (double)c->taken;

	c->slow_now = c->slow_keeps * c->slow_now +
		gsl_ran_gaussian(c->rng, c->slow_mA * sqrt(1 - c->slow_keeps * c->slow_keeps));
	for (unsigned i = 0; i < 2; i++) {
		if (c->off_to[i] && w->clamp.next >= c->off_at[i] && w->clamp.next < c->off_to[i])
			mA = -c->logger_mA;
	}
	mA += c->logger_mA;
	if (c->gain > 0)
		mA *= c->gain;
	if (c->reversed)
		mA = -mA;
	if (c->warm_s > 0)
		mA -= c->warm_mA * -expm1(-tau / c->warm_s);
	mA += c->zero_mA + share * c->zero_drift_mA + 4 * share * (1 - share) * c->zero_bend_mA;
	mA += gsl_ran_gaussian(c->rng, c->white_mA) + c->slow_now;
	mA += c->ripple_mA * sin(2 * M_PI * c->ripple_hz * tau + c->ripple_phase);
	if (sim_chance(c->rng, c->outliers))
		mA += (sim_chance(c->rng, 0.5) ? 1 : -1) * sim_log_uniform(c->rng, 50, 3000);
	mA = fmin(fmax(mA, -1e3 * c->range_A), 1e3 * c->range_A);
	return 1e-3 * mA * c->mV_per_A;
}

/* What a log looks like when it is none any more. */
static double lost_mV(struct sim_world *w)
{
	struct sim_clamp *c = &w->clamp;

	switch (c->lost_why) {
	case LULL_DEAD_FLAT: /* nothing drives the meter: within two digits of zero */
		if (c->flat_mV == 0)
			c->flat_mV = ((int)sim_pick(c->rng, 4) - 2 + 1e-6) * c->resolution_mV;
		return c->flat_mV + (sim_chance(c->rng, 0.0005) ? c->resolution_mV : 0);
	case LULL_DEAD_SATURATED:
		return (c->reversed ? -1 : 1) * c->range_A * c->mV_per_A;
	case LULL_DEAD_FROZEN:
	case LULL_DEAD_ENDED:
	case LULL_DEAD_DROPPED:
	case LULL_DEAD_OFF_CABLE:
		break;
	}
	return c->last_mV;
}

static void give(struct sim_world *w, double mV)
{
	struct sim_clamp *c = &w->clamp;
	struct lull_sim_sample s = { .clamp_s = w->night->clamp.first_s + 1e-9 * (double)c->step * (double)c->taken };
	int error;

	s.mV = round(mV / c->resolution_mV) * c->resolution_mV;
	c->last_mV = s.mV;
	error = w->sink->current(w->sink->ctx, &s);
	if (error)
		w->error = error;
}

static bool is_written(struct sim_clamp *c, int64_t t)
{
	if (c->taken == 0)
		return true;
	for (unsigned i = 0; i < c->gaps; i++) {
		if (t >= c->gap_at[i] && t < c->gap_to[i])
			return false;
	}
	return !sim_chance(c->rng, c->misses);
}

void sim_meter_until(struct sim_world *w, int64_t until)
{
	struct sim_clamp *c = &w->clamp;

	if (!c->wanted)
		return;
	if (until > c->stop)
		until = c->stop;
	while (c->next <= until && !w->error) {
		int64_t t = c->next;
		bool lost = c->lost && t >= c->lost_at, written = is_written(c, t);
		double share = (double)(t - c->start) / (double)(c->stop - c->start), bus_mA = sim_current_bus(w, t);
		double mA = bus_mA + sim_current_other(w, t) + inrush(w, bus_mA, t), mV = reading_mV(w, mA, share);

		if (!lost)
			count_steps(w, bus_mA, t);
		if (lost && c->lost_why == LULL_DEAD_ENDED)
			return;
		if (written)
			give(w, lost ? lost_mV(w) : mV);
		c->taken++;
		c->next = c->start + (int64_t)llround((double)c->step * (double)c->taken * (1 + 1e-6 * c->drift_ppm));
	}
}
