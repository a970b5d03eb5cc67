/* SPDX-License-Identifier: GPL-3.0-or-later */
/* slot: what is remembered of one ID, the part every frame touches apart from the rest. Pure. */
#ifndef LULL_CORE_SLOT_H
#define LULL_CORE_SLOT_H

#include "floor.h"
#include "rhythm.h"

#define LULL_SLOT_NONE UINT16_MAX

/* Why a frame of this ID cannot take the short way. */
enum {
	LULL_SLOW_CLOSED = 1, /* no stretch is open */
	LULL_SLOW_LEARN = 2, /* the stretch's first arrivals are being held */
	LULL_SLOW_EVENTS = 4, /* event-driven */
	LULL_SLOW_UNSEEN = 8, /* not heard in this spell yet */
	LULL_SLOW_RUN = 16 /* the last gap disagreed with the period */
};

/* Gaps within a stretch stay under the closing limit of 10 s: in units of 4 ns they fit 32 bits. */
#define LULL_GAP_UNIT 4

struct lull_slot {
	_Alignas(64) uint32_t id;
	uint8_t slow; /* LULL_SLOW_* */
	uint8_t flags; /* LULL_FRAME_* seen in the stretch */
	uint8_t len; /* payload bytes of the last frame, clipped to LULL_PAYLOAD_KEPT */
	uint8_t spare;
	lull_time last;
	uint64_t payload; /* of the last frame, byte 0 lowest; bytes beyond len are 0 */
	uint64_t changed; /* bits seen to change */
	struct lull_phase phase;
	/* Moments of the current cadence window, and what is added up since it began. */
	double sk, skk, sr, skr, srr;
	int64_t r_min;
	uint32_t n, frames;
	uint32_t gap_min, gap_max; /* LULL_GAP_UNIT */
	/* The earliest arrival of the present block: ns below the line through what came before, and which it was. */
	double slope, low;
	uint32_t low_k;
	uint32_t left; /* arrivals until it is full */
};
_Static_assert(sizeof(struct lull_slot) == 192, "the part every frame touches is three cache lines");

struct lull_slot_rest {
	/* Of the open stretch, or event row. */
	lull_time first;
	struct lull_fit fit; /* windows that are over */
	struct lull_floor floor; /* since the last cadence row */
	uint32_t floor_split; /* how far the first window went */
	uint32_t block; /* arrivals a block */
	lull_time fit_window; /* the first of them, LULL_NEVER: none yet */
	uint64_t frames; /* of windows that are over */
	uint64_t bits; /* of the frames looked at */
	uint32_t bits_frames;
	uint32_t back_to_back, changes;
	uint32_t changes_left_out; /* beyond the rows that are kept of a stretch */
	uint64_t payload_first, payload_second;
	uint8_t len_first;
	bool cadence; /* the row of the first window is out */
	bool confirmed; /* the period was looked at again after CONFIRM arrivals */
	bool chatty; /* bytes 0-1 hold a counter or the like: fewer change rows (of the ID) */
	/* A run of gaps that disagree with the period: the slot as it was before; what came since is held. */
	int8_t run; /* > 0 so many longer, < 0 so many shorter */
	uint8_t followers; /* in a row */
	uint64_t run_payload, run_second;
	struct lull_slot before;
	/* Of the ID. */
	uint16_t active; /* place in the bus's list of open stretches, or LULL_SLOT_NONE */
	uint8_t short_at, short_n; /* ring of the last stretches' frames */
	uint8_t short_frames[8];
	uint8_t rates; /* changes of rate, one forgotten each window */
	uint8_t stops; /* stretches ended by a gap, twelve forgotten each window */
	uint8_t patience; /* event-driven again and again: the longer it must be regular to be cyclic */
	uint8_t learned_from; /* arrivals the remembered period rests on; 0: none */
	uint8_t starts; /* in start_gap */
	uint16_t regular; /* successive gaps of an event-driven ID that agree */
	int64_t start_gap[4]; /* from start to start of short stretches */
	int64_t event_gap; /* mean of the regular ones */
	int64_t period; /* remembered over stretches; 0 unknown */
	int64_t burst; /* see struct lull_rhythm_estimate */
	int64_t jitter; /* ns, of the last stretch that told it; 0 unknown */
	uint64_t frames_ever; /* of closed rows */
	/* Arrivals of a stretch being learned or of a run; or an event row's gaps. */
	union {
		struct {
			lull_time zero;
			uint32_t n;
			uint32_t at[LULL_LEARN]; /* LULL_HELD_UNIT from zero: enough for 33 gaps of 10 s */
		} held;
		struct {
			int64_t gap_min, gap_max;
			uint32_t bins[LULL_GAP_BINS];
		} events;
	};
};
#define LULL_HELD_UNIT 250

#endif
