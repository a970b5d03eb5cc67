/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_stream: gzip and zstd read through, whole, in several parts, cut and damaged. */
#include <source/capture.h>
#include <source/stream.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>
#include <zlib.h>
#include <zstd.h>

#define LINES 20000

static char text[LINES * 48];
static size_t text_size, half; /* half: where line LINES / 2 begins */
static uint8_t packed[1 << 20];
static char err[512];

static int make_text(void **state)
{
	(void)state;
	for (unsigned i = 0; i < LINES; i++) {
		if (i == LINES / 2)
			half = text_size;
		text_size += (size_t)snprintf(text + text_size, sizeof text - text_size,
			"(%u.%06u) can0 %03X#%08X\n", 1700000000 + i, i, i & 0x7ff, i * 2654435761u);
	}
	return 0;
}

/* Frames of the packed log; the first `right` must be the right ones: what was packed before a damaged spot is,
 * the spot itself shows late. *damage: "" if none. */
static size_t count(size_t n, size_t right, const char **damage)
{
	static char kept[512];
	static struct lull_frame frames[4096];
	struct lull_capture *c = lull_capture_open_memory(packed, n, NULL, NULL, err, sizeof err);
	if (!c)
		fail_msg("%s", err);
	size_t got, total = 0;
	while ((got = lull_capture_read(c, frames, 4096)) > 0) {
		for (size_t i = 0; i < got && total + i < right; i++)
			assert_int_equal(frames[i].id, (total + i) & 0x7ff);
		total += got;
	}
	assert_true(total >= right);
	assert_true(lull_capture_progress(c) == 1.0);
	snprintf(kept, sizeof kept, "%s", lull_capture_damage(c) ? lull_capture_damage(c) : "");
	*damage = kept;
	lull_capture_close(c);
	return total;
}

static size_t gzip_bytes(const char *from, size_t n, uint8_t *to, size_t room)
{
	z_stream z = {0};
	assert_int_equal(deflateInit2(&z, 6, Z_DEFLATED, 15 + 16, 8, Z_DEFAULT_STRATEGY), Z_OK);
	z.next_in = (z_const Bytef *)from;
	z.avail_in = (uInt)n;
	z.next_out = to;
	z.avail_out = (uInt)room;
	assert_int_equal(deflate(&z, Z_FINISH), Z_STREAM_END);
	const size_t made = z.total_out;
	deflateEnd(&z);
	return made;
}

static size_t zstd_bytes(const char *from, size_t n, uint8_t *to, size_t room)
{
	ZSTD_CCtx *z = ZSTD_createCCtx();
	assert_non_null(z);
	ZSTD_CCtx_setParameter(z, ZSTD_c_checksumFlag, 1); /* as the command-line tool does */
	const size_t made = ZSTD_compress2(z, to, room, from, n);
	assert_false(ZSTD_isError(made));
	ZSTD_freeCCtx(z);
	return made;
}

static void check(size_t (*pack)(const char *, size_t, uint8_t *, size_t), const char *cut_off)
{
	const char *damage;
	/* Two parts one behind the other, as appending to a packed file makes them. */
	const size_t first = pack(text, half, packed, sizeof packed);
	const size_t n = first + pack(text + half, text_size - half, packed + first, sizeof packed - first);
	assert_true(n + 1000 < sizeof packed);
	assert_int_equal(count(n, LINES, &damage), LINES);
	assert_string_equal(damage, "");
	/* Cut between the parts that is whole, elsewhere not; all before is used. */
	assert_int_equal(count(first, LINES / 2, &damage), LINES / 2);
	assert_string_equal(damage, "");
	assert_in_range(count(n - (n - first) / 3, LINES / 2, &damage), LINES / 2, LINES - 1);
	assert_non_null(strstr(damage, cut_off));
	assert_non_null(strstr(damage, "memory: damaged after frame "));
	/* Padding of zeros is none of our business, a foreign tail is. */
	memset(packed + n, 0, 600);
	assert_int_equal(count(n + 600, LINES, &damage), LINES);
	assert_string_equal(damage, "");
	memset(packed + n + 600, 'x', 10);
	assert_int_equal(count(n + 610, LINES, &damage), LINES);
	assert_non_null(strstr(damage, "not of its kind"));
	/* Damaged in the second part. */
	memset(packed + n - (n - first) / 2, 0xff, 40);
	(void)count(n, LINES / 2, &damage);
	assert_non_null(strstr(damage, "stream is damaged near byte"));
}

static void test_gzip(void **state)
{
	(void)state;
	check(gzip_bytes, "the gzip stream is cut off at byte");
}

static void test_zstd(void **state)
{
	(void)state;
	check(zstd_bytes, "the zstd stream is cut off at byte");
}

static void test_zstd_wants_memory(void **state)
{
	(void)state;
	ZSTD_CCtx *z = ZSTD_createCCtx();
	assert_non_null(z);
	/* A size that is not told beforehand leaves the window as wide as it was asked for. */
	ZSTD_CCtx_setParameter(z, ZSTD_c_windowLog, 27);
	ZSTD_inBuffer in = {text, 1000, 0};
	ZSTD_outBuffer out = {packed, sizeof packed, 0};
	assert_false(ZSTD_isError(ZSTD_compressStream2(z, &out, &in, ZSTD_e_flush)));
	assert_int_equal(ZSTD_compressStream2(z, &out, &in, ZSTD_e_end), 0);
	ZSTD_freeCCtx(z);
	assert_null(lull_capture_open_memory(packed, out.pos, NULL, NULL, err, sizeof err));
	assert_non_null(strstr(err, "wants more than 32 MiB to be unpacked; unpack it first"));
}

