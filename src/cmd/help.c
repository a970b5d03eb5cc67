/* SPDX-License-Identifier: GPL-3.0-or-later */
/* help: the help of a command, or a page on one of the things a night depends on. */
#include <cmd/cmd.h>
#include <source/nearest.h>
#include <stdio.h>
#include <string.h>

static const char who[] = "lull help";

static const struct {
	const char *name, *about, *text;
} topics[] = {
	{"car", "at the car, from hanging the clamp to reading the report",
		"At the car\n"
		"\n"
		" 1. Ask what was plugged in or added: a device at the diagnostic port, a dash\n"
		"    camera, a tow module. They are the commonest answer.\n"
		" 2. Bonnet and doors that must stay open: latches tricked shut, released before\n"
		"    anything is closed. Charger off. Key far away, some ten metres.\n"
		" 3. Zero the clamp with its jaws shut, off the cable, where it will hang; then\n"
		"    hang it so that all current passes: every negative cable together.\n"
		" 4. Key on for a minute while the recorder runs: it must hear the car alive.\n"
		" 5. A known load, if you have one: mark 'test load 420 mA', 7 s on, 3 s off,\n"
		"    5 s on, from battery positive to body, fused.\n"
		" 6. Key off, mark it, lock as the customer does, and leave it alone.\n"
		" 7. In the morning: mark 'morning' before you unlock.\n"
		" 8. Take the clamp off, read its zero again, and note it.\n"
		"\n"
		"The maker's service information and licensed practice come first. Restraint,\n"
		"high-voltage and brake systems: by the maker's procedure only.\n"},
	{"words", "what lull's own words mean",
		"Words\n"
		"\n"
		"recording   one night, one file NIGHT.lull\n"
		"stretch     one arbitration ID sending without a break\n"
		"spell       one bus awake without a break; quiet between two spells\n"
		"coverage    when a bus was really observed; the rest is blind, with a reason\n"
		"keeper      the node for which a spell goes on\n"
		"waker       the node that began a spell\n"
		"kin         IDs that behave as one sender does\n"
		"mark        something a person did or says, with its time\n"
		"finding     one statement about the drain\n"
		"\n"
		"All other words are the trade's or a standard's. 'Quiet' is said only of silence\n"
		"that was observed. 'Asks for the network' and 'wakes it' do not mean faulty.\n"},
	{"marks", "what a person did, and how to write it",
		"Marks\n"
		"\n"
		"A CSV file for 'lull import --marks': time,mark; time in seconds from the first\n"
		"frame, or a date such as 2026-03-05T22:41:07Z. Case, space and hyphen do not\n"
		"matter.\n"
		"\n"
		"key on, key off, door, morning     what people did\n"
		"unplugged NODE, replugged NODE     a plug of one node\n"
		"fuse out NAME, fuse back NAME      a circuit, which may feed several nodes\n"
		"clamp zero                         the clamp is off the cable\n"
		"test load 420 mA                   a load of known size\n"
		"listening, stopped listening       when the capture really ran\n"
		"\n"
		"Any other text is kept and shown.\n"},
	{"clamp", "scale, zero, direction and clock of the clamp",
		"The clamp\n"
		"\n"
		"Scale: at 100 mV/A one millivolt is 10 mA, at 10 mV/A it is 100 mA. Wrong by ten\n"
		"is the classic mistake. The range belongs to the scale: 60 A at 10 mV/A, some\n"
		"10 A at 100 mV/A.\n"
		"Zero: jaws shut, off the cable, in the place and attitude where it will hang,\n"
		"before and after the night. Steps are good to the noise; the level is only as\n"
		"good as the zero, which drifts with temperature.\n"
		"Direction: one that hung the other way round is recognised and turned.\n"
		"Clock: the log's own clock may be hours off; the report finds that from the\n"
		"steps at which the bus wakes and sleeps, says how sure it is, and lays no step\n"
		"to a node where it is not.\n"
		"A meter that switches itself off leaves a flat line: that is no low draw.\n"},
	{"pull", "plugs and fuses: tests that count, and parts to leave alone",
		"Pulling plugs\n"
		"\n"
		"A test counts if the bus was awake for longer than it usually needs to sleep,\n"
		"goes quiet soon after, and nothing else vanished: then the name is 'likely'.\n"
		"Plug it in again, let it settle, see it held awake again, unplug it again:\n"
		"'confirmed'.\n"
		"If all IDs end at once, a terminator or the gateway was pulled: that proves\n"
		"nothing. A fuse may feed several nodes.\n"
		"Pulling wakes modules, and what wakes then is ours: 'lull fuse' tells a current\n"
		"from the voltage across a fuse that stays in.\n"
		"\n"
		"Key off only. Never restraint, high-voltage, brake, steering-lock or immobiliser\n"
		"parts.\n"},
	{"limits", "how much, how soon, and whose figure it is",
		"Limits\n"
		"\n"
		"The maker's values rule: --limit-ma and --limit-sleep, or a profile's [limits]\n"
		"with source = maker. Without them 50 mA and 20 min are used, a rule of thumb:\n"
		"25 mA was common on older cars, 35 to 50 mA is on recent ones, and 2 to 20\n"
		"minutes to sleep.\n"
		"There is no all-clear without a measured current, and none where its band\n"
		"crosses the limit.\n"},
};
enum { TOPICS = sizeof topics / sizeof topics[0] };

static int list(void)
{
	size_t n;
	const struct lull_cmd *c = lull_cmd_all(&n);

	(void)fputs("Usage: lull help [COMMAND|TOPIC]\n"
		    "Show the help of a command, or a page on a topic.\n"
		    "\n"
		    "Topics:\n",
		stdout);
	for (size_t i = 0; i < TOPICS; i++)
		(void)printf("  %-10s %s\n", topics[i].name, topics[i].about);
	(void)fputs("\nCommands:\n", stdout);
	for (size_t i = 0; i < n; i++)
		(void)printf("  %-10s %s\n", c[i].name, c[i].about);
	(void)fputs("\n      --help     display this help and exit\n\nExit status: 0, or 2 on an error.\n", stdout);
	return lull_printed(who, LULL_EXIT_OK);
}

int lull_cmd_help(int argc, char **argv)
{
	static char help[] = "--help";
	const char *names[TOPICS + 64], *near;
	size_t n, k = 0;
	const struct lull_cmd *c = lull_cmd_all(&n);

	if (argc < 2 || !strcmp(argv[1], help))
		return list();
	if (argc > 2)
		return lull_misuse(who, "one thing at a time: what is '%s'?", argv[2]);
	for (size_t i = 0; i < TOPICS; i++) {
		names[k++] = topics[i].name;
		if (strcmp(argv[1], topics[i].name) != 0)
			continue;
		(void)fputs(topics[i].text, stdout);
		return lull_printed(who, LULL_EXIT_OK);
	}
	for (size_t i = 0; i < n; i++) {
		char name[32];
		char *const args[] = {name, help, NULL};

		if (k < sizeof names / sizeof names[0])
			names[k++] = c[i].name;
		if (strcmp(argv[1], c[i].name) != 0)
			continue;
		(void)snprintf(name, sizeof name, "lull %s", c[i].name);
		return c[i].run(2, (char **)(void *)args);
	}
	near = lull_nearest(argv[1], names, k);
	if (near)
		return lull_misuse(who, "there is no topic '%s'; did you mean '%s'?", argv[1], near);
	return lull_misuse(who, "there is no topic '%s'", argv[1]);
}
