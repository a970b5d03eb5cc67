/* SPDX-License-Identifier: GPL-3.0-or-later */
/* ignition: an input line that follows the car's key. */
#include <daemon/ignition.h>
#include <daemon/libgpiod.h>
#include <daemon/log.h>
#include <daemon/wall.h>

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SETTLED (200 * LULL_MS)

struct lull_ignition {
	struct gpiod_chip *chip;
	struct gpiod_line *line;
	sd_event_source *io, *timer;
	lull_ignition_handler *handler;
	void *ctx;
	int told; /* 0, 1; as last told */
	int64_t changed; /* CLOCK_BOOTTIME of the first edge since then */
};

int lull_ignition_open(
	struct lull_ignition **out, const char *chip, unsigned number, bool active_low, char *err, size_t err_size)
{
	struct lull_ignition *in = calloc(1, sizeof *in);
	const char *what = "cannot be opened";
	int r = in ? 0 : -ENOMEM;

	*out = NULL;
	if (!r && !(in->chip = gpiod_chip_open_lookup(chip)))
		r = -errno;
	if (!r) {
		what = "has no such line";
		in->line = gpiod_chip_get_line(in->chip, number);
		r = in->line ? 0 : -errno;
	}
	if (!r) {
		what = "does not give its line";
		if (gpiod_line_request_both_edges_events_flags(
			    in->line, "lulld", active_low ? GPIOD_LINE_REQUEST_FLAG_ACTIVE_LOW : 0) ||
			(in->told = gpiod_line_get_value(in->line)) < 0)
			r = -errno;
	}
	if (r) {
		(void)snprintf(err, err_size, "[ignition]: %s %s (line %u): %s", chip, what, number, strerror(-r));
		lull_ignition_close(in);
		return r;
	}
	*out = in;
	return 0;
}

static int on_settled(sd_event_source *source, uint64_t usec, void *ctx)
{
	struct lull_ignition *in = ctx;
	const int value = gpiod_line_get_value(in->line);

	(void)source;
	(void)usec;
	if (value >= 0 && value != in->told) {
		in->told = value;
		in->handler(in->ctx, value, in->changed);
	}
	in->changed = 0;
	return 0;
}

static int on_edge(sd_event_source *source, int fd, uint32_t revents, void *ctx)
{
	struct lull_ignition *in = ctx;
	struct gpiod_line_event event;
	uint64_t now;

	(void)fd;
	(void)revents;
	if (gpiod_line_event_read(in->line, &event))
		return 0;
	/* The event's own stamp is of a clock that depends on the kernel; what matters here are seconds. */
	if (!in->changed)
		in->changed = lull_boottime();
	int r = sd_event_now(sd_event_source_get_event(source), CLOCK_BOOTTIME, &now);

	if (r >= 0)
		r = sd_event_source_set_time(in->timer, now + SETTLED / LULL_US);
	if (r >= 0)
		r = sd_event_source_set_enabled(in->timer, SD_EVENT_ONESHOT);
	if (r < 0)
		lull_log(SD_WARNING, "ignition: %s", strerror(-r));
	return 0;
}

int lull_ignition_attach(struct lull_ignition *in, sd_event *event, lull_ignition_handler *handler, void *ctx)
{
	in->handler = handler;
	in->ctx = ctx;
	int r = sd_event_add_time_relative(event, &in->timer, CLOCK_BOOTTIME, 0, 10000, on_settled, in);

	if (r >= 0)
		r = sd_event_source_set_enabled(in->timer, SD_EVENT_OFF);
	if (r >= 0)
		r = sd_event_add_io(event, &in->io, gpiod_line_event_get_fd(in->line), EPOLLIN, on_edge, in);
	return r < 0 ? r : 0;
}

void lull_ignition_close(struct lull_ignition *in)
{
	if (!in)
		return;
	(void)sd_event_source_disable_unref(in->io);
	(void)sd_event_source_disable_unref(in->timer);
	if (in->line)
		gpiod_line_release(in->line);
	if (in->chip)
		gpiod_chip_close(in->chip);
	free(in);
}
