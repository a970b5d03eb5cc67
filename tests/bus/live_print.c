/* SPDX-License-Identifier: GPL-3.0-or-later */
/* live_print: a live source of current, event by event.
 * usage: live_print KIND DEVICE CHANNEL MV_PER_A SECONDS     prints "reading MICROAMPERES", "lost WHY", "back" */
#include <source/live.h>

#include <math.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static lull_time now_ns(void)
{
	struct timespec t;

	return clock_gettime(CLOCK_BOOTTIME, &t) ? 0 : t.tv_sec * LULL_SEC + t.tv_nsec;
}

int main(int argc, char **argv)
{
	struct lull_live_spec s = lull_live_spec_default();
	struct lull_live *l;
	lull_time until;

	if (argc != 6 || lull_live_kind_parse(argv[1], &s.kind))
		return 2;
	setvbuf(stdout, NULL, _IOLBF, 0);
	(void)snprintf(s.device, sizeof s.device, "%s", argv[2]);
	(void)snprintf(s.channel, sizeof s.channel, "%s", argv[3]);
	s.mV_per_A = strtod(argv[4], NULL);
	until = now_ns() + (lull_time)(strtod(argv[5], NULL) * 1e9);
	l = lull_live_open(&s, now_ns());
	if (!l)
		return 1;
	while (now_ns() < until) {
		struct lull_live_event e;
		struct pollfd p;
		lull_time wait;

		while (lull_live_step(l, now_ns(), &e)) {
			switch (e.what) {
			case LULL_LIVE_READING: printf("reading %d\n", (int)e.uA); break;
			case LULL_LIVE_LOST: printf("lost %s\n", e.why); break;
			case LULL_LIVE_BACK: puts("back"); break;
			}
		}
		wait = (lull_live_due(l) - now_ns()) / LULL_MS;
		p = (struct pollfd){.fd = lull_live_fd(l), .events = lull_live_poll(l)};
		(void)poll(&p, 1, wait < 0 ? 0 : wait > 200 ? 200 : (int)wait);
	}
	lull_live_close(l);
	return 0;
}
