/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_drain: nights about which the clamp decides: drains beside the network, dead logs, and innocents. Pure.
 *
 * Without a log none of it is measured, and the truth says so. */
#include <math.h>
#include <source/sim_scenario.h>
#include <string.h>

static void verdict(struct sim_world *w, enum lull_code code, bool decidable)
{
	if (w->clamp.wanted)
		sim_truth(w, code, SIM_NOBODY, LULL_LOAD, decidable);
	else
		sim_truth(w, LULL_DRAW_NOT_MEASURED, SIM_NOBODY, LULL_LOAD, false);
}

/* Some instant of the sleeping time, as a share of it. */
static int64_t asleep_at(const struct sim_world *w, double share)
{
	return w->slept + (int64_t)((double)(w->end - w->slept) * share);
}

int sim_make_within_limit(struct sim_world *w)
{
	int error = sim_parked(w, 4, 10);

	w->clamp.zeros = SIM_ZEROS_BOTH;
	verdict(w, LULL_WITHIN_LIMIT, true);
	return error;
}

/* The limit lies within what the zero leaves open. */
int sim_make_near_limit(struct sim_world *w)
{
	int error = sim_parked(w, 5, 10);

	w->clamp.zeros = SIM_ZEROS_BEFORE;
	w->clamp.drift_most_mA = 8;
	w->clamp.quiet_mA = w->limit_mA + sim_uniform(w->plan, -1, 1);
	/* As right as the other, but nothing else is. */
	sim_truth(w, LULL_DRAW_NOT_MEASURED, SIM_NOBODY, LULL_LOAD, w->clamp.wanted);
	return error;
}

int sim_make_draws_quiet(struct sim_world *w)
{
	int error = sim_parked(w, 3, 10);

	w->clamp.quiet_mA = sim_log_uniform(w->plan, fmax(80, 1.5 * w->limit_mA + 10), 900);
	verdict(w, LULL_DRAW_WHILE_QUIET, true);
	return error;
}

int sim_make_pulses_quiet(struct sim_world *w)
{
	int error = sim_parked(w, 5, 10);
	gsl_rng *r = w->plan;
	unsigned n = (unsigned)sim_log_uniform(r, 4, 40.5);
	double mA = sim_log_uniform(r, 80, 2000), night_s = 1e-9 * (double)(w->end - w->settle);
	/* At least a fifth of what the limit allows, at most so long that rests of half a minute remain. */
	double each = night_s * w->limit_mA * sim_log_uniform(r, 0.2, 2) / mA / n, charge = 0;
	bool periodic = sim_chance(r, 0.5);
	int64_t from = w->slept + 180 * LULL_SEC, slot = (w->end - 300 * LULL_SEC - from) / n;

	each = fmin(fmax(each, 15), fmax(1, fmin(1800, 1e-9 * (double)slot * 0.6)));
	mA = fmax(mA, 0.2 * night_s * w->limit_mA / (n * each));
	for (unsigned i = 0; i < n; i++) {
		int64_t lasts = (int64_t)(1e9 * each * sim_uniform(r, 0.8, 1.2));
		int64_t t = from + (int64_t)i * slot;

		if (!periodic)
			t += (int64_t)(fmax(0, (double)(slot - lasts - 30 * LULL_SEC)) * gsl_rng_uniform(r));
		sim_draw(w, t, t + lasts, mA);
		charge += mA * 1e-9 * (double)lasts;
	}
	w->clamp.zeros = sim_chance(r, 0.6) ? SIM_ZEROS_BOTH : SIM_ZEROS_BEFORE;
	verdict(w, LULL_PULSES_WHILE_QUIET, true);
	if (w->clamp.wanted)
		w->night->truth.finding[0].cost_mAh_per_day = charge / night_s * 24;
	return error;
}

/* Nodes wake again and again, and the port shows nothing of it: a gateway has closed it, or it never spoke. */
int sim_make_bus_invisible(struct sim_world *w)
{
	int error = sim_parked(w, 5, 9);
	unsigned n = 4 + sim_pick(w->plan, 14), node = sim_car_choose(w, 0, NULL, 0);
	bool never = sim_chance(w->plan, 0.4);
	int64_t slot = (asleep_at(w, 0.97) - w->slept - 120 * LULL_SEC) / n;

	if (!never) {
		/* Nobody stops before the gateway closes the port: it ends as one block. */
		w->keyed_until = w->key_off + 10 * LULL_SEC;
		for (unsigned i = 0; i < w->nodes; i++) {
			w->node[i].ignition_ns += 10 * LULL_SEC;
			w->node[i].key_off_run_on += 12 * LULL_SEC;
		}
	}
	sim_act(w, never ? -LULL_SEC : w->key_off + sim_log_ns(w->plan, 0.05, 9), SIM_ACT_CLOSE, 0, 0);
	for (unsigned i = 0; i < n; i++) {
		int64_t t = w->slept + 120 * LULL_SEC + (int64_t)i * slot;

		sim_ask(w, node, t + (int64_t)(0.4 * (double)slot * gsl_rng_uniform(w->plan)), sim_log_ns(w->plan, 20, 200));
	}
	w->clamp.zeros = sim_chance(w->plan, 0.6) ? SIM_ZEROS_BOTH : SIM_ZEROS_BEFORE;
	if (w->clamp.wanted) {
		sim_truth(w, LULL_BUS_NOT_VISIBLE, SIM_NOBODY, LULL_LOAD, true);
		w->night->truth.may[LULL_BLIND] = w->night->truth.may[LULL_DRAW_NOT_MEASURED] = true;
	} else {
		sim_truth(w, never ? LULL_BLIND : LULL_DRAW_NOT_MEASURED, SIM_NOBODY, LULL_LOAD, false);
	}
	return error;
}

