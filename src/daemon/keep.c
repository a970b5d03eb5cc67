/* SPDX-License-Identifier: GPL-3.0-or-later */
/* keep: every frame, in compressed captures beside the recording. */
#include <daemon/keep.h>
#include <daemon/keep_list.h>
#include <daemon/log.h>
#include <source/pcap_out.h>

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/statvfs.h>
#include <unistd.h>
#include <zstd.h>

#define FILE_BYTES ((uint64_t)64 << 20) /* before compression */
#define LEVEL 3

/* One file that is being written. */
struct sink {
	struct lull_keep_files *files;
	int fd; /* -1: none */
	ZSTD_CCtx *zstd;
	struct lull_pcap_out *out;
	unsigned number;
	char name[NAME_MAX + 1]; /* of the file that is open */
	uint64_t bytes; /* before compression */
};

struct lull_keep_files {
	const struct lull_config *config;
	char folder[PATH_MAX - NAME_MAX - 1];
	char stem[NAME_MAX + 1]; /* name of the recording without .lull */
	struct lull_keep_list *list;
	int64_t to_utc; /* CLOCK_BOOTTIME -> stamp of the capture */
	struct sink sink[LULL_BUS_MAX];
	uint64_t written;
	bool full; /* the disk has no room, or fails */
};

/* --- stdio into zstd into a descriptor --- */

static int put_out(struct sink *sink, const void *data, size_t n)
{
	const char *p = data;

	while (n) {
		const ssize_t done = write(sink->fd, p, n);

		if (done < 0 && errno == EINTR)
			continue;
		if (done <= 0)
			return -1;
		p += done;
		n -= (size_t)done;
		sink->files->written += (uint64_t)done;
	}
	return 0;
}

static int compress(struct sink *sink, const void *data, size_t n, ZSTD_EndDirective how)
{
	char out[16384];
	ZSTD_inBuffer in = {data, n, 0};
	size_t rest;

	do {
		ZSTD_outBuffer to = {out, sizeof out, 0};

		rest = ZSTD_compressStream2(sink->zstd, &to, &in, how);
		if (ZSTD_isError(rest) || put_out(sink, out, to.pos))
			return -1;
	} while (in.pos < in.size || (how != ZSTD_e_continue && rest));
	return 0;
}

static ssize_t cookie_write(void *cookie, const char *data, size_t n)
{
	struct sink *sink = cookie;

	sink->bytes += n;
	return compress(sink, data, n, ZSTD_e_continue) ? -1 : (ssize_t)n;
}

/* --- files --- */

static void trouble(struct lull_keep_files *files, const char *what)
{
	if (!files->full)
		lull_log(SD_WARNING, "frames are not kept: %s", what);
	files->full = true;
}

static void end_file(struct sink *sink)
{
	lull_pcap_out_close(sink->out);
	sink->out = NULL;
	if (sink->fd >= 0) {
		if (!compress(sink, NULL, 0, ZSTD_e_end))
			(void)fsync(sink->fd);
		(void)close(sink->fd);
	}
	sink->fd = -1;
	(void)ZSTD_CCtx_reset(sink->zstd, ZSTD_reset_session_only);
	sink->bytes = 0;
}

/* A restart goes on behind what is there. */
static int open_next(struct sink *sink, const char *bus)
{
	const struct lull_keep_files *files = sink->files;

	for (unsigned number = sink->number + 1;; number++) {
		char path[PATH_MAX];
		int r = lull_keep_name(files->stem, bus, number, sink->name);

		if (r)
			return r;
		(void)snprintf(path, sizeof path, "%s/%s", files->folder, sink->name);
		sink->fd = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0640);
		if (sink->fd < 0 && errno == EEXIST)
			continue;
		if (sink->fd < 0)
			return -errno;
		sink->number = number;
		/* What is not noted as the recorder's own could never be removed. */
		r = lull_keep_list_add(files->list, sink->name);
		if (!r)
			return 0;
		(void)close(sink->fd);
		sink->fd = -1;
		(void)unlink(path);
		return r;
	}
}

static int begin_file(struct lull_keep_files *files, unsigned bus)
{
	static const cookie_io_functions_t io = {.write = cookie_write};
	struct sink *sink = &files->sink[bus];
	int r;

	if (!sink->zstd)
		sink->zstd = ZSTD_createCCtx();
	if (!sink->zstd || ZSTD_isError(ZSTD_CCtx_setParameter(sink->zstd, ZSTD_c_compressionLevel, LEVEL)))
		return -ENOMEM;
	r = open_next(sink, files->config->bus[bus].name);
	if (r)
		return r;
	FILE *file = fopencookie(sink, "w", io);

	r = file ? lull_pcap_out_open(&sink->out, file) : -ENOMEM;
	if (!r)
		return 0;
	(void)close(sink->fd);
	sink->fd = -1;
	return r;
}

