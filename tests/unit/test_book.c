/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_book: the recording that is being made: the same rows as an import, whole whenever it is broken off, gone on with. */
#include "book_rig.h"
#include "fake_disk.h"
#include "store_rig.h"
#include <errno.h>
#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <store/uuid.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <cmocka.h>

static void as_an_import(void **state)
{
	const lull_time end = 800 * LULL_SEC;
	struct lull_night made, wanted;
	char path[512];

	(void)state;
	struct lull_book *book = book_at(0);

	book_path_of(book, path);
	book_live(book, 0, end);
	assert_true(lull_book_bytes(book) > 4096);
	book_finish(book, end);
	assert_int_equal(store_files(false), 1); /* no WAL is left */
	book_load(path, &made);
	book_plain_night(end, &wanted);
	book_same_rows(&made, &wanted);
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

		book_path_of(book, path);
		book_live(book, 0, at);
		const lull_time written = lull_book_time(book, lull_book_written_at(book));

		book_kill(book);
		book_load(path, &night);
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

	book_path_of(book, path);
	book_live(book, 0, 100 * LULL_SEC);
	book_kill(book);
	book = book_at(110 * LULL_SEC);
	book_path_of(book, again);
	assert_string_equal(path, again);
	book_live(book, 110 * LULL_SEC, 500 * LULL_SEC);
	book_finish(book, 500 * LULL_SEC);
	book_load(path, &night);
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

	book_path_of(book, path);
	book_live(book, 0, 100 * LULL_SEC);
	book_kill(book);
	memcpy(book_plan.boot, "00000000-0000-0000-0000-000000000002", 37);
	/* 40 s after the kill by the date, 7 s after the boot. */
	struct lull_moment now = {.boot = 7 * LULL_SEC, .utc = UTC_0 + 140 * LULL_SEC, .error = LULL_MS, .dated = true};

	book = lull_book_open(&book_plan, &now, store_err, sizeof store_err);
	assert_non_null(book);
	book_path_of(book, again);
	assert_string_equal(path, again);
	assert_true(lull_book_time(book, 7 * LULL_SEC) == 140 * LULL_SEC);
	book_kill(book);

	/* No date: it goes on, one second later, and says so. */
	memcpy(book_plan.boot, "00000000-0000-0000-0000-000000000003", 37);
	now = (struct lull_moment){.boot = 9 * LULL_SEC};
	book = lull_book_open(&book_plan, &now, store_err, sizeof store_err);
	assert_non_null(book);
	book_path_of(book, again);
	assert_string_equal(path, again);
	now.boot += LULL_SEC;
	assert_int_equal(lull_book_close(book, &now), 0);
	book_load(path, &night);
	assert_int_equal(night.left_out.n, 1);
	assert_non_null(strstr(night.left_out.at[0], "no clock tells"));
	lull_night_clear(&night);

	/* A day later by the date: another night. */
	memcpy(book_plan.boot, "00000000-0000-0000-0000-000000000004", 37);
	now = (struct lull_moment){.boot = 9 * LULL_SEC, .utc = UTC_0 + 86400 * LULL_SEC, .error = LULL_MS, .dated = true};
	book = lull_book_open(&book_plan, &now, store_err, sizeof store_err);
	assert_non_null(book);
	book_path_of(book, again);
	assert_string_not_equal(path, again);
	book_kill(book);
}

static void identity_of(const char *path, struct lull_night_identity *identity)
{
	struct lull_night night;

	book_load(path, &night);
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
	memcpy(book_plan.identity.recorder, recorder, sizeof recorder);
	strcpy(book_plan.identity.vehicle, "blue estate");
	strcpy(book_plan.identity.model, "estate");
	struct lull_book *book = book_at(0);

	book_path_of(book, path);
	book_live(book, 0, 100 * LULL_SEC);
	assert_true(lull_uuid_valid(lull_book_identity(book)->uuid));
	book_kill(book);
	identity_of(path, &first);
	assert_true(lull_uuid_valid(first.uuid) && first.uuid[14] == '4');
	assert_string_equal(first.recorder, recorder);
	assert_string_equal(first.vehicle, "blue estate");
	assert_string_equal(first.model, "estate");

	/* Told no longer: as it was. */
	book_plan.identity.vehicle[0] = book_plan.identity.model[0] = book_plan.identity.recorder[0] = '\0';
	book = book_at(110 * LULL_SEC);
	book_path_of(book, again);
	assert_string_equal(path, again);
	book_live(book, 110 * LULL_SEC, 130 * LULL_SEC);
	book_kill(book);
	identity_of(path, &second);
	assert_memory_equal(&first, &second, sizeof first);

	/* The next car: the recording of the one before is closed as it is. */
	strcpy(book_plan.identity.vehicle, "red van");
	book = book_at(140 * LULL_SEC);
	book_path_of(book, again);
	assert_string_not_equal(path, again);
	book_finish(book, 150 * LULL_SEC);
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

	book_path_of(book, path);
	book_live(book, 0, 100 * LULL_SEC);
	book_kill(book);
	(void)snprintf(aside, sizeof aside, "%s-wal", path);
	assert_int_equal(unlink(aside), 0); /* the recording could be made anew from it */
	int fd = open(path, O_WRONLY);

	/* All zeros, as a power cut leaves some files. */
	assert_int_equal(fstat(fd, &st), 0);
	for (off_t at = 0; at < st.st_size; at += 8)
		assert_int_equal(pwrite(fd, "\0\0\0\0\0\0\0\0", 8, at), 8);
	(void)close(fd);
	book = book_at(110 * LULL_SEC);
	book_path_of(book, again);
	assert_string_not_equal(path, again);
	(void)snprintf(aside, sizeof aside, "%s.damaged", path);
	assert_int_equal(access(aside, F_OK), 0);
	book_finish(book, 111 * LULL_SEC);
}

