/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stamps: the kernel's and the adapter's stamps of frames -> CLOCK_BOOTTIME. Pure.
 *
 * Software stamps are CLOCK_REALTIME, which may be set at any moment; CLOCK_BOOTTIME never is. The receiver reads both at one
 * moment each time it has fetched frames. A frame was received between the reading before and this one, which tells under
 * which setting of the clock its stamp was made. */
#ifndef LULL_DAEMON_STAMPS_H
#define LULL_DAEMON_STAMPS_H

#include <lull/terms.h>
#include <stdbool.h>

struct lull_stamps {
	bool known;
	int64_t offset, offset_before; /* realtime - boottime, now and before it was last set */
	int64_t now, before; /* CLOCK_BOOTTIME of the last two readings */
	bool set; /* the clock was set, told by the reading at set_at */
	int64_t set_at;
	uint64_t guessed; /* frames that fitted neither setting: their time is that of the reading */
};

/* A reading. Returns how far the clock was set, ns; 0: it was not, or by less than 100 ms. */
int64_t lull_stamps_clock(struct lull_stamps *, int64_t realtime, int64_t boottime);
/* CLOCK_BOOTTIME of a software stamp that came with the last reading. There must have been one. */
int64_t lull_stamps_frame(struct lull_stamps *, int64_t stamp);

/* An adapter's own clock, fitted to arrival: delays only add, so the earliest arrivals tell the offset. */
struct lull_own_clock {
	bool known;
	int64_t offset; /* boottime - own */
	int64_t last; /* own clock of the last frame */
	unsigned resets; /* how often it jumped */
};
/* CLOCK_BOOTTIME of a frame with the adapter's stamp `own` (0: none: arrival it is) and arrival `arrived` in CLOCK_BOOTTIME. */
int64_t lull_own_clock_frame(struct lull_own_clock *, int64_t own, int64_t arrived);

#endif
