/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The text report and the table of IDs: width, harmless output, and what a technician must find in them. */
#include <report/page.h>
#include <report/report.h>
#include <report/when.h>
#include <report/words.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <cmocka.h>

#include "made_verdict.h"

typedef int form(
	FILE *, const struct lull_night *, const struct lull_verdict *, const struct lull_report_style *);
typedef void maker(struct lull_night *, struct lull_verdict *);

static char *printed(form *f, maker *make, const struct lull_report_style *style)
{
	struct lull_night night;
	struct lull_verdict v;
	char *text = NULL;
	size_t size;
	FILE *out = open_memstream(&text, &size);

	assert_non_null(out);
	make(&night, &v);
	assert_int_equal(f(out, &night, &v, style), 0);
	made_free(&night, &v);
	assert_int_equal(fclose(out), 0);
	return text;
}

/* Characters, not bytes. */
static size_t longest_line(const char *text)
{
	size_t longest = 0, n = 0;

	for (; *text; text++) {
		if (*text == '\n') {
			longest = n > longest ? n : longest;
			n = 0;
		} else if (((unsigned char)*text & 0xc0) != 0x80) {
			n++;
		}
	}
	return longest;
}

static void fits_the_width(void **state)
{
	static form *const forms[] = {lull_report_text, lull_report_ids};
	static maker *const makers[] = {made_verdict, made_hostile, made_empty};
	static const unsigned widths[] = {60, 72, 80, 100};

	(void)state;
	for (size_t f = 0; f < 2; f++) {
		for (size_t m = 0; m < 3; m++) {
			for (size_t w = f ? 2 : 0; w < 4; w++) { /* the table has fixed columns */
				const struct lull_report_style style = {
					.width = widths[w], .name = "a-rather-long-name/of-a/recording.lull"};
				char *text = printed(forms[f], makers[m], &style);

				assert_in_range(longest_line(text), 10, widths[w]);
				free(text);
			}
		}
	}
}

static void no_style_is_eighty_columns_without_colour(void **state)
{
	char *text = printed(lull_report_text, made_verdict, NULL);

	(void)state;
	assert_in_range(longest_line(text), 70, 80);
	assert_null(strchr(text, '\033'));
	free(text);
}

/* Whatever a name holds: only line ends, and printable UTF-8 without controls, leave. */
static void nothing_acts_on_a_terminal(void **state)
{
	static form *const forms[] = {lull_report_text, lull_report_ids, lull_report_json};

	(void)state;
	for (size_t f = 0; f < 3; f++) {
		char *text =
			printed(forms[f], made_hostile, &(struct lull_report_style){.name = "\033[2Jnight"});

		for (const char *c = text; *c; c++) {
			unsigned char b = (unsigned char)*c;

			assert_true(b == '\n' || (b >= 0x20 && b < 0x7f));
		}
		free(text);
	}
}

static void colour_carries_nothing_alone(void **state)
{
	const struct lull_report_style without = {.colour = false}, with = {.colour = true};
	char *plain = printed(lull_report_text, made_verdict, &without);
	char *colour = printed(lull_report_text, made_verdict, &with);
	char *to = colour;

	(void)state;
	assert_non_null(strstr(colour, "\033[1m"));
	for (const char *c = colour; *c;) {
		if (*c == '\033') {
			c = strchr(c, 'm');
			assert_non_null(c);
			c++;
		} else {
			*to++ = *c++;
		}
	}
	*to = 0;
	assert_string_equal(plain, colour);
	free(plain);
	free(colour);
}

static void says(const char *text, const char *what)
{
	if (!strstr(text, what))
		fail_msg("\"%s\" is missing in:\n%s", what, text);
}

static void says_not(const char *text, const char *what)
{
	if (strstr(text, what))
		fail_msg("\"%s\" must not stand in:\n%s", what, text);
}

