/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_profile_ini: profiles as people write them, the examples in profiles/ among them. */
#include <lull/frame.h>
#include <source/profile.h>

#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static char err[512];
static struct lull_profile p;

static void good(const char *text)
{
	if (lull_profile_parse_text("car.ini", text, strlen(text), &p, err, sizeof err) < 0)
		fail_msg("%s", err);
}

static void bad(const char *text, const char *want)
{
	assert_int_equal(
		lull_profile_parse_text("car.ini", text, strlen(text), &p, err, sizeof err), -EINVAL);
	if (!strstr(err, want))
		fail_msg("got:  %s\nwant: %s", err, want);
	assert_int_equal(p.node_count, 0);
	assert_null(p.nodes);
}

/* What a recording keeps is read as it is: its names were taken once. */
static void test_kept(void **state)
{
	static const char text[] = "[bus +1]\nbitrate = 500k\n[node =cmd|x]\nbus = +1\nids = 0x100\n[node \xc3\x84" "gypten]\n";
	(void)state;
	assert_int_equal(lull_profile_parse_text("car.ini", text, sizeof text - 1, &p, err, sizeof err), -EINVAL);
	if (lull_profile_parse_kept("car.ini", text, sizeof text - 1, &p, err, sizeof err) < 0)
		fail_msg("%s", err);
	assert_string_equal(p.nodes[0].name, "=cmd|x");
	assert_string_equal(p.nodes[0].bus, "+1");
	assert_string_equal(p.nodes[1].name, "\xc3\x84" "gypten");
	lull_profile_clear(&p);
}

static void test_lengths_of_time(void **state)
{
	(void)state;
	good("[limits]\nsleep_s = 20 min\n[battery]\nreserve_min = 2 h\n"
	     "[nm a]\nkind = autosar\nids = 0x500/0x7C0\ncycle_ms = 0.64 s\ntimeout_ms = 2s\nwait_sleep_ms = 1500\n");
	assert_true(p.limit_sleep_s == 1200);
	assert_true(p.reserve_min == 120);
	assert_int_equal(p.nm[0].cycle_ns, 640 * LULL_MS);
	assert_int_equal(p.nm[0].timeout_ns, 2 * LULL_SEC);
	assert_int_equal(p.nm[0].wait_sleep_ns, 1500 * LULL_MS);
	lull_profile_clear(&p);
}

