/* SPDX-License-Identifier: GPL-3.0-or-later */
/* cmd: what the subcommands of lull share: how they end, what they say on errors, how they read numbers. */
#ifndef LULL_CMD_CMD_H
#define LULL_CMD_CMD_H

#include <lull/terms.h>
#include <source/duration.h>
#include <stdbool.h>
#include <stddef.h>

/* Exit statuses. What 1 means is the subcommand's own (see its --help); 2 is an error, nothing was written. */
enum { LULL_EXIT_OK = 0, LULL_EXIT_SOME = 1, LULL_EXIT_ERROR = 2 };

/* One subcommand. argv[0] is "lull NAME", so that getopt's own messages read well. */
struct lull_cmd {
	const char *name;
	const char *about; /* one line for lull --help */
	int (*run)(int argc, char **argv);
};
const struct lull_cmd *lull_cmd_all(size_t *n);

int lull_cmd_import(int argc, char **argv);
int lull_cmd_report(int argc, char **argv);
int lull_cmd_ids(int argc, char **argv);
int lull_cmd_learn(int argc, char **argv);
int lull_cmd_simulate(int argc, char **argv);
int lull_cmd_export(int argc, char **argv);
int lull_cmd_view(int argc, char **argv);
int lull_cmd_help(int argc, char **argv);
int lull_cmd_fuse(int argc, char **argv);
int lull_cmd_compare(int argc, char **argv);
int lull_cmd_profile(int argc, char **argv);
int lull_cmd_link(int argc, char **argv);
int lull_cmd_mark(int argc, char **argv);
int lull_cmd_status(int argc, char **argv);
int lull_cmd_check(int argc, char **argv);

/* "lull import: MESSAGE" on stderr, made harmless. Returns LULL_EXIT_ERROR. */
int lull_fail(const char *who, const char *format, ...) LULL_PRINTF(2, 3);
/* The same, then "Try 'lull import --help' for more information." */
int lull_misuse(const char *who, const char *format, ...) LULL_PRINTF(2, 3);
/* After getopt has complained by itself. */
int lull_try_help(const char *who);
/* Flushes standard output: `status`, or an error that is said if not all could be written (a full disk behind >). */
LULL_MUST_CHECK int lull_printed(const char *who, int status);

/* The whole text is a finite decimal number, at least `least`. */
LULL_MUST_CHECK int lull_number(const char *text, double least, double *out);
/* An option's length of time, in units of unit_ns. 0, or the exit status of the complaint that stands on stderr. */
LULL_MUST_CHECK int lull_duration_option(const char *who, const char *option, const char *text, const struct lull_duration_rule *,
	int64_t unit_ns, double *out);
/* --limit-sleep: a number alone is seconds. */
LULL_MUST_CHECK int lull_limit_sleep_option(const char *who, const char *text, double *seconds);
/* "500k", "1M", "83333", "33.333k" -> bit/s, 1 kbit/s to 20 Mbit/s. */
LULL_MUST_CHECK int lull_bitrate(const char *text, size_t len, uint32_t *out);
/* A file name as a word for a shell, quoted if need be. Caller frees. NULL: out of memory. */
char *lull_shell_word(const char *text);

/* Colour: only on a terminal, and not if NO_COLOR is set and not empty (no-color.org), nor on TERM=dumb. */
bool lull_colour(int fd);
/* The locale's characters are UTF-8, by the environment. */
bool lull_utf8_locale(void);
/* Columns to fill: 80, or those of a narrower terminal. */
unsigned lull_columns(int fd);

#endif
