/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_wakes: nights in which the network is woken again and again, by one of its own or from outside. Pure. */
#include <math.h>
#include <source/sim_scenario.h>
#include <stdio.h>

enum { WAKES_MOST = 40 };

struct wakes {
	unsigned n;
	int64_t at[WAKES_MOST], lasting[WAKES_MOST];
};

/* 3..40 wakes after sleep, every so often or at any time; each leaves the bus time to sleep before the next. */
static void when(struct sim_world *w, struct wakes *wakes, unsigned least, int64_t lasting_least)
{
	gsl_rng *r = w->plan;
	unsigned n = (unsigned)sim_log_uniform(r, least, WAKES_MOST + 0.5);
	double each = fmin(sim_log_uniform(r, 1.5, 120), 1500.0 / n);
	bool alike = sim_chance(r, 0.5), periodic = sim_chance(r, 0.6);
	int64_t start = w->slept + sim_log_ns(r, 60, 1800);
	int64_t spare = sim_longest(w, SIM_AFTER_WAKE) + 30 * LULL_SEC + (int64_t)(1.5e9 * each) + lasting_least;
	int64_t room = w->end - 120 * LULL_SEC - start - spare;

	if (room < 0)
		room = 0;
	while (n > least && room / n < spare)
		n--;

	int64_t period = room / (int64_t)n;

	if (periodic && period > spare)
		period = spare + (int64_t)((double)(period - spare) * sim_uniform(r, 0.3, 1));
	wakes->n = n;
	for (unsigned i = 0; i < n; i++) {
		double wander = periodic ? sim_uniform(r, 0, 0.02) : sim_uniform(r, 0, 1);

		wakes->at[i] = start + (int64_t)i * period + (int64_t)(wander * (double)(period - spare > 0 ? period - spare : 0));
		wakes->lasting[i] = lasting_least + (int64_t)(1e9 * each * (alike ? 1 : sim_uniform(r, 0.6, 1.4)));
	}
	w->night->truth.wakes = n;
}

unsigned sim_choose_waker(struct sim_world *w, unsigned bus, const unsigned *except, unsigned excepted)
{
	unsigned waker = sim_car_choose(w, bus, except, excepted), body[3] = { waker, waker, waker };
	bool any = false;

	w->node[waker].body = false;
	for (unsigned i = 0; i < w->nodes; i++)
		any |= w->node[i].body;
	for (unsigned i = 0; i < excepted && i < 2; i++)
		body[i + 1] = except[i];
	if (!any)
		w->node[sim_car_choose(w, bus, body, 3)].body = true;
	return waker;
}

static struct sim_car woken_car(struct sim_world *w, enum sim_nm nm)
{
	struct sim_car car = { .nm = nm, .rate_low = 30, .rate_high = 220, .seen_alone = true };

	sim_limits(w);
	if (nm == SIM_NM_OWN || nm == SIM_NM_FOLLOW)
		car.extended = sim_chance(w->plan, 0.2);
	car.gateway = sim_chance(w->plan, 0.3);
	return car;
}

static enum sim_nm unmanaged(struct sim_world *w)
{
	return sim_chance(w->plan, 0.6) ? SIM_NM_OWN : SIM_NM_FOLLOW;
}

static int woken_at_most(struct sim_world *w, const struct sim_car *car, const struct sim_evening *evening, bool accused, unsigned most)
{
	struct wakes wakes;
	unsigned waker;
	int error;

	sim_car_add(w, car);
	waker = sim_choose_waker(w, 0, NULL, 0);
	error = sim_evening(w, evening);
	sim_end(w, 4, 10);
	when(w, &wakes, 3, 0);
	if (wakes.n > most)
		w->night->truth.wakes = wakes.n = most;

	int culprit = sim_culprit(w, waker);

	for (unsigned i = 0; i < wakes.n && culprit != SIM_NOBODY; i++)
		sim_ask(w, (unsigned)culprit, wakes.at[i], wakes.lasting[i]);
	if (culprit == SIM_NOBODY) {
		w->night->truth.wakes = 0;
		sim_truth_good(w);
	} else if (accused)
		sim_truth(w, LULL_WOKEN_AGAIN, culprit, LULL_WAKER, true);
	else
		sim_truth(w, LULL_WOKEN_FROM_OUTSIDE, SIM_NOBODY, LULL_WAKER, false);
	return error;
}

