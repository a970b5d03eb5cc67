/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clamp: the log of a DC clamp, line by line into blocks of samples, and from these into chunks. */
#include <source/clamp_impl.h>

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#define BLOCK 8192 /* samples read ahead */
#define SET_LINES 64 /* in a row behind the latest instant, or years ahead of it: the clock was set, and this is no straggler */
#define JUMP (10 * LULL_SEC) /* a stamp so far ahead may be a slip, if the next ones go on as before it */
#define SLIP_MOST 2 /* samples of a slip */

struct lull_clamp_log {
	char *name;
	struct lull_stream *stream;
	struct lull_lines lines;
	struct clamp_layout layout;
	struct clamp_time time;
	struct lull_clamp_options told;
	enum lull_clamp_unit unit; /* of the line at hand */
	enum lull_clamp_unit first_unit;
	double uA_per; /* of it, direction in it */
	int32_t full_scale;
	double range_A;
	int last_column; /* that is looked at */
	char unit_text[16]; /* of the unit column, as last understood */

	int64_t t[BLOCK];
	int32_t uA[BLOCK];
	size_t at, n;
	bool ended;
	struct clamp_grid grid;

	bool any;
	int64_t first, last;
	uint64_t samples, skipped, overloads;
	unsigned behind; /* lines in a row that lie before `last` */
	uint64_t behind_line;
	unsigned ahead; /* lines in a row that lie years ahead of it */
	uint64_t ahead_line;
	/* The latest jump ahead: where in the block, and what came before. */
	size_t jump_at;
	int64_t before_jump;
	uint64_t jump_line;
	bool jumped;
	char *first_skip, *damage;
	char note[320];
};

struct lull_clamp_options lull_clamp_options_default(void)
{
	return (struct lull_clamp_options){.mV_per_A = (double)NAN, .range_A = (double)NAN};
}

/* --- what is said of the log --- */

LULL_PRINTF(2, 3) static char *say(const struct lull_clamp_log *log, const char *format, ...)
{
	char text[600];
	char *out;
	va_list list;
	va_start(list, format);
	(void)vsnprintf(text, sizeof text, format, list);
	va_end(list);
	return asprintf(&out, "%s:%s", log->name, text) < 0 ? NULL : out;
}

static void note(struct lull_clamp_log *log, const char *text)
{
	const size_t n = strlen(log->note);
	(void)snprintf(log->note + n, sizeof log->note - n, "%s%s", n ? "; " : "", text);
}

enum skip { SKIP_SHORT, SKIP_TIME, SKIP_ORDER, SKIP_VALUE, SKIP_EMPTY, SKIP_HUGE, SKIP_BEHIND, SKIP_SLIP, SKIP_LONG };

static void skip(struct lull_clamp_log *log, enum skip why, uint64_t line, const char *cell, size_t n)
{
	char shown[44];
	size_t k = n < 40 ? n : 40;
	log->skipped++;
	if (log->first_skip)
		return;
	memcpy(shown, cell, k);
	shown[k] = 0;
	switch (why) {
	case SKIP_SHORT:
		log->first_skip = say(log, "%" PRIu64 ": has too few fields: \"%s\"", line, shown);
		break;
	case SKIP_TIME:
		log->first_skip = say(log, "%" PRIu64 ": \"%s\" is no time like those before it", line, shown);
		break;
	case SKIP_ORDER:
		log->first_skip = say(log,
			"%" PRIu64 ": in \"%s\" day and month cannot be told apart; --clamp-columns order=dmy or order=mdy says it",
			line, shown);
		break;
	case SKIP_VALUE:
		log->first_skip = say(log, "%" PRIu64 ": \"%s\" is not a number", line, shown);
		break;
	case SKIP_EMPTY:
		log->first_skip = say(log, "%" PRIu64 ": has no reading (\"%s\")", line, shown);
		break;
	case SKIP_HUGE:
		log->first_skip = say(log, "%" PRIu64 ": %s is more current than any clamp shows (2147 A)", line, shown);
		break;
	case SKIP_BEHIND:
		log->first_skip = say(log, "%" PRIu64 ": the time %s lies before that of a line above", line, shown);
		break;
	case SKIP_SLIP:
		log->first_skip = say(log, "%" PRIu64 ": its time lies ahead of the lines that follow it", line);
		break;
	case SKIP_LONG:
		log->first_skip = say(log, "%" PRIu64 ": the line is longer than %d bytes", line, LULL_LINE_MAX);
		break;
	}
}

