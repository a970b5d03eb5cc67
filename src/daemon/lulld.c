/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lulld: the recorder: options, configuration, then the loop. */
#include <daemon/log.h>
#include <daemon/loop.h>
#include <source/config.h>

#include <getopt.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

enum { OPTION_CONFIG = 'c', OPTION_FOREGROUND = 'f', OPTION_HELP = 'h', OPTION_VERSION = 'V', OPTION_CHECK = 256, OPTION_UNCONFINED };

static void help(void)
{
	(void)puts("Usage: lulld [OPTION]...\n"
		   "Record a parked car's CAN buses all night, and the battery's current beside\n"
		   "them. lulld only listens: it cannot send on a bus.\n"
		   "\n"
		   "  -c, --config FILE   read FILE instead of " LULL_CONFIG_PATH "\n"
		   "      --check-config  say whether the configuration is right, and exit\n"
		   "  -f, --foreground    plain messages, whatever reads them\n"
		   "      --unconfined    without seccomp filters: for debuggers only\n"
		   "  -h, --help          display this help and exit\n"
		   "  -V, --version       output version information and exit\n"
		   "\n"
		   "SIGHUP reads the configuration again, SIGTERM ends the recording.\n"
		   "Exit status: 0 stopped as told; 1 stopped by an error; 2 wrong options or\n"
		   "configuration.");
}

static int usage(void)
{
	(void)fputs("Try 'lulld --help' for more information.\n", stderr);
	return 2;
}

int main(int argc, char **argv)
{
	static const struct option options[] = {
		{"config", required_argument, NULL, OPTION_CONFIG},
		{"check-config", no_argument, NULL, OPTION_CHECK},
		{"foreground", no_argument, NULL, OPTION_FOREGROUND},
		{"unconfined", no_argument, NULL, OPTION_UNCONFINED},
		{"help", no_argument, NULL, OPTION_HELP},
		{"version", no_argument, NULL, OPTION_VERSION},
		{NULL, 0, NULL, 0},
	};
	static struct lull_config config;
	struct lull_loop_options o = {.config_path = LULL_CONFIG_PATH};
	bool check = false;
	char err[1024];
	int c;

	while ((c = getopt_long(argc, argv, "c:fhV", options, NULL)) != -1) {
		switch (c) {
		case OPTION_CONFIG: o.config_path = optarg; break;
		case OPTION_CHECK: check = true; break;
		case OPTION_FOREGROUND: lull_log_plain(true); break;
		case OPTION_UNCONFINED: o.unconfined = true; break;
		case OPTION_HELP: help(); return fflush(stdout) ? 2 : 0;
		case OPTION_VERSION: (void)puts("lulld " LULL_VERSION); return fflush(stdout) ? 2 : 0;
		default: return usage();
		}
	}
	if (optind < argc) {
		(void)fprintf(stderr, "lulld: unexpected word '%s'\n", argv[optind]);
		return usage();
	}
	if (lull_config_read(o.config_path, &config, err, sizeof err)) {
		lull_log(SD_ERR, "%s", err);
		return 2;
	}
	if (check) {
		(void)printf("%s: fine, %zu %s\n", o.config_path, config.bus_count, config.bus_count == 1 ? "bus" : "buses");
		return fflush(stdout) ? 2 : 0;
	}
	return lull_loop_run(&config, &o);
}
