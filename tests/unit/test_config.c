/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_config: what lull.conf may say, and where it is told to be wrong. */
#include <source/config.h>

#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <cmocka.h>

static struct lull_config config;
static char err[512];

static int parse(const char *text)
{
	err[0] = '\0';
	return lull_config_parse_text("lull.conf", text, strlen(text), &config, err, sizeof err);
}

static void all_of_it(void **state)
{
	(void)state;
	static const char text[] = "\xef\xbb\xbf# a comment\n"
				   "[recorder]\n"
				   "folder = /srv/nights\n"
				   "batch = 10 s\n"
				   "  rejoin = 30 min\n"
				   "longest = 72h\n"
				   "keep-frames = all\n"
				   "keep_most = 500MB\n"
				   "[bus body]\r\n"
				   "interface = can0\r\n"
				   "bitrate = 500k\r\n"
				   "sample-point = 87.5%\r\n"
				   "listen-only = yes\r\n"
				   "[bus comfort]\n"
				   "adapter = A1B2C3\n"
				   "bitrate = 83.333k\n"
				   "physical = single-wire\n"
				   "accept-acknowledging = yes\n"
				   "[clamp]\n"
				   "source = iio\n"
				   "device = ads1115\n"
				   "scale = 100mV/A\n"
				   "[control]\n"
				   "group = workshop\n"
				   "viewer = page\n"
				   "[profile]\n"
				   "file = car.ini\n"
				   "[ignition]\n"
				   "chip = /dev/gpiochip0\n"
				   "line = 17\n";

	if (parse(text))
		fail_msg("%s", err);
	assert_string_equal(config.folder, "/srv/nights");
	assert_int_equal(config.batch_ns, 10 * LULL_SEC);
	assert_int_equal(config.rejoin_ns, 30 * LULL_MIN);
	assert_int_equal(config.longest_ns, 72 * 60 * LULL_MIN);
	assert_int_equal(config.keep, LULL_KEEP_ALL);
	assert_int_equal(config.keep_most, 500000000);
	assert_int_equal(config.keep_free, 64000000);
	assert_int_equal(config.bus_count, 2);
	assert_string_equal(config.bus[0].name, "body");
	assert_string_equal(config.bus[0].interface, "can0");
	assert_int_equal(config.bus[0].bitrate, 500000);
	assert_true(fabs(config.bus[0].sample_point - 0.875) < 1e-9);
	assert_false(config.bus[0].accept_acknowledging);
	assert_string_equal(config.bus[1].adapter, "A1B2C3");
	assert_int_equal(config.bus[1].bitrate, 83333);
	assert_int_equal(config.bus[1].physical, LULL_SINGLE_WIRE);
	assert_true(config.bus[1].accept_acknowledging);
	assert_int_equal(config.clamp.source, LULL_CLAMP_IIO);
	assert_true(fabs(config.clamp.mV_per_A - 100) < 1e-9);
	assert_string_equal(config.clamp.query, "MEAS:VOLT:DC?");
	assert_string_equal(config.group, "workshop");
	assert_string_equal(config.viewer, "page");
	assert_string_equal(config.profile, "car.ini");
	assert_int_equal(config.ignition_line, 17);
	assert_string_equal(config.socket, "/run/lull/control");
}

/* Each with its line, the thing, and the way out. */
/* Any unit anywhere; the unit of a number alone is the key's. */
static void lengths_of_time(void **state)
{
	static const struct {
		const char *text;
		int64_t batch_ns, rejoin_ns, longest_ns;
	} cases[] = {
		{"batch = 45\nrejoin = 720\nlongest = 96\n", 45 * LULL_SEC, 720 * LULL_MIN, 96 * 60 * LULL_MIN},
		{"batch = 1 min\nrejoin = 12 h\nlongest = 4 d\n", LULL_MIN, 720 * LULL_MIN, 96 * 60 * LULL_MIN},
		{"batch = 1500ms\nrejoin = 1h30m\nlongest = 90 min\n", 1500 * LULL_MS, 90 * LULL_MIN, 90 * LULL_MIN},
	};

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		char text[200];

		(void)snprintf(text, sizeof text, "[recorder]\n%s[bus a]\ninterface = can0\n", cases[i].text);
		assert_int_equal(parse(text), 0);
		assert_int_equal(config.batch_ns, cases[i].batch_ns);
		assert_int_equal(config.rejoin_ns, cases[i].rejoin_ns);
		assert_int_equal(config.longest_ns, cases[i].longest_ns);
	}
}

