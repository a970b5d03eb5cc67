/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_vehicle: names of vehicles, in profile and configuration. */
#include <lull/profile.h>
#include <setjmp.h>
#include <source/config.h>
#include <source/profile.h>
#include <source/vehicle.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

static void names_of_the_workshop(void **state)
{
	static const char *const good[] = {"7", "blue estate", "K\xc3\xa4uzchen 3", "\xc3\x84lteste",
		"invented five-door, petrol, start-stop", "111111111111111111", /* 18 */
		"1111111111111111", /* 16 */
		"O1111111111111111", /* O is in no VIN */
		"abcdefghjklmnprst", /* no digit */
		"2024-11-30 estate 4", "no. 12, yard 3"};

	(void)state;
	for (size_t i = 0; i < sizeof good / sizeof good[0]; i++)
		if (lull_vehicle_refusal(good[i]))
			fail_msg("'%s' %s", good[i], lull_vehicle_refusal(good[i]));
}

static void others(void **state)
{
	/* Of ones the check digit is right (11111111111111111, a common test value; from memory); of the others it is not. */
	static const char *const vins[] = {"11111111111111111", "11111111111111111 1", "1a2b3c4d5e6f7g8h9",
		"1A2B3C4D5E6F7G8H9", "car 1A2B3C4D5E6F7G8H9", "1A2-B3C4D5-E6F7G8H9", "1A2 B3C 4D5E6F7G8H9",
		"(1A2B3C4D5E6F7G8H9)", "1A2/B3C.4D5_E6F7G8H9"};
	static const char *const words[][2] = {{"", "empty"}, {"=1+1", "begin"}, {"+1", "begin"},
		{" x", "begin"}, {"(x)", "begin"}, {"x\ny", "control"}, {"x\xff", "UTF-8"},
		{"x\x1b[2J", "control"}, {"abc\xe2\x80\xaexyz", "direction"},
		{"abc\xe2\x81\xa6", "direction"}, {"abc\xd8\x9c", "direction"},
		{"\xe2\x80\x8fx", "direction"}};

	(void)state;
	for (size_t i = 0; i < sizeof vins / sizeof vins[0]; i++) {
		const char *why = lull_vehicle_refusal(vins[i]);

		if (vins[i][0] == '(')
			assert_non_null(why);
		else if (!why || !strstr(why, "looks like a VIN"))
			fail_msg("'%s' %s", vins[i], why ? why : "is taken");
	}
	for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
		const char *why = lull_vehicle_refusal(words[i][0]);

		if (!why || !strstr(why, words[i][1]))
			fail_msg("'%s' %s", words[i][0], why ? why : "is taken");
	}
}

static int profile(const char *text, struct lull_profile *p, char *err, size_t size)
{
	lull_profile_init(p);
	return lull_profile_parse_text("car.ini", text, strlen(text), p, err, size);
}

static void in_a_profile(void **state)
{
	struct lull_profile p;
	char err[512];

	(void)state;
	assert_int_equal(profile("[car]\nvehicle = blue estate\nmodel = estate 2\n", &p, err, sizeof err), 0);
	assert_string_equal(p.vehicle, "blue estate");
	assert_string_equal(p.model, "estate 2");
	lull_profile_clear(&p);
	assert_int_not_equal(
		profile("[car]\nmodel = x\nvehicle = 11111111111111111\n", &p, err, sizeof err), 0);
	assert_non_null(strstr(err, "car.ini:3: "));
	assert_non_null(strstr(err, "VIN belong in the order"));
	lull_profile_clear(&p);
}

static void in_the_configuration(void **state)
{
	static const char text[] =
		"[bus body]\ninterface = can0\n[car]\nvehicle = blue estate\nmodel = estate 2\n",
			  bad[] = "[bus body]\ninterface = can0\n[car]\nmodel = 11111111111111111\n",
			  twice[] = "[car]\nvehicle = a\n[car]\nmodel = b\n";
	static struct lull_config c;
	char err[512];

	(void)state;
	assert_int_equal(lull_config_parse_text("lull.conf", text, sizeof text - 1, &c, err, sizeof err), 0);
	assert_string_equal(c.vehicle, "blue estate");
	assert_string_equal(c.model, "estate 2");
	assert_int_not_equal(
		lull_config_parse_text("lull.conf", bad, sizeof bad - 1, &c, err, sizeof err), 0);
	assert_non_null(strstr(err, "lull.conf:4: model"));
	assert_non_null(strstr(err, "VIN belong in the order"));
	assert_int_not_equal(
		lull_config_parse_text("lull.conf", twice, sizeof twice - 1, &c, err, sizeof err), 0);
	assert_non_null(strstr(err, "[car] is there twice"));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(names_of_the_workshop),
		cmocka_unit_test(others),
		cmocka_unit_test(in_a_profile),
		cmocka_unit_test(in_the_configuration),
	};
	return cmocka_run_group_tests_name("vehicle", tests, NULL, NULL);
}
