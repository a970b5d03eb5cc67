/* SPDX-License-Identifier: GPL-3.0-or-later */
/* log: lines to stderr, as a service manager takes them: with their weight in front, once each where they would repeat. */
#ifndef LULL_DAEMON_LOG_H
#define LULL_DAEMON_LOG_H

#include <lull/terms.h>
#include <stdbool.h>
#include <systemd/sd-daemon.h>

/* weight: SD_ERR, SD_WARNING, SD_NOTICE, SD_INFO, SD_DEBUG. Control characters of foreign texts become '?'. */
void lull_log(const char *weight, const char *format, ...) LULL_PRINTF(2, 3);
/* On a terminal the weight is left out and SD_DEBUG too. */
void lull_log_plain(bool plain);

#endif
