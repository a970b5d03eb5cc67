/* SPDX-License-Identifier: GPL-3.0-or-later */
/* recorder_id: the recorder's own UUID, made once and kept in its folder. */
#ifndef LULL_DAEMON_RECORDER_ID_H
#define LULL_DAEMON_RECORDER_ID_H

#include <lull/night.h>

#define LULL_RECORDER_ID "recorder-id" /* the file: one line */

/* Reads it, or makes it where there is none: random, on the disk before it is given out, never half written. A file that holds
 * something else is an error: the recorder may not become another one by itself. 0, or -errno with a message; out is "" then. */
LULL_MUST_CHECK int lull_recorder_id(const char *folder, char out[LULL_UUID], char *err, size_t err_size);

#endif
