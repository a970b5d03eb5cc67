/* SPDX-License-Identifier: GPL-3.0-or-later */
/* check: is all in place for the night? Looks at the adapter, the bus, the clamp and the logger itself, and asks the rest. */
#include <cmd/check_measure.h>
#include <cmd/cmd.h>
#include <errno.h>
#include <getopt.h>
#include <math.h>
#include <report/page.h>
#include <signal.h>
#include <source/board.h>
#include <source/can_watch.h>
#include <source/live_config.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#define EXIT_STOP 3
#define LINES_MOST 200
#define WAKES 3
#define WAKES_WITHIN 900.0 /* seconds */
#define LOAD_WITHIN 30.0

static const char who[] = "lull check";
static volatile sig_atomic_t stopped;

struct options {
	const char *config, *folder, *socket;
	struct lull_check_bus bus[LULL_BUS_MAX];
	size_t buses;
	double listen_s; /* NAN: by what is asked */
	bool key_off, wakes, zero, named;
	struct lull_ready_facts facts;
	struct lull_live_spec clamp;
};

static int help(void)
{
	(void)fputs("Usage: lull check [OPTION]... [INTERFACE[=RATE]]...\n"
		    "Before the night, at the car, with the key on: is the adapter listening only,\n"
		    "does the bus show its inner life, does the clamp read, does the logger last?\n"
		    "Lines of fine, careful or stop, each with what to do. Nothing is sent.\n"
		    "\n"
		    "  -c, --config FILE        buses, clamp and folder (/etc/lull/lull.conf, if no\n"
		    "                           interface is named)\n"
		    "      --key on|off         how the key is now (on)\n"
		    "      --listen TIME        so long: 10 (seconds), 2min (10 s)\n"
		    "      --wakes              listen until the bus was woken three times, by you\n"
		    "      --zero               the clamp hangs off the cable, jaws shut\n"
		    "      --test-load MA       switch a known load 7 s on, 3 s off, 5 s on now\n"
		    "      --supply KIND        of the logger: bank:74Wh, port, car or mains\n"
		    "      --watts N            what the logger takes (3.5)\n"
		    "      --night TIME         that it must last: 12 (hours), 2d (12 h)\n"
		    "      --battery-volts N    of the car, at rest\n"
		    "      --limit-ma N         what the car may draw asleep (50)\n"
		    "      --folder FOLDER      where recordings go\n"
		    "      --help               display this help and exit\n"
		    "\n"
		    "Exit status: 0 fine, 1 careful, 2 on an error, 3 stop.\n",
		stdout);
	return lull_printed(who, LULL_EXIT_OK);
}

static int number(double *out, const char *text, double least, double most, const char *what)
{
	return lull_number(text, least, out) || *out > most ? lull_misuse(who, "'%s' is no %s", text, what) : 0;
}

static int listen_for(double *seconds, const char *text)
{
	static const struct lull_duration_rule rule = {LULL_IN_S, 100 * LULL_MS, 24 * 60 * LULL_MIN};

	return lull_duration_option(who, "--listen", text, &rule, LULL_SEC, seconds);
}

static int night_of(double *hours, const char *text)
{
	static const struct lull_duration_rule rule = {LULL_IN_H, 6 * LULL_MIN, 1000 * 60 * LULL_MIN};

	return lull_duration_option(who, "--night", text, &rule, 60 * LULL_MIN, hours);
}

static int supply(struct lull_ready_facts *f, const char *text)
{
	if (!strcmp(text, "port"))
		f->supply = LULL_SUPPLY_PORT;
	else if (!strcmp(text, "car"))
		f->supply = LULL_SUPPLY_CAR;
	else if (!strcmp(text, "mains"))
		f->supply = LULL_SUPPLY_MAINS;
	else if (!strncmp(text, "bank", 4) && (!text[4] || text[4] == ':')) {
		char digits[24];
		size_t n = text[4] ? strlen(text + 5) : 0;

		f->supply = LULL_SUPPLY_BANK;
		if (!n)
			return 0;
		if (n > 2 && !strcasecmp(text + 5 + n - 2, "wh"))
			n -= 2;
		if (n < sizeof digits) {
			memcpy(digits, text + 5, n);
			digits[n] = 0;
			if (!lull_number(digits, 0.1, &f->bank_Wh) && f->bank_Wh <= 10000)
				return 0;
		}
		return lull_misuse(who, "'%s' is no size of a power bank; write bank:74Wh (20,000 mAh at 3.7 V)", text + 5);
	} else {
		return lull_misuse(who, "'%s' is no supply: bank:74Wh, port, car, mains", text);
	}
	return 0;
}

