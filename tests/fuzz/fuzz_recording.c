/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuzz_recording: a recording from anywhere. Bytes that start as an SQLite file does are taken as one; any others as
 * edits of a good recording, which reach the checks of single values that a broken page never gets to:
 *   table, column, kind of value, then the value (8 bytes, or a length byte and so many bytes). */
#include "store/recording.h"
#include "store/store.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(int rc)
{
	if (rc != SQLITE_OK && rc != SQLITE_DONE)
		abort();
}

static void insert(sqlite3 *db, enum lull_table_index index, const union lull_any_row *row)
{
	const struct lull_table *table = &lull_tables[index];
	sqlite3_str *sql = sqlite3_str_new(db);
	sqlite3_stmt *stmt;

	sqlite3_str_appendf(sql, "INSERT INTO \"%s\" VALUES (", table->name);
	for (size_t i = 0; i < table->column_count; i++)
		sqlite3_str_appendall(sql, i ? ", ?" : "?");
	sqlite3_str_appendall(sql, ")");
	char *text = sqlite3_str_finish(sql);

	must(sqlite3_prepare_v2(db, text, -1, &stmt, NULL));
	must(lull_row_bind(stmt, table, row));
	must(sqlite3_step(stmt));
	must(sqlite3_finalize(stmt));
	sqlite3_free(text);
}

/* Columns are inserted by position above: the descriptions follow the order of the schema. */
static unsigned char *good_recording(sqlite3_int64 *size)
{
	static int32_t samples[] = {1000, LULL_NO_SAMPLE, -7};
	const union lull_any_row rows[LULL_TABLE_COUNT] = {
		[LULL_TABLE_BUS] = {.bus = {0, {.name = "can0", .first = 0, .last = 9}}},
		[LULL_TABLE_STRETCH] =
			{.stretch = {.id = 0x100, .first = 1, .last = 2, .frames = 2, .bins = {3}}},
		[LULL_TABLE_CADENCE] = {.cadence = {.id = 0x100}},
		[LULL_TABLE_GAP] =
			{.gap = {.last = 1, .next = LULL_NEVER, .last_id = 1, .next_id = LULL_ID_NONE}},
		[LULL_TABLE_CHANGE] = {.change = {.id = 0x100, .len = 2}},
		[LULL_TABLE_EDGE] = {.edge = {.copies = 1,
					     .last_copy = 5,
					     .frame = {.t = 5, .id = 0x100, .len = 3}}},
		[LULL_TABLE_COVERAGE] = {.coverage = {.bus = LULL_BUS_ALL, .to = 9}},
		[LULL_TABLE_MARK] = {.mark = {.text = "door"}},
		[LULL_TABLE_CLOCK] = {.clock = {.utc_ns = 5}},
		[LULL_TABLE_CLAMP] = {.clamp = {.present = true, .mV_per_A = 100}},
		[LULL_TABLE_CHUNK] = {.chunk = {.step_ns = LULL_SEC, .count = 3, .uA = samples}},
		[LULL_TABLE_REPAIR] = {.repair = {.utc_ns = 5, .module = "roof", .text = "new plug"}},
	};
	sqlite3 *db;
	char *sql = sqlite3_mprintf(
		"PRAGMA page_size = 512; PRAGMA application_id = %d; PRAGMA user_version = %d; %s"
		"INSERT INTO left_out VALUES ('x'); INSERT INTO text VALUES ('profile', 'y');",
		LULL_APPLICATION_ID, LULL_SCHEMA_VERSION, lull_schemas[lull_schema_count - 1].sql);

	must(sqlite3_open(":memory:", &db));
	must(sqlite3_exec(db, sql, NULL, NULL, NULL));
	sqlite3_free(sql);
	for (int i = 0; i < LULL_TABLE_COUNT; i++)
		insert(db, (enum lull_table_index)i, &rows[i]);
	unsigned char *bytes = sqlite3_serialize(db, "main", size, 0);

	must(sqlite3_close(db));
	return bytes;
}

static sqlite3 *open_bytes(const uint8_t *data, size_t size)
{
	sqlite3 *db;
	unsigned char *copy = sqlite3_malloc64(size);

	must(sqlite3_open(":memory:", &db));
	memcpy(copy, data, size);
	must(sqlite3_deserialize(db, "main", copy, (sqlite3_int64)size, (sqlite3_int64)size,
		SQLITE_DESERIALIZE_FREEONCLOSE | SQLITE_DESERIALIZE_RESIZEABLE));
	return db;
}

struct input {
	const uint8_t *at;
	size_t left;
};

static uint8_t next(struct input *input)
{
	if (!input->left)
		return 0;
	input->left--;
	return *input->at++;
}

static void edit(sqlite3 *db, struct input *input)
{
	const struct lull_table *table = &lull_tables[next(input) % LULL_TABLE_COUNT];
	const struct lull_column *column = &table->columns[next(input) % table->column_count];
	uint8_t kind = next(input), bytes[256] = {0};
	size_t length = kind % 5 < 2 ? 8 : next(input);
	sqlite3_stmt *stmt;

	for (size_t i = 0; i < length; i++)
		bytes[i] = next(input);
	char *sql = sqlite3_mprintf("UPDATE OR IGNORE \"%s\" SET %s = ?", table->name, column->name);

	must(sqlite3_prepare_v2(db, sql, -1, &stmt, NULL));
	sqlite3_free(sql);
	int64_t number;
	double real;

	memcpy(&number, bytes, sizeof(number));
	memcpy(&real, bytes, sizeof(real));
	if (kind % 5 == 0)
		must(sqlite3_bind_int64(stmt, 1, number));
	else if (kind % 5 == 1)
		must(sqlite3_bind_double(stmt, 1, real));
	else if (kind % 5 == 2)
		must(sqlite3_bind_text(stmt, 1, (const char *)bytes, (int)length, SQLITE_TRANSIENT));
	else if (kind % 5 == 3)
		must(sqlite3_bind_blob(stmt, 1, bytes, (int)length, SQLITE_TRANSIENT));
	(void)sqlite3_step(stmt); /* NOT NULL may say no */
	(void)sqlite3_finalize(stmt);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	static unsigned char *good;
	static sqlite3_int64 good_size;
	struct lull_night night;
	char err[512] = "";
	sqlite3 *db;

	if (!good)
		good = good_recording(&good_size);
	if (size >= 15 && !memcmp(data, "SQLite format 3", 15)) {
		db = open_bytes(data, size);
	} else {
		struct input input = {data, size};

		db = open_bytes(good, (size_t)good_size);
		while (input.left)
			edit(db, &input);
	}
	int r = lull_store_load_database(
		db, "fuzz", lull_schemas, lull_schema_count, &night, err, sizeof(err));

	/* A refusal has its message; a night that loads can be used, whatever its values. */
	if (r > 0 || (r && !err[0]) || (!r && night.end < 0))
		abort();
	for (size_t i = 0; !r && i < night.clocks.n; i++)
		(void)lull_night_utc(&night, night.clocks.at[i].t);
	for (size_t i = 0; !r && i < night.stretches.n; i++) {
		(void)lull_fit_ppm(&night.stretches.at[i].fit, night.stretches.at[i].period_ns, NULL);
		(void)lull_fit_residual(&night.stretches.at[i].fit);
	}
	struct lull_series series = {0};

	if (!r && lull_series_from_chunks(night.chunks.at, night.chunks.n, &series))
		abort();
	lull_series_clear(&series);
	lull_night_clear(&night);
	(void)sqlite3_close(db);
	return 0;
}
