/* SPDX-License-Identifier: GPL-3.0-or-later */
/* keep_list: which captures are the recorder's own. */
#include <daemon/keep_list.h>

#include <ctype.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <systemd/sd-id128.h>
#include <unistd.h>

#define DIGITS 4
#define APPLICATION SD_ID128_MAKE(6b, 1d, 52, c4, 0e, 8f, 4a, 77, 9a, 35, 21, d0, f6, 48, 9c, 13)

struct lull_keep_list {
	int folder; /* descriptor; -errno: it cannot be opened */
	char file[NAME_MAX + 1];
	char **name;
	size_t count, room;
	struct lull_kept *there;
	size_t there_room;
};

/* --- names --- */

int lull_keep_name(const char *stem, const char *bus, unsigned number, char name[NAME_MAX + 1])
{
	char clean[LULL_BUS_NAME];

	if (number < 1 || number > 9999)
		return -ERANGE;
	(void)snprintf(clean, sizeof clean, "%s", bus);
	/* Bus names may hold anything; a part of a file name may not. */
	for (char *c = clean; *c; c++)
		if (*c == '/' || *c == '.' || iscntrl((unsigned char)*c))
			*c = '_';
	const int n = snprintf(name, NAME_MAX + 1, "%s.%s.%04u" LULL_KEEP_SUFFIX, stem, clean, number);

	return n < 0 || n > NAME_MAX ? -ENAMETOOLONG : 0;
}

bool lull_keep_is_name(const char *name)
{
	const size_t n = strlen(name), end = strlen(LULL_KEEP_SUFFIX);

	/* At least s.b.0001 before the suffix. */
	if (n > NAME_MAX || n < end + DIGITS + 4 || name[0] == '.' ||
		strcmp(name + n - end, LULL_KEEP_SUFFIX) != 0)
		return false;
	for (const char *c = name; *c; c++)
		if (*c == '/' || iscntrl((unsigned char)*c))
			return false;
	const char *number = name + n - end - DIGITS;

	for (int i = 0; i < DIGITS; i++)
		if (!isdigit((unsigned char)number[i]))
			return false;
	if (!memcmp(number, "0000", DIGITS) || number[-1] != '.' || number[-2] == '.')
		return false;
	/* A bus between two dots, and something before it. */
	const char *bus = number - 2;

	while (bus > name && *bus != '.')
		bus--;
	return bus > name;
}

/* --- in memory --- */

static int remember(struct lull_keep_list *list, const char *name)
{
	if (list->count == list->room) {
		const size_t room = list->room ? 2 * list->room : 64;
		char **more = realloc(list->name, room * sizeof *more);

		if (!more)
			return -ENOMEM;
		list->name = more;
		list->room = room;
	}
	char *copy = strdup(name);

	if (!copy)
		return -ENOMEM;
	list->name[list->count++] = copy;
	return 0;
}

static bool knows(const struct lull_keep_list *list, const char *name)
{
	for (size_t i = 0; i < list->count; i++)
		if (!strcmp(list->name[i], name))
			return true;
	return false;
}

static int by_name(const void *x, const void *y)
{
	const char *const *a = x, *const *b = y;

	return strcmp(*a, *b);
}

