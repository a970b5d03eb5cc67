/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_script: what scenarios are written with: acts, marks, blind spots, the evening before the night. Pure. */
#include <errno.h>
#include <math.h>
#include <source/sim_scenario.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void sim_act(struct sim_world *w, int64_t t, enum sim_act_kind kind, int node, int64_t value)
{
	if (w->acts < SIM_ACTS)
		w->act[w->acts++] = (struct sim_act){ .t = t, .kind = kind, .node = node, .value = value };
	else
		w->error = -ENOMEM;
}

void sim_ask(struct sim_world *w, unsigned node, int64_t t, int64_t lasting)
{
	sim_act(w, t, SIM_ACT_ASK, (int)node, 0);
	if (lasting)
		sim_act(w, t + lasting, SIM_ACT_RELEASE, (int)node, 0);
}

int sim_mark(struct sim_world *w, int64_t t, enum lull_mark_kind kind, const char *text)
{
	struct lull_sim_night *night = w->night;
	struct lull_mark *at = reallocarray(night->marks.at, night->marks.n + 1, sizeof *at);

	if (!at)
		return -ENOMEM;
	night->marks.at = at;

	size_t i = night->marks.n++;

	for (; i > 0 && at[i - 1].t > t; i--)
		at[i] = at[i - 1];
	memset(&at[i], 0, sizeof at[i]);
	at[i].t = t > 0 ? t : 0;
	at[i].kind = (uint8_t)kind;
	at[i].value = NAN;
	snprintf(at[i].text, sizeof at[i].text, "%s", text);
	return 0;
}

void sim_blind(struct sim_world *w, int64_t from, int64_t to, enum lull_coverage_why why)
{
	if (to > w->end && w->end)
		to = w->end;
	if (w->blinds < SIM_BLINDS && from < to)
		w->blind[w->blinds++] = (struct sim_blind){ from, to, why };
}

static unsigned body_node(struct sim_world *w)
{
	for (;;) {
		unsigned i = sim_pick(w->plan, w->nodes);

		if (w->node[i].body)
			return i;
	}
}

static int disturb(struct sim_world *w, int64_t t, int asker, bool by_line)
{
	static const struct {
		enum lull_mark_kind kind;
		const char *text;
	} what[] = { { LULL_MARK_DOOR, "door" }, { LULL_MARK_DOOR, "door" }, { LULL_MARK_OTHER, "lid shut" },
		{ LULL_MARK_OTHER, "locked" }, { LULL_MARK_OTHER, "bonnet closed" } };
	unsigned i = sim_pick(w->plan, sizeof what / sizeof *what);

	if (asker != SIM_NOBODY && by_line)
		sim_act(w, t, SIM_ACT_LINE, w->node[asker].bus, 0);
	if (asker != SIM_NOBODY) {
		sim_ask(w, (unsigned)asker, t, sim_log_ns(w->plan, 1, 20));
		sim_act(w, t + LULL_MS, SIM_ACT_CHANGE, asker, 0);
		sim_act(w, t + LULL_MS, SIM_ACT_DOOR, asker, 0);
	}
	/* Who writes it down is a second early or late. */
	t += sim_ns(w->plan, -1.5, 1.5);
	if (t > w->settle)
		w->settle = t;
	return sim_mark(w, t, what[i].kind, what[i].text);
}

int sim_disturb(struct sim_world *w, int64_t t, bool asks, bool by_line)
{
	return disturb(w, t, asks ? (int)body_node(w) : SIM_NOBODY, by_line);
}

void sim_limits(struct sim_world *w)
{
	static const double sleeps[] = { 600, 900, 1800 };
	static const double draws[] = { 20, 30, 40, 50, 50, 50, 80 };

	w->limit_s = sim_chance(w->plan, 0.6) ? 1200 : sleeps[sim_pick(w->plan, 3)];
	w->limit_mA = draws[sim_pick(w->plan, 7)];
}

