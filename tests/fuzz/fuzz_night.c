/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuzz_night: a changed recording, judged and told in every form. Bytes that start as an SQLite file does are taken as a recording; any
 * others begin with which of a few good nights they change (1 byte), and what is asked of it (1), then hold edits of its rows:
 *   operation, table, row (2 bytes), column, and what the operation takes. */
#include "../nights/every_form.h"
#include "../nights/image.h"
#include "../nights/nights.h"
#include "store/store.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#define MOST_EDITS 48
#define IDS 10 /* kept of a night, so that an input takes milliseconds */
#define SAMPLES 120 /* of a chunk */
#define ROWS 40 /* of one ID, and of a bus's silences */

static const struct {
	const char *scenario;
	double hours;
	bool clamp, live,
		nodes; /* live: its log needs no lining up, which takes ten times as long as all else */
} scenarios[] = {
	{"nm-asks", 0.7, true, true, false},
	{"wakes-two-nodes", 1.5, true, true, true},
	{"pull-wrong-first", 0, true, true, false},
	{"gateway-relays", 1, false, false, true},
	{"ring-holds", 0.5, false, false, false},
	{"zero-marks", 1, true, false, false},
};
#define BASES (sizeof scenarios / sizeof scenarios[0])

struct base {
	struct image image;
	struct lull_night night;
	struct lull_profile profile;
	struct lull_verdict verdict;
};

static void must(bool good)
{
	if (!good)
		abort();
}

/* --- good nights --- */

struct kept {
	uint32_t id[IDS];
	unsigned rows[IDS], n;
};

static bool keep(struct kept *k, uint32_t id, bool add)
{
	unsigned i = 0;

	while (i < k->n && k->id[i] != id)
		i++;
	if (i == k->n && (!add || i == IDS))
		return false;
	if (i == k->n)
		k->id[k->n++] = id;
	return k->rows[i]++ < ROWS;
}

#define THIN(array, keeps) \
	do { \
		size_t kept_ = 0; \
		for (size_t i = 0; i < (array).n; i++) \
			if (keeps) \
				(array).at[kept_++] = (array).at[i]; \
		(array).n = kept_; \
	} while (0)

/* Some of the IDs, and of each some rows. */
static void thin(struct lull_night *n)
{
	struct kept stretches = {0}, silences = {0};

	THIN(n->stretches, keep(&stretches, n->stretches.at[i].id, true));
	struct kept cadences = stretches, changes = stretches, edges = stretches;

	memset(cadences.rows, 0, sizeof cadences.rows);
	memset(changes.rows, 0, sizeof changes.rows);
	memset(edges.rows, 0, sizeof edges.rows);
	THIN(n->cadences, keep(&cadences, n->cadences.at[i].id, false));
	THIN(n->changes, keep(&changes, n->changes.at[i].id, false));
	THIN(n->edges, keep(&edges, n->edges.at[i].frame.id, false));
	THIN(n->gaps, keep(&silences, n->gaps.at[i].bus, true));
	for (size_t i = 0; i < n->chunks.n; i++)
		n->chunks.at[i].count = n->chunks.at[i].count < SAMPLES ? n->chunks.at[i].count : SAMPLES;
}

static void make(struct base *b, size_t which)
{
	const struct lull_sim_options options = {.scenario = scenarios[which].scenario,
		.seed = 5,
		.hours = scenarios[which].hours,
		.with_profile_nodes = scenarios[which].nodes};
	struct lull_question ask = lull_question_default();
	struct lull_sim_night sim;
	struct sized size;
	char err[512];

	lull_night_init(&b->night);
	must(!nights_make(&options, scenarios[which].clamp, &sim, &b->night, &size));
	must(!lull_profile_parse_text(
		"profile", sim.profile, strlen(sim.profile), &b->profile, err, sizeof err));
	thin(&b->night);
	b->night.clamp.live = scenarios[which].live;
	b->image = image_of(&b->night);
	ask.profile = &b->profile;
	must(!lull_judge(&b->night, &ask, &b->verdict));
	lull_sim_clear(&sim);
}

/* Made when it is first wanted. */
static const struct base *base(size_t which)
{
	static struct base bases[BASES];

	if (!bases[which].image.bytes)
		make(&bases[which], which);
	return &bases[which];
}

/* --- edits --- */

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

static uint64_t number(struct input *input, unsigned bytes)
{
	uint64_t value = 0;

	for (unsigned i = 0; i < bytes; i++)
		value |= (uint64_t)next(input) << 8 * i;
	return value;
}

/* Two bytes, and by how many bits they are shifted: any size of step. */
static int64_t step(struct input *input)
{
	const int64_t part = (int16_t)number(input, 2);

	return part * (INT64_C(1) << next(input) % 48);
}

/* The ends of what the column may hold, and what lies about them. */
static int64_t end_of_range(const struct lull_column *column, uint8_t which)
{
	const struct lull_bounds *b = &lull_bounds[column->kind];
	const int64_t ends[] = {b->least, b->most, b->most / 2, 0, 1, (int64_t)column->limit};

	return ends[which % (sizeof ends / sizeof ends[0])];
}

enum operation {
	STEP_BY,
	SET_STEP,
	SET_END,
	SET_WHOLE,
	SET_REAL,
	SET_NULL,
	SET_BYTES,
	SET_TEXT,
	COPY,
	REMOVE,
	DOUBLE_ROW,
	OPERATIONS
};

