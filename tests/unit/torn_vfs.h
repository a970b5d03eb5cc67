/* SPDX-License-Identifier: GPL-3.0-or-later */
/* torn_vfs: SQLite's default VFS, watched: at any moment it can write down what a power cut would leave on the disk.
 *
 * What was not synced may be there or not, write by write and sector by sector, in any order; a sector may be torn; where
 * a file had grown it may hold zeros; a file that was made may be missing, one that was removed may be back until some
 * file is synced. What was synced is there. */
#ifndef LULL_TESTS_TORN_VFS_H
#define LULL_TESTS_TORN_VFS_H

#include <stdbool.h>
#include <stdint.h>

enum torn_how {
	TORN_NOTHING, /* nothing unsynced reached the disk */
	TORN_ALL, /* everything did */
	TORN_ORDERED, /* all up to some write, that one torn */
	TORN_WRITES, /* some writes, others not */
	TORN_SECTORS, /* some sectors of some writes, some of them torn, some zeros where the file had grown */
	TORN_COUNT
};

/* Makes it the default VFS until torn_end(). `moment` is called within each write, sync, cut or removal of a file whose
 * path has `part` in it: work with SQLite in there is not watched. */
void torn_begin(const char *part, void (*moment)(void *ctx), void *ctx);
void torn_end(void);
/* Writes what a cut now would leave of `path` and what SQLite keeps beside it to `into` and beside it, other files
 * of that name are removed. */
void torn_cut(const char *path, const char *into, enum torn_how how, uint64_t *random);
/* The file that was opened first, NULL before; valid until torn_end(). */
const char *torn_first(void);
/* Bytes of the file, and beside it, that are not synced. */
uint64_t torn_unsynced(const char *path);

#endif
