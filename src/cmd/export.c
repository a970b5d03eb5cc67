/* SPDX-License-Identifier: GPL-3.0-or-later */
/* export: parts of a recording for a spreadsheet, another program, or for import to read back. */
#include <cmd/cmd.h>
#include <cmd/judged.h>
#include <cmd/output.h>
#include <errno.h>
#include <getopt.h>
#include <inttypes.h>
#include <lull/night.h>
#include <math.h>
#include <report/listing.h>
#include <report/rows.h>
#include <report/when.h>
#include <stdio.h>
#include <string.h>

static const char who[] = "lull export";

enum what { NOTHING, COVERAGE, CURRENT, SPELLS, STRETCHES, FRAMES };
static const char *const words[] = {
	[COVERAGE] = "--coverage", [CURRENT] = "--current", [SPELLS] = "--spells", [STRETCHES] = "--stretches", [FRAMES] = "--frames"};

struct options {
	struct lull_judged_options judged;
	const char *output;
	enum what what;
	enum { AS_CSV, AS_JSON, AS_PCAPNG } form;
	bool told_form, raw;
};

static int help(void)
{
	(void)fputs("Usage: lull export WHAT [OPTION]... NIGHT.lull\n"
		    "Write part of a recording for a spreadsheet or another program.\n"
		    "\n"
		    "What (columns: man lull-export):\n"
		    "      --spells       when each bus was awake, who woke it, who kept it\n"
		    "      --stretches    when each ID sent without a break, period, clock\n"
		    "      --current      the current by the recording's clock, zero taken off\n"
		    "      --current-raw  the clamp's samples by its own clock, no zero taken off:\n"
		    "                     'lull import --clamp' reads it back\n"
		    "      --coverage     when each bus was observed, and why not where it was\n"
		    "                     not: 'lull import --coverage' reads it back\n"
		    "      --frames       the frames kept around the edges of spells, as pcapng\n"
		    "\n"
		    "      --format FORM      csv (default), jsonl: one JSON object a line, or, for\n"
		    "                         --frames, pcapng (default)\n"
		    "  -p, --profile FILE     this profile instead of the recording's own\n"
		    "  -o, --output FILE      write there instead of standard output\n"
		    "      --help             display this help and exit\n"
		    "\n"
		    "Exit status: 0, or 2 on an error.\n",
		stdout);
	return lull_printed(who, LULL_EXIT_OK);
}

static int set_what(struct options *o, enum what what, bool raw)
{
	if (o->what != NOTHING && (o->what != what || o->raw != raw))
		return lull_misuse(who, "one thing at a time: %s%s or %s%s", words[o->what], o->raw ? "-raw" : "", words[what], raw ? "-raw" : "");
	o->what = what;
	o->raw = raw;
	return 0;
}

static int set_form(struct options *o, const char *word)
{
	o->told_form = true;
	if (!strcmp(word, "csv"))
		o->form = AS_CSV;
	else if (!strcmp(word, "jsonl"))
		o->form = AS_JSON;
	else if (!strcmp(word, "pcapng"))
		o->form = AS_PCAPNG;
	else
		return lull_misuse(who, "there is no format '%s'; it is csv, jsonl or pcapng", word);
	return 0;
}

/* -1: go on; else the exit status. */
static int parse(int argc, char **argv, struct options *o)
{
	enum { HELP = 256, FORM, OPT_COVERAGE, OPT_CURRENT, OPT_RAW, OPT_SPELLS, OPT_STRETCHES, OPT_FRAMES };
	static const struct option longs[] = {{"coverage", no_argument, NULL, OPT_COVERAGE}, {"current", no_argument, NULL, OPT_CURRENT},
		{"current-raw", no_argument, NULL, OPT_RAW}, {"spells", no_argument, NULL, OPT_SPELLS},
		{"stretches", no_argument, NULL, OPT_STRETCHES}, {"frames", no_argument, NULL, OPT_FRAMES},
		{"format", required_argument, NULL, FORM}, {"profile", required_argument, NULL, 'p'},
		{"output", required_argument, NULL, 'o'}, {"help", no_argument, NULL, HELP}, {NULL, 0, NULL, 0}};
	int c, r = 0;

	while (!r && (c = getopt_long(argc, argv, "p:o:", longs, NULL)) != -1) {
		switch (c) {
		case OPT_COVERAGE: r = set_what(o, COVERAGE, false); break;
		case OPT_CURRENT: r = set_what(o, CURRENT, false); break;
		case OPT_RAW: r = set_what(o, CURRENT, true); break;
		case OPT_SPELLS: r = set_what(o, SPELLS, false); break;
		case OPT_STRETCHES: r = set_what(o, STRETCHES, false); break;
		case OPT_FRAMES: r = set_what(o, FRAMES, false); break;
		case FORM: r = set_form(o, optarg); break;
		case 'p': o->judged.profile = optarg; break;
		case 'o': o->output = optarg; break;
		case HELP: return help();
		default: return lull_try_help(who);
		}
	}
	if (r)
		return r;
	if (o->what == NOTHING)
		return lull_misuse(who, "what to write was not given (--spells, --stretches, --current, --coverage or --frames)");
	if (!o->told_form && o->what == FRAMES)
		o->form = AS_PCAPNG;
	if (o->form == AS_PCAPNG && o->what != FRAMES)
		return lull_misuse(who, "only --frames can be written as pcapng");
	if (o->form == AS_JSON && (o->raw || o->what == COVERAGE))
		return lull_misuse(who, "%s%s is for 'lull import', which reads CSV", words[o->what], o->raw ? "-raw" : "");
	if (optind + 1 != argc)
		return optind == argc
			? lull_misuse(who, "no recording was given")
			: lull_misuse(who, "one recording at a time: what is '%s'?", argv[optind + 1]);
	o->judged.recording = argv[optind];
	return -1;
}

