/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trace: millions of samples as so many columns, each with its least and greatest value, so that no spike is lost. */
#ifndef LULL_REPORT_TRACE_H
#define LULL_REPORT_TRACE_H

#include <lull/verdict.h>

struct lull_trace {
	float *least, *most, *mean; /* mA, corrected as the verdict's figures are; NAN: no sample */
	unsigned columns;
	float lowest, highest; /* of all columns; NAN without samples */
};
/* Samples between from and to (recording time) in so many columns. No samples: all columns NAN. -ENOMEM. Free with
 * lull_trace_clear(). */
LULL_MUST_CHECK int lull_trace_make(const struct lull_night *, const struct lull_verdict *, lull_time from, lull_time to, unsigned columns,
	struct lull_trace *);
void lull_trace_clear(struct lull_trace *);

#endif
