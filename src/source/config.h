/* SPDX-License-Identifier: GPL-3.0-or-later */
/* config: what /etc/lull/lull.conf says: the recorder, the buses and their adapters, the clamp, the control socket. Read with
 * inih. An unknown section or key, a value that does not fit, a key given twice are errors with file:line. Hyphen and
 * underscore in keys are the same. Nothing is looked up or opened here. */
#ifndef LULL_SOURCE_CONFIG_H
#define LULL_SOURCE_CONFIG_H

#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>

#define LULL_CONFIG_PATH "/etc/lull/lull.conf"
#define LULL_CONFIG_TEXT 108 /* bytes of a path or name, with the terminator: what a UNIX socket's may have */

enum lull_physical { LULL_HIGH_SPEED, LULL_FAULT_TOLERANT, LULL_SINGLE_WIRE };
const char *lull_physical_name(enum lull_physical); /* "high-speed" "fault-tolerant" "single-wire" */

enum lull_keep { LULL_KEEP_EDGES, LULL_KEEP_ALL };

/* [bus NAME] */
struct lull_config_bus {
	char name[LULL_BUS_NAME]; /* as in recordings and reports */
	char interface[16]; /* of the network; "": known by its adapter alone */
	char adapter[LULL_CONFIG_TEXT]; /* USB serial number or device path; "": known by the interface alone */
	uint32_t bitrate, bitrate_data; /* bit/s; 0: not told: the link is taken as it is found */
	double sample_point; /* 0..1; 0: the driver's own */
	bool accept_acknowledging; /* go on without listen-only, and say so in every report */
	enum lull_physical physical;
	unsigned line; /* where the section begins */
};

enum lull_clamp_source { LULL_CLAMP_NONE, LULL_CLAMP_IIO, LULL_CLAMP_SCPI, LULL_CLAMP_LINES };

/* [clamp] */
struct lull_config_clamp {
	enum lull_clamp_source source;
	char device[LULL_CONFIG_TEXT]; /* iio: name of the converter; scpi: /dev/ttyX or tcp:ADDRESS:PORT; lines: path of a pipe or serial port */
	char channel[32]; /* iio: "voltage0" */
	char query[64]; /* scpi: "MEAS:VOLT:DC?" unless told */
	unsigned baud; /* scpi and lines on a serial port */
	double mV_per_A; /* NAN: not told */
	bool amperes; /* the source gives amperes, not volts */
	double range_A; /* NAN not told */
	double samples_per_s; /* 5 unless told */
	double gain; /* iio: the converter's scale in mV per digit to set before reading; NAN: as it is */
	double divider; /* what stands before the converter: the clamp's voltage is so many times the one read; 1 */
	bool inverted;
};

struct lull_config {
	/* [recorder] */
	char folder[LULL_CONFIG_TEXT]; /* of the recordings; "/var/lib/lull" */
	char user[32]; /* whose rights remain after the start as root; "lull" */
	int64_t batch_ns; /* rows are written so often; 30 s */
	int64_t rejoin_ns; /* a restart goes on with the recording it finds if that was broken off no longer ago; 12 h */
	int64_t longest_ns; /* a recording this long is closed and the next one begins; 96 h */
	enum lull_keep keep; /* keep-frames = edges | all */
	uint64_t keep_most; /* bytes of kept frames, oldest files go first; 1 GB */
	uint64_t keep_free; /* bytes of the disk left alone; 64 MB */
	/* [bus NAME] */
	struct lull_config_bus bus[LULL_BUS_MAX];
	size_t bus_count;
	struct lull_config_clamp clamp;
	/* [control] */
	char socket[LULL_CONFIG_TEXT]; /* "/run/lull/control" */
	char group[32]; /* who may give marks; "lull" */
	char viewer[32]; /* user of the page, who may give marks and ask for the state, and no more; "lull-view" */
	/* [car]: which vehicle it is, before what the profile says; "" not told */
	char vehicle[LULL_CONFIG_TEXT], model[LULL_CONFIG_TEXT];
	/* [profile] */
	char profile[LULL_CONFIG_TEXT]; /* file; "" none */
	/* [ignition]: an input line that is high while the key is on, through the GPIO character device */
	char ignition_chip[LULL_CONFIG_TEXT]; /* "" none */
	unsigned ignition_line;
	bool ignition_low; /* active-low */
};

/* What holds without a file: no bus. */
void lull_config_defaults(struct lull_config *);
/* 0, or -EINVAL/-errno with "lull.conf:12: ..." in err. A file without any bus is an error. */
LULL_MUST_CHECK int lull_config_read(const char *path, struct lull_config *, char *err, size_t err_size);
/* The same on memory; name stands for the file in messages. */
LULL_MUST_CHECK int lull_config_parse_text(
	const char *name, const char *text, size_t size, struct lull_config *, char *err, size_t err_size);

#endif
