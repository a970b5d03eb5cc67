/* SPDX-License-Identifier: GPL-3.0-or-later */
/* book_impl: what the files that make up the book share. */
#ifndef LULL_DAEMON_BOOK_IMPL_H
#define LULL_DAEMON_BOOK_IMPL_H

#include <daemon/book.h>
#include <lull/night.h>

struct lull_book_bus {
	unsigned index; /* in the recording */
	unsigned reasons; /* 1 << why, as long as it lasts */
	int64_t since[LULL_COVERAGE_COUNT]; /* CLOCK_BOOTTIME */
	lull_time observed; /* start of the observed time that lasts; LULL_NEVER: blind */
};

struct lull_book {
	struct lull_book_plan plan;
	struct lull_night_identity identity; /* of the recording at hand */
	struct lull_journal *journal; /* NULL: none can be made at present */
	bool unsettled; /* what the session before has left open is not final yet, and this session is not in the file */
	lull_time until; /* of the session before */
	struct lull_observer *observer;
	struct lull_sink sink; /* the observer's, into `rows` */
	struct lull_night rows; /* final, not written yet */
	struct lull_bus before[LULL_BUS_MAX]; /* counts of earlier sessions, by index of the recording */
	struct lull_book_bus bus[LULL_BUS_MAX];
	unsigned bus_count;
	int64_t zero; /* CLOCK_BOOTTIME at recording time 0 */
	lull_time began; /* recording time at which this session begins */
	lull_time last; /* latest instant that was told */
	int64_t written_at, pictured_at, tried_at; /* CLOCK_BOOTTIME */
	bool edge; /* something happened that should be on the disk soon */
	int trouble; /* errno of the last write; 0 */
	uint64_t bytes_before; /* of journals that were set aside or closed */
	struct lull_clock_map clock; /* the last one kept; t LULL_NEVER: none */
	size_t dropped; /* rows given up since the disk refuses */
	char **told; /* sentences of left_out so far */
	size_t told_count;
	bool (*partial)(void *ctx, struct lull_chunk *);
	void *partial_ctx;
};

/* The observer and the buses of a session that begins at recording time `began`. */
LULL_MUST_CHECK int lull_book_begin(struct lull_book *, lull_time began);
/* A new file for the session that runs: the first one, or in the place of one that is damaged. -errno with a message. */
LULL_MUST_CHECK int lull_book_new_file(struct lull_book *, const struct lull_moment *, char *err, size_t err_size);
/* The session that runs begins in a recording that is gone on with. -errno of the disk: to be tried again. */
LULL_MUST_CHECK int lull_book_settle(struct lull_book *);
void lull_book_free(struct lull_book *);
/* The journal says that its file is damaged: set aside, a new one in its place. */
LULL_MUST_CHECK int lull_book_replace(struct lull_book *, const struct lull_moment *);
/* The journal says that its file went astray: it is let go of, and the next write begins a new one. */
LULL_MUST_CHECK int lull_book_leave(struct lull_book *, int astray);

#endif
