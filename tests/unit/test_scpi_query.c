/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_scpi_query: which texts may be sent to an instrument, and which might be a frame for a CAN bridge. */
#include <source/scpi_query.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/* Forms of common meters, as their manuals write them [mem]. */
static void queries_are_accepted(void **state)
{
	static const char *const good[] = {"MEAS:VOLT:DC?", "MEAS:VOLT:DC? AUTO", "READ?", "READ? (@101)", "FETCh?", "FETC1?", "meas:curr:dc?",
		"MEASure:VOLTage:DC? 10,0.001", "MEAS:VOLT:DC? (@101,102:104)", "CHAN1:MEAS:VAVG?", "SENS12:DATA?", "VAL?", "DATA:LAST?", "MEAS:VOLT:DC? DEF,MIN",
		"MEASU:IMM:VAL?", "ABC:DE12?"};

	(void)state;
	for (size_t i = 0; i < sizeof good / sizeof good[0]; i++)
		if (!lull_scpi_query_ok(good[i]))
			fail_msg("'%s' is refused", good[i]);
}

static void anything_else_is_refused(void **state)
{
	/* Frames and commands of the serial-line format are those of the Linux driver, drivers/net/can/slcan/slcan-core.c. */
	static const char *const bad[] = {
		"",
		"?",
		" ",
		":?",
		"t1232AABB?",
		"t1230?",
		"T000001FF0?",
		"T1FFFFFFF8AABBCCDDEEFF0011?",
		"r1230?",
		"R000001FF0?",
		"d1239?",
		"O?",
		"S6?",
		"C",
		"t7FF0",
		"t1232AABB\rREAD?",
		"READ?\rt1232AABB",
		"READ?\nt1232AABB",
		"READ? t1232AABB\r",
		"READ?\r",
		"READ?\n",
		"READ?\n\n",
		"\rREAD?",
		"\nREAD?",
		"READ\n?",
		"READ? 1\n",
		"< send 123 2 AA BB >?",
		"< open can0 >",
		"READ? <send",
		"READ? >",
		"<READ?",
		"READ?>",
		"READ",
		"READ??",
		"READ?;READ?",
		"READ?;*RST",
		"*IDN?",
		"*RST",
		"RE?",
		"R?",
		"READ:V?",
		"READ:VOLT:D?",
		"READ123?",
		"READ:VOLT123?",
		"READ1A?",
		"1READ?",
		"READ::VOLT?",
		":READ?",
		"READ:?",
		"READ:12?",
		"READ?AUTO",
		"READ? ",
		"READ?  AUTO",
		"READ?\tAUTO",
		"READ? A B",
		"READ? A\tB",
		"READ ?",
		"READ\t?",
		" READ?",
		"\tREAD?",
		"READ? -1",
		"READ? +1",
		"READ? \"A\"",
		"READ? 'A'",
		"READ? #H12",
		"READ? 1;2",
		"READ? 1?",
		"READ? 1&2",
		"READ? 1#2",
		"READ? $(reboot)",
		"READ? a/b",
		"READ? a\\r",
		"READ? \x7f",
		"READ? \x80",
		"READ? \xc3\xa9",
		"\xc3\x89TAT?",
		"R\311AD?",
		"READ\xa0?",
		"READ? \xff",
		"READ\x1b?",
		"READ?\x01",
		"AT+SEND?",
		"AT?",
		"READ_VOLT?",
		"READ-VOLT?",
		"READ.VOLT?",
	};

	(void)state;
	for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
		if (lull_scpi_query_ok(bad[i]))
			fail_msg("'%s' (%zu) is accepted", bad[i], i);
}

/* Every byte in each place of a query: only the alphabet of the place passes. */
static void every_byte_in_every_place(void **state)
{
	static const char letters[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz", digits[] = "0123456789";

	(void)state;
	for (int c = 1; c < 256; c++) {
		const bool letter = strchr(letters, c) != NULL, digit = strchr(digits, c) != NULL;
		const char head[] = {(char)c, 'E', 'A', 'D', '?', 0}, middle[] = {'R', 'E', (char)c, 'A', 'D', '?', 0};
		const char tail[] = {'R', 'E', 'A', 'D', (char)c, '?', 0}, value[] = {'R', 'E', 'A', 'D', '?', ' ', (char)c, 0};
		const char after[] = {'R', 'E', 'A', 'D', '?', (char)c, 0};

		assert_int_equal(lull_scpi_query_ok(head), letter);
		assert_int_equal(lull_scpi_query_ok(middle), letter);
		assert_int_equal(lull_scpi_query_ok(tail), letter || digit);
		assert_int_equal(lull_scpi_query_ok(value), letter || digit || strchr(".,:()@", c) != NULL);
		assert_false(lull_scpi_query_ok(after));
	}
}

static void very_long_ones(void **state)
{
	enum { LONG = 1 << 20 };
	char *text = malloc(LONG + 1);

	(void)state;
	assert_non_null(text);
	memset(text, 'A', LONG);
	text[LONG] = 0;
	assert_false(lull_scpi_query_ok(text));
	memset(text, '1', LONG);
	assert_false(lull_scpi_query_ok(text));
	memset(text, ':', LONG);
	assert_false(lull_scpi_query_ok(text));
	memset(text, 'A', LONG);
	memcpy(text + LONG - 4, "1234", 4);
	assert_false(lull_scpi_query_ok(text));
	memcpy(text + LONG - 2, "?\r", 2);
	assert_false(lull_scpi_query_ok(text));
	free(text);
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(queries_are_accepted), cmocka_unit_test(anything_else_is_refused),
		cmocka_unit_test(every_byte_in_every_place), cmocka_unit_test(very_long_ones)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
