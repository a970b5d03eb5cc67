/* SPDX-License-Identifier: GPL-3.0-or-later */
/* values: one row to SQLite and back, column by column, each value against its range. */
#include "recording.h"

#include <endian.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool id_is_valid(int64_t id)
{
	if (id & LULL_ID_EXTENDED)
		return id >= 0 && id <= (int64_t)(LULL_ID_EXTENDED | LULL_ID_BITS);
	return id >= 0 && id <= 0x7ff;
}

/* Only for rows of struct lull_edge, whose flags are read before its ID. */
static bool edge_id_is_valid(const struct lull_frame *frame, int64_t id)
{
	return frame->flags & LULL_FRAME_ERROR ? id >= 0 && id < LULL_ID_NONE : id_is_valid(id);
}

static bool whole_is_valid(enum lull_column_kind kind, int64_t value)
{
	return value >= lull_bounds[kind].least && value <= lull_bounds[kind].most;
}

/* False for NAN too. */
static bool real_is_valid(enum lull_column_kind kind, double value)
{
	return value >= lull_bounds[kind].real_least && value <= lull_bounds[kind].real_most;
}

static bool floor_is_valid(const struct lull_floor *floor)
{
	for (uint32_t k = 0; k < floor->n; k++) {
		if ((k && floor->k[k] <= floor->k[k - 1]) || !whole_is_valid(LULL_COL_SHIFT, floor->r[k]))
			return false;
	}
	return true;
}

/* A member of the row's struct; memcpy, since the compiler must not assume more of a pointer than it knows. */
#define MEMBER(type, name) \
	type name; \
	memcpy(&(name), at, sizeof(name))

/* --- to SQLite --- */

static int bind_bins(sqlite3_stmt *stmt, int i, const uint8_t *at)
{
	char text[LULL_GAP_BINS * 11 + 3];
	size_t length = 0;
	bool any = false;

	for (size_t bin = 0; bin < LULL_GAP_BINS; bin++) {
		uint32_t count;

		memcpy(&count, at + bin * sizeof(count), sizeof(count));
		any |= count != 0;
		length += (size_t)snprintf(
			text + length, sizeof(text) - length, "%c%u", bin ? ',' : '[', (unsigned)count);
	}
	if (!any)
		return sqlite3_bind_null(stmt, i);
	text[length++] = ']';
	return sqlite3_bind_text(stmt, i, text, (int)length, SQLITE_TRANSIENT);
}

#define FLOOR_BYTES 12 /* of one arrival */

static int bind_floor(sqlite3_stmt *stmt, int i, const uint8_t *at)
{
	uint8_t bytes[LULL_FLOOR_MOST * FLOOR_BYTES];
	MEMBER(struct lull_floor, floor);

	if (!floor.n)
		return sqlite3_bind_null(stmt, i);
	if (floor.n > LULL_FLOOR_MOST || !floor_is_valid(&floor))
		return SQLITE_RANGE;
	for (uint32_t k = 0; k < floor.n; k++) {
		const uint32_t index = htole32(floor.k[k]);
		const uint64_t r = htole64((uint64_t)floor.r[k]);

		memcpy(bytes + k * FLOOR_BYTES, &index, sizeof(index));
		memcpy(bytes + k * FLOOR_BYTES + sizeof(index), &r, sizeof(r));
	}
	return sqlite3_bind_blob(stmt, i, bytes, (int)(floor.n * FLOOR_BYTES), SQLITE_TRANSIENT);
}

static int bind_samples(sqlite3_stmt *stmt, int i, const struct lull_chunk *chunk)
{
	if (!chunk->count || chunk->count > LULL_CHUNK_LIMIT || !chunk->uA)
		return SQLITE_RANGE;
	const size_t size = chunk->count * 4u; /* int32, little-endian */
	uint8_t *bytes = malloc(size);

	if (!bytes)
		return SQLITE_NOMEM;
	for (size_t k = 0; k < chunk->count; k++) {
		const uint32_t word = htole32((uint32_t)chunk->uA[k]);

		memcpy(bytes + k * sizeof(word), &word, sizeof(word));
	}
	return sqlite3_bind_blob64(stmt, i, bytes, size, free);
}

static int bind_whole(sqlite3_stmt *stmt, int i, enum lull_column_kind kind, int64_t value)
{
	return whole_is_valid(kind, value) ? sqlite3_bind_int64(stmt, i, value) : SQLITE_RANGE;
}

