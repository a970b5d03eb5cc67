/* SPDX-License-Identifier: GPL-3.0-or-later */
/* nights: whole invented nights with a known truth, judged in process and scored. The analysis never sees the truth.
 *
 * A night counts as right in its finding when the set of codes is exactly the truth's; a wrong name is any named
 * suspect of 0.5 or more that is not the truth's. Half of the nights come with a node map, half without. */
#include "source/profile.h"
#include "source/simulate.h"

#include <lull/observe.h>
#include <lull/verdict.h>

#include <errno.h>
#include <getopt.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <unistd.h>

#define MOST_SCENARIOS 64
#define DECILES 10

struct score {
	unsigned nights, right, suspect, wrong, undecided, decidable, listed, listable, broken;
	unsigned long long frames;
};

struct table {
	struct score of[MOST_SCENARIOS];
	unsigned bin_n[DECILES], bin_hit[DECILES];
	double bin_sum[DECILES];
	unsigned long long kin_joined, kin_right, kin_same; /* pairs of IDs grouped by timing; rightly; that one node sends */
};

struct feed {
	struct lull_sink *sink;
	struct lull_observer *observer;
	struct lull_retimer *retimer; /* made at the first frame */
	const struct lull_sim_night *sim;
	unsigned long long frames;
};

static bool verbose;

static int ready(struct feed *feed)
{
	for (unsigned i = 0; i < feed->sim->bus_count; i++) {
		int err = lull_observer_bus(feed->observer, feed->sim->bus_name[i], 0, 0);
		if (err < 0)
			return err;
	}
	feed->retimer = lull_retimer_new(feed->observer, feed->sink, feed->sim->start_utc_ns);
	return feed->retimer ? 0 : -ENOMEM;
}

static int take_frame(void *ctx, const struct lull_frame *frame)
{
	struct feed *feed = ctx;
	if (!feed->retimer) {
		int err = ready(feed);
		if (err)
			return err;
	}
	feed->frames++;
	return lull_retimer_frame(feed->retimer, frame);
}

static int make_night(const struct lull_sim_options *options, struct lull_sim_night *sim, struct lull_night *night,
	unsigned long long *frames)
{
	struct lull_sink sink = lull_night_sink(night);
	struct feed feed = { .sink = &sink, .observer = lull_observer_new(&sink), .sim = sim };
	struct lull_sim_sink to = { .ctx = &feed, .frame = take_frame };
	int err = feed.observer ? lull_sim_run(options, &to, sim) : -ENOMEM;
	if (!err && !feed.retimer)
		err = ready(&feed);
	if (!err)
		err = lull_retimer_flush(feed.retimer);
	/* what the recorder says of coverage, and what people did */
	for (size_t i = 0; !err && i < sim->coverage.n; i++)
		err = sink.coverage(sink.ctx, &sim->coverage.at[i]);
	for (size_t i = 0; !err && i < sim->marks.n; i++)
		err = sink.mark(sink.ctx, &sim->marks.at[i]);
	if (!err)
		err = lull_observer_finish(feed.observer, sim->end_utc_ns - sim->start_utc_ns);
	if (!err)
		err = lull_night_sort(night);
	*frames = feed.frames;
	lull_retimer_free(feed.retimer);
	lull_observer_free(feed.observer);
	return err;
}

/* --- scoring --- */

static const struct lull_truth_node *true_node(const struct lull_truth *truth, const char *name)
{
	for (size_t i = 0; i < truth->node_count; i++)
		if (!strcmp(truth->nodes[i].name, name))
			return &truth->nodes[i];
	return NULL;
}

static bool sends(const struct lull_truth_node *node, uint32_t id)
{
	for (size_t i = 0; node && i < node->id_count; i++)
		if (node->ids[i] == id)
			return true;
	return false;
}

/* Most of what the suspect sends is sent by the node. */
static bool is_node(const struct lull_suspect *s, const struct lull_truth_node *node)
{
	size_t hits = 0;
	for (size_t i = 0; i < s->id_count; i++)
		hits += sends(node, s->ids[i]);
	return s->id_count > 0 && hits * 2 > s->id_count;
}

static bool is_guilty(const struct lull_suspect *s, const struct lull_truth *truth, enum lull_code code)
{
	for (size_t i = 0; i < truth->finding_count; i++)
		if (truth->finding[i].code == code && truth->finding[i].node[0] && truth->finding[i].role == s->role &&
			is_node(s, true_node(truth, truth->finding[i].node)))
			return true;
	return false;
}

static bool codes_agree(const struct lull_truth *truth, const struct lull_verdict *v)
{
	bool wanted[LULL_CODE_COUNT] = { false }, got[LULL_CODE_COUNT] = { false };
	for (size_t i = 0; i < truth->finding_count; i++)
		wanted[truth->finding[i].code] = true;
	for (size_t i = 0; i < v->findings.n; i++)
		got[v->findings.at[i].code] = true;
	return !memcmp(wanted, got, sizeof wanted);
}

