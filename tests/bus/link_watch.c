/* SPDX-License-Identifier: GPL-3.0-or-later */
/* link_watch: what becomes of CAN interfaces, as can_watch tells it; each that appears is set up by a helper without privileges but
 * one, as the recorder does at a replug.
 * usage: link_watch RATE SECONDS     prints "helper PID", then "event NAME INDEX KEY", and "set NAME RESULT RATE listen-only|acknowledges" */
#include <source/can_helper.h>
#include <source/can_watch.h>

#include <inttypes.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

static struct lull_helper *helper;
static uint32_t rate;

static void set_up(const char *name)
{
	struct lull_link_spec spec = {.bitrate = rate};
	uint32_t ticket;

	(void)snprintf(spec.name, sizeof spec.name, "%s", name);
	if (lull_helper_ask(helper, &spec, &ticket))
		puts("the helper takes no request");
}

static void event(void *ctx, enum lull_watch_event e, const struct lull_adapter *a)
{
	(void)ctx;
	printf("%s %s %d %s\n", lull_watch_event_name(e), a ? a->name : "-", a ? a->index : 0, a ? a->key : "-");
	if (e == LULL_WATCH_NEW)
		set_up(a->name);
}

int main(int argc, char **argv)
{
	const time_t until = time(NULL) + (argc == 3 ? strtol(argv[2], NULL, 10) : 0);
	struct lull_helper_answer a;
	struct lull_watch *watch;
	const struct lull_adapter *list;
	size_t n, i;

	if (argc != 3)
		return 2;
	setvbuf(stdout, NULL, _IOLBF, 0);
	rate = (uint32_t)strtoul(argv[1], NULL, 10);
	if (lull_helper_start(&helper, 65534, 65534, false, NULL)) /* nobody, nogroup */
		return 1;
	/* The privileges are the helper's from here on. */
	if (setgid(65534) || setuid(65534))
		return 1;
	printf("helper %d\n", (int)lull_helper_pid(helper));
	watch = lull_watch_open();
	if (!watch)
		return 1;
	list = lull_watch_list(watch, &n);
	for (i = 0; i < n; i++) {
		printf("there %s %d %s\n", list[i].name, list[i].index, list[i].key);
		set_up(list[i].name);
	}
	while (time(NULL) < until) {
		struct pollfd p[] = {{.fd = lull_watch_fd(watch), .events = POLLIN}, {.fd = lull_helper_fd(helper), .events = POLLIN}};

		if (poll(p, 2, 200) <= 0)
			continue;
		if (p[0].revents && lull_watch_read(watch, event, NULL))
			puts("the watch failed");
		if (!lull_helper_answer(helper, &a))
			printf("set %s %s %" PRIu32 " %s\n", a.state.name, lull_link_result_name(a.result), a.state.bitrate,
				lull_link_listens_only(&a.state) ? "listen-only" : "acknowledges");
	}
	lull_helper_stop(helper);
	lull_watch_close(watch);
	return 0;
}