static int woken(struct sim_world *w, const struct sim_car *car, const struct sim_evening *evening, bool accused)
{
	return woken_at_most(w, car, evening, accused, WAKES_MOST);
}

int sim_make_wakes_one_node(struct sim_world *w)
{
	struct sim_car car = woken_car(w, unmanaged(w));

	return woken(w, &car, &sim_any_evening, true);
}

/* As few as make a finding. */
int sim_make_wakes_three(struct sim_world *w)
{
	struct sim_car car = woken_car(w, sim_chance(w->plan, 0.6) ? unmanaged(w) : (enum sim_nm)sim_pick(w->plan, 4));

	return woken_at_most(w, &car, &sim_any_evening, true, 3);
}

int sim_make_wakes_nm(struct sim_world *w)
{
	struct sim_car car = woken_car(w, SIM_NM_AUTOSAR);

	car.seen_alone = sim_chance(w->plan, 0.7);
	return woken(w, &car, &sim_any_evening, true);
}

int sim_make_wakes_ring(struct sim_world *w)
{
	struct sim_car car = woken_car(w, SIM_NM_OSEK);

	return woken(w, &car, &sim_any_evening, true);
}

int sim_make_wakes_known_order(struct sim_world *w)
{
	struct sim_car car = woken_car(w, unmanaged(w));
	struct sim_evening evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_ALWAYS };

	car.seen_alone = false;
	car.always_acks = true;
	return woken(w, &car, &evening, true);
}

int sim_make_wakes_acked_only(struct sim_world *w)
{
	struct sim_car car = woken_car(w, unmanaged(w));
	struct sim_evening evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_NEVER, .undisturbed = true };

	car.seen_alone = false;
	car.always_acks = true;
	return woken(w, &car, &evening, false);
}

int sim_make_wakes_two_nodes(struct sim_world *w)
{
	struct sim_car car = woken_car(w, sim_chance(w->plan, 0.6) ? unmanaged(w) : (enum sim_nm)sim_pick(w->plan, 4));
	struct wakes wakes;
	unsigned waker[2], count[2] = { 0, 0 };
	int error;

	sim_car_add(w, &car);
	waker[0] = sim_choose_waker(w, 0, NULL, 0);
	waker[1] = sim_choose_waker(w, 0, waker, 1);
	error = sim_evening(w, &sim_any_evening);
	sim_end(w, 5, 10);
	when(w, &wakes, 8, 0);
	for (unsigned i = 0; i < wakes.n; i++) {
		unsigned who = sim_pick(w->plan, 2);

		/* Each often enough to be a finding of its own. */
		if (count[0] + (wakes.n - i) <= 3 || count[1] + (wakes.n - i) <= 3)
			who = count[0] < count[1] ? 0 : 1;
		count[who]++;
		sim_ask(w, waker[who], wakes.at[i], wakes.lasting[i]);
	}
	for (unsigned i = 0; i < 2; i++)
		sim_truth(w, LULL_WOKEN_AGAIN, (int)waker[i], LULL_WAKER, true);
	return error;
}

/* All that hang on the wake line boot at once; nobody on the bus began it. */
static int from_outside(struct sim_world *w, enum sim_nm nm)
{
	struct sim_car car = woken_car(w, nm);
	struct sim_evening evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_SOME, .by_line = true };
	struct wakes wakes;
	int error;

	car.seen_alone = false;
	car.line = true;
	sim_car_add(w, &car);
	error = sim_evening(w, &evening);
	sim_end(w, 4, 10);
	when(w, &wakes, 3, 0);
	for (unsigned i = 0; i < wakes.n; i++)
		sim_act(w, wakes.at[i], SIM_ACT_LINE, 0, 0);
	w->night->truth.wakes = 0;
	sim_truth(w, LULL_WOKEN_FROM_OUTSIDE, SIM_NOBODY, LULL_WAKER, false);
	return error;
}

