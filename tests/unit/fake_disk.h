/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fake_disk: a disk that is slow, full, away and back, for SQLite files of one folder. It is SQLite's default VFS with writes and
 * syncs taken over. Time is virtual: a slow sync calls `passes`, and nothing waits. */
#ifndef LULL_TESTS_FAKE_DISK_H
#define LULL_TESTS_FAKE_DISK_H

#include <stdbool.h>
#include <stdint.h>

struct fake_disk {
	int64_t sync_ns; /* how long each sync takes */
	void (*passes)(void *ctx, int64_t ns); /* called within a sync that takes time; NULL: nobody waits */
	void *ctx;
	bool full; /* writes: no space left */
	/* Counted since fake_disk_begin(). */
	uint64_t writes, syncs, bytes;
};
extern struct fake_disk fake_disk;

/* From here on it is the default VFS, with all of the above 0. The folder is borrowed. */
void fake_disk_begin(const char *folder);
/* Away: the folder is not there under its name, and files that are open give I/O errors. */
void fake_disk_away(bool away);
/* The default VFS is what it was, the folder is back. */
void fake_disk_end(void);

#endif
