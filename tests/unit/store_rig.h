/* SPDX-License-Identifier: GPL-3.0-or-later */
/* store_rig: a folder for one test, and a night with every kind of row at the ends of their ranges. */
#ifndef LULL_TESTS_STORE_RIG_H
#define LULL_TESTS_STORE_RIG_H

#include "store/store.h"

#include <stdbool.h>

/* The recording of the test that runs, and the last message. */
extern char store_path[96], store_err[512];

/* cmocka's: a new folder, and its end. */
int store_set_up(void **state);
int store_tear_down(void **state);
/* Names in the folder; with `clear`, removes them. */
int store_files(bool clear);
/* SQL on a file, as anybody could run it; SQLite's result. */
int store_run(const char *file, const char *sql);

extern const struct lull_bus store_bus_rows[];
extern const struct lull_stretch store_stretch_rows[];
extern const struct lull_gap store_gap_rows[];
extern const struct lull_edge store_edge_rows[];
extern const struct lull_mark store_mark_rows[];
extern const struct lull_night_identity store_identity;

/* The message fails the test. */
struct lull_store *store_create(bool force);
void store_put_buses(const struct lull_sink *);
void store_put_stretches(const struct lull_sink *);
/* At store_path, committed; and whether a night read back is that one. */
void store_write_full_night(bool force);
void store_is_full_night(const struct lull_night *);

#endif
