/* SPDX-License-Identifier: GPL-3.0-or-later */
/* compare: two recordings, before and after a repair: did it work? */
#include <cmd/cmd.h>
#include <cmd/judged.h>
#include <cmd/output.h>
#include <getopt.h>
#include <report/compare.h>
#include <string.h>
#include <unistd.h>

static const char who[] = "lull compare";

struct options {
	struct lull_judged_options before, after;
	const char *output;
	enum { AS_TEXT, AS_JSON, AS_HTML } form;
};

static int help(void)
{
	(void)fputs("Usage: lull compare [OPTION]... BEFORE.lull AFTER.lull\n"
		    "Say whether a repair worked: time to sleep, wakes, draw and charge before and\n"
		    "after, whether each difference exceeds the noise, and which findings are gone.\n"
		    "Where one night did not measure something, nothing is concluded from it.\n"
		    "\n"
		    "      --format FORM          text (default), json (lull.compare, 1), or html: one\n"
		    "                             page with pictures, to print or send\n"
		    "      --limit-ma N           draw that is allowed once asleep, in mA\n"
		    "      --limit-sleep TIME     time within which the car has to be asleep:\n"
		    "                             900 (seconds), 15min\n"
		    "  -p, --profile FILE         this profile instead of the recordings' own\n"
		    "  -o, --output FILE          write there instead of standard output\n"
		    "      --help                 display this help and exit\n"
		    "\n"
		    "Exit status: 0 it worked and the night after is within the limit, 1 anything\n"
		    "else, 2 an error.\n",
		stdout);
	return lull_printed(who, LULL_EXIT_OK);
}

/* -1: go on; else the exit status. */
static int parse(int argc, char **argv, struct options *o)
{
	enum { HELP = 256, FORMAT, LIMIT_MA, LIMIT_SLEEP };
	static const struct option longs[] = {{"format", required_argument, NULL, FORMAT},
		{"limit-ma", required_argument, NULL, LIMIT_MA}, {"limit-sleep", required_argument, NULL, LIMIT_SLEEP},
		{"profile", required_argument, NULL, 'p'}, {"output", required_argument, NULL, 'o'}, {"help", no_argument, NULL, HELP},
		{NULL, 0, NULL, 0}};
	int c, r = 0;

	while (!r && (c = getopt_long(argc, argv, "p:o:", longs, NULL)) != -1) {
		switch (c) {
		case FORMAT:
			o->form = !strcmp(optarg, "json") ? AS_JSON : !strcmp(optarg, "html") ? AS_HTML : AS_TEXT;
			if (o->form == AS_TEXT && strcmp(optarg, "text") != 0)
				r = lull_misuse(who, "there is no format '%s'; it is text, json or html", optarg);
			break;
		case LIMIT_MA:
			if (lull_number(optarg, 0, &o->before.limit_draw_mA))
				r = lull_misuse(who, "'%s' is no current in mA", optarg);
			break;
		case LIMIT_SLEEP: r = lull_limit_sleep_option(who, optarg, &o->before.limit_sleep_s); break;
		case 'p': o->before.profile = optarg; break;
		case 'o': o->output = optarg; break;
		case HELP: return help();
		default: return lull_try_help(who);
		}
	}
	if (r)
		return r;
	if (argc - optind > 2)
		return lull_misuse(who, "two recordings at a time: what is '%s'?", argv[optind + 2]);
	if (argc - optind < 2)
		return lull_misuse(who, "two recordings are wanted: the night before the repair and the one after");
	o->after = o->before;
	o->before.recording = argv[optind];
	o->after.recording = argv[optind + 1];
	return -1;
}

static int show(const struct options *o, const struct lull_comparison *c)
{
	struct lull_report_style style = {0};
	struct lull_output out;
	int err = lull_output_open(&out, o->output);

	if (err)
		return lull_fail(who, "%s: %s", o->output, strerror(-err));
	style.colour = out.stream == stdout && lull_colour(STDOUT_FILENO);
	style.width = out.stream == stdout ? lull_columns(STDOUT_FILENO) : 80;
	switch (o->form) {
	case AS_JSON: err = lull_compare_json(out.stream, c, o->before.recording, o->after.recording); break;
	case AS_HTML: err = lull_compare_html(out.stream, c, o->before.recording, o->after.recording); break;
	case AS_TEXT: err = lull_compare_text(out.stream, c, o->before.recording, o->after.recording, &style); break;
	}
	err = lull_output_close(&out, err);
	return err ? lull_fail(who, "%s: %s", o->output ? o->output : "standard output", strerror(-err)) : lull_comparison_status(c);
}

int lull_cmd_compare(int argc, char **argv)
{
	struct options o = {.before = lull_judged_options_default()};
	struct lull_comparison c;
	struct lull_judged before, after;
	int r = parse(argc, argv, &o);

	if (r >= 0)
		return r;
	r = lull_judged_load(&before, &o.before, who);
	if (r)
		return r;
	r = lull_judged_load(&after, &o.after, who);
	if (r) {
		lull_judged_clear(&before);
		return r;
	}
	if (lull_compare(&before.night, &before.verdict, &after.night, &after.verdict, &c)) {
		r = lull_fail(who, "out of memory");
	} else {
		r = show(&o, &c);
		lull_comparison_clear(&c);
	}
	lull_judged_clear(&after);
	lull_judged_clear(&before);
	return r;
}
