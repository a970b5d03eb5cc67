/* SPDX-License-Identifier: GPL-3.0-or-later */
/* journal: a recording that is being made: batches of final rows, and beside them what is open. */
#include "claim.h"
#include "journal.h"
#include "recording.h"
#include "store.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define PAGE 4096
#define COLUMNS 1024 /* bytes of a list of columns */

struct lull_journal {
	sqlite3 *db;
	char *path;
	int claim; /* the lock file's descriptor */
	int file; /* the recording, opened for no more than to tell whether it lies where it was made */
	sqlite3_stmt *insert[LULL_TABLE_COUNT];
	int64_t next[LULL_TABLE_COUNT]; /* number of the next final row */
	int64_t next_open[LULL_TABLE_COUNT];
	const struct lull_schema *older; /* the file's, as long as it is not up to date; else NULL */
	sqlite3_int64 session;
	uint64_t written; /* bytes, of WAL pages and checkpoints */
	int wal_pages; /* in the WAL after the last commit */
};

/* Tables whose rows have numbers of their own; a bus row is found by its index. */
static bool numbered(int table)
{
	return table != LULL_TABLE_BUS;
}

static int run(sqlite3 *db, const char *sql)
{
	return lull_sqlite_errno(sqlite3_exec(db, sql, NULL, NULL, NULL));
}

static int run_format(struct lull_journal *journal, const char *format, ...)
{
	va_list list;

	va_start(list, format);
	char *sql = sqlite3_vmprintf(format, list);

	va_end(list);
	if (!sql)
		return -ENOMEM;
	int r = run(journal->db, sql);

	sqlite3_free(sql);
	return r;
}

/* SQLite tells of each commit how many pages the WAL then holds. */
static int on_commit(void *ctx, sqlite3 *db, const char *name, int pages)
{
	struct lull_journal *journal = ctx;
	int more = pages - journal->wal_pages;

	if (more < 0) {
		struct stat st;
		uint64_t most = (uint64_t)journal->wal_pages;

		/* It was begun anew: its pages had gone into the file, each of them once. */
		if (!stat(journal->path, &st) && (uint64_t)st.st_size / PAGE < most)
			most = (uint64_t)st.st_size / PAGE;
		journal->written += most * PAGE;
		more = pages;
	}
	journal->written += (uint64_t)more * (PAGE + 24);
	journal->wal_pages = pages;
	if (pages >= 1000)
		(void)sqlite3_wal_checkpoint_v2(db, name, SQLITE_CHECKPOINT_PASSIVE, NULL, NULL);
	return SQLITE_OK;
}

static int prepare(struct lull_journal *journal, int index)
{
	const struct lull_table *table = &lull_tables[index];
	char columns[COLUMNS], values[256];
	size_t c = 0, v = 0;

	for (size_t i = 0; i < table->column_count; i++) {
		c += (size_t)snprintf(columns + c, sizeof columns - c, "%s%s", i ? ", " : "", table->columns[i].name);
		v += (size_t)snprintf(values + v, sizeof values - v, "%s?", i ? ", " : "");
	}
	char *sql = sqlite3_mprintf("INSERT OR REPLACE INTO \"%w\" (%s%s) VALUES (%s%s)", table->name, columns,
		numbered(index) ? ", rowid" : "", values, numbered(index) ? ", ?" : "");

	if (!sql)
		return -ENOMEM;
	int rc = sqlite3_prepare_v3(journal->db, sql, -1, SQLITE_PREPARE_PERSISTENT, &journal->insert[index], NULL);

	sqlite3_free(sql);
	return lull_sqlite_errno(rc);
}

