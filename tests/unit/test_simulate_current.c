/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Invented nights with a clamp: what the log shows agrees with the truth that is told. */
#include <math.h>
#include <setjmp.h>
#include <source/simulate.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

struct wake {
	double at_s;
};
struct logged {
	struct lull_sim_night night;
	double *s, *mV; /* recording time by the truth; as written */
	size_t n, room;
	double last_frame_s;
	struct wake wake[4096];
	size_t wakes;
	uint64_t frames, hash;
};

static int take_frame(void *ctx, const struct lull_frame *f)
{
	struct logged *l = ctx;
	double s = 1e-9 * (double)(f->t - l->night.start_utc_ns);

	l->frames++;
	l->hash = (l->hash ^ (uint64_t)f->t ^ f->id) * 0x100000001b3u;
	if (s - l->last_frame_s > 12 && l->wakes < 4096)
		l->wake[l->wakes++].at_s = s;
	l->last_frame_s = s;
	return 0;
}

static int take_sample(void *ctx, const struct lull_sim_sample *sample)
{
	struct logged *l = ctx;
	const struct lull_truth_clamp *t = &l->night.truth.clamp;

	if (l->n == l->room) {
		l->room = l->room ? 2 * l->room : 4096;
		l->s = reallocarray(l->s, l->room, sizeof *l->s);
		l->mV = reallocarray(l->mV, l->room, sizeof *l->mV);
		assert_true(l->s && l->mV);
	}
	l->s[l->n] = t->start_s + (sample->clamp_s - l->night.clamp.first_s) * (1 + 1e-6 * t->drift_ppm);
	l->mV[l->n++] = sample->mV;
	return 0;
}

static struct logged *run(const char *scenario, uint64_t seed, bool current)
{
	struct logged *l = calloc(1, sizeof *l);
	struct lull_sim_options options = { .scenario = scenario, .seed = seed };
	struct lull_sim_sink sink = { .ctx = l, .frame = take_frame, .current = current ? take_sample : NULL };

	assert_non_null(l);
	l->last_frame_s = -1e9;
	assert_int_equal(lull_sim_run(&options, &sink, &l->night), 0);
	return l;
}

static void done(struct logged *l)
{
	lull_sim_clear(&l->night);
	free(l->s);
	free(l->mV);
	free(l);
}

/* The car's current at sample i, the zero at that time taken off (its bend apart, which is under 3 mA). */
static double true_mA(const struct logged *l, size_t i)
{
	const struct lull_truth_clamp *t = &l->night.truth.clamp;
	double share = (l->s[i] - l->s[0]) / (l->s[l->n - 1] - l->s[0]) - 0.5;
	double mA = l->mV[i] / l->night.clamp.mV_per_A * 1e3 - t->zero_mA - share * t->zero_drift_mA;

	return t->reversed ? -mA : mA;
}

static double mean_mA(const struct logged *l, double from, double to, size_t *samples)
{
	double sum = 0;
	size_t n = 0;

	for (size_t i = 0; i < l->n; i++) {
		double mA = true_mA(l, i);

		if (l->s[i] < from || l->s[i] >= to)
			continue;
		sum += mA;
		n++;
	}
	if (samples)
		*samples = n;
	return n ? sum / (double)n : NAN;
}

static bool finds(const struct logged *l, enum lull_code code)
{
	for (size_t i = 0; i < l->night.truth.finding_count; i++) {
		if (l->night.truth.finding[i].code == code)
			return true;
	}
	return false;
}

/* What every log must be, in every scenario. */
static void log_is_well_made(void **state)
{
	size_t count;
	const struct lull_sim_scenario *s = lull_sim_scenarios(&count);
	double samples = 0;

	(void)state;
	for (size_t k = 0; k < count; k++) {
		struct logged *l = run(s[k].name, 3, true);
		const struct lull_truth_clamp *t = &l->night.truth.clamp;
		const struct lull_clamp *told = &l->night.clamp;

		assert_true(t->present && told->present && l->n > 20);
		assert_true(fabs(t->drift_ppm) <= 50);
		assert_true(told->mV_per_A == 10 || told->mV_per_A == 100);
		assert_true(t->step_s >= 0.02 && t->step_s <= 5);
		for (size_t i = 0; i < l->n; i++) {
			double digits = l->mV[i] / l->night.resolution_mV;

			assert_true(fabs(digits - round(digits)) < 1e-3);
			assert_true(t->scale_wrong || fabs(l->mV[i]) <= (told->mV_per_A == 10 ? 600 : 1000));
			assert_true(i == 0 || l->s[i] > l->s[i - 1]);
		}
		assert_true(isfinite(told->zero_before_mA) || !isfinite(told->zero_after_mA));
		for (size_t i = 0; i < l->night.truth.finding_count; i++)
			assert_true(l->night.truth.finding[i].code != LULL_DRAW_NOT_MEASURED || strcmp(s[k].name, "near-limit") == 0 ||
				strcmp(s[k].name, "port-closed") == 0);
		for (size_t i = 0; i < l->night.truth.node_count; i++)
			assert_true(l->night.truth.nodes[i].awake_mA > l->night.truth.nodes[i].silent_mA);
		samples += (double)l->n;
		done(l);
	}
	assert_true(samples / (double)count < 2e6);
}

