/* SPDX-License-Identifier: GPL-3.0-or-later */
/* torn_vfs: see the header. The files themselves are written as ever; beside each, what of it is synced, and the list of
 * writes since. One thread. */
#include "torn_vfs.h"

#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

#define SECTOR 512
#define FILES 16

enum kind { WRITE, TRUNCATE, REMOVE };

struct op {
	enum kind kind;
	uint64_t at;
	size_t len;
	uint8_t *data;
};

struct image {
	uint8_t *data;
	size_t len;
	bool there;
};

struct watched {
	char *path; /* NULL: free place */
	struct image synced;
	struct op *ops;
	size_t count, room;
};

struct torn_file {
	sqlite3_file base;
	struct watched *watched; /* NULL: none of ours */
	sqlite3_file real[1]; /* and what the real VFS needs beyond */
};

static sqlite3_vfs torn, *real_vfs;
static struct watched files[FILES];
static char watched_part[32];
static void (*on_moment)(void *ctx);
static void *moment_ctx;
static bool within; /* on_moment */

static void moment(void)
{
	if (within || !on_moment)
		return;
	within = true;
	on_moment(moment_ctx);
	within = false;
}

static uint64_t next_random(uint64_t *state)
{
	*state ^= *state << 13;
	*state ^= *state >> 7;
	*state ^= *state << 17;
	return *state;
}

static bool chance(uint64_t *random, unsigned percent)
{
	return next_random(random) % 100 < percent;
}

/* --- images --- */

static void image_grow(struct image *image, size_t len)
{
	if (len <= image->len)
		return;
	image->data = realloc(image->data, len);
	assert_non_null(image->data);
	memset(image->data + image->len, 0, len - image->len);
	image->len = len;
}

static void image_put(struct image *image, uint64_t at, const uint8_t *data, size_t len)
{
	image->there = true;
	image_grow(image, (size_t)at + len);
	if (len && image->data)
		memcpy(image->data + at, data, len);
}

static void image_apply(struct image *image, const struct op *op)
{
	switch (op->kind) {
	case WRITE: image_put(image, op->at, op->data, op->len); break;
	case TRUNCATE:
		if (op->at < image->len)
			image->len = (size_t)op->at;
		else
			image_grow(image, (size_t)op->at);
		break;
	case REMOVE:
		free(image->data);
		*image = (struct image){0};
		break;
	}
}

/* A write of which sectors may be missing. */
static void image_tear(struct image *image, const struct op *op, size_t synced_len, uint64_t *random)
{
	for (size_t done = 0; done < op->len;) {
		uint64_t at = op->at + done;
		size_t n = SECTOR - (size_t)(at % SECTOR);

		if (n > op->len - done)
			n = op->len - done;
		if (chance(random, 60)) {
			image_put(image, at, op->data + done, n);
		} else if (chance(random, 20)) {
			image_put(image, at, op->data + done, (size_t)(next_random(random) % n));
		} else if (at >= synced_len && chance(random, 50)) {
			image->there = true;
			image_grow(image, (size_t)at + n); /* the length was written, the content was not */
		}
		done += n;
	}
}

/* The first n writes. */
static void now_synced_up_to(struct watched *file, size_t n)
{
	for (size_t i = 0; i < n; i++) {
		image_apply(&file->synced, &file->ops[i]);
		free(file->ops[i].data);
	}
	if (n)
		memmove(file->ops, file->ops + n, (file->count - n) * sizeof(*file->ops));
	file->count -= n;
}

static void now_synced(struct watched *file)
{
	now_synced_up_to(file, file->count);
}

static void note(struct watched *file, enum kind kind, uint64_t at, const void *data, size_t len)
{
	if (file->count == file->room) {
		file->room = file->room ? 2 * file->room : 64;
		file->ops = realloc(file->ops, file->room * sizeof(*file->ops));
		assert_non_null(file->ops);
	}
	struct op *op = &file->ops[file->count++];

	*op = (struct op){.kind = kind, .at = at, .len = len};
	if (len) {
		op->data = malloc(len);
		assert_non_null(op->data);
		memcpy(op->data, data, len);
	}
	moment();
}

/* Journalling file systems (ext4, as on a Pi's card) write the removals that came before with any file's sync. */
static void removals_synced(void)
{
	for (size_t i = 0; i < FILES; i++)
		for (size_t k = files[i].count; k > 0; k--)
			if (files[i].ops[k - 1].kind == REMOVE) {
				now_synced_up_to(&files[i], k);
				break;
			}
}

/* --- which files --- */

