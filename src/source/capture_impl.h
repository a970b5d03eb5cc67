/* SPDX-License-Identifier: GPL-3.0-or-later */
/* capture_impl: what the readers of the single formats share; for the files of src/source only. */
#ifndef LULL_SOURCE_CAPTURE_IMPL_H
#define LULL_SOURCE_CAPTURE_IMPL_H

#include <source/capture.h>
#include <source/stream.h>

struct lull_capture_format {
	/* Up to max frames; 0: the end, for good. */
	size_t (*read)(struct lull_capture *, struct lull_frame *out, size_t max);
	void (*close)(struct lull_capture *);
	double (*progress)(const struct lull_capture *); /* NULL: the stream's own */
};

struct lull_capture {
	const struct lull_capture_format *format;
	void *priv; /* the format's */
	struct lull_stream *stream;
	char *name; /* of the file, for messages */
	const char *kind;
	bool bus_given;
	char bus_base[LULL_BUS_NAME];
	unsigned bus_count;
	char bus[LULL_BUS_MAX][LULL_BUS_NAME];
	uint64_t frames; /* handed out before the batch now being read */
	uint64_t skipped;
	bool dates, ended;
	char *damage, *first_skip;
	char note[160];
};

/* The formats' ways in: 0, or negative errno with err filled. They may look at lull_stream_head(). */
int lull_pcap_open(struct lull_capture *, bool pcapng, char *err, size_t err_size);
int lull_textlog_open(struct lull_capture *, char *err, size_t err_size);
int lull_csv_open(struct lull_capture *, const struct lull_csv_columns *, char *err, size_t err_size);
/* Is this (a piece of) a line of the text log? */
bool lull_textlog_is_line(const char *line, size_t n);

/* Index of the bus of that name (any bytes: unfit ones are replaced), made if new; -1: no room. */
int lull_capture_bus(struct lull_capture *, const char *name, size_t n);
/* Bus number i of a file that numbers its buses without naming them. */
int lull_capture_bus_number(struct lull_capture *, unsigned long i);

/* The first call's sentence stays. */
LULL_PRINTF(2, 3) void lull_capture_set_damage(struct lull_capture *, const char *format, ...);
/* Counts one thing passed over; the first call's sentence stays. */
LULL_PRINTF(2, 3) void lull_capture_skip(struct lull_capture *, const char *format, ...);

#endif
