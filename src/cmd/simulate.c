/* SPDX-License-Identifier: GPL-3.0-or-later */
/* simulate: an invented night with a known truth, written as files. */
#include <cmd/cmd.h>
#include <cmd/night_files.h>
#include <source/nearest.h>
#include <errno.h>
#include <getopt.h>
#include <math.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char who[] = "lull simulate";

struct options {
	struct lull_sim_options sim;
	const char *output;
	bool list, force;
};

static int help(void)
{
	(void)fputs("Usage: lull simulate --list\n"
		    "  or:  lull simulate SCENARIO [OPTION]... -o FOLDER\n"
		    "Invent a night of a parked car whose truth is known, and write it as the files a\n"
		    "night at a car gives: captures, clamp.csv, marks.csv, coverage.csv, car.ini; and\n"
		    "truth.json, which no other command reads. Car, nodes and IDs are invented.\n"
		    "\n"
		    "  -l, --list           name the scenarios and exit\n"
		    "  -s, --seed N         another night of the same kind (default 1)\n"
		    "  -n, --named-nodes    the profile names the nodes\n"
		    "      --hours TIME     length of the night instead of the scenario's own: 10\n"
		    "                       (hours), 90min\n"
		    "      --after WHAT     a later night of the same car: 'repaired', 'as-before',\n"
		    "                       or 'another' node does it\n"
		    "  -o, --output FOLDER  where to write; made if absent\n"
		    "  -f, --force          replace files of an earlier night\n"
		    "      --help           display this help and exit\n"
		    "\n"
		    "Exit status: 0, or 2 on an error.\n",
		stdout);
	return lull_printed(who, LULL_EXIT_OK);
}

static int list(void)
{
	size_t n, i;
	const struct lull_sim_scenario *s = lull_sim_scenarios(&n);

	for (i = 0; i < n; i++)
		(void)printf("%s\n    %s\n", s[i].name, s[i].about);
	return lull_printed(who, LULL_EXIT_OK);
}

static int set_seed(struct options *o, const char *text)
{
	char *end;

	errno = 0;
	o->sim.seed = strtoull(text, &end, 10);
	/* JSON's integers are signed. */
	if (errno || !*text || *end || text[0] < '0' || text[0] > '9' || o->sim.seed > INT64_MAX)
		return lull_misuse(who, "'%s' is no seed; it is a whole number from 0 on", text);
	return 0;
}

static int set_after(struct options *o, const char *what)
{
	static const struct {
		const char *word;
		enum lull_sim_after after;
	} words[] = {{"repaired", LULL_SIM_REPAIRED}, {"as-before", LULL_SIM_AS_BEFORE}, {"another", LULL_SIM_ANOTHER}};

	for (size_t i = 0; i < sizeof words / sizeof *words; i++) {
		if (!strcmp(words[i].word, what)) {
			o->sim.after = words[i].after;
			return 0;
		}
	}
	return lull_misuse(who, "'%s' is no later night; it is repaired, as-before or another", what);
}

static int set_scenario(struct options *o, const char *name)
{
	size_t n, i;
	const struct lull_sim_scenario *s = lull_sim_scenarios(&n);
	const char **names, *near;

	for (i = 0; i < n; i++) {
		if (!strcmp(s[i].name, name)) {
			o->sim.scenario = name;
			return 0;
		}
	}
	names = calloc(n ? n : 1, sizeof *names);
	for (i = 0; names && i < n; i++)
		names[i] = s[i].name;
	near = names ? lull_nearest(name, names, n) : NULL;
	free(names);
	if (near)
		return lull_misuse(who, "there is no scenario '%s'; did you mean '%s'?", name, near);
	return lull_misuse(who, "there is no scenario '%s'; --list names them", name);
}

