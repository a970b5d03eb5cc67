/* SPDX-License-Identifier: GPL-3.0-or-later */
/* journal_aside: a recording that cannot be used gets another name. */
#include "journal.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

static int rename_with(const char *from, const char *to, const char *suffix)
{
	char *a = NULL, *b = NULL;
	int r = -ENOMEM;

	if (asprintf(&a, "%s%s", from, suffix) >= 0 && asprintf(&b, "%s%s", to, suffix) >= 0)
		r = rename(a, b) ? -errno : 0;
	free(a);
	free(b);
	return r;
}

int lull_journal_set_aside(const char *path, char *to, size_t to_size)
{
	for (unsigned i = 1; i < 1000; i++) {
		int n = i == 1 ? snprintf(to, to_size, "%s.damaged", path) : snprintf(to, to_size, "%s.damaged-%u", path, i);

		if (n < 0 || (size_t)n >= to_size)
			return -ENAMETOOLONG;
		if (access(to, F_OK) == 0)
			continue;
		/* The journals first: a journal without its file is nothing, a file without its journal a wrong state. */
		(void)rename_with(path, to, "-wal");
		(void)rename_with(path, to, "-shm");
		return rename_with(path, to, "");
	}
	return -EEXIST;
}
