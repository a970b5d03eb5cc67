/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_book: the recording that is being made: the same rows as an import, whole whenever it is broken off, gone on with. */
#include <daemon/book_impl.h>
#include <daemon/log.h>
#include <lull/night.h>
#include <store/store.h>
#include <store/uuid.h>

#include "store_rig.h"
#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>
#include <cmocka.h>

#define BOOT_0 (1000 * LULL_SEC) /* CLOCK_BOOTTIME at the start */
#define UTC_0 (INT64_C(1772750000) * LULL_SEC)

static struct lull_config config;
static struct lull_book_plan plan;

static struct lull_moment moment(lull_time t)
{
	return (struct lull_moment){.boot = BOOT_0 + t, .utc = UTC_0 + t, .error = LULL_MS, .dated = true};
}

static int said;

static int tear_down(void **state)
{
	(void)dup2(said, STDERR_FILENO);
	(void)close(said);
	return store_tear_down(state);
}

static int set_up(void **state)
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
	lull_config_defaults(&config);
	(void)snprintf(config.folder, sizeof config.folder, "%s", dirname(folder));
	config.bus_count = 1;
	(void)snprintf(config.bus[0].name, sizeof config.bus[0].name, "body");
	config.bus[0].bitrate = 500000;
	plan = (struct lull_book_plan){.config = &config, .boot = "00000000-0000-0000-0000-000000000001"};
	return 0;
}

