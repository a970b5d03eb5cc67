/* SPDX-License-Identifier: GPL-3.0-or-later */
/* link: sets a CAN interface up to listen only, shows how it stands, finds the bit rate of a bus. */
#include <cmd/cmd.h>
#include <cmd/link_show.h>
#include <errno.h>
#include <getopt.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

static const char who[] = "lull link";
static volatile sig_atomic_t stopped;
static const volatile int *stop_flag = &stopped;

struct options {
	struct lull_link_spec spec;
	enum lull_transceiver transceiver;
	double listen_s;
	bool search, list, down;
};

static int help(void)
{
	(void)fputs("Usage: lull link INTERFACE --bitrate RATE [OPTION]...\n"
		    "       lull link --search INTERFACE [OPTION]...\n"
		    "       lull link INTERFACE\n"
		    "       lull link --list\n"
		    "Set a CAN interface up so that it listens and never acknowledges; find the bit\n"
		    "rate of a bus; show how an interface stands; list those there are. Setting and\n"
		    "searching need root.\n"
		    "\n"
		    "  -b, --bitrate RATE          500k, 125k, 83333, 1M\n"
		    "      --sample-point 0.875    (the driver's own choice)\n"
		    "      --fd-bitrate RATE       data phase of CAN FD, for controllers that have it\n"
		    "      --fd-sample-point 0.8\n"
		    "      --restart-ms TIME       restart so long after bus-off: 100 (ms),\n"
		    "                              1s (never)\n"
		    "      --accept-acknowledging  go on where listen-only cannot be had: the adapter\n"
		    "                              then takes part in the bus, and reports say so\n"
		    "  -s, --search                key on, other nodes talking: try the usual rates,\n"
		    "                              listen-only, and say which one fits\n"
		    "      --listen TIME           so long at each rate: 2 (seconds), 500ms (2 s)\n"
		    "      --transceiver KIND      high-speed, fault-tolerant or single-wire: tries\n"
		    "                              only what fits\n"
		    "      --down                  take the link down\n"
		    "  -l, --list                  the CAN interfaces, and the key by which each\n"
		    "                              adapter is known again\n"
		    "      --help                  display this help and exit\n"
		    "\n"
		    "A link never comes up after a setting that failed, nor without listen-only as\n"
		    "read back from the kernel; it is left down then.\n"
		    "Exit status: 0 done, or the rate found; 1 it acknowledges, or no rate was found;\n"
		    "2 on an error, such as a link that was refused.\n",
		stdout);
	return lull_printed(who, LULL_EXIT_OK);
}

static int rate(uint32_t *out, const char *text)
{
	return lull_bitrate(text, strlen(text), out) ? lull_misuse(who, "'%s' is no bit rate; write 500k, 83333 or 1M", text) : 0;
}

static int sample_point(uint32_t *out, const char *text)
{
	double x;

	if (lull_number(text, 0.3, &x) || x > 0.99)
		return lull_misuse(who, "'%s' is no sample point; write 0.875", text);
	*out = (uint32_t)lround(x * 1000);
	return 0;
}

static int restart(uint32_t *out, const char *text)
{
	static const struct lull_duration_rule rule = {LULL_IN_MS, 0, 60 * LULL_MIN};
	double ms;
	const int r = lull_duration_option(who, "--restart-ms", text, &rule, LULL_MS, &ms);

	if (!r)
		*out = (uint32_t)lround(ms);
	return r;
}

static int listen_for(double *seconds, const char *text)
{
	static const struct lull_duration_rule rule = {LULL_IN_S, 50 * LULL_MS, 10 * LULL_MIN};

	return lull_duration_option(who, "--listen", text, &rule, LULL_SEC, seconds);
}

static int transceiver(enum lull_transceiver *out, const char *text)
{
	return lull_transceiver_parse(text, out)
		? lull_misuse(who, "'%s' is no kind of transceiver: high-speed, fault-tolerant, single-wire", text)
		: 0;
}

static int interface(struct options *o, int argc, char **argv)
{
	char why[160];

	if (o->list)
		return optind == argc ? -1 : lull_misuse(who, "--list takes nothing else");
	if (optind == argc)
		return lull_misuse(who, "which interface? 'lull link --list' names those there are");
	if (optind + 1 != argc)
		return lull_misuse(who, "one interface at a time: what is '%s'?", argv[optind + 1]);
	if (strlen(argv[optind]) >= sizeof o->spec.name)
		return lull_misuse(who, "'%s' is no name of an interface", argv[optind]);
	(void)snprintf(o->spec.name, sizeof o->spec.name, "%s", argv[optind]);
	if (lull_link_spec_check(&o->spec, why, sizeof why))
		return lull_misuse(who, "%s: %s", argv[optind], why);
	if (!o->spec.bitrate && (o->spec.fd_bitrate || o->spec.sample_permille || o->spec.restart_ms || o->spec.accept_acknowledging))
		return lull_misuse(who, "--bitrate is missing");
	if (o->search && (o->spec.bitrate || o->down))
		return lull_misuse(who, "--search finds the bit rate: it goes with --listen and --transceiver");
	return -1;
}