int sim_make_woken_from_outside(struct sim_world *w)
{
	return from_outside(w, sim_chance(w->plan, 0.25) ? SIM_NM_OSEK : unmanaged(w));
}

int sim_make_repeat_only(struct sim_world *w)
{
	return from_outside(w, SIM_NM_AUTOSAR);
}

/* The gateway passes on wakes of a bus that is not recorded: first and last, in deliberate wakes too. */
int sim_make_gateway_relays(struct sim_world *w)
{
	struct sim_car car = woken_car(w, sim_chance(w->plan, 0.6) ? SIM_NM_OWN :
			sim_chance(w->plan, 0.5) ? SIM_NM_AUTOSAR : SIM_NM_OSEK);
	struct sim_evening evening = { .known = SIM_KNOWN_ALWAYS, .undisturbed = true };
	struct wakes wakes;
	struct sim_node *gateway;
	int64_t longest = 0;
	int error;

	car.gateway = true;
	sim_car_add(w, &car);
	evening.first = sim_car_gateway(w, 0);
	gateway = &w->node[evening.first];
	for (unsigned i = 0; i < w->nodes; i++) {
		if (w->node[i].key_off_run_on > longest)
			longest = w->node[i].key_off_run_on;
	}
	gateway->key_off_run_on = longest + sim_ns(w->plan, 0.5, 8);
	error = sim_evening(w, &evening);
	sim_end(w, 4, 10);
	/* It outlasts what the others do by themselves. */
	when(w, &wakes, 3, sim_longest(w, SIM_AFTER_WAKE) - 20 * LULL_SEC);
	for (unsigned i = 0; i < wakes.n; i++)
		sim_ask(w, (unsigned)evening.first, wakes.at[i], wakes.lasting[i]);
	w->night->truth.wakes = 0;
	sim_truth(w, LULL_WOKEN_FROM_OUTSIDE, SIM_NOBODY, LULL_RELAY, false);
	return error;
}

int sim_make_dongle_wakes(struct sim_world *w)
{
	struct sim_car car = woken_car(w, unmanaged(w));
	struct wakes wakes;
	unsigned asker;
	int error;

	car.answering = 1 + sim_pick(w->plan, 3);
	sim_car_add(w, &car);
	asker = sim_car_tester(w);
	error = sim_evening(w, &sim_any_evening);
	sim_end(w, 4, 10);
	when(w, &wakes, 3, 0);
	if (sim_chance(w->plan, 0.7))
		sim_ask(w, asker, w->key_on + sim_ns(w->plan, 1, 10), w->key_off - w->key_on);
	for (unsigned i = 0; i < wakes.n; i++)
		sim_ask(w, asker, wakes.at[i], wakes.lasting[i] + 3 * LULL_SEC);
	sim_truth(w, LULL_WOKEN_AGAIN, (int)asker, LULL_WAKER, true);
	return error;
}

/* Two buses and the gateway between them; half: its node on each. */
static void join_buses(struct sim_world *w, int half[static 2])
{
	struct sim_car first = woken_car(w, (enum sim_nm)sim_pick(w->plan, 4));
	struct sim_car second = first;

	second.nm = (enum sim_nm)sim_pick(w->plan, 4);
	second.extended = (second.nm == SIM_NM_OWN || second.nm == SIM_NM_FOLLOW) && sim_chance(w->plan, 0.1);
	first.gateway = second.gateway = true;
	first.rate_high = second.rate_high = 120;
	sim_car_add(w, &first);
	sim_car_add(w, &second);
	for (unsigned i = 0; i < 2; i++)
		half[i] = sim_car_gateway(w, i);
	for (unsigned i = 0; i < 2; i++) {
		w->node[half[i]].twin = half[1 - i];
		snprintf(w->node[half[i]].name, sizeof w->node[half[i]].name, "gateway-%s", w->bus[i].name);
		w->node[half[i]].lead_ns = sim_ns(w->plan, 0.001, 0.02);
	}
}

