/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_ready: what lull check says of a bus, a clamp and a logger, case by case; and what the board's files say. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <lull/ready.h>
#include <math.h>
#include <source/board.h>
#include <source/live_config.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static struct lull_ready_traffic traffic;
static struct lull_ready_bus bus;
static struct lull_ready_facts facts;
static struct lull_ready_line line[64];
static size_t lines;

static void send(lull_time t, uint32_t id, uint8_t flags)
{
	const struct lull_frame f = {.t = t, .id = id, .flags = flags, .len = 8};

	lull_ready_traffic_add(&traffic, &f);
}

/* A night for which all is in place: three cyclic IDs in ten seconds. */
static void good(void)
{
	int i;

	lull_ready_traffic_init(&traffic);
	for (i = 0; i < 1000; i++) {
		send(i * 10 * LULL_MS, 0x100 + (uint32_t)i % 3, 0);
	}
	bus = (struct lull_ready_bus){.name = "can0", .present = true, .up = true, .listens_only = true, .shows_errors = true,
		.bitrate = 500000, .wanted_bitrate = 500000, .listened = true, .listened_s = 10, .traffic = &traffic};
	facts = lull_ready_facts_default();
	facts.bus = &bus;
	facts.bus_count = 1;
	facts.key_on = true;
	facts.clamp.wanted = facts.clamp.answers = true;
	facts.clamp.readings = 50;
	facts.clamp.mean_mA = 31;
	facts.clamp.noise_mA = 4;
	facts.clock_set = true;
	facts.free_MB = 20000;
	facts.board = LULL_VOLTAGE_FINE;
	facts.supply = LULL_SUPPLY_BANK;
	facts.bank_Wh = 74;
	facts.battery_V = 12.6;
}

static enum lull_ready_level judge(void)
{
	lines = lull_ready_judge(&facts, line, sizeof line / sizeof line[0]);
	return lull_ready_worst(line, lines);
}

/* The line that holds the word says this, and something to do unless it is fine. */
static void says(enum lull_ready_level level, const char *word)
{
	size_t i;

	if (judge() < level)
		fail_msg("'%s': nothing is so bad", word);
	for (i = 0; i < lines; i++) {
		if (strstr(line[i].text, word)) {
			assert_int_equal(line[i].level, level);
			return;
		}
	}
	for (i = 0; i < lines; i++)
		print_message("%s %s: %s\n", lull_ready_level_name(line[i].level), line[i].what, line[i].text);
	fail_msg("no line says '%s'", word);
}

static void test_good(void **unused)
{
	size_t i;

	(void)unused;
	good();
	assert_int_equal(judge(), LULL_READY_FINE);
	says(LULL_READY_FINE, "alive: 3 IDs");
	says(LULL_READY_FINE, "power bank lasts some 18 h"); /* 74 Wh x 0.85 / 3.5 W */
	for (i = 0; i < lines; i++)
		assert_true(line[i].text[0] && line[i].what[0]);
	/* What stops always says what to do. */
	bus.present = false;
	facts.clamp.answers = false;
	facts.battery_V = 11.9;
	(void)judge();
	for (i = 0; i < lines; i++)
		assert_true(line[i].level != LULL_READY_STOP || line[i].todo[0]);
	assert_int_equal(lull_ready_judge(&facts, line, 2), 2); /* never more than there is room for */
}

static void test_adapter(void **unused)
{
	(void)unused;
	good();
	bus.present = false;
	says(LULL_READY_STOP, "no adapter");
	good();
	bus.up = false;
	says(LULL_READY_STOP, "link is down");
	good();
	bus.listens_only = false;
	says(LULL_READY_STOP, "acknowledges frames");
	bus.accepted = true;
	says(LULL_READY_CAREFUL, "as the configuration accepts");
	good();
	bus.bus_off = true;
	says(LULL_READY_STOP, "bus-off");
	good();
	bus.sent = 3;
	says(LULL_READY_STOP, "3 frames were sent");
	good();
	bus.bitrate = 250000;
	says(LULL_READY_STOP, "the configuration says 500000");
	good();
	bus.holds_frames = true;
	says(LULL_READY_STOP, "holds frames back");
	good();
	bus.shows_errors = false;
	says(LULL_READY_CAREFUL, "does not show bus errors");
	good();
	bus.gone = true;
	says(LULL_READY_STOP, "went away");
	good();
	bus.simulated = true;
	says(LULL_READY_CAREFUL, "simulated");
	good();
	facts.bus_count = 0;
	says(LULL_READY_STOP, "no bus");
}

