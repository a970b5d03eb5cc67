/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_leftovers: of the files beside a recording, only those go that an import left whose process is gone. */
#include <store/leftovers.h>
#include <store/store.h>

#include <errno.h>
#include <fcntl.h>
#include <setjmp.h>
#include <signal.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

static char folder[64], target[128];
static long dead; /* a process that has been */

static const char *beside(const char *format, ...) __attribute__((format(printf, 1, 2)));
static const char *beside(const char *format, ...)
{
	static char name[256];
	va_list list;
	const int n = snprintf(name, sizeof name, "%s/", folder);

	va_start(list, format);
	(void)vsnprintf(name + n, sizeof name - (size_t)n, format, list);
	va_end(list);
	return name;
}

static bool there(const char *name)
{
	struct stat st;

	return lstat(name, &st) == 0;
}

static void make(const char *name)
{
	const int fd = open(name, O_CREAT | O_EXCL | O_WRONLY, 0600);

	assert_true(fd >= 0);
	(void)close(fd);
}

static int set_up(void **state)
{
	(void)state;
	(void)snprintf(folder, sizeof folder, "/tmp/lull-test-leftovers-XXXXXX");
	assert_non_null(mkdtemp(folder));
	(void)snprintf(target, sizeof target, "%s/n.lull", folder);
	const pid_t pid = fork();

	if (!pid)
		_exit(0);
	assert_int_equal(waitpid(pid, NULL, 0), pid);
	dead = pid;
	return 0;
}

static int tear_down(void **state)
{
	char command[128];

	(void)state;
	(void)snprintf(command, sizeof command, "rm -r %s", folder);
	return system(command); /* NOLINT(cert-env33-c): our own folder */
}

static void those_of_the_dead_go(void **state)
{
	static const char *const endings[] = {"", "-wal", "-shm", "-journal"};

	(void)state;
	for (size_t i = 0; i < 4; i++)
		make(beside("n.lull.part%ld-0%s", dead, endings[i]));
	make(beside("n.lull.part%ld-17-wal", dead)); /* its recording is gone already */
	make(target);
	lull_leftovers_remove(target);
	for (size_t i = 0; i < 4; i++)
		assert_false(there(beside("n.lull.part%ld-0%s", dead, endings[i])));
	assert_false(there(beside("n.lull.part%ld-17-wal", dead)));
	assert_true(there(target));
}

static void nothing_else_goes(void **state)
{
	/* %ld is the dead process; no name of another kind, of another target or with anything behind it. */
	static const char *const others[] = {"m.lull.part%ld-0", "n.lull.part%ld", "n.lull.part%ld-", "n.lull.part%ld-0.gz", "n.lull.part0%ld-0",
		"n.lull.part%ld-00", "n.lull.part-%ld-0", "n.lull.part %ld-0", "n.lull.part%ld-0-wal2", "n.lull.partial%ld-0",
		"xn.lull.part%ld-0", "n.lull.part4294967296%ld-0"};

	(void)state;
	for (size_t i = 0; i < sizeof others / sizeof others[0]; i++) {
		char name[96];

		(void)snprintf(name, sizeof name, others[i], dead); /* NOLINT(clang-diagnostic-format-nonliteral) */
		make(beside("%s", name));
	}
	make(beside("n.lull.part%ld-0", (long)getpid()));
	make(beside("n.lull.part%ld-0", (long)getppid()));
	make(beside("n.lull.part1-0"));
	assert_int_equal(symlink("/dev/null", beside("n.lull.part%ld-1", dead)), 0);
	assert_int_equal(mkdir(beside("n.lull.part%ld-2", dead), 0700), 0);
	lull_leftovers_remove(target);
	for (size_t i = 0; i < sizeof others / sizeof others[0]; i++) {
		char name[96];

		(void)snprintf(name, sizeof name, others[i], dead); /* NOLINT(clang-diagnostic-format-nonliteral) */
		assert_true(there(beside("%s", name)));
	}
	assert_true(there(beside("n.lull.part%ld-0", (long)getpid())));
	assert_true(there(beside("n.lull.part%ld-0", (long)getppid())));
	assert_true(there(beside("n.lull.part1-0")));
	assert_true(there(beside("n.lull.part%ld-1", dead)));
	assert_true(there(beside("n.lull.part%ld-2", dead)));
	lull_leftovers_remove("no/such/folder/n.lull");
	lull_leftovers_remove("");
}

/* A process of another container has a number that means nothing here: what it has open stays. */
static void what_is_open_stays(void **state)
{
	int ready[2], end[2], status;
	char byte = 0, name[256];

	(void)state;
	(void)snprintf(name, sizeof name, "%s", beside("n.lull.part%ld-0", dead));
	assert_int_equal(pipe(ready), 0);
	assert_int_equal(pipe(end), 0);
	const pid_t pid = fork();

	if (!pid) {
		sqlite3 *db = NULL;
		const int rc = sqlite3_open(name, &db) ||
			sqlite3_exec(db, "PRAGMA journal_mode = WAL; CREATE TABLE t (x)", NULL, NULL, NULL);

		(void)!write(ready[1], "x", 1);
		(void)!read(end[0], &byte, 1);
		(void)sqlite3_close(db);
		_exit(rc);
	}
	assert_int_equal(read(ready[0], &byte, 1), 1);
	lull_leftovers_remove(target);
	const bool stayed = there(name);
	const bool log = there(beside("n.lull.part%ld-0-wal", dead));

	assert_int_equal(write(end[1], "x", 1), 1);
	assert_int_equal(waitpid(pid, &status, 0), pid);
	assert_int_equal(status, 0);
	assert_true(stayed);
	assert_true(log);
	lull_leftovers_remove(target);
	assert_false(there(name));
}

/* A new recording of the same name takes them away; of another name it does not. */
static void a_new_recording_removes_them(void **state)
{
	char err[256];
	struct lull_store *store;

	(void)state;
	make(beside("n.lull.part%ld-0", dead));
	store = lull_store_create(beside("o.lull"), false, err, sizeof err);
	assert_non_null(store);
	lull_store_abandon(store);
	assert_true(there(beside("n.lull.part%ld-0", dead)));
	store = lull_store_create(target, false, err, sizeof err);
	assert_non_null(store);
	assert_false(there(beside("n.lull.part%ld-0", dead)));
	assert_true(there(beside("n.lull.part%ld-0", (long)getpid())));
	lull_store_abandon(store);
	assert_false(there(beside("n.lull.part%ld-0", (long)getpid())));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(those_of_the_dead_go, set_up, tear_down),
		cmocka_unit_test_setup_teardown(nothing_else_goes, set_up, tear_down),
		cmocka_unit_test_setup_teardown(what_is_open_stays, set_up, tear_down),
		cmocka_unit_test_setup_teardown(a_new_recording_removes_them, set_up, tear_down),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
