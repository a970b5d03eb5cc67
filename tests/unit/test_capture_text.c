/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_capture_text: the one-line text log and CSV of frames. */
#include <source/capture.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static struct lull_frame frames[4096];
static char err[512];

static struct lull_capture *open_text(
	const char *text, const char *bus, const struct lull_csv_columns *columns)
{
	struct lull_capture *c = lull_capture_open_memory(text, strlen(text), bus, columns, err, sizeof err);
	if (!c)
		fail_msg("%s", err);
	return c;
}

static size_t read_all(struct lull_capture *c)
{
	size_t n = 0, got;
	while ((got = lull_capture_read(c, frames + n, 5)) > 0)
		n += got;
	return n;
}

static void test_log_lines(void **state)
{
	(void)state;
	static const struct {
		const char *line;
		int64_t t;
		uint32_t id;
		uint8_t flags, len;
		const char *data;
	} cases[] = {
		{"(1436509052.249713) vcan0 123#DEADBEEF", INT64_C(1436509052249713000), 0x123, 0, 4,
			"\xde\xad\xbe\xef"},
		{"(1436509052.249713) vcan0 123#deadbeef R", INT64_C(1436509052249713000), 0x123, 0, 4,
			"\xde\xad\xbe\xef"},
		{" (0.000001)  can0  123#11.22.33  T", 1000, 0x123, 0, 3, "\x11\x22\x33"},
		{"(1.123456789) can0 00000123#01", 1123456789, 0x123 | LULL_ID_EXTENDED, 0, 1, "\x01"},
		{"(1.0) can0 18FEF100#", LULL_SEC, 0x18fef100 | LULL_ID_EXTENDED, 0, 0, ""},
		{"(1.0) can0 7DF#R", LULL_SEC, 0x7df, LULL_FRAME_REMOTE, 0, ""},
		{"(1.0) can0 7DF#R5", LULL_SEC, 0x7df, LULL_FRAME_REMOTE, 5, ""},
		{"(1.0) can0 20000088#0000000000000000", LULL_SEC, 0x88, LULL_FRAME_ERROR, 8,
			"\0\0\0\0\0\0\0\0"},
		{"(1.0) can0 123##0AA", LULL_SEC, 0x123, LULL_FRAME_FD, 1, "\xaa"},
		{"(1.0) can0 123##1AABB", LULL_SEC, 0x123, LULL_FRAME_FD | LULL_FRAME_BRS, 2, "\xaa\xbb"},
		{"(1.0) can0 123##7", LULL_SEC, 0x123, LULL_FRAME_FD | LULL_FRAME_BRS | LULL_FRAME_ESI, 0,
			""},
		{"(1.0) can0 123#1122334455667788_E", LULL_SEC, 0x123, 0, 8,
			"\x11\x22\x33\x44\x55\x66\x77\x88"},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		for (int ending = 0; ending < 3; ending++) {
			static const char *const ends[] = {"", "\n", "\r\n"};
			char text[128];
			snprintf(text, sizeof text, "%s%s", cases[i].line, ends[ending]);
			struct lull_capture *c = open_text(text, NULL, NULL);
			assert_string_equal(lull_capture_kind(c), "text log");
			assert_int_equal(read_all(c), 1);
			assert_true(frames[0].t == cases[i].t);
			assert_int_equal(frames[0].id, cases[i].id);
			assert_int_equal(frames[0].flags, cases[i].flags);
			assert_int_equal(frames[0].len, cases[i].len);
			if (!(cases[i].flags & LULL_FRAME_REMOTE))
				assert_memory_equal(frames[0].data, cases[i].data, cases[i].len);
			assert_null(lull_capture_damage(c));
			lull_capture_close(c);
		}
	}
}

