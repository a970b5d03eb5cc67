/* SPDX-License-Identifier: GPL-3.0-or-later */
/* view_live: the running recorder as a source of the live view: its state each second, the night so far judged now and then. */
#ifndef LULL_CMD_VIEW_LIVE_H
#define LULL_CMD_VIEW_LIVE_H

#include <cmd/judged.h>
#include <page/page.h>

struct lull_view_live;

/* options: limits and profile; its recording is not used. NULL: out of memory. */
struct lull_view_live *lull_view_live_new(const char *socket, const struct lull_judged_options *options);
void lull_view_live_free(struct lull_view_live *);
struct lull_page_source lull_view_live_source(struct lull_view_live *);

#endif
