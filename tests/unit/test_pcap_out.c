/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_pcap_out: what is written as pcap is read again as it was, and byte by byte as draft-ietf-opsawg-pcap has it. */
#include <source/capture.h>
#include <source/pcap_out.h>

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#define T0 INT64_C(1700000000123456789)

static const struct lull_frame kinds[] = {
	{.t = T0, .id = 0x123, .len = 8, .data = "payload"},
	{.t = T0 + 1, .id = 0x18fef100 | LULL_ID_EXTENDED, .len = 3, .data = "abc"},
	{.t = T0 + LULL_SEC, .id = 0x7ff, .len = 0},
	{.t = T0 + 2 * LULL_SEC, .id = 0x123, .flags = LULL_FRAME_REMOTE, .len = 4},
	{.t = T0 + 3 * LULL_SEC, .id = 0x18 | LULL_ID_EXTENDED, .flags = LULL_FRAME_REMOTE, .len = 8},
	{.t = T0 + 4 * LULL_SEC, .id = 0x88, .flags = LULL_FRAME_ERROR, .len = 8, .data = "\0\1\2"},
	{.t = T0 + 5 * LULL_SEC, .id = 0x321, .flags = LULL_FRAME_FD, .len = 8, .data = "fd"},
	{.t = T0 + 6 * LULL_SEC,
		.id = 0x321,
		.flags = LULL_FRAME_FD | LULL_FRAME_BRS | LULL_FRAME_ESI,
		.len = 64,
		.data = "a frame of sixty-four bytes"},
	/* 2040-01-01, and the last second that the format has, in 2106. */
	{.t = INT64_C(2208988800000000001), .id = 0x1, .len = 1},
	{.t = INT64_C(4294967295999999999), .id = 0x2, .len = 2},
};
#define KINDS (sizeof kinds / sizeof *kinds)

static void test_read_again(void **state)
{
	char *bytes = NULL, err[256];
	size_t size = 0;
	struct lull_pcap_out *out;
	struct lull_frame got[KINDS + 1];

	(void)state;
	FILE *file = open_memstream(&bytes, &size);

	assert_non_null(file);
	assert_int_equal(lull_pcap_out_open(&out, file), 0);
	for (size_t i = 0; i < KINDS; i++)
		lull_pcap_out_frame(out, &kinds[i], kinds[i].t);
	assert_int_equal(lull_pcap_out_flush(out), 0);
	lull_pcap_out_close(out);

	struct lull_capture *c =
		lull_capture_open_memory((const uint8_t *)bytes, size, "body", NULL, err, sizeof err);

	assert_non_null(c);
	assert_int_equal(lull_capture_read(c, got, KINDS + 1), KINDS);
	for (size_t i = 0; i < KINDS; i++) {
		assert_true(got[i].t == kinds[i].t);
		assert_int_equal(got[i].id, kinds[i].id);
		assert_int_equal(got[i].flags, kinds[i].flags);
		assert_int_equal(got[i].len, kinds[i].len);
		if (!(kinds[i].flags & LULL_FRAME_REMOTE))
			assert_memory_equal(got[i].data, kinds[i].data, kinds[i].len);
	}
	assert_int_equal(lull_capture_skipped(c, NULL), 0);
	assert_null(lull_capture_damage(c));
	lull_capture_close(c);
	free(bytes);
}

static uint32_t word(const char *bytes, size_t at)
{
	uint32_t v;

	memcpy(&v, bytes + at, sizeof v);
	return v;
}

/* Reader and writer could be wrong in the same way; the layout is not ours: 24 bytes, then 16 before each packet. */
static void test_layout(void **state)
{
	char *bytes = NULL;
	size_t size = 0;
	struct lull_pcap_out *out;

	(void)state;
	FILE *file = open_memstream(&bytes, &size);

	assert_non_null(file);
	assert_int_equal(lull_pcap_out_open(&out, file), 0);
	lull_pcap_out_frame(out, &kinds[1], kinds[1].t);
	lull_pcap_out_close(out);
	assert_int_equal(size, 24 + 16 + 8 + 3);
	assert_int_equal(word(bytes, 0), 0xa1b23c4d);
	assert_int_equal(word(bytes, 20), 227);
	assert_int_equal(word(bytes, 24), 1700000000);
	assert_int_equal(word(bytes, 28), 123456790);
	assert_int_equal(word(bytes, 32), 11);
	assert_int_equal(word(bytes, 36), 11);
	assert_memory_equal(bytes + 40, "\x98\xfe\xf1\x00\x03\0\0\0abc", 11);
	free(bytes);
}

static void test_no_room(void **state)
{
	struct lull_pcap_out *out;
	FILE *full = fopen("/dev/full", "w");

	(void)state;
	if (!full)
		skip();
	assert_int_equal(lull_pcap_out_open(&out, full), 0);
	lull_pcap_out_frame(out, &kinds[0], T0);
	assert_int_equal(lull_pcap_out_flush(out), -EIO);
	/* What failed once stays told. */
	assert_int_equal(lull_pcap_out_flush(out), -EIO);
	lull_pcap_out_close(out);
	/* Without a buffer even the head fails. */
	full = fopen("/dev/full", "w");
	assert_non_null(full);
	setvbuf(full, NULL, _IONBF, 0);
	assert_int_equal(lull_pcap_out_open(&out, full), -EIO);
	assert_null(out);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_read_again),
		cmocka_unit_test(test_layout),
		cmocka_unit_test(test_no_room),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