static void blind_times_are_told(void **state)
{
	struct lull_night night;
	char path[512];

	(void)state;
	struct lull_book *book = book_at(0);

	book_path_of(book, path);
	book_live(book, 0, 30 * LULL_SEC);
	assert_int_equal(lull_book_blind(book, 0, LULL_BLIND_LINK_DOWN, BOOT_0 + 30 * LULL_SEC), 0);
	assert_int_equal(lull_book_blind(book, 0, LULL_BLIND_LINK_DOWN, BOOT_0 + 31 * LULL_SEC), 0);
	assert_int_equal(lull_book_blind(book, 0, LULL_BLIND_ADAPTER_GONE, BOOT_0 + 32 * LULL_SEC), 0);
	for (lull_time t = 30; t < 200; t++) {
		const struct lull_moment now = book_moment(t * LULL_SEC);

		assert_int_equal(lull_book_tick(book, &now), 0);
	}
	/* Broken off in the midst of it: the file knows, and no silence is in it. */
	const struct lull_moment then = book_moment(200 * LULL_SEC);

	assert_int_equal(lull_book_flush(book, &then), 0);
	book_load(path, &night);
	assert_int_equal(night.gaps.n, 0);
	assert_true(night.coverage.at[night.coverage.n - 1].to == 200 * LULL_SEC);
	assert_int_not_equal(night.coverage.at[night.coverage.n - 1].why, LULL_OBSERVED);
	lull_night_clear(&night);
	assert_int_equal(lull_book_hears(book, 0, LULL_BLIND_LINK_DOWN, BOOT_0 + 250 * LULL_SEC), 0);
	assert_true(lull_book_is_blind(book, 0, LULL_BLIND_ADAPTER_GONE));
	assert_int_equal(lull_book_hears(book, 0, LULL_BLIND_ADAPTER_GONE, BOOT_0 + 300 * LULL_SEC), 0);
	book_live(book, 300 * LULL_SEC, 420 * LULL_SEC);
	assert_int_equal(lull_book_lost(book, 0, BOOT_0 + 415 * LULL_SEC, BOOT_0 + 416 * LULL_SEC), 0);
	book_finish(book, 420 * LULL_SEC);
	book_load(path, &night);
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
			book_kill(book);
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
			const struct lull_moment now = book_moment(s * LULL_SEC);

			assert_int_equal(lull_book_tick(book, &now), 0);
			if (s % 300 == 299)
				put_clamp(book, s);
		}
		const unsigned long wrote = bytes_written() - before;

		assert_true(wrote < (busy ? 40000000 / 24 : 1000000));
		assert_in_range(lull_book_bytes(book), wrote * 8 / 10, wrote * 12 / 10);
		book_kill(book);
		(void)store_files(true);
	}
}

static void quiet_hours(struct lull_book *book, int64_t from_s, int64_t to_s)
{
	for (int64_t s = from_s; s < to_s; s++) {
		const struct lull_moment now = book_moment(s * LULL_SEC);

		assert_int_equal(lull_book_tick(book, &now), 0);
		if (s % 300 == 299)
			put_clamp(book, s);
	}
}

/* The hour after a kill writes what any hour does, and is told as what it is, however much waited in the WAL. */
static void what_the_hour_after_a_kill_writes(void **state)
{
	static const int64_t killed_after[] = {3600, 2 * 3600, 3 * 3600, 4 * 3600, 5 * 3600};

	(void)state;
	for (size_t i = 0; i < sizeof killed_after / sizeof killed_after[0]; i++) {
		const int64_t kill_at = killed_after[i], back = kill_at + 5;
		struct lull_book *book = book_at(0);

		quiet_hours(book, 0, kill_at);
		book_kill(book);
		const uint64_t before = fake_disk.bytes;

		book = book_at(back * LULL_SEC);
		quiet_hours(book, back, back + 3600);
		const uint64_t wrote = fake_disk.bytes - before, told = lull_book_bytes(book);

		print_message("killed after %d h: the hour after it wrote %d kB, told as %d kB\n", (int)(kill_at / 3600), (int)(wrote / 1000),
			(int)(told / 1000));
		assert_in_range(told, wrote * 8 / 10, wrote * 12 / 10);
		book_kill(book);
		(void)store_files(true);
	}
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, book_set_up, book_tear_down)

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
		TEST(what_a_night_writes),
		TEST(what_the_hour_after_a_kill_writes),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