/* The waker sits on one bus; the other is woken through the gateway. */
static int through_gateway(struct sim_world *w, unsigned bus)
{
	struct sim_evening evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_SOME, .short_drive = true };
	struct wakes wakes;
	unsigned waker;
	int half[2], error;

	join_buses(w, half);
	waker = sim_choose_waker(w, bus, NULL, 0);
	error = sim_evening(w, &evening);
	sim_end(w, 4, 10);
	when(w, &wakes, 3, 0);
	for (unsigned i = 0; i < wakes.n; i++)
		sim_ask(w, waker, wakes.at[i], wakes.lasting[i]);
	sim_truth(w, LULL_WOKEN_AGAIN, (int)waker, LULL_WAKER, true);
	return error;
}

int sim_make_two_buses(struct sim_world *w)
{
	return through_gateway(w, 1);
}

int sim_make_two_buses_back(struct sim_world *w)
{
	return through_gateway(w, 0);
}

/* What wakes it is on a third bus, which is not recorded: the gateway wakes both of these, as it does when a door opens. */
int sim_make_third_bus(struct sim_world *w)
{
	struct sim_evening evening = { .known = SIM_KNOWN_ALWAYS, .undisturbed = true, .short_drive = true };
	struct wakes wakes;
	int64_t longest = 0;
	int half[2], error;

	join_buses(w, half);
	for (unsigned i = 0; i < w->nodes; i++) {
		if (w->node[i].key_off_run_on > longest)
			longest = w->node[i].key_off_run_on;
	}
	for (unsigned i = 0; i < 2; i++)
		w->node[half[i]].key_off_run_on = longest + sim_ns(w->plan, 0.5, 8);
	evening.first = half[0];
	error = sim_evening(w, &evening);
	sim_end(w, 4, 8);
	when(w, &wakes, 3, sim_longest(w, SIM_AFTER_WAKE) - 20 * LULL_SEC);
	for (unsigned i = 0; i < wakes.n; i++)
		sim_ask(w, (unsigned)half[0], wakes.at[i], wakes.lasting[i]);
	w->night->truth.wakes = 0;
	sim_truth(w, LULL_WOKEN_FROM_OUTSIDE, SIM_NOBODY, LULL_RELAY, false);
	w->night->truth.may[LULL_WOKEN_AGAIN] = true;
	return error;
}

/* A noisy waker, and another that speaks within some milliseconds of it each time: nobody can tell which of them it was. */
int sim_make_wakes_copied(struct sim_world *w)
{
	struct sim_car car = woken_car(w, unmanaged(w));
	struct wakes wakes;
	unsigned waker[2];
	int error;

	car.seen_alone = false;
	car.always_acks = true;
	sim_car_add(w, &car);
	waker[0] = sim_choose_waker(w, 0, NULL, 0);
	waker[1] = sim_choose_waker(w, 0, waker, 1);
	w->node[waker[1]].app_ns = w->node[waker[0]].app_ns;
	w->node[waker[1]].ctrl_ns = w->node[waker[0]].ctrl_ns;
	w->node[waker[1]].lead_ns = w->node[waker[0]].lead_ns;
	for (unsigned i = 0; i < 2; i++) {
		struct sim_node *n = &w->node[waker[i]];

		n->app_ns = n->ctrl_ns + 5 * LULL_MS; /* soon enough for the two not to come apart while booting */
		for (unsigned k = n->first_msg; k < n->first_msg + n->msg_count; k++) {
			if (w->msg[k].kind == SIM_CYCLIC && w->msg[k].period_park) {
				w->msg[k].offset = 0;
				break;
			}
		}
	}
	error = sim_evening(w, &sim_any_evening);
	sim_end(w, 4, 10);
	when(w, &wakes, 3, 0);
	for (unsigned i = 0; i < wakes.n; i++) {
		sim_ask(w, waker[0], wakes.at[i], wakes.lasting[i]);
		sim_ask(w, waker[1], wakes.at[i] + sim_ns(w->plan, 0, 0.0025), wakes.lasting[i]);
	}
	sim_truth(w, LULL_WOKEN_FROM_OUTSIDE, SIM_NOBODY, LULL_WAKER, false);
	w->night->truth.may[LULL_WOKEN_AGAIN] = true;
	return error;
}