/* --- samples --- */

static void push(struct lull_clamp_log *log, int64_t t, int32_t uA)
{
	if (!log->any) {
		log->any = true;
		log->first = log->last = t;
	}
	if (t - log->last > JUMP) {
		log->jumped = true;
		log->jump_at = log->n;
		log->before_jump = log->last;
		log->jump_line = log->lines.number;
	}
	log->t[log->n] = t - log->first;
	log->uA[log->n++] = uA;
	log->last = t;
	log->samples += uA != LULL_NO_SAMPLE;
}

/* A sample or two from the future are a slip of the clock where what follows goes on from before them. */
static bool undo_slip(struct lull_clamp_log *log, int64_t t)
{
	if (!log->jumped || log->jump_at < log->at || log->n - log->jump_at > SLIP_MOST || t <= log->before_jump)
		return false;
	for (size_t i = log->jump_at; i < log->n; i++) {
		log->samples -= log->uA[i] != LULL_NO_SAMPLE;
		skip(log, SKIP_SLIP, log->jump_line, "", 0);
	}
	log->n = log->jump_at;
	log->last = log->before_jump;
	log->jumped = false;
	return true;
}

static void set_unit(struct lull_clamp_log *log, enum lull_clamp_unit unit)
{
	log->unit = unit;
	log->uA_per = clamp_uA_per(unit, log->told.mV_per_A) * (log->told.invert ? -1 : 1);
}

/* What the line's own unit says, and whether it can be used. */
static bool unit_of_line(struct lull_clamp_log *log, const struct clamp_fields *f)
{
	if (log->layout.unit_column < 0 || log->told.unit != LULL_CLAMP_UNIT_AUTO)
		return true;
	const unsigned c = (unsigned)log->layout.unit_column;
	enum lull_clamp_unit unit;
	if (c >= f->n || c >= CLAMP_FIELDS)
		return false;
	if (f->size[c] < sizeof log->unit_text && f->size[c] == strlen(log->unit_text) &&
		!memcmp(f->at[c], log->unit_text, f->size[c]))
		return true;
	if (lull_clamp_unit_parse(f->at[c], f->size[c], &unit) < 0)
		return false;
	if (f->size[c] < sizeof log->unit_text) {
		memcpy(log->unit_text, f->at[c], f->size[c]);
		log->unit_text[f->size[c]] = 0;
	}
	set_unit(log, unit);
	return true;
}

/* Microamperes of one cell; false: it is no reading. */
static bool reading(struct lull_clamp_log *log, const char *cell, size_t n, int32_t *uA)
{
	enum lull_clamp_unit unit = log->unit;
	double value;
	bool over = false, under = false;
	*uA = LULL_NO_SAMPLE;
	switch (clamp_cell(cell, n, log->layout.comma, &value, &unit)) {
	case CELL_NUMBER: break;
	case CELL_OVER: over = true; break;
	case CELL_UNDER: under = true; break;
	case CELL_EMPTY: skip(log, SKIP_EMPTY, log->lines.number, cell, n); return false;
	case CELL_BAD: skip(log, SKIP_VALUE, log->lines.number, cell, n); return false;
	}
	if (over || under) {
		*uA = over != log->told.invert ? log->full_scale : -log->full_scale;
		log->overloads++;
		return true;
	}
	double per = log->uA_per;
	if (unit != log->unit)
		per = clamp_uA_per(unit, log->told.mV_per_A) * (log->told.invert ? -1 : 1);
	const double x = value * per;
	if (per == 0 || !(fabs(x) < 2147483000.0)) {
		skip(log, per == 0 ? SKIP_VALUE : SKIP_HUGE, log->lines.number, cell, n);
		return false;
	}
	*uA = (int32_t)lrint(x);
	if (abs(*uA) >= log->full_scale)
		log->overloads++;
	return true;
}