/* Where the captures lie, and how their names begin. */
static void split(struct lull_keep_files *files, const char *recording)
{
	const char *slash = strrchr(recording, '/'), *name = slash ? slash + 1 : recording;
	const size_t n = strlen(name), end = strlen(".lull");
	const bool whole = n > end && !strcmp(name + n - end, ".lull");

	(void)snprintf(files->folder, sizeof files->folder, "%.*s",
		slash && slash > recording ? (int)(slash - recording) : 1, slash ? recording : ".");
	(void)snprintf(files->stem, sizeof files->stem, "%.*s", (int)(whole ? n - end : n), name);
}

struct lull_keep_files *lull_keep_open(
	const struct lull_config *config, const char *recording, const struct lull_moment *now)
{
	struct lull_keep_files *files = calloc(1, sizeof *files);

	if (!files)
		return NULL;
	files->config = config;
	split(files, recording);
	files->list = lull_keep_list_open(files->folder, config->socket);
	/* One offset for the whole night: the captures have no steps of the clock. */
	files->to_utc = now->utc - now->boot;
	for (unsigned i = 0; i < LULL_BUS_MAX; i++) {
		files->sink[i].files = files;
		files->sink[i].fd = -1;
	}
	if (files->list)
		return files;
	lull_keep_close(files);
	return NULL;
}

void lull_keep_frame(struct lull_keep_files *files, unsigned bus, const struct lull_frame *frame)
{
	struct sink *sink = &files->sink[bus];

	if (files->full)
		return;
	if (sink->fd < 0) {
		const int r = begin_file(files, bus);

		if (r) {
			trouble(files, strerror(-r));
			return;
		}
	}
	lull_pcap_out_frame(sink->out, frame, frame->t + files->to_utc);
	if (sink->bytes >= FILE_BYTES)
		end_file(sink);
}

/* --- the limits --- */

static bool is_open(const struct lull_keep_files *files, const char *name)
{
	for (unsigned i = 0; i < files->config->bus_count; i++)
		if (files->sink[i].fd >= 0 && !strcmp(files->sink[i].name, name))
			return true;
	return false;
}

static void stay_within(struct lull_keep_files *files)
{
	const struct lull_kept *kept;
	const size_t n = lull_keep_list_there(files->list, &kept);
	uint64_t sum = 0;
	bool removed = false;

	for (size_t i = 0; i < n; i++)
		sum += kept[i].bytes;
	for (size_t i = 0; i < n && sum > files->config->keep_most; i++) {
		if (is_open(files, kept[i].name) || lull_keep_list_remove(files->list, kept[i].name))
			continue;
		sum -= kept[i].bytes;
		removed = true;
		lull_log(SD_INFO, "%s: removed, the limit of kept frames is reached", kept[i].name);
	}
	/* Names of files that are gone do no harm: where it fails, the next time does it. */
	if (removed)
		(void)!lull_keep_list_tidy(files->list);
}

static bool has_room(const struct lull_keep_files *files)
{
	struct statvfs fs;

	return !statvfs(files->folder, &fs) && (uint64_t)fs.f_bavail * fs.f_frsize > files->config->keep_free;
}

void lull_keep_flush(struct lull_keep_files *files, const struct lull_moment *now)
{
	(void)now;
	for (unsigned i = 0; i < files->config->bus_count; i++) {
		struct sink *sink = &files->sink[i];

		if (sink->fd < 0)
			continue;
		if (lull_pcap_out_flush(sink->out) || compress(sink, NULL, 0, ZSTD_e_flush) || fdatasync(sink->fd)) {
			trouble(files, strerror(errno));
			end_file(sink);
		}
	}
	stay_within(files);
	if (!has_room(files)) {
		trouble(files, "the disk has no room beyond keep-free");
		for (unsigned i = 0; i < files->config->bus_count; i++)
			if (files->sink[i].fd >= 0)
				end_file(&files->sink[i]);
	} else if (files->full) {
		files->full = false;
		lull_log(SD_NOTICE, "frames are kept again");
	}
}

uint64_t lull_keep_bytes(const struct lull_keep_files *files)
{
	return files ? files->written : 0;
}

void lull_keep_close(struct lull_keep_files *files)
{
	if (!files)
		return;
	for (unsigned i = 0; i < LULL_BUS_MAX; i++) {
		if (files->sink[i].fd >= 0)
			end_file(&files->sink[i]);
		(void)ZSTD_freeCCtx(files->sink[i].zstd);
	}
	lull_keep_list_close(files->list);
	free(files);
}