/* Trade rule 2: a port that shows only answers to a tester is a stub. */
static void test_stub(void **unused)
{
	int i;

	(void)unused;
	good();
	lull_ready_traffic_init(&traffic);
	for (i = 0; i < 100; i++) {
		/* ISO 15765-4: functional request 0x7DF, physical answer 0x7E8. */
		send(i * 100 * LULL_MS, 0x7df, 0);
		send(i * 100 * LULL_MS + 5 * LULL_MS, 0x7e8, 0);
	}
	says(LULL_READY_STOP, "only answers to a tester");
	says(LULL_READY_CAREFUL, "tester or dongle");
	assert_int_equal(lull_ready_cyclic(&traffic), 0);
	/* Nothing at all, with the key on and off. */
	lull_ready_traffic_init(&traffic);
	says(LULL_READY_STOP, "nothing heard");
	facts.key_on = false;
	says(LULL_READY_CAREFUL, "it may sleep");
	/* Errors only. */
	facts.key_on = true;
	for (i = 0; i < 50; i++)
		send(i * LULL_MS, 0x88, LULL_FRAME_ERROR);
	says(LULL_READY_STOP, "only bus errors");
	/* A few stray frames make no inner bus. */
	lull_ready_traffic_init(&traffic);
	send(0, 0x100, 0);
	send(1700 * LULL_MS, 0x101, 0);
	says(LULL_READY_STOP, "hardly the inner bus");
	/* Errors beside frames. */
	good();
	for (i = 0; i < 100; i++)
		send(10 * LULL_SEC + i * LULL_MS, 0x88, LULL_FRAME_ERROR);
	says(LULL_READY_CAREFUL, "100 bus errors beside 1000 frames");
	good();
	bus.lost = 7;
	says(LULL_READY_CAREFUL, "7 frames were lost");
}

/* Event-driven IDs are not cyclic; jitter of a third of the period is borne, and so is a board that was busy for a second. */
static void test_cyclic(void **unused)
{
	static const int uneven[] = {10, 400, 30, 900, 15, 2000, 70};
	lull_time t = 0;
	size_t i;

	(void)unused;
	lull_ready_traffic_init(&traffic);
	for (i = 0; i < sizeof uneven / sizeof uneven[0]; i++)
		send(t += uneven[i] * LULL_MS, 0x300, 0);
	assert_int_equal(lull_ready_cyclic(&traffic), 0);
	for (i = 0; i < 20; i++)
		send((lull_time)i * 100 * LULL_MS + (i % 2 ? 20 : 0) * LULL_MS + (i > 10 ? LULL_SEC : 0), 0x301, 0);
	assert_int_equal(lull_ready_cyclic(&traffic), 1);
	/* More IDs than fit are counted, not lost. */
	for (i = 0; i < LULL_READY_IDS + 100; i++)
		send(t + (lull_time)i, 0x1000 + (uint32_t)i, 0);
	assert_int_equal(traffic.ids, LULL_READY_IDS);
	assert_int_equal(traffic.crowded, 102);
}

static void test_wakes(void **unused)
{
	int wake, i;

	(void)unused;
	good();
	facts.key_on = false;
	facts.wakes_wanted = 3;
	lull_ready_traffic_init(&traffic);
	for (wake = 0; wake < 4; wake++) {
		for (i = 0; i < 20; i++)
			send(wake * 60 * LULL_SEC + i * 100 * LULL_MS, i ? 0x200u : 0x123u, 0);
		if (wake == 2) {
			says(LULL_READY_CAREFUL, "2 of 3 deliberate wakes");
		}
	}
	assert_int_equal(traffic.wakes, 3); /* what was awake at the start was not woken */
	says(LULL_READY_FINE, "0x123 first each time");
	send(300 * LULL_SEC, 0x200, 0);
	says(LULL_READY_FINE, "not always the same");
}