/* An SQLite result, or SQLITE_RANGE for a value that may not be written. The row stays as it is until the step. */
static int bind_value(sqlite3_stmt *stmt, int i, const struct lull_column *column, const void *row)
{
	const uint8_t *at = (const uint8_t *)row + column->offset;

	switch (column->kind) {
	case LULL_COL_BUS: return bind_whole(stmt, i, column->kind, *at);
	case LULL_COL_BUS_OR_ALL:
		if (*at == LULL_BUS_ALL)
			return sqlite3_bind_null(stmt, i);
		return bind_whole(stmt, i, column->kind, *at);
	case LULL_COL_ID:
	case LULL_COL_ERROR_OR_ID: {
		MEMBER(uint32_t, id);
		if (id == LULL_ID_NONE)
			return sqlite3_bind_null(stmt, i);
		if (column->kind == LULL_COL_ID
				? !id_is_valid(id)
				: !edge_id_is_valid(&((const struct lull_edge *)row)->frame, id))
			return SQLITE_RANGE;
		return sqlite3_bind_int64(stmt, i, id);
	}
	case LULL_COL_TIME:
	case LULL_COL_TIME_OR_NEVER:
	case LULL_COL_SHIFT:
	case LULL_COL_STEP:
	case LULL_COL_UTC:
	case LULL_COL_BITS64: {
		MEMBER(int64_t, value);
		if (column->kind == LULL_COL_TIME_OR_NEVER && value == LULL_NEVER)
			return sqlite3_bind_null(stmt, i);
		return bind_whole(stmt, i, column->kind, value);
	}
	case LULL_COL_UINT8: return *at <= column->limit ? sqlite3_bind_int(stmt, i, *at) : SQLITE_RANGE;
	case LULL_COL_UINT32:
	case LULL_COL_BIT_RATE: {
		MEMBER(uint32_t, value);
		return bind_whole(stmt, i, column->kind, value);
	}
	case LULL_COL_UINT64:
	case LULL_COL_COUNT: {
		MEMBER(uint64_t, value);
		if (column->kind == LULL_COL_COUNT && value == LULL_NOT_COUNTED)
			return sqlite3_bind_null(stmt, i);
		return value <= INT64_MAX ? bind_whole(stmt, i, column->kind, (int64_t)value) : SQLITE_RANGE;
	}
	case LULL_COL_REAL:
	case LULL_COL_REAL_OR_NAN:
	case LULL_COL_ARRIVALS:
	case LULL_COL_SUM: {
		MEMBER(double, value);
		if (column->kind == LULL_COL_REAL_OR_NAN && isnan(value))
			return sqlite3_bind_null(stmt, i);
		return real_is_valid(column->kind, value) ? sqlite3_bind_double(stmt, i, value)
							  : SQLITE_RANGE;
	}
	case LULL_COL_WORD:
		return *at < column->limit ? sqlite3_bind_text(stmt, i, column->word(*at), -1, SQLITE_STATIC)
					   : SQLITE_RANGE;
	case LULL_COL_TEXT: {
		size_t length = strnlen((const char *)at, column->limit);

		return length < column->limit
			? sqlite3_bind_text(stmt, i, (const char *)at, (int)length, SQLITE_STATIC)
			: SQLITE_RANGE;
	}
	case LULL_COL_BYTES: return sqlite3_bind_blob(stmt, i, at, (int)column->limit, SQLITE_STATIC);
	case LULL_COL_BINS: return bind_bins(stmt, i, at);
	case LULL_COL_FLOOR: return bind_floor(stmt, i, at);
	case LULL_COL_FLAG: {
		MEMBER(bool, flag);
		return sqlite3_bind_int(stmt, i, flag);
	}
	case LULL_COL_SAMPLES: return bind_samples(stmt, i, row);
	case LULL_COL_PAYLOAD: {
		const struct lull_frame *frame = &((const struct lull_edge *)row)->frame;

		if (frame->flags & LULL_FRAME_REMOTE)
			return sqlite3_bind_null(stmt, i);
		return frame->len <= sizeof(frame->data)
			? sqlite3_bind_blob(stmt, i, frame->data, frame->len, SQLITE_STATIC)
			: SQLITE_RANGE;
	}
	case LULL_COL_KINDS: break;
	}
	return SQLITE_RANGE;
}