static void test_log_no_lines(void **state)
{
	(void)state;
	static const char *const cases[] = {
		"(1.0) can0 123",
		"(1.0) can0 123#1",
		"(1.0) can0 123#1G",
		"(1.0) can0 123#112233445566778899",
		"(1.0) can0 8FF#11",
		"(1.0) can0 12#11",
		"(1.0) can0 123456789#11",
		"(1.0) can0 40000123#11",
		"(1.0) can0#11",
		"(1.0) 123#11",
		"(x) can0 123#11",
		"(1.0 can0 123#11",
		"1.0) can0 123#11",
		"(1.0) can0 123##",
		"(1.0) can0 123##G11",
		"(1.0) can0 123#11 X",
		"(1.0) can0 123#11 R R",
		"(99999999999.0) can0 123#11",
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		char text[256], want[128];
		snprintf(text, sizeof text, "(0.5) can0 001#01\n%s\n(2.5) can0 002#02\n", cases[i]);
		struct lull_capture *c = open_text(text, NULL, NULL);
		if (read_all(c) != 2)
			fail_msg("taken for a frame: %s", cases[i]);
		const char *first;
		assert_int_equal(lull_capture_skipped(c, &first), 1);
		snprintf(want, sizeof want, "memory:2: is no line of a frame");
		assert_string_equal(first, want);
		lull_capture_close(c);
	}
}

static void test_log_buses_and_damage(void **state)
{
	(void)state;
	static char text[200000];
	int n = snprintf(text, sizeof text, "(1.0) drive 001#01\n(2.0) body 002#02\n(3.0) drive 003#03\n");
	/* A line of 100 kB, zero bytes, then life again. */
	memset(text + n, 'A', 100000);
	n += 100000;
	n += snprintf(text + n, sizeof text - (size_t)n, "\n(4.0) body 004#04\n");
	memset(text + n, 0, 50);
	n += 50;
	n += snprintf(text + n, sizeof text - (size_t)n, "\n(5.0) body 005#05\n(6.0) body 00");
	struct lull_capture *c = lull_capture_open_memory(text, (size_t)n, NULL, NULL, err, sizeof err);
	assert_non_null(c);
	assert_int_equal(read_all(c), 5);
	assert_int_equal(lull_capture_bus_count(c), 2);
	assert_string_equal(lull_capture_bus_name(c, frames[2].bus), "drive");
	assert_string_equal(lull_capture_bus_name(c, frames[3].bus), "body");
	assert_int_equal(frames[4].id, 5);
	assert_int_equal(lull_capture_skipped(c, NULL), 2);
	assert_string_equal(lull_capture_damage(c),
		"memory: damaged after frame 5 (line 8): the last line is cut off; what comes before is "
		"used");
	lull_capture_close(c);
}

struct expect {
	int64_t t;
	uint32_t id;
	uint8_t len;
	const char *data;
	const char *bus;
};

static void check_csv(const char *text, const struct lull_csv_columns *columns, const struct expect *want,
	size_t n, size_t passed_over)
{
	struct lull_capture *c = open_text(text, NULL, columns);
	assert_string_equal(lull_capture_kind(c), "csv");
	const size_t got = read_all(c);
	const char *first = NULL;
	const uint64_t skipped = lull_capture_skipped(c, &first);
	if (got != n || skipped != passed_over)
		fail_msg("%zu frames, %lu passed over (%s) in: %s", got, (unsigned long)skipped,
			first ? first : "", text);
	for (size_t i = 0; i < n; i++) {
		if (frames[i].t != want[i].t)
			fail_msg("row %zu: t %ld in: %s", i, (long)frames[i].t, text);
		assert_int_equal(frames[i].id, want[i].id);
		assert_int_equal(frames[i].len, want[i].len);
		assert_memory_equal(frames[i].data, want[i].data, want[i].len);
		assert_string_equal(
			lull_capture_bus_name(c, frames[i].bus), want[i].bus ? want[i].bus : "can0");
	}
	lull_capture_close(c);
}

