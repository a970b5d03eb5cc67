/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_clamp: how the clamp hangs and on which clock its meter writes, what its user knows of that, and what is true. Pure. */
#include <gsl/gsl_randist.h>
#include <math.h>
#include <source/sim_scenario.h>
#include <stdio.h>

static const int64_t load_on_ns[] = { 0, 10 * LULL_SEC }, load_off_ns[] = { 7 * LULL_SEC, 15 * LULL_SEC };

static double within(double x, double most)
{
	return fmin(fmax(x, -most), most);
}

static void hang(struct sim_world *w)
{
	struct sim_clamp *c = &w->clamp;
	gsl_rng *r = c->rng;
	double total = sim_log_uniform(r, 2, 15), slow = sim_chance(r, 0.4) ? sim_uniform(r, 0.2, 0.7) : 0;
	bool chance = sim_chance(r, 0.5), fine = c->range == SIM_RANGE_ANY ? chance : c->range == SIM_RANGE_FINE;
	double digits = gsl_rng_uniform(r);

	/* A digit of 100 mA (1 mV at 10 mV/A) is no set-up for this work: only one scenario has it. */
	c->mV_per_A = fine ? 100 : 10;
	c->range_A = fine ? 10 : 60;
	if (fine)
		c->resolution_mV = digits < 0.3 ? 0.01 : digits < 0.75 || c->lost ? 0.1 : 1;
	else
		c->resolution_mV = digits < 0.5 || c->lost ? 0.01 : 0.1;
	if (c->coarse)
		c->resolution_mV = 1;
	/* The meter's own last digit moves. */
	total = fmax(total, 0.4 * c->resolution_mV / c->mV_per_A * 1e3);
	c->slow_mA = fmin(total * slow, 6);
	c->white_mA = sqrt(fmax(total * total - c->slow_mA * c->slow_mA, 1));
	c->reversed = sim_chance(r, 0.12);

	/* Zeroed by its own wheel before it hangs, more or less; if nobody reads the zero, nobody turned that wheel with care. */
	double drift = gsl_ran_gaussian(r, 10), most = c->drift_most_mA > 0 ? c->drift_most_mA : 25;

	if (c->zeros == SIM_ZEROS_ANY) {
		double kind = gsl_rng_uniform(r);

		c->zeros = kind < 0.55 ? SIM_ZEROS_BOTH : kind < 0.85 ? SIM_ZEROS_BEFORE : SIM_ZEROS_NONE;
	}
	c->zero_mA = within(gsl_ran_gaussian(r, 48), 140);
	c->zero_drift_mA = within(drift, most);
	c->zero_bend_mA = within(c->zero_drift_mA * sim_uniform(r, -0.15, 0.15), 2.5);

	c->outliers = sim_chance(r, 0.5) ? sim_log_uniform(r, 1e-5, 1e-3) : 0;
	c->misses = sim_chance(r, 0.3) ? sim_log_uniform(r, 1e-5, 2e-3) : 0;
}

/* Most loggers are started and stopped in one visit with the recorder; some by another visit, some minutes before or after.
 * The lot is drawn from what is there, so that the nights without one are what they were. */
static void stray(struct sim_clamp *c)
{
	double lot = fmod(fabs(c->drift_ppm) * 1e3, 1), far = fmod(fabs(c->drift_ppm) * 1e6, 1);

	if (lot < 0.25)
		c->start -= (int64_t)(far * 1200 * LULL_SEC);
	if (lot > 0.15 && lot < 0.4)
		c->stop -= (int64_t)((1 - far) * 780 * LULL_SEC);
}

static void set_clock(struct sim_world *w)
{
	static const double rates[] = { 0.2, 0.5, 0.5, 1, 1, 1, 2, 2, 5, 10, 20, 50 };
	struct sim_clamp *c = &w->clamp;
	gsl_rng *r = c->rng;
	double rate = rates[sim_pick(r, sizeof rates / sizeof *rates)];
	int64_t parked = w->key_off == LULL_NEVER ? 0 : w->key_off;

	c->step = (int64_t)llround(1e9 / rate);
	c->drift_ppm = sim_uniform(r, -50, 50);
	c->start = sim_chance(r, 0.4) ? -sim_log_ns(r, 1, 60) : sim_log_ns(r, 0.5, 20);
	if (c->start > parked - 10 * LULL_SEC)
		c->start = parked / 3;
	c->stop = w->end + sim_ns(r, -40, 40);
	stray(c);
	if (c->late) {
		c->start = w->slept + sim_log_ns(r, 60, 1200);
		c->stop = w->end - sim_ns(r, 60, 800);
	}
	c->slow_keeps = exp(-1e-9 * (double)c->step / sim_log_uniform(r, 0.3, 10));
	if (rate >= 5 && sim_chance(r, 0.35)) {
		c->ripple_mA = sim_uniform(r, 1, 8);
		c->ripple_hz = (sim_chance(r, 0.5) ? 50 : 60) + gsl_ran_gaussian(r, 0.02);
		c->ripple_phase = sim_uniform(r, 0, 2 * M_PI);
	}
	for (unsigned i = 0, n = sim_chance(r, 0.3) ? 1 + sim_pick(r, 3) : 0; i < n; i++) {
		c->gap_at[c->gaps] = c->start + (int64_t)((double)(c->stop - c->start) * gsl_rng_uniform(r));
		c->gap_to[c->gaps] = c->gap_at[c->gaps] + sim_log_ns(r, 3, 300);
		c->gaps++;
	}
	c->next = c->start;
}