/* The fields up to the last column that counts; the quick way for lines without quotes. */
static void split(const struct lull_clamp_log *log, const char *line, size_t n, struct clamp_fields *f)
{
	const char *p = line, *const end = line + n;
	if (memchr(line, '"', n)) {
		clamp_split(line, n, log->layout.delimiter, f);
		return;
	}
	const char delimiter = log->layout.delimiter;
	f->n = 0;
	while ((int)f->n <= log->last_column) {
		const char *from = p;
		while (p < end && *p != delimiter)
			p++;
		f->at[f->n] = from;
		f->size[f->n++] = (size_t)(p - from);
		if (p == end)
			return;
		p++;
	}
}

static int stamp(struct lull_clamp_log *log, const struct clamp_fields *f, int64_t *t)
{
	const int time = log->layout.time, date = log->layout.date;
	char both[96];
	if (date < 0)
		return clamp_time(&log->time, f->at[time], f->size[time], t);
	const int n = snprintf(both, sizeof both, "%.*s %.*s", (int)(f->size[date] < 40 ? f->size[date] : 40), f->at[date],
		(int)(f->size[time] < 40 ? f->size[time] : 40), f->at[time]);
	return clamp_time(&log->time, both, (size_t)n, t);
}

static void end_where_set(struct lull_clamp_log *log, unsigned lines, const char *how, uint64_t line)
{
	if (lines != SET_LINES)
		return;
	log->damage = say(log,
		"%" PRIu64 ": the clock is set %s here and goes on from there; the log was read up to this line: "
		"cut it in two and import the part that holds the night",
		line, how);
	log->ended = true;
}

/* A stamp before the latest one: a slip is undone, stragglers are passed over, a clock that was set ends the log. */
static bool behind(struct lull_clamp_log *log, const struct clamp_fields *f, int64_t t)
{
	const int time = log->layout.time;
	if (undo_slip(log, t))
		return false;
	if (!log->behind++)
		log->behind_line = log->lines.number;
	skip(log, SKIP_BEHIND, log->lines.number, f->at[time], f->size[time]);
	end_where_set(log, log->behind, "back", log->behind_line);
	return true;
}

/* A stamp further ahead than a recording may last: a slip, or a clock that was set. */
static void ahead(struct lull_clamp_log *log)
{
	if (!log->ahead++)
		log->ahead_line = log->lines.number;
	skip(log, SKIP_SLIP, log->lines.number, "", 0);
	end_where_set(log, log->ahead, "ahead by years", log->ahead_line);
}

static void take_line(struct lull_clamp_log *log, const char *line, size_t n)
{
	struct clamp_fields f;
	int64_t t;
	int32_t uA;
	if (!n || (n == 1 && *line == '\r') || *line == '#')
		return;
	split(log, line, n, &f);
	if ((int)f.n <= log->layout.time || (int)f.n <= log->layout.value || (int)f.n <= log->layout.date) {
		skip(log, SKIP_SHORT, log->lines.number, line, n);
		return;
	}
	const int rc = stamp(log, &f, &t);
	if (rc < 0) {
		skip(log, rc == -EDOM ? SKIP_ORDER : SKIP_TIME, log->lines.number, f.at[log->layout.time],
			f.size[log->layout.time]);
		return;
	}
	if (log->any && t < log->last && behind(log, &f, t))
		return;
	log->behind = 0;
	if (log->any && t - log->first > LULL_LONGEST) {
		ahead(log);
		return;
	}
	log->ahead = 0;
	if (!unit_of_line(log, &f)) {
		skip(log, SKIP_VALUE, log->lines.number, line, n);
		push(log, t, LULL_NO_SAMPLE);
		return;
	}
	(void)!reading(log, f.at[log->layout.value], f.size[log->layout.value], &uA);
	push(log, t, uA);
}

static void end_of_file(struct lull_clamp_log *log)
{
	log->ended = true;
	if (lull_stream_damage(log->stream))
		log->damage = say(log, " read up to line %" PRIu64 "; %s", log->lines.number, lull_stream_damage(log->stream));
}

