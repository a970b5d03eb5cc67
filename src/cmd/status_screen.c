/* SPDX-License-Identifier: GPL-3.0-or-later */
/* status_screen: how the recorder stands, on the whole terminal. What is shown is the live view's status; what does not fit is left
 * out from below. States are told by words and by the shape of their bar, never by colour alone. */
#include <cmd/cmd.h>
#include <cmd/status_screen.h>
#include <cmd/view_live.h>
#include <curses.h>
#include <jansson.h>
#include <locale.h>
#include <math.h>
#include <report/page.h>
#include <report/when.h>
#include <report/words.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define LABEL 12
enum { PAIR_GOOD = 1, PAIR_WARN, PAIR_FAINT };

struct screen {
	const char *who;
	struct lull_view_live *live;
	struct lull_page_source source;
	json_t *status; /* owned; the last one that came */
	time_t heard;
	int row, rows, columns;
	bool colour, utf8;
	char said[160]; /* of the last key */
};

static volatile sig_atomic_t ended;

static void on_signal(int sig)
{
	(void)sig;
	ended = 1;
}

static const char *text_of(const json_t *o, const char *key)
{
	const char *t = json_string_value(json_object_get(o, key));

	return t ? t : "";
}

static double number_of(const json_t *o, const char *key)
{
	const json_t *v = json_object_get(o, key);

	return json_is_number(v) ? json_number_value(v) : (double)NAN;
}

static attr_t ink(const struct screen *s, int pair)
{
	if (!s->colour)
		return pair == PAIR_FAINT ? A_NORMAL : A_BOLD;
	return pair == PAIR_FAINT ? COLOR_PAIR(PAIR_FAINT) : COLOR_PAIR(pair) | A_BOLD;
}

/* Cut to the columns that are left; made harmless. */
static void put(const struct screen *s, int column, attr_t attr, const char *text)
{
	char fit[1024];

	if (s->row >= s->rows || column >= s->columns)
		return;
	(void)attrset((int)attr);
	(void)mvaddstr(s->row, column, lull_page_fit(text, (unsigned)(s->columns - column), fit, sizeof fit));
	(void)attrset(A_NORMAL);
}

static void putf(const struct screen *s, int column, attr_t attr, const char *format, ...) LULL_PRINTF(4, 5);
static void putf(const struct screen *s, int column, attr_t attr, const char *format, ...)
{
	char text[1024];
	va_list list;

	va_start(list, format);
	(void)vsnprintf(text, sizeof text, format, list);
	va_end(list);
	put(s, column, attr, text);
}

static const char *length(double seconds, char buf[static LULL_WHEN])
{
	if (!isfinite(seconds) || fabs(seconds) > 1e8)
		return strcpy(buf, "-");
	return lull_when_length((lull_time)(seconds * 1e9), buf);
}

static void head(struct screen *s)
{
	char clock[16] = "", ago[LULL_WHEN];
	const time_t now = time(NULL);
	struct tm tm;

	if (localtime_r(&now, &tm))
		(void)strftime(clock, sizeof clock, "%H:%M:%S", &tm);
	put(s, 0, A_BOLD, "lull");
	put(s, 6, A_NORMAL, text_of(s->status, "name"));
	if (s->columns > 10)
		put(s, s->columns - (int)strlen(clock), A_NORMAL, clock);
	s->row++;
	if (now - s->heard > 5)
		putf(s, 0, ink(s, PAIR_WARN), "no news for %s: what is shown is old", length((double)(now - s->heard), ago));
	s->row++;
}

/* "####" awake, "...." quiet, "////" blind, "::::" a recording without frames. */
static void one_bus(struct screen *s, const json_t *bus, double now)
{
	const bool unproven = !strcmp(text_of(bus, "state"), "quiet") && !json_is_true(json_object_get(bus, "proven"));
	const char *state = unproven ? "silent" : text_of(bus, "state"), *shape = !strcmp(state, "awake") ? "########" : !strcmp(state, "quiet") ? "........" : "////////";
	const int pair = !strcmp(state, "quiet") ? PAIR_GOOD : PAIR_WARN;
	char since[LULL_WHEN];

	putf(s, 0, A_NORMAL, "%s", text_of(bus, "name"));
	putf(s, LABEL, ink(s, pair), "%s %s", shape, state);
	if (isfinite(number_of(bus, "since_s")))
		putf(s, LABEL + 16, A_NORMAL, "for %s%s%s", length(now - number_of(bus, "since_s"), since), text_of(bus, "why")[0] ? ": " : "", text_of(bus, "why"));
	else
		put(s, LABEL + 16, A_NORMAL, text_of(bus, "why"));
	s->row++;
}

