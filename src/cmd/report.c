/* SPDX-License-Identifier: GPL-3.0-or-later */
/* report: the verdict on a recording, as text, JSON or a page to hand over. */
#include <cmd/cmd.h>
#include <cmd/judged.h>
#include <cmd/output.h>
#include <getopt.h>
#include <lull/baseline.h>
#include <math.h>
#include <report/report.h>
#include <source/order.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

static const char who[] = "lull report";

struct options {
	struct lull_judged_options judged;
	const char *output;
	const char *baseline; /* a good night; NULL none */
	const char *order; /* head of the work order, HTML only */
	bool without_owner;
	int (*form)(FILE *, const struct lull_night *, const struct lull_verdict *, const struct lull_report_style *);
};

static int help(void)
{
	(void)fputs("Usage: lull report [OPTION]... NIGHT.lull\n"
		    "Say what keeps the bus awake or wakes it, what the battery gives for it, on what\n"
		    "evidence, and what to do next.\n"
		    "\n"
		    "      --format FORM          text for people (default), json (lull.report, 1)\n"
		    "                             or html: one page with pictures, to print or send\n"
		    "      --order FILE           html: head of the work order (vehicle, complaint,\n"
		    "                             technician ...), see profiles/order.ini\n"
		    "      --without-owner        html: leave out customer, plate and VIN\n"
		    "      --limit-ma N           draw that is allowed once asleep, in mA\n"
		    "      --limit-sleep TIME     time within which the car has to be asleep:\n"
		    "                             900 (seconds), 15min\n"
		    "  -p, --profile FILE         this profile instead of the recording's own\n"
		    "  -k, --key-off TIME         seconds from the first frame, or a date such as\n"
		    "                             2026-03-05T22:41:07Z (without Z: local time)\n"
		    "      --flat-after TIME      the complaint, time until flat: 3d, 72h\n"
		    "      --stops-a-day N        how often it is parked, for costs per key-off (3)\n"
		    "      --capacity AH          rated capacity of the battery, in ampere hours\n"
		    "      --reserve TIME         or its reserve capacity, at 25 A: 120 (minutes), 2h\n"
		    "      --battery TYPE         flooded, efb, agm or gel\n"
		    "      --charge PERCENT       how full it was when parked (80)\n"
		    "      --rest-voltage VOLTS   or its voltage then, 4 h after the last charging\n"
		    "      --baseline GOOD.lull   a good night of this car or its sister: what is\n"
		    "                             as there is normal and taken away, and it is said\n"
		    "  -o, --output FILE          write there instead of standard output\n"
		    "      --help                 display this help and exit\n"
		    "\n"
		    "Exit status: 0 all within the limit, 1 any other finding, 2 an error.\n",
		stdout);
	return lull_printed(who, LULL_EXIT_OK);
}

static int set_format(struct options *o, const char *word)
{
	if (!strcmp(word, "json"))
		o->form = lull_report_json;
	else if (!strcmp(word, "html"))
		o->form = lull_report_html;
	else if (!strcmp(word, "text"))
		o->form = lull_report_text;
	else
		return lull_misuse(who, "there is no format '%s'; it is text, json or html", word);
	return 0;
}

/* "3d", "72h": whether 3 are days or hours has to be said. */
static int set_flat_after(struct lull_judged_options *o, const char *text)
{
	static const struct lull_duration_rule rule = {LULL_UNIT_REQUIRED, 6 * LULL_MIN, 366 * 24 * 60 * LULL_MIN};

	return lull_duration_option(who, "--flat-after", text, &rule, 60 * LULL_MIN, &o->flat_after_h);
}

static int set_reserve(struct lull_judged_options *o, const char *text)
{
	static const struct lull_duration_rule rule = {LULL_IN_MIN, LULL_MIN, 10000 * LULL_MIN};

	return lull_duration_option(who, "--reserve", text, &rule, LULL_MIN, &o->reserve_min);
}

/* A number with its unit behind it or not: "70", "70Ah", "80%". */
static int set_number(double *out, const char *text, const char *unit, double least, double most, const char *what)
{
	char digits[32];
	size_t n = strlen(text);
	const size_t k = strlen(unit);

	if (n > k && !strcasecmp(text + n - k, unit))
		n -= k;
	while (n && text[n - 1] == ' ')
		n--;
	if (!n || n >= sizeof digits)
		return lull_misuse(who, "'%s' is no %s", text, what);
	memcpy(digits, text, n);
	digits[n] = 0;
	if (lull_number(digits, least, out) || *out > most)
		return lull_misuse(who, "'%s' is no %s: it is %g to %g %s", text, what, least, most, unit);
	return 0;
}

