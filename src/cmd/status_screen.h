/* SPDX-License-Identifier: GPL-3.0-or-later */
/* status_screen: how the recorder stands, on the whole terminal, once a second (ncursesw). */
#ifndef LULL_CMD_STATUS_SCREEN_H
#define LULL_CMD_STATUS_SCREEN_H

/* Until q or a signal. Exit status. */
int lull_status_screen(const char *who, const char *socket);

#endif
