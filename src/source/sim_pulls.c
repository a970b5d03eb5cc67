/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_pulls: nights in which somebody pulls plugs and fuses, the right ones and others. Pure. */
#include <errno.h>
#include <source/sim_scenario.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HELD_AGAIN_S 330.0 /* a bus that is still awake so long after a plug went back is held */

static int remember(struct sim_world *w, int64_t t, int node, bool ends_it)
{
	struct lull_truth *truth = &w->night->truth;
	struct lull_truth_pull *at = reallocarray(truth->pulls, truth->pull_count + 1, sizeof *at);

	if (!at)
		return -ENOMEM;
	truth->pulls = at;
	at += truth->pull_count++;
	memset(at, 0, sizeof *at);
	at->at_s = 1e-9 * (double)t;
	at->ends_it = ends_it;
	if (node != SIM_NOBODY)
		memcpy(at->node, w->node[node].name, sizeof at->node);
	return 0;
}

/* Who pulls writes it down a little before or after. */
static int mark(struct sim_world *w, int64_t t, enum lull_mark_kind kind, const char *word, const char *name)
{
	struct lull_sim_night *night = w->night;
	char text[LULL_NODE_NAME + 16];
	int error;

	t += sim_ns(w->plan, -2, 8);
	snprintf(text, sizeof text, "%s %s", word, name);
	error = sim_mark(w, t, kind, text);
	for (size_t i = 0; !error && i < night->marks.n; i++) {
		if (night->marks.at[i].kind == kind && !strcmp(night->marks.at[i].text, text))
			snprintf(night->marks.at[i].name, sizeof night->marks.at[i].name, "%s", name);
	}
	return error;
}

static int unplug(struct sim_world *w, int64_t t, unsigned node, bool ends_it)
{
	int error = mark(w, t, LULL_MARK_UNPLUGGED, "unplugged", w->node[node].name);

	sim_act(w, t, SIM_ACT_UNPLUG, (int)node, 0);
	return error ? error : remember(w, t, (int)node, ends_it);
}

static int replug(struct sim_world *w, int64_t t, unsigned node)
{
	sim_act(w, t, SIM_ACT_PLUG, (int)node, 0);
	return mark(w, t, LULL_MARK_REPLUGGED, "replugged", w->node[node].name);
}

/* --- a car that somebody holds awake, and somebody with a screwdriver --- */

struct held {
	unsigned keeper;
	int64_t t; /* of the next thing done */
	int error;
};

static enum sim_nm any_nm(struct sim_world *w)
{
	double kind = gsl_rng_uniform(w->plan);

	return kind < 0.4 ? SIM_NM_FOLLOW : kind < 0.65 ? SIM_NM_OWN : kind < 0.85 ? SIM_NM_AUTOSAR : SIM_NM_OSEK;
}

static struct sim_car pulled_car(struct sim_world *w, enum sim_nm nm)
{
	struct sim_car car = { .nm = nm, .rate_low = 25, .rate_high = 90 };

	sim_limits(w);
	car.gateway = sim_chance(w->plan, 0.3);
	car.seen_alone = sim_chance(w->plan, 0.5);
	if (nm == SIM_NM_OWN || nm == SIM_NM_FOLLOW)
		car.extended = sim_chance(w->plan, 0.2);
	return car;
}

static struct held hold(struct sim_world *w, enum sim_nm nm)
{
	struct sim_evening evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_SOME };
	struct sim_car car = pulled_car(w, nm);
	struct held h = { .error = 0 };

	sim_car_add(w, &car);
	h.keeper = sim_car_choose(w, 0, NULL, 0);
	h.error = sim_evening(w, &evening);
	sim_ask(w, h.keeper, w->key_off - LULL_SEC / 2, 0);
	/* Nobody pulls anything before it is plain that the car does not sleep. */
	h.t = w->settle + (int64_t)(1e9 * (w->limit_s + 600)) + sim_ns(w->plan, 20, 600);
	return h;
}

static void next(struct sim_world *w, struct held *h, double low_s, double high_s)
{
	h->t += sim_ns(w->plan, low_s, high_s);
}

static void out(struct sim_world *w, struct held *h, unsigned node, bool ends_it)
{
	if (!h->error)
		h->error = unplug(w, h->t, node, ends_it);
}

static void back(struct sim_world *w, struct held *h, unsigned node)
{
	if (!h->error)
		h->error = replug(w, h->t, node);
}

static int end(struct sim_world *w, struct held *h, bool decidable)
{
	w->end = h->t + sim_ns(w->plan, 900, 2400);
	sim_truth(w, LULL_HELD_AWAKE, (int)h->keeper, LULL_KEEPER, decidable);
	return h->error;
}

/* Does the bus itself show who holds it? */
static bool shows(enum sim_nm nm)
{
	return nm != SIM_NM_FOLLOW;
}

