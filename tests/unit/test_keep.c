/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_keep: captures of every frame: what is in them, what is removed, and what never is. */
#include <daemon/keep.h>
#include <daemon/keep_list.h>
#include <daemon/log.h>
#include <source/capture.h>

#include "stderr_rig.h"
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
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

#define UTC_0 (INT64_C(1772750000) * LULL_SEC)

static char folder[64], path[512];
static struct lull_config config;

static const char *in_folder(const char *name)
{
	(void)snprintf(path, sizeof path, "%s/%s", folder, name);
	return path;
}

static int set_up(void **state)
{
	(void)state;
	(void)snprintf(folder, sizeof folder, "/tmp/lull-test-keep-XXXXXX");
	assert_non_null(mkdtemp(folder));
	lull_config_defaults(&config);
	(void)snprintf(config.folder, sizeof config.folder, "%s", folder);
	config.bus_count = 2;
	(void)snprintf(config.bus[0].name, sizeof config.bus[0].name, "body");
	(void)snprintf(config.bus[1].name, sizeof config.bus[1].name, "a/b.c");
	config.keep_free = 0;
	stderr_take();
	lull_log_plain(true);
	return 0;
}

static int tear_down(void **state)
{
	DIR *dir = opendir(folder);

	(void)state;
	stderr_give_back();
	assert_non_null(dir);
	for (const struct dirent *e = readdir(dir); e; e = readdir(dir))
		if (strcmp(e->d_name, ".") != 0 && strcmp(e->d_name, "..") != 0)
			(void)unlink(in_folder(e->d_name));
	(void)closedir(dir);
	return rmdir(folder);
}

static struct lull_moment moment(int64_t t)
{
	return (struct lull_moment){.boot = 100 * LULL_SEC + t, .utc = UTC_0 + t, .dated = true};
}

static struct lull_keep_files *keep_of(const char *recording)
{
	const struct lull_moment now = moment(0);
	struct lull_keep_files *files = lull_keep_open(&config, in_folder(recording), &now);

	assert_non_null(files);
	return files;
}

static void put(struct lull_keep_files *files, unsigned bus, unsigned n)
{
	struct lull_frame frame = {.id = 0x123, .len = 8};

	for (unsigned i = 0; i < n; i++) {
		frame.t = 100 * LULL_SEC + i * LULL_MS;
		memcpy(frame.data, &i, sizeof i);
		lull_keep_frame(files, bus, &frame);
	}
}

static void flush(struct lull_keep_files *files)
{
	const struct lull_moment now = moment(0);

	lull_keep_flush(files, &now);
}

static bool is_there(const char *name)
{
	return access(in_folder(name), F_OK) == 0;
}

static void make_file(const char *name, size_t bytes)
{
	static const char zeros[4096];
	FILE *f = fopen(in_folder(name), "w");

	assert_non_null(f);
	for (size_t n = 0; n < bytes; n += sizeof zeros)
		assert_int_equal(fwrite(zeros, sizeof zeros, 1, f), 1);
	assert_int_equal(fclose(f), 0);
}

/* How long ago the file was written to, s. */
static void make_old(const char *name, time_t ago)
{
	const struct timespec times[2] = {{.tv_sec = 1772750000 - ago}, {.tv_sec = 1772750000 - ago}};

	assert_int_equal(utimensat(AT_FDCWD, in_folder(name), times, 0), 0);
}

/* One frame of a recording that has ended. */
static void earlier(const char *recording, unsigned bus)
{
	struct lull_keep_files *files = keep_of(recording);

	put(files, bus, 1);
	lull_keep_close(files);
}

/* --- what is in them --- */