static struct lull_book *book_at(lull_time t)
{
	const struct lull_moment now = moment(t);
	struct lull_book *book = lull_book_open(&plan, &now, store_err, sizeof store_err);

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

static void live(struct lull_book *book, lull_time from, lull_time to)
{
	for (lull_time t = from; t < to; t += 10 * LULL_MS) {
		struct lull_frame f;

		if (frame_at(t, &f)) {
			f.t += BOOT_0;
			assert_int_equal(lull_book_frame(book, &f), 0);
		}
		if (t % LULL_SEC == 0) {
			const struct lull_moment now = moment(t);

			assert_int_equal(lull_book_tick(book, &now), 0);
		}
	}
}

static void finish(struct lull_book *book, lull_time t)
{
	const struct lull_moment now = moment(t);

	assert_int_equal(lull_book_close(book, &now), 0);
}

/* As SIGKILL leaves it. */
static void kill_book(struct lull_book *book)
{
	if (book->journal)
		lull_journal_abandon(book->journal);
	lull_book_free(book);
}

static void path_of(const struct lull_book *book, char path[512])
{
	(void)snprintf(path, 512, "%s", lull_book_path(book));
}

static void load(const char *path, struct lull_night *night)
{
	if (lull_store_load(path, night, store_err, sizeof store_err))
		fail_msg("%s", store_err);
}

/* What an import of the same frames would make. */
static void plain_night(lull_time end, struct lull_night *night)
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

static void same_rows(const struct lull_night *a, const struct lull_night *b)
{
	assert_int_equal(a->stretches.n, b->stretches.n);
	for (size_t i = 0; i < a->stretches.n; i++) {
		const struct lull_stretch *x = &a->stretches.at[i], *y = &b->stretches.at[i];

		assert_true(x->id == y->id && x->kind == y->kind && x->end == y->end && x->first == y->first && x->last == y->last);
		assert_true(x->frames == y->frames && x->bits == y->bits && x->period_ns == y->period_ns && x->index == y->index);
		assert_memory_equal(&x->fit, &y->fit, sizeof x->fit);
		assert_memory_equal(x->payload_last, y->payload_last, sizeof x->payload_last);
	}
	assert_int_equal(a->gaps.n, b->gaps.n);
	for (size_t i = 0; i < a->gaps.n; i++) {
		const struct lull_gap *x = &a->gaps.at[i], *y = &b->gaps.at[i];

		assert_true(x->bus == y->bus && x->last == y->last && x->next == y->next && x->last_id == y->last_id &&
			x->next_id == y->next_id);
	}
	assert_int_equal(a->cadences.n, b->cadences.n);
	assert_int_equal(a->changes.n, b->changes.n);
	assert_int_equal(a->edges.n, b->edges.n);
	assert_int_equal(a->bus[0].frames, b->bus[0].frames);
	assert_true(a->bus[0].first == b->bus[0].first && a->bus[0].last == b->bus[0].last);
}

static void as_an_import(void **state)
{
	const lull_time end = 800 * LULL_SEC;
	struct lull_night made, wanted;
	char path[512];

	(void)state;
	struct lull_book *book = book_at(0);

	path_of(book, path);
	live(book, 0, end);
	assert_true(lull_book_bytes(book) > 4096);
	finish(book, end);
	assert_int_equal(store_files(false), 1); /* no WAL is left */
	load(path, &made);
	plain_night(end, &wanted);
	same_rows(&made, &wanted);
	assert_int_equal(made.coverage.n, 1);
	assert_int_equal(made.coverage.at[0].why, LULL_OBSERVED);
	assert_true(made.coverage.at[0].from == 0 && made.coverage.at[0].to == end);
	assert_true(lull_night_utc(&made, 5 * LULL_SEC) == UTC_0 + 5 * LULL_SEC);
	lull_night_clear(&made);
	lull_night_clear(&wanted);
}

/* At whatever second it is killed: a whole recording, at most one batch short; a picture of an awake bus is five minutes old
 * at most, one of a bus that changed its mind two seconds. */
static void killed_at_any_second(void **state)
{
	static const int seconds[] = {1, 3, 30, 45, 61, 64, 90, 119, 121, 124, 200, 399, 401, 404, 500, 701, 799};

	(void)state;
	for (size_t i = 0; i < sizeof seconds / sizeof seconds[0]; i++) {
		const lull_time at = seconds[i] * LULL_SEC + LULL_MS;
		struct lull_night night;
		char path[512];
		struct lull_book *book = book_at(0);

		path_of(book, path);
		live(book, 0, at);
		const lull_time written = lull_book_time(book, lull_book_written_at(book));

		kill_book(book);
		load(path, &night);
		assert_true(night.end <= at);
		if (seconds[i] > 31)
			assert_true(at - written <= 32 * LULL_SEC && night.end >= written - LULL_SEC);
		/* No stretch twice, none beyond what the disk knows, and silences that had begun. */
		for (size_t k = 1; k < night.stretches.n; k++)
			assert_false(night.stretches.at[k].first == night.stretches.at[k - 1].first &&
				night.stretches.at[k].id == night.stretches.at[k - 1].id);
		if (seconds[i] >= 90 && seconds[i] < 120) {
			assert_int_equal(night.gaps.n, 1);
			assert_true(night.gaps.at[0].next == LULL_NEVER);
		}
		if (seconds[i] >= 124 && seconds[i] < 400) {
			assert_int_equal(night.gaps.n, seconds[i] < 127 ? 1 : 2);
			assert_true(night.gaps.at[0].next == 120 * LULL_SEC);
		}
		lull_night_clear(&night);
		(void)store_files(true);
	}
}

static void gone_on_with_after_a_kill(void **state)
{
	struct lull_night night;
	char path[512], again[512];

	(void)state;
	struct lull_book *book = book_at(0);

	path_of(book, path);
	live(book, 0, 100 * LULL_SEC);
	kill_book(book);
	book = book_at(110 * LULL_SEC);
	path_of(book, again);
	assert_string_equal(path, again);
	live(book, 110 * LULL_SEC, 500 * LULL_SEC);
	finish(book, 500 * LULL_SEC);
	load(path, &night);
	assert_int_equal(night.bus[0].frames, 6000 + 300 + 10000);
	assert_true(night.bus[0].first == 0);
	/* Observed, blind while it was away, observed. */
	assert_int_equal(night.coverage.n, 3);
	assert_int_equal(night.coverage.at[1].why, LULL_BLIND_RESTARTED);
	assert_true(night.coverage.at[1].from <= 100 * LULL_SEC && night.coverage.at[1].from > 65 * LULL_SEC);
	assert_true(night.coverage.at[1].to == 110 * LULL_SEC);
	/* The silence before ends where blindness begins; the one after begins where it ends. */
	assert_int_equal(night.gaps.at[0].next, night.coverage.at[1].from);
	assert_int_equal(night.gaps.at[0].next_id, LULL_ID_NONE);
	assert_true(night.gaps.at[1].last == 110 * LULL_SEC && night.gaps.at[1].next == 120 * LULL_SEC);
	for (size_t i = 0; i < night.stretches.n; i++)
		assert_true(night.stretches.at[i].end != LULL_END_OPEN || night.stretches.at[i].last > 499 * LULL_SEC);
	lull_night_clear(&night);
}

/* Another boot: the time between is known only where both had a date. */
static void another_boot(void **state)
{
	struct lull_night night;
	char path[512], again[512];

	(void)state;
	struct lull_book *book = book_at(0);

	path_of(book, path);
	live(book, 0, 100 * LULL_SEC);
	kill_book(book);
	memcpy(plan.boot, "00000000-0000-0000-0000-000000000002", 37);
	/* 40 s after the kill by the date, 7 s after the boot. */
	struct lull_moment now = {.boot = 7 * LULL_SEC, .utc = UTC_0 + 140 * LULL_SEC, .error = LULL_MS, .dated = true};

	book = lull_book_open(&plan, &now, store_err, sizeof store_err);
	assert_non_null(book);
	path_of(book, again);
	assert_string_equal(path, again);
	assert_true(lull_book_time(book, 7 * LULL_SEC) == 140 * LULL_SEC);
	kill_book(book);

	/* No date: it goes on, one second later, and says so. */
	memcpy(plan.boot, "00000000-0000-0000-0000-000000000003", 37);
	now = (struct lull_moment){.boot = 9 * LULL_SEC};
	book = lull_book_open(&plan, &now, store_err, sizeof store_err);
	assert_non_null(book);
	path_of(book, again);
	assert_string_equal(path, again);
	now.boot += LULL_SEC;
	assert_int_equal(lull_book_close(book, &now), 0);
	load(path, &night);
	assert_int_equal(night.left_out.n, 1);
	assert_non_null(strstr(night.left_out.at[0], "no clock tells"));
	lull_night_clear(&night);

	/* A day later by the date: another night. */
	memcpy(plan.boot, "00000000-0000-0000-0000-000000000004", 37);
	now = (struct lull_moment){.boot = 9 * LULL_SEC, .utc = UTC_0 + 86400 * LULL_SEC, .error = LULL_MS, .dated = true};
	book = lull_book_open(&plan, &now, store_err, sizeof store_err);
	assert_non_null(book);
	path_of(book, again);
	assert_string_not_equal(path, again);
	kill_book(book);
}

static void identity_of(const char *path, struct lull_night_identity *identity)
{
	struct lull_night night;

	load(path, &night);
	*identity = night.identity;
	lull_night_clear(&night);
}

/* A recording keeps its UUID when it is gone on with; the next one has its own; one is of one vehicle. */
static void one_identity_a_recording(void **state)
{
	static const char recorder[] = "5f1c0a9e-3b7d-4e52-9c86-a1b2c3d4e5f6";
	struct lull_night_identity first, second;
	char path[512], again[512];

	(void)state;
	memcpy(plan.identity.recorder, recorder, sizeof recorder);
	strcpy(plan.identity.vehicle, "blue estate");
	strcpy(plan.identity.model, "estate");
	struct lull_book *book = book_at(0);

	path_of(book, path);
	live(book, 0, 100 * LULL_SEC);
	assert_true(lull_uuid_valid(lull_book_identity(book)->uuid));
	kill_book(book);
	identity_of(path, &first);
	assert_true(lull_uuid_valid(first.uuid) && first.uuid[14] == '4');
	assert_string_equal(first.recorder, recorder);
	assert_string_equal(first.vehicle, "blue estate");
	assert_string_equal(first.model, "estate");

	/* Told no longer: as it was. */
	plan.identity.vehicle[0] = plan.identity.model[0] = plan.identity.recorder[0] = '\0';
	book = book_at(110 * LULL_SEC);
	path_of(book, again);
	assert_string_equal(path, again);
	live(book, 110 * LULL_SEC, 130 * LULL_SEC);
	kill_book(book);
	identity_of(path, &second);
	assert_memory_equal(&first, &second, sizeof first);

	/* The next car: the recording of the one before is closed as it is. */
	strcpy(plan.identity.vehicle, "red van");
	book = book_at(140 * LULL_SEC);
	path_of(book, again);
	assert_string_not_equal(path, again);
	finish(book, 150 * LULL_SEC);
	identity_of(again, &second);
	assert_string_equal(second.vehicle, "red van");
	assert_string_not_equal(first.uuid, second.uuid);
	identity_of(path, &second);
	assert_string_equal(second.vehicle, "blue estate");
	assert_string_equal(first.uuid, second.uuid);
}

static void a_damaged_one_is_set_aside(void **state)
{
	char path[512], again[512], aside[600];
	struct stat st;

	(void)state;
	struct lull_book *book = book_at(0);

	path_of(book, path);
	live(book, 0, 100 * LULL_SEC);
	kill_book(book);
	int fd = open(path, O_WRONLY);

	/* All zeros, as a power cut leaves some files. */
	assert_int_equal(fstat(fd, &st), 0);
	for (off_t at = 0; at < st.st_size; at += 8)
		assert_int_equal(pwrite(fd, "\0\0\0\0\0\0\0\0", 8, at), 8);
	(void)close(fd);
	book = book_at(110 * LULL_SEC);
	path_of(book, again);
	assert_string_not_equal(path, again);
	(void)snprintf(aside, sizeof aside, "%s.damaged", path);
	assert_int_equal(access(aside, F_OK), 0);
	finish(book, 111 * LULL_SEC);
}

static void blind_times_are_told(void **state)
{
	struct lull_night night;
	char path[512];

	(void)state;
	struct lull_book *book = book_at(0);

	path_of(book, path);
	live(book, 0, 30 * LULL_SEC);
	assert_int_equal(lull_book_blind(book, 0, LULL_BLIND_LINK_DOWN, BOOT_0 + 30 * LULL_SEC), 0);
	assert_int_equal(lull_book_blind(book, 0, LULL_BLIND_LINK_DOWN, BOOT_0 + 31 * LULL_SEC), 0);
	assert_int_equal(lull_book_blind(book, 0, LULL_BLIND_ADAPTER_GONE, BOOT_0 + 32 * LULL_SEC), 0);
	for (lull_time t = 30; t < 200; t++) {
		const struct lull_moment now = moment(t * LULL_SEC);

		assert_int_equal(lull_book_tick(book, &now), 0);
	}
	/* Broken off in the midst of it: the file knows, and no silence is in it. */
	const struct lull_moment then = moment(200 * LULL_SEC);

	assert_int_equal(lull_book_flush(book, &then), 0);
	load(path, &night);
	assert_int_equal(night.gaps.n, 0);
	assert_true(night.coverage.at[night.coverage.n - 1].to == 200 * LULL_SEC);
	assert_int_not_equal(night.coverage.at[night.coverage.n - 1].why, LULL_OBSERVED);
	lull_night_clear(&night);
	assert_int_equal(lull_book_hears(book, 0, LULL_BLIND_LINK_DOWN, BOOT_0 + 250 * LULL_SEC), 0);
	assert_true(lull_book_is_blind(book, 0, LULL_BLIND_ADAPTER_GONE));
	assert_int_equal(lull_book_hears(book, 0, LULL_BLIND_ADAPTER_GONE, BOOT_0 + 300 * LULL_SEC), 0);
	live(book, 300 * LULL_SEC, 420 * LULL_SEC);
	assert_int_equal(lull_book_lost(book, 0, BOOT_0 + 415 * LULL_SEC, BOOT_0 + 416 * LULL_SEC), 0);
	finish(book, 420 * LULL_SEC);
	load(path, &night);
	lull_time blind = 0;

	for (size_t i = 0; i < night.coverage.n; i++)
		if (night.coverage.at[i].why != LULL_OBSERVED)
			blind += night.coverage.at[i].to - night.coverage.at[i].from;
	/* 270 s without the link, and a loss after the last frame only. */
	assert_true(blind >= 270 * LULL_SEC && blind <= 271 * LULL_SEC);
	assert_int_equal(night.gaps.n, 1);
	assert_true(night.gaps.at[0].last == 300 * LULL_SEC && night.gaps.at[0].next == 400 * LULL_SEC);
	lull_night_clear(&night);
}

/* The disk takes nothing for a while: what was heard waits, and is written when it does again. */
static void a_full_disk_costs_nothing_at_first(void **state)
{
	struct lull_night made, wanted;
	struct rlimit before, none;
	char path[512];

	(void)state;
	(void)signal(SIGXFSZ, SIG_IGN);
	struct lull_book *book = book_at(0);

	path_of(book, path);
	live(book, 0, 50 * LULL_SEC);
	assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
	none = before;
	none.rlim_cur = 4096;
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &none), 0);
	live(book, 50 * LULL_SEC, 300 * LULL_SEC);
	const int trouble = lull_book_trouble(book);

	assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
	assert_int_not_equal(trouble, 0);
	live(book, 300 * LULL_SEC, 500 * LULL_SEC);
	assert_int_equal(lull_book_trouble(book), 0);
	finish(book, 500 * LULL_SEC);
	load(path, &made);
	plain_night(500 * LULL_SEC, &wanted);
	same_rows(&made, &wanted);
	lull_night_clear(&made);
	lull_night_clear(&wanted);
}

