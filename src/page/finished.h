/* SPDX-License-Identifier: GPL-3.0-or-later */
/* finished: a recording that is over, as a source of the live view: the same pages, read-only. */
#ifndef LULL_PAGE_FINISHED_H
#define LULL_PAGE_FINISHED_H

#include <lull/verdict.h>
#include <page/page.h>

/* Made once: nothing of it changes any more. Owned. */
struct lull_finished {
	char *status, *report, *trace;
	size_t report_size, trace_size;
};
/* 0 or -ENOMEM. Free with lull_finished_clear(), after the server. */
LULL_MUST_CHECK int lull_finished_make(const struct lull_night *, const struct lull_verdict *, const char *name, struct lull_finished *);
void lull_finished_clear(struct lull_finished *);
struct lull_page_source lull_finished_source(struct lull_finished *);

#endif
