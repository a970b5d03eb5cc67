/* SPDX-License-Identifier: GPL-3.0-or-later */
/* import_options: the command line of lull import. */
#include <cmd/cmd.h>
#include <cmd/import_options.h>
#include <getopt.h>
#include <lull/text.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

static const char who[] = "lull import";

static int help(void)
{
	(void)fputs("Usage: lull import --can [NAME=]FILE... [--clamp FILE] [OPTION]... -o NIGHT.lull\n"
		    "Make a recording from captures of a parked car's CAN buses, and from the log of\n"
		    "a current clamp on the battery cable; each alone will do.\n"
		    "\n"
		    "Captures are pcap or pcapng (SocketCAN link type), CSV, or the one-line text log\n"
		    "of the Linux CAN tools; plain, gzip or zstd. Several are merged by their stamps.\n"
		    "\n"
		    "  -c, --can [NAME=]FILE      a capture; NAME is what its bus is called\n"
		    "  -o, --output FILE          the recording to write\n"
		    "  -m, --marks FILE           CSV time,mark: key off, door, unplugged NODE, ...\n"
		    "      --coverage FILE        CSV bus,from,to,why: when a bus was observed\n"
		    "  -p, --profile FILE         INI: limits, buses, nodes of this car\n"
		    "  -k, --key-off TIME         when the key was turned off\n"
		    "  -b, --bitrate NAME=RATE    bit rate of a bus: 500k, or 500k/2M with FD data\n"
		    "      --csv-columns LIST     names or numbers of CSV columns, such as\n"
		    "                             time=t,id=can_id,data=payload; also extended=,\n"
		    "                             bus=, length=, and unit=s|ms|us|ns of the time\n"
		    "  -f, --force                replace an existing recording\n"
		    "      --help                 display this help and exit\n"
		    "\n"
		    "The clamp's log is CSV: time in seconds, as a date, or HH:MM:SS; values in mV,\n"
		    "V, mA or A. Its clock may be off: the report lines it up.\n"
		    "\n"
		    "      --clamp FILE           the log; plain, gzip or zstd\n"
		    "      --clamp-scale SCALE    10mV/A or 100mV/A, as set on the clamp\n"
		    "      --clamp-unit UNIT      mV, V, mA or A, where the log does not say it\n"
		    "      --clamp-columns LIST   names or numbers: time=1,value=3; also date=, unit=\n"
		    "                             (a column of units), order=dmy|mdy, time-unit=ms\n"
		    "      --clamp-invert         the clamp hung the other way round\n"
		    "      --clamp-range AMPERES  where it saturates, such as 60\n"
		    "      --zero-before READING  reading off the cable before the night, and\n"
		    "      --zero-after READING   after it: 0.4mV, 12mA; without a unit the log's\n"
		    "\n"
		    "TIME is in seconds from the first frame, or a date such as 2026-03-05T22:41:07Z\n"
		    "(without Z: local time). A capture counts as observed from its first to its last\n"
		    "frame; only marks (listening, stopped listening) or coverage say more.\n"
		    "\n"
		    "Exit status: 0 complete, 1 something was left out, 2 nothing was written.\n",
		stdout);
	return lull_printed(who, LULL_EXIT_OK);
}

static bool is_name(const char *text, size_t len)
{
	return len > 0 && len < LULL_BUS_NAME && !memchr(text, '/', len);
}

static int add_capture(struct lull_inputs *inputs, const char *text)
{
	const char *equals = strchr(text, '=');
	struct lull_input *in;

	if (inputs->n == LULL_INPUTS_MAX)
		return lull_misuse(who, "more than %d captures", LULL_INPUTS_MAX);
	in = &inputs->in[inputs->n];
	in->path = text;
	/* A file whose whole name is FOO=BAR is taken as that file. */
	if (equals && is_name(text, (size_t)(equals - text)) && access(text, F_OK) != 0) {
		(void)snprintf(in->bus, sizeof in->bus, "%.*s", (int)(equals - text), text);

		const char *fault = lull_name_fault(in->bus, strlen(in->bus));

		if (fault)
			return lull_misuse(who, "the bus name '%s' %s", in->bus, fault);
		in->path = equals + 1;
		in->named = true;
	} else {
		(void)snprintf(in->bus, sizeof in->bus, "can%zu", inputs->n);
	}
	if (!*in->path)
		return lull_misuse(who, "'%s' names no file", text);
	inputs->n++;
	return 0;
}

static int add_rate(struct lull_import_options *o, const char *text)
{
	const char *equals = strrchr(text, '='), *slash;
	struct lull_profile_bus *b;

	if (!equals || !is_name(text, (size_t)(equals - text)))
		return lull_misuse(who, "'%s' is not NAME=RATE, such as can0=500k", text);
	if (o->given_count == LULL_BUS_MAX)
		return lull_misuse(who, "more than %d bit rates", LULL_BUS_MAX);
	b = &o->given[o->given_count];
	(void)snprintf(b->name, sizeof b->name, "%.*s", (int)(equals - text), text);
	slash = strchr(equals, '/');
	if (lull_bitrate(
		    equals + 1, slash ? (size_t)(slash - equals - 1) : strlen(equals + 1), &b->bitrate) ||
		(slash && lull_bitrate(slash + 1, strlen(slash + 1), &b->bitrate_data)))
		return lull_misuse(who, "'%s' is no bit rate; write 500k, 1M, 83333 or 500k/2M", equals + 1);
	o->given_count++;
	return 0;
}