/* The meter switches itself off, the clamp's battery is empty, the display is held, the clamp is driven to its end. */
int sim_make_clamp_lost(struct sim_world *w)
{
	static const enum lull_dead_why whys[] = { LULL_DEAD_ENDED, LULL_DEAD_ENDED, LULL_DEAD_FLAT, LULL_DEAD_FROZEN,
		LULL_DEAD_SATURATED };
	int error = sim_parked(w, 5, 10);
	bool early = sim_chance(w->plan, 0.3);

	w->clamp.lost = true;
	w->clamp.lost_why = whys[sim_pick(w->plan, 5)];
	w->clamp.lost_at = early ? w->key_off + sim_log_ns(w->plan, 20, 600) :
		asleep_at(w, sim_uniform(w->plan, 0.3, 0.75));
	verdict(w, LULL_CLAMP_LOST, true);
	/* What was measured before it was lost may be said beside. */
	w->night->truth.may[LULL_DRAW_NOT_MEASURED] = true;
	w->night->truth.may[LULL_WITHIN_LIMIT] = !early;
	return error;
}

/* --- innocents --- */

/* A strictly periodic waker, and a log that begins when the car sleeps: it fits one period off just as well. */
int sim_make_free_running(struct sim_world *w)
{
	struct sim_car car = { .rate_low = 30, .rate_high = 200, .seen_alone = true };
	unsigned waker, n;
	int64_t period, first, lasting;
	int error;

	sim_limits(w);
	car.nm = sim_chance(w->plan, 0.6) ? SIM_NM_OWN : SIM_NM_FOLLOW;
	sim_car_add(w, &car);
	for (unsigned i = 0; i < w->nodes; i++)
		w->node[i].run_on_varies = 0;
	do
		waker = sim_car_choose(w, 0, NULL, 0);
	while (w->node[waker].body);
	error = sim_evening(w, &sim_any_evening);
	sim_end(w, 6, 10);
	period = sim_ns(w->plan, 900, 2400);
	lasting = sim_ns(w->plan, 2, 30);
	first = w->slept + sim_ns(w->plan, 60, 900);
	n = w->end - 120 * LULL_SEC > first ? (unsigned)((w->end - 120 * LULL_SEC - first) / period) : 0;
	for (unsigned i = 0; i < n; i++)
		sim_ask(w, waker, first + (int64_t)i * period, lasting);
	w->night->truth.wakes = n;
	w->clamp.late = true;
	sim_truth(w, LULL_WOKEN_AGAIN, (int)waker, LULL_WAKER, true);
	return error;
}

/* A charger tops up now and then: current into the battery. */
int sim_make_charger(struct sim_world *w)
{
	int error = sim_parked(w, 6, 10);
	unsigned n = 1 + sim_pick(w->plan, 4), node = sim_car_choose(w, 0, NULL, 0);
	bool wakes = sim_chance(w->plan, 0.4);
	int64_t slot = (asleep_at(w, 0.95) - w->slept) / n;

	for (unsigned i = 0; i < n; i++) {
		int64_t t = w->slept + (int64_t)i * slot + (int64_t)((double)slot * sim_uniform(w->plan, 0.15, 0.4));
		int64_t lasts = sim_log_ns(w->plan, 120, fmax(121, fmin(3600, 0.4e-9 * (double)slot)));

		sim_draw(w, t, t + lasts, -sim_log_uniform(w->plan, 400, 5000));
		if (wakes && i < 2) /* it says so on the bus, for a while */
			sim_ask(w, node, t + sim_ns(w->plan, 0.2, 2), sim_log_ns(w->plan, 2, 20));
	}
	w->night->truth.wakes = wakes ? (n < 2 ? n : 2) : 0;
	verdict(w, LULL_WITHIN_LIMIT, true);
	return error;
}

/* Retained power and load-shedding relays drop one after the other, up to three quarters of an hour after the key. */
int sim_make_relay_drops(struct sim_world *w)
{
	int error = sim_parked(w, 4, 9);

	for (unsigned i = 0, n = 3 + sim_pick(w->plan, 4); i < n; i++) {
		double mA = sim_log_uniform(w->plan, 30, 600);

		sim_draw(w, -60 * LULL_SEC, w->key_off + sim_log_ns(w->plan, 90, 2700), mA);
	}
	verdict(w, LULL_WITHIN_LIMIT, true);
	return error;
}

/* The battery sensor wakes the network when the voltage is low: an effect of the drain, not its cause. */
int sim_make_battery_sensor(struct sim_world *w)
{
	int error = sim_parked(w, 6, 10);
	unsigned node = sim_car_choose(w, 0, NULL, 0), n = 1 + sim_pick(w->plan, 2);
	bool taken = false;

	for (unsigned i = 0; i < w->nodes; i++)
		taken |= strcmp(w->node[i].name, "battery-sensor") == 0;
	if (!taken)
		memcpy(w->node[node].name, "battery-sensor", sizeof "battery-sensor");
	for (unsigned i = 0; i < n; i++)
		sim_ask(w, node, asleep_at(w, (0.5 + i + sim_uniform(w->plan, -0.2, 0.2)) / n * 0.9), sim_log_ns(w->plan, 1, 15));
	w->night->truth.wakes = n;
	verdict(w, LULL_WITHIN_LIMIT, true);
	return error;
}
