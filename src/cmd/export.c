/* SPDX-License-Identifier: GPL-3.0-or-later */
/* export: parts of a recording as text that import reads back. */
#include <cmd/cmd.h>
#include <cmd/output.h>
#include <errno.h>
#include <getopt.h>
#include <inttypes.h>
#include <lull/night.h>
#include <math.h>
#include <report/when.h>
#include <stdio.h>
#include <store/store.h>
#include <string.h>

static const char who[] = "lull export";

struct options {
	const char *recording, *output;
	bool coverage, current;
};

static int help(void)
{
	(void)fputs("Usage: lull export --coverage|--current [-o FILE] NIGHT.lull\n"
		    "Write part of a recording as CSV, which 'lull import' reads back.\n"
		    "\n"
		    "      --coverage     when each bus was observed, and why not where it was not:\n"
		    "                     bus,from,to,why\n"
		    "      --current      the clamp's samples by the clamp's own clock, no zero taken\n"
		    "                     off: seconds, or dates where the log has them, and mA;\n"
		    "                     empty where there is no reading\n"
		    "  -o, --output FILE  write there instead of standard output\n"
		    "      --help         display this help and exit\n"
		    "\n"
		    "Exit status: 0, or 2 on an error.\n",
		stdout);
	return fflush(stdout) || ferror(stdout) ? lull_fail(who, "cannot write to standard output")
						: LULL_EXIT_OK;
}

/* -1: go on; else the exit status. */
static int parse(int argc, char **argv, struct options *o)
{
	enum { HELP = 256, COVERAGE, CURRENT };
	static const struct option longs[] = {{"coverage", no_argument, NULL, COVERAGE},
		{"current", no_argument, NULL, CURRENT},
		{"output", required_argument, NULL, 'o'}, {"help", no_argument, NULL, HELP},
		{NULL, 0, NULL, 0}};
	int c;

	while ((c = getopt_long(argc, argv, "o:", longs, NULL)) != -1) {
		switch (c) {
		case COVERAGE: o->coverage = true; break;
		case CURRENT: o->current = true; break;
		case 'o': o->output = optarg; break;
		case HELP: return help();
		default: return lull_try_help(who);
		}
	}
	if (o->coverage == o->current)
		return lull_misuse(who, o->coverage ? "either --coverage or --current"
						    : "what to write was not given (--coverage or --current)");
	if (optind + 1 != argc)
		return optind == argc
			? lull_misuse(who, "no recording was given")
			: lull_misuse(who, "one recording at a time: what is '%s'?", argv[optind + 1]);
	o->recording = argv[optind];
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

/* RFC 4180: quoted if it holds a comma, a quote or a line end. */
static void put_field(FILE *out, const char *text)
{
	if (!strpbrk(text, ",\";\r\n")) {
		(void)fputs(text, out);
		return;
	}
	(void)putc('"', out);
	for (; *text; text++) {
		if (*text == '"')
			(void)putc('"', out);
		(void)putc(*text, out);
	}
	(void)putc('"', out);
}

static void coverage(FILE *out, const struct lull_night *night)
{
	lull_time first = first_frame(night);
	size_t i;

	(void)fputs("bus,from,to,why\n", out);
	for (i = 0; i < night->coverage.n; i++) {
		const struct lull_coverage *c = &night->coverage.at[i];

		put_field(out, c->bus < night->bus_count ? night->bus[c->bus].name : "*");
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

static void current(FILE *out, const struct lull_night *night)
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

int lull_cmd_export(int argc, char **argv)
{
	struct options o = {0};
	struct lull_output out;
	struct lull_night night = {0};
	char text[1024];
	int r = parse(argc, argv, &o), err;

	if (r >= 0)
		return r;
	if (lull_store_load(o.recording, &night, text, sizeof text))
		return lull_fail(who, "%s", text);
	if (o.current && !night.clamp.present) {
		lull_night_clear(&night);
		return lull_fail(who, "%s holds no current: it was imported without a clamp's log", o.recording);
	}
	err = lull_output_open(&out, o.output);
	if (!err) {
		(o.current ? current : coverage)(out.stream, &night);
		err = lull_output_close(&out, 0);
	}
	lull_night_clear(&night);
	if (err)
		return lull_fail(who, "%s: %s", o.output ? o.output : "standard output", strerror(-err));
	return LULL_EXIT_OK;
}
