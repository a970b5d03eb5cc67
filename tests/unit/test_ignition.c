/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_ignition: the key's line: what is told and what is a bounce. The GPIO library is this file: a line is a variable, its events
 * are bytes in a pipe. */
#include <daemon/ignition.h>

#include <errno.h>
#include <daemon/libgpiod.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>
#include <cmocka.h>

/* --- the library --- */

static struct {
	bool has_chip, has_line;
	int refuses; /* errno of a request; 0 */
	int value; /* of the line; -1: cannot be read */
	int flags; /* of the request */
	unsigned number;
	int events[2];
	int chips, lines; /* held */
	bool unsettled; /* an event was read, and the value was not asked for since */
} gpio;

struct gpiod_chip *gpiod_chip_open_lookup(const char *descr)
{
	(void)descr;
	if (!gpio.has_chip) {
		errno = ENOENT;
		return NULL;
	}
	gpio.chips++;
	return (struct gpiod_chip *)(void *)&gpio;
}

struct gpiod_line *gpiod_chip_get_line(struct gpiod_chip *chip, unsigned int offset)
{
	(void)chip;
	gpio.number = offset;
	if (!gpio.has_line) {
		errno = EINVAL;
		return NULL;
	}
	gpio.lines++;
	return (struct gpiod_line *)(void *)&gpio;
}

int gpiod_line_request_both_edges_events_flags(struct gpiod_line *line, const char *consumer, int flags)
{
	(void)line;
	assert_string_equal(consumer, "lulld");
	gpio.flags = flags;
	errno = gpio.refuses;
	return gpio.refuses ? -1 : 0;
}

int gpiod_line_get_value(struct gpiod_line *line)
{
	(void)line;
	gpio.unsettled = false;
	errno = EIO;
	return gpio.value;
}

int gpiod_line_event_get_fd(struct gpiod_line *line)
{
	(void)line;
	return gpio.events[0];
}

int gpiod_line_event_read(struct gpiod_line *line, struct gpiod_line_event *event)
{
	char byte;

	(void)line;
	(void)event;
	if (read(gpio.events[0], &byte, 1) != 1 || byte != 'e')
		return -1;
	gpio.unsettled = true;
	return 0;
}

void gpiod_line_release(struct gpiod_line *line)
{
	(void)line;
	gpio.lines--;
}

void gpiod_chip_close(struct gpiod_chip *chip)
{
	(void)chip;
	gpio.chips--;
}

/* --- */

static int told, told_on;
static int64_t told_at;

static void handler(void *ctx, bool on, int64_t at)
{
	assert_ptr_equal(ctx, &told);
	told++;
	told_on = on;
	told_at = at;
}

static int set_up(void **state)
{
	(void)state;
	memset(&gpio, 0, sizeof gpio);
	gpio.has_chip = gpio.has_line = true;
	told = 0;
	return pipe(gpio.events);
}

static int tear_down(void **state)
{
	(void)state;
	(void)close(gpio.events[0]);
	(void)close(gpio.events[1]);
	/* What was taken is given back. */
	assert_int_equal(gpio.chips, 0);
	assert_int_equal(gpio.lines, 0);
	return 0;
}

static void refused(const char *sentence)
{
	struct lull_ignition *in = (void *)&gpio;
	char err[200] = "";

	assert_true(lull_ignition_open(&in, "gpiochip0", 17, false, err, sizeof err) < 0);
	assert_null(in);
	assert_string_equal(err, sentence);
}

static void lines_that_cannot_be_had(void **state)
{
	(void)state;
	gpio.has_chip = false;
	refused("[ignition]: gpiochip0 cannot be opened (line 17): No such file or directory");
	gpio.has_chip = true;
	gpio.has_line = false;
	refused("[ignition]: gpiochip0 has no such line (line 17): Invalid argument");
	gpio.has_line = true;
	gpio.refuses = EBUSY;
	refused("[ignition]: gpiochip0 does not give its line (line 17): Device or resource busy");
	gpio.refuses = 0;
	gpio.value = -1;
	refused("[ignition]: gpiochip0 does not give its line (line 17): Input/output error");
	lull_ignition_close(NULL);
}

static void edge(int value)
{
	gpio.value = value;
	assert_int_equal(write(gpio.events[1], "e", 1), 1);
}

/* All that is ready now. */
static void run_ready(sd_event *event)
{
	while (sd_event_run(event, 0) > 0)
		;
}

/* Until the line has settled, however long that takes here. */
static void run_settled(sd_event *event)
{
	int waiting = 1;

	while (waiting > 0 || gpio.unsettled) {
		assert_true(sd_event_run(event, UINT64_MAX) > 0);
		assert_int_equal(ioctl(gpio.events[0], FIONREAD, &waiting), 0);
	}
}

static void a_change_that_lasts_is_told(void **state)
{
	struct lull_ignition *in;
	sd_event *event;
	char err[200];

	(void)state;
	assert_int_equal(lull_ignition_open(&in, "gpiochip0", 17, true, err, sizeof err), 0);
	assert_int_equal(gpio.number, 17);
	assert_int_equal(gpio.flags, GPIOD_LINE_REQUEST_FLAG_ACTIVE_LOW);
	assert_int_equal(sd_event_new(&event), 0);
	assert_int_equal(lull_ignition_attach(in, event, handler, &told), 0);
	run_ready(event);
	assert_int_equal(told, 0);
	/* It bounces: on, off, on. The time is that of the first edge. */
	uint64_t first;

	assert_true(sd_event_now(event, CLOCK_BOOTTIME, &first) >= 0);
	edge(1);
	edge(0);
	edge(1);
	run_settled(event);
	assert_int_equal(told, 1);
	assert_int_equal(told_on, 1);
	assert_true(told_at >= (int64_t)first * LULL_US);
	const int64_t before = told_at;

	/* A contact that comes back within the time was no change. */
	edge(0);
	edge(1);
	run_settled(event);
	assert_int_equal(told, 1);
	/* Nor is a line that cannot be read. */
	edge(-1);
	run_settled(event);
	assert_int_equal(told, 1);
	/* An event that cannot be read is none. */
	gpio.value = 0;
	assert_int_equal(write(gpio.events[1], "x", 1), 1);
	run_ready(event);
	assert_int_equal(told, 1);
	edge(0);
	run_settled(event);
	assert_int_equal(told, 2);
	assert_int_equal(told_on, 0);
	assert_true(told_at > before);
	lull_ignition_close(in);
	(void)sd_event_unref(event);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(lines_that_cannot_be_had, set_up, tear_down),
		cmocka_unit_test_setup_teardown(a_change_that_lasts_is_told, set_up, tear_down),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
