/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pairs: two nights of one car, before and after somebody repaired it, or did not, or another node does the same since. A
 * comparison must say "worked" where the cause is gone, and nowhere else; a good night taken away must leave the cause and may
 * take what this car always does. */
#include "nights.h"

#include <lull/baseline.h>
#include <lull/compare.h>

#include <stdio.h>
#include <string.h>

struct one {
	struct lull_sim_night sim;
	struct lull_night night;
	struct lull_profile profile;
	struct lull_verdict verdict;
	bool judged, parsed;
};

static const char *const kind_names[PAIR_KINDS] = { "repaired", "as before", "another" };
static const enum lull_sim_after afters[PAIR_KINDS] = { LULL_SIM_REPAIRED, LULL_SIM_AS_BEFORE, LULL_SIM_ANOTHER };

static int make(const char *scenario, uint64_t seed, enum lull_sim_after after, bool clamp, struct one *one)
{
	struct lull_sim_options options = { .scenario = scenario, .seed = seed, .with_profile_nodes = seed & 1, .after = after };
	struct sized size;
	char err[256] = "";

	memset(one, 0, sizeof *one);
	lull_night_init(&one->night);
	int status = nights_make(&options, clamp, &one->sim, &one->night, &size);
	if (!status)
		status = lull_profile_parse_text("profile", one->sim.profile, strlen(one->sim.profile), &one->profile, err, sizeof err);
	one->parsed = !status;
	if (!status) {
		struct lull_question ask = lull_question_default();
		ask.profile = &one->profile;
		status = lull_judge(&one->night, &ask, &one->verdict);
		one->judged = !status;
	}
	return status;
}

static void clear(struct one *one)
{
	if (one->judged)
		lull_verdict_clear(&one->verdict);
	if (one->parsed)
		lull_profile_clear(&one->profile);
	lull_night_clear(&one->night);
	lull_sim_clear(&one->sim);
}

static bool has_code(const struct lull_verdict *v, enum lull_code code)
{
	for (size_t i = 0; i < v->findings.n; i++)
		if (v->findings.at[i].code == code)
			return true;
	return false;
}

static bool accuses(const struct lull_verdict *v)
{
	for (size_t i = 0; i < v->findings.n; i++)
		if (v->findings.at[i].named >= 0)
			return true;
	return false;
}

static void show(const struct one *before, const struct one *after, const char *kind, const struct lull_comparison *c)
{
	printf("  %s seed %llu, %s: %s\n", before->sim.truth.scenario, (unsigned long long)before->sim.truth.seed, kind, lull_outcome_name(c->outcome));
	for (size_t i = 0; i < c->measures.n; i++) {
		const struct lull_compared *m = &c->measures.at[i];
		printf("    %s %.1f -> %.1f %s %s\n", lull_measure_name(m->what), m->before.value, m->after.value, lull_difference_name(m->difference), m->noise);
	}
	for (size_t i = 0; i < c->findings.n; i++) {
		const struct lull_fate_of *f = &c->findings.at[i];
		printf("    %s -> %s: %s, %s\n", f->before ? lull_code_name(f->before->code) : "-", f->after ? lull_code_name(f->after->code) : "-",
			lull_fate_name(f->fate), f->why);
	}
	for (size_t i = 0; i < after->verdict.findings.n; i++)
		printf("    after: %s\n", after->verdict.findings.at[i].text);
}

/* The later night has wakes as often and as long: what this car always does. */
static bool same_habit(const struct one *night, const struct one *good)
{
	const struct one *both[2] = { night, good };
	double rate[2], length[2] = { 0 };
	for (int i = 0; i < 2; i++) {
		const struct lull_verdict *v = &both[i]->verdict;
		size_t n = 0;
		for (size_t k = 0; k < v->spells.n; k++)
			if (v->spells.at[k].kind == LULL_SPELL_WAKE && !v->spells.at[k].lone) {
				n++;
				length[i] += lull_seconds(v->spells.at[k].to - v->spells.at[k].from);
			}
		rate[i] = (double)n / lull_seconds(v->judged_to - v->settle_from);
		length[i] /= n ? (double)n : 1;
	}
	return rate[0] <= rate[1] && length[0] <= length[1];
}

/* What lull_baseline() makes of a copy of the verdict: the night is judged again, since it changes what it is given. */
static bool after_baseline(const struct one *night, const struct one *good, enum lull_code code, bool *still)
{
	struct lull_question ask = lull_question_default();
	struct lull_verdict v;
	ask.profile = &night->profile;
	if (lull_judge(&night->night, &ask, &v))
		return false;
	bool had = has_code(&v, code);
	if (lull_baseline(&night->night, &v, &night->profile, &good->night, &good->verdict))
		return false;
	*still = has_code(&v, code);
	lull_verdict_clear(&v);
	return had;
}

