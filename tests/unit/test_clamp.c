/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_clamp: logs of a DC clamp in the shapes that meters and scopes write, and in shapes that they should not. */
#include "source/clamp.h"

#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>
#include <zlib.h>

#include <cmocka.h>

/* What a log came to. */
struct got {
	int64_t tau[64], step[64];
	uint32_t count[64];
	size_t chunks, n;
	int64_t t[4096]; /* of each sample, on its grid */
	int32_t uA[4096];
	struct lull_clamp about;
	uint64_t skipped, overloads;
	char first_skip[600], damage[600], note[400];
	enum lull_clamp_unit unit;
};
static struct got got;
static char err[600];

static void collect(struct lull_clamp_log *log)
{
	struct lull_chunk c;
	const char *s;
	memset(&got, 0, sizeof got);
	while (lull_clamp_read(log, &c)) {
		assert_true(c.step_ns > 0 && c.count > 0);
		if (got.chunks < 64) {
			got.tau[got.chunks] = c.tau_ns;
			got.step[got.chunks] = c.step_ns;
			got.count[got.chunks] = c.count;
		}
		got.chunks++;
		for (uint32_t i = 0; i < c.count; i++, got.n++) {
			if (got.n < 4096) {
				got.t[got.n] = c.tau_ns + i * c.step_ns;
				got.uA[got.n] = c.uA[i];
			}
		}
	}
	got.about = lull_clamp_about(log);
	got.skipped = lull_clamp_skipped(log, &s);
	got.overloads = lull_clamp_overloads(log);
	(void)snprintf(got.first_skip, sizeof got.first_skip, "%s", s ? s : "");
	s = lull_clamp_damage(log);
	(void)snprintf(got.damage, sizeof got.damage, "%s", s ? s : "");
	s = lull_clamp_note(log);
	(void)snprintf(got.note, sizeof got.note, "%s", s ? s : "");
	got.unit = lull_clamp_unit(log);
	lull_clamp_close(log);
}

static struct lull_clamp_options scale(double mV_per_A)
{
	struct lull_clamp_options o = lull_clamp_options_default();
	o.mV_per_A = mV_per_A;
	return o;
}

static void read_text(const char *text, const struct lull_clamp_options *o)
{
	struct lull_clamp_log *log = lull_clamp_open_memory(text, strlen(text), o, err, sizeof err);
	if (!log)
		fail_msg("%s\n%s", err, text);
	collect(log);
}

/* The samples, in order and exact. */
static void expect(size_t n, const int32_t *uA)
{
	assert_int_equal(got.n, n);
	for (size_t i = 0; i < n; i++)
		assert_int_equal(got.uA[i], uA[i]);
}

/* --- scales and units --- */

/* At 100 mV/A one millivolt is 10 mA, at 10 mV/A it is 100 mA: arithmetic, as in the trade's rule. */
static void scale_arithmetic(void **state)
{
	static const struct {
		const char *text;
		double mV_per_A;
		int32_t uA;
	} cases[] = {
		{"t,mV\n0,1\n", 100, 10000},
		{"t,mV\n0,1\n", 10, 100000},
		{"t,mV\n0,0.05\n", 100, 500},
		{"t,V\n0,0.001\n", 100, 10000},
		{"t,V\n0,1.5E-3\n", 100, 15000},
		{"t,uV\n0,1000\n", 100, 10000},
		{"t,\xc2\xb5V\n0,-1000\n", 100, -10000},
		{"t,A\n0,0.0123456\n", (double)NAN, 12346},
		{"t,mA\n0,-0.4\n", (double)NAN, -400},
		{"t,uA\n0,17\n", (double)NAN, 17},
		{"t,mA\n0,17\n", 100, 17000}, /* a scale does not touch amperes */
	};
	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct lull_clamp_options o = scale(cases[i].mV_per_A);
		read_text(cases[i].text, &o);
		assert_int_equal(got.n, 1);
		if (got.uA[0] != cases[i].uA)
			fail_msg("%s: %d", cases[i].text, got.uA[0]);
		o.invert = true;
		read_text(cases[i].text, &o);
		assert_int_equal(got.uA[0], -cases[i].uA);
		assert_true(got.about.inverted);
	}
}