static lull_time first_frame(const struct lull_night *night)
{
	lull_time first = LULL_NEVER;
	unsigned b;

	for (b = 0; b < night->bus_count; b++) {
		if (night->bus[b].first != LULL_NEVER && (first == LULL_NEVER || night->bus[b].first < first))
			first = night->bus[b].first;
	}
	return first == LULL_NEVER ? 0 : first;
}

/* A date where the recording has one clock throughout, else seconds from the first frame: what import expects. */
static void put_time(FILE *out, const struct lull_night *night, lull_time t, lull_time first)
{
	char iso[LULL_WHEN];
	lull_time s = t - first;

	if (night->clocks.n == 1)
		(void)fputs(lull_when_iso(lull_night_utc(night, t), 9, iso), out);
	else
		(void)fprintf(out, "%s%" PRId64 ".%09" PRId64, s < 0 ? "-" : "", (s < 0 ? -s : s) / LULL_SEC,
			(s < 0 ? -s : s) % LULL_SEC);
}

static void coverage(FILE *out, const struct lull_night *night)
{
	lull_time first = first_frame(night);
	size_t i;

	(void)fputs("bus,from,to,why\n", out);
	for (i = 0; i < night->coverage.n; i++) {
		const struct lull_coverage *c = &night->coverage.at[i];

		if (c->bus < night->bus_count)
			lull_listing_csv_bus(out, night->bus[c->bus].name);
		else
			(void)putc('*', out);
		(void)putc(',', out);
		put_time(out, night, c->from, first);
		(void)putc(',', out);
		put_time(out, night, c->to, first);
		(void)fprintf(out, ",%s\n", lull_coverage_name((enum lull_coverage_why)c->why));
	}
}

/* Microamperes as mA without rounding. */
static void put_mA(FILE *out, int32_t uA)
{
	const int64_t size = uA < 0 ? -(int64_t)uA : uA;

	if (uA != LULL_NO_SAMPLE)
		(void)fprintf(out, "%s%" PRId64 ".%03" PRId64, uA < 0 ? "-" : "", size / 1000, size % 1000);
}

static void current_raw(FILE *out, const struct lull_night *night)
{
	const struct lull_clamp *clamp = &night->clamp;
	/* Stamps as the log had them; nanoseconds on. */
	const int64_t first = clamp->dated ? clamp->start_utc_ns : (int64_t)llround(clamp->first_s * 1e9);
	char iso[LULL_WHEN];

	(void)fputs(clamp->dated ? "time,current (mA)\n" : "time (s),current (mA)\n", out);
	for (size_t i = 0; i < night->chunks.n && !ferror(out); i++) {
		const struct lull_chunk *c = &night->chunks.at[i];

		for (uint32_t k = 0; k < c->count; k++) {
			int64_t t;

			if (__builtin_add_overflow(first, c->tau_ns + c->step_ns * k, &t))
				continue;
			if (clamp->dated)
				(void)fputs(lull_when_iso(t, 9, iso), out);
			else
				(void)fprintf(out, "%s%" PRId64 ".%09" PRId64, t < 0 ? "-" : "",
					(t < 0 ? -t : t) / LULL_SEC, (t < 0 ? -t : t) % LULL_SEC);
			(void)putc(',', out);
			put_mA(out, c->uA[k]);
			(void)putc('\n', out);
		}
	}
}

static int write_it(FILE *out, const struct options *o, const struct lull_judged *j)
{
	const bool json = o->form == AS_JSON;

	switch (o->what) {
	case COVERAGE: coverage(out, &j->night); break;
	case CURRENT:
		if (o->raw)
			current_raw(out, &j->night);
		else
			lull_rows_current(out, json, &j->night, &j->verdict);
		break;
	case SPELLS: lull_rows_spells(out, json, &j->night, &j->verdict); break;
	case STRETCHES: lull_rows_stretches(out, json, &j->night); break;
	case FRAMES:
		if (o->form == AS_PCAPNG)
			return lull_rows_frames_pcapng(out, &j->night);
		lull_rows_frames(out, json, &j->night);
		break;
	case NOTHING: break;
	}
	return 0;
}

int lull_cmd_export(int argc, char **argv)
{
	struct options o = {.judged = lull_judged_options_default()};
	struct lull_output out;
	struct lull_judged j;
	int r = parse(argc, argv, &o), err;

	if (r >= 0)
		return r;
	r = lull_judged_load(&j, &o.judged, who);
	if (r)
		return r;
	if (o.what == CURRENT && !j.night.clamp.present) {
		lull_judged_clear(&j);
		return lull_fail(who, "%s holds no current: it was imported without a clamp's log", o.judged.recording);
	}
	err = lull_output_open(&out, o.output);
	if (!err)
		err = lull_output_close(&out, write_it(out.stream, &o, &j));
	lull_judged_clear(&j);
	if (err)
		return lull_fail(who, "%s: %s", o.output ? o.output : "standard output", strerror(-err));
	return LULL_EXIT_OK;
}