static struct watched *find(const char *path)
{
	for (size_t i = 0; i < FILES; i++)
		if (files[i].path && !strcmp(files[i].path, path))
			return &files[i];
	return NULL;
}

/* A file that is there when it is first seen counts as synced. */
static struct watched *watch(const char *path)
{
	struct watched *file = find(path);

	if (within)
		return NULL;
	if (file || !strstr(path, watched_part))
		return file;
	for (size_t i = 0; i < FILES && !file; i++)
		if (!files[i].path)
			file = &files[i];
	assert_non_null(file);
	*file = (struct watched){.path = strdup(path)};
	assert_non_null(file->path);

	FILE *in = fopen(path, "rb");

	if (in) {
		uint8_t buffer[4096];
		size_t n;

		file->synced.there = true;
		while ((n = fread(buffer, 1, sizeof(buffer), in)) > 0)
			image_put(&file->synced, file->synced.len, buffer, n);
		(void)fclose(in);
	}
	return file;
}

/* --- methods of a file --- */

static struct torn_file *of(sqlite3_file *file)
{
	return (struct torn_file *)(void *)file;
}

static int torn_close(sqlite3_file *file)
{
	return of(file)->real->pMethods->xClose(of(file)->real);
}

static int torn_read(sqlite3_file *file, void *into, int n, sqlite3_int64 at)
{
	return of(file)->real->pMethods->xRead(of(file)->real, into, n, at);
}

static int torn_write(sqlite3_file *file, const void *data, int n, sqlite3_int64 at)
{
	int rc = of(file)->real->pMethods->xWrite(of(file)->real, data, n, at);

	if (rc == SQLITE_OK && of(file)->watched)
		note(of(file)->watched, WRITE, (uint64_t)at, data, (size_t)n);
	return rc;
}

static int torn_truncate(sqlite3_file *file, sqlite3_int64 size)
{
	int rc = of(file)->real->pMethods->xTruncate(of(file)->real, size);

	if (rc == SQLITE_OK && of(file)->watched)
		note(of(file)->watched, TRUNCATE, (uint64_t)size, NULL, 0);
	return rc;
}

static int torn_sync(sqlite3_file *file, int flags)
{
	struct watched *watched = of(file)->watched;

	if (watched && !within) {
		moment();
		now_synced(watched);
		watched->synced.there = true;
		removals_synced();
		moment();
	}
	/* No power will fail here: the disk is spared. */
	(void)flags;
	return SQLITE_OK;
}

static int torn_size(sqlite3_file *file, sqlite3_int64 *size)
{
	return of(file)->real->pMethods->xFileSize(of(file)->real, size);
}

static int torn_lock(sqlite3_file *file, int level)
{
	return of(file)->real->pMethods->xLock(of(file)->real, level);
}

static int torn_unlock(sqlite3_file *file, int level)
{
	return of(file)->real->pMethods->xUnlock(of(file)->real, level);
}

static int torn_reserved(sqlite3_file *file, int *out)
{
	return of(file)->real->pMethods->xCheckReservedLock(of(file)->real, out);
}

static int torn_control(sqlite3_file *file, int op, void *arg)
{
	return of(file)->real->pMethods->xFileControl(of(file)->real, op, arg);
}

static int torn_sector(sqlite3_file *file)
{
	return of(file)->real->pMethods->xSectorSize(of(file)->real);
}

static int torn_device(sqlite3_file *file)
{
	return of(file)->real->pMethods->xDeviceCharacteristics(of(file)->real);
}

static int torn_shm_map(sqlite3_file *file, int page, int size, int extend, void volatile **out)
{
	return of(file)->real->pMethods->xShmMap(of(file)->real, page, size, extend, out);
}

static int torn_shm_lock(sqlite3_file *file, int offset, int n, int flags)
{
	return of(file)->real->pMethods->xShmLock(of(file)->real, offset, n, flags);
}

static void torn_shm_barrier(sqlite3_file *file)
{
	of(file)->real->pMethods->xShmBarrier(of(file)->real);
}

static int torn_shm_unmap(sqlite3_file *file, int also_delete)
{
	return of(file)->real->pMethods->xShmUnmap(of(file)->real, also_delete);
}

/* Without memory-mapped files: those would go past us. */
static const sqlite3_io_methods methods = {
	.iVersion = 2,
	.xClose = torn_close,
	.xRead = torn_read,
	.xWrite = torn_write,
	.xTruncate = torn_truncate,
	.xSync = torn_sync,
	.xFileSize = torn_size,
	.xLock = torn_lock,
	.xUnlock = torn_unlock,
	.xCheckReservedLock = torn_reserved,
	.xFileControl = torn_control,
	.xSectorSize = torn_sector,
	.xDeviceCharacteristics = torn_device,
	.xShmMap = torn_shm_map,
	.xShmLock = torn_shm_lock,
	.xShmBarrier = torn_shm_barrier,
	.xShmUnmap = torn_shm_unmap,
};

