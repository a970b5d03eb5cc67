/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ready: is all in place for the night? What was measured at the car and at the logger goes in; out come lines of fine, careful or
 * stop, each with what to do. Pure. */
#ifndef LULL_READY_H
#define LULL_READY_H

#include <lull/frame.h>
#include <stdbool.h>
#include <stddef.h>

enum lull_ready_level {
	LULL_READY_FINE,
	LULL_READY_CAREFUL, /* the night will say less, or may end early */
	LULL_READY_STOP /* a night like this says nothing, or the wrong thing */
};
const char *lull_ready_level_name(enum lull_ready_level); /* "fine" "careful" "stop" */

struct lull_ready_line {
	enum lull_ready_level level;
	char what[LULL_BUS_NAME]; /* "can0", "clamp", "clock" */
	char text[256]; /* what was found */
	char todo[256]; /* "": nothing */
};

/* --- what a bus carried while somebody listened --- */

#define LULL_READY_IDS 512
#define LULL_READY_WAKES 16
#define LULL_READY_OCTAVES 20
struct lull_ready_traffic {
	struct lull_ready_id {
		uint32_t id, frames;
		lull_time last;
		uint16_t gaps[LULL_READY_OCTAVES]; /* how many within [0.1 ms * 2^i, 0.1 ms * 2^(i+1)), the ends taking the rest */
	} id[LULL_READY_IDS];
	unsigned ids;
	uint64_t frames, errors, requests, answers, crowded; /* crowded: frames of IDs that found no place */
	lull_time last;
	unsigned wakes; /* first frames after a silence of 2 s or more, the silence before the first frame not counted */
	uint32_t first_id[LULL_READY_WAKES];
};
void lull_ready_traffic_init(struct lull_ready_traffic *);
/* Frames in order of time. */
void lull_ready_traffic_add(struct lull_ready_traffic *, const struct lull_frame *);
/* IDs that came five times or more in a steady rhythm and are not diagnostic. */
unsigned lull_ready_cyclic(const struct lull_ready_traffic *);

/* --- the facts --- */

struct lull_ready_bus {
	char name[LULL_BUS_NAME];
	bool present, up, simulated, passive, bus_off;
	bool listens_only, accepted; /* accepted: acknowledging was, by the configuration */
	bool shows_errors, holds_frames; /* holds_frames: receive coalescing without a time limit */
	uint32_t bitrate, wanted_bitrate; /* 0 not set, not told */
	uint64_t sent; /* frames, since the interface was made */
	bool listened, gone; /* gone: the link went down, or the adapter away, meanwhile */
	double listened_s;
	uint64_t lost;
	const struct lull_ready_traffic *traffic; /* if it was listened to */
};

enum lull_ready_supply { LULL_SUPPLY_UNKNOWN, LULL_SUPPLY_PORT, LULL_SUPPLY_CAR, LULL_SUPPLY_BANK, LULL_SUPPLY_MAINS };
enum lull_ready_voltage { LULL_VOLTAGE_UNKNOWN, LULL_VOLTAGE_FINE, LULL_VOLTAGE_WAS_LOW, LULL_VOLTAGE_LOW };

struct lull_ready_facts {
	const struct lull_ready_bus *bus;
	size_t bus_count;
	bool key_on; /* it was listened to with the key on */
	unsigned wakes_wanted; /* deliberate wakes that were asked for; 0: none */
	struct {
		bool wanted, answers, off_cable; /* off_cable: jaws shut, off the cable, for the zero */
		char why[128]; /* it does not answer */
		unsigned readings, over;
		double mean_mA, noise_mA; /* noise: of one reading */
		double load_mA, load_seen_mA; /* a known load: told, measured; NAN: not asked for, not seen */
	} clamp;
	double limit_mA; /* 50 */
	bool clock_set;
	double free_MB, need_MB; /* NAN unknown */
	enum lull_ready_voltage board;
	enum lull_ready_supply supply;
	double watts, bank_Wh, night_h; /* NAN: not told */
	double battery_V; /* NAN: not told */
};
/* NANs, night of 12 h, limit of 50 mA, 3.5 W for a full-size board (trade rule 28). */
struct lull_ready_facts lull_ready_facts_default(void);

/* Lines in the order in which a person goes about it; no more than max. */
size_t lull_ready_judge(const struct lull_ready_facts *, struct lull_ready_line *out, size_t max);
enum lull_ready_level lull_ready_worst(const struct lull_ready_line *, size_t n);

/* Readings of one clamp, in order: mean (median) and noise of one reading. NANs for none. */
void lull_ready_clamp(const float *mA, size_t n, double *mean_mA, double *noise_mA);
/* The step that a load of some told_mA made, switched on first (trade rule 19); NAN: none was seen. -ENOMEM. */
LULL_MUST_CHECK int lull_ready_load(const float *mA, size_t n, double told_mA, double *seen_mA);

/* What only a person at the car can see: sentences, before it is locked. */
const char *const *lull_ready_questions(size_t *n);

#endif