void pair_nights(const char *scenario, uint64_t seed, bool clamp, struct pair_score *score)
{
	struct one before, after;
	if (!lull_sim_has_after(scenario))
		return;
	if (make(scenario, seed, LULL_SIM_FIRST, clamp, &before)) {
		score->broken++;
		clear(&before);
		return;
	}
	enum lull_code code = before.sim.truth.finding[0].code;
	for (int kind = 0; kind < PAIR_KINDS; kind++) {
		struct lull_comparison c;
		bool still;
		if (make(scenario, seed, afters[kind], clamp, &after) ||
			lull_compare(&before.night, &before.verdict, &after.night, &after.verdict, &c)) {
			score->broken++;
			clear(&after);
			continue;
		}
		bool found = has_code(&before.verdict, code);
		if (found) {
			score->n[kind]++;
			score->outcome[kind][c.outcome]++;
			bool odd = kind == PAIR_REPAIRED ? c.outcome != LULL_WORKED : c.outcome == LULL_WORKED;
			if (verbose && odd)
				show(&before, &after, kind_names[kind], &c);
		}
		if (kind == PAIR_REPAIRED) {
			score->innocent.n++;
			score->innocent.hit += !accuses(&after.verdict);
			if (after_baseline(&before, &after, code, &still)) {
				score->kept.n++;
				score->kept.hit += still;
				if (verbose && !still)
					printf("  %s seed %llu: a good night took the cause away\n", scenario, (unsigned long long)seed);
			}
		}
		if (kind == PAIR_AS_BEFORE && code == LULL_WOKEN_AGAIN && same_habit(&before, &after) && after_baseline(&before, &after, code, &still)) {
			score->taken.n++;
			score->taken.hit += !still;
			if (verbose && still)
				printf("  %s seed %llu: a habit was not taken away\n", scenario, (unsigned long long)seed);
		}
		lull_comparison_clear(&c);
		clear(&after);
	}
	clear(&before);
}

static void add(struct pair_score *to, const struct pair_score *s)
{
	for (int kind = 0; kind < PAIR_KINDS; kind++) {
		to->n[kind] += s->n[kind];
		for (int k = 0; k < 5; k++)
			to->outcome[kind][k] += s->outcome[kind][k];
	}
	to->broken += s->broken;
	to->kept.n += s->kept.n;
	to->kept.hit += s->kept.hit;
	to->taken.n += s->taken.n;
	to->taken.hit += s->taken.hit;
	to->innocent.n += s->innocent.n;
	to->innocent.hit += s->innocent.hit;
}

static void print_row(const char *name, const struct pair_score *s)
{
	printf("%-18s", name);
	for (int kind = 0; kind < PAIR_KINDS; kind++)
		printf("  %4u/%-4u", s->outcome[kind][LULL_WORKED], s->n[kind]);
	printf("  %4u/%-4u  %4u/%-4u %4u/%-4u\n", s->kept.hit, s->kept.n, s->taken.hit, s->taken.n, s->innocent.hit, s->innocent.n);
}

bool pair_report(const struct pair_table *tables, unsigned long jobs, bool died)
{
	size_t count;
	const struct lull_sim_scenario *scenarios = lull_sim_scenarios(&count);
	struct pair_score all = { 0 };

	printf("%-18s  %-9s  %-9s  %-9s  %-9s  %-9s %s\n", "\"worked\" where", "repaired", "as before", "another", "kept", "taken", "innocent");
	for (size_t i = 0; i < count; i++) {
		struct pair_score s = { 0 };
		for (unsigned long job = 0; job < jobs; job++)
			add(&s, &tables[job].of[i]);
		if (!s.n[PAIR_REPAIRED] && !s.broken)
			continue;
		print_row(scenarios[i].name, &s);
		add(&all, &s);
	}
	print_row("all", &all);
	for (int kind = 0; kind < PAIR_KINDS; kind++) {
		printf("%s:", kind_names[kind]);
		for (int k = 0; k < 5; k++)
			printf(" %s %u", lull_outcome_name((enum lull_outcome)k), all.outcome[kind][k]);
		printf("\n");
	}

	unsigned wrong = all.outcome[PAIR_AS_BEFORE][LULL_WORKED] + all.outcome[PAIR_ANOTHER][LULL_WORKED];
	unsigned of = all.n[PAIR_AS_BEFORE] + all.n[PAIR_ANOTHER], right = all.outcome[PAIR_REPAIRED][LULL_WORKED];
	bool enough = !died && !all.broken && of && right * 100 >= all.n[PAIR_REPAIRED] * 90 && wrong * 100 <= of &&
		all.kept.hit * 100 >= all.kept.n * 99 && all.taken.hit * 100 >= all.taken.n * 80;
	printf("\nworked where repaired in %.1f %% (at least 90), elsewhere in %.1f %% (at most 1); a good night leaves the cause in %.1f %% "
	       "(at least 99) and takes a habit in %.1f %% (at least 80)%s\n",
		100.0 * right / (all.n[PAIR_REPAIRED] ? all.n[PAIR_REPAIRED] : 1), 100.0 * wrong / (of ? of : 1),
		100.0 * all.kept.hit / (all.kept.n ? all.kept.n : 1), 100.0 * all.taken.hit / (all.taken.n ? all.taken.n : 1), died ? "; a job died" : "");
	printf("%u passed, %u failed\n", enough, !enough);
	return enough;
}
