/* SPDX-License-Identifier: GPL-3.0-or-later */
/* capture: finished captures of CAN frames on file: pcap and pcapng through libpcap, CSV, the one-line
 * text log of the Linux CAN tools; gzip and zstd read through. The kind is told by content, not by name. */
#ifndef LULL_SOURCE_CAPTURE_H
#define LULL_SOURCE_CAPTURE_H

#include <lull/frame.h>
#include <source/stream.h>

struct lull_capture;

enum lull_time_unit { LULL_UNIT_AUTO, LULL_UNIT_S, LULL_UNIT_MS, LULL_UNIT_US, LULL_UNIT_NS };

/* CSV columns by header name or 1-based number, all optional ("" = find by usual names). data may be one
 * column of hex digits, the first of several byte columns by name, or a range of columns ("6-13"). */
struct lull_csv_columns {
	char time[64], id[64], extended[64], bus[64], length[64], data[64];
	enum lull_time_unit unit;
};

/* bus_name: the bus for frames whose file does not name one ("can0" if NULL). columns: NULL = find.
 * Returns NULL and a message for a person in err (file, place, way out) on failure. */
struct lull_capture *lull_capture_open(const char *path, const char *bus_name,
	const struct lull_csv_columns *columns, char *err, size_t err_size);
/* The same on memory, for tests and fuzzing; the bytes stay the caller's. */
struct lull_capture *lull_capture_open_memory(const void *bytes, size_t size, const char *bus_name,
	const struct lull_csv_columns *columns, char *err, size_t err_size);
void lull_capture_close(struct lull_capture *);

/* Up to max frames in file order. frame.t is the file's own stamp in ns (since 1970 where the file has dates);
 * frame.bus is the capture's own bus index, see lull_capture_bus_name(). 0: end, or damage (see
 * lull_capture_damage()). Never fails on content: damage ends the capture. */
size_t lull_capture_read(struct lull_capture *, struct lull_frame *out, size_t max);

unsigned lull_capture_bus_count(const struct lull_capture *); /* so far */
const char *lull_capture_bus_name(const struct lull_capture *, unsigned bus);
/* Stamps count from 1970 (they may still be wrong), so dates can be shown. */
bool lull_capture_has_dates(const struct lull_capture *);
/* NULL, or a sentence with place and reason: "night.pcap: damaged after frame 1234 (byte 56789): ...". */
const char *lull_capture_damage(const struct lull_capture *);
/* Lines or packets passed over because they were no CAN frame, and a sentence about the first (NULL if none). */
uint64_t lull_capture_skipped(const struct lull_capture *, const char **sentence);
/* What the file holds, as lull_stream_digest(): call when all frames have been read. */
void lull_capture_digest(struct lull_capture *, uint8_t out[LULL_DIGEST]);
/* Share of the file read, 0..1, for progress; -1 unknown. */
double lull_capture_progress(const struct lull_capture *);
const char *lull_capture_kind(
	const struct lull_capture *); /* "pcap", "pcapng", "csv", "text log", "empty file" */
/* NULL, or a sentence on what was assumed about the file ("time taken as microseconds, by its values"). */
const char *lull_capture_note(const struct lull_capture *);

#endif