/* Fills the block. */
static void fill(struct lull_clamp_log *log)
{
	char *line;
	size_t n;
	if (log->at) {
		memmove(log->t, log->t + log->at, (log->n - log->at) * sizeof *log->t);
		memmove(log->uA, log->uA + log->at, (log->n - log->at) * sizeof *log->uA);
		log->n -= log->at;
		log->jumped = log->jumped && log->jump_at >= log->at;
		log->jump_at -= log->jumped ? log->at : 0;
		log->at = 0;
	}
	log->time.resolution = 0;
	while (log->n < BLOCK && !log->ended) {
		if (!lull_lines_next(&log->lines, &line, &n)) {
			end_of_file(log);
			break;
		}
		if (!log->lines.whole && lull_stream_damage(log->stream))
			continue; /* cut within this line: its numbers may be too short */
		if (log->lines.too_long)
			skip(log, SKIP_LONG, log->lines.number, "", 0);
		else
			take_line(log, line, n);
	}
}

bool lull_clamp_read(struct lull_clamp_log *log, struct lull_chunk *chunk)
{
	for (;;) {
		const size_t keep = log->ended ? 0 : CLAMP_LOOK;
		if (log->n - log->at <= keep) {
			if (log->ended)
				return clamp_grid_take(&log->grid, chunk);
			fill(log);
			continue;
		}
		const size_t have = log->n - log->at, n = have - keep;
		const int64_t resolution = log->time.resolution ? log->time.resolution : 1;
		const size_t used = clamp_grid_put(&log->grid, log->t + log->at, log->uA + log->at, n, have, resolution);
		log->at += used;
		if (used < n && clamp_grid_take(&log->grid, chunk))
			return true;
	}
}

/* --- opening --- */

/* Stamps that count from 1970, by how large they are. */
static void tell_epoch(struct lull_clamp_log *log, const char *text, size_t n)
{
	static const struct {
		enum lull_time_unit unit;
		double least;
		const char *note;
	} epochs[] = {{LULL_UNIT_S, 1e9, "time taken as seconds since 1970, by its values"},
		{LULL_UNIT_MS, 1e12, "time taken as milliseconds since 1970, by its values"},
		{LULL_UNIT_US, 1e15, "time taken as microseconds since 1970, by its values"},
		{LULL_UNIT_NS, 1e18, "time taken as nanoseconds since 1970, by its values"}};
	double v;
	enum lull_clamp_unit unit;
	if (log->time.kind != CLAMP_TIME_NUMBER || clamp_cell(text, n, true, &v, &unit) != CELL_NUMBER)
		return;
	for (size_t i = 0; i < sizeof epochs / sizeof *epochs; i++) {
		if (v < epochs[i].least || v >= 10 * epochs[i].least ||
			(log->time.unit != LULL_UNIT_AUTO && log->time.unit != epochs[i].unit))
			continue;
		log->time.epoch = true;
		log->time.unit = epochs[i].unit;
		note(log, epochs[i].note);
	}
}

