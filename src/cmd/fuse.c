/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuse: currents of circuits from the voltage drops across their fuses, which stay in. */
#include <cmd/cmd.h>
#include <ctype.h>
#include <getopt.h>
#include <lull/battery.h>
#include <math.h>
#include <report/fuses.h>
#include <report/page.h>
#include <source/survey.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char who[] = "lull fuse";

struct options {
	const char *survey, *type, *reading;
	double rating_A, milliohm, resolution_mV, shorted_mV, clamp_mA;
	bool list;
};

static int help(void)
{
	(void)fputs("Usage: lull fuse --rating A --type TYPE [OPTION]... MILLIVOLTS\n"
		    "       lull fuse --milliohm R [OPTION]... MILLIVOLTS\n"
		    "       lull fuse --survey FILE.csv [OPTION]...\n"
		    "What a circuit draws, from the voltage drop across its fuse. The fuse stays in:\n"
		    "pulling one wakes modules, measuring across one does not. The figures rank\n"
		    "circuits; fuses of different makers differ by some 10 %.\n"
		    "\n"
		    "  -r, --rating AMPERES         printed on the fuse\n"
		    "  -t, --type TYPE              its kind, such as ato (--list names all)\n"
		    "      --milliohm R             instead of both: its cold resistance by its\n"
		    "                               maker's data sheet, for kinds not in the table.\n"
		    "                               (The drop at rated current is that of a hot\n"
		    "                               fuse: it makes the current too small.)\n"
		    "  -s, --survey FILE            CSV fuse,type,rating,millivolts; with a column\n"
		    "                               after: read again with a suspect unplugged; with\n"
		    "                               milliohm: where the table has no such fuse\n"
		    "      --meter-resolution 0.1mV the meter's last digit (0.1mV)\n"
		    "      --shorted MILLIVOLTS     reading with the leads held together (0.0mV)\n"
		    "      --clamp-mA N             what the clamp shows meanwhile\n"
		    "      --list                   resistances of fuses, and where they come from\n"
		    "      --help                   display this help and exit\n"
		    "\n"
		    "Exit status: 0, or 2 on an error, such as a fuse that is in no table.\n",
		stdout);
	return lull_printed(who, LULL_EXIT_OK);
}

static int set(double *out, const char *text, const char *unit, double least, double most, const char *what)
{
	if (lull_survey_value(text, strlen(text), unit, out) || *out < least || *out > most)
		return lull_misuse(who, "'%s' is no %s (in %s)", text, what, unit);
	return 0;
}

/* "-2.3mV": with the leads the other way round a reading is negative, and no option. Behind an option it is that one's. */
static bool is_negative_reading(const char *before, const char *text)
{
	return before[0] != '-' && text[0] == '-' && (isdigit((unsigned char)text[1]) || text[1] == '.');
}

/* -1: go on; else the exit status. */
static int parse(int argc, char **argv, struct options *o)
{
	enum { HELP = 256, RESOLUTION, SHORTED, CLAMP, OHMS, LIST };
	static const struct option longs[] = {{"rating", required_argument, NULL, 'r'},
		{"type", required_argument, NULL, 't'}, {"survey", required_argument, NULL, 's'},
		{"meter-resolution", required_argument, NULL, RESOLUTION}, {"shorted", required_argument, NULL, SHORTED},
		{"clamp-mA", required_argument, NULL, CLAMP}, {"clamp-ma", required_argument, NULL, CLAMP},
		{"milliohm", required_argument, NULL, OHMS}, {"list", no_argument, NULL, LIST}, {"help", no_argument, NULL, HELP}, {NULL, 0, NULL, 0}};
	const char *negative = argc > 2 && is_negative_reading(argv[argc - 2], argv[argc - 1]) ? argv[--argc] : NULL;
	int c, r = 0;

	while (!r && (c = getopt_long(argc, argv, "r:t:s:", longs, NULL)) != -1) {
		switch (c) {
		case 'r': r = set(&o->rating_A, optarg, "A", 0.1, 1000, "rating"); break;
		case 't': o->type = optarg; break;
		case 's': o->survey = optarg; break;
		case RESOLUTION: r = set(&o->resolution_mV, optarg, "mV", 1e-6, 100, "resolution of a meter"); break;
		case SHORTED: r = set(&o->shorted_mV, optarg, "mV", -1000, 1000, "reading"); break;
		case CLAMP: r = set(&o->clamp_mA, optarg, "mA", -1e6, 1e6, "current"); break;
		case OHMS:
			r = set(&o->milliohm, optarg, "mOhm", LULL_SURVEY_OHMS_LEAST, LULL_SURVEY_OHMS_MOST, "cold resistance of a fuse");
			break;
		case LIST: o->list = true; break;
		case HELP: return help();
		default: return lull_try_help(who);
		}
	}
	if (r)
		return r;
	if (o->list)
		return optind == argc && !negative ? -1 : lull_misuse(who, "--list takes nothing else");
	if (o->survey) {
		if (optind != argc || negative || o->type || isfinite(o->rating_A) || isfinite(o->milliohm))
			return lull_misuse(who, "a survey has its types, ratings and readings in the file");
		return -1;
	}
	if (isfinite(o->clamp_mA))
		return lull_misuse(who, "--clamp-mA goes with a survey of all fuses");
	if (isfinite(o->milliohm) && (o->type || isfinite(o->rating_A)))
		return lull_misuse(who, "--milliohm says all of the fuse; leave --rating and --type out");
	if (!isfinite(o->milliohm) && (!o->type || !isfinite(o->rating_A)))
		return lull_misuse(who, "which fuse? Give --rating and --type (--list names those known), --milliohm, or --survey FILE");
	if (negative && optind == argc) {
		o->reading = negative;
		return -1;
	}
	if (negative || optind + 1 != argc)
		return optind == argc ? lull_misuse(who, "no reading was given, such as 2.3mV")
				      : lull_misuse(who, "one reading at a time: what is '%s'?", negative ? negative : argv[optind + 1]);
	o->reading = argv[optind];
	return -1;
}

