/* SPDX-License-Identifier: GPL-3.0-or-later */
/* live_impl: what the live sources share; for the files of src/source/live* and their tests only. */
#ifndef LULL_SOURCE_LIVE_IMPL_H
#define LULL_SOURCE_LIVE_IMPL_H

#include <poll.h>
#include <source/live.h>

/* What a source gives, before the clamp's scale. */
struct lull_raw {
	lull_time t; /* CLOCK_BOOTTIME */
	double value;
	enum lull_clamp_unit unit;
	int over; /* +1, -1: beyond what can be shown, and `value` is none */
};

enum lull_got {
	LULL_GOT_NOTHING, /* for now */
	LULL_GOT_READING,
	LULL_GOT_NO_SENSE, /* a line that is no reading */
	LULL_GOT_LOST, /* it does not answer; whoever reads it tries again by itself */
	LULL_GOT_ENDED /* the instrument is gone: to be opened anew */
};

/* One kind of source. Nothing of it may block. */
struct lull_live_ops {
	/* *self is freed with close(). -errno and a reason: cannot be opened now. */
	int (*open)(void **self, const struct lull_live_spec *, lull_time now, char *why, size_t why_size);
	void (*close)(void *self);
	int (*fd)(const void *self);
	short (*events)(const void *self);
	lull_time (*due)(const void *self); /* INT64_MAX: whenever the descriptor is ready */
	enum lull_got (*next)(void *self, lull_time now, struct lull_raw *, char *why, size_t why_size);
};
extern const struct lull_live_ops lull_live_iio, lull_live_scpi, lull_live_lines;
/* The same as lull_live_open() with other operations: for tests. */
struct lull_live *lull_live_open_with(const struct lull_live_spec *, lull_time now, const struct lull_live_ops *);

/* --- live_line.c: one line as text. Pure. --- */

struct lull_live_line {
	bool timed;
	int64_t time_ns; /* by whoever wrote the line */
	double value;
	enum lull_clamp_unit unit; /* AUTO: none was written */
	int over;
};
/* "12.3", "-0.4 mV", "OL", "17.25 12.3": a time in seconds may come first. Fields are parted by blanks, tabs or semicolons, or by a
 * comma where numbers have points. "0,4" is a decimal comma. -EINVAL: no reading. */
LULL_MUST_CHECK int lull_live_line_parse(const char *text, size_t n, struct lull_live_line *);

/* The writer's clock against ours: delays only add, so the least delay seen is the best; it may creep by 200 ppm, and a clock
 * that jumps begins anew. */
struct lull_live_clock {
	bool known;
	int64_t offset; /* ours less the writer's */
	int64_t last_time, last_now;
};
lull_time lull_live_clock_map(struct lull_live_clock *, int64_t time_ns, lull_time now);

/* --- live_wire.c: bytes from a serial line, a pipe or a TCP connection --- */

#define LULL_WIRE_LINE 256 /* bytes; longer lines are passed over */
struct lull_wire {
	int fd;
	bool connecting, too_long;
	size_t used;
	char buffer[1024];
};
/* device as in lull_live_spec. write: questions will be asked. 0 or -errno with a reason. */
LULL_MUST_CHECK int lull_wire_open(
	struct lull_wire *, const char *device, unsigned baud, bool write, char *why, size_t why_size);
void lull_wire_close(struct lull_wire *);
short lull_wire_events(const struct lull_wire *);
enum lull_wire_got { LULL_WIRE_NONE, LULL_WIRE_LINE_READ, LULL_WIRE_TOO_LONG, LULL_WIRE_ENDED };
/* The next whole line without its end, of at most LULL_WIRE_LINE bytes and a terminator. A connection still being made: NONE. */
enum lull_wire_got lull_wire_line(struct lull_wire *, char line[LULL_WIRE_LINE + 1], size_t *n, char *why, size_t why_size);
/* 0; -EAGAIN: still connecting; -errno. Short texts only. */
LULL_MUST_CHECK int lull_wire_ask(struct lull_wire *, const char *text);
/* Forgets what has come. */
void lull_wire_flush(struct lull_wire *);

/* --- live_adc.c: an ADC read by a process of its own --- */

struct lull_adc_ops {
	/* *self as above; both may block. */
	int (*open)(void **self, const struct lull_live_spec *, char *why, size_t why_size);
	int (*read)(void *self, double *value, enum lull_clamp_unit *, char *why, size_t why_size);
	void (*close)(void *self);
};
extern const struct lull_adc_ops lull_adc_iio;
/* Starts that process with these operations: what lull_live_iio.open does with lull_adc_iio. */
LULL_MUST_CHECK int lull_adc_open(void **self, const struct lull_live_spec *, const struct lull_adc_ops *, char *why, size_t why_size);

#endif