int lull_row_bind(sqlite3_stmt *stmt, const struct lull_table *table, const void *row)
{
	if (table->agrees && !table->agrees(row))
		return -EINVAL;
	for (size_t i = 0; i < table->column_count; i++) {
		int rc = bind_value(stmt, (int)i + 1, &table->columns[i], row);

		if (rc == SQLITE_RANGE)
			return -EINVAL;
		if (rc != SQLITE_OK)
			return lull_sqlite_errno(rc);
	}
	return 0;
}

/* --- from SQLite --- */

static bool read_int(sqlite3_stmt *stmt, int i, int64_t least, int64_t most, int64_t *value)
{
	if (sqlite3_column_type(stmt, i) != SQLITE_INTEGER)
		return false;
	*value = sqlite3_column_int64(stmt, i);
	return *value >= least && *value <= most;
}

static bool read_whole(sqlite3_stmt *stmt, int i, enum lull_column_kind kind, int64_t *value)
{
	return read_int(stmt, i, lull_bounds[kind].least, lull_bounds[kind].most, value);
}

static bool read_u8(sqlite3_stmt *stmt, int i, int64_t most, uint8_t *at)
{
	int64_t value;

	if (!read_int(stmt, i, 0, most, &value))
		return false;
	*at = (uint8_t)value;
	return true;
}

static bool read_u32(sqlite3_stmt *stmt, int i, enum lull_column_kind kind, uint8_t *at)
{
	int64_t value;

	if (!read_whole(stmt, i, kind, &value))
		return false;
	uint32_t narrow = (uint32_t)value;

	memcpy(at, &narrow, sizeof(narrow));
	return true;
}

static bool read_i64(sqlite3_stmt *stmt, int i, enum lull_column_kind kind, uint8_t *at)
{
	int64_t value;

	if (!read_whole(stmt, i, kind, &value))
		return false;
	memcpy(at, &value, sizeof(value));
	return true;
}

static bool read_id(sqlite3_stmt *stmt, int i, const struct lull_frame *edge_frame, uint8_t *at)
{
	int64_t value = LULL_ID_NONE;

	if (sqlite3_column_type(stmt, i) != SQLITE_NULL &&
		!(read_int(stmt, i, 0, UINT32_MAX, &value) &&
			(edge_frame ? edge_id_is_valid(edge_frame, value) : id_is_valid(value))))
		return false;
	uint32_t id = (uint32_t)value;

	memcpy(at, &id, sizeof(id));
	return true;
}

static bool read_real(sqlite3_stmt *stmt, int i, enum lull_column_kind kind, uint8_t *at)
{
	int type = sqlite3_column_type(stmt, i);
	double value = (double)NAN;

	if (type == SQLITE_FLOAT || type == SQLITE_INTEGER)
		value = sqlite3_column_double(stmt, i);
	else if (type != SQLITE_NULL || kind != LULL_COL_REAL_OR_NAN)
		return false;
	if (type != SQLITE_NULL && !real_is_valid(kind, value))
		return false;
	memcpy(at, &value, sizeof(value));
	return true;
}

static bool read_word(sqlite3_stmt *stmt, int i, const struct lull_column *column, uint8_t *at)
{
	const char *text = sqlite3_column_type(stmt, i) == SQLITE_TEXT
		? (const char *)sqlite3_column_text(stmt, i)
		: NULL;

	for (size_t w = 0; text && w < column->limit; w++) {
		if (!strcmp(text, column->word((int)w))) {
			*at = (uint8_t)w;
			return true;
		}
	}
	return false;
}

static bool read_text(sqlite3_stmt *stmt, int i, size_t room, uint8_t *at)
{
	const char *text = sqlite3_column_type(stmt, i) == SQLITE_TEXT
		? (const char *)sqlite3_column_text(stmt, i)
		: NULL;
	size_t length = text ? (size_t)sqlite3_column_bytes(stmt, i) : 0;

	if (!text || length >= room || strlen(text) != length)
		return false;
	memcpy(at, text, length + 1);
	lull_text_clean((char *)at);
	return true;
}