/* One number out of the database; NULL counts as `otherwise`. */
static int number(struct lull_journal *journal, int64_t *out, int64_t otherwise, const char *format, ...)
{
	sqlite3_stmt *stmt = NULL;
	va_list list;

	va_start(list, format);
	char *sql = sqlite3_vmprintf(format, list);

	va_end(list);
	if (!sql)
		return -ENOMEM;
	int rc = sqlite3_prepare_v2(journal->db, sql, -1, &stmt, NULL);

	sqlite3_free(sql);
	if (rc == SQLITE_OK)
		rc = sqlite3_step(stmt);
	*out = rc == SQLITE_ROW && sqlite3_column_type(stmt, 0) == SQLITE_INTEGER ? sqlite3_column_int64(stmt, 0) :
										    otherwise;
	(void)sqlite3_finalize(stmt);
	return lull_sqlite_errno(rc);
}

static int count_rows(struct lull_journal *journal)
{
	int r = 0;

	for (int i = 0; i < LULL_TABLE_COUNT && !r; i++) {
		if (!numbered(i))
			continue;
		r = number(journal, &journal->next[i], 0, "SELECT max(rowid) FROM \"%w\" WHERE rowid <= %lld",
			lull_tables[i].name, LULL_JOURNAL_ROWS);
		journal->next[i]++;
	}
	return r;
}

static void journal_free(struct lull_journal *journal)
{
	for (int i = 0; i < LULL_TABLE_COUNT; i++)
		(void)sqlite3_finalize(journal->insert[i]);
	(void)sqlite3_close(journal->db);
	if (journal->file >= 0)
		(void)close(journal->file);
	lull_claim_drop(journal->path, journal->claim);
	free(journal->path);
	free(journal);
}

/* --- opening --- */

/* The lock comes first: what another recorder writes is not even looked at. */
static struct lull_journal *claim_at(const char *path, int *r)
{
	struct lull_journal *journal = calloc(1, sizeof *journal);

	*r = -ENOMEM;
	if (!journal)
		return NULL;
	journal->claim = journal->file = -1;
	journal->path = strdup(path);
	if (!journal->path) {
		free(journal);
		return NULL;
	}
	journal->claim = lull_claim_take(path);
	*r = journal->claim < 0 ? journal->claim : 0;
	return journal;
}

