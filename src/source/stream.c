/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stream: the bytes of a file or of memory, gzip and zstd read through. */
#include <source/stream.h>

#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio_ext.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#ifdef __x86_64__
#include <xxh_x86dispatch.h> /* the same functions, by what the processor can do */
#else
#include <xxhash.h>
#endif
#include <zlib.h>
#include <zstd.h>
#include <zstd_errors.h>

#define RAW_BYTES 131072
#define STDIO_BYTES 262144
/* 32 MiB: enough for every level of zstd but its "ultra" ones, and memory stays bounded. */
#define ZSTD_WINDOW_LOG 25

enum packing { PACK_NONE, PACK_GZIP, PACK_ZSTD };

struct lull_stream {
	int fd; /* -1: memory */
	bool regular;
	int64_t size; /* -1 unknown */
	const uint8_t *memory;
	size_t memory_at;
	uint64_t raw_total; /* bytes taken from the file so far */
	bool raw_end;
	int raw_errno;

	enum packing packing;
	bool in_member; /* inside a gzip member or zstd frame */
	bool unpack_end;
	z_stream z;
	ZSTD_DCtx *zd;
	uint8_t *raw; /* RAW_BYTES, not yet unpacked: [raw_from, raw_to) */
	size_t raw_from, raw_to;

	uint8_t *head; /* looked at, not yet read: [head_from, head_to) */
	size_t head_from, head_to;

	/* What was handed out so far. */
	XXH3_state_t *hash;
	bool plain; /* handed out by lull_stream_plain(): hashed behind the reader */
	uint64_t hashed;

	char *stdio_buffer;
	char damage[200];
};

__attribute__((format(printf, 2, 3))) static void damaged(struct lull_stream *s, const char *format, ...)
{
	if (s->damage[0])
		return;
	va_list list;
	va_start(list, format);
	vsnprintf(s->damage, sizeof s->damage, format, list);
	va_end(list);
}

static size_t raw_read(struct lull_stream *s, void *buffer, size_t n)
{
	if (s->raw_end)
		return 0;
	if (s->fd < 0) {
		const size_t left = (size_t)s->size - s->memory_at;
		if (n > left)
			n = left;
		if (n)
			memcpy(buffer, s->memory + s->memory_at, n);
		s->memory_at += n;
	} else {
		ssize_t got;
		do {
			got = read(s->fd, buffer, n);
		} while (got < 0 && errno == EINTR);
		if (got < 0) {
			s->raw_errno = errno;
			damaged(s, "cannot be read after byte %llu: %s", (unsigned long long)s->raw_total,
				strerror(errno));
			got = 0;
		}
		n = (size_t)got;
	}
	if (!n)
		s->raw_end = true;
	s->raw_total += n;
	return n;
}

/* Tops the raw buffer up so that at least `want` bytes are there, if the file has them. */
static size_t raw_fill(struct lull_stream *s, size_t want)
{
	while (s->raw_to - s->raw_from < want) {
		if (s->raw_from) {
			memmove(s->raw, s->raw + s->raw_from, s->raw_to - s->raw_from);
			s->raw_to -= s->raw_from;
			s->raw_from = 0;
		}
		const size_t got = raw_read(s, s->raw + s->raw_to, RAW_BYTES - s->raw_to);
		if (!got)
			break;
		s->raw_to += got;
	}
	return s->raw_to - s->raw_from;
}

static unsigned long long raw_place(const struct lull_stream *s)
{
	return (unsigned long long)s->raw_total - (s->raw_to - s->raw_from);
}

static bool gzip_magic(const uint8_t *b, size_t n)
{
	return n >= 3 && b[0] == 0x1f && b[1] == 0x8b && b[2] == 8;
}

/* A zstd frame, or one of its skippable frames (RFC 8878, 3.1). */
static bool zstd_magic(const uint8_t *b, size_t n)
{
	return n >= 4 &&
		((b[0] == 0x28 && b[1] == 0xb5 && b[2] == 0x2f && b[3] == 0xfd) ||
			((b[0] & 0xf0) == 0x50 && b[1] == 0x2a && b[2] == 0x4d && b[3] == 0x18));
}

/* Between members: end of file, padding zeros, another member, or something foreign. */
static bool next_member(struct lull_stream *s)
{
	for (;;) {
		const size_t n = raw_fill(s, 4);
		const uint8_t *b = s->raw + s->raw_from;
		if (s->packing == PACK_GZIP ? gzip_magic(b, n) : zstd_magic(b, n))
			return true;
		if (!n)
			break;
		size_t zeros = 0;
		while (zeros < n && !b[zeros])
			zeros++;
		s->raw_from += zeros;
		if (zeros < n) {
			damaged(s,
				"what follows the compressed data at byte %llu is not of its kind and was "
				"not read",
				raw_place(s));
			break;
		}
	}
	s->unpack_end = true;
	return false;
}