static void tells_the_verdict(void **state)
{
	char *text =
		printed(lull_report_text, made_verdict, &(struct lull_report_style){.name = "night.lull"});

	(void)state;
	says(text, "LIFT-GATE wakes it (likely, 93 % on invented nights).");
	says(text, "The evidence does not decide between SEAT-MEMORY and IDs 0x510, 0x511,\n");
	says(text, "woken-again\n");
	says(text, "late-to-sleep\n");
	says(text, "Cost       412 mAh a day, per parked day");
	says(text, "Why        - It sent first in 40 of 40 wakes");
	says(text, "1. Look at what wakes it");
	says(text, "3. Then unplug it");
	says(text, "told by a mark");
	says(text, "a rule of thumb");
	says(text, "over the limit of 20 min");
	says(text, "31 more between, each 0:00:31, together 0:16:01");
	says(text, "nothing proves that the adapter");
	says(text, "the capture had");
	says(text, "damaged after frame 1234");
	says(text, "maker's service information and licensed practice");
	says(text, "explosive gas");
	says(text, "high-voltage");
	says(text, "closed garage");
	/* The verdict stands before everything else but the head. */
	assert_true(strstr(text, "VERDICT") < strstr(text, "FINDING 1"));
	assert_true(strstr(text, "FINDING 2") < strstr(text, "THE NIGHT"));
	says_not(text, "faulty");
	says_not(text, "eplace");
	says_not(text, "nan");
	free(text);
}

static void unknown_is_not_a_number(void **state)
{
	char *text = printed(lull_report_text, made_empty, NULL);

	(void)state;
	says(text, "Too little of the night was observed to say.");
	says(text, "not told and not seen");
	says(text, "nothing of this night could be judged");
	says_not(text, "nan");
	says_not(text, "inf ");
	says_not(text, "9223372036854775");
	free(text);
}

static void local_time_where_known(void **state)
{
	char *text;

	(void)state;
	/* 2026-03-05T22:41:07.12Z and 74.2 s later, an hour east of Greenwich. */
	assert_int_equal(setenv("TZ", "XYZ-1", 1), 0);
	tzset();
	text = printed(lull_report_text, made_verdict, NULL);
	says(text, "Recorded from Thu 2026-03-05 23:41, for 8 h 00 min.");
	says(text, "23:42:21 (+0:00:00), told by a mark");
	free(text);
	text = printed(lull_report_text, made_empty, NULL);
	says(text, "no clock tells the date");
	free(text);
	assert_int_equal(setenv("TZ", "UTC", 1), 0);
	tzset();
}

/* The claim of address 0x14 in the open capture nmea2000/can0-2.pcap: bytes 0D 5C B6 2F 00 91 78 C0. */
static void made_claim(struct lull_night *night, struct lull_verdict *v)
{
	const struct lull_claim claim = {.address = 0x14, .name = UINT64_C(0xC07891002FB65C0D), .node = 0};

	made_verdict(night, v);
	free(v->claims.at);
	v->claims.at = malloc(sizeof claim);
	assert_non_null(v->claims.at);
	*v->claims.at = claim;
	v->claims.n = v->claims.room = 1;
}

static void claims_in_words(void **state)
{
	char *text = printed(lull_report_ids, made_claim, NULL);

	(void)state;
	says(text, "claims address 0x14: function 145 (instance 0), vehicle system 60");
	says(text, "group 4 (marine), manufacturer code 381");
	free(text);
}

static void line_of(struct lull_wake_group g, char *line, size_t size)
{
	struct lull_night night;
	struct lull_verdict v;

	made_verdict(&night, &v);
	const struct lull_when w = lull_when_new(&night, &v);
	lull_words_wakes(&w, &v, &g, line, size);
	made_free(&night, &v);
}

