/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_second: the order of what the recorder does each second, in virtual time: a ring that a pretended receiver fills, and a disk
 * that is slow, full, away and back. */
#include <daemon/second.h>
#include <lull/night.h>

#include "fake_disk.h"
#include "store_rig.h"
#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <setjmp.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <cmocka.h>

#define BOOT_0 (1000 * LULL_SEC) /* CLOCK_BOOTTIME at the start */
#define UTC_0 (INT64_C(1772750000) * LULL_SEC)
#define RING ((size_t)4 << 20)
#define IDS 40
#define STEP (LULL_SEC / 2243) /* from frame to frame */

/* All that there is: the clock, the bus, the receiver. */
static struct world {
	int64_t now; /* CLOCK_BOOTTIME */
	int64_t sent; /* the next frame is due then */
	int64_t asleep_from, asleep_to; /* nobody sends */
	bool stopped; /* the receiver stands still: frames wait in its socket */
	int64_t fetched; /* the next frame that it will fetch */
	struct lull_config config;
	struct lull_receiver receiver;
	struct lull_second second;
	int said; /* stderr */
} w;

static struct lull_moment moment(void)
{
	return (struct lull_moment){
		.boot = w.now, .utc = w.now - BOOT_0 + UTC_0, .error = LULL_MS, .dated = true};
}

/* --- the receiver --- */

static void put_entry(enum lull_entry_kind kind, uint32_t id, int64_t stamp, const void *data, unsigned len)
{
	struct lull_ring *ring = &w.receiver.shared->ring;
	struct lull_entry *entry = lull_ring_room(ring, len);

	assert_non_null(entry);
	entry->kind = (uint8_t)kind;
	entry->bus = 0;
	entry->id = id;
	entry->stamp = stamp;
	entry->flags = 0;
	entry->len = (uint8_t)len;
	memcpy(entry->data, data, len);
	lull_ring_put(ring, entry);
}

static int64_t utc_of(int64_t boot)
{
	return boot - BOOT_0 + UTC_0;
}

/* All that was sent by now goes into the ring, and a question is answered. */
static void receive(void)
{
	struct lull_shared *shared = w.receiver.shared;

	if (w.stopped)
		return;
	put_entry(LULL_ENTRY_CLOCK, 0, utc_of(w.now), &w.now, sizeof w.now);
	for (; w.fetched < w.now; w.fetched += STEP) {
		const int64_t n = (w.fetched - BOOT_0) / STEP;
		const uint8_t data[8] = {(uint8_t)(n / 1000)};

		if (w.fetched >= w.asleep_from && w.fetched < w.asleep_to)
			continue;
		put_entry(
			LULL_ENTRY_FRAME, 0x100 + (uint32_t)(n % IDS), utc_of(w.fetched), data, sizeof data);
	}
	atomic_store(&shared->pong, atomic_load(&shared->ping));
}

/* The receiver works on while a write takes its time; the main process does not. */
static void passes(void *ctx, int64_t ns)
{
	(void)ctx;
	fake_disk.sync_ns = 0;
	for (const int64_t end = w.now + ns; w.now < end;) {
		w.now += 10 * LULL_MS < end - w.now ? 10 * LULL_MS : end - w.now;
		receive();
	}
}

/* --- set-up --- */

static int set_up(void **state)
{
	char folder[sizeof store_path];

	if (store_set_up(state))
		return -1;
	const int null = open("/dev/null", O_WRONLY | O_CLOEXEC);

	w = (struct world){
		.now = BOOT_0, .fetched = BOOT_0, .asleep_from = INT64_MAX, .asleep_to = INT64_MAX};
	/* What the log says is of no interest here. */
	w.said = dup(STDERR_FILENO);
	assert_true(w.said >= 0 && null >= 0 && dup2(null, STDERR_FILENO) == STDERR_FILENO);
	(void)close(null);
	memcpy(folder, store_path, sizeof folder);
	lull_config_defaults(&w.config);
	(void)snprintf(w.config.folder, sizeof w.config.folder, "%s", dirname(folder));
	w.config.bus_count = 1;
	(void)snprintf(w.config.bus[0].name, sizeof w.config.bus[0].name, "body");
	w.config.bus[0].bitrate = 500000;
	w.config.batch_ns = 30 * LULL_SEC;
	w.receiver = (struct lull_receiver){.pid = -1, .kick = -1, .news = -1};
	w.receiver.shared = calloc(1, sizeof *w.receiver.shared + RING);
	assert_non_null(w.receiver.shared);
	lull_ring_init(&w.receiver.shared->ring, RING);
	w.second = (struct lull_second){.config = &w.config};
	w.second.ears = (struct lull_ears){.config = &w.config, .receiver = &w.receiver};
	fake_disk_begin(w.config.folder);
	fake_disk.passes = passes;
	return 0;
}

static int tear_down(void **state)
{
	fake_disk_end();
	free(w.receiver.shared);
	(void)dup2(w.said, STDERR_FILENO);
	(void)close(w.said);
	return store_tear_down(state);
}

/* The recorder starts, and its bus is heard at once. */
static void begin(void)
{
	const struct lull_moment now = moment();
	const int opened[2] = {0, 1 << 20};

	assert_int_equal(lull_second_begin(&w.second, &now), 0);
	assert_int_equal(lull_book_blind(w.second.ears.book, 0, LULL_BLIND_NOT_LISTENING, now.boot), 0);
	receive();
	put_entry(LULL_ENTRY_OPENED, w.second.ears.ear[0].generation, w.now, opened, sizeof opened);
	assert_int_equal(lull_second_take(&w.second), 0);
	assert_true(w.second.ears.ear[0].open);
}