/* The first line that has a stamp tells its kind; its cell may tell the unit. 0, or -EINVAL with a message. */
static int first_sample(struct lull_clamp_log *log, const char *line, size_t n, char *err, size_t err_size)
{
	struct clamp_fields f;
	int64_t t;
	double v;
	split(log, line, n, &f);
	if ((int)f.n <= log->layout.time || (int)f.n <= log->layout.value || (int)f.n <= log->layout.date)
		return 0;
	const char *text = f.at[log->layout.time], *cell = f.at[log->layout.value];
	const size_t size = f.size[log->layout.time];
	log->time.kind = log->layout.date >= 0 ? CLAMP_TIME_DATE : clamp_time_kind(text, size);
	if (log->time.kind == CLAMP_TIME_NONE)
		return 0;
	tell_epoch(log, text, size);
	const struct clamp_time fresh = log->time;
	const int rc = stamp(log, &f, &t);
	const enum lull_date_order order = log->time.order;
	log->time = fresh;
	log->time.order = order;
	if (rc == -EDOM) {
		(void)snprintf(err, err_size,
			"%s:%" PRIu64 ": in \"%.*s\" day and month cannot be told apart; say --clamp-columns order=dmy or order=mdy",
			log->name, log->lines.number, (int)(f.size[log->layout.date >= 0 ? log->layout.date : log->layout.time]),
			f.at[log->layout.date >= 0 ? log->layout.date : log->layout.time]);
		return -EINVAL;
	}
	if (rc < 0) {
		log->time.kind = CLAMP_TIME_NONE;
		return 0;
	}
	enum lull_clamp_unit unit = log->told.unit != LULL_CLAMP_UNIT_AUTO ? log->told.unit : log->layout.unit;
	if (unit == LULL_CLAMP_UNIT_AUTO && log->layout.unit_column >= 0 && (int)f.n > log->layout.unit_column)
		(void)!lull_clamp_unit_parse(f.at[log->layout.unit_column], f.size[log->layout.unit_column], &unit);
	if (unit == LULL_CLAMP_UNIT_AUTO)
		(void)clamp_cell(cell, f.size[log->layout.value], log->layout.comma, &v, &unit);
	if (unit == LULL_CLAMP_UNIT_AUTO) {
		(void)snprintf(err, err_size,
			"%s:%" PRIu64 ": nothing says in which unit its values are: give --clamp-unit mV, V, mA or A", log->name,
			log->lines.number);
		return -EINVAL;
	}
	if (clamp_is_voltage(unit) && !isfinite(log->told.mV_per_A)) {
		(void)snprintf(err, err_size,
			"%s: its values are in %s, and nothing says how many millivolts the clamp gives for an ampere: give "
			"--clamp-scale 10mV/A or 100mV/A, as set on the clamp (the two differ by ten, so it is not guessed)",
			log->name, lull_clamp_unit_name(unit));
		return -EINVAL;
	}
	log->first_unit = unit;
	set_unit(log, unit);
	return 0;
}

static int start(struct lull_clamp_log *log, char *err, size_t err_size)
{
	const uint8_t *head;
	const size_t size = lull_stream_head(log->stream, &head);
	unsigned before, l = 0;
	char *line;
	size_t n;
	int rc;
	if (!size) {
		const char *damage = lull_stream_damage(log->stream);
		(void)snprintf(err, err_size, "%s: %s", log->name, damage ? damage : "the file is empty");
		return -EINVAL;
	}
	rc = clamp_layout(log->name, head, size, &log->told, &log->layout, &before, err, err_size);
	if (rc < 0)
		return rc;
	const struct clamp_layout *lay = &log->layout;
	log->last_column = lay->time;
	if (lay->value > log->last_column)
		log->last_column = lay->value;
	if (lay->date > log->last_column)
		log->last_column = lay->date;
	if (lay->unit_column > log->last_column)
		log->last_column = lay->unit_column;
	log->time = (struct clamp_time){.hour_key = -1,
		.order = log->told.order,
		.unit = log->told.time_unit != LULL_UNIT_AUTO ? log->told.time_unit : lay->time_unit};
	rc = lull_lines_open(&log->lines, log->stream);
	if (rc < 0) {
		(void)snprintf(err, err_size, "out of memory");
		return rc;
	}
	while (l < before && lull_lines_next(&log->lines, &line, &n))
		l++;
	if (before > (lay->has_header ? 2U : 0U)) {
		char text[80];
		(void)snprintf(text, sizeof text, "%u lines before the samples were passed over", before);
		note(log, text);
	}
	/* Lines that are no sample are counted until the first that is one. */
	while (log->time.kind == CLAMP_TIME_NONE) {
		if (!lull_lines_next(&log->lines, &line, &n)) {
			end_of_file(log);
			break;
		}
		if (!n || *line == '#')
			continue;
		rc = first_sample(log, line, n, err, err_size);
		if (rc < 0)
			return rc;
		if (log->time.kind == CLAMP_TIME_NONE)
			skip(log, SKIP_TIME, log->lines.number, line, n);
		else
			take_line(log, line, n);
	}
	fill(log);
	if (log->samples)
		return 0;
	(void)snprintf(err, err_size, "%s: no sample in it%s%s", log->name, log->first_skip ? "; the first line that is none: " : "",
		log->first_skip ? log->first_skip : "");
	return -EINVAL;
}