/* "1, 2, 3, 5, 7.5, 10": ratings of the type that are known; "" if the type is none. */
static void known_ratings(const char *type, char *out, size_t size)
{
	size_t n, i, used = 0;
	const struct lull_fuse_row *row = lull_fuse_table(&n);

	out[0] = 0;
	for (i = 0; i < n && used < size; i++) {
		if (!strcasecmp(row[i].type, type))
			used += (size_t)snprintf(out + used, size - used, "%s%g", used ? ", " : "", row[i].rating_A);
	}
}

static void known_types(char *out, size_t size)
{
	size_t n, i, used = 0;
	const struct lull_fuse_row *row = lull_fuse_table(&n);

	out[0] = 0;
	for (i = 0; i < n && used < size; i++) {
		if (!i || strcmp(row[i].type, row[i - 1].type) != 0)
			used += (size_t)snprintf(out + used, size - used, "%s%s", used ? ", " : "", row[i].type);
	}
}

static const char way_out[] =
	"With its cold resistance from its maker's data sheet it can be told: --milliohm R, or a column milliohm in a survey";

static int unknown(const char *place, const char *type, double rating_A)
{
	char known[256];

	known_ratings(type, known, sizeof known);
	if (known[0])
		return lull_fail(who, "%sno resistance is known of a fuse %s %g A; of this type there are %s A. %s", place, type,
			rating_A, known, way_out);
	known_types(known, sizeof known);
	return lull_fail(who,
		"%sno resistance is known of fuses of type '%s'; there are: %s. It is not guessed: a wrong type is a wrong current. %s",
		place, type, known, way_out);
}

/* The current by one reading less another one, by what is told of the fuse. */
static int current(const struct options *o, struct lull_fuse_reading *f, double other_mV, struct lull_band *mA)
{
	if (isfinite(f->milliohm))
		return lull_fuse_current_by(f->milliohm, f->mV, other_mV, o->resolution_mV, mA, &f->least_mA);
	return lull_fuse_current(f->type, f->rating_A, f->mV, other_mV, o->resolution_mV, mA, &f->least_mA);
}

static int one(const struct options *o, const struct lull_page *p)
{
	struct lull_fuse_reading f = {.name = "", .type = o->type ? o->type : "", .rating_A = o->rating_A, .milliohm = o->milliohm, .after_mV = (double)NAN};

	if (!o->reading || lull_survey_value(o->reading, strlen(o->reading), "mV", &f.mV))
		return lull_misuse(who, "'%s' is no reading; write 2.3mV", o->reading ? o->reading : "");
	if (current(o, &f, o->shorted_mV, &f.mA))
		return unknown("", f.type, f.rating_A);
	lull_fuses_one(p, &f);
	return 0;
}

static int survey(const struct options *o, const struct lull_page *p)
{
	struct lull_survey_row *row;
	struct lull_fuse_reading *f;
	char err[512], place[300];
	size_t n, i;
	int r = 0;

	if (lull_survey_read(o->survey, &row, &n, err, sizeof err))
		return lull_fail(who, "%s", err);
	f = calloc(n, sizeof *f);
	if (!f)
		r = lull_fail(who, "out of memory");
	for (i = 0; f && i < n && !r; i++) {
		f[i] = (struct lull_fuse_reading){.name = row[i].fuse,
			.type = row[i].type,
			.rating_A = row[i].rating_A,
			.milliohm = row[i].milliohm,
			.mV = row[i].mV,
			.after_mV = row[i].after_mV};
		if (current(o, &f[i], o->shorted_mV, &f[i].mA)) {
			(void)snprintf(place, sizeof place, "%s:%u: ", o->survey, row[i].line);
			r = unknown(place, f[i].type, f[i].rating_A);
			continue;
		}
		/* The same fuse twice: what its maker made of it cancels out but for its size. */
		if (isfinite(f[i].after_mV) && current(o, &f[i], f[i].after_mV, &f[i].less_mA))
			r = LULL_EXIT_ERROR;
	}
	if (!r)
		r = lull_fuses_survey(p, f, n, o->clamp_mA) ? lull_fail(who, "out of memory") : 0;
	free(f);
	free(row);
	return r;
}

int lull_cmd_fuse(int argc, char **argv)
{
	struct options o = {.rating_A = (double)NAN,
		.milliohm = (double)NAN,
		.resolution_mV = (double)NAN,
		.shorted_mV = (double)NAN,
		.clamp_mA = (double)NAN};
	const struct lull_report_style style = {.colour = lull_colour(STDOUT_FILENO), .width = lull_columns(STDOUT_FILENO)};
	const struct lull_page p = lull_page_new(stdout, &style);
	int r = parse(argc, argv, &o);

	if (r >= 0)
		return r;
	if (o.list)
		lull_fuses_table(&p);
	r = o.list ? 0 : o.survey ? survey(&o, &p) : one(&o, &p);
	return lull_printed(who, r);
}
