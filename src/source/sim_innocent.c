/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_innocent: nights that accuse nobody: good ones, and those that cannot be judged. Pure. */
#include <math.h>
#include <source/sim_scenario.h>

static void good_night(struct sim_world *w)
{
	sim_truth(w, LULL_DRAW_NOT_MEASURED, SIM_NOBODY, LULL_KEEPER, false);
}

static void housekeeping(struct sim_world *w, unsigned count, double longest_s)
{
	int64_t from = w->slept + 60 * LULL_SEC, each = (w->end - from) / (int64_t)(count ? count : 1);

	for (unsigned i = 0; i < count; i++) {
		int64_t t = from + (int64_t)i * each + (int64_t)((double)each * sim_uniform(w->plan, 0.1, 0.7));

		sim_ask(w, sim_car_choose(w, 0, NULL, 0), t, sim_log_ns(w->plan, 1, longest_s));
	}
	w->night->truth.wakes = count;
}

int sim_make_sleeps_well(struct sim_world *w)
{
	struct sim_car car;
	int error;

	sim_limits(w);
	car = sim_car_any(w, true);
	sim_car_add(w, &car);
	if (sim_chance(w->plan, 0.3)) { /* always the last, and rightly so */
		struct sim_node *n = &w->node[sim_car_choose(w, 0, NULL, 0)];

		n->key_off_run_on = (int64_t)(1e9 * w->limit_s * sim_uniform(w->plan, 0.35, 0.8));
		n->door_run_on = 0;
	}
	error = sim_evening(w, &sim_any_evening);
	sim_end(w, 4, 10);
	housekeeping(w, sim_chance(w->plan, 0.5) ? 0 : 1 + sim_pick(w->plan, 2), 20);
	good_night(w);
	return error;
}

int sim_make_late_run_on(struct sim_world *w)
{
	int error = sim_parked(w, 6, 10);
	double night_s = 1e-9 * (double)(w->end - w->settle);

	if (w->end - w->slept > 1200 * LULL_SEC) {
		int64_t t = w->slept + (int64_t)((double)(w->end - w->slept) * sim_uniform(w->plan, 0.2, 0.85));

		sim_ask(w, sim_car_choose(w, 0, NULL, 0), t, sim_ns(w->plan, 60, fmax(61, 0.007 * night_s)));
		w->night->truth.wakes = 1;
	}
	good_night(w);
	return error;
}

int sim_make_port_closed(struct sim_world *w)
{
	struct sim_car car;
	int error;

	sim_limits(w);
	car = sim_car_any(w, true);
	sim_car_add(w, &car);
	/* Nobody stops before the gateway closes the port. */
	for (unsigned i = 0; i < w->nodes; i++) {
		w->node[i].ignition_ns += 10 * LULL_SEC;
		w->node[i].key_off_run_on += 12 * LULL_SEC;
	}
	error = sim_evening(w, &sim_any_evening);
	sim_act(w, w->key_off + sim_log_ns(w->plan, 0.05, 9), SIM_ACT_CLOSE, 0, 0);
	sim_end(w, 2, 8);
	good_night(w);
	return error;
}

int sim_make_single_frames(struct sim_world *w)
{
	struct sim_car car;
	int64_t period;
	int lone = SIM_NOBODY, error;

	sim_limits(w);
	car = sim_car_any(w, true);
	car.lone = car.always_acks = true;
	sim_car_add(w, &car);
	for (unsigned i = 0; i < w->msgs; i++) {
		if (w->msg[i].kind == SIM_LONE)
			lone = (int)i;
	}
	error = sim_evening(w, &sim_any_evening);
	sim_end(w, 4, 10);
	period = sim_ns(w->plan, 12, 60);
	sim_act(w, w->slept + period, SIM_ACT_LONE, lone, period);
	w->act[w->acts - 1].spread = sim_chance(w->plan, 0.3) ? 8 : 0;
	good_night(w);
	return error;
}

int sim_make_morning(struct sim_world *w)
{
	int error = sim_parked(w, 5, 10);
	int64_t drive = sim_log_ns(w->plan, 30, 200), back = w->end - drive - 90 * LULL_SEC;

	if (back < w->slept + 600 * LULL_SEC)
		back = w->slept + 600 * LULL_SEC;
	w->end = back + drive + 90 * LULL_SEC;
	for (unsigned i = 0; i < w->nodes; i++) {
		if (w->node[i].body) {
			sim_ask(w, i, back, sim_ns(w->plan, 5, 60));
			break;
		}
	}
	if (!error && sim_chance(w->plan, 0.5))
		error = sim_mark(w, back + sim_ns(w->plan, -1, 1), LULL_MARK_MORNING, "morning");

	int64_t key = back + sim_log_ns(w->plan, 4, 60);

	sim_act(w, key, SIM_ACT_KEY_ON, 0, 0);
	if (sim_chance(w->plan, 0.3)) /* parked again before the logger is taken off */
		sim_act(w, key + drive / 2, SIM_ACT_KEY_OFF, 0, 0);
	good_night(w);
	return error;
}