static void limit(struct screen *s, double now)
{
	const double settle = number_of(s->status, "settle_from_s"), from = isfinite(settle) ? settle : number_of(s->status, "key_off_s");
	const double most = number_of(json_object_get(s->status, "limits"), "sleep_s"), off = number_of(s->status, "key_off_s");
	char a[LULL_WHEN];
	int width = s->columns - LABEL - 34;

	put(s, 0, A_NORMAL, "key-off");
	if (isfinite(off))
		putf(s, LABEL, A_NORMAL, "%s ago", length(now - off, a));
	else
		put(s, LABEL, A_NORMAL, "not seen yet: key on, or set the mark \"key off\"");
	s->row++;
	if (!isfinite(from) || !isfinite(most))
		return;
	const double left = most - (now - from), share = fmin(fmax(1 - left / most, 0), 1);
	char bar[256];

	width = width < 10 ? 10 : width > 100 ? 100 : width;
	for (int i = 0; i < width; i++)
		bar[i] = i < (int)lround(share * width) ? '=' : '-';
	bar[width] = 0;
	put(s, 0, A_NORMAL, "to sleep");
	putf(s, LABEL, left > 0 ? A_NORMAL : ink(s, PAIR_WARN), "[%s] ", bar);
	putf(s, LABEL + width + 3, left > 0 ? A_NORMAL : ink(s, PAIR_WARN), left > 0 ? "%s until the limit" : "the limit was %s ago", length(fabs(left), a));
	s->row++;
}

/* The last two minutes in as many columns: eight heights between least and most. */
static void strip(struct screen *s, const json_t *recent)
{
	static const char *const block[8] = {"\xe2\x96\x81", "\xe2\x96\x82", "\xe2\x96\x83", "\xe2\x96\x84", "\xe2\x96\x85", "\xe2\x96\x86", "\xe2\x96\x87", "\xe2\x96\x88"};
	static const char digit[] = "12345678";
	const size_t n = json_array_size(recent), room = (size_t)(s->columns > LABEL + 2 ? s->columns - LABEL - 1 : 1);
	double low = INFINITY, high = -INFINITY;
	char a[LULL_WHEN], b[LULL_WHEN];

	for (size_t i = 0; i < n; i++) {
		const json_t *mA = json_array_get(json_array_get(recent, i), 1);

		if (json_is_number(mA)) {
			low = fmin(low, json_number_value(mA));
			high = fmax(high, json_number_value(mA));
		}
	}
	if (!(high >= low))
		return;
	if (s->row < s->rows)
		(void)move(s->row, LABEL);
	for (size_t i = n > room ? n - room : 0; i < n && s->row < s->rows; i++) {
		const json_t *mA = json_array_get(json_array_get(recent, i), 1);
		const int level = json_is_number(mA) && high > low ? (int)fmin(7, 8 * (json_number_value(mA) - low) / (high - low)) : 0;

		if (!json_is_number(mA))
			(void)addch(' ');
		else if (s->utf8)
			(void)addstr(block[level]);
		else
			(void)addch((chtype)digit[level]);
	}
	s->row++;
	putf(s, LABEL, A_NORMAL, "%s to %s in the last two minutes", lull_words_amps(low, a), lull_words_amps(high, b));
	s->row++;
}

static void current(struct screen *s)
{
	const json_t *c = json_object_get(s->status, "current");
	char a[LULL_WHEN];

	put(s, 0, A_NORMAL, "current");
	if (!json_is_object(c))
		put(s, LABEL, A_NORMAL, "not measured: no all-clear without it");
	else if (json_is_true(json_object_get(c, "lost")))
		put(s, LABEL, ink(s, PAIR_WARN), "the clamp is lost");
	else if (isfinite(number_of(c, "now_mA")))
		put(s, LABEL, A_BOLD, lull_words_amps(number_of(c, "now_mA"), a));
	else
		put(s, LABEL, A_NORMAL, "no reading yet");
	s->row++;
	if (json_is_object(c))
		strip(s, json_object_get(c, "recent"));
}

/* A paragraph beside a label, on as many rows as it needs. */
static void wrapped(struct screen *s, const char *label, const char *text)
{
	const int room = s->columns - LABEL > 20 ? s->columns - LABEL : 20;

	put(s, 0, A_NORMAL, label);
	while (*text && s->row < s->rows) {
		size_t n = strlen(text);
		char line[512];

		if (n > (size_t)room) {
			for (n = (size_t)room; n && text[n] != ' '; n--)
				;
			n = n ? n : (size_t)room;
		}
		(void)snprintf(line, sizeof line, "%.*s", (int)(n < sizeof line ? n : sizeof line - 1), text);
		put(s, LABEL, A_NORMAL, line);
		s->row++;
		text += n;
		while (*text == ' ')
			text++;
	}
}

static void finding(struct screen *s)
{
	const json_t *f = json_object_get(s->status, "finding");
	char text[1024];

	if (!json_is_object(f)) {
		wrapped(s, "so far", "nothing yet");
		return;
	}
	(void)snprintf(text, sizeof text, "%s %s", text_of(f, "headline"), text_of(f, "who"));
	wrapped(s, "so far", text);
}

