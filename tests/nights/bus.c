/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bus: nights without a clamp, judged in process and scored.
 *
 * A night counts as right in its finding when the set of codes is exactly the truth's; a wrong name is any named
 * suspect of 0.5 or more that is not the truth's. Half of the nights come with a node map, half without. */
#include "nights.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const struct lull_truth_pull *true_pull(const struct lull_truth *truth, lull_time mark)
{
	for (size_t i = 0; i < truth->pull_count; i++)
		if (fabs(truth->pulls[i].at_s - lull_seconds(mark)) < 20)
			return &truth->pulls[i];
	return NULL;
}

static void score_pulls(const struct lull_truth *truth, const struct lull_verdict *v, struct bus_table *table)
{
	for (size_t i = 0; i < v->pulls.n; i++) {
		const struct lull_pull *p = &v->pulls.at[i];
		const struct lull_truth_pull *t = true_pull(truth, p->at);
		bool told = p->standing != LULL_SEEN, truly = t && t->ends_it;

		table->tests += truly;
		table->tests_told += truly && told;
		table->tests_wrong += told && !truly;
		if (verbose && told != truly)
			printf("  %s seed %llu: test of %s at %.0f s %s: %s\n", truth->scenario, (unsigned long long)truth->seed, p->name,
				lull_seconds(p->at), told ? "told to end it, wrongly" : "ended it, not told", p->why ? p->why : "goes on");
	}
}

/* IDs that a node map would get from these tests. */
static void score_learned(const struct lull_truth *truth, const struct lull_verdict *v, struct bus_table *table)
{
	struct lull_learned *learned;
	size_t n;
	if (!truth->pull_count || lull_learn(v, &learned, &n))
		return;
	for (size_t i = 0; i < n; i++) {
		if (learned[i].circuit)
			continue;
		for (size_t k = 0; k < learned[i].id_count; k++) {
			bool right = node_sends(true_node(truth, learned[i].name), learned[i].ids[k]);
			table->learned++;
			table->learned_right += right;
			if (verbose && !right)
				printf("  %s seed %llu: 0x%X learned for %s\n", truth->scenario, (unsigned long long)truth->seed, learned[i].ids[k], learned[i].name);
		}
		table->to_learn += (unsigned)(learned[i].id_count + learned[i].unclear_count);
	}
	lull_learned_free(learned, n);
}

static void score_night(const struct lull_truth *truth, const struct lull_verdict *v, bool named, struct bus_score *score, struct bus_table *table)
{
	bool right = codes_agree(truth, v), wrong = false, undecided = false, suspect = true, decidable = false, unlisted = false;

	for (size_t i = 0; i < v->findings.n; i++) {
		const struct lull_finding *f = &v->findings.at[i];
		if (f->named >= 0 && f->suspects.at[f->named].confidence >= 0.5 && !is_guilty(&f->suspects.at[f->named], truth, f->code))
			wrong = true;
		for (size_t k = 0; k < f->suspects.n; k++) {
			const struct lull_suspect *s = &f->suspects.at[k];
			/* without a clue: as unsure as can be by rule (one of what a circuit feeds), whatever came true */
			if ((s->role != LULL_KEEPER && s->role != LULL_WAKER) || s->clue == LULL_CLUE_NONE)
				continue;
			int bin = (int)(s->confidence * DECILES);
			bin = bin < 0 ? 0 : bin >= DECILES ? DECILES - 1 : bin;
			table->bin_n[bin]++;
			table->bin_sum[bin] += s->confidence;
			table->bin_hit[bin] += share_of_role(truth, f, k);
			/* two that each ended it are listed, not told */
			if ((int)k == f->named) {
				table->standing[s->standing].n++;
				table->standing[s->standing].hit += is_guilty(s, truth, f->code);
				table->standing[s->standing].sum += s->confidence;
			}
		}
	}
	for (size_t i = 0; i < truth->finding_count; i++) {
		const struct lull_truth_finding *t = &truth->finding[i];
		bool found = false, listed = false, someone = false;
		if (!t->node[0])
			continue;
		for (size_t k = 0; k < v->findings.n; k++) {
			const struct lull_finding *f = &v->findings.at[k];
			if (f->code != t->code)
				continue;
			if (f->named >= 0) {
				someone = true;
				found |= is_node(&f->suspects.at[f->named], true_node(truth, t->node)) || !strcmp(f->suspects.at[f->named].node, t->node);
			}
			for (size_t s = 0; s < f->suspects.n; s++)
				for (size_t id = 0; id < f->suspects.at[s].id_count; id++)
					listed |= node_sends(true_node(truth, t->node), f->suspects.at[s].ids[id]);
		}
		if (t->decidable) {
			decidable = true;
			suspect &= found;
			undecided |= !someone;
		} else {
			score->listable++;
			score->listed += listed;
			unlisted |= !listed;
			wrong |= someone; /* a single name where the evidence leaves several */
		}
	}
	score->nights++;
	score->right += right;
	score->wrong += wrong;
	score->decidable += decidable;
	score->suspect += decidable && suspect;
	score->undecided += decidable && undecided;
	if (verbose && (!right || wrong))
		describe(truth, v, !right ? "other findings" : "wrong name", named);
	else if (verbose && decidable && !suspect)
		describe(truth, v, "right node not named", named);
	else if (verbose && unlisted)
		describe(truth, v, "right node not listed", named);
}

