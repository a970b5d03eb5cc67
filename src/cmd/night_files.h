/* SPDX-License-Identifier: GPL-3.0-or-later */
/* night_files: an invented night as the files a technician would have: captures, clamp log, marks, coverage,
 * profile; and its truth. */
#ifndef LULL_CMD_NIGHT_FILES_H
#define LULL_CMD_NIGHT_FILES_H

#include <cmd/progress.h>
#include <source/simulate.h>

struct lull_night_files;

/* Files go into `folder`, which is made if absent; a file of an earlier night is replaced only with force. NULL with
 * a message. */
struct lull_night_files *lull_night_files_new(
	const char *folder, bool force, struct lull_progress *, char *err, size_t err_size);
/* What lull_sim_run() writes into. It looks at the night that is being made for the clock of the clamp's log. */
struct lull_sim_sink lull_night_files_sink(struct lull_night_files *, const struct lull_sim_night *);
/* After the run: closes the captures, gives them their names, and writes the rest. 0 or a negative errno with a
 * message. */
LULL_MUST_CHECK int lull_night_files_finish(
	struct lull_night_files *, const struct lull_sim_night *, char *err, size_t err_size);
/* Frees; what was not finished is removed. */
void lull_night_files_free(struct lull_night_files *);
/* The name of a bus's capture in the folder; buf of at least LULL_BUS_NAME + 8 bytes. */
const char *lull_night_files_capture(const struct lull_sim_night *, unsigned bus, char *buf, size_t size);

#endif