static void test_whole(void **state)
{
	(void)state;
	good("\xef\xbb\xbf; comment\n[car]\nvehicle = Invented, \xc3\xa4lter ; a comment\ncapacity_Ah = "
	     "70.5\r\n"
	     "[battery]\nreserve_min = 120\ntype = AGM\ncharge = 75 %\n"
	     "[clamp]\nscale = 100 mV/A\nrange_A = 60\nlogger_mA = 290\n"
	     "[limits]\ndraw_mA=50\nsleep_s : 1200\nsource = maker\n"
	     "[bus body]\nbitrate = 83.333k\n[bus drive]\nbitrate = 500000\ndata_bitrate = 2M\n"
	     "[node  rear door ]\nbus = body\n\tids = 0x3A1, 3A2 0x3B0/0x7FC\n  ids = "
	     "0x18FEF100/0x1FFFFF00,123x\nnm_address = 0x21\n"
	     "source_address = 33\ngateway = no\nnever_unplug = YES\nplace = there\nconnector = 20 "
	     "pins\nfuse = F14\n"
	     "[nm a]\nkind = autosar\nbus = body\nids = 0x500/0x7C0\nsource_byte = 1\ncontrol_byte = "
	     "0\ncycle_ms = 640\n"
	     "repeat_message_ms = 1600.5\ntimeout_ms = 2000\nwait_sleep_ms = 0\n"
	     "[nm b]\nkind = osek\nids = 0x400/0x7E0\nalive = 2\nring = 0x01\n");
	assert_string_equal(p.vehicle, "Invented, \xc3\xa4lter");
	assert_true(p.capacity_Ah == 70.5);
	assert_true(p.reserve_min == 120 && p.battery == LULL_BATTERY_AGM && p.charge == 0.75);
	assert_true(p.clamp_mV_per_A == 100 && p.clamp_range_A == 60 && p.clamp_logger_mA == 290);
	assert_true(p.limit_draw_mA == 50);
	assert_true(p.limit_sleep_s == 1200);
	assert_true(p.limits_from_maker);
	assert_int_equal(p.bus_count, 2);
	assert_int_equal(p.bus[0].bitrate, 83333);
	assert_int_equal(p.bus[0].bitrate_data, 0);
	assert_int_equal(p.bus[1].bitrate, 500000);
	assert_int_equal(p.bus[1].bitrate_data, 2000000);
	assert_int_equal(p.node_count, 1);
	const struct lull_profile_node *n = p.nodes;
	assert_string_equal(n->name, "rear door");
	assert_string_equal(n->bus, "body");
	static const struct lull_id_match want[] = {
		{0x3a1, 0x7ff | LULL_ID_EXTENDED},
		{0x3a2, 0x7ff | LULL_ID_EXTENDED},
		{0x3b0, 0x7fc | LULL_ID_EXTENDED},
		{0x18fef100 | LULL_ID_EXTENDED, 0x1fffff00 | LULL_ID_EXTENDED},
		{0x123 | LULL_ID_EXTENDED, LULL_ID_BITS | LULL_ID_EXTENDED},
	};
	assert_int_equal(n->id_count, 5);
	for (size_t i = 0; i < 5; i++) {
		assert_int_equal(n->ids[i].id, want[i].id);
		assert_int_equal(n->ids[i].mask, want[i].mask);
	}
	assert_int_equal(n->nm_address, 0x21);
	assert_int_equal(n->source_address, 33);
	assert_false(n->gateway);
	assert_true(n->never_unplug);
	assert_string_equal(n->place, "there");
	assert_string_equal(n->connector, "20 pins");
	assert_string_equal(n->fuse, "F14");
	assert_int_equal(p.nm_count, 2);
	assert_int_equal(p.nm[0].kind, LULL_NM_AUTOSAR);
	assert_int_equal(p.nm[0].ids.id, 0x500);
	assert_int_equal(p.nm[0].ids.mask, 0x7c0 | LULL_ID_EXTENDED);
	assert_int_equal(p.nm[0].source_byte, 1);
	assert_int_equal(p.nm[0].control_byte, 0);
	assert_true(p.nm[0].cycle_ns == 640 * LULL_MS);
	assert_true(p.nm[0].repeat_message_ns == 1600500 * LULL_US);
	assert_true(p.nm[0].wait_sleep_ns == 0);
	/* OSEK/VDX NM 2.5.3: TTyp 100 ms, TMax 260 ms, TWaitBusSleep 1.5 or 5 s; opcode bits. */
	assert_int_equal(p.nm[1].kind, LULL_NM_OSEK);
	assert_int_equal(p.nm[1].op_alive, 2);
	assert_int_equal(p.nm[1].op_ring, 1);
	assert_int_equal(p.nm[1].op_limp_home, 4);
	assert_int_equal(p.nm[1].op_sleep_indication, 0x10);
	assert_int_equal(p.nm[1].op_sleep_acknowledge, 0x20);
	assert_int_equal(p.nm[1].control_byte, 1);
	assert_true(p.nm[1].cycle_ns == 100 * LULL_MS);
	assert_true(p.nm[1].timeout_ns == 260 * LULL_MS);
	assert_true(p.nm[1].wait_sleep_ns == 5 * LULL_SEC);
	lull_profile_clear(&p);
}