static void frames_of_every_kind_come_back(void **state)
{
	const struct lull_frame put_in[] = {
		{.t = 100 * LULL_SEC, .id = 0x123, .len = 3, .data = {1, 2, 3}},
		{.t = 100 * LULL_SEC + 1, .id = 0x18FEF100u | LULL_ID_EXTENDED, .len = 0},
		{.t = 101 * LULL_SEC + 999999999,
			.id = 0x7DF,
			.flags = LULL_FRAME_REMOTE,
			.len = 4,
			.data = {9}},
		{.t = 102 * LULL_SEC, .id = 0x20, .flags = LULL_FRAME_ERROR, .len = 8, .data = {0, 4}},
		{.t = 103 * LULL_SEC,
			.id = 0x321,
			.flags = LULL_FRAME_FD | LULL_FRAME_BRS | LULL_FRAME_ESI,
			.len = 64,
			.data = {[63] = 7}},
		{.t = 104 * LULL_SEC, .id = 0x322, .flags = LULL_FRAME_FD, .len = 12},
	};
	const size_t n = sizeof put_in / sizeof put_in[0];
	struct lull_frame got[16];
	char err[256];

	(void)state;
	struct lull_keep_files *files = keep_of("night.lull");

	assert_int_equal(lull_keep_bytes(files), 0);
	for (size_t i = 0; i < n; i++)
		lull_keep_frame(files, 0, &put_in[i]);
	flush(files);
	assert_true(lull_keep_bytes(files) > 0);
	/* What was flushed is readable at once, as after a power cut. */
	struct lull_capture *capture =
		lull_capture_open(in_folder("night.body.0001.pcap.zst"), NULL, NULL, err, sizeof err);

	assert_non_null(capture);
	assert_int_equal(lull_capture_read(capture, got, 16), n);
	lull_capture_close(capture);
	for (size_t i = 0; i < n; i++) {
		assert_int_equal(got[i].id, put_in[i].id);
		assert_int_equal(got[i].flags, put_in[i].flags);
		assert_int_equal(got[i].len, put_in[i].len);
		assert_true(got[i].t == UTC_0 + put_in[i].t - 100 * LULL_SEC);
		if (!(got[i].flags & LULL_FRAME_REMOTE))
			assert_memory_equal(got[i].data, put_in[i].data, put_in[i].len);
	}
	/* An end makes it whole. */
	lull_keep_close(files);
	capture = lull_capture_open(in_folder("night.body.0001.pcap.zst"), NULL, NULL, err, sizeof err);
	assert_non_null(capture);
	assert_int_equal(lull_capture_read(capture, got, 16), n);
	assert_null(lull_capture_damage(capture));
	lull_capture_close(capture);
	assert_string_equal(stderr_text(), "");
}

static void a_bus_has_its_series_and_a_restart_goes_on(void **state)
{
	(void)state;
	earlier("night.lull", 0);
	earlier("night.lull", 1);
	assert_true(is_there("night.body.0001.pcap.zst"));
	assert_true(is_there("night.a_b_c.0001.pcap.zst"));
	/* A person's file that has the next name is not written over. */
	make_file("night.body.0002.pcap.zst", 4096);
	earlier("night.lull", 0);
	assert_true(is_there("night.body.0003.pcap.zst"));
	/* A recording without the usual ending keeps its whole name. */
	earlier("other", 0);
	assert_true(is_there("other.body.0001.pcap.zst"));
}

static void a_file_ends_after_64_megabytes(void **state)
{
	struct lull_keep_files *files = keep_of("night.lull");
	struct lull_frame frame = {.id = 1, .flags = LULL_FRAME_FD, .len = 64};

	(void)state;
	/* 16 bytes of the packet's head, 8 of the frame's, 64. */
	for (unsigned i = 0; i <= (64u << 20) / 88 + 1; i++) {
		frame.t = 100 * LULL_SEC + i;
		lull_keep_frame(files, 0, &frame);
	}
	lull_keep_close(files);
	assert_true(is_there("night.body.0002.pcap.zst"));
	assert_false(is_there("night.body.0003.pcap.zst"));
}

/* --- what is removed --- */

