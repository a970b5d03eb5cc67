/* SPDX-License-Identifier: GPL-3.0-or-later */
/* rows: what the core makes of frames, and what a recording keeps. Plain data. All instants are
 * recording time (ns). A sink takes them one by one, in the order in which they become known. */
#ifndef LULL_ROWS_H
#define LULL_ROWS_H

#include <lull/frame.h>

/* Why a stretch ended. Only LULL_END_GAP is a stop of the sender. */
enum lull_end {
	LULL_END_GAP, /* silent for longer than min(max(3 periods, 1 s), 10 s) */
	LULL_END_BLIND, /* the bus could not be heard any more */
	LULL_END_LOSS, /* frames were lost */
	LULL_END_EVICTED, /* the ID table was full */
	LULL_END_OPEN, /* still sending at the end of the recording */
	LULL_END_RATE /* went on at another period: the next stretch follows at once */
};
const char *lull_end_name(enum lull_end);

enum lull_stretch_kind {
	LULL_STRETCH_CYCLIC, /* one run of an ID */
	LULL_STRETCH_EVENTS, /* an event-driven ID: all its frames of one 5-minute window */
	LULL_STRETCH_OVERFLOW /* frames of IDs that the full table could not take; id is LULL_ID_NONE */
};

/* Straight-line fit of arrival time over index, as moments, so that two fits join by adding.
 * For the n arrivals of the window: k = index since the stretch's first frame (sum of
 * round(gap/period), so a lost frame shifts nothing), r = t - first - k * period in ns.
 * slope of r over k is (n*skr - sk*sr) / (n*skk - sk*sk) ns a period. */
struct lull_fit {
	double n, sk, skk, sr, skr, srr;
	int64_t r_min; /* smallest r: delays only add */
};
void lull_fit_join(struct lull_fit *into, const struct lull_fit *other);
/* Slope in parts per million of the period, and its standard error (NAN below 3 arrivals or when all
 * k are equal). */
double lull_fit_ppm(const struct lull_fit *, int64_t period_ns, double *error_ppm);
/* Root mean square of what the line leaves, ns. */
double lull_fit_residual(const struct lull_fit *);

/* Delays only add, and half of all frames or more have none: the earliest arrivals, by the line so far, tell rate and phase
 * many times better than the mean of all, and find the line between stamps of a coarse grid. So the time is cut into
 * blocks, 8 to 16 once there are arrivals enough (of 4 at least), and of each the earliest is kept. The first two windows of a
 * stretch share them. */
#define LULL_FLOOR_MOST 16
struct lull_floor {
	uint32_t n; /* 0: none kept (recordings before schema 4, event rows, stretches that have cadence rows) */
	uint32_t k[LULL_FLOOR_MOST]; /* ascending */
	int64_t r[LULL_FLOOR_MOST]; /* ns, as in struct lull_fit */
};

/* A count that nobody took: in recordings of older schemas, and where a source cannot tell. */
#define LULL_NOT_COUNTED UINT64_MAX

#define LULL_GAP_BINS 24 /* bin i counts gaps from 2^i ms*2^-4 on: [62.5 us * 2^i, 62.5 us * 2^(i+1)) */
#define LULL_PAYLOAD_KEPT 8 /* payload bytes kept in a stretch row */

struct lull_stretch {
	uint32_t id;
	uint8_t bus;
	uint8_t kind; /* enum lull_stretch_kind */
	uint8_t end; /* enum lull_end */
	uint8_t flags; /* LULL_FRAME_* seen in any frame */
	lull_time first, last;
	uint64_t frames;
	uint64_t bits; /* on the wire, nominal and data phase together */
	int64_t period_ns; /* nominal period of the index; 0: unknown (fewer than 3 frames) */
	uint64_t index; /* of the last frame */
	int64_t gap_min, gap_max; /* ns; 0 with one frame */
	struct lull_fit fit;
	struct lull_floor floor;
	/* The other bound: of the starts of the busy runs that hold the frames, the latest. A frame is released no earlier than
	 * its run starts and no later than it starts itself. */
	struct lull_floor ceiling;
	uint32_t back_to_back; /* frames that follow the one before of the same ID, same payload, within 1 ms and 3 frame times */
	uint32_t changes; /* how often bytes 0-1 changed (rows are kept for the first 64) */
	uint64_t changes_left_out; /* changes without a row of their own; LULL_NOT_COUNTED */
	uint64_t sent; /* of the frames, sent by our own adapter; LULL_NOT_COUNTED */
	uint8_t len; /* of the first frame, clipped to LULL_PAYLOAD_KEPT */
	uint8_t payload_first[LULL_PAYLOAD_KEPT], payload_second[LULL_PAYLOAD_KEPT], payload_last[LULL_PAYLOAD_KEPT];
	uint64_t changed_bits; /* bit 8*b+i set: bit i of byte b was seen to change within the stretch */
	uint32_t bins[LULL_GAP_BINS]; /* LULL_STRETCH_EVENTS only */
};

/* The fit over one window of a long stretch. Windows are the same for all IDs: multiples of
 * LULL_CADENCE of recording time. */
