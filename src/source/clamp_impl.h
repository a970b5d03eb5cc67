/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clamp_impl: what the files of the clamp's log share; for the files of src/source only. */
#ifndef LULL_SOURCE_CLAMP_IMPL_H
#define LULL_SOURCE_CLAMP_IMPL_H

#include <source/clamp.h>
#include <source/lines.h>

/* --- clamp_cell.c: numbers and units --- */

enum clamp_cell { CELL_NUMBER, CELL_OVER, CELL_UNDER, CELL_EMPTY, CELL_BAD };
/* One value: "-12.5", "1,5", "3.1E-2", "12.5 mV" (then *unit is set), "OL", "". comma: a comma is a decimal sign too. */
enum clamp_cell clamp_cell(const char *text, size_t n, bool comma, double *value, enum lull_clamp_unit *unit);
/* Microamperes for one of the unit; mV_per_A for voltages. 0: a voltage without a scale. */
double clamp_uA_per(enum lull_clamp_unit, double mV_per_A);
bool clamp_is_voltage(enum lull_clamp_unit);

/* --- clamp_time.c: stamps --- */

enum clamp_time_kind { CLAMP_TIME_NONE, CLAMP_TIME_NUMBER, CLAMP_TIME_CLOCK, CLAMP_TIME_DATE };

struct clamp_time {
	enum clamp_time_kind kind;
	enum lull_time_unit unit; /* of numbers */
	bool epoch; /* numbers that count from 1970 */
	enum lull_date_order order;
	int64_t resolution; /* ns: what the finest stamp so far was written to */
	/* clocks without dates */
	int64_t clock_last, days;
	bool any_clock;
	/* dates without a zone: the hour at hand by the local rules */
	int hour_key; /* hours since 1970 as written; -1 none */
	int64_t hour_utc, hour_last;
	bool fixed; /* the log does not follow the summer time */
	int64_t fixed_offset;
};
/* Which kind a text is, CLAMP_TIME_NONE if none. */
enum clamp_time_kind clamp_time_kind(const char *text, size_t n);
/* The stamp in ns, midnight passed. -EINVAL: no stamp of this kind; -EDOM: day and month cannot be told apart. */
LULL_MUST_CHECK int clamp_time(struct clamp_time *, const char *text, size_t n, int64_t *ns);

/* --- clamp_header.c: columns --- */

struct clamp_layout {
	char delimiter;
	bool comma; /* a comma is a decimal sign too */
	int date, time, value, unit_column; /* -1 none */
	enum lull_clamp_unit unit;
	enum lull_time_unit time_unit;
	bool has_header;
	unsigned columns; /* of the header */
};

#define CLAMP_FIELDS 64
struct clamp_fields {
	unsigned n; /* those beyond CLAMP_FIELDS are counted only */
	const char *at[CLAMP_FIELDS];
	size_t size[CLAMP_FIELDS];
};
/* Blanks and quotes taken off. */
void clamp_split(const char *line, size_t n, char delimiter, struct clamp_fields *);
/* Finds delimiter, header and columns in the first lines. *skip: lines before the first sample. 0 or -EINVAL with a message. */
LULL_MUST_CHECK int clamp_layout(const char *name, const uint8_t *head, size_t size, const struct lull_clamp_options *,
	struct clamp_layout *, unsigned *skip, char *err, size_t err_size);

/* --- clamp_grid.c: samples to chunks --- */

#define CLAMP_CHUNK_MOST 65536 /* samples of one chunk */
#define CLAMP_CHUNK_NS (300 * LULL_SEC)
#define CLAMP_LOOK 64 /* samples looked ahead for the step */

struct clamp_grid {
	int32_t *uA; /* CLAMP_CHUNK_MOST */
	int64_t tau, last; /* of the chunk's first and last sample */
	uint32_t count;
	int64_t step; /* the usual one, ns; 0 not known yet */
	double low, high; /* steps that put every sample of the chunk near enough */
};
/* Takes samples t[0..n) while they fit the chunk; returns how many. `look` >= n: so many may be looked at for the step. A return
 * below n means that the chunk is full: clamp_grid_take() it. resolution: what stamps are written to, ns. */
size_t clamp_grid_put(
	struct clamp_grid *, const int64_t *t, const int32_t *uA, size_t n, size_t look, int64_t resolution);
/* The chunk so far; false if it is empty. The grid starts anew. */
bool clamp_grid_take(struct clamp_grid *, struct lull_chunk *);

#endif
