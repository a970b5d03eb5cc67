/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fake_disk: see the header. A file is the real VFS's own; only its table of operations is another one. */
#include "fake_disk.h"

#include <sqlite3.h>
#include <stdio.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

struct fake_disk fake_disk;

static sqlite3_vfs vfs, *real_vfs;
/* The real VFS has a table for files that lock and one for those that do not. */
static struct table {
	sqlite3_io_methods mine; /* first: a file's table tells its struct table */
	const sqlite3_io_methods *real;
} tables[4];
static char folder_here[256], folder_away[272];
static bool is_away;

static const sqlite3_io_methods *real(const sqlite3_file *file)
{
	return ((const struct table *)(const void *)file->pMethods)->real;
}

static int on_read(sqlite3_file *file, void *data, int n, sqlite3_int64 at)
{
	return is_away ? SQLITE_IOERR_READ : real(file)->xRead(file, data, n, at);
}

static int on_write(sqlite3_file *file, const void *data, int n, sqlite3_int64 at)
{
	if (is_away)
		return SQLITE_IOERR_WRITE;
	if (fake_disk.full)
		return SQLITE_FULL;
	fake_disk.writes++;
	fake_disk.bytes += (uint64_t)n;
	return real(file)->xWrite(file, data, n, at);
}

/* Nothing is synced in earnest: power cuts are torn_vfs's. */
static int on_sync(sqlite3_file *file, int flags)
{
	(void)file;
	(void)flags;
	if (is_away)
		return SQLITE_IOERR_FSYNC;
	fake_disk.syncs++;
	if (fake_disk.sync_ns && fake_disk.passes)
		fake_disk.passes(fake_disk.ctx, fake_disk.sync_ns);
	return SQLITE_OK;
}

static const sqlite3_io_methods *take_over(const sqlite3_io_methods *methods)
{
	for (size_t i = 0; i < sizeof tables / sizeof tables[0]; i++) {
		if (tables[i].real && tables[i].real != methods)
			continue;
		tables[i] = (struct table){*methods, methods};
		tables[i].mine.xRead = on_read;
		tables[i].mine.xWrite = on_write;
		tables[i].mine.xSync = on_sync;
		return &tables[i].mine;
	}
	fail_msg("SQLite has more than four kinds of files");
	return NULL;
}

static int on_open(sqlite3_vfs *self, const char *path, sqlite3_file *file, int flags, int *out_flags)
{
	(void)self;
	file->pMethods = NULL;
	if (is_away)
		return SQLITE_CANTOPEN;
	const int rc = real_vfs->xOpen(real_vfs, path, file, flags, out_flags);

	if (file->pMethods)
		file->pMethods = take_over(file->pMethods);
	return rc;
}

void fake_disk_begin(const char *folder)
{
	fake_disk = (struct fake_disk){0};
	(void)snprintf(folder_here, sizeof folder_here, "%s", folder);
	(void)snprintf(folder_away, sizeof folder_away, "%s.away", folder);
	real_vfs = sqlite3_vfs_find(NULL);
	assert_non_null(real_vfs);
	vfs = *real_vfs;
	vfs.zName = "fake-disk";
	vfs.pNext = NULL;
	vfs.xOpen = on_open;
	assert_int_equal(sqlite3_vfs_register(&vfs, 1), SQLITE_OK);
}

void fake_disk_away(bool away)
{
	if (away == is_away)
		return;
	assert_int_equal(away ? rename(folder_here, folder_away) : rename(folder_away, folder_here), 0);
	is_away = away;
}

void fake_disk_end(void)
{
	fake_disk_away(false);
	assert_int_equal(sqlite3_vfs_unregister(&vfs), SQLITE_OK);
	assert_int_equal(sqlite3_vfs_register(real_vfs, 1), SQLITE_OK);
}