static void test_clamp(void **unused)
{
	(void)unused;
	good();
	facts.clamp.wanted = false;
	says(LULL_READY_CAREFUL, "no all-clear");
	good();
	facts.clamp.answers = false;
	(void)snprintf(facts.clamp.why, sizeof facts.clamp.why, "there is no ADC 'x'");
	says(LULL_READY_STOP, "there is no ADC");
	good();
	facts.clamp.over = 20;
	says(LULL_READY_STOP, "beyond its range");
	good();
	facts.clamp.noise_mA = 80;
	says(LULL_READY_CAREFUL, "more than the limit");
	good();
	facts.clamp.noise_mA = 0;
	says(LULL_READY_CAREFUL, "all the same");
	good();
	facts.clamp.off_cable = true;
	facts.clamp.mean_mA = 12;
	says(LULL_READY_FINE, "zero +12.0 mA");
	facts.clamp.mean_mA = -800;
	says(LULL_READY_CAREFUL, "zero -800.0 mA");
	good();
	facts.clamp.load_mA = 420;
	says(LULL_READY_STOP, "no step of some 420 mA");
	facts.clamp.load_seen_mA = 415;
	says(LULL_READY_FINE, "420 mA read as 415 mA");
	facts.clamp.load_seen_mA = -415;
	says(LULL_READY_CAREFUL, "the other way round");
	facts.clamp.load_seen_mA = 4150;
	says(LULL_READY_STOP, "read as 4150 mA");
}

static void test_logger(void **unused)
{
	(void)unused;
	good();
	facts.clock_set = false;
	says(LULL_READY_FINE, "durations are right");
	good();
	facts.free_MB = 60;
	says(LULL_READY_STOP, "60 MB free");
	facts.free_MB = 300;
	says(LULL_READY_CAREFUL, "300 MB free");
	facts.need_MB = 1000;
	says(LULL_READY_STOP, "300 MB free");
	good();
	facts.board = LULL_VOLTAGE_LOW;
	says(LULL_READY_STOP, "too low now");
	facts.board = LULL_VOLTAGE_WAS_LOW;
	says(LULL_READY_CAREFUL, "too low since");
	good();
	facts.supply = LULL_SUPPLY_PORT;
	says(LULL_READY_CAREFUL, "some 292 mA at 12 V"); /* trade rule 28: 3.5 W from pin 16, some 290 mA */
	good();
	facts.bank_Wh = 37;
	says(LULL_READY_STOP, "lasts some 9 h");
	good();
	facts.night_h = 16;
	says(LULL_READY_CAREFUL, "the night is to have 16 h");
	good();
	facts.battery_V = 12.1; /* trade rule 25: stop below 12.2 V */
	says(LULL_READY_STOP, "12.10 V");
	facts.battery_V = 13.6;
	says(LULL_READY_STOP, "charger");
}

/* Trade rule 19: 7 s on, 3 s off, 5 s on, at 5 readings a second. */
static void test_load(void **unused)
{
	float mA[150];
	double seen, mean, noise;
	uint32_t seed = 7;
	size_t i;

	(void)unused;
	for (i = 0; i < 150; i++) {
		double s = (double)i / 5;
		bool on = (s >= 8 && s < 15) || (s >= 18 && s < 23);

		seed = seed * 1664525u + 1013904223u;
		mA[i] = (float)(35 + (on ? 420 : 0) + ((double)(seed >> 16) / 65536 - 0.5) * 12);
	}
	assert_int_equal(lull_ready_load(mA, 150, 420, &seen), 0);
	assert_true(fabs(seen - 420) < 5);
	for (i = 0; i < 150; i++)
		mA[i] = 70 - mA[i];
	assert_int_equal(lull_ready_load(mA, 150, 420, &seen), 0);
	assert_true(fabs(seen + 420) < 5);
	assert_int_equal(lull_ready_load(mA, 30, 420, &seen), 0);
	assert_true(isnan(seen)); /* it was never switched on */
	lull_ready_clamp(mA, 30, &mean, &noise);
	assert_true(fabs(mean - 35) < 4);
	assert_true(fabs(noise - 12 / sqrt(12)) < 1.5); /* standard deviation of an even spread */
	lull_ready_clamp(mA, 0, &mean, &noise);
	assert_true(isnan(mean) && isnan(noise));
}