static void scales_and_readings(void **state)
{
	static const struct {
		const char *text;
		double value;
	} good[] = {{"100mV/A", 100}, {"10 mV/A", 10}, {"0.1V/A", 100}, {"1", 1}, {"2,5mV/A", 2.5}, {"100 mv/a", 100}};
	static const char *const bad[] = {"", "mV/A", "0", "-10mV/A", "1e9", "100mA", "100mV", "10mV/A x", "nan"};
	double v;
	(void)state;
	for (size_t i = 0; i < sizeof good / sizeof *good; i++) {
		assert_int_equal(lull_clamp_scale_parse(good[i].text, &v), 0);
		assert_true(fabs(v - good[i].value) < 1e-9);
	}
	for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
		if (lull_clamp_scale_parse(bad[i], &v) != -EINVAL)
			fail_msg("%s", bad[i]);
	}
	assert_int_equal(lull_clamp_reading("0.4mV", LULL_CLAMP_A, 100, &v), 0);
	assert_true(fabs(v - 4) < 1e-9);
	assert_int_equal(lull_clamp_reading("-12 mA", LULL_CLAMP_MV, 10, &v), 0);
	assert_true(fabs(v + 12) < 1e-9);
	assert_int_equal(lull_clamp_reading("0,4", LULL_CLAMP_MV, 10, &v), 0);
	assert_true(fabs(v - 40) < 1e-9);
	assert_int_equal(lull_clamp_reading("0.4mV", LULL_CLAMP_A, (double)NAN, &v), -EDOM);
	assert_int_equal(lull_clamp_reading("OL", LULL_CLAMP_A, 10, &v), -EINVAL);
	assert_int_equal(lull_clamp_reading("4 Ohm", LULL_CLAMP_A, 10, &v), -EINVAL);
	assert_int_equal(lull_clamp_reading("", LULL_CLAMP_A, 10, &v), -EINVAL);
	assert_int_equal(lull_clamp_reading("4", LULL_CLAMP_UNIT_AUTO, 10, &v), -EINVAL);
}

/* --- shapes --- */

static void shapes(void **state)
{
	/* All of them hold 12.5 and -3 mV a second apart. */
	static const char *const texts[] = {
		"time,mV\n0,12.5\n1,-3\n",
		"time;mV\r\n0;12,5\r\n1;-3\r\n",
		"Zeit (s)\tSpannung (mV)\n0,0\t12,50\n1,0\t-3,0\n",
		"\xef\xbb\xbfTime,Reading [mV]\n0,12.5\n1,-3\n",
		"timestamp,clamp_mV,note\n0,12.5,a\n1,-3,b\n",
		"No,time,current (mV)\n1,0,12.5\n2,1,-3\n",
		"\"time\",\"mV\"\n\"0\",\"12.5\"\n\"1\",\"-3\"\n",
		"\"time\",\"mV\"\n0,\"12,5\"\n1,\"-3\"\n",
		"t/ms,U/mV\n0,12.5\n1000,-3\n",
		"time_us,mV\n0,12.5\n1000000,-3\n",
		"Model: a meter\nRange: 400 mV\n\nTime,mV\n0,12.5\n1,-3\n",
		"# a comment\ntime,value,unit\n0,12.5,mV DC\n1,-0.003,V DC\n",
		"0,12.5 mV\n1,-3 mV\n",
		"0;12,5;mV\n1;-3,0;mV\n",
		"Time,Channel A\n(ms),(mV)\n\n0.0,12.5\n1000.0,-3.0\n",
		"00:00:00,12.5 mV\n00:00:01,-3 mV\n",
		"time,mV\n2026-03-05T22:00:00Z,12.5\n2026-03-05T22:00:01Z,-3\n",
		"time,mV\n2026-03-05T23:00:00+01:00,12.5\n2026-03-05 22:00:01Z,-3\n",
		"Date;Time;mV\n05.03.2026;22:00:00;12,5\n05.03.2026;22:00:01;-3,0\n",
		"date,time,battery_V,mV\n13/03/2026,10:59:59 PM,12.61,12.5\n13/03/2026,11:00:00 PM,12.60,-3\n",
		"datum;uhrzeit;wert\n05.03.26;22:00:00;12,5mV\n05.03.26;22:00:01;-3mV\n",
		"time,mV\n1772750000,12.5\n1772750001,-3\n",
		"time,mV\n1772750000123,12.5\n1772750001123,-3\n",
		"time,mV\n0,12.5\n1,-3", /* no line end */
	};
	static const int32_t uA[] = {125000, -30000};
	const struct lull_clamp_options o = scale(100);
	(void)state;
	for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
		read_text(texts[i], &o);
		if (got.n != 2 || got.uA[0] != uA[0] || got.uA[1] != uA[1] || got.t[1] != LULL_SEC || got.skipped)
			fail_msg("%s: %zu samples, %d %d, %lld ns, %s", texts[i], got.n, got.uA[0], got.uA[1], (long long)got.t[1],
				got.first_skip);
		assert_int_equal(got.about.samples, 2);
		assert_string_equal(got.damage, "");
	}
}