static bool read_bytes(sqlite3_stmt *stmt, int i, size_t length, uint8_t *at)
{
	if (sqlite3_column_type(stmt, i) != SQLITE_BLOB || (size_t)sqlite3_column_bytes(stmt, i) != length)
		return false;
	if (length) {
		const void *bytes = sqlite3_column_blob(stmt, i);

		if (!bytes)
			return false;
		memcpy(at, bytes, length);
	}
	return true;
}

static bool read_bins(sqlite3_stmt *stmt, int i, uint8_t *at)
{
	int type = sqlite3_column_type(stmt, i);

	if (type == SQLITE_NULL) /* the row starts as zeros */
		return true;
	const char *text = type == SQLITE_TEXT ? (const char *)sqlite3_column_text(stmt, i) : NULL;

	for (size_t bin = 0; text && bin < LULL_GAP_BINS; bin++) {
		uint64_t count = 0;

		if (*text++ != (bin ? ',' : '[') || *text < '0' || *text > '9')
			return false;
		for (; *text >= '0' && *text <= '9'; text++) {
			count = count * 10 + (uint64_t)(*text - '0');
			if (count > UINT32_MAX)
				return false;
		}
		uint32_t narrow = (uint32_t)count;

		memcpy(at + bin * sizeof(narrow), &narrow, sizeof(narrow));
	}
	return text && !strcmp(text, "]");
}

static bool read_floor(sqlite3_stmt *stmt, int i, uint8_t *at)
{
	struct lull_floor floor = {0};

	if (sqlite3_column_type(stmt, i) == SQLITE_NULL) /* the row starts as zeros */
		return true;
	size_t size = sqlite3_column_type(stmt, i) == SQLITE_BLOB ? (size_t)sqlite3_column_bytes(stmt, i) : 0;

	if (!size || size % FLOOR_BYTES || size > LULL_FLOOR_MOST * FLOOR_BYTES)
		return false;
	const uint8_t *bytes = sqlite3_column_blob(stmt, i);

	if (!bytes)
		return false;
	for (; floor.n * FLOOR_BYTES < size; floor.n++) {
		uint32_t index;
		uint64_t r;

		memcpy(&index, bytes + floor.n * FLOOR_BYTES, sizeof(index));
		memcpy(&r, bytes + floor.n * FLOOR_BYTES + sizeof(index), sizeof(r));
		floor.k[floor.n] = le32toh(index);
		floor.r[floor.n] = (int64_t)le64toh(r);
	}
	if (!floor_is_valid(&floor))
		return false;
	memcpy(at, &floor, sizeof(floor));
	return true;
}

/* chunk->count has been read before. */
static int read_samples(sqlite3_stmt *stmt, int i, struct lull_chunk *chunk)
{
	if (sqlite3_column_type(stmt, i) != SQLITE_BLOB || !chunk->count || chunk->count > LULL_CHUNK_LIMIT ||
		(size_t)sqlite3_column_bytes(stmt, i) != chunk->count * sizeof(int32_t))
		return -EBADMSG;
	const uint8_t *bytes = sqlite3_column_blob(stmt, i);

	chunk->uA = bytes ? malloc(chunk->count * sizeof(int32_t)) : NULL;
	if (!chunk->uA)
		return -ENOMEM;
	for (size_t k = 0; k < chunk->count; k++) {
		uint32_t word;

		memcpy(&word, bytes + k * sizeof(word), sizeof(word));
		chunk->uA[k] = (int32_t)le32toh(word);
	}
	return 0;
}

static bool read_flag(sqlite3_stmt *stmt, int i, uint8_t *at)
{
	uint8_t value;

	if (!read_u8(stmt, i, lull_bounds[LULL_COL_FLAG].most, &value))
		return false;
	const bool flag = value == 1;

	memcpy(at, &flag, sizeof(flag));
	return true;
}