/* -1: go on; else the exit status. */
static int parse(int argc, char **argv, struct options *o)
{
	enum { HELP = 256, SAMPLE, FD, FD_SAMPLE, RESTART, ACCEPT, LISTEN, TRANSCEIVER, DOWN };
	static const struct option longs[] = {{"bitrate", required_argument, NULL, 'b'}, {"sample-point", required_argument, NULL, SAMPLE},
		{"fd-bitrate", required_argument, NULL, FD}, {"fd-sample-point", required_argument, NULL, FD_SAMPLE},
		{"restart-ms", required_argument, NULL, RESTART}, {"accept-acknowledging", no_argument, NULL, ACCEPT},
		{"search", no_argument, NULL, 's'}, {"listen", required_argument, NULL, LISTEN},
		{"transceiver", required_argument, NULL, TRANSCEIVER}, {"down", no_argument, NULL, DOWN}, {"list", no_argument, NULL, 'l'},
		{"help", no_argument, NULL, HELP}, {NULL, 0, NULL, 0}};
	int c, r = 0;

	while (!r && (c = getopt_long(argc, argv, "b:sl", longs, NULL)) != -1) {
		switch (c) {
		case 'b': r = rate(&o->spec.bitrate, optarg); break;
		case SAMPLE: r = sample_point(&o->spec.sample_permille, optarg); break;
		case FD: r = rate(&o->spec.fd_bitrate, optarg); break;
		case FD_SAMPLE: r = sample_point(&o->spec.fd_sample_permille, optarg); break;
		case RESTART: r = restart(&o->spec.restart_ms, optarg); break;
		case ACCEPT: o->spec.accept_acknowledging = true; break;
		case 's': o->search = true; break;
		case LISTEN: r = listen_for(&o->listen_s, optarg); break;
		case TRANSCEIVER: r = transceiver(&o->transceiver, optarg); break;
		case DOWN: o->down = true; break;
		case 'l': o->list = true; break;
		case HELP: return help();
		default: return lull_try_help(who);
		}
	}
	return r ? r : interface(o, argc, argv);
}

static void show(const struct lull_page *p, const struct lull_link_state *s)
{
	struct lull_adapter a;
	struct lull_coalescing c;

	lull_adapter_describe("", s->name, &a);
	if (lull_coalescing_read(s->name, &c))
		c.known = false;
	lull_link_show(p, s, &a, &c);
}

static int list(const struct lull_page *p)
{
	struct lull_watch *w = lull_watch_open();
	const struct lull_adapter *a;
	size_t n, i;

	if (!w)
		return lull_fail(who, "the kernel does not list its interfaces: %s", strerror(errno));
	a = lull_watch_list(w, &n);
	for (i = 0; i < n; i++)
		lull_page_itemf(p, a[i].name, "%s, %s%s%s", a[i].key, a[i].up ? "up" : "down", a[i].product[0] ? ", " : "", a[i].product);
	if (!n)
		(void)fputs("There is no CAN interface: is the adapter plugged in, is its driver loaded?\n", p->out);
	lull_watch_close(w);
	return 0;
}

static int set(const struct lull_page *p, const struct options *o)
{
	const struct lull_link_io io = lull_link_kernel();
	struct lull_link_state s;
	char why[160];
	enum lull_link_result r = lull_link_setup(&io, &o->spec, &s, why, sizeof why);

	if (r != LULL_LINK_SET)
		return lull_fail(who, "%s", why);
	show(p, &s);
	return lull_link_listens_only(&s) ? LULL_EXIT_OK : LULL_EXIT_SOME;
}

static int look(const struct lull_page *p, const struct options *o)
{
	const struct lull_link_io io = lull_link_kernel();
	struct lull_link_state s;
	char said[160] = "";
	int r = o->down ? io.ops->down(io.ctx, o->spec.name, said, sizeof said) : 0;

	if (!r)
		r = lull_link_query(&io, o->spec.name, &s);
	if (r)
		return lull_fail(who, "%s: %s", o->spec.name, r == -ENODEV ? "there is no such interface" : said[0] ? said : strerror(-r));
	if (!s.can)
		return lull_fail(who, "%s is no CAN interface", o->spec.name);
	show(p, &s);
	return lull_link_listens_only(&s) || !s.up ? LULL_EXIT_OK : LULL_EXIT_SOME;
}

/* --- the search --- */

static const struct lull_page *page;

static void told(void *ctx, const struct lull_try *t, bool done)
{
	(void)ctx;
	if (done)
		lull_try_show(page, t);
}

static void stop(int signal)
{
	(void)signal;
	stopped = 1;
}

static int search(const struct lull_page *p, const struct options *o)
{
	struct lull_search_io io = lull_search_kernel();
	const struct sigaction quit = {.sa_handler = stop};
	struct lull_search s;

	(void)sigaction(SIGINT, &quit, NULL);
	(void)sigaction(SIGTERM, &quit, NULL);
	page = p;
	io.ctx = &stop_flag;
	io.tell = told;
	(void)fprintf(p->out, "   Listening at each rate for %g s. Key on; nothing is sent or acknowledged.\n", o->listen_s);
	(void)fflush(p->out);
	lull_search_run(&io, o->spec.name, (int64_t)(o->listen_s * 1e9), o->transceiver, &s);
	if (stopped)
		return lull_fail(who, "stopped; %s is down", o->spec.name);
	if (s.answer == LULL_SEARCH_FAILED)
		return lull_fail(who, "%s", s.why);
	lull_search_show(p, o->spec.name, &s);
	return s.answer == LULL_SEARCH_FOUND || s.answer == LULL_SEARCH_LONE_SENDER ? LULL_EXIT_OK : LULL_EXIT_SOME;
}

int lull_cmd_link(int argc, char **argv)
{
	struct options o = {.listen_s = 2};
	const struct lull_report_style style = {.colour = lull_colour(STDOUT_FILENO), .width = lull_columns(STDOUT_FILENO)};
	const struct lull_page p = lull_page_new(stdout, &style);
	int r = parse(argc, argv, &o);

	if (r >= 0)
		return r;
	if (o.list)
		r = list(&p);
	else if (o.search)
		r = search(&p, &o);
	else if (o.spec.bitrate && !o.down)
		r = set(&p, &o);
	else
		r = look(&p, &o);
	return lull_printed(who, r);
}
