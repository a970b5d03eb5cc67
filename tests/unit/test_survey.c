/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_survey: a survey of fuses as it is written down, and as it is ranked. */
#include <errno.h>
#include <math.h>
#include <report/fuses.h>
#include <setjmp.h>
#include <source/survey.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static char err[512];
static struct lull_survey_row *row;
static size_t n;

static void good(const char *text)
{
	if (lull_survey_parse_text("s.csv", text, strlen(text), &row, &n, err, sizeof err))
		fail_msg("%s", err);
}

static void reads(void **state)
{
	static const char *const texts[] = {
		"fuse,type,rating,millivolts\nF12,ATO,10,2.3\n\"radio, rear\",mini,7.5,0.0\n",
		"F12,ato,10A,2.3mV\n\"radio, rear\",Mini,7.5 A,0 mV\n",
		"\xef\xbb\xbf# by hand\nFuse;Type;Rating (A);mV\r\nF12;ato;10;2,3\r\nradio, rear;mini;7,5;0,0\r\n",
		"mV,rating_A,circuit,type\n2.3,10,F12,ato\n0,7.5,\"radio, rear\",mini\n",
	};
	(void)state;
	for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
		good(texts[i]);
		assert_int_equal(n, 2);
		assert_string_equal(row[0].fuse, "F12");
		assert_string_equal(row[0].type, "ato");
		assert_true(row[0].rating_A == 10 && row[0].mV == 2.3 && isnan(row[0].after_mV));
		assert_string_equal(row[1].fuse, "radio, rear");
		assert_string_equal(row[1].type, "mini");
		assert_true(row[1].rating_A == 7.5 && row[1].mV == 0);
		free(row);
	}
	good("fuse,type,rating,before,after\nF1,ato,10,2.3,0.1\nF2,ato,10,2.3,\n");
	assert_true(row[0].after_mV == 0.1 && isnan(row[1].after_mV));
	assert_int_equal(row[1].line, 3);
	assert_true(isnan(row[0].milliohm));
	free(row);
	good("fuse;type;rating;mV;Milliohm (cold)\nF1;glass;8;2,3;9,5\nF2;ato;10;2,3;\n");
	assert_true(row[0].milliohm == 9.5 && isnan(row[1].milliohm) && isnan(row[0].after_mV));
	free(row);
	good("F1,glass,8,2.3,,9.5 mOhm\n");
	assert_true(row[0].milliohm == 9.5 && isnan(row[0].after_mV));
	free(row);
}

static void refuses(void **state)
{
	static const struct {
		const char *text, *want;
	} cases[] = {
		{"", "s.csv: no fuse in it"},
		{"fuse,type,rating,millivolts\n", "s.csv: no fuse in it"},
		{"F1,ato,10\n", "s.csv:1: has 3 fields"},
		{"fuse,type,rating\nF1,ato,10\n", "s.csv:1: the header has no column 'millivolts'"},
		{"fuse,type,rating,mV\nF1,ato,10,2.3\nF2,ato,10\n", "s.csv:3: has 3 fields only"},
		{"F1,ato,10,2.3x\n", "s.csv:1: 'millivolts' value \"2.3x\" is not a number (of mV)"},
		{"F1,ato,10,OL\n", "over the meter's range"},
		{"F1,glass,8,1,,0\n", "s.csv:1: a fuse of 0 milliohm?"},
		{"F1,glass,8,1,,much\n", "s.csv:1: 'milliohm' value \"much\""},
		{"F1,ato,big,1\n", "s.csv:1: 'rating' value \"big\""},
		{"F1,,10,1\n", "s.csv:1: the fuse's type is empty"},
		{",ato,10,1\n", "s.csv:1: the fuse's name is empty"},
		{"F\x1b[2J,ato,10,1\n", "s.csv:1: the fuse's name holds a control character"},
		{"\xff,ato,10,1\n", "s.csv:1: the fuse's name is no UTF-8 text"},
		{"=1+1,ato,10,1\n", "s.csv:1: the fuse's name does not begin with a letter or a digit; write it as F12 or radio"},
		{"F1,ato,10,1\n-2,ato,10,1\n", "s.csv:2: the fuse's name does not begin with a letter or a digit"},
		{"F\xe2\x80\xae""1,ato,10,1\n", "s.csv:1: the fuse's name holds a control character or a mark of writing direction"},
		{"F1,ato,10,\"1\n", "s.csv:1: the double quote that begins here is not closed"},
	};
	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		const int r =
			lull_survey_parse_text("s.csv", cases[i].text, strlen(cases[i].text), &row, &n, err, sizeof err);
		if (r != -EINVAL || !strstr(err, cases[i].want))
			fail_msg("%s: '%s' without '%s'", cases[i].text, err, cases[i].want);
		assert_null(row);
	}
	assert_int_equal(lull_survey_read("/nonexistent.csv", &row, &n, err, sizeof err), -ENOENT);
}