/* 7 s on, 3 s off, 5 s on; the hand that switches sets the mark. */
static int switch_load(struct sim_world *w, int64_t t, double mA)
{
	char text[48];
	int64_t mark = t + sim_ns(w->clamp.rng, -0.4, 0.4);
	int error;

	for (unsigned i = 0; i < 2; i++)
		sim_draw(w, t + load_on_ns[i], t + load_off_ns[i], mA);
	snprintf(text, sizeof text, "test load %.0f mA", mA);
	error = sim_mark(w, mark, LULL_MARK_TEST_LOAD, text);
	for (size_t i = 0; !error && i < w->night->marks.n; i++) {
		if (w->night->marks.at[i].kind == LULL_MARK_TEST_LOAD)
			w->night->marks.at[i].value = mA;
	}
	w->night->truth.clamp.loads++;
	return error;
}

static bool people_return(const struct sim_world *w)
{
	for (unsigned i = 0; i < w->acts; i++) {
		if (w->act[i].kind == SIM_ACT_KEY_ON && w->act[i].t > w->key_off)
			return true;
	}
	for (size_t i = 0; i < w->night->marks.n; i++) {
		if (w->night->marks.at[i].kind == LULL_MARK_MORNING)
			return true;
	}
	return false;
}

static int use_known_load(struct sim_world *w)
{
	struct sim_clamp *c = &w->clamp;
	double mA = round(sim_log_uniform(c->rng, 20, 200)) * 10;
	bool used = sim_chance(c->rng, 0.3) || c->loads, twice = sim_chance(c->rng, 0.5) || c->loads;
	int64_t first = sim_ns(c->rng, 4, 25), last = sim_ns(c->rng, 45, 100);
	int error;

	if (!used || c->late || w->key_off == LULL_NEVER || w->key_off + first + 60 * LULL_SEC > w->end)
		return 0;
	error = switch_load(w, w->key_off + first, mA);
	if (error || !twice || c->lost || people_return(w) || w->end - last - 600 * LULL_SEC < w->settle)
		return error;
	c->stop = w->end; /* whoever switches it stops the log then */
	error = sim_mark(w, w->end - last - 20 * LULL_SEC, LULL_MARK_MORNING, "morning");
	return error ? error : switch_load(w, w->end - last, mA);
}

/* What the user hands over. */
static void tell(struct sim_world *w)
{
	struct sim_clamp *c = &w->clamp;
	struct lull_clamp *told = &w->night->clamp;
	gsl_rng *r = c->rng;
	double offset_s = 0, kind = gsl_rng_uniform(r);

	*told = (struct lull_clamp){ .present = true, .mV_per_A = c->mV_per_A, .zero_before_mA = NAN, .zero_after_mA = NAN,
		.logger_mA = NAN, .range_A = c->lost || sim_chance(r, 0.8) ? c->range_A : NAN };
	w->night->resolution_mV = c->resolution_mV;
	if (c->told_wrong > 0)
		told->mV_per_A *= c->told_wrong;
	if (c->logger_mA > 0)
		told->logger_mA = c->logger_mA;
	if (c->zeros != SIM_ZEROS_NONE && !c->zero_marks)
		told->zero_before_mA = c->zero_mA + gsl_ran_gaussian(r, 0.4);
	if (c->zeros == SIM_ZEROS_BOTH && !c->lost && !c->zero_marks)
		told->zero_after_mA = c->zero_mA + c->zero_drift_mA + gsl_ran_gaussian(r, 0.4);
	if (kind < 0.4)
		offset_s = sim_uniform(r, -30, 30);
	else if (kind < 0.7) /* the wrong hour */
		offset_s = 3600.0 * ((int)sim_pick(r, 5) - 2) + sim_uniform(r, -90, 90);
	else
		offset_s = sim_uniform(r, -6 * 3600.0, 6 * 3600.0);
	told->dated = sim_chance(r, 0.5);
	if (told->dated)
		told->start_utc_ns = w->night->start_utc_ns + c->start + (int64_t)(1e9 * offset_s);
	else
		told->first_s = sim_chance(r, 0.7) ? 0 : floor(sim_uniform(r, 0, 86400));
}

/* Off the cable for a while before the key is turned off, and once more at the end. */
static int zero_in_log(struct sim_world *w)
{
	struct sim_clamp *c = &w->clamp;
	int error = 0;

	for (unsigned i = 0; c->zero_marks && i < 2 && !error; i++) {
		int64_t lasts = sim_ns(c->rng, 12, 40) + 6 * c->step, at = i ? w->end - lasts - 90 * LULL_SEC : w->key_off - lasts - 2 * LULL_SEC;

		if (at < c->start + 2 * LULL_SEC)
			at = c->start + 2 * LULL_SEC;
		c->off_at[i] = at;
		c->off_to[i] = at + lasts;
		if (i)
			error = sim_mark(w, at - 4 * LULL_SEC, LULL_MARK_MORNING, "morning");
		if (!error)
			error = sim_mark(w, at + lasts / 2, LULL_MARK_CLAMP_ZERO, "clamp zero");
	}
	return error;
}

