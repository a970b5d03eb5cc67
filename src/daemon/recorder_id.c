/* SPDX-License-Identifier: GPL-3.0-or-later */
/* recorder_id: see the header. */
#include <daemon/recorder_id.h>
#include <store/uuid.h>

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

/* Exactly one UUID and the end of its line. -ENOENT: there is no file; -EBADMSG: it holds something else. */
static int read_it(int folder, char out[LULL_UUID])
{
	char text[LULL_UUID + 1] = "";
	int fd = openat(folder, LULL_RECORDER_ID, O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);

	if (fd < 0)
		return -errno;
	const ssize_t n = read(fd, text, sizeof text);
	const int r = n < 0 ? -errno : 0;

	(void)close(fd);
	if (r)
		return r;
	if (n != LULL_UUID || text[LULL_UUID - 1] != '\n')
		return -EBADMSG;
	text[LULL_UUID - 1] = '\0';
	if (!lull_uuid_valid(text))
		return -EBADMSG;
	memcpy(out, text, LULL_UUID);
	return 0;
}

/* Under a name of its own first; whoever links it into its place first has made it. */
static int make_it(int folder)
{
	char uuid[LULL_UUID], line[LULL_UUID + 1], name[64];

	lull_uuid_random(uuid);
	(void)snprintf(line, sizeof line, "%s\n", uuid);
	(void)snprintf(name, sizeof name, LULL_RECORDER_ID ".%s", uuid);
	int fd = openat(folder, name, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644), r = 0;

	if (fd < 0)
		return -errno;
	const ssize_t n = write(fd, line, strlen(line));

	if (n != (ssize_t)strlen(line))
		r = n < 0 ? -errno : -ENOSPC;
	if (!r && fsync(fd))
		r = -errno;
	(void)close(fd);
	if (!r && renameat2(folder, name, folder, LULL_RECORDER_ID, RENAME_NOREPLACE))
		/* a file system without that flag: nobody else makes one here, the first recording is not open yet */
		r = errno == EINVAL && !renameat(folder, name, folder, LULL_RECORDER_ID) ? 0 : -errno;
	if (r)
		(void)unlinkat(folder, name, 0);
	else
		(void)fsync(folder);
	return r == -EEXIST ? 0 : r;
}

int lull_recorder_id(const char *path, char out[LULL_UUID], char *err, size_t err_size)
{
	int folder = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC), r;

	out[0] = '\0';
	if (folder < 0) {
		r = -errno;
		(void)snprintf(err, err_size, "%s: %s", path, strerror(-r));
		return r;
	}
	r = read_it(folder, out);
	if (r == -ENOENT) {
		r = make_it(folder);
		if (!r)
			r = read_it(folder, out);
	}
	(void)close(folder);
	if (r == -EBADMSG)
		(void)snprintf(err, err_size,
			"%s/" LULL_RECORDER_ID ": holds no UUID; put the one there that this recorder's "
			"recordings have, or remove the file",
			path);
	else if (r)
		(void)snprintf(err, err_size, "%s/" LULL_RECORDER_ID ": %s", path, strerror(-r));
	return r;
}