void bus_night(const char *scenario, size_t index, uint64_t seed, struct bus_table *table)
{
	bool named = seed & 1;
	struct lull_sim_options options = { .scenario = scenario, .seed = seed, .with_profile_nodes = named };
	struct lull_sim_night sim = { 0 };
	struct lull_night night;
	struct lull_profile profile;
	struct lull_verdict verdict;
	char err[256] = "";
	struct bus_score *score = &table->of[index];
	struct sized size = { 0 };

	lull_night_init(&night);
	int status = nights_make(&options, false, &sim, &night, &size);
	score->frames += size.frames;
	if (!status)
		status = lull_profile_parse_text("profile", sim.profile, strlen(sim.profile), &profile, err, sizeof err);
	if (status) {
		printf("  %s seed %llu: %s %s\n", scenario, (unsigned long long)seed, strerror(-status), err);
		score->broken++;
	} else {
		struct lull_question ask = lull_question_default();
		ask.profile = &profile;
		status = lull_judge(&night, &ask, &verdict);
		if (status) {
			score->broken++;
		} else {
			score_night(&sim.truth, &verdict, named, score, table);
			score_pulls(&sim.truth, &verdict, table);
			score_learned(&sim.truth, &verdict, table);
			evidence_write(&sim.truth, &verdict, named);
			kin_score(&sim, &night, &verdict, &size, &table->kin);
			lull_verdict_clear(&verdict);
		}
		lull_profile_clear(&profile);
	}
	lull_night_clear(&night);
	lull_sim_clear(&sim);
}

static void add(struct bus_score *to, const struct bus_score *s)
{
	to->nights += s->nights;
	to->right += s->right;
	to->suspect += s->suspect;
	to->wrong += s->wrong;
	to->undecided += s->undecided;
	to->decidable += s->decidable;
	to->listed += s->listed;
	to->listable += s->listable;
	to->broken += s->broken;
	to->frames += s->frames;
}

static void print_row(const char *name, const struct bus_score *s)
{
	char suspect[16] = "-", undecided[16] = "-", listed[16] = "-";
	if (s->decidable) {
		snprintf(suspect, sizeof suspect, "%u/%u", s->suspect, s->decidable);
		snprintf(undecided, sizeof undecided, "%u", s->undecided);
	}
	if (s->listable)
		snprintf(listed, sizeof listed, "%u/%u", s->listed, s->listable);
	printf("%-20s %6u %6u %9s %6u %9s %8s %6u %8llu\n", name, s->nights, s->right, suspect, s->wrong, undecided, listed, s->broken,
		s->nights ? s->frames / s->nights : 0);
}

/* A standing must hold what is stated with it: the upper end of the interval of what came true may not lie below it. */
static bool report_standings(const struct bus_table *tables, unsigned long jobs)
{
	unsigned tests = 0, told = 0, wrong = 0, learned = 0, learned_right = 0, to_learn = 0;
	bool good = true;

	printf("\nstanding     named    stated   right   95 %% interval of the share\n");
	for (int k = LULL_SEEN; k <= LULL_CONFIRMED; k++) {
		struct standing_score s = { 0 };
		for (unsigned long job = 0; job < jobs; job++) {
			s.n += tables[job].standing[k].n;
			s.hit += tables[job].standing[k].hit;
			s.sum += tables[job].standing[k].sum;
		}
		if (!s.n)
			continue;
		bool held = wilson(s.hit, s.n, 1.96) >= s.sum / s.n;
		printf("%-10s %7u      %.2f    %.2f   %.2f - %.2f%s\n", lull_standing_name((enum lull_standing)k), s.n, s.sum / s.n, (double)s.hit / s.n,
			wilson(s.hit, s.n, -1.96), wilson(s.hit, s.n, 1.96), held ? "" : "   less than stated");
		good &= held || k == LULL_SEEN;
	}
	for (unsigned long job = 0; job < jobs; job++) {
		tests += tables[job].tests;
		told += tables[job].tests_told;
		wrong += tables[job].tests_wrong;
		learned += tables[job].learned;
		learned_right += tables[job].learned_right;
		to_learn += tables[job].to_learn;
	}
	if (to_learn)
		printf("IDs learned from unplug tests: %u of %u that ended with them, %.1f %% of them the node's own\n", learned, to_learn,
			learned ? 100.0 * learned_right / learned : 0);
	if (tests)
		printf("unplug tests that ended it: %u, told so %u (%.0f %%); told so wrongly: %u\n", tests, told, 100.0 * told / tests, wrong);
	return good;
}