static bool read_value(sqlite3_stmt *stmt, int i, const struct lull_column *column, union lull_any_row *row)
{
	uint8_t *at = (uint8_t *)row + column->offset;
	bool null = sqlite3_column_type(stmt, i) == SQLITE_NULL;

	switch (column->kind) {
	case LULL_COL_BUS_OR_ALL:
		if (null) {
			*at = LULL_BUS_ALL;
			return true;
		}
		return read_u8(stmt, i, lull_bounds[column->kind].most, at);
	case LULL_COL_BUS: return read_u8(stmt, i, lull_bounds[column->kind].most, at);
	case LULL_COL_ID: return read_id(stmt, i, NULL, at);
	case LULL_COL_ERROR_OR_ID: return read_id(stmt, i, &row->edge.frame, at);
	case LULL_COL_TIME_OR_NEVER:
		if (null) {
			const lull_time never = LULL_NEVER;

			memcpy(at, &never, sizeof(never));
			return true;
		}
		return read_i64(stmt, i, column->kind, at);
	case LULL_COL_TIME:
	case LULL_COL_SHIFT:
	case LULL_COL_STEP:
	case LULL_COL_UTC:
	case LULL_COL_UINT64:
	case LULL_COL_BITS64: return read_i64(stmt, i, column->kind, at);
	case LULL_COL_UINT8: return read_u8(stmt, i, (int64_t)column->limit, at);
	case LULL_COL_COUNT:
		if (null) {
			const uint64_t not_counted = LULL_NOT_COUNTED;

			memcpy(at, &not_counted, sizeof(not_counted));
			return true;
		}
		return read_i64(stmt, i, column->kind, at);
	case LULL_COL_UINT32:
	case LULL_COL_BIT_RATE: return read_u32(stmt, i, column->kind, at);
	case LULL_COL_REAL:
	case LULL_COL_REAL_OR_NAN:
	case LULL_COL_ARRIVALS:
	case LULL_COL_SUM: return read_real(stmt, i, column->kind, at);
	case LULL_COL_WORD: return read_word(stmt, i, column, at);
	case LULL_COL_TEXT: return read_text(stmt, i, column->limit, at);
	case LULL_COL_BYTES: return read_bytes(stmt, i, column->limit, at);
	case LULL_COL_BINS: return read_bins(stmt, i, at);
	case LULL_COL_FLOOR: return read_floor(stmt, i, at);
	case LULL_COL_FLAG: return read_flag(stmt, i, at);
	case LULL_COL_SAMPLES: break; /* see lull_row_read(): it can run out of memory */
	case LULL_COL_KINDS: break;
	case LULL_COL_PAYLOAD: {
		const struct lull_frame *frame = &row->edge.frame;

		return frame->flags & LULL_FRAME_REMOTE ? null : read_bytes(stmt, i, frame->len, at);
	}
	}
	return false;
}

int lull_row_read(
	sqlite3_stmt *stmt, const struct lull_table *table, union lull_any_row *row, const char **bad)
{
	memset(row, 0, sizeof(*row));
	int r = 0;
	size_t i;

	for (i = 0; !r && i < table->column_count; i++) {
		if (table->columns[i].kind == LULL_COL_SAMPLES)
			r = read_samples(stmt, (int)i, &row->chunk);
		else if (!read_value(stmt, (int)i, &table->columns[i], row))
			r = -EBADMSG;
	}
	if (r) {
		*bad = table->columns[i - 1].name;
	} else if (table->agrees && !table->agrees(row)) {
		*bad = NULL;
		r = -EBADMSG;
	}
	if (r && table == &lull_tables[LULL_TABLE_CHUNK])
		free(row->chunk.uA);
	return r;
}

/* Length of the UTF-8 sequence at s, 0 if it is none (overlong, surrogate, above U+10FFFF, or C1 control). */
static size_t utf8_length(const unsigned char *s)
{
	size_t length = s[0] < 0x80	      ? 1
		: s[0] >= 0xc2 && s[0] < 0xe0 ? 2
		: s[0] >= 0xe0 && s[0] < 0xf0 ? 3
		: s[0] >= 0xf0 && s[0] < 0xf5 ? 4
					      : 0;

	for (size_t i = 1; i < length; i++) {
		if ((s[i] & 0xc0) != 0x80) /* the terminator is none either */
			return 0;
	}
	if ((s[0] == 0xc2 && s[1] < 0xa0) || (s[0] == 0xe0 && s[1] < 0xa0) ||
		(s[0] == 0xed && s[1] >= 0xa0) || (s[0] == 0xf0 && s[1] < 0x90) ||
		(s[0] == 0xf4 && s[1] >= 0x90))
		return 0;
	return length;
}

void lull_text_clean(char *text)
{
	for (unsigned char *s = (unsigned char *)text; *s;) {
		size_t length = utf8_length(s);

		if (!length || *s < 0x20 || *s == 0x7f) {
			*s++ = '?';
			continue;
		}
		s += length;
	}
}