/* How long nodes go on by themselves, at the most, until all of them sleep. */
int64_t sim_longest(const struct sim_world *w, enum sim_why why)
{
	int64_t most = 0, linger = 0;

	for (unsigned i = 0; i < w->nodes; i++) {
		const struct sim_node *n = &w->node[i];

		if (why == SIM_AFTER_EVENING && n->key_off_run_on > most)
			most = n->key_off_run_on;
		if (why == SIM_AFTER_EVENING && n->door_run_on > most)
			most = n->door_run_on;
		if (n->wake_run_on > most)
			most = n->wake_run_on;
		if (n->linger_ns > linger)
			linger = n->linger_ns;
	}
	return most + linger + 25 * LULL_SEC;
}

static int known_wakes(struct sim_world *w, const struct sim_evening *e)
{
	unsigned count = (e->known == SIM_KNOWN_ALWAYS ? 3 : 1) + sim_pick(w->plan, 3);
	int first = e->first;
	int64_t t = sim_ns(w->plan, 8, 40), alone = sim_longest(w, SIM_AFTER_WAKE);
	int error = 0;

	w->starts_asleep = true;
	for (unsigned i = 0; i < count && !error; i++) {
		int asker = first != SIM_NOBODY ? first : (int)body_node(w);
		int64_t lasting = first != SIM_NOBODY ? alone : sim_log_ns(w->plan, 1, 15);

		if (e->by_line)
			sim_act(w, t, SIM_ACT_LINE, w->node[asker].bus, 0);
		sim_ask(w, (unsigned)asker, t, lasting);
		sim_act(w, t + w->node[asker].lead_ns + w->node[asker].app_ns + 5 * LULL_MS, SIM_ACT_CHANGE, asker, 0);
		error = sim_mark(w, t + sim_ns(w->plan, -1, 1), LULL_MARK_DOOR, "door");
		t += lasting + alone + sim_log_ns(w->plan, 10, 120);
	}
	w->key_on = t;
	if (first != SIM_NOBODY || e->known == SIM_KNOWN_ALWAYS || sim_chance(w->plan, 0.6)) {
		/* Somebody gets in before turning the key. */
		int asker = first != SIM_NOBODY ? first : (int)body_node(w);

		if (e->by_line)
			sim_act(w, t - 3 * LULL_SEC, SIM_ACT_LINE, w->node[asker].bus, 0);
		sim_ask(w, (unsigned)asker, t - 3 * LULL_SEC, sim_ns(w->plan, 5, 20));
	}
	sim_act(w, t, SIM_ACT_KEY_ON, 0, 0);
	if (!error && sim_chance(w->plan, 0.7))
		error = sim_mark(w, t + sim_ns(w->plan, -1, 1), LULL_MARK_KEY_ON, "key on");
	return error;
}

void sim_repeats(struct sim_world *w, int64_t from, int64_t to)
{
	if (w->bus[0].nm != SIM_NM_AUTOSAR || !sim_chance(w->plan, 0.25))
		return;
	for (unsigned i = 0, n = 1 + sim_pick(w->plan, 4); i < n; i++)
		sim_act(w, from + (int64_t)((double)(to - from) * gsl_rng_uniform(w->plan)), SIM_ACT_REPEAT,
			(int)sim_car_choose(w, 0, NULL, 0), 0);
}

void sim_holes(struct sim_world *w, int64_t from, int64_t to)
{
	if (!sim_chance(w->plan, 0.2))
		return;

	int64_t part = (to - from) / (int64_t)(1 + sim_pick(w->plan, 4));

	for (; part > 120 * LULL_SEC && from + part <= to; from += part) {
		int64_t t = from + (int64_t)((double)(part - 60 * LULL_SEC) * gsl_rng_uniform(w->plan));

		/* A change of the link would be a disturbance of ours, after which settling begins anew. */
		sim_blind(w, t, t + sim_log_ns(w->plan, 0.5, 30), LULL_BLIND_FRAMES_LOST);
	}
}

int sim_culprit(struct sim_world *w, unsigned chosen)
{
	switch (w->options->after) {
	case LULL_SIM_FIRST:
	case LULL_SIM_AS_BEFORE:
		break;
	case LULL_SIM_REPAIRED:
		return SIM_NOBODY;
	case LULL_SIM_ANOTHER:
		return (int)sim_car_choose(w, w->node[chosen].bus, &chosen, 1);
	}
	return (int)chosen;
}