static void told_columns(void **state)
{
	static const int32_t second[] = {20000, 40000}, third[] = {1000, 3000};
	struct lull_clamp_options o = scale(100);
	(void)state;
	strcpy(o.value, "3");
	o.unit = LULL_CLAMP_MA;
	read_text("0,1,2\n1,3,4\n", &o);
	expect(2, (const int32_t[]){2000, 4000});
	o.unit = LULL_CLAMP_MV;
	read_text("0,1,2\n1,3,4\n", &o);
	expect(2, second);
	o = scale(100);
	strcpy(o.value, "Battery I");
	o.unit = LULL_CLAMP_MA;
	read_text("time,mV,battery_i\n0,5,1\n1,5,3\n", &o);
	expect(2, third);
	o = lull_clamp_options_default();
	strcpy(o.time, "when");
	strcpy(o.value, "x");
	strcpy(o.unit_column, "y");
	read_text("x,when,y\n1,0,mA\n0.003,1,A\n", &o);
	expect(2, third);
	o = lull_clamp_options_default();
	o.time_unit = LULL_UNIT_MS;
	read_text("time,mA\n0,1\n1000,3\n", &o);
	expect(2, third);
	assert_true(got.t[1] == LULL_SEC);
}

static void errors(void **state)
{
	static const struct {
		const char *text, *word; /* that the message has to hold */
		double mV_per_A;
		const char *time, *value;
	} cases[] = {
		{"", "empty", 100, "", ""},
		{"\n\n\n", "neither a header", 100, "", ""},
		{"time,mV\n", "no sample", 100, "", ""},
		{"time,mV\n0,x\n1,y\n", "memory:2: \"x\" is not a number", 100, "", ""},
		{"time,mV\n0,1\n", "--clamp-scale 10mV/A or 100mV/A", (double)NAN, "", ""},
		{"time,value\n0,1\n", "memory:2: nothing says in which unit", 100, "", ""},
		{"0,1\n1,1\n", "memory:1: nothing says in which unit", 100, "", ""},
		{"time,mA,A\n0,1,2\n", "memory:1: which column is the clamp's? Tell it with --clamp-columns value=NAME; there are: "
				       "time, mA, A",
			100, "", ""},
		{"time,foo,bar\n0,1,2\n", "there are: time, foo, bar", 100, "", ""},
		{"time,mV\n0,1\n", "told with --clamp-columns", 100, "", "amps"},
		{"time,mV\n0,1\n", "told with --clamp-columns", 100, "when", ""},
		{"0,1 mV\n", "told with --clamp-columns", 100, "", "7"},
		{"time,mV\n0,1,2,5\n", "memory:2: has 4 fields, the header has 2", 100, "", ""},
		{"0,0,1,5\n1,0,1,5\n", "tell them by number", 100, "", ""},
		{"time,mV\n05/03/2026 22:00:00,1\n", "memory:2: in \"05/03/2026 22:00:00\" day and month", 100, "", ""},
		{"some text\nwithout any table\n", "the file begins \"some text\"", 100, "", ""},
	};
	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct lull_clamp_options o = scale(cases[i].mV_per_A);
		strcpy(o.time, cases[i].time);
		strcpy(o.value, cases[i].value);
		err[0] = 0;
		struct lull_clamp_log *log =
			lull_clamp_open_memory(cases[i].text, strlen(cases[i].text), &o, err, sizeof err);
		if (log || !strstr(err, cases[i].word))
			fail_msg("%s: '%s' without '%s'", cases[i].text, err, cases[i].word);
	}
	const struct lull_clamp_options o = scale(100);
	assert_null(lull_clamp_open("/nonexistent/clamp.csv", &o, err, sizeof err));
	assert_string_equal(err, "/nonexistent/clamp.csv: cannot be opened: No such file or directory");
	assert_null(lull_clamp_open("/", &o, err, sizeof err));
}

