/* SPDX-License-Identifier: GPL-3.0-or-later */
/* recording: what the files of this folder share: the schema and its versions, how rows map to columns, errors. */
#ifndef LULL_STORE_RECORDING_H
#define LULL_STORE_RECORDING_H

#include <lull/night.h>
#include <sqlite3.h>

/* --- schema.c --- */

#define LULL_APPLICATION_ID 0x6c756c6c /* "lull", in the file's header at byte 68 */

/* Every schema that was ever published, oldest first; the last one is what is written now. */
struct lull_schema {
	int version; /* PRAGMA user_version */
	const char *sql; /* makes it */
	const char *to_next; /* turns a recording of this version into the next one; NULL for the last */
};
extern const struct lull_schema lull_schemas[];
extern const size_t lull_schema_count;
/* NULL: there is no such version. */
const struct lull_schema *lull_schema_of(
	const struct lull_schema *schemas, size_t schema_count, int64_t version);
/* Brings db from the schema `from` to the last one, step by step, PRAGMA user_version included. In no transaction of its own.
 * SQLite's result. */
LULL_MUST_CHECK int lull_schema_migrate(sqlite3 *db, const struct lull_schema *from);
/* The message for a recording of a newer schema: which lull wrote it, and which lull reads it. */
void lull_schema_say_newer(
	sqlite3 *db, const char *name, int64_t version, int newest, char *err, size_t err_size);

/* 0, or -EBADMSG when a table of the schema is missing in db or was made in another way (a view or a virtual table in
 * its place, computed columns): such a file runs foreign code when it is read. */
LULL_MUST_CHECK int lull_schema_same(sqlite3 *db, const struct lull_schema *, char *what, size_t what_size);

/* --- columns.c and values.c --- */

/* Instants, periods and lengths of time: 0 to this. */
#define LULL_TIME_LIMIT LULL_LONGEST
/* Dates: years 1716 to 2223. Ten years more or less still fit. */
#define LULL_UTC_LIMIT INT64_C(8000000000000000000)
/* Frames and bits of a recording: ten years of the fastest bus have fewer. */
#define LULL_COUNT_LIMIT INT64_C(10000000000000000)
/* Samples of one chunk: as many as a value of SQLite may have bytes for here. */
#define LULL_CHUNK_LIMIT ((uint32_t)1 << 20)
/* Rows of one table that are read at most. */
#define LULL_ROW_LIMIT 2000000

/* What a column holds. Its range is lull_bounds[], for all columns of one kind. */
enum lull_column_kind {
	LULL_COL_BUS, /* uint8_t */
	LULL_COL_BUS_OR_ALL, /* the same, NULL for LULL_BUS_ALL */
	LULL_COL_ID, /* uint32_t, NULL for LULL_ID_NONE */
	LULL_COL_ERROR_OR_ID, /* the same, or error classes where a row's flags say so */
	LULL_COL_TIME, /* int64_t: an instant, a period, a length of time */
	LULL_COL_TIME_OR_NEVER, /* the same, NULL for LULL_NEVER */
	LULL_COL_SHIFT, /* int64_t: a time before or after something */
	LULL_COL_UTC, /* int64_t: a date, ns since 1970 */
	LULL_COL_UINT8, /* up to `limit` */
	LULL_COL_UINT32,
	LULL_COL_BIT_RATE, /* uint32_t */
	LULL_COL_UINT64, /* a count */
	LULL_COL_COUNT, /* the same, NULL for LULL_NOT_COUNTED */
	LULL_COL_BITS64, /* uint64_t as the signed number of the same bits */
	LULL_COL_REAL, /* double: a measured value, seconds */
	LULL_COL_REAL_OR_NAN, /* the same, NULL for NAN */
	LULL_COL_ARRIVALS, /* double: the arrivals that a fit has */
	LULL_COL_SUM, /* double: a sum over a fit's arrivals */
	LULL_COL_WORD, /* uint8_t of an enumeration of `limit` members, by name */
	LULL_COL_TEXT, /* char[limit] */
	LULL_COL_BYTES, /* uint8_t[limit] */
	LULL_COL_BINS, /* uint32_t[LULL_GAP_BINS] as JSON, NULL if all are 0 */
	LULL_COL_FLOOR, /* struct lull_floor, NULL if empty; its times are shifts */
	LULL_COL_FLAG, /* bool */
	LULL_COL_STEP, /* int64_t: a length of time that is not 0 */
	LULL_COL_SAMPLES, /* int32_t * of a struct lull_chunk, `count` of them, low byte first; read: malloc()ed */
	LULL_COL_PAYLOAD, /* data of a struct lull_edge, as long as its length; NULL in a remote frame */
	LULL_COL_KINDS
};

