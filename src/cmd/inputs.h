/* SPDX-License-Identifier: GPL-3.0-or-later */
/* inputs: one or more captures, merged by stamp into one observer, each through a retimer of its own. */
#ifndef LULL_CMD_INPUTS_H
#define LULL_CMD_INPUTS_H

#include <cmd/progress.h>
#include <lull/observe.h>
#include <lull/profile.h>
#include <source/capture.h>

#define LULL_INPUTS_MAX 32
#define LULL_INPUT_BATCH 256 /* frames: 20 KiB, which stays in the first-level cache */

struct lull_input {
	const char *path;
	char bus[LULL_BUS_NAME]; /* the name the user gave, else one made up for frames whose file names none */
	bool named; /* by the user */
	struct lull_capture *capture;
	struct lull_retimer *retimer;
	uint8_t map[LULL_BUS_ALL + 1]; /* the capture's bus -> the observer's; LULL_BUS_ALL: no place */
	unsigned mapped;
	struct lull_frame *batch;
	size_t at, n;
	bool started, ended;
	int64_t first_stamp; /* valid if it has frames */
	bool has_frames;
	lull_time first, last; /* recording time; last once ended */
	uint64_t frames, misplaced,
		no_bus; /* passed on, refused by the observer for their time, without a bus */
};

struct lull_inputs {
	struct lull_input in[LULL_INPUTS_MAX];
	size_t n;
	struct lull_observer *observer;
	struct lull_sink sink;
	/* Buses by their observer index, and what is known of their rates beforehand. */
	char bus[LULL_BUS_MAX][LULL_BUS_NAME];
	/* Its name in the captures, where that will not do (lull_name_fault()) and it was given another one; else "". */
	char was[LULL_BUS_MAX][LULL_BUS_NAME];
	unsigned bus_count;
	const struct lull_profile_bus *rates;
	size_t rate_count;
	/* Told coverage in recording time, by from. */
	const struct lull_coverage *told;
	size_t told_count, told_done;
	struct lull_progress *progress;
	const volatile int *stop; /* not 0: -EINTR */
};

/* Opens the captures that were added (path and bus set) and reads their first frames. -1 with a message. */
LULL_MUST_CHECK int lull_inputs_open(
	struct lull_inputs *, const struct lull_csv_columns *, char *err, size_t err_size);
void lull_inputs_close(struct lull_inputs *);
/* The earliest stamp of all; false if there is no frame at all. */
bool lull_inputs_first(const struct lull_inputs *, int64_t *stamp);
/* Makes the buses known so far, so that told coverage can name them. A capture without frames gets one by its name. */
LULL_MUST_CHECK int lull_inputs_buses(struct lull_inputs *);
/* The bus of that name, else the one that the captures call so, among those that turned up so far; -1: there is none. */
int lull_inputs_bus(const struct lull_inputs *, const char *name);
/* Runs all frames through. zero: the stamp of recording time 0. Told blind rows reach the observer in their order. */
LULL_MUST_CHECK int lull_inputs_run(struct lull_inputs *, int64_t zero);
/* After the run: told blind rows that lie behind the last frame. */
LULL_MUST_CHECK int lull_inputs_told_rest(struct lull_inputs *);
/* When the last capture that holds the bus ended, LULL_NEVER if none does; *damaged: that one is damaged. */
lull_time lull_inputs_last(const struct lull_inputs *, unsigned bus, bool *damaged);

#endif
