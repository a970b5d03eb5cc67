/* SPDX-License-Identifier: GPL-3.0-or-later */
/* book: the recording at hand: frames, blindness and marks go in with CLOCK_BOOTTIME, rows go to the disk in batches.
 *
 * Frames pass through the same observer as those of an imported capture. What it gives is held until the batch is over (or a spell
 * began or ended), then written in one transaction together with a picture of what is open; a batch that could not be
 * written is tried again with the next. Time is told by the caller: nothing here reads a clock. */
#ifndef LULL_DAEMON_BOOK_H
#define LULL_DAEMON_BOOK_H

#include <daemon/wall.h>
#include <lull/observe.h>
#include <source/config.h>
#include <stddef.h>
#include <store/journal.h>

struct lull_book;

/* What a recording is made with. */
struct lull_book_plan {
	const struct lull_config *config; /* folder, batches, buses; borrowed */
	const char *profile; /* text to keep with the recording, or NULL; borrowed */
	char boot[LULL_BOOT_ID];
	struct lull_night_identity identity; /* recorder, vehicle, model; uuid is not used */
	bool anew; /* a new recording, whatever is there */
};

/* Goes on with the newest recording of the folder if it was broken off (or stopped within the last ten minutes), is not too
 * old and of the same vehicle; else begins one. A damaged one is set aside, and what another recorder writes is passed over. A
 * recording that cannot be begun (no folder, a full disk) is held in memory, see lull_book_trouble(), and begun as soon as it can
 * be. NULL with errno and a message: out of memory. */
struct lull_book *lull_book_open(const struct lull_book_plan *, const struct lull_moment *now, char *err, size_t err_size);
/* Ends it: everything is written out, the file is closed and whole. Frees in any case. */
LULL_MUST_CHECK int lull_book_close(struct lull_book *, const struct lull_moment *now);

/* Buses are counted as in the configuration. Times are CLOCK_BOOTTIME. Errors are -ENOMEM and the like: the end. */
LULL_MUST_CHECK int lull_book_frame(struct lull_book *, const struct lull_frame *); /* t: CLOCK_BOOTTIME */
/* The bus cannot be heard from `since` on for this reason; reasons may overlap. Told twice is told once. */
LULL_MUST_CHECK int lull_book_blind(struct lull_book *, unsigned bus, enum lull_coverage_why, int64_t since);
/* That reason is over. */
LULL_MUST_CHECK int lull_book_hears(struct lull_book *, unsigned bus, enum lull_coverage_why, int64_t until);
bool lull_book_is_blind(const struct lull_book *, unsigned bus, enum lull_coverage_why);
/* A blind time that is over already: lost frames. */
LULL_MUST_CHECK int lull_book_lost(struct lull_book *, unsigned bus, int64_t from, int64_t to);
LULL_MUST_CHECK int lull_book_mark(struct lull_book *, const char *text, int64_t at);
/* What the wall clock says; `set`: it was set just now. Kept when it is news. */
LULL_MUST_CHECK int lull_book_clock(struct lull_book *, const struct lull_moment *, bool set);
/* A sentence for what the report leaves out. Each is kept once. */
LULL_MUST_CHECK int lull_book_left_out(struct lull_book *, const char *sentence);
/* What is known of the clamp; and a chunk of its samples, tau_ns is recording time. */
LULL_MUST_CHECK int lull_book_clamp(struct lull_book *, const struct lull_clamp *);
LULL_MUST_CHECK int lull_book_chunk(struct lull_book *, const struct lull_chunk *);
/* Who knows the chunk that is not full yet: it goes into each picture. NULL: nobody. */
void lull_book_partial(struct lull_book *, bool (*partial)(void *ctx, struct lull_chunk *), void *ctx);

/* Call about once a second: time passes on the buses, and what is due is written. */
LULL_MUST_CHECK int lull_book_tick(struct lull_book *, const struct lull_moment *);
/* Writes now, with a picture of all that is open. -errno of the disk: it will be tried again. A recording that was deleted, renamed or
 * replaced since is let go of, and a new one begins with the rows that are in memory. */
LULL_MUST_CHECK int lull_book_flush(struct lull_book *, const struct lull_moment *);
/* CLOCK_BOOTTIME of the last write that succeeded: what a power cut would leave. */
int64_t lull_book_written_at(const struct lull_book *);
/* The same of the last picture of what is open. */
int64_t lull_book_pictured_at(const struct lull_book *);
/* 0, or the errno with which the disk refused the last batch. */
int lull_book_trouble(const struct lull_book *);

/* --- for status and tests --- */

const char *lull_book_path(const struct lull_book *); /* "": there is no file yet */
const struct lull_night_identity *lull_book_identity(const struct lull_book *);
uint64_t lull_book_bytes(const struct lull_book *); /* handed to the kernel since this session began */
lull_time lull_book_time(const struct lull_book *, int64_t boottime); /* recording time */
lull_time lull_book_began(const struct lull_book *); /* recording time at which this session began: lull_book_bytes() counts from there */
struct lull_observer *lull_book_observer(struct lull_book *);
unsigned lull_book_bus(const struct lull_book *, unsigned bus); /* of the configuration -> of the recording */
/* What the recording was told to be blind for on this bus at present, as a set of 1 << reason; and since when (CLOCK_BOOTTIME). */
unsigned lull_book_blindness(const struct lull_book *, unsigned bus, int64_t *since);

#endif