/* Takes the stream over. */
static struct lull_clamp_log *open_stream(
	const char *name, struct lull_stream *stream, const struct lull_clamp_options *told, char *err, size_t err_size)
{
	struct lull_clamp_log *log = calloc(1, sizeof *log);
	if (log) {
		log->stream = stream;
		log->name = strdup(name);
		log->grid.uA = malloc(CLAMP_CHUNK_MOST * sizeof *log->grid.uA);
		log->told = *told;
		log->range_A = told->range_A;
		log->full_scale = told->range_A > 0 && told->range_A < 2147 ? (int32_t)lrint(told->range_A * 1e6) : INT32_MAX;
	}
	if (!log || !log->name || !log->grid.uA) {
		(void)snprintf(err, err_size, "out of memory");
		if (!log)
			lull_stream_close(stream);
	} else if (start(log, err, err_size) == 0) {
		return log;
	}
	if (log)
		lull_clamp_close(log);
	return NULL;
}

struct lull_clamp_log *lull_clamp_open(
	const char *path, const struct lull_clamp_options *told, char *err, size_t err_size)
{
	int error;
	struct lull_stream *stream = lull_stream_open(path, &error);
	if (!stream) {
		(void)snprintf(err, err_size, "%s: cannot be opened: %s", path, strerror(error));
		return NULL;
	}
	return open_stream(path, stream, told, err, err_size);
}

struct lull_clamp_log *lull_clamp_open_memory(
	const void *bytes, size_t size, const struct lull_clamp_options *told, char *err, size_t err_size)
{
	struct lull_stream *stream = lull_stream_open_memory(bytes, size);
	if (!stream) {
		(void)snprintf(err, err_size, "out of memory");
		return NULL;
	}
	return open_stream("memory", stream, told, err, err_size);
}

void lull_clamp_close(struct lull_clamp_log *log)
{
	lull_lines_close(&log->lines);
	lull_stream_close(log->stream);
	free(log->grid.uA);
	free(log->first_skip);
	free(log->damage);
	free(log->name);
	free(log);
}

void lull_clamp_digest(struct lull_clamp_log *log, uint8_t out[LULL_DIGEST])
{
	lull_stream_digest(log->stream, out);
}

/* --- what is known --- */

struct lull_clamp lull_clamp_about(const struct lull_clamp_log *log)
{
	const bool dated = log->time.kind == CLAMP_TIME_DATE || log->time.epoch;
	const double no_range = log->overloads ? INT32_MAX / 1e6 : (double)NAN;
	return (struct lull_clamp){
		.present = true,
		.mV_per_A = clamp_is_voltage(log->first_unit) ? log->told.mV_per_A : (double)NAN,
		.range_A = isfinite(log->range_A) ? log->range_A : no_range,
		.inverted = log->told.invert,
		.first_s = dated ? 0 : (double)log->first / 1e9,
		.dated = dated,
		.start_utc_ns = dated ? log->first : 0,
		.zero_before_mA = (double)NAN,
		.zero_after_mA = (double)NAN,
		.logger_mA = (double)NAN,
		.samples = log->samples,
		.skipped = log->skipped,
	};
}

int64_t lull_clamp_last(const struct lull_clamp_log *log)
{
	return log->last;
}

enum lull_clamp_unit lull_clamp_unit(const struct lull_clamp_log *log)
{
	return log->first_unit;
}

uint64_t lull_clamp_overloads(const struct lull_clamp_log *log)
{
	return log->overloads;
}

uint64_t lull_clamp_skipped(const struct lull_clamp_log *log, const char **sentence)
{
	*sentence = log->first_skip;
	return log->skipped;
}

const char *lull_clamp_damage(const struct lull_clamp_log *log)
{
	return log->damage;
}

const char *lull_clamp_note(const struct lull_clamp_log *log)
{
	return log->note[0] ? log->note : NULL;
}

double lull_clamp_progress(const struct lull_clamp_log *log)
{
	return lull_stream_progress(log->stream);
}