static int set_unit(struct lull_csv_columns *c, const char *value)
{
	static const struct {
		const char *word;
		enum lull_time_unit unit;
	} units[] = {{"s", LULL_UNIT_S}, {"ms", LULL_UNIT_MS}, {"us", LULL_UNIT_US}, {"ns", LULL_UNIT_NS}};
	size_t i;

	for (i = 0; i < sizeof units / sizeof units[0]; i++) {
		if (!strcmp(value, units[i].word)) {
			c->unit = units[i].unit;
			return 0;
		}
	}
	return lull_misuse(who, "'%s' is no unit of time; write s, ms, us or ns", value);
}

static int set_columns(struct lull_csv_columns *c, char *list)
{
	const struct {
		const char *key;
		char *value;
	} keys[] = {{"time", c->time}, {"id", c->id}, {"extended", c->extended}, {"bus", c->bus},
		{"length", c->length}, {"data", c->data}};
	char *part, *rest = list;

	while ((part = strsep(&rest, ","))) {
		char *value = strchr(part, '=');
		size_t i;

		if (!value || !value[1])
			return lull_misuse(who, "'%s' is not KEY=COLUMN, such as time=stamp", part);
		*value++ = 0;
		if (!strcmp(part, "unit")) {
			if (set_unit(c, value))
				return LULL_EXIT_ERROR;
			continue;
		}
		for (i = 0; i < sizeof keys / sizeof keys[0] && strcmp(keys[i].key, part) != 0; i++)
			;
		if (i == sizeof keys / sizeof keys[0])
			return lull_misuse(who,
				"'%s' is no column; they are time, id, extended, bus, length, data", part);
		if (strlen(value) >= sizeof c->time)
			return lull_misuse(who, "column name '%s' is too long", value);
		(void)snprintf(keys[i].value, sizeof c->time, "%s", value);
	}
	return 0;
}

int lull_import_parse(int argc, char **argv, struct lull_import_options *o, struct lull_inputs *inputs)
{
	enum { HELP = 256, COVERAGE, COLUMNS, CLAMP };
	static const struct option longs[] = {{"can", required_argument, NULL, 'c'},
		{"output", required_argument, NULL, 'o'}, {"marks", required_argument, NULL, 'm'},
		{"coverage", required_argument, NULL, COVERAGE}, {"profile", required_argument, NULL, 'p'},
		{"key-off", required_argument, NULL, 'k'}, {"bitrate", required_argument, NULL, 'b'},
		{"csv-columns", required_argument, NULL, COLUMNS}, {"force", no_argument, NULL, 'f'},
		{"clamp", required_argument, NULL, CLAMP + LULL_CLAMP_FILE},
		{"clamp-scale", required_argument, NULL, CLAMP + LULL_CLAMP_SCALE},
		{"clamp-columns", required_argument, NULL, CLAMP + LULL_CLAMP_COLUMNS},
		{"clamp-unit", required_argument, NULL, CLAMP + LULL_CLAMP_UNIT},
		{"clamp-invert", no_argument, NULL, CLAMP + LULL_CLAMP_INVERT},
		{"clamp-range", required_argument, NULL, CLAMP + LULL_CLAMP_RANGE},
		{"zero-before", required_argument, NULL, CLAMP + LULL_CLAMP_ZERO_BEFORE},
		{"zero-after", required_argument, NULL, CLAMP + LULL_CLAMP_ZERO_AFTER},
		{"help", no_argument, NULL, HELP}, {NULL, 0, NULL, 0}};
	int c, r = 0;

	lull_clamp_input_init(&o->clamp);
	while (!r && (c = getopt_long(argc, argv, "c:o:m:p:k:b:f", longs, NULL)) != -1) {
		if (c >= CLAMP) {
			r = lull_clamp_input_option(&o->clamp, (enum lull_clamp_option)(c - CLAMP), optarg, who);
			continue;
		}
		switch (c) {
		case 'c': r = add_capture(inputs, optarg); break;
		case 'o': o->output = optarg; break;
		case 'm': o->marks = optarg; break;
		case COVERAGE: o->coverage = optarg; break;
		case 'p': o->profile = optarg; break;
		case 'k': o->key_off = optarg; break;
		case 'b': r = add_rate(o, optarg); break;
		case COLUMNS: r = set_columns(&o->columns, optarg); break;
		case 'f': o->force = true; break;
		case HELP: return help();
		default: return lull_try_help(who);
		}
	}
	if (r)
		return r;
	if (optind < argc)
		return lull_misuse(
			who, "what is '%s'? A capture is given as --can %s", argv[optind], argv[optind]);
	if (!inputs->n && !o->clamp.path)
		return lull_misuse(who, "neither a capture (--can FILE) nor a clamp's log (--clamp FILE) was given");
	if (!inputs->n && o->given_count)
		return lull_misuse(who, "--bitrate is for the bus of a capture, and no capture (--can FILE) was given");
	r = lull_clamp_input_check(&o->clamp, who);
	if (r)
		return r;
	if (!o->output)
		return lull_misuse(who, "where to write was not given (-o NIGHT.lull)");
	return -1;
}
