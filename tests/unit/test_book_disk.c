/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_book_disk: the recording that is being made, on a disk that is full, away and back, under somebody's hands, and beside another
 * recorder. */
#include "book_rig.h"
#include "fake_disk.h"
#include "store_rig.h"
#include <errno.h>
#include <fcntl.h>
#include <glob.h>
#include <setjmp.h>
#include <stdarg.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <store/claim.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>
#include <cmocka.h>

/* The disk takes nothing for a while: what was heard waits, and is written when it does again. */
static void a_full_disk_costs_nothing_at_first(void **state)
{
	struct lull_night made, wanted;
	struct rlimit before, none;
	char path[512];

	(void)state;
	(void)signal(SIGXFSZ, SIG_IGN);
	struct lull_book *book = book_at(0);

	book_path_of(book, path);
	book_live(book, 0, 50 * LULL_SEC);
	assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
	none = before;
	none.rlim_cur = 4096;
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &none), 0);
	book_live(book, 50 * LULL_SEC, 300 * LULL_SEC);
	const int trouble = lull_book_trouble(book);

	assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
	assert_int_not_equal(trouble, 0);
	book_live(book, 300 * LULL_SEC, 500 * LULL_SEC);
	assert_int_equal(lull_book_trouble(book), 0);
	book_finish(book, 500 * LULL_SEC);
	book_load(path, &made);
	book_plain_night(500 * LULL_SEC, &wanted);
	book_same_rows(&made, &wanted);
	lull_night_clear(&made);
	lull_night_clear(&wanted);
}

/* The only recording of the folder, closed by now. */
static void load_only(struct lull_night *night)
{
	char pattern[600];
	glob_t found;

	(void)snprintf(pattern, sizeof pattern, "%s/*.lull", book_config.folder);
	assert_int_equal(glob(pattern, 0, NULL, &found), 0);
	assert_int_equal(found.gl_pathc, 1);
	book_load(found.gl_pathv[0], night);
	globfree(&found);
	/* Neither journals nor locks are left. */
	assert_int_equal(store_files(false), 1);
}

static void as_if_nothing_had_been(lull_time end)
{
	struct lull_night made, wanted;

	load_only(&made);
	book_plain_night(end, &wanted);
	book_same_rows(&made, &wanted);
	assert_int_equal(made.coverage.n, 1);
	assert_true(made.coverage.at[0].from == 0 && made.coverage.at[0].to == end);
	lull_night_clear(&made);
	lull_night_clear(&wanted);
}

/* A recording that cannot be begun is held in memory, and written from its start once it can be. */
static void begun_later(void (*trouble)(bool on), int error)
{
	const struct lull_moment marked = book_moment(100 * LULL_SEC);

	trouble(true);
	struct lull_book *book = book_at(0);

	assert_string_equal(lull_book_path(book), "");
	assert_int_equal(lull_book_trouble(book), error);
	book_live(book, 0, 100 * LULL_SEC);
	assert_int_equal(lull_book_flush(book, &marked), -error);
	book_live(book, 100 * LULL_SEC, 200 * LULL_SEC);
	assert_string_equal(lull_book_path(book), "");
	trouble(false);
	assert_int_equal(store_files(false), 0);
	book_live(book, 200 * LULL_SEC, 240 * LULL_SEC);
	assert_string_not_equal(lull_book_path(book), "");
	assert_int_equal(lull_book_trouble(book), 0);
	book_live(book, 240 * LULL_SEC, 500 * LULL_SEC);
	book_finish(book, 500 * LULL_SEC);
	as_if_nothing_had_been(500 * LULL_SEC);
	(void)store_files(true);
}

static void disk_well(void)
{
	fake_disk_away(false);
	fake_disk.full = false;
}

static void disk_full(bool on)
{
	fake_disk.full = on;
}

static void without_a_file_at_first(void **state)
{
	(void)state;
	begun_later(fake_disk_away, ENOENT);
	begun_later(disk_full, ENOSPC);
	disk_well();
}

/* No file until the end: what was heard is lost, which is an error, and nothing else. */
static void never_a_file(void **state)
{
	const struct lull_moment end = book_moment(100 * LULL_SEC);

	(void)state;
	fake_disk_away(true);
	struct lull_book *book = book_at(0);

	book_live(book, 0, 100 * LULL_SEC);
	assert_int_equal(lull_book_close(book, &end), -ENOENT);
	disk_well();
	assert_int_equal(store_files(false), 0);
}