/* Any node that one would pull; none twice. */
static unsigned another(struct sim_world *w, const unsigned *except, unsigned excepted)
{
	for (;;) {
		unsigned i = sim_pick(w->plan, w->nodes);
		bool wanted = !w->node[i].ignition && !w->node[i].gateway;

		for (unsigned k = 0; k < excepted; k++)
			wanted &= except[k] != i;
		if (wanted)
			return i;
	}
}

/* Innocents out, one by one, and mostly back in. */
static void innocents(struct sim_world *w, struct held *h, unsigned count)
{
	unsigned tried[5] = { h->keeper }, n = 1;

	for (unsigned i = 0; i < count; i++) {
		unsigned node = another(w, tried, n);

		tried[n++] = node;
		out(w, h, node, false);
		next(w, h, 60, 240);
		if (sim_chance(w->plan, 0.6)) {
			back(w, h, node);
			next(w, h, HELD_AGAIN_S, 1.6 * HELD_AGAIN_S);
		}
	}
}

int sim_make_pull_right(struct sim_world *w)
{
	struct held h = hold(w, any_nm(w));

	out(w, &h, h.keeper, true);
	if (sim_chance(w->plan, 0.4)) {
		next(w, &h, 120, 900);
		back(w, &h, h.keeper);
	}
	return end(w, &h, true);
}

int sim_make_pull_wrong_first(struct sim_world *w)
{
	struct held h = hold(w, any_nm(w));

	innocents(w, &h, 1 + sim_pick(w->plan, 3));
	out(w, &h, h.keeper, true);
	return end(w, &h, true);
}

int sim_make_pull_wrong_only(struct sim_world *w)
{
	enum sim_nm nm = any_nm(w);
	struct held h = hold(w, nm);

	innocents(w, &h, 1 + sim_pick(w->plan, 2));
	return end(w, &h, shows(nm));
}

int sim_make_pull_repeated(struct sim_world *w)
{
	struct held h = hold(w, any_nm(w));

	for (unsigned i = 0, n = 2 + sim_pick(w->plan, 2); i < n; i++) {
		if (i) {
			next(w, &h, 90, 300);
			back(w, &h, h.keeper);
			next(w, &h, HELD_AGAIN_S, 1.6 * HELD_AGAIN_S);
		}
		out(w, &h, h.keeper, true);
	}
	return end(w, &h, true);
}

/* Between the tests another one begins to ask as well. */
int sim_make_pull_contradicts(struct sim_world *w)
{
	struct held h = hold(w, any_nm(w));
	unsigned other = sim_car_choose(w, 0, &h.keeper, 1);

	out(w, &h, h.keeper, true);
	next(w, &h, 90, 300);
	back(w, &h, h.keeper);
	sim_ask(w, other, h.t + sim_ns(w->plan, 20, 200), 0);
	next(w, &h, HELD_AGAIN_S, 1.6 * HELD_AGAIN_S);
	out(w, &h, h.keeper, false);
	return end(w, &h, false);
}

/* The fuse tells a circuit; the plugs behind it, pulled one by one, tell the node. */
int sim_make_pull_circuit(struct sim_world *w)
{
	static const char *const circuits[] = { "cabin", "comfort", "rear", "panel-3", "f17" };
	enum sim_nm nm = any_nm(w);
	struct held h = hold(w, nm);
	const char *name = circuits[sim_pick(w->plan, 5)];
	unsigned fed[3] = { h.keeper }, first = sim_pick(w->plan, 3);
	bool one_by_one = sim_chance(w->plan, 0.5);

	for (unsigned i = 1; i < 3; i++)
		fed[i] = another(w, fed, i);
	for (unsigned i = 0; i < 3; i++)
		sim_act(w, h.t, SIM_ACT_UNPLUG, (int)fed[i], 0);
	if (!h.error)
		h.error = mark(w, h.t, LULL_MARK_FUSE_OUT, "fuse out", name);
	if (!h.error)
		h.error = remember(w, h.t, SIM_NOBODY, true);
	next(w, &h, 90, 400);
	for (unsigned i = 0; i < 3; i++)
		sim_act(w, h.t, SIM_ACT_PLUG, (int)fed[i], 0);
	if (!h.error)
		h.error = mark(w, h.t, LULL_MARK_FUSE_BACK, "fuse back", name);
	for (unsigned i = 0; one_by_one && i < 3; i++) {
		unsigned node = fed[(first + i) % 3];

		next(w, &h, HELD_AGAIN_S, 1.6 * HELD_AGAIN_S);
		out(w, &h, node, node == h.keeper);
		if (node == h.keeper)
			break;
		next(w, &h, 60, 200);
		back(w, &h, node);
	}
	return end(w, &h, one_by_one || shows(nm));
}