/* --- what is no sample is counted, with its place --- */

static void skipped_lines(void **state)
{
	static const struct {
		const char *line, *sentence;
	} cases[] = {
		{"2,1,5x", "memory:4: \"5x\" is not a number"},
		{"2,1.2.3", "memory:4: \"1.2.3\" is not a number"},
		{"2,\"1,234\"", "memory:4: \"1,234\" is not a number"},
		{"2,", "memory:4: has no reading (\"\")"},
		{"2,nan", "memory:4: has no reading (\"nan\")"},
		{"2,---", "memory:4: has no reading (\"---\")"},
		{"2,9999999999", "memory:4: 9999999999 is more current than any clamp shows (2147 A)"},
		{"2,7 Ohm", "memory:4: \"7 Ohm\" is not a number"},
		{"2", "memory:4: has too few fields: \"2\""},
		{"x2,7", "memory:4: \"x2\" is no time like those before it"},
		{"00:00:02,7", "memory:4: \"00:00:02\" is no time like those before it"},
		{"0.5,7", "memory:4: the time 0.5 lies before that of a line above"},
		{"-1,7", "memory:4: the time -1 lies before that of a line above"},
	};
	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		char text[200];
		const struct lull_clamp_options o = scale(100);
		(void)snprintf(text, sizeof text, "time,mV\n0,1\n1,1\n%s\n3,1\n4,2\n", cases[i].line);
		if (i == 0)
			(void)snprintf(text, sizeof text, "time;mV\n0;1\n1;1\n2;5x\n3;1\n4;2\n");
		read_text(text, &o);
		if (i == 0)
			assert_string_equal(got.first_skip, "memory:4: \"5x\" is not a number");
		else
			assert_string_equal(got.first_skip, cases[i].sentence);
		assert_int_equal(got.skipped, 1);
		assert_int_equal(got.about.skipped, 1);
		assert_int_equal(got.about.samples, 4);
		/* The grid goes on behind it, with no reading in its place. */
		expect(5, (const int32_t[]){10000, 10000, LULL_NO_SAMPLE, 10000, 20000});
		assert_int_equal(got.chunks, 1);
		assert_true(got.t[4] == 4 * LULL_SEC);
	}
}

static void overload_is_saturation(void **state)
{
	static const char *const words[] = {"OL", "O.L", "0L", ".OL", "OVLD", "Overload", "+OL", "OL mV", "9.9E37", "inf"};
	(void)state;
	for (size_t i = 0; i < sizeof words / sizeof *words; i++) {
		char text[100];
		struct lull_clamp_options o = scale(100);
		(void)snprintf(text, sizeof text, "time,mV\n0,1\n1,%s\n2,1\n", words[i]);
		o.range_A = 60;
		read_text(text, &o);
		if (got.n != 3 || got.uA[1] != 60000000 || got.skipped || got.overloads != 1)
			fail_msg("%s: %d", words[i], got.uA[1]);
		assert_true(got.about.range_A == 60);
		o.range_A = (double)NAN;
		o.invert = true;
		read_text(text, &o);
		assert_int_equal(got.uA[1], -INT32_MAX);
		assert_true(fabs(got.about.range_A - 2147.483647) < 1e-6);
	}
	struct lull_clamp_options o = scale(100);
	o.range_A = 60;
	read_text("time,mV\n0,1\n1,-OL\n2,6000\n3,-6001\n4,5999\n", &o);
	expect(5, (const int32_t[]){10000, -60000000, 60000000, -60010000, 59990000});
	assert_int_equal(got.overloads, 3);
	o.range_A = (double)NAN;
	read_text("time,mV\n0,1\n", &o);
	assert_true(isnan(got.about.range_A));
}

/* --- time --- */