/* -1: go on; else the exit status. */
static int parse(int argc, char **argv, struct options *o)
{
	enum { HELP = 256, HOURS, AFTER };
	static const struct option longs[] = {{"list", no_argument, NULL, 'l'},
		{"seed", required_argument, NULL, 's'}, {"named-nodes", no_argument, NULL, 'n'},
		{"hours", required_argument, NULL, HOURS}, {"after", required_argument, NULL, AFTER}, {"output", required_argument, NULL, 'o'},
		{"force", no_argument, NULL, 'f'}, {"help", no_argument, NULL, HELP}, {NULL, 0, NULL, 0}};
	static const struct lull_duration_rule night = {LULL_IN_H, 36 * LULL_SEC, 240 * 60 * LULL_MIN};
	int c, r = 0;

	while (!r && (c = getopt_long(argc, argv, "ls:no:f", longs, NULL)) != -1) {
		switch (c) {
		case 'l': o->list = true; break;
		case 's': r = set_seed(o, optarg); break;
		case 'n': o->sim.with_profile_nodes = true; break;
		case HOURS:
			r = lull_duration_option(who, "--hours", optarg, &night, 60 * LULL_MIN, &o->sim.hours);
			break;
		case AFTER: r = set_after(o, optarg); break;
		case 'o': o->output = optarg; break;
		case 'f': o->force = true; break;
		case HELP: return help();
		default: return lull_try_help(who);
		}
	}
	if (r)
		return r;
	if (o->list)
		return list();
	if (optind == argc)
		return lull_misuse(who, "no scenario was given; --list names them");
	if (optind + 1 < argc)
		return lull_misuse(who, "one scenario at a time: what is '%s'?", argv[optind + 1]);
	if (!o->output)
		return lull_misuse(who, "where to write was not given (-o FOLDER)");
	r = set_scenario(o, argv[optind]);
	if (!r && o->sim.after > LULL_SIM_AS_BEFORE && !lull_sim_has_after(o->sim.scenario))
		r = lull_misuse(who, "'%s' has no one cause that could be repaired or be another's", o->sim.scenario);
	return r ? r : -1;
}

static void print_file(const char *before, const char *folder, const char *name)
{
	char *path, *word = NULL;

	if (asprintf(&path, "%s/%s", folder, name) < 0)
		return;
	word = lull_shell_word(path);
	(void)printf("%s%s", before, word ? word : path);
	free(word);
	free(path);
}

/* What its user knows of the clamp. */
static void print_clamp(const struct lull_clamp *told, const char *folder)
{
	print_file(" --clamp ", folder, "clamp.csv");
	(void)printf(" --clamp-scale %gmV/A", told->mV_per_A);
	if (isfinite(told->range_A))
		(void)printf(" --clamp-range %g", told->range_A);
	if (told->inverted)
		(void)printf(" --clamp-invert");
	if (isfinite(told->zero_before_mA))
		(void)printf(" --zero-before %.1fmA", told->zero_before_mA);
	if (isfinite(told->zero_after_mA))
		(void)printf(" --zero-after %.1fmA", told->zero_after_mA);
	(void)printf(" \\\n   ");
}

/* The commands that read what was written. */
static void print_next(const struct lull_sim_night *night, const char *folder)
{
	unsigned b;

	(void)printf("lull import");
	for (b = 0; b < night->bus_count; b++) {
		char name[LULL_BUS_NAME + 8], before[LULL_BUS_NAME + 24];

		(void)snprintf(before, sizeof before, " --can %s=", night->bus_name[b]);
		print_file(before, folder, lull_night_files_capture(night, b, name, sizeof name));
		(void)printf(" \\\n   ");
	}
	print_file(" --marks ", folder, "marks.csv");
	print_file(" --coverage ", folder, "coverage.csv");
	(void)printf(" \\\n   ");
	print_file(" --profile ", folder, "car.ini");
	(void)printf(" \\\n   ");
	print_clamp(&night->clamp, folder);
	print_file(" -o ", folder, "night.lull");
	print_file("\nlull report ", folder, "night.lull");
	(void)putchar('\n');
}

int lull_cmd_simulate(int argc, char **argv)
{
	struct options o = {.sim = {.seed = 1}};
	struct lull_progress progress;
	struct lull_night_files *files;
	struct lull_sim_night night;
	struct lull_sim_sink sink;
	char err[1024] = "";
	int r = parse(argc, argv, &o);

	if (r >= 0)
		return r;
	lull_progress_begin(&progress, "simulate");
	files = lull_night_files_new(o.output, o.force, &progress, err, sizeof err);
	if (!files)
		return lull_fail(who, "%s", err);
	memset(&night, 0, sizeof night);
	sink = lull_night_files_sink(files, &night);
	r = lull_sim_run(&o.sim, &sink, &night);
	if (!r)
		r = lull_night_files_finish(files, &night, err, sizeof err);
	lull_progress_end(&progress);
	if (!r)
		print_next(&night, o.output);
	else
		(void)lull_fail(who, "%s: %s", o.output, err[0] ? err : strerror(-r));
	lull_night_files_free(files);
	lull_sim_clear(&night);
	return r ? LULL_EXIT_ERROR : LULL_EXIT_OK;
}
