/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clamp: nights with a clamp's log, judged in process and scored: alignment, levels, costs, findings. */
#include "nights.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LEAST_STEPS 3
#define SURE 0.5
#define ZEROED_MA 3.0
#define ALIGNED_S 0.5
#define FALLS_S 3.0
/* lull_node.awake_mA_error is a standard error */
#define TWO_SIDED 1.96

static void count(struct share *s, bool hit)
{
	s->n++;
	s->hit += hit;
}

/* Within what the pairing states of itself, in the middle of the log. */
static bool within_stated(const struct lull_truth_clamp *t, const struct lull_lineup *up)
{
	double middle = 0.5 * (t->from_s + t->to_s), tau = (middle - t->start_s) / (1 + t->drift_ppm * 1e-6);

	return fabs(up->start_s + tau * (1 + up->drift_ppm * 1e-6) - middle) <= TWO_SIDED * up->error_s;
}

/* How far off the pairing is where the bus rises, which is what tells it; else where it falls; else at both ends. */
static double misaligned_s(const struct lull_truth_clamp *t, const struct lull_lineup *up)
{
	double from = isfinite(t->first_rise_s) ? t->first_rise_s : isfinite(t->first_step_s) ? t->first_step_s : t->from_s, worst = 0;
	double to = isfinite(t->last_rise_s) ? t->last_rise_s : isfinite(t->last_step_s) ? t->last_step_s : t->to_s;

	for (int i = 0; i < 2; i++) {
		double tau = ((i ? to : from) - t->start_s) / (1 + t->drift_ppm * 1e-6);
		double off = up->start_s + tau * (1 + up->drift_ppm * 1e-6) - (i ? to : from);

		worst = fmax(worst, fabs(off));
	}
	return worst;
}

static void count_sure(struct clamp_score *score, double confidence, bool right)
{
	int bin = (int)fmin(DECILES - 1, floor(confidence * DECILES));

	score->bin_n[bin]++;
	score->bin_hit[bin] += right;
	score->bin_sum[bin] += confidence;
}

static enum refusal why_refused(const struct lull_lineup *up)
{
	if (strstr(up->why, "cannot be told"))
		return REFUSED_ALIAS;
	return strncmp(up->why, "only ", 5) == 0 ? REFUSED_FEW : REFUSED_CHANCE;
}

static bool score_lineup(const struct lull_truth_clamp *t, const struct lull_lineup *up, struct clamp_score *score)
{
	double off = up->paired ? misaligned_s(t, up) : NAN;
	bool sure = up->paired && up->confidence >= SURE;

	/* what is not paired is placed all the same */
	if (!t->alias)
		count_sure(score, up->confidence, misaligned_s(t, up) <= fmax(2 * t->step_s, FALLS_S));
	if (t->alias) {
		/* whoever is sure here has guessed, even if rightly */
		score->aliased += sure;
		return !sure;
	}
	if (t->steps < LEAST_STEPS)
		return true;

	bool wrong = sure && off > fmax(2 * t->step_s, FALLS_S);

	score->paired_wrong += wrong;
	count(&score->steps, up->paired && off <= fmax(t->step_s, ALIGNED_S));
	if (!up->paired)
		score->refused[why_refused(up)][t->rises < MOST_RISES ? t->rises : MOST_RISES]++;
	if (up->paired)
		count(&score->stated, within_stated(t, up));
	bool exact = up->paired && off <= fmax(t->step_s, ALIGNED_S);

	count(&score->counted, exact || (!t->rises && up->paired && within_stated(t, up)));
	if (!t->rises) {
		count(&score->falls, up->paired && within_stated(t, up));
		count(&score->falls_exact, exact);
		return up->paired && !wrong;
	}
	if (up->paired && off < FALLS_S) {
		score->early_s += t->start_s - up->start_s;
		score->early++;
	}
	count(&score->aligned, exact);
	if (t->rises >= LEAST_STEPS)
		count(&score->rises, exact);
	score->paired += up->paired;
	return exact;
}

