/* SPDX-License-Identifier: GPL-3.0-or-later */
/* report: the verdict on a recording, as text or JSON. */
#include <cmd/cmd.h>
#include <cmd/judged.h>
#include <cmd/output.h>
#include <getopt.h>
#include <math.h>
#include <report/report.h>
#include <string.h>
#include <unistd.h>

static const char who[] = "lull report";

struct options {
	struct lull_judged_options judged;
	const char *output;
	bool json;
};

static int help(void)
{
	(void)fputs("Usage: lull report [OPTION]... NIGHT.lull\n"
		    "Say what keeps the bus awake or wakes it, on what evidence, and what to do next.\n"
		    "\n"
		    "      --format text|json     text for people (default), or JSON (lull.report, 1)\n"
		    "      --limit-ma N           draw that is allowed once asleep, in mA\n"
		    "      --limit-sleep SECONDS  time within which the car has to be asleep\n"
		    "  -p, --profile FILE         this profile instead of the recording's own\n"
		    "  -k, --key-off TIME         seconds from the first frame, or a date such as\n"
		    "                             2026-03-05T22:41:07Z (without Z: local time)\n"
		    "  -o, --output FILE          write there instead of standard output\n"
		    "      --help                 display this help and exit\n"
		    "\n"
		    "Exit status: 0 all within the limit, 1 any other finding, 2 an error.\n",
		stdout);
	return fflush(stdout) || ferror(stdout) ? lull_fail(who, "cannot write to standard output")
						: LULL_EXIT_OK;
}

static int set_format(struct options *o, const char *word)
{
	if (!strcmp(word, "json"))
		o->json = true;
	else if (strcmp(word, "text") != 0)
		return lull_misuse(who, "there is no format '%s'; it is text or json", word);
	else
		o->json = false;
	return 0;
}

/* -1: go on; else the exit status. */
static int parse(int argc, char **argv, struct options *o)
{
	enum { HELP = 256, FORMAT, LIMIT_MA, LIMIT_SLEEP };
	static const struct option longs[] = {{"format", required_argument, NULL, FORMAT},
		{"limit-ma", required_argument, NULL, LIMIT_MA},
		{"limit-sleep", required_argument, NULL, LIMIT_SLEEP},
		{"profile", required_argument, NULL, 'p'}, {"key-off", required_argument, NULL, 'k'},
		{"output", required_argument, NULL, 'o'}, {"help", no_argument, NULL, HELP},
		{NULL, 0, NULL, 0}};
	int c, r = 0;

	while (!r && (c = getopt_long(argc, argv, "p:k:o:", longs, NULL)) != -1) {
		switch (c) {
		case FORMAT: r = set_format(o, optarg); break;
		case LIMIT_MA:
			if (lull_number(optarg, 0, &o->judged.limit_draw_mA))
				r = lull_misuse(who, "'%s' is no current in mA", optarg);
			break;
		case LIMIT_SLEEP:
			if (lull_number(optarg, 0, &o->judged.limit_sleep_s))
				r = lull_misuse(who, "'%s' is no time in seconds", optarg);
			break;
		case 'p': o->judged.profile = optarg; break;
		case 'k': o->judged.key_off = optarg; break;
		case 'o': o->output = optarg; break;
		case HELP: return help();
		default: return lull_try_help(who);
		}
	}
	if (r)
		return r;
	if (optind + 1 != argc)
		return optind == argc
			? lull_misuse(who, "no recording was given")
			: lull_misuse(who, "one recording at a time: what is '%s'?", argv[optind + 1]);
	o->judged.recording = argv[optind];
	return -1;
}

int lull_cmd_report(int argc, char **argv)
{
	struct options o = {.judged = {.limit_draw_mA = NAN, .limit_sleep_s = NAN}};
	struct lull_report_style style = {0};
	struct lull_output out;
	struct lull_judged j;
	int r = parse(argc, argv, &o), err;

	if (r >= 0)
		return r;
	r = lull_judged_load(&j, &o.judged, who);
	if (r)
		return r;
	err = lull_output_open(&out, o.output);
	if (err) {
		r = lull_fail(who, "%s: %s", o.output, strerror(-err));
		lull_judged_clear(&j);
		return r;
	}
	style.name = o.judged.recording;
	style.colour = out.stream == stdout && lull_colour(STDOUT_FILENO);
	style.width = out.stream == stdout ? lull_columns(STDOUT_FILENO) : 80;
	err = (o.json ? lull_report_json : lull_report_text)(out.stream, &j.night, &j.verdict, &style);
	err = lull_output_close(&out, err);
	r = err ? lull_fail(who, "%s: %s", o.output ? o.output : "standard output", strerror(-err))
		: lull_verdict_status(&j.verdict);
	lull_judged_clear(&j);
	return r;
}
