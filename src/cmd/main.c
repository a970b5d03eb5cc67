/* SPDX-License-Identifier: GPL-3.0-or-later */
/* main: finds the subcommand and hands over. */
#include <cmd/cmd.h>
#include <curses.h>
#include <gsl/gsl_version.h>
#include <iio.h>
#include <jansson.h>
#include <microhttpd.h>
#include <source/nearest.h>
#include <source/pcap_out.h>
#include <qrencode.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <zlib.h>
#include <zstd.h>

static const struct lull_cmd commands[] = {
	{"import", "make a recording from captures of a parked car's buses", lull_cmd_import},
	{"report", "say what keeps the bus awake or wakes it", lull_cmd_report},
	{"view", "show a recording in a browser, or on a phone", lull_cmd_view},
	{"compare", "say whether a repair worked, from a night before and one after", lull_cmd_compare},
	{"ids", "list who sent after key-off, and until when", lull_cmd_ids},
	{"profile", "check what you know of a car", lull_cmd_profile},
	{"learn", "make a node map from unplug tests", lull_cmd_learn},
	{"export", "write parts of a recording as text", lull_cmd_export},
	{"link", "set a CAN interface up to listen only, or find its bit rate", lull_cmd_link},
	{"check", "say whether all is in place for the night", lull_cmd_check},
	{"fuse", "tell currents from voltage drops across fuses", lull_cmd_fuse},
	{"mark", "tell the recorder what you did just now", lull_cmd_mark},
	{"status", "say how the recorder stands, and what the night says so far", lull_cmd_status},
	{"simulate", "invent a night, to try things out", lull_cmd_simulate},
	{"help", "show the help of a command, or a page on a topic", lull_cmd_help},
};

const struct lull_cmd *lull_cmd_all(size_t *n)
{
	*n = sizeof commands / sizeof commands[0];
	return commands;
}

static void help(FILE *out)
{
	size_t i;

	(void)fputs("Usage: lull COMMAND [OPTION]... [FILE]...\n"
		    "Say from a night's CAN captures which node keeps a parked car's network awake\n"
		    "or wakes it. lull only reads; it never sends on a bus.\n"
		    "\n"
		    "Commands:\n",
		out);
	for (i = 0; i < sizeof commands / sizeof commands[0]; i++)
		(void)fprintf(out, "  %-10s %s\n", commands[i].name, commands[i].about);
	(void)fputs("\n"
		    "      --help     display this help and exit\n"
		    "      --version  output version information and exit\n"
		    "\n"
		    "'lull COMMAND --help' tells the options of a command.\n"
		    "First steps:\n"
		    "  lull import --can night.pcap --marks marks.csv -o night.lull\n"
		    "  lull report night.lull\n"
		    "The maker's service information and licensed practice come first.\n",
		out);
}

static void version(void)
{
	unsigned major, minor;
	char tag[8];

	(void)printf("lull %s\n", LULL_VERSION);
	(void)printf("with %s,\nSQLite %s, jansson %s, GSL %s, zlib %s, zstd %s\n", lull_pcap_library(),
		sqlite3_libversion(), jansson_version_str(), gsl_version, zlibVersion(),
		ZSTD_versionString());
	iio_library_get_version(&major, &minor, tag);
	(void)printf("libmicrohttpd %s, libqrencode %s, libiio %u.%u, %s\n", MHD_get_version(), QRcode_APIVersionString(), major, minor, curses_version());
	(void)puts("License GPLv3+: GNU GPL version 3 or later <https://gnu.org/licenses/gpl.html>.\n"
		   "This is free software: you are free to change and redistribute it.\n"
		   "There is NO WARRANTY, to the extent permitted by law.");
}

static int unknown(const char *word)
{
	const char *names[sizeof commands / sizeof commands[0]], *near;
	size_t i;

	for (i = 0; i < sizeof commands / sizeof commands[0]; i++)
		names[i] = commands[i].name;
	near = lull_nearest(word, names, i);
	if (near)
		return lull_misuse("lull", "there is no command '%s'; did you mean '%s'?", word, near);
	return lull_misuse("lull", "there is no command '%s'", word);
}

int main(int argc, char **argv)
{
	size_t i;

	tzset();
	if (argc < 2)
		return lull_misuse("lull", "a command is missing");
	if (!strcmp(argv[1], "--help") || !strcmp(argv[1], "-h")) {
		help(stdout);
		return lull_printed("lull", LULL_EXIT_OK);
	}
	if (!strcmp(argv[1], "--version")) {
		version();
		return lull_printed("lull", LULL_EXIT_OK);
	}
	if (argv[1][0] == '-')
		return lull_misuse("lull", "unrecognized option '%s'", argv[1]);
	for (i = 0; i < sizeof commands / sizeof commands[0]; i++) {
		char who[32];

		if (strcmp(argv[1], commands[i].name) != 0)
			continue;
		(void)snprintf(who, sizeof who, "lull %s", commands[i].name);
		argv[1] = who;
		return commands[i].run(argc - 1, argv + 1);
	}
	return unknown(argv[1]);
}