int sim_clamp_make(struct sim_world *w)
{
	struct sim_clamp *c = &w->clamp;
	struct lull_truth_clamp *truth = &w->night->truth.clamp;
	int error;

	w->night->truth.limit_mA = w->limit_mA;
	if (!c->wanted)
		return 0;
	sim_current_make(w);
	hang(w);
	set_clock(w);
	error = use_known_load(w);
	if (!error)
		error = zero_in_log(w);
	sim_current_turns(w);
	tell(w);
	c->bus_before_mA = c->level_mA = NAN;
	truth->present = true;
	truth->start_s = 1e-9 * (double)c->start;
	truth->drift_ppm = c->drift_ppm;
	truth->step_s = 1e-9 * (double)c->step;
	truth->from_s = truth->start_s;
	truth->quiet_mA = sim_current_quiet(w);
	truth->scale_wrong = c->told_wrong > 0;
	truth->gain = c->gain > 0 ? c->gain : 1;
	truth->zero_mA = c->zero_mA + c->zero_drift_mA / 2 + c->zero_bend_mA;
	truth->zero_drift_mA = c->zero_drift_mA;
	truth->reversed = c->reversed;
	truth->alias = c->late;
	truth->lost_at_s = c->lost ? 1e-9 * (double)c->lost_at : NAN;
	truth->lost_why = c->lost_why;
	truth->to_s = 1e-9 * (double)(c->lost ? c->lost_at : c->stop);
	truth->first_rise_s = truth->last_rise_s = truth->first_step_s = truth->last_step_s = NAN;
	return error;
}

/* Can the zero tell that this draw is on its side of the limit? Bands of common practice: 100 mA without a zero, 20 mA of
 * drift after a single one. */
static bool shows(const struct sim_world *w, double mA)
{
	double apart = fabs(mA - w->limit_mA);

	/* a small draw may not be seen to go when the clamp is taken off */
	if (w->clamp.coarse || w->clamp.zero_marks)
		return apart > 110;

	switch (w->clamp.zeros) {
	case SIM_ZEROS_BOTH:
		return apart > (w->clamp.lost ? 45 : 8);
	case SIM_ZEROS_BEFORE:
		return apart > 45;
	case SIM_ZEROS_NONE:
	case SIM_ZEROS_ANY:
		return apart > 230;
	}
	return false;
}

void sim_clamp_truth(struct sim_world *w)
{
	struct lull_truth *truth = &w->night->truth;
	const struct sim_clamp *c = &w->clamp;
	double night_s = 1e-9 * (double)(w->end - w->settle);
	bool alone = truth->finding_count == 1;

	if (!c->wanted)
		return;
	for (size_t i = 0; i < truth->finding_count; i++) {
		struct lull_truth_finding *f = &truth->finding[i];

		switch (f->code) {
		case LULL_DRAW_NOT_MEASURED:
			/* With a log the draw is measured, unless there is a reason to say so. */
			if (f->decidable || w->adapter.closed) {
				truth->may[LULL_WITHIN_LIMIT] |= w->adapter.closed && truth->clamp.quiet_mA < w->limit_mA;
				break;
			}
			f->code = LULL_WITHIN_LIMIT;
			f->decidable = shows(w, truth->clamp.quiet_mA);
			break;
		case LULL_WITHIN_LIMIT:
			f->decidable = f->decidable && shows(w, truth->clamp.quiet_mA);
			break;
		case LULL_DRAW_WHILE_QUIET:
			f->decidable = shows(w, truth->clamp.quiet_mA);
			f->cost_mAh_per_day = (truth->clamp.quiet_mA - w->limit_mA) * 24;
			break;
		case LULL_HELD_AWAKE:
			if (alone)
				/* of a day parked: what else ran on after the key is none of it */
				f->cost_mAh_per_day = sim_charge(w, w->settle + (w->end - w->settle) / 3, w->end) / night_s * 36;
			break;
		case LULL_LATE_TO_SLEEP:
			if (alone)
				f->cost_mAh_per_day = 3 * sim_charge(w, w->settle + (int64_t)(1e9 * w->limit_s), w->end) / 3600;
			break;
		case LULL_WOKEN_AGAIN:
		case LULL_WOKEN_FROM_OUTSIDE:
			if (alone)
				f->cost_mAh_per_day = sim_charge(w, w->slept, w->end) / night_s * 24;
			break;
		case LULL_TOO_EARLY:
		case LULL_PULSES_WHILE_QUIET:
		case LULL_BUS_NOT_VISIBLE:
		case LULL_BLIND:
		case LULL_CLAMP_LOST:
		case LULL_CODE_COUNT:
			break;
		}
	}
}