/* The main process drains when there is news, ten times a second here, and has its turn each second; after a slow write that turn is
 * due before any news is looked at. */
static void live(lull_time until)
{
	while (w.now < BOOT_0 + until) {
		bool late = true;

		for (int i = 0; i < 10; i++) {
			assert_int_equal(lull_second_take(&w.second), 0);
			w.now += 100 * LULL_MS;
			receive();
		}
		while (late) {
			const struct lull_moment now = moment();
			const int r = lull_second_pass(&w.second, &now);

			assert_in_range(r, 0, 1);
			late = r == 1 || w.now - now.boot >= LULL_SEC;
			receive();
		}
	}
}

static void finish(char path[512])
{
	const struct lull_moment now = moment();

	assert_int_equal(lull_second_take(&w.second), 0);
	(void)snprintf(path, 512, "%s", lull_book_path(w.second.ears.book));
	assert_int_equal(lull_book_close(w.second.ears.book, &now), 0);
	w.second.ears.book = NULL;
}

/* The same under a name that no recorder goes on with. */
static void put_by(char path[512], const char *name)
{
	char to[512];

	(void)snprintf(to, sizeof to, "%s/%s", w.config.folder, name);
	assert_int_equal(rename(path, to), 0);
	memcpy(path, to, sizeof to);
}

static int64_t one_number(const char *a, const char *b, const char *sql)
{
	sqlite3 *db = NULL;
	sqlite3_stmt *stmt = NULL;
	int64_t n = -1;

	assert_int_equal(sqlite3_open(a, &db), SQLITE_OK);
	if (b) {
		char *attach = sqlite3_mprintf("ATTACH %Q AS b", b);

		assert_int_equal(sqlite3_exec(db, attach, NULL, NULL, NULL), SQLITE_OK);
		sqlite3_free(attach);
	}
	if (sqlite3_prepare_v2(db, sql, -1, &stmt, NULL) == SQLITE_OK && sqlite3_step(stmt) == SQLITE_ROW)
		n = sqlite3_column_int64(stmt, 0);
	(void)sqlite3_finalize(stmt);
	(void)sqlite3_close(db);
	return n;
}

/* Rows of either that the other has not. */
static void same_recording(const char *a, const char *b)
{
	static const char *const tables[] = {
		"bus", "stretch", "cadence", "gap", "change", "edge", "coverage", "mark", "clock", "chunk"};

	for (size_t i = 0; i < sizeof tables / sizeof tables[0]; i++) {
		char sql[512];

		(void)snprintf(sql, sizeof sql,
			"SELECT (SELECT count(*) FROM (SELECT * FROM main.%s EXCEPT SELECT * FROM b.%s))"
			" + (SELECT count(*) FROM (SELECT * FROM b.%s EXCEPT SELECT * FROM main.%s))"
			" + abs((SELECT count(*) FROM main.%s) - (SELECT count(*) FROM b.%s))",
			tables[i], tables[i], tables[i], tables[i], tables[i], tables[i]);
		const int64_t differ = one_number(a, b, sql);

		if (differ)
			print_message("%s: %lld rows differ\n", tables[i], (long long)differ);
		assert_int_equal(differ, 0);
	}
}

/* Ten minutes of traffic with a minute of sleep in it; `trouble` is called at 200 s. */
static void record(void (*trouble)(void), const char *name, char path[512])
{
	w.now = w.fetched = BOOT_0;
	w.asleep_from = BOOT_0 + 400 * LULL_SEC;
	w.asleep_to = BOOT_0 + 460 * LULL_SEC;
	memset(w.receiver.shared, 0, sizeof *w.receiver.shared);
	lull_ring_init(&w.receiver.shared->ring, RING);
	w.second = (struct lull_second){.config = &w.config};
	w.second.ears = (struct lull_ears){.config = &w.config, .receiver = &w.receiver};
	begin();
	live(200 * LULL_SEC);
	if (trouble)
		trouble();
	live(600 * LULL_SEC);
	finish(path);
	put_by(path, name);
}

/* --- the tests --- */

static void next_write_takes_12_s(void)
{
	fake_disk.sync_ns = 12 * LULL_SEC;
}

static void next_write_takes_40_s(void)
{
	fake_disk.sync_ns = 40 * LULL_SEC;
}

/* The disk takes its time with one batch. In the recording nothing tells of that. */
static void a_slow_write_ends_no_stretch(void **state)
{
	void (*const troubles[])(void) = {next_write_takes_12_s, next_write_takes_40_s};
	char calm[512], slow[512];

	(void)state;
	record(NULL, "calm", calm);
	/* All of them once before the sleep and once after it. */
	assert_int_equal(one_number(calm, NULL, "SELECT count(*) FROM stretch"), 2 * IDS);
	assert_int_equal(one_number(calm, NULL, "SELECT count(*) FROM stretch WHERE ended = 'gap'"), IDS);
	for (size_t i = 0; i < sizeof troubles / sizeof troubles[0]; i++) {
		record(troubles[i], "slow", slow);
		assert_int_equal(fake_disk.sync_ns, 0); /* it was slow */
		same_recording(calm, slow);
	}
}

static void receiver_stands_still_for_30_s(void)
{
	w.stopped = true;
	live(230 * LULL_SEC);
	w.stopped = false;
}

/* Frames that wait in the socket of a receiver that stands still are no silence either. */
static void a_stopped_receiver_ends_no_stretch(void **state)
{
	char calm[512], stopped[512];

	(void)state;
	record(NULL, "calm", calm);
	record(receiver_stands_still_for_30_s, "stopped", stopped);
	same_recording(calm, stopped);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		TEST(a_slow_write_ends_no_stretch),
		TEST(a_stopped_receiver_ends_no_stretch),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