static void test_csv_layouts(void **state)
{
	(void)state;
	static const struct expect one[] = {{1500000000, 0x123, 2, "\xab\xcd", NULL}};
	static const struct expect extended[] = {{1500000000, 0x123 | LULL_ID_EXTENDED, 2, "\xab\xcd", NULL}};
	static const char *const same[] = {
		"time,id,data\n1.5,123,ABCD\n",
		"TIMESTAMP,CAN_ID,DLC,PAYLOAD_HEX\n1.5,0x123,2,abcd\n",
		"Time Stamp;Arbitration ID;Length;Data\r\n1,5;123h;2;AB CD\r\n",
		"time\tid\tdata\n1.5\t123\tab:cd\n",
		"# made by hand\n\nTime (ms),ID,Data\n1500,123,0xAB 0xCD\n",
		"\xef\xbb\xbftime_us,id,len,d1,d2,d3\n1500000,00000123,2,AB,CD,00\n",
		"Time [ns],id,B0,B1,B2\n1500000000,123,ab,cd,\n",
		"time,id,dlc,data\n15e-1,123,16,ABCD\n", /* a length in bits: the data rule */
		"index,id,can_id,time,data\n7,1,123,1.5,ABCD\n",
		"time,ID (dec),data\n1.5,291,ABCD\n",
		"car log of some evening\ntime,id,data\n1.5,123,ABCD\n",
		"timestamp,arbitration_id,extended,remote,error,dlc,data\n1.5,0x123,0,0,0,2,q80=\n",
		"time,id,data,comment\n1.5,123,ABCD,\"said \"\"go\"\"\"\n",
	};
	for (size_t i = 0; i < sizeof same / sizeof *same; i++) {
		check_csv(same[i], NULL, one, 1, 0);
	}
	static const char *const wide[] = {
		"time,id,extended,data\n1.5,123,true,ABCD\n",
		"time,id,ext,data\n1.5,123,1,ABCD\n",
		"time,id,data\n1.5,123x,ABCD\n",
		"time,id,data\n1.5,80000123,ABCD\n",
	};
	for (size_t i = 0; i < sizeof wide / sizeof *wide; i++)
		check_csv(wide[i], NULL, extended, 1, 0);
	static const struct expect above[] = {{1500000000, 0x800 | LULL_ID_EXTENDED, 0, "", NULL}};
	check_csv("time,id,extended,data\n1.5,800,false,\n", NULL, above, 1, 0);
}

static void test_csv_rows(void **state)
{
	(void)state;
	static const struct expect rows[] = {
		{9000, 0x1d0, 1, "\x61", "can0"},
		{440000, 0x291, 1, "\x62", "can1"},
		{1000000, 0x292, 1, "\x63", "inner"},
	};
	check_csv("time,id,bus,data\n"
		  "9e-06,1D0,0,61\n"
		  "no,1D0,0,61\n"
		  "1.0,xyz,0,61\n"
		  "1.0,1D0,0,6G\n61\n"
		  "1.0,1D0,0,"
		  "6162636465666768696a6162636465666768696a6162636465666768696a6162636465666768696a6162636465"
		  "666768696a"
		  "6162636465666768696a6162636465666768696a\n"
		  "0.00044,291,1,62\n"
		  "1.0,\"291,1,62\n"
		  "0.001,292,inner,63\n",
		NULL, rows, 3, 6);
}

static void test_csv_byte_columns(void **state)
{
	(void)state;
	static const struct expect rows[] = {
		{0, 0x10, 4, "\x00\x00\x64\xa0", NULL},
		{LULL_SEC, 0x11, 2, "\x01\x02", NULL},
		{3 * LULL_SEC, 0x12, 0, "", NULL},
	};
	check_csv("time,id,LEN,D1,D2,D3,D4\n0.0,10,4,00,00,64,A0\n1.0,11,2,1,2,FF,FF\n2.0,11,4,1,2\n3.0,12,0,"
		  ",,,\n",
		NULL, rows, 3, 1);
}