/* -1: go on; else the exit status. */
static int parse(int argc, char **argv, struct options *o)
{
	enum { HELP = 256, FORMAT, LIMIT_MA, LIMIT_SLEEP, FLAT_AFTER, STOPS, CAPACITY, RESERVE, BATTERY, CHARGE, REST, BASELINE, ORDER, OWNER };
	static const struct option longs[] = {{"format", required_argument, NULL, FORMAT},
		{"limit-ma", required_argument, NULL, LIMIT_MA},
		{"limit-sleep", required_argument, NULL, LIMIT_SLEEP},
		{"profile", required_argument, NULL, 'p'}, {"key-off", required_argument, NULL, 'k'},
		{"flat-after", required_argument, NULL, FLAT_AFTER},
		{"stops-a-day", required_argument, NULL, STOPS}, {"capacity", required_argument, NULL, CAPACITY},
		{"reserve", required_argument, NULL, RESERVE}, {"battery", required_argument, NULL, BATTERY},
		{"charge", required_argument, NULL, CHARGE}, {"rest-voltage", required_argument, NULL, REST},
		{"baseline", required_argument, NULL, BASELINE}, {"order", required_argument, NULL, ORDER},
		{"without-owner", no_argument, NULL, OWNER},
		{"output", required_argument, NULL, 'o'}, {"help", no_argument, NULL, HELP},
		{NULL, 0, NULL, 0}};
	struct lull_judged_options *j = &o->judged;
	int c, r = 0;

	while (!r && (c = getopt_long(argc, argv, "p:k:o:", longs, NULL)) != -1) {
		switch (c) {
		case FORMAT: r = set_format(o, optarg); break;
		case LIMIT_MA:
			if (lull_number(optarg, 0, &o->judged.limit_draw_mA))
				r = lull_misuse(who, "'%s' is no current in mA", optarg);
			break;
		case LIMIT_SLEEP: r = lull_limit_sleep_option(who, optarg, &j->limit_sleep_s); break;
		case FLAT_AFTER: r = set_flat_after(j, optarg); break;
		case STOPS: r = set_number(&j->stops_a_day, optarg, "", 0.01, 100, "number of stops a day"); break;
		case CAPACITY: r = set_number(&j->capacity_Ah, optarg, "Ah", 1, 10000, "capacity"); break;
		case RESERVE: r = set_reserve(j, optarg); break;
		case BATTERY:
			if (lull_battery_kind_parse(optarg, &j->battery))
				r = lull_misuse(who, "there is no battery type '%s'; it is flooded, efb, agm or gel", optarg);
			break;
		case CHARGE:
			r = set_number(&j->charge, optarg, "%", 1, 100, "state of charge");
			j->charge /= 100;
			break;
		case REST: r = set_number(&j->rest_V, optarg, "V", 9, 13.2, "rest voltage of a 12 V battery (of a 24 V system tell one of the two)"); break;
		case BASELINE: o->baseline = optarg; break;
		case ORDER: o->order = optarg; break;
		case OWNER: o->without_owner = true; break;
		case 'p': o->judged.profile = optarg; break;
		case 'k': o->judged.key_off = optarg; break;
		case 'o': o->output = optarg; break;
		case HELP: return help();
		default: return lull_try_help(who);
		}
	}
	if (r)
		return r;
	if (isfinite(j->charge) && isfinite(j->rest_V))
		return lull_misuse(who, "either --charge or --rest-voltage");
	if (o->form != lull_report_html && (o->order || o->without_owner))
		return lull_misuse(who, "--order and --without-owner belong to --format html");
	if (isfinite(j->capacity_Ah) && isfinite(j->reserve_min))
		return lull_misuse(who, "either --capacity or --reserve");
	if (optind + 1 != argc)
		return optind == argc
			? lull_misuse(who, "no recording was given")
			: lull_misuse(who, "one recording at a time: what is '%s'?", argv[optind + 1]);
	o->judged.recording = argv[optind];
	return -1;
}

/* What was told of the battery and comes to nothing is not passed over in silence. */
static void tell_missing(const struct lull_judged *j, const struct lull_judged_options *o)
{
	const char *told = isfinite(o->flat_after_h) ? "--flat-after" : isfinite(o->rest_V) ? "--rest-voltage" : isfinite(o->charge) ? "--charge" : NULL;

	if (told && !j->verdict.battery.known)
		(void)fprintf(stderr,
			"%s: %s says nothing without the battery's capacity: --capacity AH, --reserve TIME, or the profile's [battery]\n",
			who, told);
}

/* The good night is judged under the same limits, but has a key-off and a complaint of its own. */
static int take_away(struct lull_judged *j, const struct options *o)
{
	struct lull_judged_options asked = o->judged;
	struct lull_judged good;
	int r;

	if (!o->baseline)
		return 0;
	asked.recording = o->baseline;
	asked.key_off = NULL;
	asked.flat_after_h = (double)NAN;
	r = lull_judged_load(&good, &asked, who);
	if (r)
		return r;
	if (lull_baseline(&j->night, &j->verdict, &j->profile, &good.night, &good.verdict))
		r = lull_fail(who, "out of memory");
	lull_judged_clear(&good);
	return r;
}

int lull_cmd_report(int argc, char **argv)
{
	struct options o = {.judged = lull_judged_options_default(), .form = lull_report_text};
	struct lull_order order;
	char problem[512];
	struct lull_report_style style = {0};
	struct lull_output out;
	struct lull_judged j;
	int r = parse(argc, argv, &o), err;

	if (r >= 0)
		return r;
	if (o.order && lull_order_read(o.order, &order, problem, sizeof problem))
		return lull_fail(who, "%s", problem);
	r = lull_judged_load(&j, &o.judged, who);
	if (r)
		return r;
	tell_missing(&j, &o.judged);
	r = take_away(&j, &o);
	if (r) {
		lull_judged_clear(&j);
		return r;
	}
	err = lull_output_open(&out, o.output);
	if (err) {
		r = lull_fail(who, "%s: %s", o.output, strerror(-err));
		lull_judged_clear(&j);
		return r;
	}
	style.name = o.judged.recording;
	style.colour = out.stream == stdout && lull_colour(STDOUT_FILENO);
	style.blocks = lull_utf8_locale();
	style.width = out.stream == stdout ? lull_columns(STDOUT_FILENO) : 80;
	if (o.order) {
		if (o.without_owner)
			lull_order_anonymous(&order);
		style.order = &order;
	}
	err = o.form(out.stream, &j.night, &j.verdict, &style);
	err = lull_output_close(&out, err);
	r = err ? lull_fail(who, "%s: %s", o.output ? o.output : "standard output", strerror(-err))
		: lull_verdict_status(&j.verdict);
	lull_judged_clear(&j);
	return r;
}