static void test_nothing(void **state)
{
	(void)state;
	good("");
	assert_true(isnan(p.limit_draw_mA));
	assert_true(isnan(p.capacity_Ah));
	assert_int_equal(p.node_count, 0);
	lull_profile_clear(&p);
	/* A name longer than inih's own limit of 49 bytes for a section. */
	good("[node 012345678901234567890123456789012345678901234567890123456789]\nids = 1\n");
	assert_string_equal(p.nodes[0].name, "012345678901234567890123456789012345678901234567890123456789");
	lull_profile_clear(&p);
}

static void test_errors(void **state)
{
	(void)state;
	static const struct {
		const char *text, *want;
	} cases[] = {
		{"x = 1\n", "car.ini:1: 'x' stands before the first section"},
		{"[car]\nvehicel = x\n",
			"car.ini:2: 'vehicel' is no key of [car], did you mean 'vehicle'?; known are: "
			"vehicle, model, capacity_Ah"},
		{"[car]\ncolour = x\n",
			"car.ini:2: 'colour' is no key of [car]; known are: vehicle, model, capacity_Ah"},
		{"[cars]\n",
			"car.ini:1: [cars] is no section, did you mean 'car'?; known are: [car], [limits], "
			"[battery], [clamp], [bus NAME], [node NAME], [nm NAME]"},
		{"[node]\n", "car.ini:1: [node] wants a name: [node NAME]"},
		{"[car x]\n", "[car] takes no name"},
		{"[car]\n[car]\n", "car.ini:2: [car] is there already"},
		{"[car]\n\nhello\n", "car.ini:3: is neither [section] nor key = value"},
		{"[car\nvehicle = x\n", "car.ini:1: the section's closing ']' is missing"},
		{"[car]\ncapacity_Ah = 70 # big\n",
			"car.ini:2: 'capacity_Ah' value \"70 # big\" is not a number above 0 (with a decimal "
			"point); a comment behind a value begins with ' ;'"},
		{"[car]\ncapacity_Ah = 0\n", "is not a number above 0"},
		{"[car]\ncapacity_Ah = nan\n", "is not a number above 0"},
		{"[car]\ncapacity_Ah = 70\ncapacity_Ah = 71\n", "car.ini:3: 'capacity_Ah' is given twice"},
		{"[battery]\ntype = nickel\n", "'type' value \"nickel\" is not flooded, efb, agm or gel"},
		{"[battery]\ncharge = 110\n", "a percentage, above 0 and up to 100"},
		{"[battery]\n[battery]\n", "car.ini:2: [battery] is there already"},
		{"[clamp]\nscale = 100\n[clamp]\n", "car.ini:3: [clamp] is there already"},
		{"[clamp]\nscale = 100mV\n", "a clamp's scale (10mV/A, 100mV/A)"},
		{"[clamp]\nrange = 60\n", "did you mean 'range_A'?; known are: scale, range_A, logger_mA"},
		{"[limits]\nsource = me\n", "maker or workshop"},
		{"[bus a]\nbitrate = fast\n", "a bit rate (500000, 500k, 2M)"},
		{"[bus a]\n[bus a]\n", "car.ini:2: bus 'a' has a section already"},
		{"[bus 01234567890123456789012345678901]\n",
			"the bus name has 32 bytes, at most 31 are kept"},
		{"[node a]\nids = 0x3A1, xyz\n", "car.ini:2: 'ids' value \"xyz\" is not an ID"},
		{"[node a]\nids = 0x3A1/0x7C0\n",
			"fits no ID: its ID has bits that the mask leaves out; write 0x380/0x7C0"},
		{"[node a]\nids = 0x3A1/0xFFFF\n", "the mask of a standard ID has 11 bits"},
		{"[node a]\nids = ,\n", "a list of IDs"},
		{"[node a]\nnm_address = 256\n", "a number from 0 to 255"},
		{"[node a]\ngateway = perhaps\n", "yes or no"},
		{"[node a]\n[node b]\n[node A]\n", "car.ini:3: node 'A' has a section already, at line 1"},
		{"[node a]\nids = 0x100\n[node b]\nids = 0x200, 0x100/0x7F0\n",
			"car.ini:3: ID 0x100 belongs to node 'a' already"},
		{"[node a]\nnm_address = 7\n[node b]\nnm_address = 0x07\n",
			"nm_address 0x07 belongs to node 'a' already"},
		{"[bus x]\n[bus y]\n[node a]\nbus = z\n",
			"car.ini:3: node 'a' is on bus 'z', for which there is no section [bus z]; there "
			"are: x, y"},
		{"[nm a]\nids = 0x500/0x7C0\n", "car.ini:1: [nm a] does not say its kind"},
		{"[nm a]\nkind = autosar\n", "[nm a] does not say its ids"},
		{"[nm a]\nkind = can\n", "autosar or osek"},
		{"[nm a]\nkind = autosar\nids = 0x500/0x7C0\nring = 2\n", "is autosar, and has no opcodes"},
		{"[nm a]\nkind = osek\nids = 0x500/0x7C0\nrepeat_message_ms = 2\n",
			"is osek, and has no repeat_message_ms"},
		{"[nm a]\nkind = autosar\nids = 0x500/0x7C0\nsource_byte = 1\n", "cannot be the same byte"},
		{"[nm a]\nsource_byte = 2\n", "0, 1 or off"},
		{"[limits]\nsleep_s = 0\n", "'sleep_s' value \"0\" is not between 1 ms and 1000000 s"},
		{"[limits]\nsleep_s = -5 min\n", "is no length of time"},
		{"[limits]\nsleep_s = 20 minutes ; really\n", "'sleep_s' value \"20 minutes\" is no length of time"},
		{"[nm a]\ncycle_ms = 2 h\n", "'cycle_ms' value \"2 h\" is not between 0 s and 1 h"},
		{"[node =cmd]\n", "car.ini:1: the name in [node NAME] does not begin with a letter or a digit"},
		{"[bus +1]\n", "car.ini:1: the name in [bus NAME] does not begin with a letter or a digit"},
		{"[nm @SUM(1)]\n", "car.ini:1: the name in [nm NAME] does not begin with a letter or a digit"},
		{"[node a\xe2\x80\xae" "b]\n", "car.ini:1: the name in [node NAME] holds a control character or a mark of writing direction"},
		{"[node a]\nbus = -1\n", "car.ini:2: the name behind 'bus' does not begin with a letter or a digit"},
		{"[nm a]\ncycle_ms = soon\n", "is no length of time; write 90 s, 5 min, 1.5 h or 1h30m, or a number of milliseconds"},
		{"[car]\nvehicle = \xff\n",
			"car.ini:2: byte 11 of the line is a control character or no UTF-8"},
		{"[node a\x07]\n", "car.ini:1: byte 8 of the line"},
		{"[node a]\nplace = "
		 "0123456789012345678901234567890123456789012345678901234567890123456789012345678901234567890"
		 "123456789\n",
			"car.ini:2: 'place' has 100 bytes, at most 95 are kept"},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++)
		bad(cases[i].text, cases[i].want);
	assert_int_equal(
		lull_profile_parse_text("car.ini", "[car]\nvehicle = a\0b\n", 20, &p, err, sizeof err),
		-EINVAL);
}