static bool score_quiet(const struct lull_sim_night *sim, const struct lull_current_report *r, struct clamp_score *score)
{
	const struct lull_truth_clamp *t = &sim->truth.clamp;
	/* a gain that a load corrected, or a digit of 100 mA, allow no 3 mA; a scale that was told wrongly no figure at all */
	bool zeroed = isfinite(sim->clamp.zero_before_mA) && isfinite(sim->clamp.zero_after_mA) && t->gain == 1 && sim->resolution_mV < 1;

	if (t->scale_wrong)
		return true;

	if (!r->present || !isfinite(r->quiet_mA)) {
		/* half an hour of it was there to be seen */
		score->quiet_missing += isfinite(sim->truth.first_quiet_s) && t->to_s > sim->truth.first_quiet_s + 3600;
		return true;
	}

	double off = fabs(r->quiet_mA - t->quiet_mA);
	bool good = zeroed ? off <= ZEROED_MA : off <= r->quiet_error_mA;

	count(zeroed ? &score->quiet_zeroed : &score->quiet_band, good);
	return good;
}

/* The true node that sends all of these IDs; NULL: several do. */
static const struct lull_truth_node *node_behind(const struct lull_sim_night *sim, const struct lull_node *node)
{
	int first = -1;

	for (size_t i = 0; i < node->id_count; i++) {
		int sender = sender_of(&sim->truth, sim->bus_name[node->bus], node->ids[i]);

		if (sender < 0 || (first >= 0 && sender != first))
			return NULL;
		first = sender;
	}
	return first < 0 ? NULL : &sim->truth.nodes[first];
}

static bool holds(const struct lull_sim_night *sim, const struct lull_verdict *v, const struct lull_inseparable *set, const char *name)
{
	for (size_t i = 0; i < set->n; i++) {
		const struct lull_truth_node *t = node_behind(sim, &v->nodes.at[set->nodes[i]]);

		if (t && strcmp(t->name, name) == 0)
			return true;
	}
	return false;
}

/* Nodes that this night cannot separate: their sum, and whether a pair that never was apart is among them. */
static bool score_sets(const struct lull_sim_night *sim, const struct lull_verdict *v, struct clamp_score *score)
{
	const struct lull_truth *truth = &sim->truth;
	bool all = true, paired = false, figure = false;
	unsigned seen = 0;

	for (size_t i = 0; i < v->current.inseparable.n; i++) {
		const struct lull_inseparable *set = &v->current.inseparable.at[i];
		double sum = 0;
		bool known = true;

		paired |= truth->pair[0][0] && holds(sim, v, set, truth->pair[0]) && holds(sim, v, set, truth->pair[1]);
		for (size_t k = 0; k < set->n; k++) {
			const struct lull_truth_node *t = node_behind(sim, &v->nodes.at[set->nodes[k]]);

			known &= t != NULL;
			/* one node may be known by several names here */
			for (size_t j = 0; t && j < k; j++)
				if (node_behind(sim, &v->nodes.at[set->nodes[j]]) == t)
					t = NULL;
			sum += t ? t->awake_mA - t->silent_mA : 0;
		}
		for (size_t k = 0; truth->nodes && set->whole && k < truth->node_count; k++) {
			const struct lull_truth_node *t = &truth->nodes[k];

			if (t->keyed || (set->bus != LULL_BUS_ALL && strcmp(t->bus, sim->bus_name[set->bus]) != 0))
				continue;
			sum += t->silent_mA;
			/* what is not seen to start and stop is in the rest, and nobody knows how often */
			bool told = holds(sim, v, set, t->name);
			for (size_t j = 0; j < v->nodes.n && !told; j++)
				told = isfinite(v->nodes.at[j].stop_mA) && node_behind(sim, &v->nodes.at[j]) == t;
			known &= told;
		}
		/* who answers a tester may do so half asleep */
		if (!known || !isfinite(set->mA) || strncmp(truth->scenario, "dongle", 6) == 0)
			continue;

		bool good = fabs(sum - set->mA) <= TWO_SIDED * set->mA_error;

		count(&score->together, good);
		all &= good;
		if (verbose && !good)
			printf("    %zu nodes%s together %.1f +- %.1f mA, truly %.1f\n", set->n, set->whole ? " and the silent" : "",
				set->mA, TWO_SIDED * set->mA_error, sum);
	}
	for (size_t i = 0; i < v->nodes.n; i++) {
		const struct lull_truth_node *t = node_behind(sim, &v->nodes.at[i]);
		bool either = t && truth->pair[0][0] && (!strcmp(t->name, truth->pair[0]) || !strcmp(t->name, truth->pair[1]));

		seen += either;
		figure |= either && isfinite(v->nodes.at[i].stop_mA);
	}
	/* where both are seen as nodes of their own and the clocks are lined up */
	if (seen == 2 && v->current.lineup.paired && isfinite(v->current.quiet_mA))
		count(&score->pair, paired && !figure);
	return all;
}