static void the_oldest_of_its_own_go(void **state)
{
	(void)state;
	earlier("2026-03-01_20-00-00.lull", 0);
	earlier("2026-03-01_20-00-00.lull", 1);
	earlier("2026-03-02_20-00-00.lull", 0);
	make_old("2026-03-01_20-00-00.body.0001.pcap.zst", 3000);
	make_old("2026-03-01_20-00-00.a_b_c.0001.pcap.zst", 5000);
	make_old("2026-03-02_20-00-00.body.0001.pcap.zst", 1000);

	struct stat st;

	assert_int_equal(stat(in_folder("2026-03-02_20-00-00.body.0001.pcap.zst"), &st), 0);
	struct lull_keep_files *files = keep_of("2026-03-03_20-00-00.lull");

	put(files, 0, 1);
	/* Room for three and a half: of four the oldest goes. */
	config.keep_most = (uint64_t)st.st_size * 7 / 2;
	flush(files);
	assert_false(is_there("2026-03-01_20-00-00.a_b_c.0001.pcap.zst"));
	assert_true(is_there("2026-03-01_20-00-00.body.0001.pcap.zst"));
	assert_true(is_there("2026-03-02_20-00-00.body.0001.pcap.zst"));
	assert_string_equal(stderr_text(),
		"lulld: info: 2026-03-01_20-00-00.a_b_c.0001.pcap.zst: removed, the limit of kept frames is "
		"reached\n");
	/* The one that is being written stays whatever the limit. */
	config.keep_most = 0;
	flush(files);
	assert_false(is_there("2026-03-01_20-00-00.body.0001.pcap.zst"));
	assert_false(is_there("2026-03-02_20-00-00.body.0001.pcap.zst"));
	assert_true(is_there("2026-03-03_20-00-00.body.0001.pcap.zst"));
	lull_keep_close(files);
}

/* Captures of people, of other recordings in the folder, of names that look alike: none is counted, none is removed. */
static void nothing_else_is_removed(void **state)
{
	static const char *const foreign[] = {"holiday.pcap.zst", "2026-03-01_20-00-00.body.0001.pcap.zst",
		"2026-03-03_20-00-00.body.0002.pcap.zst", "2026-03-03_20-00-00.body.1.pcap.zst",
		"2026-03-03_20-00-00.other.0001.pcap.zst", "2026-03-03_20-00-00.body.0001.pcap.zst.bak",
		".pcap.zst", "undated_01234567_000100.body.0001.pcap.zst", "2026-03-03_20-00-00.lull"};
	const size_t n = sizeof foreign / sizeof foreign[0];

	(void)state;
	for (size_t i = 0; i < n; i++) {
		make_file(foreign[i], 1 << 20);
		make_old(foreign[i], 100000);
	}
	earlier("2026-03-02_20-00-00.lull", 0);
	struct lull_keep_files *files = keep_of("2026-03-03_20-00-00.lull");

	put(files, 0, 1);
	config.keep_most = 1 << 20;
	flush(files);
	/* The foreign ones are 9 MB and do not count: not even its own has to go. */
	assert_true(is_there("2026-03-02_20-00-00.body.0001.pcap.zst"));
	config.keep_most = 0;
	flush(files);
	assert_false(is_there("2026-03-02_20-00-00.body.0001.pcap.zst"));
	for (size_t i = 0; i < n; i++)
		if (!is_there(foreign[i]))
			fail_msg("%s was removed", foreign[i]);
	lull_keep_close(files);
}