struct found {
	unsigned n, line[8];
};

static void note(void *ctx, unsigned line, const char *message)
{
	struct found *found = ctx;
	assert_non_null(message);
	assert_true(found->n < 8);
	found->line[found->n++] = line;
}

/* All errors, each with its line, and none that only follows from another. */
static void test_all_errors(void **state)
{
	(void)state;
	static const char text[] = "[car]\nvehicel = x\n[cars]\nids = 1\n[node a]\nids = 0x100\nnm_address = 300\n[node b]\n"
				   "ids = 0x100\n[limits]\ndraw_mA = none\n";
	struct found found = {0};
	assert_int_equal(lull_profile_check_text("car.ini", text, sizeof text - 1, note, &found), 5);
	unsigned seen = 0;
	for (unsigned i = 0; i < found.n; i++)
		seen |= 1u << found.line[i];
	assert_int_equal(seen, 1u << 2 | 1u << 3 | 1u << 7 | 1u << 8 | 1u << 11);
	found.n = 0;
	assert_int_equal(lull_profile_check("profiles/passenger-car-nm.ini", note, &found), 0);
	assert_int_equal(lull_profile_check("/nonexistent.ini", note, &found), 1);
	assert_int_equal(found.line[0], 0);
}

static void test_long_lines(void **state)
{
	(void)state;
	char text[400] = "[node a]\nids = 0x1";
	while (strlen(text) < 9 + 189)
		strcat(text, " ");
	good(text);
	lull_profile_clear(&p);
	strcat(text, " ");
	bad(text,
		"car.ini:2: the line has 190 bytes, at most 189 can be read; 'ids' may be given several "
		"times");
}

