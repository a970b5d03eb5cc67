/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ids: who sent after key-off, as a table. */
#include <cmd/cmd.h>
#include <cmd/judged.h>
#include <getopt.h>
#include <math.h>
#include <report/report.h>
#include <string.h>
#include <unistd.h>

static const char who[] = "lull ids";

static int help(void)
{
	(void)fputs("Usage: lull ids [OPTION]... NIGHT.lull\n"
		    "List who sent after key-off: by node, those still sending at the end first, then\n"
		    "those heard last. For each ID how often, how long, from when and until when.\n"
		    "\n"
		    "  -p, --profile FILE  this profile instead of the recording's own\n"
		    "  -k, --key-off TIME  seconds from the first frame, or a date such as\n"
		    "                      2026-03-05T22:41:07Z (without Z: local time)\n"
		    "      --help          display this help and exit\n"
		    "\n"
		    "Exit status: 0, or 2 on an error.\n",
		stdout);
	return lull_printed(who, LULL_EXIT_OK);
}

/* -1: go on; else the exit status. */
static int parse(int argc, char **argv, struct lull_judged_options *o)
{
	enum { HELP = 256 };
	static const struct option longs[] = {{"profile", required_argument, NULL, 'p'},
		{"key-off", required_argument, NULL, 'k'}, {"help", no_argument, NULL, HELP},
		{NULL, 0, NULL, 0}};
	int c;

	while ((c = getopt_long(argc, argv, "p:k:", longs, NULL)) != -1) {
		switch (c) {
		case 'p': o->profile = optarg; break;
		case 'k': o->key_off = optarg; break;
		case HELP: return help();
		default: return lull_try_help(who);
		}
	}
	if (optind + 1 != argc)
		return optind == argc
			? lull_misuse(who, "no recording was given")
			: lull_misuse(who, "one recording at a time: what is '%s'?", argv[optind + 1]);
	o->recording = argv[optind];
	return -1;
}

int lull_cmd_ids(int argc, char **argv)
{
	struct lull_judged_options o = lull_judged_options_default();
	struct lull_report_style style = {0};
	struct lull_judged j;
	int r = parse(argc, argv, &o), err;

	if (r >= 0)
		return r;
	r = lull_judged_load(&j, &o, who);
	if (r)
		return r;
	style.name = o.recording;
	style.colour = lull_colour(STDOUT_FILENO);
	style.width = lull_columns(STDOUT_FILENO);
	err = lull_report_ids(stdout, &j.night, &j.verdict, &style);
	if (err)
		r = lull_fail(who, "standard output: %s", strerror(-err));
	lull_judged_clear(&j);
	return r;
}
