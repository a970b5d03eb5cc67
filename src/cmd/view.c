/* SPDX-License-Identifier: GPL-3.0-or-later */
/* view: the running recorder, or a finished recording, in a browser, on this computer or on a phone. */
#include <cmd/ask.h>
#include <cmd/cmd.h>
#include <cmd/judged.h>
#include <cmd/view_live.h>
#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <page/assets.h>
#include <page/finished.h>
#include <page/qr.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/signalfd.h>
#include <time.h>
#include <unistd.h>

static const char who[] = "lull view";

struct options {
	struct lull_judged_options judged;
	const char *address, *host, *socket, *link_file;
	char computer[64]; /* its name, without a domain */
	bool show_link;
	uint16_t port;
};

static int help(void)
{
	(void)fputs("Usage: lull view [OPTION]... [NIGHT.lull]\n"
		    "  or:  lull view --link [--link-file FILE]\n"
		    "Show the running recorder, or a finished recording, in a browser: a page for a\n"
		    "phone, and the report. Prints a link and its QR code; each link is good for one\n"
		    "browser, and the next one follows. Ends with Ctrl-C.\n"
		    "\n"
		    "      --listen ADDRESS   127.0.0.1 by default: this computer only; 0.0.0.0:\n"
		    "                         every network it is in\n"
		    "      --port N           a port instead of any free one\n"
		    "      --host NAME        name or address that the link shall have; requests for\n"
		    "                         others than this, NAME.local, this computer's name and\n"
		    "                         its addresses are refused\n"
		    "      --socket FILE      the recorder's control socket\n"
		    "      --link-file FILE   write the link there too, for --link\n"
		    "      --link             show the link that a view in the background has\n"
		    "                         written, as a QR code (/run/lull-view/link)\n"
		    "  -p, --profile FILE     this profile instead of the recording's own\n"
		    "      --help             display this help and exit\n"
		    "\n"
		    "Exit status: 0, or 2 on an error.\n",
		stdout);
	return lull_printed(who, LULL_EXIT_OK);
}

/* -1: go on; else the exit status. */
static int parse(int argc, char **argv, struct options *o)
{
	enum { HELP = 256, LISTEN, PORT, HOST, SOCKET, LINK_FILE, LINK };
	static const struct option longs[] = {{"listen", required_argument, NULL, LISTEN}, {"port", required_argument, NULL, PORT},
		{"host", required_argument, NULL, HOST}, {"socket", required_argument, NULL, SOCKET},
		{"link-file", required_argument, NULL, LINK_FILE}, {"link", no_argument, NULL, LINK}, {"profile", required_argument, NULL, 'p'}, {"help", no_argument, NULL, HELP},
		{NULL, 0, NULL, 0}};
	double port;
	int c;

	while ((c = getopt_long(argc, argv, "p:", longs, NULL)) != -1) {
		switch (c) {
		case LISTEN: o->address = optarg; break;
		case HOST: o->host = optarg; break;
		case SOCKET: o->socket = optarg; break;
		case LINK_FILE: o->link_file = optarg; break;
		case LINK: o->show_link = true; break;
		case PORT:
			if (lull_number(optarg, 1, &port) || port > 65535 || port != (double)(uint16_t)port)
				return lull_misuse(who, "'%s' is no port: 1 to 65535", optarg);
			o->port = (uint16_t)port;
			break;
		case 'p': o->judged.profile = optarg; break;
		case HELP: return help();
		default: return lull_try_help(who);
		}
	}
	if (argc - optind > 1)
		return lull_misuse(who, "one recording at a time: what is '%s'?", argv[optind + 1]);
	if (o->show_link && optind < argc)
		return lull_misuse(who, "--link goes with no recording");
	o->judged.recording = argv[optind];
	return -1;
}

static void print_link(const char *link)
{
	if (isatty(STDOUT_FILENO) && lull_qr_print(stdout, link, lull_utf8_locale()))
		(void)fputs("(the QR code could not be made)\n", stdout);
	(void)printf("%s\n", link);
	(void)fflush(stdout);
}

/* Readable for the group: whoever may give marks may look on. */
static void write_link(const char *path, const char *link)
{
	const int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW | O_CLOEXEC, 0640);
	const size_t n = strlen(link);

	if (fd < 0 || write(fd, link, n) != (ssize_t)n || write(fd, "\n", 1) != 1)
		(void)fprintf(stderr, "%s: %s: %s\n", who, path, strerror(errno));
	if (fd >= 0)
		(void)close(fd);
}

static int link_of_another(const char *path)
{
	char link[512];
	FILE *f = fopen(path, "re");
	bool read;

	if (!f)
		return lull_fail(who, "%s: %s; is a view running in the background?", path, strerror(errno));
	read = fgets(link, sizeof link, f) && !strncmp(link, "http://", 7);
	(void)fclose(f);
	if (!read)
		return lull_fail(who, "%s holds no link", path);
	link[strcspn(link, "\n")] = 0;
	print_link(link);
	return LULL_EXIT_OK;
}

