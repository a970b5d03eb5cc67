/* SPDX-License-Identifier: GPL-3.0-or-later */
/* write: a new recording under a temporary name, row by row, then in its place in one step. */
#include "leftovers.h"
#include "recording.h"
#include "store.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

/* One transaction: what a power cut can cost at most. */
#define BATCH_ROWS 4096
#define BATCH_SECONDS 30

struct lull_store {
	sqlite3 *db;
	sqlite3_stmt *insert[LULL_TABLE_COUNT], *insert_left_out, *insert_text;
	char *path, *temporary;
	bool force;
	unsigned batch; /* rows in the open transaction; 0: none is open */
	time_t batch_began; /* CLOCK_MONOTONIC s */
	int error; /* the first one; all later calls answer with it */
};

static void unlink_with(const char *path, const char *suffix)
{
	char *name;

	if (asprintf(&name, "%s%s", path, suffix) < 0)
		return;
	(void)unlink(name);
	free(name);
}

static void store_free(struct lull_store *store)
{
	for (size_t i = 0; i < LULL_TABLE_COUNT; i++)
		(void)sqlite3_finalize(store->insert[i]);
	(void)sqlite3_finalize(store->insert_left_out);
	(void)sqlite3_finalize(store->insert_text);
	(void)sqlite3_close(store->db);
	free(store->path);
	free(store->temporary);
	free(store);
}

void lull_store_abandon(struct lull_store *store)
{
	char *temporary = store->temporary;

	store->temporary = NULL;
	store_free(store);
	if (temporary) {
		unlink_with(temporary, "-wal");
		unlink_with(temporary, "-shm");
		unlink_with(temporary, "-journal");
		unlink_with(temporary, "");
		free(temporary);
	}
}

/* Claims a name beside the path, so that the rename stays within one file system. The number keeps two imports
 * into one folder, and what a power cut left behind, apart. */
static int claim_temporary(struct lull_store *store)
{
	for (unsigned i = 0; i < 1000; i++) {
		char *name;

		if (asprintf(&name, LULL_UNFINISHED, store->path, (long)getpid(), i) < 0)
			return -ENOMEM;
		int fd = open(name, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0666);

		if (fd >= 0) {
			(void)close(fd);
			store->temporary = name;
			return 0;
		}
		int error = errno;

		free(name);
		if (error != EEXIST)
			return -error;
	}
	return -EEXIST;
}

static int prepare_insert(sqlite3 *db, const struct lull_table *table, sqlite3_stmt **stmt)
{
	char columns[1024], values[256];
	size_t c = 0, v = 0;

	for (size_t i = 0; i < table->column_count; i++) {
		c += (size_t)snprintf(
			columns + c, sizeof(columns) - c, "%s%s", i ? ", " : "", table->columns[i].name);
		v += (size_t)snprintf(values + v, sizeof(values) - v, "%s?", i ? ", " : "");
	}
	char *sql = sqlite3_mprintf(
		"INSERT OR REPLACE INTO \"%s\" (%s) VALUES (%s)", table->name, columns, values);

	if (!sql)
		return SQLITE_NOMEM;
	int rc = sqlite3_prepare_v3(db, sql, -1, SQLITE_PREPARE_PERSISTENT, stmt, NULL);

	sqlite3_free(sql);
	return rc;
}

static int set_up(struct lull_store *store)
{
	const struct lull_schema *schema = &lull_schemas[lull_schema_count - 1];
	char sql[256];
	int rc = sqlite3_open_v2(
		store->temporary, &store->db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, NULL);

	if (rc == SQLITE_OK)
		rc = sqlite3_exec(
			store->db, "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;", NULL, NULL, NULL);
	if (rc == SQLITE_OK) {
		(void)snprintf(sql, sizeof(sql),
			"BEGIN; PRAGMA application_id = %d; PRAGMA user_version = %d;", LULL_APPLICATION_ID,
			schema->version);
		rc = sqlite3_exec(store->db, sql, NULL, NULL, NULL);
	}
	if (rc == SQLITE_OK)
		rc = sqlite3_exec(store->db, schema->sql, NULL, NULL, NULL);
	if (rc == SQLITE_OK)
		rc = sqlite3_exec(store->db, "COMMIT", NULL, NULL, NULL);
	for (size_t i = 0; rc == SQLITE_OK && i < LULL_TABLE_COUNT; i++)
		rc = prepare_insert(store->db, &lull_tables[i], &store->insert[i]);
	if (rc == SQLITE_OK)
		rc = sqlite3_prepare_v3(store->db, "INSERT INTO left_out (sentence) VALUES (?)", -1,
			SQLITE_PREPARE_PERSISTENT, &store->insert_left_out, NULL);
	if (rc == SQLITE_OK)
		rc = sqlite3_prepare_v3(store->db, "INSERT OR REPLACE INTO text (key, value) VALUES (?, ?)",
			-1, SQLITE_PREPARE_PERSISTENT, &store->insert_text, NULL);
	return rc;
}