/* Least and most that a column may hold, both included. Nothing else may be read or written: the analysis relies on it. */
struct lull_bounds {
	int64_t least, most; /* whole numbers */
	double real_least, real_most; /* reals, which are finite besides */
};
extern const struct lull_bounds lull_bounds[LULL_COL_KINDS];

struct lull_column {
	const char *name;
	enum lull_column_kind kind;
	size_t offset; /* in the row's struct */
	size_t limit;
	const char *(*word)(int);
};

struct lull_bus_row {
	uint8_t index;
	struct lull_bus bus;
};

union lull_any_row {
	struct lull_bus_row bus;
	struct lull_stretch stretch;
	struct lull_cadence cadence;
	struct lull_gap gap;
	struct lull_change change;
	struct lull_edge edge;
	struct lull_coverage coverage;
	struct lull_mark mark;
	struct lull_clock_map clock;
	struct lull_clamp clamp;
	struct lull_chunk chunk;
	struct lull_repair repair;
};

enum lull_table_index {
	LULL_TABLE_BUS,
	LULL_TABLE_STRETCH,
	LULL_TABLE_CADENCE,
	LULL_TABLE_GAP,
	LULL_TABLE_CHANGE,
	LULL_TABLE_EDGE,
	LULL_TABLE_COVERAGE,
	LULL_TABLE_MARK,
	LULL_TABLE_CLOCK,
	LULL_TABLE_CLAMP,
	LULL_TABLE_CHUNK,
	LULL_TABLE_REPAIR,
	LULL_TABLE_COUNT
};

struct lull_table {
	const char *name;
	const struct lull_column *columns;
	size_t column_count;
	/* What no single column shows; NULL: nothing. */
	bool (*agrees)(const union lull_any_row *);
};
extern const struct lull_table lull_tables[LULL_TABLE_COUNT];

/* Binds all columns of a row, from parameter 1 on. 0, -EINVAL for a value that could not be read back, or the
 * errno of SQLite's answer. */
LULL_MUST_CHECK int lull_row_bind(sqlite3_stmt *, const struct lull_table *, const void *row);
/* Reads the columns of a row, from column 0 on, each against its range. 0, -ENOMEM, or -EBADMSG with the column in *bad
 * (NULL: the columns contradict each other). A chunk's samples are the caller's to free, but not after an error. */
LULL_MUST_CHECK int lull_row_read(
	sqlite3_stmt *, const struct lull_table *, union lull_any_row *row, const char **bad);
/* Control characters and broken UTF-8 -> '?' (a foreign file's texts end up on terminals). */
void lull_text_clean(char *text);

/* --- identity.c --- */

/* The members of struct lull_night_identity, each kept as a named text. */
struct lull_identity_text {
	const char *key;
	size_t offset, size;
	bool uuid;
};
#define LULL_IDENTITY_TEXTS 4
extern const struct lull_identity_text lull_identity_texts[LULL_IDENTITY_TEXTS];

/* --- journal.c --- */

/* In a recording that is being made, rows that are not final have numbers above this one. */
#define LULL_JOURNAL_ROWS (INT64_C(1) << 40)

/* --- errors.c --- */

/* Negative errno for an SQLite result code; 0 for SQLITE_OK, _ROW, _DONE. */
int lull_sqlite_errno(int rc);
/* A message, cut to fit; err may be NULL. */
void lull_store_say(char *err, size_t err_size, const char *format, ...) LULL_PRINTF(3, 4);

/* --- read.c --- */

/* Reads an open database as a recording, for lull_store_load(), tests and fuzzing. `name` stands for the file in messages.
 * Hardens the connection first; db stays the caller's. *night is set up anew, and empty after a failure. */
LULL_MUST_CHECK int lull_store_load_database(sqlite3 *db, const char *name, const struct lull_schema *schemas,
	size_t schema_count, struct lull_night *night, char *err, size_t err_size);

#endif
