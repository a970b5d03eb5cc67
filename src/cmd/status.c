/* SPDX-License-Identifier: GPL-3.0-or-later */
/* status: how the recorder stands right now, and what the night says so far. */
#include <cmd/ask.h>
#include <cmd/cmd.h>
#include <cmd/judged.h>
#include <cmd/status_screen.h>
#include <getopt.h>
#include <inttypes.h>
#include <math.h>
#include <report/page.h>
#include <report/when.h>
#include <report/words.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

static const char who[] = "lull status";

static int help(void)
{
	(void)puts("Usage: lull status [OPTION]...\n"
		   "Say of each bus whether it is awake, quiet since when, or blind and why; who\n"
		   "still sends; the current; how long until the limit; what the night says so far.\n"
		   "\n"
		   "  -f, --follow       on a terminal the whole screen, kept up to date (q ends);\n"
		   "                     else a line for each change, until interrupted\n"
		   "      --json         the recorder's answer as it is\n"
		   "  -s, --socket FILE  the recorder's control socket\n"
		   "  -h, --help         display this help and exit\n"
		   "\n"
		   "Exit status: 0 shown, 2 not.");
	return lull_printed(who, LULL_EXIT_OK);
}

static const char *text_of(const json_t *object, const char *key)
{
	const char *text = json_string_value(json_object_get(object, key));

	return text ? text : "";
}

static double number_of(const json_t *object, const char *key)
{
	const json_t *value = json_object_get(object, key);

	return json_is_number(value) ? json_number_value(value) : (double)NAN;
}

static void add(char *line, size_t size, const char *format, ...) LULL_PRINTF(3, 4);
static void add(char *line, size_t size, const char *format, ...)
{
	const size_t n = strlen(line);
	va_list list;

	va_start(list, format);
	(void)vsnprintf(line + n, size - n, format, list);
	va_end(list);
}

static void add_words(char *line, size_t size, const json_t *list, size_t most)
{
	const size_t n = json_array_size(list);

	for (size_t i = 0; i < n && i < most; i++) {
		const char *word = json_string_value(json_array_get(list, i));

		add(line, size, "%s%s", i ? ", " : "", word ? word : "?");
	}
	if (n > most)
		add(line, size, " and %zu more", n - most);
}

/* What stays the same as long as nothing happens: "awake", "quiet", "blind: adapter gone". */
static void describe(const json_t *bus, char *line, size_t size, bool who_talks)
{
	const char *state = text_of(bus, "state");

	add(line, size, "%s", state);
	if (!strcmp(state, "blind")) {
		add(line, size, ": ");
		add_words(line, size, json_object_get(bus, "why"), 8);
	} else if (!strcmp(state, "quiet") && !json_is_true(json_object_get(bus, "proven"))) {
		add(line, size, ", unproven: nothing was heard yet since the adapter was set up");
	}
	if (who_talks && !strcmp(state, "awake")) {
		add(line, size, ", sending: ");
		add_words(line, size, json_object_get(bus, "talking"), 12);
	}
}

static void add_since(char *line, size_t size, double now, double since)
{
	char length[LULL_WHEN];

	if (isfinite(since) && now >= since)
		add(line, size, " for %s", lull_when_length((lull_time)((now - since) * 1e9), length));
}

static void show_vehicle(const struct lull_page *page, const json_t *vehicle)
{
	struct lull_night_identity id = {.uuid = ""};
	char line[2 * LULL_VEHICLE + 16], clean[4 * LULL_VEHICLE + 32];

	(void)snprintf(id.vehicle, sizeof id.vehicle, "%s", text_of(vehicle, "id"));
	(void)snprintf(id.model, sizeof id.model, "%s", text_of(vehicle, "model"));
	if (lull_words_vehicle(&id, line, sizeof line))
		lull_page_item(page, "vehicle", lull_page_clean(line, clean, sizeof clean));
}