static void frames_are_the_same(void **state)
{
	static const char *const some[] = { "draws-quiet", "clamp-lost", "free-running-alias", "bus-invisible", "morning" };

	(void)state;
	for (size_t i = 0; i < sizeof some / sizeof *some; i++) {
		struct logged *with = run(some[i], 5, true), *without = run(some[i], 5, false);

		assert_int_equal(with->frames, without->frames);
		assert_true(with->hash == without->hash);
		assert_false(without->night.clamp.present);
		assert_true(with->n > 100 && without->n == 0);
		done(with);
		done(without);
	}
}

static void quiet_level_is_there(void **state)
{
	static const struct {
		const char *scenario;
		enum lull_code code;
	} table[] = { { "within-limit", LULL_WITHIN_LIMIT }, { "near-limit", LULL_DRAW_NOT_MEASURED },
		{ "draws-quiet", LULL_DRAW_WHILE_QUIET }, { "relay-drops", LULL_WITHIN_LIMIT }, { "wakes-nm", LULL_WOKEN_AGAIN } };

	(void)state;
	for (size_t k = 0; k < sizeof table / sizeof *table; k++) {
		for (uint64_t seed = 1; seed <= 4; seed++) {
			struct logged *l = run(table[k].scenario, seed, true);
			const struct lull_truth_clamp *t = &l->night.truth.clamp;
			double last_wake = l->wakes ? l->wake[l->wakes - 1].at_s : 0, end = t->to_s - 130;
			/* hours after the key, away from wakes */
			double from = fmax(fmax(l->night.truth.key_off_s + 2750, last_wake + 300), end - 3600);

			assert_true(finds(l, table[k].code));
			if (from + 300 < end) {
				double error = mean_mA(l, from, end, NULL) - t->quiet_mA;

				if (fabs(error) > 4.5)
					fail_msg("%s %u: off by %.1f mA", table[k].scenario, (unsigned)seed, error);
			}
			if (table[k].code == LULL_DRAW_WHILE_QUIET)
				assert_true(t->quiet_mA > l->night.truth.limit_mA && t->quiet_mA <= 901);
			else if (table[k].code == LULL_DRAW_NOT_MEASURED)
				assert_true(fabs(t->quiet_mA - l->night.truth.limit_mA) <= 1.001);
			else
				assert_true(t->quiet_mA < 0.7 * l->night.truth.limit_mA);
			done(l);
		}
	}
}

/* A waker's own current rises before its first frame, by a second and a quarter of booting at the most. */
static void current_leads_the_bus(void **state)
{
	unsigned seen = 0;

	(void)state;
	for (uint64_t seed = 1; seed <= 20; seed++) {
		struct logged *l = run("wakes-one-node", seed, true);
		const struct lull_truth_clamp *t = &l->night.truth.clamp;

		for (size_t i = 0; i < l->wakes && t->step_s <= 0.1; i++) {
			double at = l->wake[i].at_s;
			size_t n, m;

			if (at < l->night.truth.first_quiet_s + 60 || at > t->to_s - 60 || at < l->night.truth.key_off_s + 1900)
				continue;

			double before = mean_mA(l, at - 8, at - 2, &n), after = mean_mA(l, at + 0.1, at + 1.6, &m);

			if (n < 10 || m < 5)
				continue;
			assert_true(after > before + 15);
			seen++;
		}
		done(l);
	}
	assert_true(seen > 10);
}

