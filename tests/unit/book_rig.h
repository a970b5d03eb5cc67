/* SPDX-License-Identifier: GPL-3.0-or-later */
/* book_rig: a recording that is made in virtual time, on a disk that can be slow, full and away (fake_disk). */
#ifndef LULL_TESTS_BOOK_RIG_H
#define LULL_TESTS_BOOK_RIG_H

#include <daemon/book_impl.h>
#include <lull/night.h>

#define BOOT_0 (1000 * LULL_SEC) /* CLOCK_BOOTTIME at the start */
#define UTC_0 (INT64_C(1772750000) * LULL_SEC)

/* One bus, batches of 30 s, the folder of the test. */
extern struct lull_config book_config;
extern struct lull_book_plan book_plan;

/* cmocka's: a new folder, the disk, a log that goes nowhere; and their end. */
int book_set_up(void **state);
int book_tear_down(void **state);

/* Times are those since the start. */
struct lull_moment book_moment(lull_time t);
/* A recorder starts; a failure fails the test. */
struct lull_book *book_at(lull_time t);
/* Two cyclic IDs, awake for a minute, a wake of 3 s at 120 s, awake from 400 s on; a tick each second. */
void book_live(struct lull_book *book, lull_time from, lull_time to);
void book_finish(struct lull_book *book, lull_time t);
/* As SIGKILL leaves it: with its WAL, and with a lock file that nobody holds. */
void book_kill(struct lull_book *book);
void book_path_of(const struct lull_book *book, char path[512]);

void book_load(const char *path, struct lull_night *night);
/* What an import of the same frames would make. */
void book_plain_night(lull_time end, struct lull_night *night);
void book_same_rows(const struct lull_night *a, const struct lull_night *b);

#endif