static size_t read_gzip(struct lull_stream *s, uint8_t *buffer, size_t n)
{
	s->z.next_out = buffer;
	s->z.avail_out = n > UINT32_MAX ? UINT32_MAX : (uInt)n;
	const uInt asked = s->z.avail_out;
	while (!s->unpack_end && s->z.avail_out == asked) {
		if (!s->in_member) {
			if (!next_member(s))
				break;
			if (inflateReset(&s->z) != Z_OK) {
				s->unpack_end = true;
				break;
			}
			s->in_member = true;
		}
		if (!raw_fill(s, 1)) {
			damaged(s, "the gzip stream is cut off at byte %llu", raw_place(s));
			s->unpack_end = true;
			break;
		}
		s->z.next_in = s->raw + s->raw_from;
		s->z.avail_in = (uInt)(s->raw_to - s->raw_from);
		const int rc = inflate(&s->z, Z_NO_FLUSH);
		s->raw_from = s->raw_to - s->z.avail_in;
		if (rc == Z_STREAM_END) {
			s->in_member = false;
		} else if (rc != Z_OK && rc != Z_BUF_ERROR) {
			damaged(s,
				"the gzip stream is damaged near byte %llu (%s), the last frames before that "
				"may be wrong",
				raw_place(s), s->z.msg ? s->z.msg : "cannot be unpacked");
			s->unpack_end = true;
		}
	}
	return asked - s->z.avail_out;
}

static size_t read_zstd(struct lull_stream *s, uint8_t *buffer, size_t n)
{
	ZSTD_outBuffer out = {buffer, n, 0};
	while (!s->unpack_end && !out.pos) {
		if (!s->in_member) {
			if (!next_member(s))
				break;
			s->in_member = true;
		}
		/* zstd may hold output back that fits no earlier buffer: ask it even at the end of the file. */
		const bool at_end = !raw_fill(s, 1);
		ZSTD_inBuffer in = {s->raw + s->raw_from, s->raw_to - s->raw_from, 0};
		const size_t rc = ZSTD_decompressStream(s->zd, &out, &in);
		s->raw_from += in.pos;
		if (ZSTD_isError(rc)) {
			if (ZSTD_getErrorCode(rc) == ZSTD_error_frameParameter_windowTooLarge)
				damaged(s,
					"the zstd stream wants more than %u MiB to be unpacked; unpack it "
					"first (zstd -d)",
					1u << (ZSTD_WINDOW_LOG - 20));
			damaged(s,
				"the zstd stream is damaged near byte %llu (%s), the last frames before that "
				"may be "
				"wrong",
				raw_place(s), ZSTD_getErrorName(rc));
			s->unpack_end = true;
		} else if (!rc) {
			s->in_member = false;
		} else if (at_end && !out.pos) {
			damaged(s, "the zstd stream is cut off at byte %llu", raw_place(s));
			s->unpack_end = true;
		}
	}
	return out.pos;
}

static size_t unpack(struct lull_stream *s, void *buffer, size_t n)
{
	if (!n)
		return 0;
	switch (s->packing) {
	case PACK_GZIP: return read_gzip(s, buffer, n);
	case PACK_ZSTD: return read_zstd(s, buffer, n);
	case PACK_NONE: break;
	}
	const size_t kept = s->raw_to - s->raw_from;
	if (kept) {
		if (n > kept)
			n = kept;
		memcpy(buffer, s->raw + s->raw_from, n);
		s->raw_from += n;
		return n;
	}
	return raw_read(s, buffer, n);
}

static struct lull_stream *start(struct lull_stream *s)
{
	s->raw = malloc(RAW_BYTES);
	s->head = malloc(LULL_STREAM_HEAD);
	s->hash = XXH3_createState();
	if (!s->raw || !s->head || !s->hash || XXH3_128bits_reset(s->hash) == XXH_ERROR)
		goto fail;
	const size_t n = raw_fill(s, 4);
	const uint8_t *b = s->raw + s->raw_from;
	if (gzip_magic(b, n)) {
		if (inflateInit2(&s->z, 15 + 16) != Z_OK)
			goto fail;
		s->packing = PACK_GZIP;
	} else if (zstd_magic(b, n)) {
		s->zd = ZSTD_createDCtx();
		if (!s->zd ||
			ZSTD_isError(ZSTD_DCtx_setParameter(s->zd, ZSTD_d_windowLogMax, ZSTD_WINDOW_LOG)))
			goto fail;
		s->packing = PACK_ZSTD;
	}
	while (s->head_to < LULL_STREAM_HEAD) {
		const size_t got = unpack(s, s->head + s->head_to, LULL_STREAM_HEAD - s->head_to);
		if (!got)
			break;
		s->head_to += got;
	}
	return s;
fail:
	lull_stream_close(s);
	return NULL;
}