static void test_csv_units(void **state)
{
	(void)state;
	static const struct {
		const char *text;
		int64_t first;
		bool noted, dates;
	} cases[] = {
		{"Time Stamp,ID,data\n1953613500,1,00\n1953613800,2,00\n1953614000,3,00\n",
			INT64_C(1953613500000), true, false},
		{"time,id,data\n1000,1,00\n1010,2,00\n1010,3,00\n", INT64_C(1000000000), true, false},
		{"time,id,data\n0.0,1,00\n", 0, true, false},
		{"time,id,data\n1700000000123,1,00\n", INT64_C(1700000000123000000), true, true},
		{"time,id,data\n1700000000123456,1,00\n", INT64_C(1700000000123456000), true, true},
		{"time,id,data\n1700000000123456789,1,00\n", INT64_C(1700000000123456789), true, true},
		{"time,id,data\n1700000000.123456789,1,00\n", INT64_C(1700000000123456789), true, true},
		{"time,id,data\n1700000000.1234567894999,1,00\n", INT64_C(1700000000123456789), true, true},
		{"time (us),id,data\n5,1,00\n", 5000, true, false},
		{"time,id,data\n2026-03-05T22:41:07.25Z,1,00\n", INT64_C(1772750467250000000), false, true},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		struct lull_capture *c = open_text(cases[i].text, NULL, NULL);
		assert_true(read_all(c) > 0);
		if (frames[0].t != cases[i].first)
			fail_msg("t %ld in %s", (long)frames[0].t, cases[i].text);
		assert_int_equal(lull_capture_note(c) != NULL, cases[i].noted);
		assert_int_equal(lull_capture_has_dates(c), cases[i].dates);
		lull_capture_close(c);
	}
}

static void test_csv_told_columns(void **state)
{
	(void)state;
	static const struct expect one[] = {{1500000, 0x123, 2, "\xab\xcd", "inner"}};
	struct lull_csv_columns by_number = {
		.time = "2", .id = "1", .bus = "3", .data = "5-8", .length = "4", .unit = LULL_UNIT_US};
	check_csv("123,1500,inner,2,ab,cd,,\n", &by_number, one, 1, 0);
	check_csv("number,when,where,n,0,1,2,3\n123,1500,inner,2,ab,cd,,\n", &by_number, one, 1, 0);
	struct lull_csv_columns by_name = {
		.time = "when", .id = "what number", .bus = "Where", .data = "first", .unit = LULL_UNIT_US};
	check_csv("what number;when;where;first\n123;1500;inner;abcd\n", &by_name, one, 1, 0);
	struct lull_csv_columns absent = {.time = "nowhere"};
	assert_null(lull_capture_open_memory("time,id\n1,2\n", 12, NULL, &absent, err, sizeof err));
	assert_non_null(strstr(err, "memory:1: no header"));
	assert_null(lull_capture_open_memory("a,b\n1,2\n", 8, NULL, NULL, err, sizeof err));
	assert_non_null(strstr(err, "it begins \"a,b\""));
}

static void test_csv_bus_named_by_user(void **state)
{
	(void)state;
	struct lull_capture *c = open_text("time,id,bus\n0.1,1,0\n0.2,1,1\n", "body", NULL);
	assert_int_equal(read_all(c), 2);
	assert_string_equal(lull_capture_bus_name(c, frames[0].bus), "body");
	assert_string_equal(lull_capture_bus_name(c, frames[1].bus), "body1");
	lull_capture_close(c);
}

static void test_csv_flags(void **state)
{
	(void)state;
	struct lull_capture *c = open_text(
		"time,id,rtr,len,data\n0.1,1,true,3,\n0.2,2,0,12,000102030405060708090A0B\n0.3,20000088,0,8,"
		"0000000000000000\n",
		NULL, NULL);
	assert_int_equal(read_all(c), 3);
	assert_int_equal(frames[0].flags, LULL_FRAME_REMOTE);
	assert_int_equal(frames[0].len, 3);
	assert_int_equal(frames[1].flags, LULL_FRAME_FD);
	assert_int_equal(frames[2].flags, LULL_FRAME_ERROR);
	assert_int_equal(frames[2].id, 0x88);
	lull_capture_close(c);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_log_lines),
		cmocka_unit_test(test_log_no_lines),
		cmocka_unit_test(test_log_buses_and_damage),
		cmocka_unit_test(test_csv_layouts),
		cmocka_unit_test(test_csv_rows),
		cmocka_unit_test(test_csv_byte_columns),
		cmocka_unit_test(test_csv_units),
		cmocka_unit_test(test_csv_told_columns),
		cmocka_unit_test(test_csv_bus_named_by_user),
		cmocka_unit_test(test_csv_flags),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