#define OF_THE_ROW " WHERE ?1 < 0 OR rowid = ?1"
#define SET_VALUE "UPDATE OR IGNORE \"%w\" SET \"%w\" = ?3" OF_THE_ROW

static char *statement(enum operation op, const char *table, const char *column)
{
	switch (op) {
	case STEP_BY:
		return sqlite3_mprintf(
			"UPDATE OR IGNORE \"%w\" SET \"%w\" = \"%w\" + ?3" OF_THE_ROW, table, column, column);
	case COPY:
		return sqlite3_mprintf("UPDATE OR IGNORE \"%w\" SET \"%w\" = (SELECT b.\"%w\" FROM \"%w\" b "
				       "WHERE b.rowid = ?2)" OF_THE_ROW,
			table, column, column, table);
	case REMOVE: return sqlite3_mprintf("DELETE FROM \"%w\" WHERE rowid = ?1", table);
	case DOUBLE_ROW:
		return sqlite3_mprintf(
			"INSERT OR IGNORE INTO \"%w\" SELECT * FROM \"%w\" WHERE rowid = ?1", table, table);
	case SET_STEP:
	case SET_END:
	case SET_WHOLE:
	case SET_REAL:
	case SET_NULL:
	case SET_BYTES:
	case SET_TEXT: return sqlite3_mprintf(SET_VALUE, table, column);
	case OPERATIONS: break;
	}
	abort();
}

static void bind(sqlite3_stmt *stmt, enum operation op, const struct lull_column *column, struct input *input)
{
	uint8_t bytes[256] = {0};
	double real;
	uint64_t word;
	int length;

	switch (op) {
	case STEP_BY:
	case SET_STEP: (void)sqlite3_bind_int64(stmt, 3, step(input)); break;
	case SET_END: (void)sqlite3_bind_int64(stmt, 3, end_of_range(column, next(input))); break;
	case SET_WHOLE: (void)sqlite3_bind_int64(stmt, 3, (int64_t)number(input, 8)); break;
	case SET_REAL:
		word = number(input, 8);
		memcpy(&real, &word, sizeof real);
		(void)sqlite3_bind_double(stmt, 3, real);
		break;
	case SET_BYTES:
	case SET_TEXT:
		length = next(input);
		for (int i = 0; i < length; i++)
			bytes[i] = next(input);
		if (op == SET_BYTES)
			(void)sqlite3_bind_blob(stmt, 3, bytes, length, SQLITE_TRANSIENT);
		else
			(void)sqlite3_bind_text(stmt, 3, (const char *)bytes, length, SQLITE_TRANSIENT);
		break;
	case SET_NULL:
	case COPY:
	case REMOVE:
	case DOUBLE_ROW:
	case OPERATIONS: break;
	}
}

static void edit(sqlite3 *db, const struct image *image, struct input *input)
{
	const enum operation op = (enum operation)(next(input) % OPERATIONS);
	const int index = next(input) % LULL_TABLE_COUNT;
	const uint64_t row = number(input, 2);
	const struct lull_column *column =
		&lull_tables[index].columns[next(input) % lull_tables[index].column_count];
	const uint64_t rows = (uint64_t)image->rows[index] + 4; /* some may have been added */
	char *sql = statement(op, lull_tables[index].name, column->name);
	sqlite3_stmt *stmt;

	must(sqlite3_prepare_v2(db, sql, -1, &stmt, NULL) == SQLITE_OK);
	sqlite3_free(sql);
	(void)sqlite3_bind_int64(stmt, 1, row == UINT16_MAX ? -1 : (int64_t)(row % rows) + 1);
	if (op == COPY)
		(void)sqlite3_bind_int64(stmt, 2, (int64_t)(number(input, 2) % rows) + 1);
	bind(stmt, op, column, input);
	(void)sqlite3_step(stmt); /* NOT NULL may say no */
	(void)sqlite3_finalize(stmt);
}

/* --- what is asked --- */

static void ask(struct every_form *how, struct lull_question *q, const struct base *b, uint8_t what)
{
	*q = lull_question_default();
	*how = (struct every_form){.ask = q, .profile = &b->profile, .look = what >> 5};
	if (what & 1)
		q->profile = &b->profile;
	if (what & 2) {
		q->capacity_Ah = 70;
		q->flat_after_h = 30;
	}
	if (what & 4)
		q->key_off = b->night.end / 8;
	if (what & 8)
		q->limit_sleep_s = 60;
	if (what & 16) {
		how->good = &b->night;
		how->good_verdict = &b->verdict;
	}
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	struct input input = {data, size};
	struct lull_question q;
	struct every_form how;
	struct lull_night night;
	char err[512] = "";
	sqlite3 *db;

	if (size >= 15 && !memcmp(data, "SQLite format 3", 15)) {
		db = image_open(data, size);
		ask(&how, &q, base(0), 0);
	} else {
		const struct base *b = base(next(&input) % BASES);

		db = image_open(b->image.bytes, (size_t)b->image.size);
		ask(&how, &q, b, next(&input));
		for (int i = 0; i < MOST_EDITS && input.left; i++)
			edit(db, &b->image, &input);
	}
	int r = lull_store_load_database(
		db, "fuzz", lull_schemas, lull_schema_count, &night, err, sizeof err);

	must(r <= 0 && (!r || err[0]));
	if (!r)
		every_form(&night, &how);
	lull_night_clear(&night);
	(void)sqlite3_close(db);
	return 0;
}