static int named_bus(struct options *o, const char *word)
{
	const char *equals = strchr(word, '=');
	size_t n = equals ? (size_t)(equals - word) : strlen(word);
	struct lull_check_bus *b = &o->bus[o->buses];

	if (o->buses == LULL_BUS_MAX)
		return lull_misuse(who, "more than %d interfaces", LULL_BUS_MAX);
	if (!n || n >= sizeof b->interface)
		return lull_misuse(who, "'%s' is no name of an interface", word);
	if (equals && lull_bitrate(equals + 1, strlen(equals + 1), &b->bitrate))
		return lull_misuse(who, "'%s' is no bit rate; write %.*s=500k", equals + 1, (int)n, word);
	memcpy(b->interface, word, n);
	memcpy(b->name, b->interface, sizeof b->interface);
	o->buses++;
	o->named = true;
	return 0;
}

/* -1: go on; else the exit status. */
static int parse(int argc, char **argv, struct options *o)
{
	enum { HELP = 256, KEY, LISTEN, WAKE, ZERO, LOAD, SUPPLY, WATTS, NIGHT, VOLTS, LIMIT, FOLDER };
	static const struct option longs[] = {{"config", required_argument, NULL, 'c'}, {"key", required_argument, NULL, KEY},
		{"listen", required_argument, NULL, LISTEN}, {"wakes", no_argument, NULL, WAKE}, {"zero", no_argument, NULL, ZERO},
		{"test-load", required_argument, NULL, LOAD}, {"supply", required_argument, NULL, SUPPLY},
		{"watts", required_argument, NULL, WATTS}, {"night", required_argument, NULL, NIGHT},
		{"battery-volts", required_argument, NULL, VOLTS}, {"limit-ma", required_argument, NULL, LIMIT},
		{"folder", required_argument, NULL, FOLDER}, {"help", no_argument, NULL, HELP}, {NULL, 0, NULL, 0}};
	struct lull_ready_facts *f = &o->facts;
	int c, r = 0;

	while (!r && (c = getopt_long(argc, argv, "c:", longs, NULL)) != -1) {
		switch (c) {
		case 'c': o->config = optarg; break;
		case KEY:
			o->key_off = !strcmp(optarg, "off");
			if (!o->key_off && strcmp(optarg, "on") != 0)
				r = lull_misuse(who, "--key is on or off, not '%s'", optarg);
			break;
		case LISTEN: r = listen_for(&o->listen_s, optarg); break;
		case WAKE: o->wakes = true; break;
		case ZERO: o->zero = true; break;
		case LOAD: r = number(&f->clamp.load_mA, optarg, 1, 20000, "load in mA"); break;
		case SUPPLY: r = supply(f, optarg); break;
		case WATTS: r = number(&f->watts, optarg, 0.01, 1000, "power in watts"); break;
		case NIGHT: r = night_of(&f->night_h, optarg); break;
		case VOLTS: r = number(&f->battery_V, optarg, 5, 60, "voltage of a battery"); break;
		case LIMIT: r = number(&f->limit_mA, optarg, 1, 10000, "draw in mA"); break;
		case FOLDER: o->folder = optarg; break;
		case HELP: return help();
		default: return lull_try_help(who);
		}
	}
	for (; !r && optind < argc; optind++)
		r = named_bus(o, argv[optind]);
	if (!r && f->battery_V > 18)
		f->battery_V /= 2; /* two batteries in a row: the rules are those of one */
	return r ? r : -1;
}

/* The buses of the configuration, their adapters looked up among those that are there. */
static void configured(struct options *o, const struct lull_config *c)
{
	struct lull_watch *w = lull_watch_open();
	size_t i;

	for (i = 0; i < c->bus_count && o->buses < LULL_BUS_MAX && !o->named; i++) {
		const struct lull_config_bus *from = &c->bus[i];
		struct lull_check_bus *b = &o->bus[o->buses++];
		const struct lull_adapter *a = w ? lull_watch_find(w, from->adapter[0] ? from->adapter : from->interface) : NULL;

		(void)snprintf(b->name, sizeof b->name, "%s", from->name);
		(void)snprintf(b->interface, sizeof b->interface, "%s", a ? a->name : from->adapter[0] ? "" : from->interface);
		b->bitrate = from->bitrate;
		b->accepted = from->accept_acknowledging;
	}
	lull_watch_close(w);
}

static int configure(struct options *o)
{
	static struct lull_config c; /* large */
	char err[512];

	if (!o->config && o->named)
		return 0;
	if (!o->config && access(LULL_CONFIG_PATH, R_OK) != 0)
		return lull_misuse(who, "which bus? Name an interface, or a configuration with --config");
	if (lull_config_read(o->config ? o->config : LULL_CONFIG_PATH, &c, err, sizeof err))
		return lull_fail(who, "%s", err);
	configured(o, &c);
	o->facts.clamp.wanted = lull_live_from_config(&c.clamp, &o->clamp);
	if (o->facts.clamp.wanted && lull_live_spec_check(&o->clamp, err, sizeof err))
		return lull_fail(who, "%s: [clamp]: %s", o->config ? o->config : LULL_CONFIG_PATH, err);
	o->socket = c.socket;
	if (!o->folder)
		o->folder = c.folder;
	if (c.keep == LULL_KEEP_ALL)
		o->facts.need_MB = (double)(c.keep_most + c.keep_free) / 1e6;
	return 0;
}

