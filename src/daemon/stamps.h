/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stamps: the kernel's and the adapter's stamps of frames -> CLOCK_BOOTTIME. Pure.
 *
 * Software stamps are CLOCK_REALTIME, which may be set at any moment; CLOCK_BOOTTIME never is. The receiver reads both at one
 * moment each time it has fetched frames. A stamp was made under the present setting of the clock if it lies after the last reading
 * under the setting before, and under that one if it lies before the first reading under the present one. A frame may have waited
 * for minutes in the socket of a receiver that stood still. */
#ifndef LULL_DAEMON_STAMPS_H
#define LULL_DAEMON_STAMPS_H

#include <lull/terms.h>
#include <stdbool.h>

struct lull_stamps {
	bool known;
	int64_t offset, offset_before; /* realtime - boottime, now and before it was last set */
	int64_t now; /* CLOCK_BOOTTIME of the last reading */
	bool set; /* the clock was set between the readings at set_from and set_at */
	int64_t set_from, set_at;
	uint64_t guessed; /* frames that fitted neither setting: their time is that of the reading */
};

/* A reading. Returns how far the clock was set, ns; 0: it was not, or by less than 100 ms. */
int64_t lull_stamps_clock(struct lull_stamps *, int64_t realtime, int64_t boottime);
/* CLOCK_BOOTTIME of a software stamp that came with the last reading. There must have been one. */
int64_t lull_stamps_frame(struct lull_stamps *, int64_t stamp);

/* An adapter's own clock. Delays only add: arrival minus own clock is the offset between the two clocks plus the frame's delay, so
 * its minimum tells the offset. The rate of the adapter's clock is unknown, but within 200 ppm. So the own clock is first sped up
 * by 200 ppm: then arrival minus own clock rises by delay only, and its minimum over the last 15 to 16 s, however many frames
 * there were, is never below the present offset. The time of a frame is never before its real one and never after its
 * arrival. It is late by at most the delay of any frame of these seconds plus 400 ppm of that frame's age. A clock that is off
 * by more than 200 ppm costs 16 s times the excess, and no more. */
#define LULL_OWN_WINDOWS 16 /* of 1 s of CLOCK_BOOTTIME; a power of two */

struct lull_own_clock {
	bool known;
	int64_t last; /* own clock: the latest stamp */
	int64_t second; /* CLOCK_BOOTTIME of the newest window, s */
	int64_t least
		[LULL_OWN_WINDOWS]; /* least arrival - own clock sped up, by second; INT64_MAX: no frame */
	int64_t before; /* least of all windows but the newest; INT64_MAX: none */
	unsigned resets; /* how often it jumped */
};
/* CLOCK_BOOTTIME of a frame with the adapter's stamp `own` (0: none: arrival it is) and arrival `arrived` in CLOCK_BOOTTIME. A clock that
 * jumped by more than 1 s or back by more than 10 ms is learned anew from this frame, whose time is its arrival. */
int64_t lull_own_clock_frame(struct lull_own_clock *, int64_t own, int64_t arrived);
/* The clock that follows is another one: an adapter was opened. */
void lull_own_clock_forget(struct lull_own_clock *);

#endif
