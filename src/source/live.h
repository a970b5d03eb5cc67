/* SPDX-License-Identifier: GPL-3.0-or-later */
/* live: current as it flows: from an ADC through IIO, a meter that speaks SCPI, or lines of text. One face for all of them, made
 * for an event loop: a file descriptor, an instant by which to call again, and events. Nothing here blocks.
 *
 * An instrument that is not there, says nothing or nothing sensible is *lost*, with a reason, and tried again every few seconds;
 * it is never a reading of zero. */
#ifndef LULL_SOURCE_LIVE_H
#define LULL_SOURCE_LIVE_H

#include <source/clamp.h>

enum lull_live_kind { LULL_LIVE_IIO, LULL_LIVE_SCPI, LULL_LIVE_LINES };
const char *lull_live_kind_name(enum lull_live_kind); /* "iio" "scpi" "lines" */
LULL_MUST_CHECK int lull_live_kind_parse(const char *, enum lull_live_kind *);

struct lull_live_spec {
	enum lull_live_kind kind;
	/* iio: name, label or id of the device ("ads1015", "iio:device0"). scpi, lines: "/dev/ttyUSB0", "tcp:192.168.1.7:5025",
	 * "tcp:[fe80::1%eth0]:5025" (numbers only: a name server would be waited for); lines also a pipe's path. */
	char device[128];
	char channel[48]; /* iio: "voltage0", "voltage0-voltage1" */
	char query[96]; /* scpi: "MEAS:VOLT:DC?" */
	unsigned baud; /* serial lines: 9600 */
	double gain; /* iio: the scale attribute in mV per digit to set before reading, as the driver lists them; NAN: as it is */
	enum lull_clamp_unit unit; /* of the values; AUTO: volts for scpi, as written or else mV for lines; iio is always voltage */
	double divider; /* a reading times this is the clamp's: a divider or amplifier before the converter; 1 */
	double mV_per_A; /* the clamp's scale; needed unless the unit is one of current */
	double range_A; /* of the clamp; readings beyond what the meter can show ("OL") are this. NAN: not told */
	bool invert;
	int64_t period_ns; /* between readings of iio and scpi: 200 ms */
	int64_t lost_ns; /* so long without a reading is lost: 5 s, at least five periods */
};
struct lull_live_spec lull_live_spec_default(void);
/* 0, or -EINVAL with a sentence that names what is wrong. */
LULL_MUST_CHECK int lull_live_spec_check(const struct lull_live_spec *, char *err, size_t err_size);

enum lull_live_what {
	LULL_LIVE_READING,
	LULL_LIVE_LOST, /* from the last reading on nothing is measured; `why` says so */
	LULL_LIVE_BACK /* it answers again: a reading follows */
};
struct lull_live_event {
	enum lull_live_what what;
	lull_time t; /* CLOCK_BOOTTIME, ns: of the reading, as near as can be told; of a loss, when it was noticed */
	int32_t uA; /* microamperes by the scale told, before zero */
	bool over; /* beyond what the meter or the clamp can show */
	char why[128];
};

struct lull_live;
/* The instrument may be absent: then the first event is LULL_LIVE_LOST. iio forks a small process here: call it while the
 * process has one thread. now: CLOCK_BOOTTIME. NULL: out of memory or descriptors, or a spec that does not pass the check. */
struct lull_live *lull_live_open(const struct lull_live_spec *, lull_time now);
void lull_live_close(struct lull_live *);
/* For poll: both may change with each step. The descriptor may be another one with the same number. -1: nothing to poll now, wait for the instant. */
int lull_live_fd(const struct lull_live *);
short lull_live_poll(const struct lull_live *);
/* Call lull_live_step() at this instant (CLOCK_BOOTTIME) at the latest, and whenever the descriptor is ready. */
lull_time lull_live_due(const struct lull_live *);
/* True: *event is filled, call again at once; false: nothing more for now. */
bool lull_live_step(struct lull_live *, lull_time now, struct lull_live_event *);
/* Lines or answers that made no sense, so far. */
uint64_t lull_live_senseless(const struct lull_live *);

#endif
