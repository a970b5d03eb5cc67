/* SPDX-License-Identifier: GPL-3.0-or-later */
/* progress: one line on a terminal that tells how far a long run is. Says nothing elsewhere. */
#ifndef LULL_CMD_PROGRESS_H
#define LULL_CMD_PROGRESS_H

#include <stdbool.h>
#include <stdint.h>

struct lull_progress {
	const char *what;
	bool on; /* stderr is a terminal */
	bool shown;
	uint64_t count; /* frames so far */
	unsigned calls;
	int64_t begun_ns, next_ns;
};

void lull_progress_begin(struct lull_progress *, const char *what);
/* So many frames more; share 0..1, below 0 if unknown. Cheap: looks at the clock at every 64th call only. */
void lull_progress_step(struct lull_progress *, uint64_t frames, double share);
/* Wipes the line. */
void lull_progress_end(struct lull_progress *);

#endif
