/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_report_current: what the text report says of the current and the battery, and the night as a chart. */
#include <math.h>
#include <report/report.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "made_verdict.h"

static struct lull_night night;
static struct lull_verdict v;
static struct lull_stage stages[3];
static struct lull_step steps[40];
static struct lull_dead_time dead_rows[1];

/* 8 h: a quiet level of 21.5 mA, a wake of 480 mA in the middle, many small steps. */
static void begin(void)
{
	static char wake[] = "bus comfort wakes";
	const double none = (double)NAN;
	made_verdict(&night, &v);
	night.clamp = (struct lull_clamp){.present = true,
		.mV_per_A = 100,
		.range_A = 10,
		.zero_before_mA = -3,
		.zero_after_mA = 1,
		.logger_mA = none};
	stages[0] = (struct lull_stage){.from = 0, .to = 3000 * LULL_SEC, .mA = 21.5};
	stages[1] = (struct lull_stage){.from = 3001 * LULL_SEC, .to = 3030 * LULL_SEC, .mA = 480};
	stages[2] = (struct lull_stage){.from = 3031 * LULL_SEC, .to = v.end, .mA = 21.5};
	for (size_t i = 0; i < 40; i++)
		steps[i] = (struct lull_step){
			.at = (lull_time)(i * 100) * LULL_SEC, .from_mA = 20, .to_mA = i == 30 ? 480 : 21 + (double)i / 10};
	steps[30].because = wake;
	v.current = (struct lull_current_report){.present = true,
		.usable = true,
		.samples = 86400,
		.lineup = {.paired = true, .drift_ppm = 42, .error_s = 0.2, .confidence = 0.97, .why = "12 of 14 steps found their edge"},
		.clock_offset_s = -3612.5,
		.zero_mA = -1,
		.zero_before = true,
		.zero_after = true,
		.zero_drift_mA = 4,
		.zero_error_mA = 1.5,
		.quiet_mA = 21.5,
		.quiet_error_mA = 2,
		.average_mA = 37.1,
		.average_error_mA = 2,
		.charge_mAh = 296.8,
		.logger_mA = none,
		.needed_mA = none,
		.lost_at = LULL_NEVER,
		.stages = {.at = stages, .n = 3},
		.steps = {.at = steps, .n = 40}};
	v.limit_draw_mA = 50;
}

static void end(void)
{
	memset(&v.current, 0, sizeof v.current); /* its rows are not owned here */
	made_free(&night, &v);
}

