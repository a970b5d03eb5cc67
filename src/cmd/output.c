/* SPDX-License-Identifier: GPL-3.0-or-later */
/* output: standard output, or a file that appears only when it is complete. */
#include <cmd/output.h>
#include <errno.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static void forget(struct lull_output *o)
{
	free(o->path);
	free(o->temporary);
	*o = (struct lull_output){0};
}

/* The name of a device or a pipe is written to as it is: a rename would replace it. */
static bool plain_or_absent(const char *path)
{
	struct stat st;

	return stat(path, &st) != 0 || S_ISREG(st.st_mode);
}

static int open_file(struct lull_output *o, const char *path)
{
	mode_t mask;
	int fd, err;

	o->path = strdup(path);
	if (!o->path)
		return -ENOMEM;
	if (!plain_or_absent(path)) {
		o->stream = fopen(path, "w");
		return o->stream ? 0 : -errno;
	}
	if (asprintf(&o->temporary, "%s.XXXXXX", path) < 0) {
		o->temporary = NULL;
		return -ENOMEM;
	}
	fd = mkstemp(o->temporary);
	if (fd < 0) {
		err = -errno;
		free(o->temporary);
		o->temporary = NULL;
		return err;
	}
	/* mkstemp makes files for the owner alone; a report is as readable as any other file. */
	mask = umask(0);
	(void)umask(mask);
	if (!fchmod(fd, 0666 & ~mask))
		o->stream = fdopen(fd, "w");
	if (!o->stream) {
		err = -errno;
		(void)close(fd);
		(void)unlink(o->temporary);
		return err;
	}
	return 0;
}

int lull_output_open(struct lull_output *o, const char *path)
{
	int err;

	*o = (struct lull_output){0};
	if (!path || !strcmp(path, "-")) {
		o->stream = stdout;
		return 0;
	}
	err = open_file(o, path);
	if (err)
		forget(o);
	return err;
}

int lull_output_close(struct lull_output *o, int err)
{
	if (fflush(o->stream) && !err)
		err = -errno;
	if (ferror(o->stream) && !err)
		err = -EIO;
	if (!o->path)
		return err;
	if (o->temporary && !err && fsync(fileno(o->stream)))
		err = -errno;
	if (fclose(o->stream) && !err)
		err = -errno;
	if (o->temporary && !err && rename(o->temporary, o->path))
		err = -errno;
	if (o->temporary && err)
		(void)unlink(o->temporary);
	forget(o);
	return err;
}