static bool score_nodes(const struct lull_sim_night *sim, const struct lull_verdict *v, struct clamp_score *score)
{
	bool all = true;

	for (size_t i = 0; i < v->nodes.n; i++) {
		const struct lull_node *node = &v->nodes.at[i];
		const struct lull_truth_node *t = isfinite(node->stop_mA) ? node_behind(sim, node) : NULL;

		if (!t)
			continue;

		bool falls = fabs(node->stop_mA - (t->awake_mA - t->silent_mA)) <= TWO_SIDED * node->stop_mA_error;

		count(&score->stop, falls);
		all &= falls;
		score->half_mA += TWO_SIDED * node->stop_mA_error;
		if (verbose && !falls)
			printf("    node %s: stops %.1f +- %.1f mA, truly %.1f - %.1f\n", node->name, node->stop_mA,
				TWO_SIDED * node->stop_mA_error, t->awake_mA, t->silent_mA);
		if (!isfinite(node->awake_mA))
			continue;

		bool good = fabs(node->awake_mA - t->awake_mA) <= TWO_SIDED * node->awake_mA_error;

		count(&score->node, good);
		all &= good;
		if (verbose && !good)
			printf("    node %s: %.1f +- %.1f mA, truly %.1f (silent %.1f)\n", node->name, node->awake_mA,
				TWO_SIDED * node->awake_mA_error, t->awake_mA, t->silent_mA);
	}
	return all & score_sets(sim, v, score);
}

static bool score_lost(const struct lull_truth_clamp *t, const struct lull_current_report *r, struct clamp_score *score)
{
	/* a log that ends early is known to only by its place in the night */
	if (!isfinite(t->lost_at_s) || (t->lost_why == LULL_DEAD_ENDED && !r->lineup.paired))
		return true;

	/* where it stops being a measurement: a minute, and what its own clock may be off by */
	bool good = r->present && r->lost_at != LULL_NEVER && (!r->lineup.paired || fabs(lull_seconds(r->lost_at) - t->lost_at_s) <= 60);

	count(&score->lost, good);
	return good;
}

static void score_costs(const struct lull_sim_night *sim, const struct lull_verdict *v, struct clamp_score *score)
{
	const struct lull_truth *truth = &sim->truth;

	for (size_t i = 0; i < truth->finding_count; i++)
		for (size_t k = 0; k < v->findings.n; k++) {
			const struct lull_truth_finding *t = &truth->finding[i];
			double cost = v->findings.at[k].cost_mAh_per_day;

			if (t->code != v->findings.at[k].code || !isfinite(t->cost_mAh_per_day) || !isfinite(cost))
				continue;

			bool good = fabs(cost - t->cost_mAh_per_day) <= v->findings.at[k].cost_error_mAh_per_day;

			count(&score->cost, good);
			if (verbose && !good)
				printf("    %s seed %llu: %s costs %.0f +- %.0f mAh a day, truly %.0f\n", truth->scenario,
					(unsigned long long)truth->seed, lull_code_name(t->code), cost,
					v->findings.at[k].cost_error_mAh_per_day, t->cost_mAh_per_day);
		}
}

static double true_charge(const struct lull_truth *t, lull_time at)
{
	if (at < 0 || !t->charge_count)
		return 0;
	size_t i = (size_t)(at / LULL_TRUTH_CHARGE);

	return t->charge_mAs[i < t->charge_count ? i : t->charge_count - 1];
}

/* Of wakes that began and ended in the night, as far as the clock of the capture is the true one. */
static void score_charges(const struct lull_sim_night *sim, const struct lull_verdict *v, struct clamp_score *score)
{
	for (size_t i = 0; i < v->spells.n; i++) {
		const struct lull_spell *s = &v->spells.at[i];

		if (!isfinite(s->charge_mAs) || s->kind != LULL_SPELL_WAKE || s->lone || strcmp(sim->truth.scenario, "clock-steps") == 0)
			continue;
		/* what the other bus drew at the same time, nobody can tell apart */
		lull_time from = s->from, to = s->to;
		for (size_t k = 0; k < v->spells.n; k++) {
			const struct lull_spell *other = &v->spells.at[k];

			if (other->bus != s->bus && other->from <= to && other->to >= from) {
				from = other->from < from ? other->from : from;
				to = other->to > to ? other->to : to;
			}
		}
		double truth = true_charge(&sim->truth, to + 5 * LULL_SEC) - true_charge(&sim->truth, from - 2 * LULL_SEC);
		bool good = fabs(s->charge_mAs - truth) <= s->charge_error_mAs;

		count(&score->charge, good);
		if (truth > 0)
			score->charge_share += s->charge_error_mAs / truth;
		if (verbose && !good)
			printf("    %s seed %llu: spell at %.0f for %.1f s drew %.0f +- %.0f mAs, truly %.0f\n", sim->truth.scenario,
				(unsigned long long)sim->truth.seed, lull_seconds(s->from), lull_seconds(s->to - s->from), s->charge_mAs,
				s->charge_error_mAs, truth);
	}
}