struct lull_store *lull_store_create(const char *path, bool force, char *err, size_t err_size)
{
	struct stat st;
	struct lull_store *store;

	if (!force && lstat(path, &st) == 0) {
		lull_store_say(err, err_size,
			"%s: exists already; give another name, or --force to replace it", path);
		errno = EEXIST;
		return NULL;
	}
	store = calloc(1, sizeof(*store));
	if (!store || !(store->path = strdup(path))) {
		free(store);
		lull_store_say(err, err_size, "%s: out of memory", path);
		errno = ENOMEM;
		return NULL;
	}
	store->force = force;
	lull_leftovers_remove(path);
	int r = claim_temporary(store);

	if (r) {
		lull_store_say(err, err_size, "%s: no file can be made there: %s", path, strerror(-r));
	} else {
		int rc = set_up(store);

		r = lull_sqlite_errno(rc);
		if (r)
			lull_store_say(err, err_size, "%s: no recording can be made there: %s", path,
				store->db ? sqlite3_errmsg(store->db) : strerror(-r));
	}
	if (r) {
		lull_store_abandon(store);
		errno = -r;
		return NULL;
	}
	return store;
}

/* --- rows --- */

static int fail(struct lull_store *store, int error)
{
	if (!store->error)
		store->error = error;
	return store->error;
}

static time_t now_seconds(void)
{
	struct timespec now;

	return clock_gettime(CLOCK_MONOTONIC, &now) ? 0 : now.tv_sec;
}

static int end_batch(struct lull_store *store)
{
	if (!store->batch)
		return 0;
	store->batch = 0;
	return lull_sqlite_errno(sqlite3_exec(store->db, "COMMIT", NULL, NULL, NULL));
}

/* Steps a statement that is bound, within a batch. */
static int insert(struct lull_store *store, sqlite3_stmt *stmt)
{
	int r = 0;

	if (!store->batch) {
		r = lull_sqlite_errno(sqlite3_exec(store->db, "BEGIN", NULL, NULL, NULL));
		store->batch_began = now_seconds();
	}
	if (!r) {
		store->batch++;
		r = lull_sqlite_errno(sqlite3_step(stmt));
	}
	int reset = lull_sqlite_errno(sqlite3_reset(stmt));

	if (!r)
		r = reset;
	if (!r && (store->batch >= BATCH_ROWS || now_seconds() - store->batch_began >= BATCH_SECONDS))
		r = end_batch(store);
	return r ? fail(store, r) : 0;
}

static int put(struct lull_store *store, enum lull_table_index table, const void *row)
{
	if (store->error)
		return store->error;
	int r = lull_row_bind(store->insert[table], &lull_tables[table], row);

	return r ? fail(store, r) : insert(store, store->insert[table]);
}

static int put_stretch(void *ctx, const struct lull_stretch *row)
{
	return put(ctx, LULL_TABLE_STRETCH, row);
}

static int put_cadence(void *ctx, const struct lull_cadence *row)
{
	return put(ctx, LULL_TABLE_CADENCE, row);
}

static int put_gap(void *ctx, const struct lull_gap *row)
{
	return put(ctx, LULL_TABLE_GAP, row);
}

static int put_change(void *ctx, const struct lull_change *row)
{
	return put(ctx, LULL_TABLE_CHANGE, row);
}

static int put_edge(void *ctx, const struct lull_edge *row)
{
	return put(ctx, LULL_TABLE_EDGE, row);
}

static int put_coverage(void *ctx, const struct lull_coverage *row)
{
	return put(ctx, LULL_TABLE_COVERAGE, row);
}

static int put_mark(void *ctx, const struct lull_mark *row)
{
	return put(ctx, LULL_TABLE_MARK, row);
}

static int put_clock(void *ctx, const struct lull_clock_map *row)
{
	return put(ctx, LULL_TABLE_CLOCK, row);
}

static int put_clamp(void *ctx, const struct lull_clamp *row)
{
	return row->present ? put(ctx, LULL_TABLE_CLAMP, row) : 0;
}

static int put_chunk(void *ctx, const struct lull_chunk *row)
{
	return put(ctx, LULL_TABLE_CHUNK, row);
}

static int put_repair(void *ctx, const struct lull_repair *row)
{
	return put(ctx, LULL_TABLE_REPAIR, row);
}

static int put_bus(void *ctx, unsigned index, const struct lull_bus *bus)
{
	if (index >= LULL_BUS_MAX)
		return fail(ctx, -EINVAL);
	return put(ctx, LULL_TABLE_BUS, &(struct lull_bus_row){(uint8_t)index, *bus});
}

static int put_left_out(void *ctx, const char *sentence)
{
	struct lull_store *store = ctx;

	if (store->error)
		return store->error;
	int rc = sqlite3_bind_text(store->insert_left_out, 1, sentence, -1, SQLITE_TRANSIENT);

	return rc == SQLITE_OK ? insert(store, store->insert_left_out) : fail(store, lull_sqlite_errno(rc));
}

