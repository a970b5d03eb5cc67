/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clamp_input: the clamp's log of an import: what was told of it, and its way into the recording. */
#ifndef LULL_CMD_CLAMP_INPUT_H
#define LULL_CMD_CLAMP_INPUT_H

#include <cmd/progress.h>
#include <lull/profile.h>
#include <source/clamp.h>

struct lull_clamp_input {
	/* Told on the command line; path NULL: no log. */
	const char *path, *zero_before, *zero_after;
	struct lull_clamp_options told;

	struct lull_clamp_log *log;
	struct lull_clamp about; /* with zeros and logger */
	bool live; /* its clock is the recording's */
	size_t chunks;
	int64_t last_ns, step_ns; /* clamp time of the last sample; distance of samples in the longest chunk */
	char note[160]; /* what the user should know; "" nothing */
};

/* One option of the command line: "clamp-scale" and its value. 0, or the exit status after a complaint. */
enum lull_clamp_option { LULL_CLAMP_FILE, LULL_CLAMP_SCALE, LULL_CLAMP_COLUMNS, LULL_CLAMP_UNIT, LULL_CLAMP_INVERT,
	LULL_CLAMP_RANGE, LULL_CLAMP_ZERO_BEFORE, LULL_CLAMP_ZERO_AFTER };
void lull_clamp_input_init(struct lull_clamp_input *);
LULL_MUST_CHECK int lull_clamp_input_option(
	struct lull_clamp_input *, enum lull_clamp_option, char *value, const char *who);
/* Whether what was told goes together. 0, or the exit status after a complaint. */
LULL_MUST_CHECK int lull_clamp_input_check(const struct lull_clamp_input *, const char *who);
/* Opens the log and reads the zeros. The profile (NULL none) stands in for what was not told. -1 with a message. */
LULL_MUST_CHECK int lull_clamp_input_open(
	struct lull_clamp_input *, const struct lull_profile *, char *err, size_t err_size);
/* All chunks, then the clamp's row; what was left out as sentences. */
LULL_MUST_CHECK int lull_clamp_input_run(struct lull_clamp_input *, const struct lull_sink *, struct lull_progress *,
	const volatile int *stop, char *err, size_t err_size);
void lull_clamp_input_close(struct lull_clamp_input *);

#endif
