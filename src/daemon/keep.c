/* SPDX-License-Identifier: GPL-3.0-or-later */
/* keep: every frame, in compressed captures beside the recording. */
#include <daemon/keep.h>
#include <daemon/log.h>

#include <arpa/inet.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <linux/can.h>
#include <pcap/pcap.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>
#include <zstd.h>

#define FILE_BYTES ((uint64_t)64 << 20) /* before compression */
#define LEVEL 3
#define HEAD 8 /* bytes before the payload, LINKTYPE_CAN_SOCKETCAN */
#define SUFFIX ".pcap.zst"

/* One file that is being written. */
struct sink {
	struct lull_keep_files *files;
	int fd; /* -1: none */
	ZSTD_CCtx *zstd;
	pcap_dumper_t *dumper;
	unsigned number;
	uint64_t bytes; /* before compression */
};

struct lull_keep_files {
	const struct lull_config *config;
	char stem[PATH_MAX - 64]; /* path without .lull */
	int64_t to_utc; /* CLOCK_BOOTTIME -> stamp of the capture */
	pcap_t *dead;
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

/* Bus names may hold anything; a file name may not. */
static void name_of(const struct lull_keep_files *files, unsigned bus, unsigned number, char *path, size_t size)
{
	char name[LULL_BUS_NAME];

	(void)snprintf(name, sizeof name, "%s", files->config->bus[bus].name);
	for (char *c = name; *c; c++)
		if (*c == '/' || *c == '.')
			*c = '_';
	(void)snprintf(path, size, "%s.%s.%04u" SUFFIX, files->stem, name, number);
}

static void end_file(struct sink *sink)
{
	if (sink->dumper)
		pcap_dump_close(sink->dumper);
	sink->dumper = NULL;
	if (sink->fd >= 0) {
		if (!compress(sink, NULL, 0, ZSTD_e_end))
			(void)fsync(sink->fd);
		(void)close(sink->fd);
	}
	sink->fd = -1;
	(void)ZSTD_CCtx_reset(sink->zstd, ZSTD_reset_session_only);
	sink->bytes = 0;
}

static int begin_file(struct lull_keep_files *files, unsigned bus)
{
	static const cookie_io_functions_t io = {.write = cookie_write};
	struct sink *sink = &files->sink[bus];
	char path[PATH_MAX];

	if (!sink->zstd)
		sink->zstd = ZSTD_createCCtx();
	if (!sink->zstd || ZSTD_isError(ZSTD_CCtx_setParameter(sink->zstd, ZSTD_c_compressionLevel, LEVEL)))
		return -ENOMEM;
	/* A restart goes on behind what is there. */
	do {
		name_of(files, bus, ++sink->number, path, sizeof path);
		sink->fd = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0640);
	} while (sink->fd < 0 && errno == EEXIST && sink->number < 9999);
	if (sink->fd < 0)
		return -errno;
	FILE *file = fopencookie(sink, "w", io);

	if (file)
		sink->dumper = pcap_dump_fopen(files->dead, file);
	if (sink->dumper)
		return 0;
	if (file)
		(void)fclose(file);
	(void)close(sink->fd);
	sink->fd = -1;
	return -ENOMEM;
}

struct lull_keep_files *lull_keep_open(
	const struct lull_config *config, const char *recording, const struct lull_moment *now)
{
	struct lull_keep_files *files = calloc(1, sizeof *files);

	if (!files)
		return NULL;
	files->config = config;
	const size_t n = strlen(recording);

	(void)snprintf(files->stem, sizeof files->stem, "%.*s", (int)(n > 5 ? n - 5 : n), recording);
	/* One offset for the whole night: the captures have no steps of the clock. */
	files->to_utc = now->utc - now->boot;
	files->dead = pcap_open_dead_with_tstamp_precision(DLT_CAN_SOCKETCAN, 262144, PCAP_TSTAMP_PRECISION_NANO);
	for (unsigned i = 0; i < LULL_BUS_MAX; i++) {
		files->sink[i].files = files;
		files->sink[i].fd = -1;
	}
	if (files->dead)
		return files;
	free(files);
	return NULL;
}