/* One row an ID: who sends first, then who stopped last. */
static void senders(struct screen *s, double now)
{
	const json_t *buses = json_object_get(s->status, "buses");
	size_t sending = 0, stopped = 0;
	char a[LULL_WHEN];

	for (int pass = 0; pass < 2; pass++) {
		for (size_t b = 0; b < json_array_size(buses); b++) {
			const json_t *bus = json_array_get(buses, b), *list = json_object_get(bus, pass ? "stopped" : "sending");

			for (size_t i = 0; i < json_array_size(list); i++) {
				const json_t *id = json_array_get(list, i);

				*(pass ? &stopped : &sending) += 1;
				if (s->row >= s->rows)
					continue;
				putf(s, 0, A_NORMAL, "%s", json_array_size(buses) > 1 ? text_of(bus, "name") : "");
				put(s, LABEL, pass ? A_NORMAL : A_BOLD, text_of(id, "id"));
				if (pass)
					putf(s, LABEL + 12, A_NORMAL, "stopped %s ago", length(fmax(now - number_of(id, "last_s"), 0), a));
				else
					put(s, LABEL + 12, A_BOLD, "still sending");
				put(s, LABEL + 36, A_NORMAL, text_of(id, "node"));
				s->row++;
			}
		}
	}
	if (!sending && !stopped)
		put(s, LABEL, A_NORMAL, "nobody was heard yet");
}

static void foot(struct screen *s)
{
	const int last = s->rows;

	s->rows = last + 1;
	s->row = last;
	if (s->said[0])
		put(s, 0, A_REVERSE, s->said);
	else
		put(s, 0, A_REVERSE, " q quit   m good morning (before you unlock)   k key off now ");
	s->rows = last;
}

static void draw(struct screen *s)
{
	const double now = number_of(s->status, "now_s");
	const json_t *buses = json_object_get(s->status, "buses");

	(void)erase();
	getmaxyx(stdscr, s->rows, s->columns);
	s->rows--; /* the last one is for the keys */
	s->row = 0;
	head(s);
	if (!s->status) {
		put(s, 0, A_NORMAL, "waiting for the recorder");
	} else {
		for (size_t i = 0; i < json_array_size(buses); i++)
			one_bus(s, json_array_get(buses, i), now);
		s->row++;
		limit(s, now);
		current(s);
		finding(s);
		s->row++;
		senders(s, now);
	}
	foot(s);
	(void)wnoutrefresh(stdscr);
	(void)doupdate();
}

static void hear(struct screen *s)
{
	char *text = s->source.status(s->source.ctx);
	json_t *j = text ? json_loads(text, 0, NULL) : NULL;

	free(text);
	if (!j)
		return;
	json_decref(s->status);
	s->status = j;
	s->heard = time(NULL);
}

static void mark(struct screen *s, const char *what)
{
	char err[128] = "";

	if (s->source.mark(s->source.ctx, what, 0, err, sizeof err))
		(void)snprintf(s->said, sizeof s->said, " not set: %.120s ", err);
	else
		(void)snprintf(s->said, sizeof s->said, " mark set: %.100s ", what);
}

static void begin(struct screen *s)
{
	const char *none = getenv("NO_COLOR");

	(void)setlocale(LC_ALL, "");
	(void)initscr();
	(void)cbreak();
	(void)noecho();
	(void)keypad(stdscr, TRUE);
	(void)curs_set(0);
	timeout(1000);
	s->utf8 = lull_utf8_locale();
	s->colour = !(none && *none) && has_colors() && start_color() == OK && use_default_colors() == OK;
	if (s->colour) {
		(void)init_pair(PAIR_GOOD, COLOR_GREEN, -1);
		(void)init_pair(PAIR_WARN, COLOR_YELLOW, -1);
		(void)init_pair(PAIR_FAINT, -1, -1);
	}
}

int lull_status_screen(const char *who, const char *socket)
{
	const struct lull_judged_options options = lull_judged_options_default();
	struct sigaction act = {.sa_handler = on_signal};
	struct screen s = {.who = who, .live = lull_view_live_new(socket, &options), .heard = time(NULL)};
	time_t asked = 0, said = 0;
	int pressed = 0;

	if (!s.live)
		return lull_fail(who, "out of memory");
	s.source = lull_view_live_source(s.live);
	(void)sigaction(SIGINT, &act, NULL);
	(void)sigaction(SIGTERM, &act, NULL);
	begin(&s);
	while (!ended) {
		if (time(NULL) != asked) {
			asked = time(NULL);
			hear(&s);
		}
		if (s.said[0] && time(NULL) - said > 4)
			s.said[0] = 0, pressed = 0;
		draw(&s);
		const int key = getch();

		if (key == 'q' || key == 'Q')
			break;
		if (key != 'm' && key != 'k')
			continue;
		/* a mark is for the whole night: once is a slip of the finger */
		if (key == pressed && s.said[0])
			mark(&s, key == 'm' ? "morning" : "key off");
		else
			(void)snprintf(s.said, sizeof s.said, " %c once more sets the mark \"%s\" ", key, key == 'm' ? "morning" : "key off");
		pressed = key == pressed ? 0 : key;
		said = time(NULL);
	}
	(void)endwin();
	json_decref(s.status);
	lull_view_live_free(s.live);
	return LULL_EXIT_OK;
}