static void passes_midnight(void **state)
{
	const struct lull_clamp_options o = scale(100);
	(void)state;
	read_text("time,mV\n23:59:58.5,1\n23:59:59.5,2\n00:00:00.5,3\n00:00:01.5,4\n", &o);
	assert_int_equal(got.chunks, 1);
	assert_true(got.t[3] == 3 * LULL_SEC);
	assert_false(got.about.dated);
	assert_true(got.about.first_s == 86398.5);
	/* Twice, in a long weekend at one sample in 6 h. */
	read_text("time,mV\n20:00,1\n02:00,2\n08:00,3\n14:00,4\n20:00,5\n02:00,6\n", &o);
	assert_int_equal(got.n, 6);
	assert_true(got.t[5] == INT64_C(30) * 3600 * LULL_SEC);
	/* Elapsed time that counts on. */
	read_text("elapsed,mV\n23:59:59,1\n24:00:00,2\n24:00:01,3\n", &o);
	assert_true(got.t[2] == 2 * LULL_SEC && got.chunks == 1);
	read_text("time,mV\n11:59:59 PM,1\n12:00:00 AM,2\n12:00:01 am,3\n", &o);
	assert_true(got.t[2] == 2 * LULL_SEC && got.chunks == 1);
}

/* UTC instants by the C library's timegm(). */
static void dates(void **state)
{
	static const char *const texts[] = {"2026-02-28T23:59:59Z", "2026-02-28 23:59:59Z", "2026/02/28 23:59:59 Z",
		"2026-03-01T01:29:59+01:30", "28.02.2026 23:59:59Z", "28/02/2026 23:59:59Z", "02/28/2026 11:59:59 PM Z",
		"28-02-2026 23:59:59Z", "1772323199", "1772323199.000", "1772323199000"};
	const struct lull_clamp_options o = scale(100);
	struct tm tm = {.tm_year = 126, .tm_mon = 1, .tm_mday = 28, .tm_hour = 23, .tm_min = 59, .tm_sec = 59};
	const int64_t wanted = (int64_t)timegm(&tm) * LULL_SEC;
	(void)state;
	for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
		char text[100];
		(void)snprintf(text, sizeof text, "time,mV\n%s,1\n", texts[i]);
		read_text(text, &o);
		assert_true(got.about.dated);
		if (got.about.start_utc_ns != wanted)
			fail_msg("%s: %lld", texts[i], (long long)got.about.start_utc_ns);
	}
	/* Told, where the day leaves it open. */
	struct lull_clamp_options told = o;
	told.order = LULL_DATE_MDY;
	read_text("time,mV\n03/05/2026 00:00:00Z,1\n", &told);
	struct tm march = {.tm_year = 126, .tm_mon = 2, .tm_mday = 5};
	assert_true(got.about.start_utc_ns == (int64_t)timegm(&march) * LULL_SEC);
	told.order = LULL_DATE_DMY;
	read_text("time,mV\n05/03/26 00:00:00Z,1\n", &told);
	assert_true(got.about.start_utc_ns == (int64_t)timegm(&march) * LULL_SEC);
}

/* A day of every kind of year against timegm(), by its one difference: the next day. */
static void calendar(void **state)
{
	const struct lull_clamp_options o = scale(100);
	(void)state;
	for (int year = 1970; year <= 2114; year += 9) {
		for (int month = 1; month <= 12; month++) {
			char text[100];
			struct tm tm = {.tm_year = year - 1900, .tm_mon = month - 1, .tm_mday = 28};
			(void)snprintf(text, sizeof text, "time,mV\n%04d-%02d-28T00:00:00Z,1\n", year, month);
			read_text(text, &o);
			assert_true(got.about.start_utc_ns == (int64_t)timegm(&tm) * LULL_SEC);
		}
	}
}

/* Central European time: the hour that comes twice, and the one that does not come (rules of the tz database). */
static void summer_time(void **state)
{
	const struct lull_clamp_options o = scale(100);
	(void)state;
	setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3", 1);
	tzset();
	read_text("time,mV\n2026-10-25 02:59:59,1\n2026-10-25 02:00:00,2\n2026-10-25 02:00:01,3\n2026-10-25 03:00:00,4\n", &o);
	assert_int_equal(got.skipped, 0);
	assert_true(got.t[1] == LULL_SEC && got.t[2] == 2 * LULL_SEC && got.t[3] == 3601 * LULL_SEC);
	read_text("time,mV\n2026-03-29 01:59:59,1\n2026-03-29 03:00:00,2\n", &o);
	assert_true(got.t[1] == LULL_SEC);
	/* A clock that knows no summer time goes on through the missing hour. */
	read_text("time,mV\n2026-03-29 01:59:59,1\n2026-03-29 02:00:00,2\n2026-03-29 03:00:00,3\n2026-03-29 03:00:01,4\n", &o);
	assert_int_equal(got.skipped, 0);
	assert_true(got.t[1] == LULL_SEC && got.t[2] == 3601 * LULL_SEC && got.t[3] == 3602 * LULL_SEC);
	unsetenv("TZ");
	tzset();
}

