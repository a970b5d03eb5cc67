/* SPDX-License-Identifier: GPL-3.0-or-later */
/* read: a recording from its file. The file may come from anywhere: nothing in it is believed. */
#include "recording.h"
#include "store.h"
#include "uuid.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define TEXT_LIMIT (16 * 1024 * 1024) /* bytes of one value */
#define MIGRATE_LIMIT (INT64_C(512) * 1024 * 1024) /* a file that must be copied into memory */

/* How much work a file may cause, in steps of SQLite's virtual machine: far more than an honest one of its size. */
#define STEPS_AT_ONCE 100000
#define STEPS_FREE 50000000
#define STEPS_A_PAGE 50000

struct reading {
	sqlite3 *db; /* what is read: the file, or its copy in memory after a migration */
	sqlite3 *copy; /* NULL, or the same as db */
	const char *name;
	int64_t rounds; /* left of the work allowed, in STEPS_AT_ONCE */
	char *err;
	size_t err_size;
};

static int out_of_patience(void *ctx)
{
	struct reading *reading = ctx;

	return --reading->rounds < 0;
}

static int damaged(struct reading *reading, int rc)
{
	int r = lull_sqlite_errno(rc);

	if (r == -EBADMSG)
		lull_store_say(reading->err, reading->err_size,
			"%s: damaged or no recording: %s; import the capture again, "
			"or save what can be read with `sqlite3 FILE .recover`",
			reading->name,
			(rc & 0xff) == SQLITE_INTERRUPT ? "reading it does not end"
							: sqlite3_errmsg(reading->db));
	else
		lull_store_say(reading->err, reading->err_size, "%s: cannot be read: %s", reading->name,
			sqlite3_errmsg(reading->db));
	return r ? r : -EIO;
}