#define LULL_CADENCE (5 * LULL_MIN)
struct lull_cadence {
	uint32_t id;
	uint8_t bus;
	lull_time stretch_first; /* of the stretch it belongs to: its reference instant */
	lull_time window; /* start of the window */
	int64_t period_ns;
	struct lull_fit fit;
	struct lull_floor floor, ceiling; /* as in struct lull_stretch */
};

/* Every silence of a whole bus of 1 s or more. Any rule for quiet from 2 s up can be applied to
 * these rows later. next is LULL_NEVER at the end of a recording. A pause is a row of its own kind: most of what sends
 * stops together for a multiple of its own periods, however short, while other IDs may go on. */
enum lull_gap_kind { LULL_GAP_SILENCE, LULL_GAP_PAUSE };
struct lull_gap {
	uint8_t bus;
	uint8_t kind; /* enum lull_gap_kind */
	lull_time last, next;
	uint32_t last_id, next_id;
	uint32_t paused, went_on; /* LULL_GAP_PAUSE: IDs that stopped, and IDs that did not */
};

/* Bytes 0 and 1 of an ID's payload changed (or were seen first in a stretch): network management can be
 * read from these under any layout. */
struct lull_change {
	uint32_t id;
	uint8_t bus;
	uint8_t len; /* payload bytes of that frame, clipped to 2 */
	uint8_t byte[2];
	lull_time t;
};

/* Kept frames around the edges of a spell: the first 64 and the last 64 distinct ones after and
 * before a silence of 2 s or more, the first of each ID, and error frames among them.
 * Back-to-back copies are one entry with a count. */
enum lull_edge_kind { LULL_EDGE_FIRST, LULL_EDGE_LAST, LULL_EDGE_NEW_ID };
#define LULL_EDGE_FRAMES 64
#define LULL_EDGE_SILENCE (2 * LULL_SEC)
struct lull_edge {
	uint8_t kind; /* enum lull_edge_kind */
	uint32_t copies; /* 1, or how many back-to-back */
	lull_time last_copy; /* instant of the last of them */
	struct lull_frame frame;
};

struct lull_coverage {
	uint8_t bus; /* or LULL_BUS_ALL */
	uint8_t why; /* enum lull_coverage_why */
	lull_time from, to;
};

struct lull_mark {
	lull_time t;
	uint8_t kind; /* enum lull_mark_kind */
	double value; /* test load: mA; else NAN */
	char name[LULL_NODE_NAME]; /* node or circuit; "" if none */
	char text[160]; /* as written */
};

/* Recording time t was utc_ns (ns since 1970) with an error of +-error_ns. */
struct lull_clock_map {
	lull_time t;
	int64_t utc_ns;
	int64_t error_ns;
};

/* One bus of the recording; counts are for the whole recording. */
struct lull_bus {
	char name[LULL_BUS_NAME];
	uint32_t bitrate; /* bit/s; 0 unknown */
	uint32_t bitrate_data;
	uint64_t frames; /* data and remote frames */
	uint64_t bits;
	uint64_t errors; /* error frames: any at all proves that this adapter shows bus errors */
	uint64_t sent; /* of the frames, sent by our own adapter; LULL_NOT_COUNTED */
	uint64_t overflow; /* frames of IDs that had no place in the table */
	uint32_t overflow_ids; /* at least so many */
	lull_time first, last; /* frames; LULL_NEVER if none */
};

/* What a repair showed, told afterwards. */
enum lull_repair_outcome { LULL_REPAIR_CONFIRMED, LULL_REPAIR_WRONG, LULL_REPAIR_OTHER };
struct lull_repair {
	int64_t utc_ns; /* when it was told, ns since 1970 */
	uint8_t outcome; /* enum lull_repair_outcome */
	char module[LULL_NODE_NAME]; /* "" with LULL_REPAIR_OTHER */
	char text[160]; /* as written */
};

struct lull_clamp; /* lull/current.h */
struct lull_chunk;

/* Where rows go. Each returns 0 or a negative errno, which ends the work. Pointers are valid during
 * the call only. Members may be NULL: that kind is dropped. */
struct lull_sink {
	void *ctx;
	int (*stretch)(void *ctx, const struct lull_stretch *);
	int (*cadence)(void *ctx, const struct lull_cadence *);
	int (*gap)(void *ctx, const struct lull_gap *);
	int (*change)(void *ctx, const struct lull_change *);
	int (*edge)(void *ctx, const struct lull_edge *);
	int (*coverage)(void *ctx, const struct lull_coverage *);
	int (*mark)(void *ctx, const struct lull_mark *);
	int (*clock)(void *ctx, const struct lull_clock_map *);
	int (*bus)(void *ctx, unsigned index, const struct lull_bus *); /* at the end, and on changes */
	int (*clamp)(void *ctx, const struct lull_clamp *); /* what is known of the clamp's log; the last one holds */
	int (*chunk)(void *ctx, const struct lull_chunk *); /* samples, in order */
	int (*repair)(void *ctx, const struct lull_repair *);
	int (*left_out)(void *ctx, const char *sentence); /* what was not used and why */
};

#endif
