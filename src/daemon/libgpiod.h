/* SPDX-License-Identifier: GPL-3.0-or-later */
/* libgpiod: its header, to be included by this name only (library_time.h says why). */
#ifndef LULL_DAEMON_LIBGPIOD_H
#define LULL_DAEMON_LIBGPIOD_H

#include <gpiod.h>
#include <source/library_time.h>

LULL_LIBRARY_TIME(struct gpiod_line_event, ts.tv_sec);

#endif