int sim_make_pull_breaks_bus(struct sim_world *w)
{
	double kind = gsl_rng_uniform(w->plan);
	enum sim_nm nm = kind < 0.5 ? SIM_NM_FOLLOW : kind < 0.75 ? SIM_NM_AUTOSAR : SIM_NM_OSEK;
	struct held h = hold(w, nm);
	unsigned node = another(w, &h.keeper, 1);

	/* Some come apart with errors, some fall silent. */
	sim_act(w, h.t, SIM_ACT_CUT, 0, sim_chance(w->plan, 0.5) ? 20 : 0);
	if (!h.error)
		h.error = mark(w, h.t, LULL_MARK_UNPLUGGED, "unplugged", w->node[node].name);
	if (!h.error)
		h.error = remember(w, h.t, SIM_NOBODY, false);
	next(w, &h, 40, 300);
	sim_act(w, h.t, SIM_ACT_WHOLE, 0, 0);
	if (!h.error)
		h.error = mark(w, h.t, LULL_MARK_REPLUGGED, "replugged", w->node[node].name);
	return end(w, &h, shows(nm));
}

/* It would have slept without that; nobody can be blamed. */
int sim_make_pull_too_early(struct sim_world *w)
{
	struct sim_evening evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_SOME };
	struct sim_car car = pulled_car(w, sim_chance(w->plan, 0.5) ? SIM_NM_OWN : SIM_NM_FOLLOW);
	unsigned last;
	int64_t t;
	int error;

	sim_car_add(w, &car);
	last = sim_car_choose(w, 0, NULL, 0);
	w->node[last].key_off_run_on = (int64_t)(1e9 * w->limit_s * sim_uniform(w->plan, 0.4, 0.8));
	error = sim_evening(w, &evening);
	t = w->settle + (int64_t)((double)w->node[last].key_off_run_on * sim_uniform(w->plan, 0.3, 0.9));
	if (!error)
		error = unplug(w, t, last, false);
	if (!error && sim_chance(w->plan, 0.5))
		error = replug(w, t + sim_ns(w->plan, 100, 600), last);
	sim_end(w, 3, 6);
	sim_truth(w, LULL_DRAW_NOT_MEASURED, SIM_NOBODY, LULL_KEEPER, false);
	return error;
}

/* Some minutes between any two; if the bus ends after one of them, that is chance. */
int sim_make_pull_by_chance(struct sim_world *w)
{
	struct sim_evening evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_SOME };
	enum sim_nm nm = any_nm(w);
	struct sim_car car = pulled_car(w, nm);
	unsigned tried[4], n = 1;
	int64_t asks_until, t;
	int error;

	sim_car_add(w, &car);
	tried[0] = sim_car_choose(w, 0, NULL, 0);
	error = sim_evening(w, &evening);
	t = w->settle + (int64_t)(1e9 * (w->limit_s + 600)) + sim_ns(w->plan, 20, 300);
	asks_until = t + sim_ns(w->plan, 60, 1000);
	sim_ask(w, tried[0], w->key_off - LULL_SEC / 2, asks_until - (w->key_off - LULL_SEC / 2));
	for (unsigned i = 0; i < 3 && !error; i++) {
		tried[n] = another(w, tried, n);
		error = unplug(w, t, tried[n++], false);
		t += sim_ns(w->plan, 120, 480);
	}
	w->end = (t > asks_until ? t : asks_until) + sim_ns(w->plan, 2400, 9000);
	sim_truth(w, LULL_HELD_AWAKE, (int)tried[0], LULL_KEEPER, shows(nm));
	w->night->truth.may[LULL_LATE_TO_SLEEP] = true;
	return error;
}

int sim_make_replug_settles(struct sim_world *w)
{
	struct sim_evening evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_SOME };
	struct sim_car car = pulled_car(w, any_nm(w));
	int64_t spare;
	int error;

	sim_car_add(w, &car);
	error = sim_evening(w, &evening);
	sim_end(w, 3, 7);
	spare = sim_longest(w, SIM_AFTER_WAKE) + 60 * LULL_SEC;
	for (int64_t t = w->slept + sim_log_ns(w->plan, 120, 2400), i = 0; i < 3 && !error; i++) {
		unsigned node = another(w, NULL, 0);
		int64_t in = t + sim_log_ns(w->plan, 30, 400);

		if (in + spare + (int64_t)(1e9 * (w->limit_s + 1800)) > w->end)
			break;
		error = unplug(w, t, node, false);
		if (!error)
			error = replug(w, in, node);
		t = in + spare + sim_log_ns(w->plan, 60, 1200);
	}
	sim_truth(w, LULL_DRAW_NOT_MEASURED, SIM_NOBODY, LULL_KEEPER, false);
	return error;
}
