/* SPDX-License-Identifier: GPL-3.0-or-later */
/* errors: SQLite's answers as errno, and messages. */
#include "recording.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>

int lull_sqlite_errno(int rc)
{
	switch (rc & 0xff) {
	case SQLITE_OK:
	case SQLITE_ROW:
	case SQLITE_DONE: return 0;
	case SQLITE_NOMEM: return -ENOMEM;
	case SQLITE_FULL: return -ENOSPC;
	case SQLITE_PERM:
	case SQLITE_AUTH: return -EACCES;
	case SQLITE_READONLY: return -EROFS;
	case SQLITE_BUSY:
	case SQLITE_LOCKED: return -EBUSY;
	case SQLITE_CORRUPT:
	case SQLITE_NOTADB:
	case SQLITE_FORMAT:
	case SQLITE_INTERRUPT: /* more work than a file of that size can need */
	case SQLITE_TOOBIG:
	case SQLITE_ERROR: /* our statements are right: the file's schema is not */
	case SQLITE_SCHEMA:
	case SQLITE_MISMATCH: return -EBADMSG;
	case SQLITE_CANTOPEN: return -ENOENT;
	default: return -EIO; /* the enumeration is SQLite's */
	}
}

void lull_store_say(char *err, size_t err_size, const char *format, ...)
{
	va_list list;

	if (!err || !err_size)
		return;
	va_start(list, format);
	(void)vsnprintf(err, err_size, format, list);
	va_end(list);
}