struct lull_sink lull_store_sink(struct lull_store *store)
{
	return (struct lull_sink){
		.ctx = store,
		.stretch = put_stretch,
		.cadence = put_cadence,
		.gap = put_gap,
		.change = put_change,
		.edge = put_edge,
		.coverage = put_coverage,
		.mark = put_mark,
		.clock = put_clock,
		.bus = put_bus,
		.clamp = put_clamp,
		.chunk = put_chunk,
		.repair = put_repair,
		.left_out = put_left_out,
	};
}

int lull_store_text(struct lull_store *store, const char *key, const char *value)
{
	if (store->error)
		return store->error;
	int rc = sqlite3_bind_text(store->insert_text, 1, key, -1, SQLITE_TRANSIENT);

	if (rc == SQLITE_OK)
		rc = sqlite3_bind_text(store->insert_text, 2, value, -1, SQLITE_TRANSIENT);
	return rc == SQLITE_OK ? insert(store, store->insert_text) : fail(store, lull_sqlite_errno(rc));
}

int lull_store_identity(struct lull_store *store, const struct lull_night_identity *identity)
{
	int r = 0;

	for (size_t i = 0; i < LULL_IDENTITY_TEXTS && !r; i++) {
		const char *value = (const char *)identity + lull_identity_texts[i].offset;

		if (*value)
			r = lull_store_text(store, lull_identity_texts[i].key, value);
	}
	return r;
}

/* --- the end --- */

static int sync_path(const char *path, int flags)
{
	int fd = open(path, O_RDONLY | O_CLOEXEC | flags);
	int r = 0;

	if (fd < 0)
		return -errno;
	if (fsync(fd))
		r = -errno;
	(void)close(fd);
	/* Some file systems cannot sync a folder; they have nothing to lose there either. */
	return r == -EINVAL && flags ? 0 : r;
}

static int sync_folder_of(const char *path)
{
	char *folder = strdup(path);

	if (!folder)
		return -ENOMEM;
	char *slash = strrchr(folder, '/');

	if (slash == folder)
		slash[1] = '\0';
	else if (slash)
		*slash = '\0';
	int r = sync_path(slash ? folder : ".", O_DIRECTORY);

	free(folder);
	return r;
}

static int move_in_place(const char *from, const char *to, bool force)
{
	if (force)
		return rename(from, to) ? -errno : 0;
	if (!renameat2(AT_FDCWD, from, AT_FDCWD, to, RENAME_NOREPLACE))
		return 0;
	if (errno != EINVAL && errno != ENOSYS)
		return -errno;
	/* A file system without that flag: a link fails as well where the name is taken. */
	if (!link(from, to))
		return unlink(from) ? -errno : 0;
	if (errno != EPERM && errno != EOPNOTSUPP)
		return -errno;
	return access(to, F_OK) == 0 ? -EEXIST : rename(from, to) ? -errno : 0;
}

/* Leaves the temporary file whole and alone: no WAL beside it. */
static int close_database(struct lull_store *store, char *err, size_t err_size)
{
	sqlite3_stmt *stmt = NULL;
	int r = end_batch(store);

	if (!r) {
		int rc = sqlite3_prepare_v2(store->db, "PRAGMA journal_mode = DELETE", -1, &stmt, NULL);

		if (rc == SQLITE_OK)
			rc = sqlite3_step(stmt);
		const char *mode = rc == SQLITE_ROW ? (const char *)sqlite3_column_text(stmt, 0) : NULL;

		r = lull_sqlite_errno(rc);
		if (!r && (!mode || strcmp(mode, "delete") != 0))
			r = -EIO;
	}
	if (r)
		lull_store_say(err, err_size, "%s: the recording cannot be finished: %s; nothing was written",
			store->path, sqlite3_errmsg(store->db));
	(void)sqlite3_finalize(stmt);
	return r;
}

int lull_store_commit(struct lull_store *store, char *err, size_t err_size)
{
	int r = store->error;

	if (r)
		lull_store_say(err, err_size, "%s: a row could not be written: %s; nothing was written",
			store->path, strerror(-r));
	else
		r = close_database(store, err, err_size);
	if (r) {
		lull_store_abandon(store);
		return r;
	}
	char *temporary = store->temporary, *path = store->path;
	bool force = store->force;

	store->temporary = store->path = NULL;
	store_free(store);
	r = sync_path(temporary, 0);
	if (!r)
		r = move_in_place(temporary, path, force);
	if (r) {
		(void)unlink(temporary);
		if (r == -EEXIST)
			lull_store_say(err, err_size,
				"%s: has been made meanwhile; give another name, or --force to replace it",
				path);
		else
			lull_store_say(err, err_size, "%s: cannot be put in place: %s", path, strerror(-r));
	} else {
		r = sync_folder_of(path);
		if (r)
			lull_store_say(err, err_size, "%s: written, but its folder could not be synced: %s",
				path, strerror(-r));
	}
	free(temporary);
	free(path);
	return r;
}