/* Two recorders with a folder in common differ in their control sockets. */
static void another_recorder_s_are_not_removed(void **state)
{
	(void)state;
	(void)snprintf(config.socket, sizeof config.socket, "/run/lull/second");
	earlier("2026-03-01_20-00-00.lull", 0);
	(void)snprintf(config.socket, sizeof config.socket, "/run/lull/control");
	earlier("2026-03-02_20-00-00.lull", 0);
	struct lull_keep_files *files = keep_of("2026-03-03_20-00-00.lull");

	config.keep_most = 0;
	flush(files);
	assert_true(is_there("2026-03-01_20-00-00.body.0001.pcap.zst"));
	assert_false(is_there("2026-03-02_20-00-00.body.0001.pcap.zst"));
	lull_keep_close(files);
	(void)snprintf(config.socket, sizeof config.socket, "/run/lull/second");
	files = keep_of("2026-03-04_20-00-00.lull");
	flush(files);
	assert_false(is_there("2026-03-01_20-00-00.body.0001.pcap.zst"));
	lull_keep_close(files);
}

/* A link or a folder that took the place of a capture is left alone, and so is what the link leads to. */
static void what_took_its_name_is_left(void **state)
{
	(void)state;
	earlier("2026-03-01_20-00-00.lull", 0);
	assert_int_equal(unlink(in_folder("2026-03-01_20-00-00.body.0001.pcap.zst")), 0);
	make_file("precious", 4096);
	assert_int_equal(symlink("precious", in_folder("2026-03-01_20-00-00.body.0001.pcap.zst")), 0);
	struct lull_keep_files *files = keep_of("2026-03-03_20-00-00.lull");

	config.keep_most = 0;
	flush(files);
	assert_true(is_there("2026-03-01_20-00-00.body.0001.pcap.zst"));
	assert_true(is_there("precious"));
	lull_keep_close(files);
}

/* --- trouble --- */

static void a_disk_without_room(void **state)
{
	struct lull_keep_files *files = keep_of("night.lull");

	(void)state;
	put(files, 0, 3);
	config.keep_free = UINT64_MAX;
	flush(files);
	assert_string_equal(stderr_text(),
		"lulld: warning: frames are not kept: the disk has no room beyond keep-free\n");
	/* Told once; nothing is begun meanwhile. */
	put(files, 0, 3);
	put(files, 1, 3);
	flush(files);
	assert_string_equal(stderr_text(), "");
	assert_false(is_there("night.a_b_c.0001.pcap.zst"));
	config.keep_free = 0;
	flush(files);
	assert_string_equal(stderr_text(), "lulld: notice: frames are kept again\n");
	put(files, 0, 3);
	lull_keep_close(files);
	assert_true(is_there("night.body.0002.pcap.zst"));
}

static void a_disk_that_refuses(void **state)
{
	struct rlimit before, small;
	struct lull_keep_files *files = keep_of("night.lull");

	(void)state;
	put(files, 0, 3);
	flush(files);
	(void)signal(SIGXFSZ, SIG_IGN);
	assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
	small = before;
	small.rlim_cur = 4096; /* what the message needs fits */
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
	struct lull_frame frame = {.t = 101 * LULL_SEC, .id = 1, .len = 8};
	uint64_t noise = 1;

	for (int i = 0; i < 2000; i++) {
		noise = noise * 6364136223846793005u + 1442695040888963407u;
		memcpy(frame.data, &noise, sizeof noise);
		lull_keep_frame(files, 0, &frame);
	}
	flush(files);
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
	assert_true(stderr_has("frames are not kept: "));
	/* It has room after all, so the next frame begins the next file. */
	put(files, 0, 3);
	lull_keep_close(files);
	assert_true(is_there("night.body.0002.pcap.zst"));
}

static void a_folder_that_is_gone(void **state)
{
	(void)state;
	struct lull_keep_files *files = keep_of("missing/night.lull");

	put(files, 0, 3);
	assert_true(stderr_has("frames are not kept: No such file or directory"));
	lull_keep_close(files);
	lull_keep_close(NULL);
	assert_int_equal(lull_keep_bytes(NULL), 0);
}