static unsigned long bytes_written(void)
{
	FILE *f = fopen("/proc/self/io", "re");
	char line[64];
	unsigned long found = 0;

	while (f && fgets(line, sizeof line, f))
		if (!strncmp(line, "wchar: ", 7))
			found = strtoul(line + 7, NULL, 10);
	if (f)
		(void)fclose(f);
	return found;
}

/* 5 readings a second of a clamp, in chunks of 300 s. */
static void put_clamp(struct lull_book *book, int64_t second)
{
	static int32_t uA[1500];
	const struct lull_chunk chunk = {
		.tau_ns = (second - 299) * LULL_SEC, .step_ns = 200 * LULL_MS, .count = 1500, .uA = uA};

	for (int i = 0; i < 1500; i++)
		uA[i] = (int32_t)(42000 + (second * 7919 + i * 104729) % 400);
	assert_int_equal(lull_book_chunk(book, &chunk), 0);
}

/* Under 10 MB in ten quiet hours with a clamp, under 40 MB in eight hours awake with a hundred IDs: here an hour and 20
 * minutes of these. What the journal tells is what the kernel saw, within a fifth. */
static void what_a_night_writes(void **state)
{
	(void)state;
	for (int busy = 0; busy < 2; busy++) {
		const int64_t seconds = busy ? 1200 : 3600;
		const unsigned long before = bytes_written();
		struct lull_book *book = book_at(0);

		if (!before) {
			print_message("no /proc/self/io: skipped\n");
			kill_book(book);
			skip();
		}
		for (int64_t s = 0; s < seconds; s++) {
			for (int64_t ms = 0; busy && ms < 1000; ms += 10)
				for (unsigned i = 0; i < 100; i++) {
					struct lull_frame f = {.t = BOOT_0 + s * LULL_SEC + ms * LULL_MS + i * 10 * LULL_US,
						.id = 0x100 + i, .len = 8};

					if (ms / 10 % (i % 100 + 1) == 0)
						assert_int_equal(lull_book_frame(book, &f), 0);
				}
			const struct lull_moment now = moment(s * LULL_SEC);

			assert_int_equal(lull_book_tick(book, &now), 0);
			if (s % 300 == 299)
				put_clamp(book, s);
		}
		const unsigned long wrote = bytes_written() - before;

		assert_true(wrote < (busy ? 40000000 / 24 : 1000000));
		assert_in_range(lull_book_bytes(book), wrote * 8 / 10, wrote * 12 / 10);
		kill_book(book);
		(void)store_files(true);
	}
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		TEST(as_an_import),
		TEST(killed_at_any_second),
		TEST(gone_on_with_after_a_kill),
		TEST(another_boot),
		TEST(one_identity_a_recording),
		TEST(a_damaged_one_is_set_aside),
		TEST(blind_times_are_told),
		TEST(a_full_disk_costs_nothing_at_first),
		TEST(what_a_night_writes),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