struct lull_stream *lull_stream_open(const char *path, int *error_number)
{
	*error_number = ENOMEM;
	struct lull_stream *s = calloc(1, sizeof *s);
	if (!s)
		return NULL;
	s->fd = open(path, O_RDONLY | O_CLOEXEC);
	struct stat st;
	if (s->fd < 0 || fstat(s->fd, &st) < 0) {
		*error_number = errno;
		lull_stream_close(s);
		return NULL;
	}
	if (S_ISDIR(st.st_mode)) {
		*error_number = EISDIR;
		lull_stream_close(s);
		return NULL;
	}
	s->regular = S_ISREG(st.st_mode);
	s->size = s->regular ? st.st_size : -1;
	s = start(s);
	if (s && s->raw_errno && !s->head_to) {
		*error_number = s->raw_errno;
		lull_stream_close(s);
		return NULL;
	}
	return s;
}

struct lull_stream *lull_stream_open_memory(const void *bytes, size_t size)
{
	struct lull_stream *s = calloc(1, sizeof *s);
	if (!s)
		return NULL;
	s->fd = -1;
	s->memory = bytes;
	s->size = (int64_t)size;
	return start(s);
}

void lull_stream_close(struct lull_stream *s)
{
	if (!s)
		return;
	if (s->packing == PACK_GZIP)
		inflateEnd(&s->z);
	ZSTD_freeDCtx(s->zd);
	if (s->fd >= 0)
		close(s->fd);
	free(s->raw);
	free(s->head);
	(void)XXH3_freeState(s->hash);
	free(s->stdio_buffer);
	free(s);
}

size_t lull_stream_head(struct lull_stream *s, const uint8_t **bytes)
{
	*bytes = s->head + s->head_from;
	return s->head_to - s->head_from;
}

size_t lull_stream_read(struct lull_stream *s, void *buffer, size_t n)
{
	const size_t kept = s->head_to - s->head_from;
	if (!kept) {
		n = unpack(s, buffer, n);
	} else {
		if (n > kept)
			n = kept;
		memcpy(buffer, s->head + s->head_from, n);
		s->head_from += n;
	}
	if (n)
		(void)XXH3_128bits_update(s->hash, buffer, n);
	return n;
}

/* Hashes the plain file up to `to`, or to its end. */
static void hash_plain(struct lull_stream *s, uint64_t to)
{
	while (s->hashed < to) {
		const size_t want = to - s->hashed < RAW_BYTES ? (size_t)(to - s->hashed) : RAW_BYTES;
		ssize_t got;
		do {
			got = pread(s->fd, s->raw, want, (off_t)s->hashed);
		} while (got < 0 && errno == EINTR);
		if (got <= 0)
			return;
		(void)XXH3_128bits_update(s->hash, s->raw, (size_t)got);
		s->hashed += (uint64_t)got;
	}
}

/* In large pieces: each costs a call, and what was just read is still in the page cache. */
void lull_stream_follow(struct lull_stream *s, uint64_t to)
{
	if (s->plain && to > s->hashed && to - s->hashed >= RAW_BYTES)
		hash_plain(s, to);
}

void lull_stream_digest(struct lull_stream *s, uint8_t out[LULL_DIGEST])
{
	uint8_t rest[16384];
	XXH128_canonical_t canonical;
	if (s->plain)
		hash_plain(s, UINT64_MAX);
	else
		while (lull_stream_read(s, rest, sizeof rest))
			;
	XXH128_canonicalFromHash(&canonical, XXH3_128bits_digest(s->hash));
	memcpy(out, canonical.digest, LULL_DIGEST);
}

const char *lull_stream_damage(const struct lull_stream *s)
{
	return s->damage[0] ? s->damage : NULL;
}

double lull_stream_progress(const struct lull_stream *s)
{
	if (s->size <= 0)
		return -1;
	double done = (double)s->raw_total - (double)(s->raw_to - s->raw_from);
	if (s->packing == PACK_NONE)
		done -= (double)(s->head_to - s->head_from);
	done /= (double)s->size;
	return done > 1 ? 1 : done;
}

int64_t lull_stream_size(const struct lull_stream *s)
{
	return s->size;
}

static ssize_t cookie_read(void *cookie, char *buffer, size_t n)
{
	return (ssize_t)lull_stream_read(cookie, buffer, n);
}

/* One thread reads: stdio need not lock for each of the two freads of a packet. */
static FILE *prepare(struct lull_stream *s, FILE *f)
{
	if (!f)
		return NULL;
	s->stdio_buffer = malloc(STDIO_BYTES);
	if (s->stdio_buffer)
		setvbuf(f, s->stdio_buffer, _IOFBF, STDIO_BYTES);
	__fsetlocking(f, FSETLOCKING_BYCALLER);
	return f;
}

FILE *lull_stream_stdio(struct lull_stream *s)
{
	const cookie_io_functions_t io = {.read = cookie_read};
	return prepare(s, fopencookie(s, "rb", io));
}

FILE *lull_stream_plain(struct lull_stream *s)
{
	if (s->fd < 0 || !s->regular || s->packing != PACK_NONE || lseek(s->fd, 0, SEEK_SET) != 0)
		return NULL;
	const int copy = fcntl(s->fd, F_DUPFD_CLOEXEC, 0);
	if (copy < 0)
		return NULL;
	FILE *f = fdopen(copy, "rb");
	if (!f)
		close(copy);
	s->plain = f != NULL;
	return prepare(s, f);
}
