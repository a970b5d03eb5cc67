/* SPDX-License-Identifier: GPL-3.0-or-later */
/* nights: whole invented nights with a known truth, judged in process and scored. The analysis never sees the truth.
 * Without --clamp the bus alone is judged, with it the bus beside the log of a clamp. */
#include "nights.h"

#include <getopt.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <unistd.h>

bool verbose;

double wilson(double hit, unsigned n, double z)
{
	double p = hit / n, d = 1 + z * z / n;
	return (p + z * z / (2 * n) + z * sqrt(p * (1 - p) / n + z * z / (4.0 * n * n))) / d;
}

struct order {
	unsigned long seeds, first, jobs;
	const char *only;
	bool clamp, pairs;
};

/* One table a job, shared with the parent. */
union tables {
	struct bus_table *bus;
	struct clamp_table *clamp;
	struct pair_table *pair;
};

static void run_job(const struct order *o, unsigned long job, union tables tables)
{
	size_t count;
	const struct lull_sim_scenario *scenarios = lull_sim_scenarios(&count);
	struct kept_log kept = { 0 };

	/* seeds outside: the log that is kept for the next bus is one of another scenario */
	for (uint64_t seed = o->first; seed < o->first + o->seeds; seed++)
		for (size_t i = 0; i < count; i++) {
			if ((o->only && strcmp(o->only, scenarios[i].name) != 0) || seed % o->jobs != job)
				continue;
			if (o->pairs)
				pair_nights(scenarios[i].name, seed, o->clamp, &tables.pair[job].of[i]);
			else if (o->clamp)
				clamp_night(scenarios[i].name, seed, &tables.clamp[job].of[i], &kept);
			else if (!scenarios[i].current || o->only)
				bus_night(scenarios[i].name, i, seed, &tables.bus[job]);
		}
	kept_log_clear(&kept);
}

static bool run_jobs(const struct order *o, union tables tables)
{
	bool died = false;

	(void)fflush(stdout);
	for (unsigned long job = 0; job < o->jobs; job++) {
		pid_t pid = fork();
		if (pid < 0)
			return true;
		if (pid)
			continue;
		run_job(o, job, tables);
		(void)fflush(stdout);
		_exit(0);
	}
	for (unsigned long job = 0; job < o->jobs; job++) {
		int status;
		if (wait(&status) < 0 || status != 0)
			died = true;
	}
	return died;
}

int main(int argc, char **argv)
{
	static const struct option longs[] = { { "seeds", required_argument, NULL, 's' }, { "first", required_argument, NULL, 'f' },
		{ "scenario", required_argument, NULL, 'n' }, { "verbose", no_argument, NULL, 'v' }, { "jobs", required_argument, NULL, 'j' },
		{ "clamp", no_argument, NULL, 'c' }, { "pairs", no_argument, NULL, 'p' }, { "evidence", required_argument, NULL, 'e' }, { NULL, 0, NULL, 0 } };
	struct order o = { .seeds = 40, .first = 1, .jobs = 2 };
	size_t count;
	int option;

	while ((option = getopt_long(argc, argv, "s:f:n:vj:ce:", longs, NULL)) != -1)
		switch (option) {
		case 's': o.seeds = strtoul(optarg, NULL, 10); break;
		case 'f': o.first = strtoul(optarg, NULL, 10); break;
		case 'j': o.jobs = strtoul(optarg, NULL, 10); break;
		case 'n': o.only = optarg; break;
		case 'v': verbose = true; break;
		case 'c': o.clamp = true; break;
		case 'p': o.pairs = true; break;
		case 'e':
			if (evidence_open(optarg)) {
				perror(optarg);
				return 2;
			}
			break;
		default:
			fprintf(stderr, "usage: nights [--pairs] [--clamp] [--seeds N] [--first N] [--jobs N] [--scenario NAME] [--verbose] [--evidence FILE]\n");
			return 2;
		}
	(void)lull_sim_scenarios(&count);
	if (count > MOST_SCENARIOS || o.jobs < 1 || o.jobs > 64 || !o.seeds) {
		fprintf(stderr, "nights: numbers out of range\n");
		return 2;
	}

	size_t each = o.pairs ? sizeof(struct pair_table) : o.clamp ? sizeof(struct clamp_table) : sizeof(struct bus_table);
	void *shared = mmap(NULL, o.jobs * each, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
	if (shared == MAP_FAILED)
		return 2;

	union tables tables;
	if (o.pairs)
		tables.pair = shared;
	else if (o.clamp)
		tables.clamp = shared;
	else
		tables.bus = shared;
	bool died = run_jobs(&o, tables);
	if (o.pairs)
		return !pair_report(tables.pair, o.jobs, died);
	return o.clamp ? !clamp_report(tables.clamp, o.jobs, died) : !bus_report(tables.bus, o.jobs, died);
}
