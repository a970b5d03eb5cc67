/* SPDX-License-Identifier: GPL-3.0-or-later */
/* wall: the clocks of this computer at one moment, and whether the date is to be trusted. */
#ifndef LULL_DAEMON_WALL_H
#define LULL_DAEMON_WALL_H

#include <lull/terms.h>
#include <stdbool.h>

struct lull_moment {
	int64_t boot; /* CLOCK_BOOTTIME, ns: what all else counts by */
	int64_t utc; /* CLOCK_REALTIME, ns since 1970 */
	int64_t error; /* plus or minus, ns */
	bool dated; /* utc is known: synchronised by a time service, or taken from a clock with a battery */
};

/* Reads all of it. A board without a clock of its own starts with a date of the past or of its last shutdown: without
 * synchronisation that is no date. */
struct lull_moment lull_moment_now(void);
/* Whether its date is known, and how well: utc is that of a time service, to within `error` ns, or of a clock with a battery. Pure. */
void lull_moment_date(struct lull_moment *, bool synchronised, int64_t error, bool battery);
int64_t lull_boottime(void);
/* The kernel's boot ID into 37 bytes; "" if it cannot be read. */
void lull_boot_id(char id[static 37]);

#endif