static int torn_open(sqlite3_vfs *vfs, const char *path, sqlite3_file *file, int flags, int *out_flags)
{
	struct torn_file *mine = of(file);

	(void)vfs;
	mine->watched = path ? watch(path) : NULL;
	mine->base.pMethods = NULL;
	int rc = real_vfs->xOpen(real_vfs, path, mine->real, flags, out_flags);

	if (mine->real->pMethods)
		mine->base.pMethods = &methods;
	return rc;
}

static int torn_delete(sqlite3_vfs *vfs, const char *path, int sync_folder)
{
	(void)vfs;
	int rc = real_vfs->xDelete(real_vfs, path, sync_folder);
	struct watched *file = within ? NULL : find(path);

	if (rc == SQLITE_OK && file) {
		note(file, REMOVE, 0, NULL, 0);
		if (sync_folder)
			now_synced(file);
	}
	return rc;
}

/* --- for tests --- */

void torn_begin(const char *part, void (*call)(void *ctx), void *ctx)
{
	real_vfs = sqlite3_vfs_find(NULL);
	assert_non_null(real_vfs);
	(void)snprintf(watched_part, sizeof(watched_part), "%s", part);
	on_moment = call;
	moment_ctx = ctx;
	torn = *real_vfs;
	torn.zName = "torn";
	torn.pNext = NULL;
	torn.szOsFile = (int)offsetof(struct torn_file, real) + real_vfs->szOsFile;
	torn.xOpen = torn_open;
	torn.xDelete = torn_delete;
	assert_int_equal(sqlite3_vfs_register(&torn, 1), SQLITE_OK);
}

void torn_end(void)
{
	assert_int_equal(sqlite3_vfs_unregister(&torn), SQLITE_OK);
	assert_int_equal(sqlite3_vfs_register(real_vfs, 1), SQLITE_OK);
	for (size_t i = 0; i < FILES; i++) {
		now_synced(&files[i]);
		free(files[i].ops);
		free(files[i].synced.data);
		free(files[i].path);
		files[i] = (struct watched){0};
	}
}

static void image_after_cut(
	const struct watched *file, enum torn_how how, uint64_t *random, struct image *image)
{
	size_t up_to = file->count ? (size_t)(next_random(random) % file->count) : 0;

	*image = (struct image){0};
	if (file->synced.there)
		image_put(image, 0, file->synced.data, file->synced.len);
	for (size_t i = 0; i < file->count; i++) {
		const struct op *op = &file->ops[i];
		bool torn_here = op->kind == WRITE &&
			((how == TORN_ORDERED && i == up_to) || (how == TORN_SECTORS && chance(random, 50)));

		if (torn_here)
			image_tear(image, op, file->synced.len, random);
		else if (how == TORN_ALL || (how == TORN_ORDERED && i < up_to) ||
			((how == TORN_WRITES || how == TORN_SECTORS) && chance(random, 50)))
			image_apply(image, op);
	}
}

void torn_cut(const char *path, const char *into, enum torn_how how, uint64_t *random)
{
	static const char *const beside[] = {"", "-wal", "-journal", "-shm"};

	for (size_t i = 0; i < sizeof(beside) / sizeof(beside[0]); i++) {
		struct image image = {0};
		char name[512], out[512];

		(void)snprintf(name, sizeof(name), "%s%s", path, beside[i]);
		(void)snprintf(out, sizeof(out), "%s%s", into, beside[i]);
		const struct watched *file = find(name);

		if (file)
			image_after_cut(file, how, random, &image);
		(void)unlink(out);
		if (image.there) {
			FILE *to = fopen(out, "wb");

			assert_non_null(to);
			if (image.len)
				assert_int_equal(fwrite(image.data, 1, image.len, to), image.len);
			assert_int_equal(fclose(to), 0);
		}
		free(image.data);
	}
}

const char *torn_first(void)
{
	return files[0].path;
}

uint64_t torn_unsynced(const char *path)
{
	static const char *const beside[] = {"", "-wal", "-journal"};
	uint64_t sum = 0;

	for (size_t i = 0; i < sizeof(beside) / sizeof(beside[0]); i++) {
		char name[512];

		(void)snprintf(name, sizeof(name), "%s%s", path, beside[i]);
		const struct watched *file = find(name);

		for (size_t k = 0; file && k < file->count; k++)
			sum += file->ops[k].len;
	}
	return sum;
}