static void test_same_id_on_two_buses(void **state)
{
	(void)state;
	good("[node a]\nbus = x\nids = 0x100\nnm_address = 1\n[node b]\nbus = y\nids = 0x100\nnm_address = "
	     "1\n"
	     "[node c]\nbus = x\nids = 100x\n");
	assert_int_equal(p.node_count, 3);
	lull_profile_clear(&p);
}

static void test_many_nodes(void **state)
{
	(void)state;
	static char text[40000];
	size_t n = 0;
	for (int i = 0; i < 300; i++)
		n += (size_t)snprintf(text + n, sizeof text - n, "[node n%d]\nids = 0x%X, 0x%X\n", i,
			0x100 + i, 0x18000000 + i);
	good(text);
	assert_int_equal(p.node_count, 300);
	assert_int_equal(p.nodes[299].ids[1].id, (0x18000000 + 299) | LULL_ID_EXTENDED);
	lull_profile_clear(&p);
}

static void test_examples(void **state)
{
	(void)state;
	static const struct {
		const char *path;
		size_t nodes, nm;
	} files[] = {
		{"profiles/passenger-car-nm.ini", 4, 2},
		{"profiles/source-address.ini", 5, 0},
		{"profiles/empty.ini", 0, 0},
	};
	for (size_t i = 0; i < sizeof files / sizeof *files; i++) {
		if (lull_profile_read(files[i].path, &p, err, sizeof err) < 0)
			fail_msg("%s (run from the project's folder)", err);
		assert_int_equal(p.node_count, files[i].nodes);
		assert_int_equal(p.nm_count, files[i].nm);
		lull_profile_clear(&p);
	}
	assert_int_equal(lull_profile_read("profiles/passenger-car-nm.ini", &p, err, sizeof err), 0);
	assert_true(p.capacity_Ah == 70 && p.battery == LULL_BATTERY_EFB && p.clamp_mV_per_A == 100);
	lull_profile_clear(&p);
	assert_int_equal(lull_profile_read("/nonexistent.ini", &p, err, sizeof err), -ENOENT);
	assert_string_equal(err, "/nonexistent.ini: cannot be opened: No such file or directory");
	size_t size;
	assert_null(lull_text_read("profiles/empty.ini", 10, &size, err, sizeof err));
	assert_non_null(strstr(err, "has more than 10 bytes"));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_kept), cmocka_unit_test(test_lengths_of_time), cmocka_unit_test(test_whole),
		cmocka_unit_test(test_nothing),
		cmocka_unit_test(test_errors),
		cmocka_unit_test(test_all_errors),
		cmocka_unit_test(test_long_lines),
		cmocka_unit_test(test_same_id_on_two_buses),
		cmocka_unit_test(test_many_nodes),
		cmocka_unit_test(test_examples),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
