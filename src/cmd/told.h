/* SPDX-License-Identifier: GPL-3.0-or-later */
/* told: what people and recorders say beside the captures, brought to recording time: marks, coverage, key-off. */
#ifndef LULL_CMD_TOLD_H
#define LULL_CMD_TOLD_H

#include <cmd/inputs.h>
#include <cmd/tee.h>
#include <source/marks.h>

struct lull_told {
	struct lull_stamped_mark *marks;
	size_t mark_count;
	struct lull_stamped_coverage *coverage;
	size_t coverage_count;
};

/* Reads the files, each of which may be NULL, and adds the key-off that was given as an option (NULL none).
 * 0 or a negative errno with a message. */
LULL_MUST_CHECK int lull_told_read(struct lull_told *, const char *marks, const char *coverage,
	const char *key_off, char *err, size_t err_size);
void lull_told_clear(struct lull_told *);

/* How stamps become recording time before the first frame is passed on. */
struct lull_told_base {
	bool dates; /* the captures have dates */
	bool frames; /* there is a first frame */
	int64_t first; /* the captures' earliest stamp; without frames: what seconds count from */
	int64_t zero; /* the stamp that is recording time 0 */
};
/* Finds first (without frames) and zero: the earliest told start of observation, else the earliest frame. -EINVAL
 * with a message: a date was told, and the captures have none. -ENODATA: no frame, and nobody says that anybody
 * listened. */
LULL_MUST_CHECK int lull_told_base(
	const struct lull_told *, struct lull_told_base *, char *err, size_t err_size);

/* Told coverage in recording time: the file's rows, and observed rows from the marks `listening` and `stopped
 * listening` (blind between a stop and the next start). Clipped to 0, by from. Caller frees. Rows of buses
 * that are in no capture are dropped, and *unknown is the first such name, else NULL. */
LULL_MUST_CHECK int lull_told_coverage(const struct lull_told *, const struct lull_told_base *,
	const struct lull_inputs *, struct lull_coverage **out, size_t *n,
	const char **unknown);

/* One mark's instant, by the clock maps of the whole import. May be negative. */
lull_time lull_told_mark_time(
	const struct lull_stamped_mark *, const struct lull_told_base *, const struct lull_tee *);

#endif