static int read_names(struct lull_keep_list *list)
{
	const int fd = openat(list->folder, list->file, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
	FILE *file = fd < 0 ? NULL : fdopen(fd, "r");
	char line[NAME_MAX + 3];
	bool whole = true; /* the line before ended */
	int r = 0;

	if (!file) {
		if (fd >= 0)
			(void)close(fd);
		return fd < 0 ? 0 : -ENOMEM;
	}
	while (!r && fgets(line, sizeof line, file)) {
		const size_t n = strcspn(line, "\n");
		const bool begins = whole;

		whole = line[n] == '\n';
		line[n] = '\0';
		/* A line that a power cut left half, or that is too long, is no name. */
		if (begins && whole && lull_keep_is_name(line))
			r = remember(list, line);
	}
	(void)fclose(file);
	if (list->count)
		qsort(list->name, list->count, sizeof *list->name, by_name);
	size_t n = 0;

	for (size_t i = 0; i < list->count; i++) {
		if (n && !strcmp(list->name[n - 1], list->name[i]))
			free(list->name[i]);
		else
			list->name[n++] = list->name[i];
	}
	list->count = n;
	return r;
}

struct lull_keep_list *lull_keep_list_open(const char *folder, const char *socket)
{
	struct lull_keep_list *list = calloc(1, sizeof *list);
	char machine[SD_ID128_STRING_MAX] = "unknown";
	sd_id128_t id;

	if (!list)
		return NULL;
	if (sd_id128_get_machine_app_specific(APPLICATION, &id) >= 0)
		(void)sd_id128_to_string(id, machine);
	(void)snprintf(list->file, sizeof list->file, ".lull-kept-%s-%s", machine, socket);
	for (char *c = list->file; *c; c++)
		if (*c == '/' || iscntrl((unsigned char)*c))
			*c = '_';
	list->folder = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
	if (list->folder < 0)
		list->folder = -errno;
	if (list->folder >= 0 && read_names(list)) {
		lull_keep_list_close(list);
		return NULL;
	}
	return list;
}

void lull_keep_list_close(struct lull_keep_list *list)
{
	if (!list)
		return;
	for (size_t i = 0; i < list->count; i++)
		free(list->name[i]);
	free(list->name);
	free(list->there);
	if (list->folder >= 0)
		(void)close(list->folder);
	free(list);
}

/* --- on the disk --- */

static int put_line(int fd, const char *name)
{
	char line[NAME_MAX + 2];
	const int n = snprintf(line, sizeof line, "%s\n", name);
	const ssize_t done = write(fd, line, (size_t)n);

	return done == n ? 0 : done < 0 ? -errno : -ENOSPC;
}

int lull_keep_list_add(struct lull_keep_list *list, const char *name)
{
	if (list->folder < 0)
		return list->folder;
	if (!lull_keep_is_name(name))
		return -EINVAL;
	if (knows(list, name))
		return 0;
	const int fd = openat(list->folder, list->file,
		O_WRONLY | O_CREAT | O_APPEND | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC, 0640);

	if (fd < 0)
		return -errno;
	int r = put_line(fd, name);

	if (!r && (fsync(fd) || fsync(list->folder)))
		r = -errno;
	if (close(fd) && !r)
		r = -errno;
	return r ? r : remember(list, name);
}

static bool is_there(const struct lull_keep_list *list, const char *name, struct stat *st)
{
	return !fstatat(list->folder, name, st, AT_SYMLINK_NOFOLLOW) && S_ISREG(st->st_mode);
}

static int by_age(const void *x, const void *y)
{
	const struct lull_kept *a = x, *b = y;

	return a->changed != b->changed ? (a->changed > b->changed) - (a->changed < b->changed)
					: strcmp(a->name, b->name);
}

size_t lull_keep_list_there(struct lull_keep_list *list, const struct lull_kept **out)
{
	size_t n = 0;

	if (list->there_room < list->count) {
		struct lull_kept *more = realloc(list->there, list->room * sizeof *more);

		if (more) {
			list->there = more;
			list->there_room = list->room;
		}
	}
	for (size_t i = 0; i < list->count && n < list->there_room; i++) {
		struct stat st;

		if (is_there(list, list->name[i], &st))
			list->there[n++] = (struct lull_kept){.name = list->name[i],
				.changed = (int64_t)st.st_mtim.tv_sec * LULL_SEC + st.st_mtim.tv_nsec,
				.bytes = (uint64_t)st.st_size};
	}
	if (n)
		qsort(list->there, n, sizeof *list->there, by_age);
	*out = list->there;
	return n;
}

int lull_keep_list_remove(struct lull_keep_list *list, const char *name)
{
	if (!knows(list, name))
		return -EPERM;
	return unlinkat(list->folder, name, 0) ? -errno : 0;
}

static int write_names(const struct lull_keep_list *list, const char *file)
{
	const int fd = openat(list->folder, file, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0640);
	int r = 0;

	if (fd < 0)
		return -errno;
	for (size_t i = 0; i < list->count && !r; i++)
		r = put_line(fd, list->name[i]);
	if (!r && fsync(fd))
		r = -errno;
	if (close(fd) && !r)
		r = -errno;
	return r;
}

int lull_keep_list_tidy(struct lull_keep_list *list)
{
	char file[NAME_MAX + 1];
	size_t n = 0;
	struct stat st;

	for (size_t i = 0; i < list->count; i++) {
		if (fstatat(list->folder, list->name[i], &st, AT_SYMLINK_NOFOLLOW) && errno == ENOENT)
			free(list->name[i]);
		else
			list->name[n++] = list->name[i];
	}
	if (n == list->count)
		return 0;
	list->count = n;
	if (snprintf(file, sizeof file, "%s.new", list->file) >= (int)sizeof file)
		return -ENAMETOOLONG;
	(void)unlinkat(list->folder, file, 0); /* of a write that was broken off */
	int r = write_names(list, file);

	if (!r && renameat(list->folder, file, list->folder, list->file))
		r = -errno;
	if (!r && fsync(list->folder))
		r = -errno;
	return r;
}
