/* SPDX-License-Identifier: GPL-3.0-or-later */
/* leftovers: unfinished recordings that a killed import left beside its target. */
#include <store/leftovers.h>

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* A number without leading zeros, at *p and past it; -1: there is none. */
static long number(const char **p)
{
	char *end;
	const long v = **p >= '0' && **p <= '9' ? strtol(*p, &end, 10) : -1;

	if (v < 0 || (**p == '0' && end - *p > 1) || end - *p > 10)
		return -1;
	*p = end;
	return v;
}

/* The process in a name such as "night.lull.part4711-0", and how long the name is without a companion's ending; 0: it is none. */
static pid_t maker(const char *name, const char *target, size_t *length)
{
	static const char *const companions[] = {"", "-wal", "-shm", "-journal"};
	const size_t n = strlen(target);
	const char *p = name + n;

	if (strncmp(name, target, n) != 0 || strncmp(p, ".part", 5) != 0)
		return 0;
	p += 5;
	const long pid = number(&p);

	if (pid <= 0 || pid != (pid_t)pid || *p++ != '-' || number(&p) < 0)
		return 0;
	*length = (size_t)(p - name);
	for (size_t i = 0; i < sizeof companions / sizeof companions[0]; i++) {
		if (!strcmp(p, companions[i]))
			return (pid_t)pid;
	}
	return 0;
}

/* Somebody's SQLite has it open: it keeps a lock for as long. True as well where that cannot be told. */
static bool held(int folder, const char *name)
{
	struct flock lock = {.l_type = F_WRLCK, .l_whence = SEEK_SET};
	const int fd = openat(folder, name, O_RDWR | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);

	if (fd < 0)
		return errno != ENOENT; /* a companion whose recording is gone */
	const bool yes = fcntl(fd, F_GETLK, &lock) != 0 || lock.l_type != F_UNLCK;

	(void)close(fd);
	return yes;
}

static void consider(int folder, const char *name, const char *target)
{
	struct stat st;
	size_t length;
	char main_name[NAME_MAX + 1];
	const pid_t pid = maker(name, target, &length);

	/* Our own are never opened here: to close one would drop its locks. */
	if (!pid || pid == getpid() || length >= sizeof main_name || kill(pid, 0) == 0 || errno != ESRCH)
		return;
	memcpy(main_name, name, length);
	main_name[length] = 0;
	if (fstatat(folder, name, &st, AT_SYMLINK_NOFOLLOW) || !S_ISREG(st.st_mode) || held(folder, main_name))
		return;
	(void)unlinkat(folder, name, 0);
}

void lull_leftovers_remove(const char *path)
{
	const char *slash = strrchr(path, '/'), *target = slash ? slash + 1 : path;
	char *folder = slash ? strndup(path, (size_t)(slash - path) + 1) : strdup(".");
	DIR *dir = folder ? opendir(folder) : NULL;
	const struct dirent *entry;

	free(folder);
	if (!dir)
		return;
	while (*target && (entry = readdir(dir)))
		consider(dirfd(dir), entry->d_name, target);
	(void)closedir(dir);
}
