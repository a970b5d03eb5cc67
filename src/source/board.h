/* SPDX-License-Identifier: GPL-3.0-or-later */
/* board: what the logger's own computer says of its clock, its disk and its supply. */
#ifndef LULL_SOURCE_BOARD_H
#define LULL_SOURCE_BOARD_H

#include <lull/ready.h>

/* The kernel's clock was set by the network (or by a clock of the board) since it started. */
bool lull_board_clock_set(void);
/* MB that this user may still write in the folder; NAN: unknown. */
double lull_board_free_MB(const char *folder);
/* Undervoltage as a Raspberry Pi's firmware tells it. root "" in earnest. */
enum lull_ready_voltage lull_board_voltage(const char *root);

#endif