static void what_is_wrong(void **state)
{
	static const struct {
		const char *text, *says;
	} cases[] = {
		{"", "no bus is told"},
		{"[bus a]\n", "lull.conf:1: [bus a] has neither interface nor adapter"},
		{"[bus a]\ninterface = can0\nbitrte = 5\n", "lull.conf:3: 'bitrte' is no key of [bus], did you mean 'bitrate'?"},
		{"[bus a]\ninterface = can0\nbitrate = fast\n", "lull.conf:3: bitrate = 'fast' is no bit rate"},
		{"[bus a]\ninterface = can0\nbitrate = 5M\n", "lull.conf:3: bitrate = '5M' is not between"},
		{"[bus a]\ninterface = can0\nlisten-only = no\n", "lull.conf:3: listen-only is required"},
		{"[bus a]\ninterface = can0\ninterface = can1\n", "lull.conf:3: 'interface' is given twice"},
		{"[bus a]\ninterface = can0\n[bus a]\ninterface = can1\n", "lull.conf:3: [bus a] is there twice"},
		{"[bus a]\ninterface = can0\n[bus b]\ninterface = can0\n", "lull.conf:3: interface can0 is that of [bus a]"},
		{"[bus a]\ninterface = waytoolonganame\ninterface = can0\n", "lull.conf:3"},
		{"[bus a]\ninterface = interface-name-long\n", "lull.conf:2: interface: has 19 bytes, at most 15 fit"},
		{"[bus]\n", "lull.conf:1: a bus has a name"},
		{"[bus =cmd]\n", "lull.conf:1: the bus name does not begin with a letter or a digit; such as [bus body] does"},
		{"[bus a\xe2\x80\xae" "b]\n", "lull.conf:1: the bus name holds a control character or a mark of writing direction"},
		{"[network]\n", "lull.conf:1: there is no section [network]; known are: recorder, bus NAME,"},
		{"[Clmap]\n", "there is no section [Clmap], did you mean 'clamp'?"},
		{"[recorder]\nFLODER = x\n", "'FLODER' is no key of [recorder], did you mean 'folder'?"},
		{"[recorder\n", "lull.conf:1: the section's closing ']' is missing"},
		{"folder = x\n", "lull.conf:1: 'folder' stands before the first section"},
		{"[recorder]\nnonsense\n", "lull.conf:2: is neither [section] nor key = value"},
		{"[recorder]\nbatch = 0\n", "lull.conf:2: batch = '0' is not between 1 s and 10 min"},
		{"[recorder]\nbatch = 5 h\n", "lull.conf:2: batch = '5 h' is not between 1 s and 10 min"},
		{"[recorder]\nbatch = 0x10\n", "lull.conf:2: batch = '0x10' is no length of time; write 90 s, 5 min,"},
		{"[recorder]\nbatch = -5\n", "lull.conf:2: batch = '-5' is no length of time"},
		{"[recorder]\nrejoin = 8 d\n", "lull.conf:2: rejoin = '8 d' is not between 0 s and 7 d"},
		{"[recorder]\nlongest = 1h30\n", "lull.conf:2: longest = '1h30' is no length of time"},
		{"[recorder]\nfolder =\n", "lull.conf:2: 'folder' has no value"},
		{"[recorder]\nkeep-frames = some\n", "lull.conf:2: keep-frames = 'some' is none of edges|all"},
		{"[recorder]\nfolder = a\x01z\n", "lull.conf:2: byte 11 of the line is a control character"},
		{"[recorder]\nfolder = \xff\n", "lull.conf:2: byte 10 of the line is a control character or no UTF-8"},
		{"[recorder]\n[recorder]\n", "lull.conf:2: section [recorder] is there twice"},
		{"[control] x\n[control x]\n", "lull.conf:2: section [control] takes no name"},
		{"[clamp]\nsource = iio\n[bus a]\ninterface = can0\n", "[clamp] has a source and no device"},
		{"[clamp]\nscale = heavy\n", "lull.conf:2: scale = 'heavy' is no scale"},
		{"[clamp]\nsource = scpi\nquery = t1232AABB?\n", "lull.conf:3: query = 't1232AABB?' is not accepted, since a CAN bridge might take it "
								"for a frame; write a SCPI query such as MEAS:VOLT:DC?"},
		{"[clamp]\nquery = < send 123 1 AA >\n", "lull.conf:2: query = '< send 123 1 AA >' is not accepted"},
		{"[clamp]\nquery = READ?\tAUTO\n", "lull.conf:2: query"},
		{"[clamp]\nquery = READ?\rt1232AABB\n", "lull.conf:2: byte 14 of the line is a control character"},
		{"[clamp]\nquery = READ\xc3\xa9?\n", "lull.conf:2: query"},
		{"[clamp]\nquery = AAAAAAAAAABBBBBBBBBBCCCCCCCCCCDDDDDDDDDDEEEEEEEEEEFFFFFFFFFFGGGG?\n", "lull.conf:2: query: has 65 bytes, at most 63 fit"},
		{"[bus a]\nadapter = /dev/ttyACM0\n[clamp]\nsource = scpi\ndevice = /dev/ttyACM0\n",
			"lull.conf:5: device /dev/ttyACM0 is the CAN adapter of [bus a]; name the port of the meter"},
		{"[bus a]\ninterface = can0\n[clamp]\nsource = scpi\n", "lull.conf:3: [clamp] has a source and no device"},
		{"[ignition]\nline = 1.5\n", "lull.conf:2: line = '1.5' is no whole number"},
	};

	(void)state;
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		assert_int_equal(parse(cases[i].text), -EINVAL);
		if (!strstr(err, cases[i].says))
			fail_msg("'%s': says '%s', not '%s'", cases[i].text, err, cases[i].says);
	}
	char line[400] = "[recorder]\nfolder = ";

	memset(line + strlen(line), 'x', 300);
	assert_int_equal(parse(line), -EINVAL);
	assert_non_null(strstr(err, "lull.conf:2: the line has 309 bytes"));
	assert_int_equal(lull_config_read("/nowhere/lull.conf", &config, err, sizeof err), -ENOENT);
	assert_non_null(strstr(err, "/nowhere/lull.conf"));
}

static void queries_of_meters(void **state)
{
	static const char *const good[] = {"MEAS:VOLT:DC? AUTO", "READ? (@101)"};

	(void)state;
	for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
		char text[160];

		(void)snprintf(text, sizeof text, "[bus a]\ninterface = can0\n[clamp]\nsource = scpi\ndevice = /dev/ttyUSB0\nquery = %s\n", good[i]);
		if (parse(text))
			fail_msg("%s", err);
		assert_string_equal(config.clamp.query, good[i]);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(all_of_it),
		cmocka_unit_test(lengths_of_time),
		cmocka_unit_test(what_is_wrong),
		cmocka_unit_test(queries_of_meters),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