/* Full for so long that memory would not hold it: what is given up is no data, and said. */
static void given_up_in_the_end(void **state)
{
	struct lull_night night;
	bool blind = false;

	(void)state;
	fake_disk.full = true;
	struct lull_book *book = book_at(0);

	for (int64_t s = 0; s < 4000; s++) {
		const struct lull_moment now = book_moment(s * LULL_SEC);

		for (int64_t ms = 0; ms < 1000; ms += 50) {
			struct lull_frame f = {.t = now.boot + ms * LULL_MS, .id = 0x120, .len = 1};

			assert_int_equal(lull_book_frame(book, &f), 0);
			assert_int_equal(lull_book_mark(book, "rain", f.t), 0);
		}
		if (s == 3900)
			fake_disk.full = false;
		assert_int_equal(lull_book_tick(book, &now), 0);
	}
	assert_true(book->dropped > 0);
	book_finish(book, 4000 * LULL_SEC);
	disk_well();
	load_only(&night);
	for (size_t i = 0; i < night.coverage.n; i++)
		blind |= night.coverage.at[i].why == LULL_BLIND_FRAMES_LOST &&
			night.coverage.at[i].from < LULL_MIN && night.coverage.at[i].to > 1000 * LULL_SEC;
	assert_true(blind);
	assert_non_null(strstr(night.left_out.at[0], "the disk was full"));
	lull_night_clear(&night);
}

/* The disk is full when a killed recorder is back: the recording goes on all the same. */
static void gone_on_with_on_a_full_disk(void **state)
{
	struct lull_night night;
	char path[512];

	(void)state;
	struct lull_book *book = book_at(0);

	book_path_of(book, path);
	book_live(book, 0, 100 * LULL_SEC);
	book_kill(book);
	fake_disk.full = true;
	book = book_at(110 * LULL_SEC);
	assert_string_equal(lull_book_path(book), path);
	assert_int_equal(lull_book_trouble(book), ENOSPC);
	book_live(book, 110 * LULL_SEC, 300 * LULL_SEC);
	fake_disk.full = false;
	book_live(book, 300 * LULL_SEC, 500 * LULL_SEC);
	assert_int_equal(lull_book_trouble(book), 0);
	book_finish(book, 500 * LULL_SEC);
	disk_well();
	load_only(&night);
	assert_int_equal(night.bus[0].frames, 6000 + 300 + 10000);
	assert_int_equal(night.coverage.n, 3);
	assert_int_equal(night.coverage.at[1].why, LULL_BLIND_RESTARTED);
	assert_true(night.coverage.at[1].to == 110 * LULL_SEC);
	lull_night_clear(&night);
}

/* A disk that goes away in the midst of a night and comes back. */
static void away_and_back(void **state)
{
	(void)state;
	struct lull_book *book = book_at(0);

	book_live(book, 0, 100 * LULL_SEC);
	fake_disk_away(true);
	book_live(book, 100 * LULL_SEC, 300 * LULL_SEC);
	assert_string_equal(lull_book_path(book), "");
	assert_int_equal(lull_book_trouble(book), ENOENT);
	fake_disk_away(false);
	book_live(book, 300 * LULL_SEC, 420 * LULL_SEC);
	assert_string_not_equal(lull_book_path(book), "");
	assert_int_equal(lull_book_trouble(book), 0);
	book_finish(book, 420 * LULL_SEC);
	disk_well();
}

/* --- a recording that goes astray --- */

static struct lull_book *recorded_until(lull_time t, char path[512])
{
	struct lull_book *book = book_at(0);

	book_path_of(book, path);
	book_live(book, 0, t);
	return book;
}

static bool is_there(const char *path, const char *suffix)
{
	char name[600];

	(void)snprintf(name, sizeof name, "%s%s", path, suffix);
	return !access(name, F_OK);
}

/* The new recording knows nothing of the time before the last write to the old one, and says why. */
static void check_rest(const char *path, lull_time written)
{
	struct lull_night night;

	book_load(path, &night);
	size_t i = 0;

	while (i < night.coverage.n && night.coverage.at[i].why != LULL_OBSERVED)
		i++;
	assert_true(i < night.coverage.n && night.left_out.n > 0);
	assert_true(night.coverage.at[i].from == written);
	assert_non_null(strstr(night.left_out.at[0], "deleted, renamed or replaced"));
	lull_night_clear(&night);
}