void sim_truth_good(struct sim_world *w)
{
	sim_truth(w, w->clamp.wanted ? LULL_WITHIN_LIMIT : LULL_DRAW_NOT_MEASURED, SIM_NOBODY, LULL_LOAD, false);
}

int sim_evening(struct sim_world *w, const struct sim_evening *e)
{
	/* The car is made by now: from here on it is another evening. */
	if (w->options->after != LULL_SIM_FIRST)
		gsl_rng_set(w->plan, w->another_evening);

	int64_t drive = sim_log_ns(w->plan, 30, e->short_drive ? 90 : 240);
	int error = 0;

	w->key_on = 0;
	if (e->known == SIM_KNOWN_ALWAYS || (e->known == SIM_KNOWN_SOME && sim_chance(w->plan, 0.3)))
		error = known_wakes(w, e);
	else if (sim_chance(w->plan, 0.2))
		error = sim_mark(w, sim_ns(w->plan, 0, 5), LULL_MARK_KEY_ON, "key on");
	w->key_off = w->settle = w->key_on + drive;
	sim_act(w, w->key_off, SIM_ACT_KEY_OFF, 0, 0);
	if (!error && sim_chance(w->plan, 0.5)) {
		int64_t t = w->key_off + sim_ns(w->plan, -1, 1.5);

		if (t > w->settle)
			w->settle = t;
		error = sim_mark(w, t, LULL_MARK_KEY_OFF, "key off");
	}
	if (!e->undisturbed && sim_chance(w->plan, 0.6)) {
		int64_t t = w->key_off;

		for (unsigned i = 0, n = 1 + sim_pick(w->plan, 3); i < n && !error; i++) {
			t += sim_log_ns(w->plan, 4, 150);
			error = sim_disturb(w, t, sim_chance(w->plan, 0.6), e->by_line);
		}
	}
	sim_repeats(w, w->key_off, w->settle + 60 * LULL_SEC);
	w->slept = w->settle + sim_longest(w, SIM_AFTER_EVENING) + 20 * LULL_SEC;
	return error;
}

void sim_end(struct sim_world *w, double hours_low, double hours_high)
{
	double hours = sim_uniform(w->plan, hours_low, hours_high);

	w->end = w->settle + (int64_t)(3600e9 * hours);
	if (w->options->hours > 0)
		w->end = (int64_t)(3600e9 * w->options->hours);
}

void sim_truth(struct sim_world *w, enum lull_code code, int node, enum lull_role role, bool decidable)
{
	struct lull_truth *truth = &w->night->truth;
	struct lull_truth_finding *f = &truth->finding[truth->finding_count++];

	f->code = code;
	f->role = role;
	f->decidable = decidable;
	f->cost_mAh_per_day = NAN;
	if (node != SIM_NOBODY)
		memcpy(f->node, w->node[node].name, sizeof f->node);
}

struct sim_car sim_car_any(struct sim_world *w, bool may_be_managed)
{
	struct sim_car car = { .rate_low = 30, .rate_high = 200 };

	car.nm = (enum sim_nm)sim_pick(w->plan, may_be_managed ? 4 : 2);
	if (car.nm == SIM_NM_OWN || car.nm == SIM_NM_FOLLOW)
		car.extended = sim_chance(w->plan, 0.2);
	car.gateway = sim_chance(w->plan, 0.3);
	car.seen_alone = sim_chance(w->plan, 0.7);
	return car;
}

const struct sim_evening sim_any_evening = { .first = SIM_NOBODY, .known = SIM_KNOWN_SOME };

int sim_parked(struct sim_world *w, double hours_low, double hours_high)
{
	struct sim_car car;
	int error;

	sim_limits(w);
	car = sim_car_any(w, true);
	sim_car_add(w, &car);
	error = sim_evening(w, &sim_any_evening);
	sim_end(w, hours_low, hours_high);
	return error;
}