static void known_load_is_switched(void **state)
{
	unsigned seen = 0, twice = 0;

	(void)state;
	for (uint64_t seed = 1; seed <= 30; seed++) {
		struct logged *l = run("within-limit", seed, true);
		unsigned marks = 0;

		for (size_t i = 0; i < l->night.marks.n; i++) {
			const struct lull_mark *m = &l->night.marks.at[i];
			double t = 1e-9 * (double)m->t, mA = m->value;
			char text[48];
			size_t on, off;

			if (m->kind != LULL_MARK_TEST_LOAD)
				continue;
			marks++;
			(void)snprintf(text, sizeof text, "test load %.0f mA", mA);
			assert_string_equal(m->text, text);
			assert_true(mA >= 200 && mA <= 2000);
			if (l->night.truth.clamp.step_s > 0.5 || t < l->night.truth.first_quiet_s)
				continue;
			/* 7 s on, 3 s off, 5 s on */
			double up = mean_mA(l, t + 1, t + 6, &on), down = mean_mA(l, t + 7.8, t + 9.2, &off);

			if (on < 5 || off < 2)
				continue;
			assert_true(fabs(up - down - mA) < 25);
			assert_true(fabs(mean_mA(l, t + 11, t + 14, NULL) - down - mA) < 25);
			seen++;
		}
		assert_int_equal(marks, l->night.truth.clamp.loads);
		twice += marks == 2;
		done(l);
	}
	assert_true(seen >= 1 && twice >= 1);
}

static void lost_logs_are_lost(void **state)
{
	bool seen[LULL_DEAD_DROPPED + 1] = { false };

	(void)state;
	for (uint64_t seed = 1; seed <= 24; seed++) {
		struct logged *l = run("clamp-lost", seed, true);
		const struct lull_truth_clamp *t = &l->night.truth.clamp;
		size_t first = 0, same = 0;

		assert_true(finds(l, LULL_CLAMP_LOST) && isfinite(t->lost_at_s));
		seen[(int)t->lost_why] = true;
		while (first < l->n && l->s[first] < t->lost_at_s)
			first++;
		assert_true(first > 0);
		if (t->lost_why == LULL_DEAD_ENDED)
			assert_int_equal(first, l->n);
		for (size_t i = first + 1; i < l->n; i++)
			same += fabs(l->mV[i] - l->mV[i - 1]) < 0.1 * l->night.resolution_mV;
		if (first < l->n)
			assert_true((double)same > 0.99 * (double)(l->n - first - 1));
		if (t->lost_why == LULL_DEAD_SATURATED)
			assert_true(fabs(l->mV[l->n - 1]) > 0.999 * l->night.clamp.mV_per_A * l->night.clamp.range_A);
		done(l);
	}
	assert_true(seen[LULL_DEAD_ENDED] && seen[LULL_DEAD_FLAT] && seen[LULL_DEAD_FROZEN] && seen[LULL_DEAD_SATURATED]);
}

static void clocks_and_zeros_of_every_kind(void **state)
{
	int dated = 0, hours_off = 0, both = 0, before = 0, none = 0, reversed = 0, wide = 0;

	(void)state;
	for (uint64_t seed = 1; seed <= 40; seed++) {
		struct lull_sim_options options = { .scenario = "charger", .seed = seed, .hours = 0.5 };
		struct logged *l = calloc(1, sizeof *l);
		struct lull_sim_sink sink = { .ctx = l, .frame = take_frame, .current = take_sample };

		assert_non_null(l);
		assert_int_equal(lull_sim_run(&options, &sink, &l->night), 0);

		const struct lull_clamp *c = &l->night.clamp;
		double told_s = 1e-9 * (double)(c->start_utc_ns - l->night.start_utc_ns) - l->night.truth.clamp.start_s;

		dated += c->dated;
		if (c->dated) {
			assert_true(fabs(told_s) <= 6.1 * 3600);
			hours_off += fabs(told_s) > 1800;
		}
		both += isfinite(c->zero_after_mA);
		before += isfinite(c->zero_before_mA) && !isfinite(c->zero_after_mA);
		none += !isfinite(c->zero_before_mA);
		reversed += l->night.truth.clamp.reversed;
		wide += c->mV_per_A == 10;
		done(l);
	}
	assert_true(dated > 8 && dated < 32 && hours_off > 2);
	assert_true(both > 8 && before > 3 && none > 1);
	assert_true(reversed > 0 && reversed < 20);
	assert_true(wide > 8 && wide < 32);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(log_is_well_made),
		cmocka_unit_test(frames_are_the_same),
		cmocka_unit_test(quiet_level_is_there),
		cmocka_unit_test(current_leads_the_bus),
		cmocka_unit_test(known_load_is_switched),
		cmocka_unit_test(lost_logs_are_lost),
		cmocka_unit_test(clocks_and_zeros_of_every_kind),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