static void describe_current(const struct lull_sim_night *sim, const struct lull_verdict *v)
{
	const struct lull_truth_clamp *t = &sim->truth.clamp;
	const struct lull_current_report *r = &v->current;

	printf("    true clamp: start %.2f drift %.1f step %.3f, quiet %.1f zero %.1f drift %.1f%s%s, %u steps, %u rises %.0f to %.0f, %u loads, "
	       "limit %.0f, lost %.0f (%s), zeros %.1f %.1f, %.0f mV/A digit %g mV\n",
		t->start_s, t->drift_ppm, t->step_s, t->quiet_mA, t->zero_mA, t->zero_drift_mA, t->reversed ? " reversed" : "",
		t->alias ? " alias" : "", t->steps, t->rises, t->first_rise_s, t->last_rise_s, t->loads, sim->truth.limit_mA, t->lost_at_s, lull_dead_name(t->lost_why),
		sim->clamp.zero_before_mA, sim->clamp.zero_after_mA, sim->clamp.mV_per_A, sim->resolution_mV);
	printf("    lineup: %s start %.2f drift %.1f confidence %.2f%s, off %.2f s: %s\n", r->lineup.paired ? "paired" : "refused",
		r->lineup.start_s, r->lineup.drift_ppm, r->lineup.confidence, r->lineup.by_load ? " by load" : "",
		r->lineup.paired ? misaligned_s(t, &r->lineup) : NAN, r->lineup.why);
	printf("    quiet %.1f +- %.1f%s, lost %.0f, %zu stages\n", r->quiet_mA, r->quiet_error_mA, r->reversed ? " reversed" : "",
		lull_seconds(r->lost_at), r->stages.n);
}

/* Asked about, or put right by what a known load read. */
static bool scale_is_seen(const struct lull_current_report *r)
{
	return r->scale_doubt != NULL || fabs(r->gain) > 5 || fabs(r->gain) < 0.2;
}

static void score_night(const struct lull_sim_night *sim, const struct lull_verdict *v, bool named, struct clamp_score *score)
{
	const struct lull_truth *truth = &sim->truth;
	bool right = codes_agree(truth, v), all_clear = false;

	/* what is found in figures ten times off is no matter, as long as it is asked */
	if (truth->clamp.scale_wrong)
		right = scale_is_seen(&v->current);
	for (size_t i = 0; i < v->findings.n; i++)
		all_clear |= v->findings.at[i].code == LULL_WITHIN_LIMIT;

	/* nothing settled was measured before the log was lost */
	bool dead = truth->clamp.lost_at_s < truth->first_quiet_s + 300;
	bool falsely = all_clear && (dead || truth->clamp.quiet_mA > truth->limit_mA);
	bool lined = score_lineup(&truth->clamp, &v->current.lineup, score), quiet = score_quiet(sim, &v->current, score);
	bool lost = score_lost(&truth->clamp, &v->current, score);
	bool sign = !v->current.present || !isfinite(v->current.quiet_mA) || v->current.reversed == truth->clamp.reversed;

	score->nights++;
	score->right += right;
	score->all_clear_wrong += falsely;
	count(&score->sign, sign);
	if (verbose && !(right && lined && quiet && lost && sign)) {
		describe(truth, v, !right ? "other findings" : !lined ? "alignment" : !quiet ? "quiet level" : !lost ? "lost" : "sign", named);
		describe_current(sim, v);
	}
	if (truth->clamp.scale_wrong)
		count(&score->asked, scale_is_seen(&v->current));
	if (verbose && !truth->clamp.scale_wrong && v->current.scale_doubt)
		printf("    %s seed %llu: asked in vain: %s\n", truth->scenario, (unsigned long long)truth->seed, v->current.scale_doubt);
	if (!truth->clamp.scale_wrong && v->current.present)
		score->asked_in_vain += v->current.scale_doubt != NULL;
	if (truth->clamp.scale_wrong)
		return;
	if (!score_nodes(sim, v, score) && verbose)
		printf("    (nodes of %s seed %llu)\n", truth->scenario, (unsigned long long)truth->seed);
	score_costs(sim, v, score);
	score_charges(sim, v, score);
}

