/* SPDX-License-Identifier: GPL-3.0-or-later */
/* claim: which recorder writes a recording. It is a file PATH.lock beside the recording, locked (flock) as long as the recorder
 * writes, with a sentence in it that says so. A recorder that was killed leaves the file, but not the lock.
 *
 * A POSIX lock on the recording itself would not do: any close of that file within the process drops it, SQLite's too. */
#ifndef LULL_STORE_CLAIM_H
#define LULL_STORE_CLAIM_H

#include <lull/terms.h>
#include <stdbool.h>

/* The descriptor that holds the lock. -EBUSY: another recorder holds it; another -errno. */
LULL_MUST_CHECK int lull_claim_take(const char *path);
/* Some recorder, perhaps this one, holds it. */
bool lull_claim_held(const char *path);
/* Removes the file, if it is still the one that is locked, and closes. */
void lull_claim_drop(const char *path, int fd);

#endif
