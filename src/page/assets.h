/* SPDX-License-Identifier: GPL-3.0-or-later */
/* assets: the files of the live view: ours are in the program, the chart library comes from its package. */
#ifndef LULL_PAGE_ASSETS_H
#define LULL_PAGE_ASSETS_H

#include <stddef.h>

struct lull_page_asset {
	const char *path, *type;
	const char *data;
	size_t size;
};
/* NULL: there is none of that path. "/dygraph.js" and "/dygraph.css" are of no bytes where the package is missing. */
const struct lull_page_asset *lull_page_asset(const char *path);
/* Reads the chart library; the page works without it, without charts. 0 or -errno. */
int lull_page_assets_load(void);

#endif