/* --- the log of one night beside the bus of another --- */

void kept_log_clear(struct kept_log *k)
{
	for (size_t i = 0; i < k->n; i++)
		free(k->chunks[i].uA);
	free(k->chunks);
	*k = (struct kept_log){ 0 };
}

/* Takes the log out of the night. */
static void keep_log(struct kept_log *k, const struct lull_sim_night *sim, struct lull_night *night)
{
	kept_log_clear(k);
	*k = (struct kept_log){ .any = true, .loaded = sim->truth.clamp.loads > 0, .night_start_utc_ns = sim->start_utc_ns,
		.clamp = night->clamp, .chunks = night->chunks.at, .n = night->chunks.n };
	night->chunks.at = NULL;
	night->chunks.n = night->chunks.room = 0;
}

static int score_shuffled(const struct lull_sim_night *sim, struct lull_night *night, const struct lull_question *ask,
	const struct kept_log *k, struct clamp_score *score)
{
	struct lull_night mixed = *night;
	struct lull_verdict v;
	size_t marks = 0;

	mixed.clamp = k->clamp;
	/* a date like that of the right log, or it would give itself away by months */
	mixed.clamp.start_utc_ns += sim->start_utc_ns - k->night_start_utc_ns;
	mixed.chunks.at = k->chunks;
	mixed.chunks.n = k->n;
	mixed.marks.at = calloc(night->marks.n + 1, sizeof *mixed.marks.at);
	if (!mixed.marks.at)
		return -1;
	/* a log that holds the very load of the mark is no stranger to it */
	for (size_t i = 0; i < night->marks.n; i++)
		if (!k->loaded || night->marks.at[i].kind != LULL_MARK_TEST_LOAD)
			mixed.marks.at[marks++] = night->marks.at[i];
	mixed.marks.n = marks;

	int err = lull_judge(&mixed, ask, &v);
	if (!err) {
		const struct lull_lineup *up = &v.current.lineup;
		bool sure = up->paired && up->confidence >= SURE;

		count(&score->shuffled, sure);
		count_sure(score, up->confidence, false);
		if (verbose && sure)
			printf("  %s seed %llu: a stranger's log was paired at %.2f, start %.2f, %u steps matched: %s\n", sim->truth.scenario,
				(unsigned long long)sim->truth.seed, up->confidence, up->start_s, up->matched, up->why);
		lull_verdict_clear(&v);
	}
	free(mixed.marks.at);
	return err;
}

void clamp_night(const char *scenario, uint64_t seed, struct clamp_score *score, struct kept_log *kept)
{
	bool named = seed & 1;
	struct lull_sim_options options = { .scenario = scenario, .seed = seed, .with_profile_nodes = named };
	struct lull_sim_night sim = { 0 };
	struct lull_night night;
	struct lull_profile profile;
	struct lull_verdict verdict;
	struct sized size = { 0 };
	char err[256] = "";

	lull_night_init(&night);
	int status = nights_make(&options, true, &sim, &night, &size);
	score->samples += size.samples;
	if (!status)
		status = lull_profile_parse_text("profile", sim.profile, strlen(sim.profile), &profile, err, sizeof err);
	if (status) {
		printf("  %s seed %llu: %s %s\n", scenario, (unsigned long long)seed, strerror(-status), err);
		score->broken++;
	} else {
		struct lull_question ask = lull_question_default();
		ask.profile = &profile;
		status = lull_judge(&night, &ask, &verdict);
		if (!status) {
			score_night(&sim, &verdict, named, score);
			lull_verdict_clear(&verdict);
		}
		if (!status && kept->any)
			status = score_shuffled(&sim, &night, &ask, kept, score);
		score->broken += status != 0;
		keep_log(kept, &sim, &night);
		lull_profile_clear(&profile);
	}
	lull_night_clear(&night);
	lull_sim_clear(&sim);
}
