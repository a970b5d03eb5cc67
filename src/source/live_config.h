/* SPDX-License-Identifier: GPL-3.0-or-later */
/* live_config: the clamp's section of lull.conf as a live source. */
#ifndef LULL_SOURCE_LIVE_CONFIG_H
#define LULL_SOURCE_LIVE_CONFIG_H

#include <source/config.h>
#include <source/live.h>

/* False: no clamp is configured. "HOST:PORT" becomes a TCP connection. */
bool lull_live_from_config(const struct lull_config_clamp *, struct lull_live_spec *);

#endif