/* Number, period or not and what chance has to do with it, length, cost, time of day (local), and what came first. */
static void a_group_of_wakes(void **state)
{
	struct lull_wake_group g = {.waker = -1, .first_id = 0x3a1, .ids = 12, .n = 9, .first = LULL_MIN, .last = 300 * LULL_MIN,
		.rhythm = LULL_RHYTHM_PERIODIC, .period_s = 1802, .spread_s = 2, .chance = 1e-8, .length_s = 12.5, .charge_mAs = 7200,
		.day_from_s = 22.75 * 3600, .day_to_s = 3.5 * 3600, .after_mark = 1, .after_step = 2, .leader = -1, .lead_s = NAN,
		.rise_s = 0.4, .known_rise_s = NAN};
	char line[1024];

	(void)state;
	assert_int_equal(setenv("TZ", "XYZ-1", 1), 0);
	tzset();
	line_of(g, line, sizeof line);
	assert_string_equal(line, "9 wakes, one every 30 min 02 s (+-2 s); at random so even less than once in a million times; 12.5 s long, 12 IDs, "
				  "0x3A1 first; together 2.0 mAh; time of day 23:45 to 04:30; 1 soon after a mark; 2 after a step of the current; "
				  "the current rises 400 ms before the first frame");
	g.rhythm = LULL_RHYTHM_IRREGULAR;
	g.chance = 0.31;
	g.day_from_s = g.day_to_s = 0;
	line_of(g, line, sizeof line);
	says(line, "at irregular times");
	says(line, "at random so even in 31 % of cases");
	says(line, "time of day 01:00;");
	/* wakes all round the clock, and no clock */
	g.day_to_s = 20 * 3600;
	line_of(g, line, sizeof line);
	says(line, "at all times of day");
	g.day_from_s = g.day_to_s = NAN;
	g.chance = NAN;
	line_of(g, line, sizeof line);
	says_not(line, "time of day");
	says_not(line, "at random");
	assert_int_equal(setenv("TZ", "UTC", 1), 0);
	tzset();
}

/* The one that still sends stands first, then who was heard last; ID 0x511 stopped before key-off. */
static void ids_by_end(void **state)
{
	char *text = printed(lull_report_ids, made_verdict, NULL);
	const char *gate = strstr(text, "LIFT-GATE"), *kin = strstr(text, "IDs 0x510"),
		   *seat = strstr(text, "SEAT-MEMORY");

	(void)state;
	assert_non_null(gate);
	assert_non_null(kin);
	assert_non_null(seat);
	assert_true(gate < kin && kin < seat);
	assert_true(strstr(text, "0x3A1 ") < strstr(text, "0x18FEF100 "));
	says(text, "still sending at the end");
	says(text, "   0x3A1       100.0 ms     287159     1   7:58:36  +0:00:00  +7:58:36 sending\n");
	says(text, "   0x18FEF100  100.0 ms      89259     1   2:28:46  +0:00:00  +2:28:46 5:30:00\n");
	says(text,
		"SEAT-MEMORY on comfort: last heard 7 h 18 min before the end. Name from "
		"network\nmanagement.\n");
	says_not(text, "   0x511 ");
	free(text);
}

static void lengths_of_time(void **state)
{
	static const struct {
		lull_time t;
		const char *length, *hms;
	} rows[] = {
		{0, "0 s", "0:00:00"},
		{3171 * LULL_US, "3.17 ms", "0:00:00"},
		{5 * LULL_SEC, "5 s", "0:00:05"},
		{1500 * LULL_MS, "1.5 s", "0:00:02"},
		{59949 * LULL_MS, "59.9 s", "0:01:00"},
		{59950 * LULL_MS, "1 min", "0:01:00"},
		{245 * LULL_SEC, "4 min 05 s", "0:04:05"},
		{3599499 * LULL_MS, "59 min 59 s", "0:59:59"},
		{3600 * LULL_SEC, "1 h 00 min", "1:00:00"},
		{7170 * LULL_SEC, "2 h 00 min", "1:59:30"},
		{259200 * LULL_SEC, "72 h 00 min", "72:00:00"},
		{-200 * LULL_MS, "-200 ms", "0:00:00"},
		{-12 * LULL_SEC, "-12 s", "-0:00:12"},
	};
	char buf[LULL_WHEN];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		assert_string_equal(lull_when_length(rows[i].t, buf), rows[i].length);
		assert_string_equal(lull_when_hms(rows[i].t, buf), rows[i].hms);
	}
}