static void describe(const struct lull_truth *truth, const struct lull_verdict *v, const char *what, bool named)
{
	printf("  %s seed %llu%s: %s\n    truth:", truth->scenario, (unsigned long long)truth->seed, named ? " (node map)" : "", what);
	for (size_t i = 0; i < truth->finding_count; i++)
		printf(" %s[%s%s]", lull_code_name(truth->finding[i].code), truth->finding[i].node,
			truth->finding[i].decidable ? "" : " undecidable");
	printf("  key-off %.1f quiet %.1f wakes %u\n    verdict: key-off %.1f settle %.1f to %.1f\n", truth->key_off_s, truth->first_quiet_s,
		truth->wakes, lull_seconds(v->key_off), lull_seconds(v->settle_from), lull_seconds(v->judged_to));
	for (size_t i = 0; i < v->findings.n; i++) {
		const struct lull_finding *f = &v->findings.at[i];
		printf("    - %s: %s\n", lull_code_name(f->code), f->text);
		for (size_t k = 0; k < f->suspects.n && k < 6; k++)
			printf("      %s %.2f %s %s\n", (int)k == f->named ? "NAMED" : "     ", f->suspects.at[k].confidence,
				lull_role_name(f->suspects.at[k].role), f->suspects.at[k].node);
		for (size_t k = 0; k < f->evidence.n; k++)
			printf("      . %s\n", f->evidence.at[k]);
	}
}

static int sender_of(const struct lull_truth *truth, const char *bus, uint32_t id)
{
	for (size_t i = 0; i < truth->node_count; i++)
		if (!strcmp(truth->nodes[i].bus, bus) && sends(&truth->nodes[i], id))
			return (int)i;
	return -1;
}

static void score_kin(const struct lull_sim_night *sim, const struct lull_verdict *v, struct table *table)
{
	for (size_t a = 0; a < v->ids.n; a++)
		for (size_t b = a + 1; b < v->ids.n; b++) {
			const struct lull_id_info *x = &v->ids.at[a], *y = &v->ids.at[b];
			if (x->bus != y->bus || x->node < 0 || y->node < 0 || v->nodes.at[x->node].named_by != LULL_BY_TIMING ||
				v->nodes.at[y->node].named_by != LULL_BY_TIMING)
				continue;
			int sx = sender_of(&sim->truth, sim->bus_name[x->bus], x->id), sy = sender_of(&sim->truth, sim->bus_name[y->bus], y->id);
			bool same = sx >= 0 && sx == sy;
			table->kin_same += same;
			if (x->node == y->node) {
				table->kin_joined++;
				table->kin_right += same;
			}
		}
}

static void score_night(const struct lull_truth *truth, const struct lull_verdict *v, bool named, struct score *score, struct table *table)
{
	bool right = codes_agree(truth, v), wrong = false, undecided = false, suspect = true, decidable = false;

	for (size_t i = 0; i < v->findings.n; i++) {
		const struct lull_finding *f = &v->findings.at[i];
		if (f->named >= 0 && f->suspects.at[f->named].confidence >= 0.5 && !is_guilty(&f->suspects.at[f->named], truth, f->code))
			wrong = true;
		for (size_t k = 0; k < f->suspects.n; k++) {
			const struct lull_suspect *s = &f->suspects.at[k];
			if (s->role != LULL_KEEPER && s->role != LULL_WAKER)
				continue;
			int bin = (int)(s->confidence * DECILES);
			bin = bin < 0 ? 0 : bin >= DECILES ? DECILES - 1 : bin;
			table->bin_n[bin]++;
			table->bin_sum[bin] += s->confidence;
			table->bin_hit[bin] += is_guilty(s, truth, f->code);
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
				found |= is_node(&f->suspects.at[f->named], true_node(truth, t->node));
			}
			for (size_t s = 0; s < f->suspects.n; s++)
				for (size_t id = 0; id < f->suspects.at[s].id_count; id++)
					listed |= sends(true_node(truth, t->node), f->suspects.at[s].ids[id]);
		}
		if (t->decidable) {
			decidable = true;
			suspect &= found;
			undecided |= !someone;
		} else {
			score->listable++;
			score->listed += listed;
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
}

static void run_night(const char *scenario, uint64_t seed, struct score *score, struct table *table)
{
	bool named = seed & 1;
	struct lull_sim_options options = { .scenario = scenario, .seed = seed, .with_profile_nodes = named };
	struct lull_sim_night sim = { 0 };
	struct lull_night night;
	struct lull_profile profile;
	struct lull_verdict verdict;
	char err[256] = "";
	unsigned long long frames = 0;

	lull_night_init(&night);
	int status = make_night(&options, &sim, &night, &frames);
	score->frames += frames;
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
			score_kin(&sim, &verdict, table);
			lull_verdict_clear(&verdict);
		}
		lull_profile_clear(&profile);
	}
	lull_night_clear(&night);
	lull_sim_clear(&sim);
}

/* --- the run --- */