static void show_bus(const struct lull_page *page, const json_t *bus, double now)
{
	char line[1024] = "", clean[2048];
	const json_t *lost = json_object_get(bus, "lost");
	const double sum = number_of(lost, "socket") + number_of(lost, "ring") + number_of(lost, "controller");

	describe(bus, line, sizeof line, false);
	add_since(line, sizeof line, now, number_of(bus, "since_s"));
	lull_page_item(page, lull_page_clean(text_of(bus, "name"), clean, sizeof clean), line);
	line[0] = '\0';
	if (!strcmp(text_of(bus, "state"), "awake")) {
		add(line, sizeof line, "sending: ");
		add_words(line, sizeof line, json_object_get(bus, "talking"), 40);
		lull_page_item(page, "", line);
	}
	line[0] = '\0';
	add(line, sizeof line, "%s, %.0f frames, %.0f error frames", text_of(bus, "interface"), number_of(bus, "frames"),
		number_of(bus, "errors"));
	if (sum > 0)
		add(line, sizeof line, ", %.0f LOST (%.0f socket, %.0f ring, %.0f controller)", sum, number_of(lost, "socket"),
			number_of(lost, "ring"), number_of(lost, "controller"));
	if (json_is_false(json_object_get(bus, "listen_only")))
		add(line, sizeof line, ", NOT listen-only: it acknowledges");
	lull_page_item(page, "", line);
}

static void show_current(const struct lull_page *page, const json_t *current, double now)
{
	char line[256] = "", amps[LULL_WHEN];

	if (!json_is_object(current))
		return;
	if (json_is_string(json_object_get(current, "lost")))
		add(line, sizeof line, "LOST: %s", text_of(current, "lost"));
	else if (isfinite(number_of(current, "mA")))
		add(line, sizeof line, "%s", lull_words_amps(number_of(current, "mA"), amps));
	else
		add(line, sizeof line, "no reading yet");
	add_since(line, sizeof line, now, (double)NAN);
	lull_page_item(page, "current", line);
}

/* How long until a bus that is awake is awake for too long. */
static void show_limit(const struct lull_page *page, const struct lull_verdict *v)
{
	char length[LULL_WHEN];

	if (v->settle_from == LULL_NEVER || !isfinite(v->limit_sleep_s))
		return;
	const lull_time left = v->settle_from + (lull_time)(v->limit_sleep_s * 1e9) - v->end;

	if (left > 0)
		lull_page_itemf(page, "limit", "%s until everything should sleep", lull_when_length(left, length));
	else
		lull_page_itemf(page, "limit", "it should have slept %s ago", lull_when_length(-left, length));
}

static void show_findings(const struct lull_page *page, const char *recording)
{
	struct lull_judged_options o = lull_judged_options_default();
	static struct lull_judged judged;

	o.recording = recording;
	if (access(recording, R_OK)) {
		lull_page_item(page, "so far", "the recording cannot be read by you; ask as root, or join the recorder's group");
		return;
	}
	if (lull_judged_load(&judged, &o, who))
		return;
	show_limit(page, &judged.verdict);
	for (size_t i = 0; i < judged.verdict.findings.n; i++) {
		const struct lull_finding *f = &judged.verdict.findings.at[i];
		char accused[512];

		lull_page_item(page, i ? "" : "so far", lull_words_headline(&judged.verdict, f));
		lull_words_who(f, accused, sizeof accused);
		if (accused[0])
			lull_page_item(page, "", accused);
	}
	lull_judged_clear(&judged);
}

static void show(const json_t *state)
{
	const struct lull_report_style style = {.width = lull_columns(STDOUT_FILENO), .colour = lull_colour(STDOUT_FILENO)};
	const struct lull_page page = lull_page_new(stdout, &style);
	const json_t *buses = json_object_get(state, "buses"), *disk = json_object_get(state, "disk");
	const double now = number_of(state, "time_s");
	const double from = number_of(state, "counted_from_s"), MB = number_of(disk, "written_bytes") / 1e6;
	const bool again = isfinite(from) && from > 0.5, none = json_is_null(json_object_get(state, "recording"));
	char length[LULL_WHEN];

	lull_page_item(&page, "recording", none ? "no file yet: what is heard is held in memory" : text_of(state, "recording"));
	show_vehicle(&page, json_object_get(state, "vehicle"));
	(void)lull_when_length((lull_time)((again ? now - from : now) * 1e9), length);
	if (again)
		lull_page_itemf(&page, "", "since the recorder's last start, %s ago: %.1f MB written to the disk, and the frames below", length, MB);
	else
		lull_page_itemf(&page, "", "%s long, %.1f MB written to the disk", length, MB);
	if (json_is_string(json_object_get(disk, "trouble")))
		lull_page_itemf(&page, "", "THE DISK TAKES NOTHING: %s", text_of(disk, "trouble"));
	for (size_t i = 0; i < json_array_size(buses); i++)
		show_bus(&page, json_array_get(buses, i), now);
	show_current(&page, json_object_get(state, "current"), now);
	if (!none)
		show_findings(&page, text_of(state, "recording"));
}