/* --- the grid --- */

static char *text_at;
static size_t text_size;

static FILE *begin(const char *head)
{
	FILE *f = open_memstream(&text_at, &text_size);
	assert_non_null(f);
	(void)fputs(head, f);
	return f;
}

static void finish(FILE *f, const struct lull_clamp_options *o)
{
	assert_int_equal(fclose(f), 0);
	struct lull_clamp_log *log = lull_clamp_open_memory(text_at, text_size, o, err, sizeof err);
	if (!log)
		fail_msg("%s", err);
	collect(log);
	free(text_at);
}

/* Every sample within half a step of its place, or of what its stamp is written to. */
static void near_enough(size_t n, double rate, int64_t most)
{
	assert_int_equal(got.n, n);
	for (size_t i = 0; i < n; i++) {
		const int64_t wanted = llround((double)i * 1e9 / rate);
		if (llabs(got.t[i] - wanted) > most)
			fail_msg("sample %zu at %lld, not %lld", i, (long long)got.t[i], (long long)wanted);
	}
}

static void regular_grids(void **state)
{
	static const double rates[] = {0.2, 0.5, 1, 2, 3, 7, 10, 16, 20, 30, 50};
	const struct lull_clamp_options o = scale(100);
	(void)state;
	for (size_t r = 0; r < sizeof rates / sizeof *rates; r++) {
		FILE *f = begin("time,mV\n");
		for (int i = 0; i < 4000; i++)
			(void)fprintf(f, "%.3f,%d\n", 1000 + i / rates[r], i % 7);
		finish(f, &o);
		near_enough(4000, rates[r], llround(0.5e9 / rates[r]));
		/* As few chunks as their length allows. */
		const size_t least = (size_t)ceil(4000 / rates[r] / 300.0);
		if (got.chunks > least + 1)
			fail_msg("%g a second: %zu chunks, %zu would do", rates[r], got.chunks, least);
	}
}

/* 10 a second, stamps written to the whole second: ten alike, and no chunk of its own for any. */
static void coarse_stamps(void **state)
{
	const struct lull_clamp_options o = scale(100);
	FILE *f = begin("time,mV\n");
	(void)state;
	for (int i = 0; i < 2000; i++)
		(void)fprintf(f, "22:%02d:%02d,1\n", i / 10 / 60, i / 10 % 60);
	finish(f, &o);
	near_enough(2000, 10, LULL_SEC);
	assert_true(got.chunks <= 2);
	assert_true(llabs(got.step[0] - 100 * LULL_MS) < 2 * LULL_MS);
}

static void holes(void **state)
{
	const struct lull_clamp_options o = scale(100);
	FILE *f = begin("time,mV\n");
	(void)state;
	/* Two samples lost, then 100 s without any, then another rate. */
	for (int i = 0; i < 50; i++) {
		if (i != 20 && i != 21)
			(void)fprintf(f, "%d,1\n", i);
	}
	for (int i = 150; i < 200; i++)
		(void)fprintf(f, "%d,2\n", i);
	for (int i = 0; i < 100; i++)
		(void)fprintf(f, "%.1f,3\n", 200 + i * 0.1);
	finish(f, &o);
	assert_int_equal(got.about.samples, 198);
	assert_int_equal(got.chunks, 3);
	assert_int_equal(got.count[0], 50);
	assert_true(got.uA[20] == LULL_NO_SAMPLE && got.uA[21] == LULL_NO_SAMPLE && got.uA[22] == 10000);
	assert_true(got.tau[1] == 150 * LULL_SEC && got.tau[2] >= 199 * LULL_SEC && got.tau[2] <= 200 * LULL_SEC + 200 * LULL_MS);
	assert_true(llabs(got.step[2] - 100 * LULL_MS) < LULL_MS);
	/* Every sample is still there, and in order. */
	int64_t last = -1;
	size_t real = 0;
	for (size_t i = 0; i < got.n; i++) {
		if (got.uA[i] == LULL_NO_SAMPLE)
			continue;
		real++;
		assert_true(got.t[i] > last);
		last = got.t[i];
	}
	assert_int_equal(real, 198);
}

