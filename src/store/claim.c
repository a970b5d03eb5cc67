/* SPDX-License-Identifier: GPL-3.0-or-later */
/* claim: which recorder writes a recording. */
#include <store/claim.h>

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

static int name_of(const char *path, char name[static PATH_MAX])
{
	const int n = snprintf(name, PATH_MAX, "%s.lock", path);

	return n < 0 || n >= PATH_MAX ? -ENAMETOOLONG : 0;
}

/* The name still means the file that is open: whoever held the lock before may have removed it. */
static bool is_there(const char *name, int fd)
{
	struct stat here, open_one;

	return !fstat(fd, &open_one) && !lstat(name, &here) && here.st_dev == open_one.st_dev &&
		here.st_ino == open_one.st_ino;
}

/* For whoever finds it. A full disk has no room for it, which does no harm. */
static void say(const char *path, int fd)
{
	const char *slash = strrchr(path, '/');

	if (ftruncate(fd, 0))
		return;
	(void)dprintf(fd,
		"This file keeps a second recorder from writing %s at the same time.\n"
		"It is locked by lulld, process %ld. When no recorder runs, it can be deleted.\n",
		slash ? slash + 1 : path, (long)getpid());
}

int lull_claim_take(const char *path)
{
	char name[PATH_MAX];
	int r = name_of(path, name);

	while (!r) {
		const int fd = open(name, O_RDWR | O_CREAT | O_NOFOLLOW | O_CLOEXEC, 0640);

		if (fd < 0)
			return -errno;
		if (flock(fd, LOCK_EX | LOCK_NB)) {
			r = errno == EWOULDBLOCK ? -EBUSY : -errno;
		} else if (is_there(name, fd)) {
			say(path, fd);
			return fd;
		}
		(void)close(fd);
	}
	return r;
}

bool lull_claim_held(const char *path)
{
	char name[PATH_MAX];
	const int fd = name_of(path, name) ? -1 : open(name, O_RDONLY | O_NOFOLLOW | O_CLOEXEC);

	if (fd < 0)
		return false;
	const bool held = flock(fd, LOCK_SH | LOCK_NB) && errno == EWOULDBLOCK;

	(void)close(fd);
	return held;
}

void lull_claim_drop(const char *path, int fd)
{
	char name[PATH_MAX];

	if (fd < 0)
		return;
	if (!name_of(path, name) && is_there(name, fd))
		(void)unlink(name);
	(void)close(fd);
}
