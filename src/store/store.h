/* SPDX-License-Identifier: GPL-3.0-or-later */
/* store: one recording, one SQLite file. */
#ifndef LULL_STORE_H
#define LULL_STORE_H

#include <lull/night.h>

#define LULL_SCHEMA_VERSION 5

struct lull_store;

/* Makes a new recording under a temporary name beside `path`; lull_store_commit() renames it into place, closed
 * and complete (a single file, no WAL left). An existing file is replaced only then, and only with `force`;
 * else -EEXIST. NULL on failure, with errno set and a message for a person in err. The temporary name is PATH.partN-N; a
 * power cut can leave such a file (and its -wal and -shm) behind, never a half-written PATH. */
struct lull_store *lull_store_create(const char *path, bool force, char *err, size_t err_size);
/* Rows go in through this sink, in one transaction per batch (4,096 rows or 30 s). Memory does not grow with rows. A row that
 * could not be read back (a negative instant, an ID that is none) is -EINVAL; after any error all later calls, and the
 * commit, fail with it. */
struct lull_sink lull_store_sink(struct lull_store *);
/* A named text of the recording: "profile", "capture", "limits", "created-by". The schema writes "readable-from". */
LULL_MUST_CHECK int lull_store_text(struct lull_store *, const char *key, const char *value);
/* What is known of it, as named texts: "uuid", "recorder", "vehicle", "model". */
LULL_MUST_CHECK int lull_store_identity(struct lull_store *, const struct lull_night_identity *);
/* Finish: checkpoint, close, fsync, rename, fsync the folder. The store is freed in every case. */
LULL_MUST_CHECK int lull_store_commit(struct lull_store *, char *err, size_t err_size);
/* Gives up: the temporary file is removed. Frees. */
void lull_store_abandon(struct lull_store *);

/* Loads a recording whole, sorted (lull_night_sort() was called). Newer schema: -ENOTSUP, and the message says
 * which version reads it; an older one is read through
 * its migration (in memory, the file stays as it is); damaged or no recording: -EBADMSG; all with a message. A foreign
 * file is hostile: trusted_schema off, DEFENSIVE, every value checked against its range. */
LULL_MUST_CHECK int lull_store_load(const char *path, struct lull_night *night, char *err, size_t err_size);
/* Copies a text out; caller frees; NULL if absent. Only valid on paths that load. */
char *lull_store_read_text(const char *path, const char *key, char *err, size_t err_size);

#endif