static void deleted_while_it_is_written(void **state)
{
	const struct lull_moment now = book_moment(100 * LULL_SEC);
	struct lull_night night;
	char path[512], next[512];

	(void)state;
	struct lull_book *book = recorded_until(100 * LULL_SEC, path);
	const lull_time written = lull_book_time(book, lull_book_written_at(book));

	assert_int_equal(unlink(path), 0);
	/* A note that is said to be on the disk is in a file that is there. */
	assert_int_equal(lull_book_mark(book, "door", now.boot), 0);
	assert_int_equal(lull_book_flush(book, &now), 0);
	book_path_of(book, next);
	assert_string_not_equal(path, next);
	book_load(next, &night);
	assert_int_equal(night.marks.n, 1);
	assert_int_equal(night.marks.at[0].kind, LULL_MARK_DOOR);
	lull_night_clear(&night);
	/* No journal is left that another file of the old name could be taken to belong to. */
	assert_false(is_there(path, "-wal") || is_there(path, "-shm") || is_there(path, ".lock"));
	book_live(book, 100 * LULL_SEC, 300 * LULL_SEC);
	book_finish(book, 300 * LULL_SEC);
	check_rest(next, written);
	assert_int_equal(store_files(false), 1);
}

static void renamed_while_it_is_written(void **state)
{
	struct lull_night night;
	char path[512], next[512], to[600];

	(void)state;
	struct lull_book *book = recorded_until(100 * LULL_SEC, path);
	const lull_time written = lull_book_time(book, lull_book_written_at(book));

	(void)snprintf(to, sizeof to, "%s/monday", book_config.folder);
	assert_int_equal(rename(path, to), 0);
	book_live(book, 100 * LULL_SEC, 300 * LULL_SEC);
	book_path_of(book, next);
	assert_string_not_equal(path, next);
	assert_false(is_there(path, "-wal") || is_there(path, "-shm") || is_there(path, ".lock"));
	/* The one that was renamed is whole up to its last batch. */
	book_load(to, &night);
	assert_true(night.end == written);
	assert_int_equal(night.bus[0].frames, 6000);
	lull_night_clear(&night);
	book_finish(book, 300 * LULL_SEC);
	check_rest(next, written);
}

static void replaced_while_it_is_written(void **state)
{
	struct lull_night night;
	char path[512], next[512];

	(void)state;
	store_write_full_night(false);
	struct lull_book *book = recorded_until(100 * LULL_SEC, path);
	const lull_time written = lull_book_time(book, lull_book_written_at(book));

	assert_int_equal(rename(store_path, path), 0);
	book_live(book, 100 * LULL_SEC, 300 * LULL_SEC);
	book_path_of(book, next);
	assert_string_not_equal(path, next);
	assert_false(is_there(path, "-wal"));
	book_load(path, &night);
	store_is_full_night(&night);
	lull_night_clear(&night);
	book_finish(book, 300 * LULL_SEC);
	check_rest(next, written);
}

/* The folder gets another name: what lies in it stays whole, and the recording goes on where the configuration says. */
static void folder_renamed_while_it_is_written(void **state)
{
	struct lull_night night;
	char path[512], to[600], there[1200];

	(void)state;
	struct lull_book *book = recorded_until(100 * LULL_SEC, path);

	(void)snprintf(to, sizeof to, "%s.old", book_config.folder);
	assert_int_equal(rename(book_config.folder, to), 0);
	book_live(book, 100 * LULL_SEC, 200 * LULL_SEC);
	assert_int_equal(lull_book_trouble(book), ENOENT);
	assert_int_equal(mkdir(book_config.folder, 0750), 0);
	book_live(book, 200 * LULL_SEC, 300 * LULL_SEC);
	assert_int_equal(lull_book_trouble(book), 0);
	book_finish(book, 300 * LULL_SEC);
	(void)snprintf(there, sizeof there, "%s/%s", to, strrchr(path, '/') + 1);
	book_load(there, &night);
	assert_int_equal(night.bus[0].frames, 6000);
	lull_night_clear(&night);
	(void)store_files(true);
	assert_int_equal(rmdir(book_config.folder), 0);
	assert_int_equal(rename(to, book_config.folder), 0);
}

