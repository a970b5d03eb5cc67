/* SPDX-License-Identifier: GPL-3.0-or-later */
/* import_options: the command line of lull import. */
#ifndef LULL_CMD_IMPORT_OPTIONS_H
#define LULL_CMD_IMPORT_OPTIONS_H

#include <cmd/clamp_input.h>
#include <cmd/inputs.h>

struct lull_import_options {
	const char *marks, *coverage, *profile, *key_off, *output;
	struct lull_csv_columns columns;
	struct lull_clamp_input clamp;
	bool force;
	/* Rates from the profile, then those given as options. */
	struct lull_profile_bus rates[16 + LULL_BUS_MAX];
	size_t rate_count;
	struct lull_profile_bus given[LULL_BUS_MAX];
	size_t given_count;
};

/* Fills in options, and the captures with their bus names. -1: go on; else the exit status (help was asked for, or
 * the complaint stands on stderr). */
int lull_import_parse(int argc, char **argv, struct lull_import_options *, struct lull_inputs *);

#endif
