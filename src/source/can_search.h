/* SPDX-License-Identifier: GPL-3.0-or-later */
/* can_search: which bit rate a bus runs at, found by listening at one after the other. Pure but for the operations it is given.
 *
 * Always listen-only, and with the key on: a silent bus cannot be searched, and at least two other nodes must be talking. A wrong
 * rate shows as bus errors where the adapter shows these, else as nothing at all. */
#ifndef LULL_SOURCE_CAN_SEARCH_H
#define LULL_SOURCE_CAN_SEARCH_H

#include <lull/frame.h>
#include <source/can_link.h>

/* What was heard in one try. */
struct lull_heard {
	int64_t ns; /* so long was listened */
	uint32_t frames; /* valid ones, FD among them */
	uint32_t fd_frames;
	uint32_t errors; /* error frames that tell of a bus error */
	uint32_t ids; /* different arbitration IDs; counted up to 64 */
	uint32_t repeated; /* frames that follow one of the same ID within 1 ms */
	uint32_t counted; /* bus errors that the driver counted meanwhile */
	uint32_t id[64]; /* those IDs */
	bool stopped; /* the link went down, or the adapter away, while listening */
};
/* One frame more. *last_id, *last_t: the state between two calls, LULL_ID_NONE and
 * LULL_NEVER / 2 at first. */
void lull_heard_frame(struct lull_heard *, const struct lull_frame *, uint32_t *last_id, lull_time *last_t);

/* What transceiver the adapter has, as far as told. */
enum lull_transceiver { LULL_TRANSCEIVER_UNKNOWN, LULL_TRANSCEIVER_HIGH_SPEED, LULL_TRANSCEIVER_FAULT_TOLERANT, LULL_TRANSCEIVER_SINGLE_WIRE };
const char *lull_transceiver_name(enum lull_transceiver); /* "high-speed" ... */
LULL_MUST_CHECK int lull_transceiver_parse(const char *, enum lull_transceiver *);

#define LULL_TRIES_MAX 32
struct lull_try {
	uint32_t bitrate, fd_bitrate; /* fd_bitrate 0: classical */
	bool done, possible; /* it was tried; the controller could be set to it */
	struct lull_heard heard;
};

enum lull_search_answer {
	LULL_SEARCH_FOUND,
	LULL_SEARCH_LONE_SENDER, /* found, but one node alone repeats itself: nobody acknowledges it */
	LULL_SEARCH_POSSIBLY_FD, /* classical frames and errors mixed, and no data phase that makes them go */
	LULL_SEARCH_ONLY_ERRORS,
	LULL_SEARCH_TRANSCEIVER, /* the line never comes to rest: wrong kind of transceiver, or shorted wires */
	LULL_SEARCH_NOTHING, /* gateway, wrong pins, wires swapped, or asleep */
	LULL_SEARCH_UNCLEAR, /* some frames at more than one rate, or too few */
	LULL_SEARCH_FAILED /* the adapter could not be set up at all: see why */
};
const char *lull_search_answer_name(enum lull_search_answer);

struct lull_search {
	struct lull_try tries[LULL_TRIES_MAX];
	size_t n;
	enum lull_transceiver transceiver;
	bool errors_visible; /* this adapter showed a bus error, or can report them */
	enum lull_search_answer answer;
	size_t best; /* index of the rate found, or of the one that fits least badly; n if none */
	enum lull_link_result setup; /* LULL_SEARCH_FAILED: of the last try */
	char why[320]; /* sentences: what it means and what to do */
};

struct lull_search_io {
	struct lull_link_io link;
	void *ctx;
	/* Listens for so long. 0, or a negative errno; an adapter that goes meanwhile is heard->stopped. */
	int (*listen)(void *ctx, const char *name, int64_t ns, struct lull_heard *);
	/* Before and after each try, so that a person sees something; may be NULL. */
	void (*tell)(void *ctx, const struct lull_try *, bool done);
};
/* The kernel's own. ctx: NULL, or the address of a `const volatile int *`: the listening ends once that int is not
 * zero (-EINTR). */
struct lull_search_io lull_search_kernel(void);

/* Tries what fits the transceiver and the controller, ns each, and stops early where one is beyond doubt. Ends with the link down.
 * *search: all tries and the answer. */
void lull_search_run(const struct lull_search_io *, const char *name, int64_t ns, enum lull_transceiver, struct lull_search *search);

/* The judgement alone: the rates to try, then the answer from what the tries heard. */
void lull_search_plan(struct lull_search *, enum lull_transceiver, bool fd);
/* Index of the next try, or n: enough was heard. What was heard so far decides which data phases are worth it. */
size_t lull_search_next(const struct lull_search *);
void lull_search_judge(struct lull_search *);
/* Beyond doubt: many frames, and next to no errors. */
bool lull_heard_fits(const struct lull_heard *);

#endif