/* Deleted just before the end: the rest is a recording of its own, and claims nothing else. */
static void deleted_before_the_end(void **state)
{
	char path[512];

	(void)state;
	struct lull_book *book = recorded_until(100 * LULL_SEC, path);
	const lull_time written = lull_book_time(book, lull_book_written_at(book));
	const struct lull_moment dark = book_moment(100 * LULL_SEC);
	struct lull_night night;

	/* A bus that was observed until now has a row of it that reaches back to the start. */
	assert_int_equal(lull_book_blind(book, 0, LULL_BLIND_LINK_DOWN, dark.boot), 0);
	assert_int_equal(unlink(path), 0);
	book_finish(book, 101 * LULL_SEC);
	load_only(&night);
	for (size_t i = 0; i < night.coverage.n; i++)
		assert_true(
			night.coverage.at[i].why != LULL_OBSERVED || night.coverage.at[i].from >= written);
	lull_night_clear(&night);
}

/* --- two recorders --- */

static void two_recorders_share_a_folder(void **state)
{
	char path[512], other[512], text[600] = "";
	struct lull_journal_past past;
	struct lull_night night;

	(void)state;
	struct lull_book *first = recorded_until(50 * LULL_SEC, path);
	struct lull_book *second = book_at(50 * LULL_SEC);

	book_path_of(second, other);
	assert_string_not_equal(path, other);
	book_live(first, 50 * LULL_SEC, 100 * LULL_SEC);
	book_live(second, 50 * LULL_SEC, 100 * LULL_SEC);
	/* A recording that another one writes is refused, by name, with a way out. */
	errno = 0;
	assert_null(lull_journal_open(path, &past, store_err, sizeof store_err));
	assert_int_equal(errno, EBUSY);
	assert_non_null(strstr(store_err, path));
	assert_non_null(strstr(store_err, "another recorder is writing it"));
	assert_non_null(strstr(store_err, "folder ="));
	/* The lock says what it is, and its name is not a recording's. */
	(void)snprintf(text, sizeof text, "%s.lock", path);
	const int fd = open(text, O_RDONLY | O_CLOEXEC);
	const ssize_t n = read(fd, text, sizeof text - 1);

	(void)close(fd);
	assert_true(n > 0);
	text[n] = '\0';
	assert_non_null(strstr(text, "keeps a second recorder from writing"));
	assert_non_null(strstr(text, strrchr(path, '/') + 1));
	/* Each goes on with its own after a kill: the other's is taken, and a lock file without its recorder is nothing. */
	book_kill(second);
	assert_true(is_there(other, ".lock"));
	second = book_at(110 * LULL_SEC);
	assert_string_equal(lull_book_path(second), other);
	book_live(second, 110 * LULL_SEC, 150 * LULL_SEC);
	book_live(first, 100 * LULL_SEC, 150 * LULL_SEC);
	book_finish(second, 150 * LULL_SEC);
	book_finish(first, 150 * LULL_SEC);
	assert_int_equal(store_files(false), 2);
	book_load(path, &night);
	assert_int_equal(night.bus[0].frames, 6300);
	lull_night_clear(&night);
	book_load(other, &night);
	assert_int_equal(night.coverage.at[0].from, 0);
	lull_night_clear(&night);
}

/* A lock that its holder removes while it is waited for is no lock. */
static void a_lock_is_the_file_that_lies_there(void **state)
{
	char lock[200];

	(void)state;
	(void)snprintf(lock, sizeof lock, "%s.lock", store_path);
	assert_false(lull_claim_held(store_path));
	const int fd = lull_claim_take(store_path);

	assert_true(fd >= 0 && lull_claim_held(store_path));
	assert_int_equal(lull_claim_take(store_path), -EBUSY);
	assert_int_equal(unlink(lock), 0);
	const int again = lull_claim_take(store_path);

	assert_true(again >= 0);
	/* The first one's end does not remove the second one's file. */
	lull_claim_drop(store_path, fd);
	assert_true(lull_claim_held(store_path));
	lull_claim_drop(store_path, again);
	assert_false(lull_claim_held(store_path) || is_there(store_path, ".lock"));
	lull_claim_drop(store_path, -1);
	assert_int_equal(lull_claim_take("/nowhere/at/all.lull"), -ENOENT);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, book_set_up, book_tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		TEST(a_full_disk_costs_nothing_at_first),
		TEST(without_a_file_at_first),
		TEST(never_a_file),
		TEST(given_up_in_the_end),
		TEST(gone_on_with_on_a_full_disk),
		TEST(away_and_back),
		TEST(deleted_while_it_is_written),
		TEST(renamed_while_it_is_written),
		TEST(replaced_while_it_is_written),
		TEST(folder_renamed_while_it_is_written),
		TEST(deleted_before_the_end),
		TEST(two_recorders_share_a_folder),
		TEST(a_lock_is_the_file_that_lies_there),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
