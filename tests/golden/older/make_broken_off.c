/* SPDX-License-Identifier: GPL-3.0-or-later */
/* make_broken_off: a live recording that is broken off, made with the book of the version whose library this is linked with.
 * usage: make_broken_off FOLDER
 * Two cyclic IDs, awake for a minute, a wake-up at 120 s, awake from 400 s to 430 s; then the process ends without a word. See
 * README.md beside this file. */
#include <daemon/book.h>
#include <lull/observe.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#define BOOT_0 (1000 * LULL_SEC)
#define UTC_0 (INT64_C(1772750000) * LULL_SEC)

static bool awake(lull_time t)
{
	return t < 60 * LULL_SEC || (t >= 120 * LULL_SEC && t < 123 * LULL_SEC) || t >= 400 * LULL_SEC;
}

int main(int argc, char **argv)
{
	static struct lull_config config;
	struct lull_book_plan plan = {.config = &config, .boot = "00000000-0000-0000-0000-000000000001"};
	struct lull_moment now = {.boot = BOOT_0, .utc = UTC_0, .error = LULL_MS, .dated = true};
	char err[512];

	if (argc != 2)
		return 2;
	lull_config_defaults(&config);
	snprintf(config.folder, sizeof config.folder, "%s", argv[1]);
	config.bus_count = 1;
	strcpy(config.bus[0].name, "body");
	config.bus[0].bitrate = 500000;
	struct lull_book *book = lull_book_open(&plan, &now, err, sizeof err);

	if (!book || lull_book_hears(book, 0, LULL_BLIND_NOT_LISTENING, BOOT_0) ||
		lull_book_clock(book, &now, true) || lull_book_mark(book, "key off", BOOT_0 + 5 * LULL_SEC))
		return 1;
	for (lull_time t = 0; t < 430 * LULL_SEC; t += 10 * LULL_MS) {
		struct lull_frame f = {.t = BOOT_0 + t, .id = t % (100 * LULL_MS) ? 0x120 : 0x300, .len = 8};

		f.data[0] = (uint8_t)(t / LULL_SEC);
		now.boot = BOOT_0 + t;
		now.utc = UTC_0 + t;
		if ((awake(t) && lull_book_frame(book, &f)) ||
			(t % LULL_SEC == 0 && lull_book_tick(book, &now)))
			return 1;
	}
	if (lull_book_flush(book, &now))
		return 1;
	_exit(0);
}