static void harden(sqlite3 *db)
{
	(void)sqlite3_db_config(db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
	(void)sqlite3_db_config(db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, NULL);
	(void)sqlite3_db_config(db, SQLITE_DBCONFIG_ENABLE_TRIGGER, 0, NULL);
	(void)sqlite3_db_config(db, SQLITE_DBCONFIG_ENABLE_VIEW, 0, NULL);
	(void)sqlite3_db_config(db, SQLITE_DBCONFIG_ENABLE_LOAD_EXTENSION, 0, NULL);
	(void)sqlite3_limit(db, SQLITE_LIMIT_LENGTH, TEXT_LIMIT);
	(void)sqlite3_limit(db, SQLITE_LIMIT_SQL_LENGTH, 64 * 1024);
	(void)sqlite3_limit(db, SQLITE_LIMIT_COLUMN, 200);
	(void)sqlite3_limit(db, SQLITE_LIMIT_EXPR_DEPTH, 50);
	(void)sqlite3_limit(db, SQLITE_LIMIT_COMPOUND_SELECT, 5);
	(void)sqlite3_limit(db, SQLITE_LIMIT_ATTACHED, 0);
}

static int number(struct reading *reading, const char *sql, int64_t *value)
{
	sqlite3_stmt *stmt;
	int rc = sqlite3_prepare_v2(reading->db, sql, -1, &stmt, NULL);

	if (rc != SQLITE_OK)
		return damaged(reading, rc);
	rc = sqlite3_step(stmt);
	if (rc == SQLITE_ROW)
		*value = sqlite3_column_int64(stmt, 0);
	(void)sqlite3_finalize(stmt);
	return rc == SQLITE_ROW ? 0 : damaged(reading, rc);
}

/* Brings a copy in memory, version by version, to the schema of today. */
static int migrate(struct reading *reading, const struct lull_schema *schema)
{
	int64_t pages = 0, page_size = 1;
	int r = number(reading, "PRAGMA page_count", &pages);

	if (!r)
		r = number(reading, "PRAGMA page_size", &page_size);
	if (r)
		return r;
	if (pages > MIGRATE_LIMIT / page_size) {
		lull_store_say(reading->err, reading->err_size,
			"%s: has the older schema %d and is too large to be brought up to date in memory",
			reading->name, schema->version);
		return -EFBIG;
	}
	int rc = sqlite3_open(":memory:", &reading->copy);

	if (rc == SQLITE_OK) {
		sqlite3_backup *backup = sqlite3_backup_init(reading->copy, "main", reading->db, "main");

		rc = backup ? sqlite3_backup_step(backup, -1) : sqlite3_errcode(reading->copy);
		if (backup)
			(void)sqlite3_backup_finish(backup);
	}
	if (rc != SQLITE_DONE)
		return damaged(reading, rc == SQLITE_OK ? SQLITE_ERROR : rc);
	reading->db = reading->copy;
	harden(reading->db);
	sqlite3_progress_handler(reading->db, STEPS_AT_ONCE, out_of_patience, reading);
	rc = lull_schema_migrate(reading->db, schema);
	return rc == SQLITE_OK ? 0 : damaged(reading, rc);
}

/* Ours, of a version that can be read, with the tables as we make them, and sound. */
static int check(struct reading *reading, const struct lull_schema *schemas, size_t schema_count)
{
	const struct lull_schema *schema;
	int64_t application, version, pages;
	char what[256] = "";
	int r = number(reading, "PRAGMA application_id", &application);

	if (!r && application != LULL_APPLICATION_ID) {
		lull_store_say(reading->err, reading->err_size, "%s: an SQLite file, but no recording",
			reading->name);
		return -EBADMSG;
	}
	if (!r)
		r = number(reading, "PRAGMA user_version", &version);
	if (!r)
		r = number(reading, "PRAGMA page_count", &pages);
	if (r)
		return r;
	reading->rounds =
		(STEPS_FREE + (pages < INT32_MAX ? pages : INT32_MAX) * STEPS_A_PAGE) / STEPS_AT_ONCE;
	if (version > schemas[schema_count - 1].version) {
		lull_schema_say_newer(reading->db, reading->name, version, schemas[schema_count - 1].version,
			reading->err, reading->err_size);
		return -ENOTSUP;
	}
	schema = lull_schema_of(schemas, schema_count, version);
	if (!schema) {
		lull_store_say(reading->err, reading->err_size, "%s: damaged: there is no schema %lld",
			reading->name, (long long)version);
		return -EBADMSG;
	}
	r = lull_schema_same(reading->db, schema, what, sizeof(what));
	if (r) {
		lull_store_say(reading->err, reading->err_size, "%s: damaged or no recording: %s",
			reading->name, what);
		return r;
	}
	return schema->to_next ? migrate(reading, schema) : 0;
}

static int quick_check(struct reading *reading, const char *table)
{
	sqlite3_stmt *stmt;
	char sql[80];

	(void)snprintf(sql, sizeof(sql), "PRAGMA quick_check('%s')", table);
	int rc = sqlite3_prepare_v2(reading->db, sql, -1, &stmt, NULL);

	if (rc != SQLITE_OK)
		return damaged(reading, rc);
	rc = sqlite3_step(stmt);
	if (rc != SQLITE_ROW) {
		(void)sqlite3_finalize(stmt);
		return damaged(reading, rc == SQLITE_DONE ? SQLITE_CORRUPT : rc);
	}
	const char *answer = (const char *)sqlite3_column_text(stmt, 0);
	int r = 0;

	if (!answer || strcmp(answer, "ok") != 0) {
		char what[160];

		(void)snprintf(what, sizeof(what), "%s", answer ? answer : "out of memory");
		lull_text_clean(what);
		lull_store_say(reading->err, reading->err_size,
			"%s: damaged: %s; import the capture again, or save what can be read with `sqlite3 "
			"FILE .recover`",
			reading->name, what);
		r = answer ? -EBADMSG : -ENOMEM;
	}
	(void)sqlite3_finalize(stmt);
	return r;
}

/* --- rows --- */

static bool bus_known(const struct lull_night *night, uint8_t bus)
{
	return bus == LULL_BUS_ALL || bus < night->bus_count;
}

static int give(struct lull_night *night, const struct lull_sink *sink, enum lull_table_index table,
	const union lull_any_row *row)
{
	switch (table) {
	case LULL_TABLE_BUS: return sink->bus(sink->ctx, row->bus.index, &row->bus.bus);
	case LULL_TABLE_STRETCH:
		return bus_known(night, row->stretch.bus) ? sink->stretch(sink->ctx, &row->stretch)
							  : -EBADMSG;
	case LULL_TABLE_CADENCE:
		return bus_known(night, row->cadence.bus) ? sink->cadence(sink->ctx, &row->cadence)
							  : -EBADMSG;
	case LULL_TABLE_GAP:
		return bus_known(night, row->gap.bus) ? sink->gap(sink->ctx, &row->gap) : -EBADMSG;
	case LULL_TABLE_CHANGE:
		return bus_known(night, row->change.bus) ? sink->change(sink->ctx, &row->change) : -EBADMSG;
	case LULL_TABLE_EDGE:
		return bus_known(night, row->edge.frame.bus) ? sink->edge(sink->ctx, &row->edge) : -EBADMSG;
	case LULL_TABLE_COVERAGE:
		return bus_known(night, row->coverage.bus) ? sink->coverage(sink->ctx, &row->coverage)
							   : -EBADMSG;
	case LULL_TABLE_MARK: return sink->mark(sink->ctx, &row->mark);
	case LULL_TABLE_CLOCK: return sink->clock(sink->ctx, &row->clock);
	case LULL_TABLE_CLAMP: return sink->clamp(sink->ctx, &row->clamp);
	case LULL_TABLE_CHUNK: return sink->chunk(sink->ctx, &row->chunk);
	case LULL_TABLE_REPAIR: return sink->repair(sink->ctx, &row->repair);
	case LULL_TABLE_COUNT: break;
	}
	return -EINVAL;
}

static int prepare_select(sqlite3 *db, const struct lull_table *table, sqlite3_stmt **stmt)
{
	char columns[1024];
	size_t c = 0;

	for (size_t i = 0; i < table->column_count; i++)
		c += (size_t)snprintf(
			columns + c, sizeof(columns) - c, "%s%s", i ? ", " : "", table->columns[i].name);
	/* In the order of writing, and by no index that a stranger may have added. */
	char *sql = sqlite3_mprintf(
		"SELECT %s FROM main.\"%s\" NOT INDEXED ORDER BY rowid", columns, table->name);

	if (!sql)
		return SQLITE_NOMEM;
	int rc = sqlite3_prepare_v2(db, sql, -1, stmt, NULL);

	sqlite3_free(sql);
	return rc;
}

static int read_table(struct reading *reading, enum lull_table_index index, struct lull_night *night)
{
	const struct lull_table *table = &lull_tables[index];
	struct lull_sink sink = lull_night_sink(night);
	union lull_any_row row;
	sqlite3_stmt *stmt;
	int rc = prepare_select(reading->db, table, &stmt), r = 0;
	unsigned long n = 0;

	if (rc != SQLITE_OK)
		return damaged(reading, rc);
	while (!r && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		const char *bad = "bus";

		if (++n > LULL_ROW_LIMIT) {
			r = -EBADMSG;
			lull_store_say(reading->err, reading->err_size,
				"%s: table '%s' has more than %d rows", reading->name, table->name,
				LULL_ROW_LIMIT);
			break;
		}
		r = lull_row_read(stmt, table, &row, &bad);
		if (!r) {
			if (index == LULL_TABLE_CLAMP)
				row.clamp.present = true;
			r = give(night, &sink, index, &row);
			if (index == LULL_TABLE_CHUNK)
				free(row.chunk.uA);
		}
		if (r == -EBADMSG)
			lull_store_say(reading->err, reading->err_size,
				"%s: damaged: table '%s', row %lu: %s%s", reading->name, table->name, n,
				bad ? "impossible value in column " : "columns contradict each other",
				bad ? bad : "");
	}
	if (r == -ENOMEM)
		lull_store_say(reading->err, reading->err_size, "%s: out of memory", reading->name);
	else if (!r && rc != SQLITE_DONE)
		r = damaged(reading, rc);
	(void)sqlite3_finalize(stmt);
	return r;
}

/* A text column that ends where it says. */
static const char *whole_text(sqlite3_stmt *stmt, int column)
{
	const char *text = sqlite3_column_type(stmt, column) == SQLITE_TEXT
		? (const char *)sqlite3_column_text(stmt, column)
		: NULL;

	return text && strlen(text) == (size_t)sqlite3_column_bytes(stmt, column) ? text : NULL;
}

static int read_left_out(struct reading *reading, struct lull_night *night)
{
	struct lull_sink sink = lull_night_sink(night);
	sqlite3_stmt *stmt;
	int rc = sqlite3_prepare_v2(reading->db,
		"SELECT sentence FROM main.left_out NOT INDEXED ORDER BY rowid LIMIT 100000", -1, &stmt,
		NULL);
	int r = 0;

	if (rc != SQLITE_OK)
		return damaged(reading, rc);
	while (!r && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		const char *sentence = whole_text(stmt, 0);

		r = sentence ? sink.left_out(sink.ctx, sentence) : -EBADMSG;
		if (!r)
			lull_text_clean(night->left_out.at[night->left_out.n - 1]);
		else
			lull_store_say(reading->err, reading->err_size,
				"%s: damaged: table 'left_out' holds no text", reading->name);
	}
	if (!r && rc != SQLITE_DONE)
		r = damaged(reading, rc);
	(void)sqlite3_finalize(stmt);
	return r;
}

/* *value stays NULL if the recording has no such text. */
static int read_text(struct reading *reading, const char *key, char **value)
{
	sqlite3_stmt *stmt;
	int rc = sqlite3_prepare_v2(
		reading->db, "SELECT value FROM main.text NOT INDEXED WHERE key = ?", -1, &stmt, NULL);
	int r = 0;

	if (rc != SQLITE_OK)
		return damaged(reading, rc);
	rc = sqlite3_bind_text(stmt, 1, key, -1, SQLITE_TRANSIENT);
	if (rc == SQLITE_OK)
		rc = sqlite3_step(stmt);
	if (rc == SQLITE_ROW) {
		const char *text = whole_text(stmt, 0);

		*value = text ? strdup(text) : NULL;
		if (!*value) {
			r = text ? -ENOMEM : -EBADMSG;
			lull_store_say(reading->err, reading->err_size,
				"%s: damaged: text '%s' cannot be read", reading->name, key);
		}
	} else if (rc != SQLITE_DONE) {
		r = damaged(reading, rc);
	}
	(void)sqlite3_finalize(stmt);
	return r;
}

static int read_identity(struct reading *reading, struct lull_night_identity *identity)
{
	int r = 0;

	for (size_t i = 0; i < LULL_IDENTITY_TEXTS && !r; i++) {
		const struct lull_identity_text *text = &lull_identity_texts[i];
		char *value = NULL;

		r = read_text(reading, text->key, &value);
		if (!r && value && (text->uuid ? !lull_uuid_valid(value) : strlen(value) >= text->size)) {
			r = -EBADMSG;
			lull_store_say(reading->err, reading->err_size, "%s: damaged: text '%s' is no %s",
				reading->name, text->key, text->uuid ? "UUID" : "name");
		}
		if (!r && value) {
			memcpy((char *)identity + text->offset, value, strlen(value) + 1);
			lull_text_clean((char *)identity + text->offset);
		}
		free(value);
	}
	return r;
}

/* --- files --- */

static void reading_start(struct reading *reading, sqlite3 *db, const char *name, char *err, size_t err_size)
{
	*reading = (struct reading){.db = db,
		.name = name,
		.rounds = STEPS_FREE / STEPS_AT_ONCE,
		.err = err,
		.err_size = err_size};
	harden(db);
	sqlite3_progress_handler(db, STEPS_AT_ONCE, out_of_patience, reading);
	/* One transaction: a recording that is being written must not change under the reader. */
	(void)sqlite3_exec(db,
		"PRAGMA cell_size_check = ON; PRAGMA mmap_size = 0; PRAGMA query_only = ON; BEGIN;", NULL,
		NULL, NULL);
}

static void reading_end(struct reading *reading, sqlite3 *db)
{
	sqlite3_progress_handler(db, 0, NULL, NULL);
	(void)sqlite3_exec(db, "ROLLBACK;", NULL, NULL, NULL);
	(void)sqlite3_close(reading->copy);
}

int lull_store_load_database(sqlite3 *db, const char *name, const struct lull_schema *schemas,
	size_t schema_count, struct lull_night *night, char *err, size_t err_size)
{
	struct reading reading;
	int r;

	lull_night_init(night);
	reading_start(&reading, db, name, err, err_size);
	r = check(&reading, schemas, schema_count);
	for (int i = 0; !r && i < LULL_TABLE_COUNT; i++)
		r = quick_check(&reading, lull_tables[i].name);
	if (!r)
		r = quick_check(&reading, "left_out");
	if (!r)
		r = quick_check(&reading, "text");
	if (!r)
		r = quick_check(&reading, "session");
	/* Buses come first: rows may only name a bus that is there. */
	for (int i = 0; !r && i < LULL_TABLE_COUNT; i++)
		r = read_table(&reading, (enum lull_table_index)i, night);
	if (!r)
		r = read_left_out(&reading, night);
	if (!r)
		r = read_text(&reading, "profile", &night->profile);
	if (!r)
		r = read_identity(&reading, &night->identity);
	if (!r) {
		r = lull_night_sort(night);
		if (r)
			lull_store_say(err, err_size, "%s: out of memory", name);
	}
	reading_end(&reading, db);
	if (r)
		lull_night_clear(night);
	return r;
}

static bool exists_with(const char *path, const char *suffix)
{
	char *name;

	if (asprintf(&name, "%s%s", path, suffix) < 0)
		return true; /* the careful answer */
	bool there = access(name, F_OK) == 0;

	free(name);
	return there;
}

/* "file:" name of a path for SQLite; sqlite3_free() it. */
static char *uri_of(const char *path, bool immutable)
{
	size_t room = strlen(path) * 3 + 32, n = 0;
	char *uri = sqlite3_malloc64(room);

	if (!uri)
		return NULL;
	/* "./" keeps a name that starts with slashes or holds a colon from being read as a host or a scheme. */
	n += (size_t)snprintf(uri, room, "file:%s", *path == '/' ? "//" : "./");
	for (const char *c = path; *c; c++)
		n += (size_t)snprintf(
			uri + n, room - n, strchr("%?#", *c) ? "%%%02X" : "%c", (unsigned char)*c);
	(void)snprintf(uri + n, room - n, "%s", immutable ? "?immutable=1" : "");
	return uri;
}

static int open_file(const char *path, sqlite3 **db, char *err, size_t err_size)
{
	static const char magic[16] = "SQLite format 3";
	unsigned char head[18] = {0};
	struct stat st;

	*db = NULL;
	/* Not blocking on a pipe; it is no file then. */
	int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);

	if (fd < 0 || fstat(fd, &st)) {
		int error = errno;

		if (fd >= 0)
			(void)close(fd);
		lull_store_say(err, err_size, "%s: %s", path, strerror(error));
		return -error;
	}
	ssize_t got = S_ISREG(st.st_mode) ? read(fd, head, sizeof(head)) : 0;

	(void)close(fd);
	if (got < (ssize_t)sizeof(magic) || memcmp(head, magic, sizeof(magic)) != 0) {
		lull_store_say(err, err_size,
			"%s: no recording (it is no SQLite file); make one from a capture with `lull import`",
			path);
		return -EBADMSG;
	}
	/* Without a journal beside it nobody is writing: then nothing may be made beside it either, and it has whole pages
	 * (SQLite file format 1.3.2; a cut one whose last page holds little would pass all other checks). */
	const bool alone = !exists_with(path, "-wal") && !exists_with(path, "-journal");
	const off_t page = head[16] << 8 | head[17];

	if (alone && page > 1 && st.st_size % page) {
		lull_store_say(err, err_size, "%s: damaged: it is cut off", path);
		return -EBADMSG;
	}
	char *uri = uri_of(path, alone);
	int rc = SQLITE_NOMEM;

	if (uri)
		rc = sqlite3_open_v2(
			uri, db, SQLITE_OPEN_READONLY | SQLITE_OPEN_URI | SQLITE_OPEN_NOMUTEX, NULL);
	sqlite3_free(uri);
	if (rc != SQLITE_OK) {
		lull_store_say(err, err_size, "%s: cannot be opened: %s", path,
			*db ? sqlite3_errmsg(*db) : "out of memory");
		(void)sqlite3_close(*db);
		*db = NULL;
		return lull_sqlite_errno(rc);
	}
	(void)sqlite3_busy_timeout(*db, 5000);
	return 0;
}

int lull_store_load(const char *path, struct lull_night *night, char *err, size_t err_size)
{
	sqlite3 *db;
	int r = open_file(path, &db, err, err_size);

	if (r) {
		lull_night_init(night);
		return r;
	}
	r = lull_store_load_database(db, path, lull_schemas, lull_schema_count, night, err, err_size);
	(void)sqlite3_close(db);
	return r;
}

char *lull_store_read_text(const char *path, const char *key, char *err, size_t err_size)
{
	struct reading reading;
	char *value = NULL;
	sqlite3 *db;

	if (err && err_size)
		*err = '\0';
	if (open_file(path, &db, err, err_size))
		return NULL;
	reading_start(&reading, db, path, err, err_size);
	if (!check(&reading, lull_schemas, lull_schema_count) && read_text(&reading, key, &value)) {
		free(value);
		value = NULL;
	}
	reading_end(&reading, db);
	(void)sqlite3_close(db);
	return value;
}