/* Where another computer finds this one. One that listens in every network has no address of its own: its name stands for it. */
static void host_of_link(const struct options *o, char *out, size_t size)
{
	const char *host = o->host ? o->host : o->address;
	const bool everywhere = !o->host && o->computer[0] && (!strcmp(host, "0.0.0.0") || !strcmp(host, "::"));

	if (everywhere)
		(void)snprintf(out, size, "%s.local", o->computer);
	else
		(void)snprintf(out, size, strchr(host, ':') && host[0] != '[' ? "[%s]" : "%s", host);
}

static void show_link(const struct options *o, const struct lull_page_server *s)
{
	char host[256], link[512];

	host_of_link(o, host, sizeof host);
	(void)snprintf(link, sizeof link, "http://%s:%u/?t=%s", host, lull_page_port(s), lull_page_token(s, NULL));
	if (o->link_file)
		write_link(o->link_file, link);
	print_link(link);
}

static int64_t now_ms(void)
{
	struct timespec t;

	(void)clock_gettime(CLOCK_MONOTONIC, &t);
	return t.tv_sec * INT64_C(1000) + t.tv_nsec / 1000000;
}

static int signals(void)
{
	sigset_t set;

	(void)sigemptyset(&set);
	(void)sigaddset(&set, SIGINT);
	(void)sigaddset(&set, SIGTERM);
	if (sigprocmask(SIG_BLOCK, &set, NULL))
		return -1;
	return signalfd(-1, &set, SFD_CLOEXEC);
}

/* Until a signal ends it. A link that was used is followed by the next. */
static int serve(const struct options *o, struct lull_page_server *s)
{
	struct pollfd fd[2] = {{.fd = lull_page_descriptor(s), .events = POLLIN}, {.fd = signals(), .events = POLLIN}};
	int64_t due = now_ms();
	unsigned uses = 0, seen = 0;

	if (fd[1].fd < 0)
		return lull_fail(who, "%s", strerror(errno));
	show_link(o, s);
	for (;;) {
		const int64_t left = due - now_ms();
		int wait = lull_page_wait_ms(s);

		if (wait < 0 || wait > left)
			wait = left > 0 ? (int)left : 0;
		if (poll(fd, 2, wait) < 0 && errno != EINTR)
			break;
		if (fd[1].revents)
			break;
		lull_page_run(s);
		(void)lull_page_token(s, &uses);
		if (uses != seen) {
			seen = uses;
			show_link(o, s);
		}
		if (now_ms() >= due) {
			due = now_ms() + 1000;
			lull_page_tick(s);
			lull_page_run(s);
		}
	}
	(void)close(fd[1].fd);
	return LULL_EXIT_OK;
}

static int run(struct options *o, const struct lull_page_source *source)
{
	const char *names[LULL_PAGE_NAMES + 1] = {0};
	size_t n = 0;
	struct lull_page_server *s;
	char err[256];
	int r;

	if (gethostname(o->computer, sizeof o->computer - 1))
		o->computer[0] = 0;
	o->computer[strcspn(o->computer, ".")] = 0;
	if (o->host)
		names[n++] = o->host;
	if (o->computer[0])
		names[n++] = o->computer;
	if (lull_page_assets_load())
		(void)fprintf(stderr, "%s: the chart library is not installed (libjs-dygraphs): the page has no chart\n", who);
	s = lull_page_start(o->address, o->port, names, source, err, sizeof err);
	r = s ? serve(o, s) : lull_fail(who, "%s", err);
	lull_page_stop(s);
	return r;
}

static int view_finished(struct options *o)
{
	struct lull_page_source source;
	struct lull_finished finished;
	struct lull_judged j;
	const char *name = strrchr(o->judged.recording, '/') ? strrchr(o->judged.recording, '/') + 1 : o->judged.recording;
	int r = lull_judged_load(&j, &o->judged, who);

	if (r)
		return r;
	r = lull_finished_make(&j.night, &j.verdict, name, &finished);
	lull_judged_clear(&j);
	if (r)
		return lull_fail(who, "out of memory");
	source = lull_finished_source(&finished);
	r = run(o, &source);
	lull_finished_clear(&finished);
	return r;
}

static int view_live(struct options *o)
{
	struct lull_view_live *l = lull_view_live_new(lull_ask_path(o->socket), &o->judged);
	struct lull_page_source source;
	int r;

	if (!l)
		return lull_fail(who, "out of memory");
	source = lull_view_live_source(l);
	r = run(o, &source);
	lull_view_live_free(l);
	return r;
}

int lull_cmd_view(int argc, char **argv)
{
	struct options o = {.judged = lull_judged_options_default(), .address = "127.0.0.1"};
	const int r = parse(argc, argv, &o);

	if (r >= 0)
		return r;
	if (o.show_link)
		return link_of_another(o.link_file ? o.link_file : "/run/lull-view/link");
	return o.judged.recording ? view_finished(&o) : view_live(&o);
}
