/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_fault: nights whose clamp, meter or user does something wrong, or does it another way. Pure. */
#include <math.h>
#include <source/sim_scenario.h>

/* A car that sleeps in time, with a little housekeeping, about which the clamp decides. */
static int parked(struct sim_world *w)
{
	unsigned node, n;
	int error = sim_parked(w, 5, 9);

	node = sim_car_choose(w, 0, NULL, 0);
	n = 2;
	for (unsigned i = 0; i < n; i++)
		sim_ask(w, node, w->slept + (int64_t)((double)(w->end - w->slept) * (0.2 + 0.4 * i + sim_uniform(w->plan, 0, 0.2))),
			sim_log_ns(w->plan, 1, 15));
	w->night->truth.wakes = n;
	if (w->clamp.wanted)
		sim_truth(w, LULL_WITHIN_LIMIT, SIM_NOBODY, LULL_LOAD, true);
	else
		sim_truth(w, LULL_DRAW_NOT_MEASURED, SIM_NOBODY, LULL_LOAD, false);
	w->night->truth.may[LULL_DRAW_NOT_MEASURED] = true;
	return error;
}

int sim_make_gain_off(struct sim_world *w)
{
	int error = parked(w);

	w->clamp.gain = 1 + (sim_chance(w->plan, 0.5) ? 1 : -1) * sim_uniform(w->plan, 0.03, 0.25);
	w->clamp.loads = true;
	w->clamp.zeros = SIM_ZEROS_BOTH;
	w->clamp.quiet_mA = sim_uniform(w->plan, 0.2, 0.6) * w->limit_mA;
	return error;
}

int sim_make_scale_wrong(struct sim_world *w)
{
	int error = parked(w);
	bool more = sim_chance(w->plan, 0.5);

	w->clamp.told_wrong = more ? 10 : 0.1;
	w->clamp.range = more ? SIM_RANGE_COARSE : SIM_RANGE_FINE;
	w->clamp.zeros = SIM_ZEROS_NONE;
	/* Whatever is said of the draw, it is said of other figures. */
	for (int code = 0; code < LULL_CODE_COUNT; code++)
		w->night->truth.may[code] = true;
	w->night->truth.finding[0].decidable = false;
	w->night->truth.finding[0].code = LULL_DRAW_NOT_MEASURED;
	return error;
}

int sim_make_zero_marks(struct sim_world *w)
{
	int error = parked(w);

	w->clamp.zeros = SIM_ZEROS_BOTH;
	w->clamp.zero_marks = true;
	return error;
}

int sim_make_logger_fed(struct sim_world *w)
{
	int error = parked(w);

	w->clamp.zeros = SIM_ZEROS_BOTH;
	w->clamp.logger_mA = round(sim_uniform(w->plan, 60, 320));
	return error;
}

int sim_make_coarse_digit(struct sim_world *w)
{
	int error = parked(w);

	w->clamp.zeros = SIM_ZEROS_BOTH;
	w->clamp.range = SIM_RANGE_COARSE;
	w->clamp.coarse = true;
	return error;
}

int sim_make_warms_up(struct sim_world *w)
{
	int error = parked(w);

	w->clamp.zeros = SIM_ZEROS_BEFORE;
	w->clamp.drift_most_mA = 0.5;
	w->clamp.warm_mA = sim_uniform(w->plan, -14, 14);
	w->clamp.warm_s = sim_log_uniform(w->plan, 1200, 5000);
	return error;
}

int sim_make_saturates(struct sim_world *w)
{
	int error = parked(w);

	w->clamp.zeros = SIM_ZEROS_BOTH;
	w->clamp.range = SIM_RANGE_FINE;
	sim_draw(w, -60 * LULL_SEC, w->key_off, sim_uniform(w->plan, 12000, 40000));
	return error;
}