static void announce(const char *text)
{
	(void)puts(text);
	(void)fflush(stdout);
}

static int measure(struct options *o, struct lull_ready_bus *bus, struct lull_ready_traffic *traffic)
{
	struct lull_ready_facts *f = &o->facts;
	double listen_s = isfinite(o->listen_s) ? o->listen_s : o->wakes ? WAKES_WITHIN : 10;
	char err[160];

	lull_check_look(o->bus, o->buses, bus, traffic);
	f->bus = bus;
	f->bus_count = o->buses;
	f->key_on = !o->key_off && !o->wakes;
	f->wakes_wanted = o->wakes ? WAKES : 0;
	if (o->wakes)
		announce("Wake the car three times (a door, the key), and let it fall asleep in between. Ctrl-C ends this.");
	if (lull_check_listen(o->bus, o->buses, listen_s, f->wakes_wanted, &stopped, bus, traffic, err, sizeof err))
		return lull_fail(who, "%s", err);
	if (o->wakes)
		stopped = 0;
	if (f->clamp.wanted) {
		double clamp_s = 5;

		f->clamp.off_cable = o->zero;
		if (!isnan(f->clamp.load_mA)) {
			announce("Switch the load on now: 7 s on, 3 s off, 5 s on. Measuring for 30 s.");
			clamp_s = LOAD_WITHIN;
		}
		if (lull_check_clamp(&o->clamp, o->socket, isfinite(o->listen_s) ? fmin(clamp_s, o->listen_s) : clamp_s, &stopped, f))
			return lull_fail(who, "out of memory");
	}
	f->clock_set = lull_board_clock_set();
	f->free_MB = lull_board_free_MB(o->folder ? o->folder : ".");
	f->board = lull_board_voltage("");
	return 0;
}

static enum lull_ink ink(enum lull_ready_level l)
{
	switch (l) {
	case LULL_READY_FINE: return LULL_INK_GOOD;
	case LULL_READY_CAREFUL: return LULL_INK_WARN;
	case LULL_READY_STOP: break;
	}
	return LULL_INK_STRONG;
}

static void show(const struct lull_page *p, const struct lull_ready_line *line, size_t n)
{
	const char *const *question;
	char lead[64], blank[64];
	size_t i;

	for (i = 0; i < n; i++) {
		(void)snprintf(lead, sizeof lead, "%-8s %-10s    ", lull_ready_level_name(line[i].level), line[i].what);
		lull_page_para(p, 3, lead, ink(line[i].level), line[i].text);
		(void)snprintf(blank, sizeof blank, "%*s", (int)strlen(lead), "-> ");
		if (line[i].todo[0])
			lull_page_para(p, 3, blank, LULL_INK_NONE, line[i].todo);
	}
	lull_page_heading(p, "BEFORE YOU LOCK THE CAR", "");
	question = lull_ready_questions(&n);
	for (i = 0; i < n; i++)
		lull_page_para(p, 3, "- ", LULL_INK_NONE, question[i]);
}

static void stop(int signal)
{
	(void)signal;
	stopped = 1;
}

int lull_cmd_check(int argc, char **argv)
{
	static struct lull_ready_traffic traffic[LULL_BUS_MAX]; /* large */
	static struct lull_ready_line line[LINES_MOST];
	static struct options o;
	static struct lull_ready_bus bus[LULL_BUS_MAX];
	const struct lull_report_style style = {.colour = lull_colour(STDOUT_FILENO), .width = lull_columns(STDOUT_FILENO)};
	const struct lull_page p = lull_page_new(stdout, &style);
	const struct sigaction quit = {.sa_handler = stop};
	enum lull_ready_level worst;
	size_t n;
	int r;

	o = (struct options){.listen_s = (double)NAN, .facts = lull_ready_facts_default()};
	r = parse(argc, argv, &o);
	if (r >= 0)
		return r;
	r = configure(&o);
	if (!r && !isnan(o.facts.clamp.load_mA) && !o.facts.clamp.wanted)
		r = lull_misuse(who, "--test-load needs a clamp in the configuration");
	if (r)
		return r;
	(void)sigaction(SIGINT, &quit, NULL);
	(void)sigaction(SIGTERM, &quit, NULL);
	r = measure(&o, bus, traffic);
	if (r)
		return r;
	n = lull_ready_judge(&o.facts, line, LINES_MOST);
	show(&p, line, n);
	worst = lull_ready_worst(line, n);
	return lull_printed(who, worst == LULL_READY_FINE ? LULL_EXIT_OK : worst == LULL_READY_CAREFUL ? LULL_EXIT_SOME : EXIT_STOP);
}