/* 1772750467 is 2026-03-05T22:41:07Z (date -u -d @1772750467). */
static void iso_dates(void **state)
{
	char buf[LULL_WHEN];

	(void)state;
	assert_string_equal(lull_when_iso(INT64_C(1772750467120000000), 3, buf), "2026-03-05T22:41:07.120Z");
	assert_string_equal(lull_when_iso(INT64_C(1772750467999999999), 3, buf), "2026-03-05T22:41:08.000Z");
	assert_string_equal(
		lull_when_iso(INT64_C(1772750467000000001), 9, buf), "2026-03-05T22:41:07.000000001Z");
	assert_string_equal(lull_when_iso(-1, 9, buf), "1969-12-31T23:59:59.999999999Z");
	assert_string_equal(lull_when_iso(0, 0, buf), "1970-01-01T00:00:00Z");
	assert_string_equal(lull_when_iso(INT64_MIN, 0, buf), "");
}

static void cleaned(void **state)
{
	static const struct {
		const char *in, *out;
		unsigned columns;
	} rows[] = {
		{"plain", "plain", 5},
		{"T\xc3\xbcr", "T\xc3\xbcr", 3}, /* LATIN SMALL LETTER U WITH DIAERESIS */
		{"\033[2J", "\\x1b[2J", 7}, {"a\tb\n", "a\\x09b\\x0a", 10}, {"\x7f", "\\x7f", 4},
		{"\xc2\x9b"
		 "1m",
			"\\x9b1m", 6}, /* CSI as one C1 character */
		{"\xff\xc3", "\\xff\\xc3", 8}, {"\xc0\xaf", "\\xc0\\xaf", 8}, /* overlong "/" */
		{"\xed\xa0\x80", "\\xed\\xa0\\x80", 12}, /* a surrogate */
		{"\xf4\x90\x80\x80", "\\xf4\\x90\\x80\\x80", 16}, /* above U+10FFFF */
		{"\xe2\x80\xae"
		 "abc",
			"\\u202eabc", 9}, /* RIGHT-TO-LEFT OVERRIDE */
		{"\xef\xbb\xbf", "\\ufeff", 6}, {"e\xcc\x81", "e\xcc\x81", 1}, /* COMBINING ACUTE ACCENT */
		{"\xe8\xbb\x8a", "\xe8\xbb\x8a", 2}, /* CJK, wide */
	};
	char buf[64];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		assert_string_equal(lull_page_clean(rows[i].in, buf, sizeof buf), rows[i].out);
		assert_int_equal(lull_page_columns(buf), rows[i].columns);
	}
}

static void fitted(void **state)
{
	static const struct {
		const char *in;
		unsigned columns;
		const char *out;
	} rows[] = {{"abcdef", 6, "abcdef"}, {"abcdefg", 6, "abcd.."}, {"abc", 2, ".."}, {"ab", 2, "ab"},
		{"abc", 1, "a"}, {"\xe8\xbb\x8a\xe8\xbb\x8a\xe8\xbb\x8a", 5, "\xe8\xbb\x8a.."}, {"", 5, ""}};
	char buf[64];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		assert_string_equal(lull_page_fit(rows[i].in, rows[i].columns, buf, sizeof buf), rows[i].out);
	/* A buffer that is too small cuts at a whole character. */
	assert_string_equal(lull_page_clean("a\xc3\xbc", buf, 3), "a");
	assert_string_equal(lull_page_clean("a\xc3\xbc", buf, 4), "a\xc3\xbc");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(fits_the_width),
		cmocka_unit_test(no_style_is_eighty_columns_without_colour),
		cmocka_unit_test(nothing_acts_on_a_terminal),
		cmocka_unit_test(colour_carries_nothing_alone),
		cmocka_unit_test(tells_the_verdict),
		cmocka_unit_test(unknown_is_not_a_number),
		cmocka_unit_test(local_time_where_known),
		cmocka_unit_test(a_group_of_wakes),
		cmocka_unit_test(claims_in_words),
		cmocka_unit_test(ids_by_end),
		cmocka_unit_test(lengths_of_time),
		cmocka_unit_test(iso_dates),
		cmocka_unit_test(cleaned),
		cmocka_unit_test(fitted),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
