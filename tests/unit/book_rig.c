/* SPDX-License-Identifier: GPL-3.0-or-later */
/* book_rig: see the header. */
#include "book_rig.h"
#include "fake_disk.h"
#include "store_rig.h"

#include <fcntl.h>
#include <libgen.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <cmocka.h>

struct lull_config book_config;
struct lull_book_plan book_plan;

struct lull_moment book_moment(lull_time t)
{
	return (struct lull_moment){.boot = BOOT_0 + t, .utc = UTC_0 + t, .error = LULL_MS, .dated = true};
}

static int said; /* stderr */

int book_tear_down(void **state)
{
	fake_disk_end();
	(void)dup2(said, STDERR_FILENO);
	(void)close(said);
	return store_tear_down(state);
}

int book_set_up(void **state)
{
	char folder[sizeof store_path];

	if (store_set_up(state))
		return -1;
	/* What the log says is of no interest here. */
	said = dup(STDERR_FILENO);
	int null = open("/dev/null", O_WRONLY | O_CLOEXEC);

	assert_true(said >= 0 && null >= 0 && dup2(null, STDERR_FILENO) == STDERR_FILENO);
	(void)close(null);
	memcpy(folder, store_path, sizeof folder);
	lull_config_defaults(&book_config);
	(void)snprintf(book_config.folder, sizeof book_config.folder, "%s", dirname(folder));
	book_config.bus_count = 1;
	(void)snprintf(book_config.bus[0].name, sizeof book_config.bus[0].name, "body");
	book_config.bus[0].bitrate = 500000;
	fake_disk_begin(book_config.folder);
	book_plan = (struct lull_book_plan){
		.config = &book_config, .boot = "00000000-0000-0000-0000-000000000001"};
	return 0;
}

struct lull_book *book_at(lull_time t)
{
	const struct lull_moment now = book_moment(t);
	struct lull_book *book = lull_book_open(&book_plan, &now, store_err, sizeof store_err);

	if (!book)
		fail_msg("%s", store_err);
	return book;
}

/* Two cyclic IDs, awake for a minute, a wake at 120 s, awake from 400 s on. */
static bool awake(lull_time t)
{
	return t < 60 * LULL_SEC || (t >= 120 * LULL_SEC && t < 123 * LULL_SEC) || t >= 400 * LULL_SEC;
}

static bool frame_at(lull_time t, struct lull_frame *f)
{
	*f = (struct lull_frame){.t = t, .len = 8};
	if (!awake(t))
		return false;
	f->id = t % (100 * LULL_MS) ? 0x120 : 0x300;
	f->data[0] = (uint8_t)(t / LULL_SEC);
	return true;
}

void book_live(struct lull_book *book, lull_time from, lull_time to)
{
	for (lull_time t = from; t < to; t += 10 * LULL_MS) {
		struct lull_frame f;

		if (frame_at(t, &f)) {
			f.t += BOOT_0;
			assert_int_equal(lull_book_frame(book, &f), 0);
		}
		if (t % LULL_SEC == 0) {
			const struct lull_moment now = book_moment(t);

			assert_int_equal(lull_book_tick(book, &now), 0);
		}
	}
}

void book_finish(struct lull_book *book, lull_time t)
{
	const struct lull_moment now = book_moment(t);

	assert_int_equal(lull_book_close(book, &now), 0);
}

struct file_bytes {
	char name[600];
	uint8_t *data;
	size_t n;
};

static void take_bytes(const char *path, const char *suffix, struct file_bytes *file)
{
	struct stat st;

	*file = (struct file_bytes){0};
	(void)snprintf(file->name, sizeof file->name, "%s%s", path, suffix);
	const int fd = open(file->name, O_RDONLY | O_CLOEXEC);

	if (fd < 0)
		return;
	assert_int_equal(fstat(fd, &st), 0);
	file->n = (size_t)st.st_size;
	file->data = malloc(file->n + 1);
	assert_non_null(file->data);
	assert_int_equal(read(fd, file->data, file->n), file->n);
	(void)close(fd);
}

static void put_bytes(struct file_bytes *file)
{
	if (!file->data)
		return;
	const int fd = open(file->name, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0640);

	assert_true(fd >= 0);
	assert_int_equal(write(fd, file->data, file->n), file->n);
	(void)close(fd);
	free(file->data);
}

/* As SIGKILL leaves it: with its WAL, and with a lock file that nobody holds. */
void book_kill(struct lull_book *book)
{
	static const char *const suffixes[] = {"", "-wal", ".lock"};
	struct file_bytes files[3];

	for (int i = 0; i < 3; i++)
		take_bytes(lull_book_path(book), suffixes[i], &files[i]);
	if (book->journal)
		lull_journal_abandon(book->journal);
	lull_book_free(book);
	for (int i = 0; i < 3; i++)
		put_bytes(&files[i]);
}

void book_path_of(const struct lull_book *book, char path[512])
{
	(void)snprintf(path, 512, "%s", lull_book_path(book));
}

void book_load(const char *path, struct lull_night *night)
{
	if (lull_store_load(path, night, store_err, sizeof store_err))
		fail_msg("%s", store_err);
}

/* What an import of the same frames would make. */
void book_plain_night(lull_time end, struct lull_night *night)
{
	struct lull_sink sink = lull_night_sink(night);
	struct lull_observer *observer = lull_observer_new(&sink);

	lull_night_init(night);
	assert_int_equal(lull_observer_bus(observer, "body", 500000, 0), 0);
	for (lull_time t = 0; t < end; t += 10 * LULL_MS) {
		struct lull_frame f;

		if (frame_at(t, &f))
			assert_int_equal(lull_observer_frame(observer, &f), 0);
		if (t % LULL_SEC == 0)
			assert_int_equal(lull_observer_tick(observer, t), 0);
	}
	assert_int_equal(lull_observer_finish(observer, end), 0);
	lull_observer_free(observer);
	assert_int_equal(lull_night_sort(night), 0);
}

void book_same_rows(const struct lull_night *a, const struct lull_night *b)
{
	assert_int_equal(a->stretches.n, b->stretches.n);
	for (size_t i = 0; i < a->stretches.n; i++) {
		const struct lull_stretch *x = &a->stretches.at[i], *y = &b->stretches.at[i];

		assert_true(x->id == y->id && x->kind == y->kind && x->end == y->end &&
			x->first == y->first && x->last == y->last);
		assert_true(x->frames == y->frames && x->bits == y->bits && x->period_ns == y->period_ns &&
			x->index == y->index);
		assert_memory_equal(&x->fit, &y->fit, sizeof x->fit);
		assert_memory_equal(x->payload_last, y->payload_last, sizeof x->payload_last);
	}
	assert_int_equal(a->gaps.n, b->gaps.n);
	for (size_t i = 0; i < a->gaps.n; i++) {
		const struct lull_gap *x = &a->gaps.at[i], *y = &b->gaps.at[i];

		assert_true(x->bus == y->bus && x->last == y->last && x->next == y->next &&
			x->last_id == y->last_id && x->next_id == y->next_id);
	}
	assert_int_equal(a->cadences.n, b->cadences.n);
	assert_int_equal(a->changes.n, b->changes.n);
	assert_int_equal(a->edges.n, b->edges.n);
	assert_int_equal(a->bus[0].frames, b->bus[0].frames);
	assert_true(a->bus[0].first == b->bus[0].first && a->bus[0].last == b->bus[0].last);
}