static char *printed(const struct lull_report_style *style)
{
	char *text;
	size_t size;
	FILE *out = open_memstream(&text, &size);
	assert_int_equal(lull_report_text(out, &night, &v, style), 0);
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

static void tells_the_current(void **state)
{
	(void)state;
	begin();
	char *text = printed(NULL);
	says(text, "THE CURRENT");
	says(text, "86400 samples, millivolts of a clamp that gives 100 mV/A, range 10 A");
	says(text, "12 of 14 steps found their edge");
	says(text, "offset -3612.50 s, rate +42.0 ppm, good to 200 ms; 97 % sure");
	says(text, "read before and after");
	says(text, "21.5 mA (95 %: 19.5 to 23.5)");
	says(text, "within the limit of 50.0 mA");
	says(text, "297 mAh lost");
	says(text, "20.0 mA     480 mA");
	says(text, "bus comfort wakes");
	says(text, ". . . 30 smaller steps");
	assert_null(strstr(text, "Complaint"));
	assert_null(strstr(text, "Battery  "));
	for (const char *c = text; *c; c++)
		assert_true(*c == '\n' || ((unsigned char)*c >= 0x20 && (unsigned char)*c < 0x7f));
	free(text);
	end();
}

static void doubts_are_said(void **state)
{
	static char question[] = "Does the clamp give 10 mV/A?";
	(void)state;
	begin();
	v.current.quiet_mA = 49;
	v.current.needed_mA = 417;
	v.current.scale_doubt = question;
	v.current.lineup = (struct lull_lineup){.why = "two lags fit alike"};
	v.current.zero_mA = (double)NAN;
	v.current.lost_at = 7200 * LULL_SEC;
	v.current.lost_why = LULL_DEAD_FLAT;
	dead_rows[0] = (struct lull_dead_time){.from = 7200 * LULL_SEC, .to = v.end, .why = LULL_DEAD_FLAT};
	v.current.dead.at = dead_rows;
	v.current.dead.n = 1;
	v.battery = (struct lull_battery_report){.known = true,
		.capacity_Ah = {56, 70, 70},
		.charge = {0.7, 0.8, 0.9},
		.days_to_half = {12, 22, 38},
		.days_to_doubtful = {23, 38, 63}};
	char *text = printed(NULL);
	says(text, "too near to say");
	says(text, "would need 417 mA on average, measured were 37.1 mA: this night");
	says(text, "does not explain it");
	says(text, question);
	says(text, "not lined up with the bus: two lags fit alike");
	says(text, "no reading off the cable was given");
	says(text, "switched itself off");
	says(text, "half charge after 22 days (12 to 38)");
	says(text, "70 Ah (56 to 70), 80 % full when parked (70 to 90)");
	says(text, "current ~");
	free(text);
	v.current.quiet_mA = 90;
	v.current.average_mA = 400;
	text = printed(NULL);
	says(text, "over the limit");
	says(text, "this night explains it");
	free(text);
	end();
}

/* The rows of the chart, column by column. */
static const char *row_of(const char *text, const char *label)
{
	const char *at = strstr(text, label);
	assert_non_null(at);
	return at + 10;
}

static void chart_shows_the_night(void **state)
{
	(void)state;
	begin();
	char *text = printed(NULL);
	const char *chart = strstr(text, "AT A GLANCE");
	assert_non_null(chart);
	const char *current = row_of(chart, "current   ");
	const size_t n = strcspn(current, "\n");
	assert_int_equal(n, 66);
	assert_int_equal(strspn(current, "25"), 66); /* 20 to 50 mA, and the wake */
	const size_t at = strcspn(current, "5");
	assert_int_equal(at, (size_t)(3010.0 / ((double)v.end / 1e9) * 66));
	says(chart, "5 200");
	says(chart, "# awake, . quiet");
	free(text);

	/* With blocks the same by other signs. */
	text = printed(&(struct lull_report_style){.blocks = true, .width = 80});
	says(text, "current   \xe2\x96\x82\xe2\x96\x82");
	says(text, "\xe2\x96\x85");
	free(text);

	/* Into the battery, dead, and nothing at all. */
	stages[0].mA = -2000;
	stages[1].to = 3002 * LULL_SEC;
	v.current.stages.n = 2;
	dead_rows[0] = (struct lull_dead_time){.from = v.end / 2, .to = v.end, .why = LULL_DEAD_FLAT};
	v.current.dead.at = dead_rows;
	v.current.dead.n = 1;
	text = printed(NULL);
	current = row_of(strstr(text, "AT A GLANCE"), "current   ");
	assert_int_equal(current[0], 'v');
	assert_int_equal(current[65], 'x');
	assert_int_equal(current[20], ' ');
	free(text);
	end();
}

static void no_log_no_words(void **state)
{
	(void)state;
	made_verdict(&night, &v);
	v.current = (struct lull_current_report){.lost_at = LULL_NEVER, .needed_mA = (double)NAN};
	char *text = printed(NULL);
	assert_null(strstr(text, "THE CURRENT"));
	assert_null(strstr(text, "under 20 mA"));
	says(text, "AT A GLANCE");
	free(text);
	made_free(&night, &v);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(tells_the_current),
		cmocka_unit_test(doubts_are_said),
		cmocka_unit_test(chart_shows_the_night),
		cmocka_unit_test(no_log_no_words),
	};
	return cmocka_run_group_tests_name("report, current", tests, NULL, NULL);
}
