/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_apart: nights whose nodes stop at different times after different wakes, as under partial networking: what each of them
 * draws can be told from the current. Pure. */
#include <math.h>
#include <source/sim_scenario.h>
#include <string.h>

struct habits {
	unsigned waker;
	int runner; /* goes on alone in some spells */
	int pair[2]; /* do the same always */
	double asks[SIM_NODES]; /* chance of each to be wanted in a spell */
};

static bool may_ask(const struct sim_world *w, unsigned node)
{
	const struct sim_node *n = &w->node[node];

	return !n->ignition && !n->tester && !n->always_acks;
}

/* One spell: the waker, soon after it some of the others, each for a time of its own. */
static void spell(struct sim_world *w, const struct habits *h, int64_t t)
{
	gsl_rng *r = w->plan;
	int64_t last = sim_log_ns(r, 15, 240);

	sim_ask(w, h->waker, t, last);
	for (unsigned i = 0; i < w->nodes; i++) {
		int64_t after = sim_ns(r, 3, 20), lasting = sim_log_ns(r, 15, 240);
		bool wanted = sim_chance(r, h->asks[i]);

		if (!wanted || i == h->waker || !may_ask(w, i) || (int)i == h->runner || (int)i == h->pair[1])
			continue;
		sim_ask(w, i, t + after, lasting);
		if ((int)i == h->pair[0])
			sim_ask(w, (unsigned)h->pair[1], t + after, lasting);
		if (after + lasting > last)
			last = after + lasting;
	}
	if (h->runner != SIM_NOBODY && sim_chance(r, 0.6))
		sim_ask(w, (unsigned)h->runner, t + sim_ns(r, 3, 20), sim_chance(r, 0.6) ? last + sim_log_ns(r, 20, 200) : last / 2);
}

static int apart(struct sim_world *w, bool runner, bool pair)
{
	struct sim_car car = { .nm = SIM_NM_OWN, .rate_low = 30, .rate_high = 220, .seen_alone = true };
	struct habits h = { .runner = SIM_NOBODY, .pair = { SIM_NOBODY, SIM_NOBODY } };
	unsigned chosen[3], n;
	double varies;
	int64_t start, slot, room;
	int error;

	sim_limits(w);
	car.extended = sim_chance(w->plan, 0.2);
	sim_car_add(w, &car);
	chosen[0] = h.waker = sim_choose_waker(w, 0, NULL, 0);
	chosen[1] = sim_car_choose(w, 0, chosen, 1);
	chosen[2] = sim_car_choose(w, 0, chosen, 2);
	if (runner)
		h.runner = (int)chosen[1];
	if (pair) {
		h.pair[0] = (int)chosen[1];
		h.pair[1] = (int)chosen[2];
		w->node[chosen[2]].wake_run_on = w->node[chosen[1]].wake_run_on;
		w->node[chosen[1]].run_on_varies = w->node[chosen[2]].run_on_varies = 0;
		for (unsigned i = 0; i < 2; i++)
			memcpy(w->night->truth.pair[i], w->node[h.pair[i]].name, LULL_NODE_NAME);
	}
	varies = sim_chance(w->plan, 0.5) ? 0 : sim_uniform(w->plan, 0.01, 0.08);
	for (unsigned i = 0; i < w->nodes; i++) {
		h.asks[i] = sim_uniform(w->plan, 0.15, 0.8);
		w->node[i].mA_varies = varies;
	}
	error = sim_evening(w, &sim_any_evening);
	sim_end(w, 5, 10);
	start = w->slept + sim_log_ns(w->plan, 60, 900);
	room = sim_longest(w, SIM_AFTER_WAKE) + 520 * LULL_SEC;
	n = 8 + sim_pick(w->plan, 20);
	const int64_t fit = (w->end - 120 * LULL_SEC - start) / room;
	if (fit < n)
		n = fit > 3 ? (unsigned)fit : 3;
	slot = (w->end - 120 * LULL_SEC - start) / n;
	for (unsigned i = 0; i < n; i++)
		spell(w, &h, start + (int64_t)i * slot + (int64_t)(gsl_rng_uniform(w->plan) * (double)(slot > room ? slot - room : 0)));
	w->night->truth.wakes = n;
	sim_truth(w, LULL_WOKEN_AGAIN, (int)h.waker, LULL_WAKER, true);
	return error;
}

int sim_make_stops_apart(struct sim_world *w)
{
	w->clamp.all_sleep_alone = true;
	return apart(w, false, false);
}

int sim_make_one_runs_on(struct sim_world *w)
{
	w->clamp.all_sleep_alone = true;
	return apart(w, true, false);
}

int sim_make_never_apart(struct sim_world *w)
{
	w->clamp.all_sleep_alone = true;
	return apart(w, false, true);
}

int sim_make_silent_draw(struct sim_world *w)
{
	return apart(w, sim_chance(w->plan, 0.5), false);
}
