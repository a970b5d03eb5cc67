/* SPDX-License-Identifier: GPL-3.0-or-later */
/* leftovers: unfinished recordings that a killed import left beside its target. */
#ifndef LULL_STORE_LEFTOVERS_H
#define LULL_STORE_LEFTOVERS_H

/* The name of an unfinished recording: the target's, then process and number. */
#define LULL_UNFINISHED "%s.part%ld-%u"

/* Removes what earlier makers of the recording `path` left beside it: plain files named as above, with SQLite's companions
 * (-wal, -shm, -journal), whose process is gone and that nobody holds open. Each of these is asked for by itself, since a process
 * of another container has no number here, and a number may have been given again. What cannot be removed stays. */
void lull_leftovers_remove(const char *path);

#endif