static void open_at(struct lull_journal *journal, const char *path, int *r)
{
	*r = lull_sqlite_errno(sqlite3_open_v2(path, &journal->db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, NULL));
	if (*r)
		return;
	/* O_PATH: its close drops none of SQLite's locks. */
	journal->file = open(path, O_PATH | O_CLOEXEC);
	(void)sqlite3_busy_timeout(journal->db, 2000);
	(void)sqlite3_db_config(journal->db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
	(void)sqlite3_db_config(journal->db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, NULL);
	(void)sqlite3_db_config(journal->db, SQLITE_DBCONFIG_ENABLE_TRIGGER, 0, NULL);
	*r = run(journal->db, "PRAGMA synchronous = FULL; PRAGMA cache_size = -512;");
	(void)sqlite3_wal_hook(journal->db, on_commit, journal);
}

static int ready(struct lull_journal *journal)
{
	int r = count_rows(journal);

	for (int i = 0; i < LULL_TABLE_COUNT && !r; i++)
		r = prepare(journal, i);
	for (int i = 0; i < LULL_TABLE_COUNT; i++)
		journal->next_open[i] = LULL_JOURNAL_ROWS + 1;
	return r;
}

static struct lull_journal *give_up(struct lull_journal *journal, int r, const char *what, const char *path, char *err, size_t err_size)
{
	if (r == -EBUSY && (!journal || !journal->db))
		lull_store_say(err, err_size,
			"%s: another recorder is writing it: stop that one, or give this one a folder of its own (folder = in [recorder])",
			path);
	else
		lull_store_say(err, err_size, "%s: %s: %s", path, what,
		journal && journal->db && sqlite3_errcode(journal->db) ? sqlite3_errmsg(journal->db) : strerror(-r));
	if (journal)
		journal_free(journal);
	errno = -r;
	return NULL;
}

/* A recording and what SQLite keeps beside it. */
static void unlink_all(const char *path)
{
	static const char *const suffixes[] = {"-wal", "-shm", "-journal", ""};
	char *name;

	for (size_t i = 0; i < sizeof suffixes / sizeof suffixes[0]; i++) {
		if (asprintf(&name, "%s%s", path, suffixes[i]) < 0)
			continue;
		(void)unlink(name);
		free(name);
	}
}

struct lull_journal *lull_journal_create(const char *path, char *err, size_t err_size)
{
	const struct lull_schema *schema = &lull_schemas[lull_schema_count - 1];
	int r = access(path, F_OK) ? 0 : -EEXIST;
	struct lull_journal *journal = r ? NULL : claim_at(path, &r);
	const int fd = r ? -1 : open(path, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0640);

	if (!r && fd < 0)
		r = -errno;
	if (r)
		return give_up(journal, r, "no recording can be made there", path, err, err_size);
	(void)close(fd);
	open_at(journal, path, &r);
	if (!r)
		r = run(journal->db, "PRAGMA journal_mode = WAL");
	if (!r)
		r = run_format(journal, "BEGIN; PRAGMA application_id = %d; PRAGMA user_version = %d;", LULL_APPLICATION_ID,
			schema->version);
	if (!r)
		r = run(journal->db, schema->sql);
	if (!r)
		r = run(journal->db, "COMMIT");
	if (!r)
		r = ready(journal);
	if (!r)
		return journal;
	(void)give_up(journal, r, "no recording can be made there", path, err, err_size);
	unlink_all(path);
	errno = -r;
	return NULL;
}

void lull_journal_discard(struct lull_journal *journal)
{
	char *path = strdup(journal->path);

	journal_free(journal);
	if (path)
		unlink_all(path);
	free(path);
}

static int read_buses(struct lull_journal *journal, struct lull_journal_past *past)
{
	const struct lull_table *table = &lull_tables[LULL_TABLE_BUS];
	char columns[COLUMNS];
	size_t c = 0;
	sqlite3_stmt *stmt;
	int r = 0;

	for (size_t i = 0; i < table->column_count; i++)
		c += (size_t)snprintf(columns + c, sizeof columns - c, "%s%s", i ? ", " : "", table->columns[i].name);
	char *sql = sqlite3_mprintf("SELECT %s FROM bus ORDER BY bus", columns);

	if (!sql)
		return -ENOMEM;
	int rc = sqlite3_prepare_v2(journal->db, sql, -1, &stmt, NULL);

	sqlite3_free(sql);
	if (rc != SQLITE_OK)
		return lull_sqlite_errno(rc);
	while (!r && (rc = sqlite3_step(stmt)) == SQLITE_ROW) {
		union lull_any_row row;
		const char *bad;

		r = lull_row_read(stmt, table, &row, &bad);
		if (!r && (row.bus.index != past->bus_count || past->bus_count == LULL_BUS_MAX))
			r = -EBADMSG;
		if (!r)
			past->bus[past->bus_count++] = row.bus.bus;
	}
	(void)sqlite3_finalize(stmt);
	return r ? r : lull_sqlite_errno(rc);
}

static int read_session(struct lull_journal *journal, struct lull_journal_past *past)
{
	sqlite3_stmt *stmt;
	int rc = sqlite3_prepare_v2(journal->db,
		"SELECT boot, from_ns, boottime_ns, ended_ns IS NOT NULL, session FROM session ORDER BY session DESC LIMIT 1",
		-1, &stmt, NULL);

	if (rc == SQLITE_OK)
		rc = sqlite3_step(stmt);
	if (rc == SQLITE_ROW) {
		const char *boot = (const char *)sqlite3_column_text(stmt, 0);

		(void)snprintf(past->last.boot, sizeof past->last.boot, "%s", boot ? boot : "");
		past->last.from = sqlite3_column_int64(stmt, 1);
		past->last.boottime_ns = sqlite3_column_int64(stmt, 2);
		past->stopped = sqlite3_column_int(stmt, 3);
		journal->session = sqlite3_column_int64(stmt, 4);
	}
	(void)sqlite3_finalize(stmt);
	return lull_sqlite_errno(rc);
}

static int read_identity(struct lull_journal *journal, struct lull_night_identity *identity)
{
	sqlite3_stmt *stmt = NULL;
	int rc = sqlite3_prepare_v2(journal->db, "SELECT value FROM text WHERE key = ?", -1, &stmt, NULL);

	for (size_t i = 0; i < LULL_IDENTITY_TEXTS && rc == SQLITE_OK; i++) {
		const struct lull_identity_text *text = &lull_identity_texts[i];

		rc = sqlite3_bind_text(stmt, 1, text->key, -1, SQLITE_STATIC);
		if (rc == SQLITE_OK)
			rc = sqlite3_step(stmt);
		if (rc == SQLITE_ROW && sqlite3_column_type(stmt, 0) == SQLITE_TEXT)
			(void)snprintf((char *)identity + text->offset, text->size, "%s",
				(const char *)sqlite3_column_text(stmt, 0));
		if (rc == SQLITE_ROW || rc == SQLITE_DONE)
			rc = sqlite3_reset(stmt);
	}
	(void)sqlite3_finalize(stmt);
	return lull_sqlite_errno(rc);
}

static int read_past(struct lull_journal *journal, struct lull_journal_past *past)
{
	int r = read_session(journal, past);

	if (!r)
		r = number(journal, &past->until, 0, "SELECT max(to_ns) FROM coverage");
	if (!r)
		r = number(journal, &past->clock.t, LULL_NEVER, "SELECT max(t_ns) FROM clock");
	if (!r)
		r = number(journal, &past->clock.utc_ns, 0, "SELECT utc_ns FROM clock ORDER BY t_ns DESC, rowid DESC LIMIT 1");
	if (!r)
		r = number(journal, &past->clock.error_ns, 0, "SELECT error_ns FROM clock ORDER BY t_ns DESC, rowid DESC LIMIT 1");
	if (!r)
		r = read_identity(journal, &past->identity);
	return r ? r : read_buses(journal, past);
}

/* The same of an older schema: as it will be once it is up to date, but nothing is changed yet. */
static int read_older_past(struct lull_journal *journal, struct lull_journal_past *past)
{
	int r = run(journal->db, "BEGIN IMMEDIATE");

	if (r)
		return r;
	r = lull_sqlite_errno(lull_schema_migrate(journal->db, journal->older));
	if (!r)
		r = read_past(journal, past);
	int back = run(journal->db, "ROLLBACK");

	return r ? r : back;
}

struct lull_journal *lull_journal_open(const char *path, struct lull_journal_past *past, char *err, size_t err_size)
{
	const struct lull_schema *newest = &lull_schemas[lull_schema_count - 1], *schema = NULL;
	char what[256] = "cannot be gone on with";
	int64_t version = 0, mark = 0;
	int r = 0;

	memset(past, 0, sizeof *past);
	struct lull_journal *journal = claim_at(path, &r);

	if (!r)
		open_at(journal, path, &r);
	if (!r)
		r = number(journal, &mark, 0, "PRAGMA application_id");
	if (!r)
		r = number(journal, &version, 0, "PRAGMA user_version");
	if (!r && mark == LULL_APPLICATION_ID && version > newest->version) {
		lull_schema_say_newer(journal->db, path, version, newest->version, err, err_size);
		journal_free(journal);
		errno = ENOTSUP;
		return NULL;
	}
	if (!r) {
		schema = lull_schema_of(lull_schemas, lull_schema_count, version);
		if (mark != LULL_APPLICATION_ID || !schema) {
			r = -EBADMSG;
			lull_store_say(what, sizeof what, "is no recording");
		}
	}
	if (!r)
		r = lull_schema_same(journal->db, schema, what, sizeof what);
	if (!r) {
		sqlite3_stmt *stmt;
		int rc = sqlite3_prepare_v2(journal->db, "PRAGMA quick_check(1)", -1, &stmt, NULL);

		if (rc == SQLITE_OK)
			rc = sqlite3_step(stmt);
		const char *answer = rc == SQLITE_ROW ? (const char *)sqlite3_column_text(stmt, 0) : NULL;

		r = lull_sqlite_errno(rc);
		if (!r && (!answer || strcmp(answer, "ok") != 0)) {
			r = -EBADMSG;
			lull_store_say(what, sizeof what, "is damaged (%s)", answer ? answer : "no answer");
		}
		(void)sqlite3_finalize(stmt);
	}
	if (!r && schema != newest)
		journal->older = schema;
	if (!r)
		r = journal->older ? read_older_past(journal, past) : read_past(journal, past);
	if (!r && !journal->older)
		r = ready(journal);
	return r ? give_up(journal, r, what, path, err, err_size) : journal;
}

/* --- sessions --- */

static int settle_table(struct lull_journal *journal, int index)
{
	int64_t shift = journal->next[index] - 1 - LULL_JOURNAL_ROWS;

	return run_format(journal, "UPDATE \"%w\" SET rowid = rowid + (%lld) WHERE rowid > %lld", lull_tables[index].name,
		shift, LULL_JOURNAL_ROWS);
}

/* What a killed recorder has left in the WAL goes into the file: this session has not written those pages. */
static void take_in_wal(struct lull_journal *journal)
{
	int pages = 0;

	(void)sqlite3_wal_checkpoint_v2(journal->db, NULL, SQLITE_CHECKPOINT_PASSIVE, &pages, NULL);
	journal->wal_pages = pages > 0 ? pages : 0;
}

int lull_journal_settle(struct lull_journal *journal, lull_time until)
{
	int r = run(journal->db, "PRAGMA journal_mode = WAL");

	if (!r) {
		take_in_wal(journal);
		r = run(journal->db, "BEGIN IMMEDIATE");
	}
	if (r)
		return r;
	if (journal->older)
		r = lull_sqlite_errno(lull_schema_migrate(journal->db, journal->older));
	if (!r)
		r = count_rows(journal);
	if (!r)
		r = run_format(journal, "UPDATE stretch SET ended = '%q' WHERE rowid > %lld AND ended = '%q'",
			lull_end_name(LULL_END_BLIND), LULL_JOURNAL_ROWS, lull_end_name(LULL_END_OPEN));
	if (!r)
		r = run_format(journal, "UPDATE gap SET next_ns = %lld WHERE rowid > %lld AND next_ns IS NULL", until,
			LULL_JOURNAL_ROWS);
	for (int i = 0; i < LULL_TABLE_COUNT && !r; i++)
		if (numbered(i))
			r = settle_table(journal, i);
	if (!r)
		r = count_rows(journal);
	if (!r)
		r = run(journal->db, "COMMIT");
	if (r) {
		(void)run(journal->db, "ROLLBACK");
		return r;
	}
	if (!journal->older)
		return 0;
	journal->older = NULL;
	return ready(journal);
}

int lull_journal_session(struct lull_journal *journal, const struct lull_session *session)
{
	int r = run_format(journal,
		"INSERT INTO session (boot, from_ns, boottime_ns, ended_ns, written) VALUES ('%q', %lld, %lld, NULL, 0)",
		session->boot, session->from, session->boottime_ns);

	if (!r)
		journal->session = sqlite3_last_insert_rowid(journal->db);
	return r;
}

int lull_journal_text(struct lull_journal *journal, const char *key, const char *value)
{
	return run_format(journal, "INSERT OR REPLACE INTO text (key, value) VALUES ('%q', '%q')", key, value);
}

int lull_journal_identity(struct lull_journal *journal, const struct lull_night_identity *identity)
{
	int r = 0;

	for (size_t i = 0; i < LULL_IDENTITY_TEXTS && !r; i++) {
		const char *value = (const char *)identity + lull_identity_texts[i].offset;

		if (*value)
			r = lull_journal_text(journal, lull_identity_texts[i].key, value);
	}
	return r;
}

/* --- rows --- */

static int put(struct lull_journal *journal, int index, const void *row, int64_t *number_of)
{
	sqlite3_stmt *stmt = journal->insert[index];
	int r = lull_row_bind(stmt, &lull_tables[index], row);

	if (!r && number_of)
		r = lull_sqlite_errno(
			sqlite3_bind_int64(stmt, (int)lull_tables[index].column_count + 1, *number_of));
	if (!r) {
		r = lull_sqlite_errno(sqlite3_step(stmt));
		int reset = lull_sqlite_errno(sqlite3_reset(stmt));

		if (!r)
			r = reset;
	}
	if (!r && number_of)
		++*number_of;
	return r;
}

#define PUT_ALL(list, table, numbers) \
	for (size_t i = 0; i < (list).n && !r; i++) \
		r = put(journal, (table), &(list).at[i], &(numbers)[table])

static int put_night(struct lull_journal *journal, const struct lull_night *night, int64_t *numbers)
{
	int r = 0;

	for (unsigned i = 0; i < night->bus_count && !r; i++)
		r = put(journal, LULL_TABLE_BUS, &(struct lull_bus_row){(uint8_t)i, night->bus[i]}, NULL);
	PUT_ALL(night->stretches, LULL_TABLE_STRETCH, numbers);
	PUT_ALL(night->cadences, LULL_TABLE_CADENCE, numbers);
	PUT_ALL(night->gaps, LULL_TABLE_GAP, numbers);
	PUT_ALL(night->changes, LULL_TABLE_CHANGE, numbers);
	PUT_ALL(night->edges, LULL_TABLE_EDGE, numbers);
	PUT_ALL(night->coverage, LULL_TABLE_COVERAGE, numbers);
	PUT_ALL(night->marks, LULL_TABLE_MARK, numbers);
	PUT_ALL(night->clocks, LULL_TABLE_CLOCK, numbers);
	PUT_ALL(night->chunks, LULL_TABLE_CHUNK, numbers);
	PUT_ALL(night->further_chunks, LULL_TABLE_CHUNK, numbers);
	PUT_ALL(night->further, LULL_TABLE_CLAMP, numbers);
	PUT_ALL(night->repairs, LULL_TABLE_REPAIR, numbers);
	if (!r && night->clamp.present)
		r = put(journal, LULL_TABLE_CLAMP, &night->clamp, &numbers[LULL_TABLE_CLAMP]);
	for (size_t i = 0; i < night->left_out.n && !r; i++)
		r = run_format(journal, "INSERT INTO left_out (sentence) VALUES ('%q')", night->left_out.at[i]);
	return r;
}

/* Empties a table of what was open. */
static int clear_open(struct lull_journal *journal, int index)
{
	if (journal->next_open[index] == LULL_JOURNAL_ROWS + 1)
		return 0;
	journal->next_open[index] = LULL_JOURNAL_ROWS + 1;
	return run_format(
		journal, "DELETE FROM \"%w\" WHERE rowid > %lld", lull_tables[index].name, LULL_JOURNAL_ROWS);
}

/* Open rows that final ones take the place of. */
static int end_open(struct lull_journal *journal, const struct lull_night *rows)
{
	bool gap[LULL_BUS_MAX] = {false}, edge[LULL_BUS_MAX] = {false}, channel[LULL_CHANNELS] = {false};
	int r = 0;

	if (journal->next_open[LULL_TABLE_STRETCH] > LULL_JOURNAL_ROWS + 1)
		for (size_t i = 0; i < rows->stretches.n && !r; i++) {
			const struct lull_stretch *s = &rows->stretches.at[i];

			r = run_format(journal,
				"DELETE FROM stretch WHERE rowid > %lld AND bus = %d AND id IS nullif(%lld, %lld) AND first_ns = %lld",
				LULL_JOURNAL_ROWS, s->bus, (int64_t)s->id, (int64_t)LULL_ID_NONE, s->first);
		}
	if (journal->next_open[LULL_TABLE_CADENCE] > LULL_JOURNAL_ROWS + 1 && rows->cadences.n && !r)
		/* A window's rows are all final at once. */
		r = run_format(journal, "DELETE FROM cadence WHERE rowid > %lld", LULL_JOURNAL_ROWS);
	for (size_t i = 0; i < rows->chunks.n; i++)
		channel[rows->chunks.at[i].channel] = true;
	for (size_t i = 0; i < rows->further_chunks.n; i++)
		channel[rows->further_chunks.at[i].channel % LULL_CHANNELS] = true;
	for (int k = 0; k < LULL_CHANNELS && !r; k++)
		if (channel[k] && journal->next_open[LULL_TABLE_CHUNK] > LULL_JOURNAL_ROWS + 1)
			r = run_format(journal, "DELETE FROM chunk WHERE rowid > %lld AND channel = %d",
				LULL_JOURNAL_ROWS, k);
	for (size_t i = 0; i < rows->gaps.n; i++)
		gap[rows->gaps.at[i].bus] = true;
	for (size_t i = 0; i < rows->edges.n; i++)
		edge[rows->edges.at[i].frame.bus] = true;
	for (int b = 0; b < LULL_BUS_MAX && !r; b++) {
		if (gap[b] && journal->next_open[LULL_TABLE_GAP] > LULL_JOURNAL_ROWS + 1)
			r = run_format(journal, "DELETE FROM gap WHERE rowid > %lld AND bus = %d", LULL_JOURNAL_ROWS, b);
		if (edge[b] && !r && journal->next_open[LULL_TABLE_EDGE] > LULL_JOURNAL_ROWS + 1)
			r = run_format(journal, "DELETE FROM edge WHERE rowid > %lld AND bus = %d", LULL_JOURNAL_ROWS, b);
	}
	return r;
}

static int write_all(struct lull_journal *journal, const struct lull_night *rows, const struct lull_night *open,
	const struct lull_coverage *coverage, size_t coverage_count)
{
	int r = 0;

	if (open)
		for (int i = 0; i < LULL_TABLE_COUNT && !r; i++)
			r = numbered(i) && i != LULL_TABLE_COVERAGE ? clear_open(journal, i) : 0;
	else
		r = end_open(journal, rows);
	if (!r)
		r = put_night(journal, rows, journal->next);
	if (!r && open)
		r = put_night(journal, open, journal->next_open);
	/* Coverage in its place, so that a quiet batch touches one page. */
	int64_t number_of = LULL_JOURNAL_ROWS + 1;

	for (size_t i = 0; i < coverage_count && !r; i++)
		r = put(journal, LULL_TABLE_COVERAGE, &coverage[i], &number_of);
	if (!r && number_of < journal->next_open[LULL_TABLE_COVERAGE])
		r = run_format(journal, "DELETE FROM coverage WHERE rowid >= %lld", number_of);
	journal->next_open[LULL_TABLE_COVERAGE] = number_of;
	return r;
}

int lull_journal_write(struct lull_journal *journal, const struct lull_night *rows, const struct lull_night *open,
	const struct lull_coverage *coverage, size_t coverage_count)
{
	int64_t next[LULL_TABLE_COUNT], next_open[LULL_TABLE_COUNT];
	int r = run(journal->db, "BEGIN IMMEDIATE");

	if (r)
		return r;
	memcpy(next, journal->next, sizeof next);
	memcpy(next_open, journal->next_open, sizeof next_open);
	r = write_all(journal, rows, open, coverage, coverage_count);
	if (!r)
		r = run(journal->db, "COMMIT");
	if (r) {
		/* SQLite may have rolled back by itself. */
		if (!sqlite3_get_autocommit(journal->db))
			(void)run(journal->db, "ROLLBACK");
		memcpy(journal->next, next, sizeof next);
		memcpy(journal->next_open, next_open, sizeof next_open);
	}
	return r;
}

uint64_t lull_journal_written(const struct lull_journal *journal)
{
	return journal->written;
}

const char *lull_journal_path(const struct lull_journal *journal)
{
	return journal->path;
}

/* --- where it lies --- */

int lull_journal_astray(const struct lull_journal *journal)
{
	struct stat written, there;

	if (journal->file < 0 || fstat(journal->file, &written))
		return 0;
	if (stat(journal->path, &there))
		return errno == ENOENT || errno == ENOTDIR ? -ENOENT : 0;
	return there.st_dev == written.st_dev && there.st_ino == written.st_ino ? 0 : -ESTALE;
}

/* A WAL beside another file of that name would be taken for that one's. One that was renamed along with its recording, or that
 * a renamed recording still needs, is left alone. */
static void remove_journals(struct lull_journal *journal, bool whole)
{
	sqlite3_file *wal = NULL;
	struct stat written;
	int moved = 1;

	if (sqlite3_file_control(journal->db, "main", SQLITE_FCNTL_JOURNAL_POINTER, (void *)&wal) == SQLITE_OK && wal && wal->pMethods)
		(void)wal->pMethods->xFileControl(wal, SQLITE_FCNTL_HAS_MOVED, &moved);
	const bool deleted = !fstat(journal->file, &written) && !written.st_nlink;

	if (moved || !(whole || deleted))
		return;
	for (int i = 0; i < 2; i++) {
		char *name = sqlite3_mprintf("%s%s", journal->path, i ? "-shm" : "-wal");

		if (name)
			(void)unlink(name);
		sqlite3_free(name);
	}
}

void lull_journal_leave(struct lull_journal *journal)
{
	int pages = -1, done = -2;

	(void)sqlite3_wal_checkpoint_v2(journal->db, NULL, SQLITE_CHECKPOINT_PASSIVE, &pages, &done);
	remove_journals(journal, pages == done);
	journal_free(journal);
}

/* --- the end --- */

void lull_journal_abandon(struct lull_journal *journal)
{
	journal_free(journal);
}

static int end_session(struct lull_journal *journal, lull_time end)
{
	int r = run(journal->db, "BEGIN IMMEDIATE");

	if (r)
		return r;
	for (int i = 0; i < LULL_TABLE_COUNT && !r; i++)
		if (numbered(i) && i != LULL_TABLE_COVERAGE)
			r = clear_open(journal, i);
	if (!r)
		r = settle_table(journal, LULL_TABLE_COVERAGE);
	if (!r)
		r = run_format(journal, "UPDATE session SET ended_ns = %lld, written = %lld WHERE session = %lld", end,
			(int64_t)journal->written, (int64_t)journal->session);
	if (!r)
		r = run(journal->db, "COMMIT");
	if (r && !sqlite3_get_autocommit(journal->db))
		(void)run(journal->db, "ROLLBACK");
	return r;
}

/* No WAL beside it. Somebody may be reading just now: then it stays, and the recording is whole all the same. */
static int make_one_file(struct lull_journal *journal)
{
	int r;

	for (int i = 0; i < LULL_TABLE_COUNT; i++) {
		(void)sqlite3_finalize(journal->insert[i]);
		journal->insert[i] = NULL;
	}
	r = run(journal->db, "PRAGMA journal_mode = DELETE");
	return r == -EBUSY ? 0 : r;
}

int lull_journal_close(struct lull_journal *journal, lull_time end, char *err, size_t err_size)
{
	int r = end_session(journal, end);

	if (!r)
		r = make_one_file(journal);
	if (r)
		lull_store_say(err, err_size, "%s: cannot be closed: %s", journal->path, sqlite3_errmsg(journal->db));
	journal_free(journal);
	return r;
}