void lull_keep_frame(struct lull_keep_files *files, unsigned bus, const struct lull_frame *frame)
{
	struct sink *sink = &files->sink[bus];
	uint8_t bytes[HEAD + 64] = {0};
	uint32_t id = frame->id & LULL_ID_BITS;

	if (files->full)
		return;
	if (sink->fd < 0) {
		const int r = begin_file(files, bus);

		if (r) {
			trouble(files, strerror(-r));
			return;
		}
	}
	if (frame->flags & LULL_FRAME_ERROR)
		id |= CAN_ERR_FLAG;
	else
		id |= (frame->id & LULL_ID_EXTENDED ? CAN_EFF_FLAG : 0) | (frame->flags & LULL_FRAME_REMOTE ? CAN_RTR_FLAG : 0);
	id = htonl(id);
	memcpy(bytes, &id, sizeof id);
	bytes[4] = frame->len;
	if (frame->flags & LULL_FRAME_FD)
		bytes[5] = (uint8_t)(CANFD_FDF | (frame->flags & LULL_FRAME_BRS ? CANFD_BRS : 0) |
			(frame->flags & LULL_FRAME_ESI ? CANFD_ESI : 0));
	const unsigned payload = frame->flags & LULL_FRAME_REMOTE ? 0 : frame->len;

	memcpy(bytes + HEAD, frame->data, payload);
	const int64_t stamp = frame->t + files->to_utc;
	const struct pcap_pkthdr head = {
		/* With nanoseconds, tv_usec holds these. */
		.ts = {.tv_sec = (time_t)(stamp / LULL_SEC), .tv_usec = (suseconds_t)(stamp % LULL_SEC)},
		.caplen = HEAD + payload,
		.len = HEAD + payload};

	pcap_dump((u_char *)sink->dumper, &head, bytes);
	if (sink->bytes >= FILE_BYTES)
		end_file(sink);
}

/* --- the limits --- */

struct kept {
	char name[NAME_MAX + 1];
	int64_t changed;
	uint64_t bytes;
};

static int by_age(const void *x, const void *y)
{
	const struct kept *a = x, *b = y;

	return a->changed != b->changed ? (a->changed > b->changed) - (a->changed < b->changed) : strcmp(a->name, b->name);
}

static size_t list_kept(const char *folder, struct kept **out)
{
	DIR *dir = opendir(folder);
	size_t n = 0, room = 0;

	*out = NULL;
	if (!dir)
		return 0;
	for (const struct dirent *e = readdir(dir); e; e = readdir(dir)) {
		const size_t length = strlen(e->d_name), end = strlen(SUFFIX);
		struct stat st;

		if (length <= end || strcmp(e->d_name + length - end, SUFFIX) != 0 ||
			fstatat(dirfd(dir), e->d_name, &st, AT_SYMLINK_NOFOLLOW) || !S_ISREG(st.st_mode))
			continue;
		if (n == room) {
			struct kept *more = realloc(*out, (room = room ? 2 * room : 64) * sizeof *more);

			if (!more)
				break;
			*out = more;
		}
		struct kept *kept = &(*out)[n++];

		memcpy(kept->name, e->d_name, length + 1);
		kept->changed = (int64_t)st.st_mtim.tv_sec * LULL_SEC + st.st_mtim.tv_nsec;
		kept->bytes = (uint64_t)st.st_size;
	}
	(void)closedir(dir);
	if (n)
		qsort(*out, n, sizeof **out, by_age);
	return n;
}

static bool is_open(const struct lull_keep_files *files, const char *path)
{
	char name[PATH_MAX];

	for (unsigned i = 0; i < files->config->bus_count; i++) {
		if (files->sink[i].fd < 0)
			continue;
		name_of(files, i, files->sink[i].number, name, sizeof name);
		if (!strcmp(name, path))
			return true;
	}
	return false;
}

static void stay_within(struct lull_keep_files *files)
{
	const char *folder = files->config->folder;
	struct kept *kept;
	const size_t n = list_kept(folder, &kept);
	uint64_t sum = 0;

	for (size_t i = 0; i < n; i++)
		sum += kept[i].bytes;
	for (size_t i = 0; i < n && sum > files->config->keep_most; i++) {
		char path[PATH_MAX];

		(void)snprintf(path, sizeof path, "%s/%s", folder, kept[i].name);
		if (is_open(files, path) || unlink(path))
			continue;
		sum -= kept[i].bytes;
		lull_log(SD_INFO, "%s: removed, the limit of kept frames is reached", kept[i].name);
	}
	free(kept);
}

static bool has_room(const struct lull_keep_files *files)
{
	struct statvfs fs;

	return !statvfs(files->config->folder, &fs) && (uint64_t)fs.f_bavail * fs.f_frsize > files->config->keep_free;
}

void lull_keep_flush(struct lull_keep_files *files, const struct lull_moment *now)
{
	(void)now;
	for (unsigned i = 0; i < files->config->bus_count; i++) {
		struct sink *sink = &files->sink[i];

		if (sink->fd < 0)
			continue;
		if (pcap_dump_flush(sink->dumper) || compress(sink, NULL, 0, ZSTD_e_flush) || fdatasync(sink->fd)) {
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
	pcap_close(files->dead);
	free(files);
}