/* The table of reliability. False where the stated confidence is no longer within chance of what came true: in nights
 * that differ from those the weights were fitted on it may be outside the 95 % interval once in a while, but not
 * outside that of 1 in 1000. */
static bool report_deciles(const struct bus_table *tables, unsigned long jobs)
{
	const double usual = 1.96, gross = 3.29;
	bool fine = true;

	printf("\nconfidence   suspects   mean   right   95 %% interval of the share\n");
	for (int bin = 0; bin < DECILES; bin++) {
		unsigned n = 0;
		double sum = 0, hit = 0;
		for (unsigned long job = 0; job < jobs; job++) {
			n += tables[job].bin_n[bin];
			hit += tables[job].bin_hit[bin];
			sum += tables[job].bin_sum[bin];
		}
		if (!n)
			continue;
		double mean = sum / n;
		bool outside = mean < wilson(hit, n, -usual) || mean > wilson(hit, n, usual);
		bool far = mean < wilson(hit, n, -gross) || mean > wilson(hit, n, gross);
		printf("%.1f - %.1f    %8u   %.3f  %.3f   %.3f - %.3f%s\n", bin / 10.0, (bin + 1) / 10.0, n, mean, hit / n, wilson(hit, n, -usual),
			wilson(hit, n, usual), far ? "  miscalibrated" : outside ? "  outside" : "");
		fine &= !far;
	}
	return fine;
}

bool bus_report(const struct bus_table *tables, unsigned long jobs, bool died)
{
	size_t count;
	const struct lull_sim_scenario *scenarios = lull_sim_scenarios(&count);
	struct bus_score all = { 0 };
	unsigned failed = 0, passed = 0;
	printf("%-20s %6s %6s %9s %6s %9s %8s %6s %8s\n", "scenario", "nights", "right", "suspect", "wrong", "undecided", "listed", "broken",
		"frames");
	for (size_t i = 0; i < count; i++) {
		struct bus_score s = { 0 };
		for (unsigned long job = 0; job < jobs; job++)
			add(&s, &tables[job].of[i]);
		if (!s.nights && !s.broken)
			continue;
		print_row(scenarios[i].name, &s);
		add(&all, &s);
		/* one night in ten may go astray in one scenario, one in twenty over all */
		if (s.broken || too_few_right(s.right, s.nights, 0.9))
			failed++;
		else
			passed++;
	}
	print_row("all", &all);
	bool calibrated = report_deciles(tables, jobs);
	bool standings = report_standings(tables, jobs);
	bool kin = !kin_report(tables, jobs);
	bool enough = !died && all.nights > 0 && all.right * 100 >= all.nights * 95 && all.wrong * 100 <= all.nights;
	printf("\nright finding in %.1f %% of nights (at least 95), a wrong name in %.1f %% (at most 1)%s\n",
		all.nights ? 100.0 * all.right / all.nights : 0, all.nights ? 100.0 * all.wrong / all.nights : 0, died ? "; a job died" : "");
	printf("of %u nights that can be decided the right node is named in %.1f %% (wanted 95), of %u holders of those that cannot %.1f %% are "
	       "listed (wanted 99)\n",
		all.decidable, all.decidable ? 100.0 * all.suspect / all.decidable : 0, all.listable, all.listable ? 100.0 * all.listed / all.listable : 0);
	bool shown = !too_few_right(all.suspect, all.decidable, 0.95) && !too_few_right(all.listed, all.listable, 0.99);
	printf("confidence is what came true, but for chance: %s\n", calibrated ? "yes" : "no");
	if (died || all.broken || !all.nights)
		printf("%u nights broken%s\n", all.broken, died ? "; a job died" : "");
	printf("%u passed, %u failed\n", passed + enough + calibrated + shown + standings + kin,
		failed + !enough + !calibrated + !shown + !standings + !kin);
	return !failed && enough && calibrated && shown && standings && kin;
}
