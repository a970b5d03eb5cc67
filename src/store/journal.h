/* SPDX-License-Identifier: GPL-3.0-or-later */
/* journal: a recording that is being made, and found whole whatever happens.
 *
 * SQLite in WAL mode with synchronous=FULL: what lull_journal_write() has written survives SIGKILL and a power cut; what
 * came after it is lost. Each write is one transaction: the rows that are final, and a picture of what is still open
 * (stretches, the present silence, the last frames, coverage up to now) as it would be if the recording ended there. So
 * a reader sees a complete recording at any moment, and a recording that is broken off is one.
 *
 * Not thread-safe. Readers in other processes do not hinder it. */
#ifndef LULL_STORE_JOURNAL_H
#define LULL_STORE_JOURNAL_H

#include <lull/night.h>

struct lull_journal;

#define LULL_BOOT_ID 37 /* bytes of the kernel's boot ID, with the terminator */

/* One run of the recorder. */
struct lull_session {
	char boot[LULL_BOOT_ID];
	lull_time from; /* recording time at which it begins */
	int64_t boottime_ns; /* CLOCK_BOOTTIME at that moment */
};

/* What a recording that is gone on with says of its past. */
struct lull_journal_past {
	struct lull_session last; /* the session before; boot "" if there was none */
	lull_time until; /* written up to here */
	bool stopped; /* it was closed as it should be, not broken off */
	struct lull_night_identity identity;
	struct lull_clock_map clock; /* the last one; t LULL_NEVER: none */
	unsigned bus_count; /* buses by index, with what they have counted */
	struct lull_bus bus[LULL_BUS_MAX];
};

/* A new recording at `path`, which must not exist yet (-EEXIST). As long as it is open, PATH.lock (store/claim.h) keeps other
 * recorders away; errno EBUSY: another one has it. NULL with errno and a message. */
struct lull_journal *lull_journal_create(const char *path, char *err, size_t err_size);
/* Opens a recording to go on with it; *past says what is there. Nothing is changed but what SQLite recovers;
 * call lull_journal_settle() before anything is written: it also brings an older schema up to date, in place. NULL with errno
 * and a message; errno EBADMSG: damaged, to be set aside; ENOTSUP: of a newer schema, to be left alone; EBUSY: another recorder
 * writes it. */
struct lull_journal *lull_journal_open(const char *path, struct lull_journal_past *past, char *err, size_t err_size);
/* Makes final what the session before has left open: its stretches ended with blindness at `until`. One transaction. -errno. */
LULL_MUST_CHECK int lull_journal_settle(struct lull_journal *, lull_time until);
/* A session begins. */
LULL_MUST_CHECK int lull_journal_session(struct lull_journal *, const struct lull_session *);
/* A named text, as lull_store_text(). */
LULL_MUST_CHECK int lull_journal_text(struct lull_journal *, const char *key, const char *value);

/* What is known of which night this is, as lull_store_identity(). */
LULL_MUST_CHECK int lull_journal_identity(struct lull_journal *, const struct lull_night_identity *);

/* One transaction. `rows`: final rows, which may be unsorted; its buses too if bus_count is not 0. `open`: what is open now, in
 * the place of what was open before; NULL: as before, less what `rows` has ended. `coverage`: of what lasts until now, always in
 * the place of what was told before. On failure nothing of it is in the recording, and it can be tried again: -ENOSPC, -EIO,
 * -EBADMSG (damaged: to be set aside). */
LULL_MUST_CHECK int lull_journal_write(struct lull_journal *, const struct lull_night *rows, const struct lull_night *open,
	const struct lull_coverage *coverage, size_t coverage_count);

/* Bytes that were handed to the kernel for the recording so far: WAL and checkpoints. */
uint64_t lull_journal_written(const struct lull_journal *);
const char *lull_journal_path(const struct lull_journal *);

/* 0: the recording lies where it was made. -ENOENT: it was deleted or renamed; -ESTALE: another file lies in its place. What is
 * written from then on is in no recording that anybody finds. */
LULL_MUST_CHECK int lull_journal_astray(const struct lull_journal *);
/* Lets go of a recording that went astray. One that was renamed is made whole; no journal of it stays under the old name. Frees. */
void lull_journal_leave(struct lull_journal *);

/* Lets go of it as it is: what was written stays, as if it had been broken off. Frees. */
void lull_journal_abandon(struct lull_journal *);
/* Gives up a recording that was just created: no file of it is left. Frees. */
void lull_journal_discard(struct lull_journal *);
/* The session ends at `end`; nothing open is left, and the recording is one file. Frees in any case. */
LULL_MUST_CHECK int lull_journal_close(struct lull_journal *, lull_time end, char *err, size_t err_size);

/* A recording that cannot be used is renamed to PATH.damaged, PATH.damaged-2 ... with its journals beside it. The new name goes
 * to `to`. */
LULL_MUST_CHECK int lull_journal_set_aside(const char *path, char *to, size_t to_size);

#endif
