/* SPDX-License-Identifier: GPL-3.0-or-later */
/* image: see the header. */
#include "image.h"

#include <stdlib.h>
#include <string.h>

static void must(int rc)
{
	if (rc != SQLITE_OK && rc != SQLITE_DONE)
		abort();
}

static sqlite3_stmt *prepare_insert(sqlite3 *db, const struct lull_table *table)
{
	sqlite3_str *sql = sqlite3_str_new(db);
	sqlite3_stmt *stmt;

	sqlite3_str_appendf(sql, "INSERT INTO \"%s\" (", table->name);
	for (size_t i = 0; i < table->column_count; i++)
		sqlite3_str_appendf(sql, "%s%s", i ? ", " : "", table->columns[i].name);
	sqlite3_str_appendall(sql, ") VALUES (");
	for (size_t i = 0; i < table->column_count; i++)
		sqlite3_str_appendall(sql, i ? ", ?" : "?");
	sqlite3_str_appendall(sql, ")");
	char *text = sqlite3_str_finish(sql);

	must(sqlite3_prepare_v2(db, text, -1, &stmt, NULL));
	sqlite3_free(text);
	return stmt;
}

struct filling {
	sqlite3 *db;
	struct image *image;
};

static void put(struct filling *f, enum lull_table_index index, const void *row)
{
	sqlite3_stmt *stmt = prepare_insert(f->db, &lull_tables[index]);

	if (lull_row_bind(stmt, &lull_tables[index], row))
		abort();
	must(sqlite3_step(stmt));
	must(sqlite3_finalize(stmt));
	f->image->rows[index]++;
}

#define PUT_ALL(filling, table, array) \
	for (size_t i = 0; i < (array).n; i++) \
	put((filling), (table), &(array).at[i])

static void fill(struct filling *f, const struct lull_night *night)
{
	for (unsigned i = 0; i < night->bus_count; i++)
		put(f, LULL_TABLE_BUS, &(struct lull_bus_row){(uint8_t)i, night->bus[i]});
	PUT_ALL(f, LULL_TABLE_STRETCH, night->stretches);
	PUT_ALL(f, LULL_TABLE_CADENCE, night->cadences);
	PUT_ALL(f, LULL_TABLE_GAP, night->gaps);
	PUT_ALL(f, LULL_TABLE_CHANGE, night->changes);
	PUT_ALL(f, LULL_TABLE_EDGE, night->edges);
	PUT_ALL(f, LULL_TABLE_COVERAGE, night->coverage);
	PUT_ALL(f, LULL_TABLE_MARK, night->marks);
	PUT_ALL(f, LULL_TABLE_CLOCK, night->clocks);
	PUT_ALL(f, LULL_TABLE_CHUNK, night->chunks);
	if (night->clamp.present)
		put(f, LULL_TABLE_CLAMP, &night->clamp);
}

struct image image_of(const struct lull_night *night)
{
	struct image image = {0};
	struct filling f = {.image = &image};
	char *sql = sqlite3_mprintf(
		"PRAGMA page_size = 512; PRAGMA application_id = %d; PRAGMA user_version = %d; %s BEGIN",
		LULL_APPLICATION_ID, lull_schemas[lull_schema_count - 1].version,
		lull_schemas[lull_schema_count - 1].sql);

	must(sqlite3_open(":memory:", &f.db));
	must(sqlite3_exec(f.db, sql, NULL, NULL, NULL));
	sqlite3_free(sql);
	fill(&f, night);
	must(sqlite3_exec(f.db, "COMMIT", NULL, NULL, NULL));
	image.bytes = sqlite3_serialize(f.db, "main", &image.size, 0);
	if (!image.bytes)
		abort();
	must(sqlite3_close(f.db));
	return image;
}

sqlite3 *image_open(const unsigned char *bytes, size_t size)
{
	sqlite3 *db;
	unsigned char *copy = sqlite3_malloc64(size ? size : 1);

	if (!copy)
		abort();
	must(sqlite3_open(":memory:", &db));
	memcpy(copy, bytes, size);
	must(sqlite3_deserialize(db, "main", copy, (sqlite3_int64)size, (sqlite3_int64)size,
		SQLITE_DESERIALIZE_FREEONCLOSE | SQLITE_DESERIALIZE_RESIZEABLE));
	return db;
}