/* A capture that cannot be noted could never be removed: it is not begun. */
static void a_list_that_cannot_be_written(void **state)
{
	(void)state;
	earlier("night.lull", 0);
	DIR *dir = opendir(folder);
	char list[300] = "";

	assert_non_null(dir);
	for (const struct dirent *e = readdir(dir); e; e = readdir(dir))
		if (!strncmp(e->d_name, ".lull-kept-", 11))
			(void)snprintf(list, sizeof list, "%s", e->d_name);
	(void)closedir(dir);
	assert_true(list[0]);
	assert_int_equal(unlink(in_folder(list)), 0);
	assert_int_equal(symlink("elsewhere", in_folder(list)), 0);
	struct lull_keep_files *files = keep_of("night.lull");

	put(files, 0, 1);
	assert_true(stderr_has("frames are not kept: "));
	assert_false(is_there("night.body.0002.pcap.zst"));
	assert_false(is_there("elsewhere"));
	/* With an empty list nothing is its own. */
	config.keep_most = 0;
	flush(files);
	assert_true(is_there("night.body.0001.pcap.zst"));
	lull_keep_close(files);
}

/* --- the list --- */

static void names_are_told_in_every_part(void **state)
{
	static const char *const good[] = {"s.b.0001.pcap.zst", "2026-03-01_20-00-00_2.body.9999.pcap.zst",
		"a.b.c.0010.pcap.zst", "night.K\xc3\xb6rper 1.0100.pcap.zst"};
	static const char *const bad[] = {"", ".pcap.zst", "0001.pcap.zst", ".0001.pcap.zst",
		"b.0001.pcap.zst", ".b.0001.pcap.zst", "s..0001.pcap.zst", "s.b.0000.pcap.zst",
		"s.b.001.pcap.zst", "s.b.00001.pcap.zst", "s.b.00a1.pcap.zst", "s.b.0001.pcap",
		"s.b.0001.pcap.zst ", "../s.b.0001.pcap.zst", "d/s.b.0001.pcap.zst", "s.b\n.0001.pcap.zst",
		"holiday.pcap.zst", "s.b0001.pcap.zst", "s.b.0001.PCAP.ZST"};
	char name[NAME_MAX + 1], stem[NAME_MAX + 1];

	(void)state;
	for (size_t i = 0; i < sizeof good / sizeof good[0]; i++)
		if (!lull_keep_is_name(good[i]))
			fail_msg("'%s' is refused", good[i]);
	for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
		if (lull_keep_is_name(bad[i]))
			fail_msg("'%s' is taken", bad[i]);
	/* What is made is recognised. */
	assert_int_equal(lull_keep_name("2026-03-01_20-00-00", "a/b.c\n", 7, name), 0);
	assert_string_equal(name, "2026-03-01_20-00-00.a_b_c_.0007.pcap.zst");
	assert_true(lull_keep_is_name(name));
	assert_int_equal(lull_keep_name("s", "b", 0, name), -ERANGE);
	assert_int_equal(lull_keep_name("s", "b", 10000, name), -ERANGE);
	memset(stem, 'x', NAME_MAX);
	stem[NAME_MAX] = '\0';
	assert_int_equal(lull_keep_name(stem, "b", 1, name), -ENAMETOOLONG);
}

