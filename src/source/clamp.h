/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clamp: the log of a DC clamp on the battery cable, as a meter or scope writes it: CSV; gzip and zstd read through. Out come
 * chunks of samples on a regular grid, in microamperes. Memory does not grow with the log.
 *
 * Fields are parted by comma, semicolon or tab; numbers have a decimal point or comma. A header is found behind up to 64 lines
 * of other text; without one the columns are told by number, or are the first two. Time is in seconds (or ms, us, ns, by the
 * header or told), ISO 8601 with a zone or local, DD.MM.YYYY HH:MM:SS, or HH:MM:SS, which may pass midnight and may stand
 * in a column beside one of dates. Dates with slashes have to be told apart (dmy, mdy) unless a day above 12 does so.
 *
 * Nothing goes lost silently: what is no sample is counted, and lull_clamp_skipped() says where the first one was. Texts that
 * meters write for more than they can show ("OL") are readings at the end of the range. A clock that is set back ends the
 * log there: lull_clamp_damage(). */
#ifndef LULL_SOURCE_CLAMP_H
#define LULL_SOURCE_CLAMP_H

#include <lull/current.h>
#include <source/capture.h>
#include <source/stream.h>

enum lull_clamp_unit {
	LULL_CLAMP_UNIT_AUTO, /* by the header, a column of units, or texts behind the numbers */
	LULL_CLAMP_UV,
	LULL_CLAMP_MV,
	LULL_CLAMP_V,
	LULL_CLAMP_UA,
	LULL_CLAMP_MA,
	LULL_CLAMP_A
};
/* "mV", "V", "A", "mA", "uA", "uV"; also with "DC" before or behind, and a Greek mu. -EINVAL: no such unit. */
LULL_MUST_CHECK int lull_clamp_unit_parse(const char *text, size_t n, enum lull_clamp_unit *);
const char *lull_clamp_unit_name(enum lull_clamp_unit);
/* "10mV/A", "100 mV/A", "0.1V/A" or a plain number of mV/A: 0.01 to 10000. */
LULL_MUST_CHECK int lull_clamp_scale_parse(const char *text, double *mV_per_A);

enum lull_date_order { LULL_DATE_AUTO, LULL_DATE_DMY, LULL_DATE_MDY };

struct lull_clamp_options {
	char date[64], time[64], value[64], unit_column[64]; /* names or 1-based numbers; "" find */
	enum lull_clamp_unit unit;
	enum lull_time_unit time_unit;
	enum lull_date_order order;
	double mV_per_A; /* NAN: not told */
	double range_A; /* NAN: not told */
	bool invert;
};
struct lull_clamp_options lull_clamp_options_default(void);

struct lull_clamp_log;

/* Opens the log and reads its first samples. NULL and a message (file, line, way out): no file, no sample at all, a column that
 * is not there, values whose unit or scale nobody tells. */
struct lull_clamp_log *lull_clamp_open(const char *path, const struct lull_clamp_options *, char *err, size_t err_size);
/* The same on memory; the bytes stay the caller's. */
struct lull_clamp_log *lull_clamp_open_memory(
	const void *bytes, size_t size, const struct lull_clamp_options *, char *err, size_t err_size);
void lull_clamp_close(struct lull_clamp_log *);
/* What the file holds, as lull_stream_digest(): call when all chunks have been read. */
void lull_clamp_digest(struct lull_clamp_log *, uint8_t out[LULL_DIGEST]);

/* The next chunk, in order; uA stays the log's, until the next call. False: the end, or damage. Tolerance: a sample lies within
 * half a step of the grid, or within what its stamp is written to where that is coarser. Up to 16 missing samples that the grid
 * goes on behind are LULL_NO_SAMPLE; more are the end of a chunk. */
bool lull_clamp_read(struct lull_clamp_log *, struct lull_chunk *);

/* What is known of the log; complete after the last chunk. Zeros and the logger's draw are not the log's to know: NAN. */
struct lull_clamp lull_clamp_about(const struct lull_clamp_log *);
/* Instant of the last sample by the log's own clock. */
int64_t lull_clamp_last(const struct lull_clamp_log *);
/* Unit of the values (of the first, where it changes). */
enum lull_clamp_unit lull_clamp_unit(const struct lull_clamp_log *);
/* Readings at the end of the clamp's or the meter's range. */
uint64_t lull_clamp_overloads(const struct lull_clamp_log *);
/* Lines passed over, and a sentence on the first (NULL if none). */
uint64_t lull_clamp_skipped(const struct lull_clamp_log *, const char **sentence);
/* NULL, or a sentence on where and why the log ends before the file does. */
const char *lull_clamp_damage(const struct lull_clamp_log *);
/* NULL, or what was assumed ("time taken as milliseconds since 1970, by its values"). */
const char *lull_clamp_note(const struct lull_clamp_log *);
/* Share of the file read, 0..1; -1 unknown. */
double lull_clamp_progress(const struct lull_clamp_log *);

/* A reading in the unit told or, without one, the log's ("0.4mV", "12 mA", "0.4") as mA through the clamp of mV_per_A (NAN for
 * logs in A). -EINVAL: no number or unit; -EDOM: a voltage without a scale. */
LULL_MUST_CHECK int lull_clamp_reading(const char *text, enum lull_clamp_unit unit, double mV_per_A, double *mA);

#endif