static double wilson(unsigned hit, unsigned n, int sign)
{
	double z = 1.96, p = (double)hit / n, d = 1 + z * z / n;
	return (p + z * z / (2 * n) + sign * z * sqrt(p * (1 - p) / n + z * z / (4.0 * n * n))) / d;
}

static void add(struct score *to, const struct score *s)
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

static void print_row(const char *name, const struct score *s)
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

int main(int argc, char **argv)
{
	static const struct option longs[] = { { "seeds", required_argument, NULL, 's' }, { "first", required_argument, NULL, 'f' },
		{ "scenario", required_argument, NULL, 'n' }, { "verbose", no_argument, NULL, 'v' }, { "jobs", required_argument, NULL, 'j' },
		{ NULL, 0, NULL, 0 } };
	unsigned long seeds = 40, first = 1, jobs = 2;
	const char *only = NULL;
	int option;
	while ((option = getopt_long(argc, argv, "s:f:n:vj:", longs, NULL)) != -1)
		switch (option) {
		case 's': seeds = strtoul(optarg, NULL, 10); break;
		case 'f': first = strtoul(optarg, NULL, 10); break;
		case 'j': jobs = strtoul(optarg, NULL, 10); break;
		case 'n': only = optarg; break;
		case 'v': verbose = true; break;
		default: fprintf(stderr, "usage: nights [--seeds N] [--first N] [--jobs N] [--scenario NAME] [--verbose]\n"); return 2;
		}
	size_t count;
	const struct lull_sim_scenario *scenarios = lull_sim_scenarios(&count);
	if (count > MOST_SCENARIOS || jobs < 1 || jobs > 64 || !seeds) {
		fprintf(stderr, "nights: numbers out of range\n");
		return 2;
	}
	/* one table a job, shared with the parent */
	struct table *tables = mmap(NULL, jobs * sizeof *tables, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
	if (tables == MAP_FAILED)
		return 2;
	fflush(stdout);
	for (unsigned long job = 0; job < jobs; job++) {
		pid_t pid = fork();
		if (pid < 0)
			return 2;
		if (pid)
			continue;
		for (size_t i = 0; i < count; i++)
			for (uint64_t seed = first; seed < first + seeds; seed++)
				if ((!only || !strcmp(only, scenarios[i].name)) && seed % jobs == job)
					run_night(scenarios[i].name, seed, &tables[job].of[i], &tables[job]);
		fflush(stdout);
		_exit(0);
	}
	bool died = false;
	for (unsigned long job = 0; job < jobs; job++) {
		int status;
		if (wait(&status) < 0 || status != 0)
			died = true;
	}
	struct score all = { 0 };
	unsigned failed = 0, passed = 0;
	printf("%-20s %6s %6s %9s %6s %9s %8s %6s %8s\n", "scenario", "nights", "right", "suspect", "wrong", "undecided", "listed", "broken",
		"frames");
	for (size_t i = 0; i < count; i++) {
		struct score s = { 0 };
		for (unsigned long job = 0; job < jobs; job++)
			add(&s, &tables[job].of[i]);
		if (!s.nights && !s.broken)
			continue;
		print_row(scenarios[i].name, &s);
		add(&all, &s);
		/* one night in ten may go astray in one scenario, one in twenty over all */
		if (s.broken || s.right * 10 < s.nights * 9)
			failed++;
		else
			passed++;
	}
	print_row("all", &all);
	printf("\nconfidence   suspects   mean   right   95 %% interval of the share\n");
	for (int bin = 0; bin < DECILES; bin++) {
		unsigned n = 0, hit = 0;
		double sum = 0;
		for (unsigned long job = 0; job < jobs; job++) {
			n += tables[job].bin_n[bin];
			hit += tables[job].bin_hit[bin];
			sum += tables[job].bin_sum[bin];
		}
		if (n)
			printf("%.1f - %.1f    %8u   %.2f   %.2f    %.2f - %.2f\n", bin / 10.0, (bin + 1) / 10.0, n, sum / n, (double)hit / n,
				wilson(hit, n, -1), wilson(hit, n, 1));
	}
	unsigned long long joined = 0, rightly = 0, same = 0;
	for (unsigned long job = 0; job < jobs; job++) {
		joined += tables[job].kin_joined;
		rightly += tables[job].kin_right;
		same += tables[job].kin_same;
	}
	printf("\nkin by timing: %llu pairs of IDs joined, %.1f %% rightly; %.1f %% of the %llu pairs of one sender found\n", joined,
		joined ? 100.0 * (double)rightly / (double)joined : 0, same ? 100.0 * (double)rightly / (double)same : 0, same);
	bool enough = !died && all.nights > 0 && all.right * 100 >= all.nights * 95 && all.wrong * 100 <= all.nights * 2;
	printf("\nright finding in %.1f %% of nights (at least 95), a wrong name in %.1f %% (at most 2)%s\n",
		all.nights ? 100.0 * all.right / all.nights : 0, all.nights ? 100.0 * all.wrong / all.nights : 0, died ? "; a job died" : "");
	printf("%u passed, %u failed\n", passed + enough, failed + !enough);
	return failed || !enough;
}
