/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_second: the order of what the recorder does each second, in virtual time: a ring that a pretended receiver fills, and a disk
 * that is slow, full, away and back. */
#include <daemon/book_impl.h>
#include <daemon/second.h>
#include <daemon/state.h>
#include <lull/night.h>

#include "fake_disk.h"
#include "store_rig.h"
#include <errno.h>
#include <fcntl.h>
#include <glob.h>
#include <jansson.h>
#include <libgen.h>
#include <setjmp.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
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

/* The list of frames that are kept is no file that the rig sees. */
static void remove_hidden(void)
{
	char pattern[600];
	glob_t found;

	(void)snprintf(pattern, sizeof pattern, "%s/.[!.]*", w.config.folder);
	if (!glob(pattern, 0, NULL, &found))
		for (size_t i = 0; i < found.gl_pathc; i++)
			(void)unlink(found.gl_pathv[i]);
	globfree(&found);
}

static int tear_down(void **state)
{
	fake_disk_end();
	remove_hidden();
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

/* --- status, the next recording, frames that are kept --- */

static json_t *state_now(void)
{
	const struct lull_clamp_state clamp = {0};
	const struct lull_moment now = moment();
	char *text = lull_state_text(&w.second.ears, &clamp, &now);

	assert_non_null(text);
	json_t *state = json_loads(text, 0, NULL);

	free(text);
	assert_non_null(state);
	return state;
}

/* The next recording cannot be begun: what is heard is held in memory, which status says, and is written once it can be. */
static void the_next_recording_waits_for_the_disk(void **state)
{
	struct lull_moment now;
	char path[512];

	(void)state;
	begin();
	live(50 * LULL_SEC);
	fake_disk_away(true);
	now = moment();
	assert_int_equal(lull_second_next(&w.second, &now), 0);
	live(100 * LULL_SEC);
	json_t *told = state_now();

	assert_true(json_is_null(json_object_get(told, "recording")));
	assert_string_equal(json_string_value(json_object_get(json_object_get(told, "disk"), "trouble")),
		strerror(ENOENT));
	json_decref(told);
	fake_disk_away(false);
	live(150 * LULL_SEC);
	told = state_now();
	assert_string_equal(
		json_string_value(json_object_get(told, "recording")), lull_book_path(w.second.ears.book));
	assert_true(json_is_null(json_object_get(json_object_get(told, "disk"), "trouble")));
	json_decref(told);
	finish(path);
	/* From its start, not from when the disk was back. */
	assert_in_range(one_number(path, NULL, "SELECT frames FROM bus"), 100 * 2243 - 2, 100 * 2243 + 2);
	assert_int_equal(one_number(path, NULL, "SELECT count(*) FROM coverage WHERE why <> 'observed'"), 0);
}

static double number_in(const json_t *object, const char *key)
{
	return json_number_value(json_object_get(object, key));
}

static double frames_in(const json_t *state)
{
	return number_in(json_array_get(json_object_get(state, "buses"), 0), "frames");
}

/* Length, frames and bytes are those of one span, which status names. */
static void status_counts_over_one_span(void **state)
{
	struct lull_moment now;

	(void)state;
	begin();
	live(100 * LULL_SEC);
	json_t *told = state_now();

	assert_true(number_in(told, "counted_from_s") == 0);
	assert_true(number_in(told, "time_s") == 100);
	assert_true(frames_in(told) > 99 * 2243 && frames_in(told) < 101 * 2243);
	const double first = number_in(json_object_get(told, "disk"), "written_bytes");

	json_decref(told);
	/* Killed, and back 10 s later. */
	lull_journal_abandon(w.second.ears.book->journal);
	lull_book_free(w.second.ears.book);
	w.now += 10 * LULL_SEC;
	w.fetched = w.now;
	w.second = (struct lull_second){.config = &w.config};
	w.second.ears = (struct lull_ears){.config = &w.config, .receiver = &w.receiver};
	begin();
	live(160 * LULL_SEC);
	told = state_now();
	assert_true(number_in(told, "time_s") == 160 && number_in(told, "counted_from_s") == 110);
	assert_true(frames_in(told) > 49 * 2243 && frames_in(told) < 51 * 2243);
	const double second = number_in(json_object_get(told, "disk"), "written_bytes");

	assert_true(second > 0 && second < first);
	json_decref(told);
	/* A new recording counts from its own start. */
	now = moment();
	assert_int_equal(lull_second_next(&w.second, &now), 0);
	live(170 * LULL_SEC);
	told = state_now();
	assert_true(number_in(told, "time_s") == 10 && number_in(told, "counted_from_s") == 0);
	assert_true(frames_in(told) > 9 * 2243 && frames_in(told) < 11 * 2243);
	json_decref(told);
	assert_int_equal(lull_book_close(w.second.ears.book, &now), 0);
}

static void status_tells_bus_and_clamp(void **state)
{
	struct lull_clamp_state clamp = {.present = true, .mA = 42.5, .at = BOOT_0 + LULL_SEC};
	struct lull_moment now;

	(void)state;
	begin();
	w.asleep_from = BOOT_0 + 20 * LULL_SEC;
	live(15 * LULL_SEC);
	json_t *told = state_now();
	const json_t *bus = json_array_get(json_object_get(told, "buses"), 0);

	assert_string_equal(json_string_value(json_object_get(bus, "state")), "awake");
	assert_int_equal(json_array_size(json_object_get(bus, "talking")), IDS);
	assert_true(json_is_null(json_object_get(told, "current")));
	json_decref(told);
	live(60 * LULL_SEC);
	told = state_now();
	bus = json_array_get(json_object_get(told, "buses"), 0);
	assert_string_equal(json_string_value(json_object_get(bus, "state")), "quiet");
	assert_true(json_is_true(json_object_get(bus, "proven")));
	assert_int_equal(json_array_size(json_object_get(bus, "talking")), 0);
	json_decref(told);
	now = moment();
	assert_int_equal(lull_book_blind(w.second.ears.book, 0, LULL_BLIND_LINK_DOWN, now.boot), 0);
	w.second.ears.ear[0].stated = true;
	for (int lost = 0; lost < 2; lost++) {
		clamp.lost = lost;
		(void)snprintf(clamp.why, sizeof clamp.why, "unplugged");
		now.dated = !lost;
		char *text = lull_state_text(&w.second.ears, &clamp, &now);

		told = json_loads(text, 0, NULL);
		free(text);
		bus = json_array_get(json_object_get(told, "buses"), 0);
		assert_string_equal(json_string_value(json_object_get(bus, "state")), "blind");
		assert_string_equal(
			json_string_value(json_array_get(json_object_get(bus, "why"), 0)), "link down");
		assert_non_null(json_object_get(bus, "listen_only"));
		const json_t *current = json_object_get(told, "current");

		assert_true(lost ? json_is_null(json_object_get(current, "mA"))
				 : number_in(current, "mA") == 42.5);
		assert_true(lost == json_is_string(json_object_get(current, "lost")));
		assert_true(lost == json_is_null(json_object_get(told, "utc")));
		json_decref(told);
	}
	assert_int_equal(lull_book_close(w.second.ears.book, &now), 0);
}

static int files_like(const char *end)
{
	char pattern[600];
	glob_t found;

	(void)snprintf(pattern, sizeof pattern, "%s/*%s", w.config.folder, end);
	const int rc = glob(pattern, 0, NULL, &found);
	const int n = rc ? 0 : (int)found.gl_pathc;

	globfree(&found);
	return n;
}

/* A recording that has become too long is closed and the next one begins; a bus that is blind stays so; frames are kept beside the
 * recording at hand. */
static void the_longest_recording(void **state)
{
	char path[512];

	(void)state;
	w.config.longest_ns = 120 * LULL_SEC;
	w.config.keep = LULL_KEEP_ALL;
	begin();
	live(100 * LULL_SEC);
	assert_int_equal(lull_book_blind(w.second.ears.book, 0, LULL_BLIND_COALESCING, w.now), 0);
	live(130 * LULL_SEC);
	assert_int_equal(files_like(".lull"), 2);
	assert_true(lull_book_is_blind(w.second.ears.book, 0, LULL_BLIND_COALESCING));
	assert_false(lull_book_is_blind(w.second.ears.book, 0, LULL_BLIND_LINK_DOWN));
	finish(path);
	lull_keep_close(w.second.ears.keep);
	assert_int_equal(files_like(".pcap.zst"), 2);
}

/* Frames are kept as soon as there is a recording that they belong to. */
static void frames_are_kept_beside_a_file(void **state)
{
	char path[512];

	(void)state;
	w.config.keep = LULL_KEEP_ALL;
	fake_disk.full = true;
	begin();
	live(40 * LULL_SEC);
	assert_null(w.second.ears.keep);
	fake_disk.full = false;
	live(80 * LULL_SEC);
	assert_non_null(w.second.ears.keep);
	finish(path);
	lull_keep_close(w.second.ears.keep);
	assert_int_equal(files_like(".0001.pcap.zst"), 1);
}

/* --- the watchdog --- */

/* How often it is fed until then. The socket holds ten datagrams, and whoever sends more waits. */
static int feeds_until(int fd, lull_time until)
{
	char text[64];
	int n = 0;

	while (w.now < BOOT_0 + until) {
		const lull_time t = w.now - BOOT_0 + 30 * LULL_SEC;

		live(t < until ? t : until);
		while (recv(fd, text, sizeof text, MSG_DONTWAIT) > 0)
			n++;
	}
	return n;
}

/* Fed while the receiver answers and the disk does or says why not, whether or not there are frames. */
static void the_watchdog_is_fed(void **state)
{
	struct sockaddr_un address = {.sun_family = AF_UNIX};
	const int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
	struct lull_moment now;

	(void)state;
	(void)snprintf(address.sun_path, sizeof address.sun_path, "%.80s/notify", w.config.folder);
	assert_int_equal(bind(fd, (const struct sockaddr *)&address, sizeof address), 0);
	assert_int_equal(setenv("NOTIFY_SOCKET", address.sun_path, 1), 0);
	w.second.watchdog_us = 20000000;
	w.config.keep_free = UINT64_MAX;
	begin();
	w.asleep_from = BOOT_0 + 10 * LULL_SEC;
	assert_in_range(feeds_until(fd, 100 * LULL_SEC), 18, 20);
	assert_true(w.second.scarce);
	w.stopped = true;
	(void)feeds_until(fd, 112 * LULL_SEC);
	assert_int_equal(feeds_until(fd, 160 * LULL_SEC), 0);
	w.stopped = false;
	fake_disk.full = true;
	assert_in_range(feeds_until(fd, 200 * LULL_SEC), 7, 9);
	fake_disk.full = false;
	/* An hour later the log says how much was written. */
	w.config.keep_free = 0;
	(void)feeds_until(fd, 3700 * LULL_SEC);
	assert_true(w.second.bytes_told > 0 && w.second.bytes_at == BOOT_0 + 3600 * LULL_SEC);
	assert_false(w.second.scarce);
	/* A ring that makes no sense is the end. */
	atomic_store(&w.receiver.shared->ring.head, UINT64_MAX / 2);
	now = moment();
	assert_true(lull_second_pass(&w.second, &now) < 0);
	(void)!lull_book_close(w.second.ears.book, &now);
	assert_int_equal(unsetenv("NOTIFY_SOCKET"), 0);
	(void)close(fd);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		TEST(a_slow_write_ends_no_stretch),
		TEST(a_stopped_receiver_ends_no_stretch),
		TEST(the_next_recording_waits_for_the_disk),
		TEST(status_counts_over_one_span),
		TEST(status_tells_bus_and_clamp),
		TEST(the_longest_recording),
		TEST(frames_are_kept_beside_a_file),
		TEST(the_watchdog_is_fed),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