static char *ranked(const double *mV, const double *rating, const double *after, size_t count, double clamp_mA)
{
	struct lull_fuse_reading f[8];
	char names[8][24], *text;
	size_t size;
	FILE *out = open_memstream(&text, &size);
	const struct lull_page p = lull_page_new(out, NULL);
	for (size_t i = 0; i < count; i++) {
		(void)snprintf(names[i], sizeof names[i], "F%zu", i + 1);
		f[i] = (struct lull_fuse_reading){.name = names[i], .type = "ato", .rating_A = rating[i], .milliohm = (double)NAN, .mV = mV[i],
			.after_mV = after ? after[i] : (double)NAN};
		assert_int_equal(lull_fuse_current("ato", rating[i], mV[i], 0, 0.1, &f[i].mA, &f[i].least_mA), 0);
		if (after)
			assert_int_equal(lull_fuse_current("ato", rating[i], mV[i], after[i], 0.1, &f[i].less_mA, &f[i].least_mA), 0);
	}
	assert_int_equal(lull_fuses_survey(&p, f, count, clamp_mA), 0);
	assert_int_equal(fclose(out), 0);
	return text;
}

/* Wrapped or not: any run of blanks and line ends counts as one blank. */
static void squeeze(const char *text, char *out)
{
	for (; *text; text++) {
		if (*text == '\n' || *text == ' ') {
			if (out[-1] != ' ')
				*out++ = ' ';
		} else {
			*out++ = *text;
		}
	}
	*out = 0;
}

static void says(const char *text, const char *what)
{
	char *flat = malloc(strlen(text) + 2), wanted[200] = "x";
	assert_non_null(flat);
	flat[0] = 'x';
	squeeze(text, flat + 1);
	squeeze(what, wanted + 1);
	if (!strstr(flat, wanted + 1))
		fail_msg("\"%s\" is missing in:\n%s", what, text);
	free(flat);
}

/* Trade rule 24 by arithmetic: at 0.1 mV a 30 A fuse (1.97 mOhm, from memory) shows from 51 mA, one of 10 A (7.7 mOhm) from 13 mA. */
static void ranks(void **state)
{
	static const double mV[] = {0.0, 2.3, -0.9, 0.0}, rating[] = {10, 10, 15, 30};
	char *text = ranked(mV, rating, NULL, 4, 1200);
	(void)state;
	const char *second = strstr(text, "F2 "), *third = strstr(text, "F3 "), *first = strstr(text, "F1 "), *fourth = strstr(text, "F4 ");
	assert_true(second && third && first && fourth);
	/* By current whatever the sign; among those that show nothing the one that may hide more comes first. */
	assert_true(second < third && third < fourth && fourth < first);
	says(text, "299 mA");
	says(text, "51 mA\n");
	says(text, "13 mA\n");
	says(text, "below ");
	says(text, "2 of them show nothing");
	says(text, "alternator's B+");
	says(text, "pulling one, and putting it back, wakes modules");
	says(text, "shorts the");
	free(text);
	text = ranked(mV, rating, NULL, 4, 490);
	says(text, "the fuses explain what the clamp shows");
	assert_null(strstr(text, "B+"));
	free(text);
	text = ranked(mV, rating, NULL, 4, 100);
	says(text, "the fuses show more than the clamp");
	free(text);
	text = ranked(mV, rating, NULL, 4, (double)NAN);
	assert_null(strstr(text, "Clamp "));
	free(text);
}

static void before_and_after(void **state)
{
	static const double mV[] = {2.3, 0.4, -0.9, 0.2}, rating[] = {10, 10, 15, 10}, after[] = {0.1, 0.4, -0.1, 0.8};
	char *text = ranked(mV, rating, after, 4, (double)NAN);
	(void)state;
	says(text, "F1: 286 mA less");
	says(text, "F2: no change that this meter can show");
	says(text, "F3: 167 mA less");
	says(text, "F4: 78 mA MORE: something woke");
	free(text);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(reads),
		cmocka_unit_test(refuses),
		cmocka_unit_test(ranks),
		cmocka_unit_test(before_and_after),
	};
	return cmocka_run_group_tests_name("survey", tests, NULL, NULL);
}