static void a_damaged_list_gives_its_whole_lines(void **state)
{
	static const char *const files[] = {
		"s.b.0001.pcap.zst", "s.b.0002.pcap.zst", "s.b.0003.pcap.zst", "holiday.pcap.zst"};
	const struct lull_kept *kept;
	char name[300] = "";

	(void)state;
	struct lull_keep_list *list = lull_keep_list_open(folder, "/run/x");

	for (size_t i = 0; i < 4; i++)
		make_file(files[i], 4096);
	assert_int_equal(lull_keep_list_add(list, files[0]), 0);
	assert_int_equal(lull_keep_list_add(list, files[0]), 0);
	assert_int_equal(lull_keep_list_add(list, "holiday.pcap.zst"), -EINVAL);
	assert_int_equal(lull_keep_list_add(list, "../s.b.0001.pcap.zst"), -EINVAL);
	assert_int_equal(lull_keep_list_remove(list, files[1]), -EPERM);
	lull_keep_list_close(list);
	DIR *dir = opendir(folder);

	assert_non_null(dir);
	for (const struct dirent *e = readdir(dir); e; e = readdir(dir))
		if (!strncmp(e->d_name, ".lull-kept-", 11))
			(void)snprintf(name, sizeof name, "%s", e->d_name);
	(void)closedir(dir);
	/* A person's line, a path, one without end, one too long. */
	FILE *f = fopen(in_folder(name), "a");

	assert_non_null(f);
	assert_true(fputs("holiday.pcap.zst\n/etc/s.b.0001.pcap.zst\ns.b.0001.pcap.zst\n\n", f) >= 0);
	for (int i = 0; i < 1000; i++)
		assert_int_equal(fputc('y', f), 'y');
	assert_true(fputs(".b.0001.pcap.zst\ns.b.0002.pcap.zst\ns.b.0003.pcap.zst", f) >= 0);
	assert_int_equal(fclose(f), 0);
	list = lull_keep_list_open(folder, "/run/x");
	assert_int_equal(lull_keep_list_there(list, &kept), 2);
	assert_string_equal(kept[0].name, "s.b.0001.pcap.zst");
	assert_int_equal(kept[0].bytes, 4096);
	assert_string_equal(kept[1].name, "s.b.0002.pcap.zst");
	/* A file that is gone leaves the list with the next tidying, not before. */
	assert_int_equal(lull_keep_list_remove(list, "s.b.0001.pcap.zst"), 0);
	assert_int_equal(lull_keep_list_remove(list, "s.b.0001.pcap.zst"), -ENOENT);
	assert_int_equal(lull_keep_list_tidy(list), 0);
	assert_int_equal(lull_keep_list_remove(list, "s.b.0001.pcap.zst"), -EPERM);
	lull_keep_list_close(list);
	list = lull_keep_list_open(folder, "/run/x");
	assert_int_equal(lull_keep_list_there(list, &kept), 1);
	assert_int_equal(lull_keep_list_tidy(list), 0);
	lull_keep_list_close(list);
	/* A folder that is not there: an empty list, and why when a name is added. */
	list = lull_keep_list_open(in_folder("missing"), "/run/x");
	assert_non_null(list);
	assert_int_equal(lull_keep_list_there(list, &kept), 0);
	assert_int_equal(lull_keep_list_add(list, files[0]), -ENOENT);
	lull_keep_list_close(list);
	lull_keep_list_close(NULL);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(frames_of_every_kind_come_back, set_up, tear_down),
		cmocka_unit_test_setup_teardown(
			a_bus_has_its_series_and_a_restart_goes_on, set_up, tear_down),
		cmocka_unit_test_setup_teardown(a_file_ends_after_64_megabytes, set_up, tear_down),
		cmocka_unit_test_setup_teardown(the_oldest_of_its_own_go, set_up, tear_down),
		cmocka_unit_test_setup_teardown(nothing_else_is_removed, set_up, tear_down),
		cmocka_unit_test_setup_teardown(another_recorder_s_are_not_removed, set_up, tear_down),
		cmocka_unit_test_setup_teardown(what_took_its_name_is_left, set_up, tear_down),
		cmocka_unit_test_setup_teardown(a_disk_without_room, set_up, tear_down),
		cmocka_unit_test_setup_teardown(a_disk_that_refuses, set_up, tear_down),
		cmocka_unit_test_setup_teardown(a_folder_that_is_gone, set_up, tear_down),
		cmocka_unit_test_setup_teardown(a_list_that_cannot_be_written, set_up, tear_down),
		cmocka_unit_test_setup_teardown(names_are_told_in_every_part, set_up, tear_down),
		cmocka_unit_test_setup_teardown(a_damaged_list_gives_its_whole_lines, set_up, tear_down),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
