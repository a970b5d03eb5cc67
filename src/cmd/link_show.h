/* SPDX-License-Identifier: GPL-3.0-or-later */
/* link_show: a CAN interface, and the search for a bit rate, as lines for a person. */
#ifndef LULL_CMD_LINK_SHOW_H
#define LULL_CMD_LINK_SHOW_H

#include <report/page.h>
#include <source/can_search.h>
#include <source/can_watch.h>

/* "500 kbit/s", "83.333 kbit/s". Returns buf. */
const char *lull_rate_text(uint32_t rate, char buf[static 24]);
void lull_link_show(const struct lull_page *, const struct lull_link_state *, const struct lull_adapter *,
	const struct lull_coalescing *);
/* One try of a search, on one line. */
void lull_try_show(const struct lull_page *, const struct lull_try *);
void lull_search_show(const struct lull_page *, const char *name, const struct lull_search *);

#endif
