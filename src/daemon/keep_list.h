/* SPDX-License-Identifier: GPL-3.0-or-later */
/* keep_list: the names of all captures that this recorder has made in a folder and not yet removed. Nothing else may be removed: the
 * folder may hold captures of people, of other recordings, and of another recorder.
 *
 * The list is a text file in that folder, one name a line: .lull-kept-MACHINE-SOCKET. MACHINE is an ID made from that of the computer,
 * SOCKET the path of the control socket, which is what two recorders of one computer differ in. A capture is noted before a frame
 * is in it. What is not in the list is never removed. */
#ifndef LULL_DAEMON_KEEP_LIST_H
#define LULL_DAEMON_KEEP_LIST_H

#include <limits.h>
#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define LULL_KEEP_SUFFIX ".pcap.zst"

struct lull_keep_list;

/* One capture that is still there. */
struct lull_kept {
	const char *name; /* in the folder; valid until the list is changed */
	int64_t changed; /* CLOCK_REALTIME, ns */
	uint64_t bytes;
};

/* NULL: out of memory. A list that cannot be read is one without names; lines that are no names of captures are left out. */
struct lull_keep_list *lull_keep_list_open(const char *folder, const char *socket);
/* STEM.BUS.NNNN.pcap.zst into name; -ENAMETOOLONG, or -ERANGE if the number is not 1 to 9999. */
LULL_MUST_CHECK int lull_keep_name(
	const char *stem, const char *bus, unsigned number, char name[NAME_MAX + 1]);
/* Is this such a name, in every part? */
bool lull_keep_is_name(const char *name);
/* The name is noted, on the disk. -errno. */
LULL_MUST_CHECK int lull_keep_list_add(struct lull_keep_list *, const char *name);
/* Those that are regular files in the folder, oldest first; *out is the list's own. */
size_t lull_keep_list_there(struct lull_keep_list *, const struct lull_kept **out);
/* Removes the file. -errno. */
LULL_MUST_CHECK int lull_keep_list_remove(struct lull_keep_list *, const char *name);
/* Writes the list anew without names whose files are gone. -errno: it stays as it is. */
LULL_MUST_CHECK int lull_keep_list_tidy(struct lull_keep_list *);
void lull_keep_list_close(struct lull_keep_list *);

#endif
