/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuzz_live: any bytes as one line of a live source, and as what a pipe with lines carries, in pieces. */
#include <source/live_impl.h>

#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void one_line(const uint8_t *data, size_t size)
{
	struct lull_live_clock clock = {0};
	struct lull_live_line f;
	/* A copy of its own, so that a byte too far is seen. */
	char *text = malloc(size ? size : 1);
	lull_time now = 1000 * LULL_SEC;

	if (!text)
		return;
	memcpy(text, data, size);
	if (lull_live_line_parse(text, size, &f) == 0) {
		if (!f.over && !isfinite(f.value))
			abort();
		if (f.timed && lull_live_clock_map(&clock, f.time_ns, now) > now)
			abort();
		if (f.timed && lull_live_clock_map(&clock, f.time_ns, now + 1) > now + 1)
			abort();
	}
	free(text);
}

static void a_pipe(const uint8_t *data, size_t size)
{
	static char fifo[64];
	struct lull_live_spec s = lull_live_spec_default();
	struct lull_live_event e;
	struct lull_live *l;
	lull_time now = LULL_SEC, last = 0;
	bool lost = false;
	int fd;

	if (!fifo[0]) {
		(void)snprintf(fifo, sizeof fifo, "/tmp/fuzz_live.%d", (int)getpid());
		if (mkfifo(fifo, 0600))
			abort();
	}
	(void)snprintf(s.device, sizeof s.device, "%s", fifo);
	s.mV_per_A = 100;
	l = lull_live_open(&s, now);
	if (!l || lull_live_step(l, now, &e))
		abort();
	fd = open(fifo, O_RDWR | O_NONBLOCK); /* a reader of our own, so that one that gave up is no broken pipe */
	while (size) {
		size_t n = 1 + data[0] % 64u;

		n = n < size ? n : size;
		if (write(fd, data, n) != (ssize_t)n)
			abort();
		data += n;
		size -= n;
		now += LULL_SEC;
		while (lull_live_step(l, now, &e)) {
			if (e.what == LULL_LIVE_READING && (lost || e.t <= last || e.uA == LULL_NO_SAMPLE))
				abort(); /* after a loss it has to come back first */
			if (e.what == LULL_LIVE_READING)
				last = e.t;
			else
				lost = e.what == LULL_LIVE_LOST;
		}
	}
	(void)close(fd);
	lull_live_close(l);
	(void)unlink(fifo);
	fifo[0] = 0;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	one_line(data, size);
	a_pipe(data, size);
	return 0;
}