/* The head can be looked at, and is read all the same; from a file and from a pipe. */
static void hex(struct lull_stream *s, char out[2 * LULL_DIGEST + 1])
{
	uint8_t digest[LULL_DIGEST];
	lull_stream_digest(s, digest);
	for (size_t i = 0; i < LULL_DIGEST; i++)
		snprintf(out + 2 * i, 3, "%02x", digest[i]);
}

static void digest_after(const void *bytes, size_t n, size_t read, char out[2 * LULL_DIGEST + 1])
{
	static uint8_t piece[4096];
	struct lull_stream *s = lull_stream_open_memory(bytes, n);
	assert_non_null(s);
	for (size_t got; read && (got = lull_stream_read(s, piece, read < sizeof piece ? read : sizeof piece)) > 0;)
		read -= got;
	hex(s, out);
	lull_stream_close(s);
}

/* What a file holds: however it is packed, by whichever way it is read, and as far as it has been read. */
static void test_digest(void **state)
{
	static uint8_t piece[4096];
	char wanted[2 * LULL_DIGEST + 1], got[2 * LULL_DIGEST + 1], path[] = "/tmp/lull-test-stream-XXXXXX";
	(void)state;
	/* XXH3_128bits of nothing: sanity checks of the xxHash sources (tests/sanity_test_vectors.h), from memory. */
	digest_after("", 0, 0, got);
	assert_string_equal(got, "99aa06d3014798d86001c324468d497f");

	digest_after(text, text_size, 0, wanted);
	digest_after(text, text_size, 70001, got);
	assert_string_equal(got, wanted);
	digest_after(text, text_size, text_size, got);
	assert_string_equal(got, wanted);
	digest_after(packed, gzip_bytes(text, text_size, packed, sizeof packed), 5000, got);
	assert_string_equal(got, wanted);
	digest_after(packed, zstd_bytes(text, text_size, packed, sizeof packed), 5000, got);
	assert_string_equal(got, wanted);
	text[text_size - 2] ^= 1;
	digest_after(text, text_size, 0, got);
	text[text_size - 2] ^= 1;
	assert_string_not_equal(got, wanted);

	/* The file itself, hashed behind who reads it: not at all, half, whole; and told to be further than there is. */
	int fd = mkstemp(path);
	assert_true(fd >= 0);
	assert_int_equal(write(fd, text, text_size), text_size);
	close(fd);
	for (size_t part = 0; part <= 3; part++) {
		int error;
		struct lull_stream *s = lull_stream_open(path, &error);
		assert_non_null(s);
		FILE *f = lull_stream_plain(s);
		assert_non_null(f);
		for (size_t at = 0; at < part * text_size / 2; at += sizeof piece) {
			const size_t n = fread(piece, 1, sizeof piece, f);
			lull_stream_follow(s, part < 3 ? at + n : at + n + 1000);
		}
		hex(s, got);
		assert_string_equal(got, wanted);
		fclose(f);
		lull_stream_close(s);
	}
	unlink(path);
}

static void test_head(void **state)
{
	(void)state;
	static char back[sizeof text];
	int ends[2];
	assert_int_equal(pipe(ends), 0);
	assert_int_equal(write(ends[1], text, 3000), 3000);
	close(ends[1]);
	char path[32];
	snprintf(path, sizeof path, "/dev/fd/%d", ends[0]);
	int error_number = 0;
	struct lull_stream *s = lull_stream_open(path, &error_number);
	assert_non_null(s);
	const uint8_t *head;
	assert_int_equal(lull_stream_head(s, &head), 3000);
	assert_memory_equal(head, text, 3000);
	assert_null(lull_stream_plain(s));
	assert_true(lull_stream_progress(s) == -1.0);
	size_t n = 0, got;
	while ((got = lull_stream_read(s, back + n, 700)) > 0)
		n += got;
	assert_int_equal(n, 3000);
	assert_memory_equal(back, text, 3000);
	assert_null(lull_stream_damage(s));
	lull_stream_close(s);
	close(ends[0]);

	s = lull_stream_open_memory(text, text_size);
	assert_non_null(s);
	assert_int_equal(lull_stream_head(s, &head), LULL_STREAM_HEAD);
	assert_memory_equal(head, text, LULL_STREAM_HEAD);
	for (n = 0; (got = lull_stream_read(s, back + n, 10007)) > 0; n += got)
		assert_true(lull_stream_progress(s) <= 1);
	assert_int_equal(n, text_size);
	assert_memory_equal(back, text, text_size);
	lull_stream_close(s);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_gzip),
		cmocka_unit_test(test_zstd),
		cmocka_unit_test(test_zstd_wants_memory),
		cmocka_unit_test(test_head),
		cmocka_unit_test(test_digest),
	};
	return cmocka_run_group_tests(tests, make_text, NULL);
}