static void clock_slips_and_is_set(void **state)
{
	const struct lull_clamp_options o = scale(100);
	(void)state;
	/* One stamp from the future: it alone is passed over. */
	read_text("time,mV\n0,1\n1,1\n2,1\n9000,7\n4,1\n5,1\n", &o);
	assert_int_equal(got.about.samples, 5);
	assert_string_equal(got.first_skip, "memory:5: its time lies ahead of the lines that follow it");
	assert_true(got.t[got.n - 1] == 5 * LULL_SEC);

	/* Set back by an hour in the middle: read up to there, and the place named. */
	FILE *f = begin("time,mV\n");
	for (int i = 0; i < 200; i++)
		(void)fprintf(f, "%d,1\n", 4000 + i);
	for (int i = 0; i < 500; i++)
		(void)fprintf(f, "%d,2\n", 600 + i);
	finish(f, &o);
	assert_int_equal(got.about.samples, 200);
	assert_non_null(strstr(got.damage, "memory:202: the clock is set back here"));
	assert_true(got.skipped > 0);

	/* A logger that starts in 1970 and is set when a time service answers: longer than any recording. */
	f = begin("time,mV\n");
	for (int i = 0; i < 200; i++)
		(void)fprintf(f, "%d,1\n", 30 + i);
	for (int i = 0; i < 500; i++)
		(void)fprintf(f, "%d,2\n", 1772750000 + i);
	finish(f, &o);
	assert_int_equal(got.about.samples, 200);
	assert_non_null(strstr(got.damage, "memory:202: the clock is set ahead by years here"));
	/* Three such stamps are slips. */
	read_text("time,mV\n0,1\n1,1\n1772750000,7\n1772750001,7\n1772750002,7\n5,1\n6,1\n", &o);
	assert_int_equal(got.about.samples, 4);
	assert_true(!got.damage[0]);
	assert_true(got.t[got.n - 1] == 6 * LULL_SEC);
}

/* --- files --- */

static void packed_files(void **state)
{
	char path[] = "/tmp/lull-test-clamp-XXXXXX";
	const struct lull_clamp_options o = scale(100);
	const int fd = mkstemp(path);
	(void)state;
	assert_true(fd >= 0);
	gzFile z = gzdopen(fd, "wb");
	assert_non_null(z);
	(void)gzputs(z, "time,mV\n");
	for (int i = 0; i < 3000; i++)
		(void)gzprintf(z, "%d,%d\n", i, i * 7919 % 1000);
	assert_int_equal(gzclose(z), Z_OK);
	struct lull_clamp_log *log = lull_clamp_open(path, &o, err, sizeof err);
	assert_non_null(log);
	collect(log);
	assert_int_equal(got.about.samples, 3000);
	assert_string_equal(got.damage, "");

	/* Cut: what is there is used, and the damage told. */
	FILE *f = fopen(path, "rb");
	char bytes[65536];
	const size_t n = fread(bytes, 1, sizeof bytes, f);
	fclose(f);
	f = fopen(path, "wb");
	assert_int_equal(fwrite(bytes, 1, n / 2, f), n / 2);
	fclose(f);
	log = lull_clamp_open(path, &o, err, sizeof err);
	assert_non_null(log);
	collect(log);
	assert_true(got.about.samples > 100 && got.about.samples < 3000);
	assert_non_null(strstr(got.damage, "read up to line"));
	for (size_t i = 0; i < got.n; i++)
		assert_int_equal(got.uA[i], (int)i * 7919 % 1000 * 10000);
	(void)unlink(path);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(scale_arithmetic),
		cmocka_unit_test(scales_and_readings),
		cmocka_unit_test(shapes),
		cmocka_unit_test(told_columns),
		cmocka_unit_test(errors),
		cmocka_unit_test(skipped_lines),
		cmocka_unit_test(overload_is_saturation),
		cmocka_unit_test(passes_midnight),
		cmocka_unit_test(dates),
		cmocka_unit_test(calendar),
		cmocka_unit_test(summer_time),
		cmocka_unit_test(regular_grids),
		cmocka_unit_test(coarse_stamps),
		cmocka_unit_test(holes),
		cmocka_unit_test(clock_slips_and_is_set),
		cmocka_unit_test(packed_files),
	};
	return cmocka_run_group_tests_name("clamp", tests, NULL, NULL);
}