static void put(const char *root, const char *path, const char *text)
{
	char whole[512], *c;
	FILE *f;

	(void)snprintf(whole, sizeof whole, "%s/%s", root, path);
	for (c = whole + strlen(root) + 1; (c = strchr(c, '/')); c++) {
		*c = 0;
		(void)mkdir(whole, 0755);
		*c = '/';
	}
	f = fopen(whole, "w");
	assert_non_null(f);
	assert_true(fputs(text, f) >= 0);
	assert_int_equal(fclose(f), 0);
}

static void test_board(void **unused)
{
	static const struct {
		const char *text;
		enum lull_ready_voltage want;
	} cases[] = {{"0\n", LULL_VOLTAGE_FINE}, {"50005\n", LULL_VOLTAGE_LOW}, {"50000\n", LULL_VOLTAGE_WAS_LOW},
		{"80008\n", LULL_VOLTAGE_FINE}, {"\n", LULL_VOLTAGE_UNKNOWN}, {"zz\n", LULL_VOLTAGE_UNKNOWN}};
	char root[] = "/tmp/test_ready.XXXXXX", command[64];
	size_t i;

	(void)unused;
	assert_non_null(mkdtemp(root));
	assert_int_equal(lull_board_voltage(root), LULL_VOLTAGE_UNKNOWN);
	put(root, "sys/class/hwmon/hwmon0/name", "cpu_thermal\n");
	put(root, "sys/class/hwmon/hwmon1/name", "rpi_volt\n");
	put(root, "sys/class/hwmon/hwmon1/in0_lcrit_alarm", "0\n");
	assert_int_equal(lull_board_voltage(root), LULL_VOLTAGE_FINE);
	put(root, "sys/class/hwmon/hwmon1/in0_lcrit_alarm", "1\n");
	assert_int_equal(lull_board_voltage(root), LULL_VOLTAGE_WAS_LOW);
	for (i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		put(root, "sys/devices/platform/soc/soc:firmware/get_throttled", cases[i].text);
		assert_int_equal(lull_board_voltage(root), cases[i].want);
	}
	assert_true(lull_board_free_MB(root) >= 0);
	assert_true(isnan(lull_board_free_MB("/no/such/folder")));
	(void)snprintf(command, sizeof command, "rm -rf '%s'", root);
	assert_int_equal(system(command), 0); /* NOLINT: our own folder */
}

static void test_config(void **unused)
{
	struct lull_config_clamp c = {.source = LULL_CLAMP_NONE, .mV_per_A = 100, .range_A = (double)NAN, .samples_per_s = 10, .gain = 0.125, .divider = 2};
	struct lull_live_spec s;

	(void)unused;
	assert_false(lull_live_from_config(&c, &s));
	c.source = LULL_CLAMP_SCPI;
	(void)snprintf(c.device, sizeof c.device, "192.168.1.7:5025");
	assert_true(lull_live_from_config(&c, &s));
	assert_string_equal(s.device, "tcp:192.168.1.7:5025");
	assert_int_equal(s.period_ns, 100 * LULL_MS);
	assert_true(s.divider == 2 && s.gain == 0.125);
	(void)snprintf(c.device, sizeof c.device, "/dev/serial/by-id/usb-1:2");
	assert_true(lull_live_from_config(&c, &s));
	assert_string_equal(s.device, "/dev/serial/by-id/usb-1:2");
	c.source = LULL_CLAMP_LINES;
	c.amperes = true;
	assert_true(lull_live_from_config(&c, &s));
	assert_int_equal(s.unit, LULL_CLAMP_A);
	c.source = LULL_CLAMP_IIO;
	(void)snprintf(c.device, sizeof c.device, "iio:device0");
	assert_true(lull_live_from_config(&c, &s));
	assert_string_equal(s.device, "iio:device0");
}

int main(void)
{
	const struct CMUnitTest tests[] = {cmocka_unit_test(test_good), cmocka_unit_test(test_adapter), cmocka_unit_test(test_stub),
		cmocka_unit_test(test_cyclic), cmocka_unit_test(test_wakes), cmocka_unit_test(test_clamp), cmocka_unit_test(test_logger),
		cmocka_unit_test(test_load), cmocka_unit_test(test_board), cmocka_unit_test(test_config)};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