/* --- following --- */

static volatile sig_atomic_t stopped;

static void on_signal(int sig)
{
	(void)sig;
	stopped = 1;
}

static void print_line(const json_t *state, const char *name, const char *text)
{
	char clock[16] = "", clean[2048], label[128];
	const time_t t = time(NULL);
	struct tm tm;

	if (json_is_string(json_object_get(state, "utc")) && localtime_r(&t, &tm))
		(void)strftime(clock, sizeof clock, "%H:%M:%S", &tm);
	else
		(void)lull_when_hms((lull_time)(number_of(state, "time_s") * 1e9), clean), (void)snprintf(clock, sizeof clock, "+%.12s", clean);
	(void)printf("%s %s %s\n", clock, lull_page_clean(name, label, sizeof label), lull_page_clean(text, clean, sizeof clean));
}

static void follow_bus(const json_t *state, const json_t *bus, char before[1024])
{
	char line[1024] = "";

	describe(bus, line, sizeof line, true);
	if (!strcmp(line, before))
		return;
	memcpy(before, line, sizeof line);
	print_line(state, text_of(bus, "name"), line);
}

static void follow_current(const json_t *state, double *before)
{
	const json_t *current = json_object_get(state, "current");
	const double mA = number_of(current, "mA");
	char amps[LULL_WHEN];

	if (!isfinite(mA) || (isfinite(*before) && fabs(mA - *before) < 5 + 0.1 * fabs(*before)))
		return;
	*before = mA;
	print_line(state, "current", lull_words_amps(mA, amps));
}

static int follow(const char *path)
{
	static char before[LULL_BUS_MAX][1024];
	const struct sigaction act = {.sa_handler = on_signal};
	double current = (double)NAN;

	(void)sigaction(SIGINT, &act, NULL);
	(void)sigaction(SIGTERM, &act, NULL);
	while (!stopped) {
		const struct timespec pause = {.tv_sec = 2};
		json_t *state;
		const int r = lull_ask(who, path, "status", &state);

		if (r)
			return r;
		const json_t *buses = json_object_get(state, "buses");

		for (size_t i = 0; i < json_array_size(buses) && i < LULL_BUS_MAX; i++)
			follow_bus(state, json_array_get(buses, i), before[i]);
		follow_current(state, &current);
		json_decref(state);
		if (fflush(stdout))
			return lull_fail(who, "cannot write to standard output");
		(void)nanosleep(&pause, NULL);
	}
	return LULL_EXIT_OK;
}

int lull_cmd_status(int argc, char **argv)
{
	static const struct option options[] = {{"follow", no_argument, NULL, 'f'}, {"json", no_argument, NULL, 'j'},
		{"socket", required_argument, NULL, 's'}, {"help", no_argument, NULL, 'h'}, {NULL, 0, NULL, 0}};
	bool lines = false, json = false;
	const char *socket = NULL;
	json_t *state;
	int c, r;

	while ((c = getopt_long(argc, argv, "fs:h", options, NULL)) != -1) {
		switch (c) {
		case 'f': lines = true; break;
		case 'j': json = true; break;
		case 's': socket = optarg; break;
		case 'h': return help();
		default: return lull_try_help(who);
		}
	}
	if (optind < argc)
		return lull_misuse(who, "unexpected word '%s'", argv[optind]);
	if (lines && json)
		return lull_misuse(who, "--follow prints lines; --json is one answer");
	socket = lull_ask_path(socket);
	if (lines)
		return isatty(STDOUT_FILENO) && isatty(STDIN_FILENO) ? lull_status_screen(who, socket) : follow(socket);
	r = lull_ask(who, socket, json ? "status" : "status fresh", &state);
	if (r)
		return r;
	if (json)
		(void)json_dumpf(state, stdout, JSON_INDENT(2)), (void)puts("");
	else
		show(state);
	json_decref(state);
	return lull_printed(who, LULL_EXIT_OK);
}