/* What touches the rig wakes the car: a lead, a switch on the adapter's link. */
int sim_make_our_glitch(struct sim_world *w)
{
	static const char *const touches[] = { "touched the lead", "moved the adapter", "looked at the logger" };
	static const enum lull_coverage_why links[] = { LULL_BLIND_LINK_DOWN, LULL_BLIND_ADAPTER_GONE,
		LULL_BLIND_RESTARTED };
	struct sim_car car;
	unsigned count = 1 + sim_pick(w->plan, 5);
	int64_t t, spare;
	int error;

	sim_limits(w);
	car = sim_car_any(w, true);
	car.seen_alone = false;
	car.line = true;
	sim_car_add(w, &car);
	error = sim_evening(w, &sim_any_evening);
	sim_end(w, 5, 10);
	spare = sim_longest(w, SIM_AFTER_WAKE) + 120 * LULL_SEC;
	t = w->slept + 120 * LULL_SEC;
	for (unsigned i = 0; i < count && !error && t + spare + 5400 * LULL_SEC < w->end; i++) {
		t += sim_log_ns(w->plan, 30, 3600);
		if (t + 5400 * LULL_SEC > w->end)
			break;
		if (sim_chance(w->plan, 0.6))
			error = sim_mark(w, t, LULL_MARK_OTHER, touches[sim_pick(w->plan, 3)]);
		else
			sim_blind(w, t - sim_log_ns(w->plan, 1, 20), t, links[sim_pick(w->plan, 3)]);
		w->settle = t;
		sim_act(w, t + sim_log_ns(w->plan, 0.1, 4), SIM_ACT_LINE, 0, 0);
		t += spare;
	}
	good_night(w);
	return error;
}

int sim_make_clock_steps(struct sim_world *w)
{
	int error = sim_parked(w, 3, 8);
	unsigned steps = 1 + sim_pick(w->plan, 2);
	int64_t drive = w->key_off - w->key_on;

	for (unsigned i = 0; i < steps; i++) {
		int64_t t = w->key_on + (int64_t)((double)drive * (0.15 + 0.4 * i + sim_uniform(w->plan, 0, 0.3)));
		int64_t step = sim_chance(w->plan, 0.4) ? -sim_log_ns(w->plan, 1.5, 30) :
				sim_log_ns(w->plan, 2, 14 * 86400.0);

		sim_act(w, t, SIM_ACT_STEP, 0, step);
	}
	good_night(w);
	return error;
}

int sim_make_too_early(struct sim_world *w)
{
	int error = sim_parked(w, 1, 2);
	unsigned node = sim_car_choose(w, 0, NULL, 0);

	w->end = w->settle + (int64_t)(1e9 * (w->limit_s + 600) * sim_uniform(w->plan, 0.3, 0.95));
	sim_ask(w, node, w->key_off - LULL_SEC / 2, 0);
	sim_truth(w, LULL_TOO_EARLY, SIM_NOBODY, LULL_KEEPER, false);
	return error;
}

int sim_make_deaf(struct sim_world *w)
{
	static const enum lull_coverage_why whys[] = { LULL_BLIND_LINK_DOWN, LULL_BLIND_ADAPTER_GONE,
		LULL_BLIND_FRAMES_LOST };
	int error = sim_parked(w, 4, 10);
	int64_t from = w->settle + sim_log_ns(w->plan, 2, 200), to = w->end;

	/* Still awake when it goes deaf; when it sleeps, nobody hears. */
	sim_ask(w, sim_car_choose(w, 0, NULL, 0), w->key_off - LULL_SEC / 2,
		from - w->key_off + sim_log_ns(w->plan, 30, 900));
	if (sim_chance(w->plan, 0.4))
		to -= (int64_t)((double)(w->end - from) * sim_uniform(w->plan, 0.02, 0.1));
	sim_blind(w, from, to, whys[sim_pick(w->plan, 3)]);
	sim_truth(w, LULL_BLIND, SIM_NOBODY, LULL_KEEPER, false);
	return error;
}

/* The right car, the wrong pins. */
int sim_make_never_alive(struct sim_world *w)
{
	int error = sim_parked(w, 1, 10);
	unsigned kept = 0;

	/* The key is still turned, and the clamp sees it. */
	for (unsigned i = 0; i < w->acts; i++) {
		if (w->act[i].kind == SIM_ACT_KEY_ON || w->act[i].kind == SIM_ACT_KEY_OFF)
			w->act[kept++] = w->act[i];
	}
	w->acts = kept;
	w->nodes = w->msgs = 0;
	sim_truth(w, LULL_BLIND, SIM_NOBODY, LULL_KEEPER, false);
	return error;
}

int sim_make_replugged_asleep(struct sim_world *w)
{
	int error = sim_parked(w, 4, 10);
	int64_t from = w->slept + (int64_t)((double)(w->end - w->slept) * sim_uniform(w->plan, 0.01, 0.2));

	sim_blind(w, from, from + sim_log_ns(w->plan, 10, 600), LULL_BLIND_ADAPTER_GONE);
	sim_truth(w, LULL_BLIND, SIM_NOBODY, LULL_KEEPER, false);
	return error;
}
