/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_capture_pcap: pcap and pcapng, whole and damaged, built byte by byte from their published layouts
 * (draft-ietf-opsawg-pcap, draft-ietf-opsawg-pcapng) and by libpcap's own dumper. */
#include <source/capture.h>

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>
#include <source/libpcap.h>

struct bytes {
	uint8_t at[1 << 20];
	size_t n;
	bool big; /* big-endian numbers */
};
static struct bytes file;
static struct lull_frame frames[4096];
static char err[512];

static void start(bool big)
{
	file.n = 0;
	file.big = big;
}

static void put(const void *data, size_t n)
{
	assert_true(file.n + n <= sizeof file.at);
	memcpy(file.at + file.n, data, n);
	file.n += n;
}

static void number(uint64_t v, unsigned bytes)
{
	uint8_t b[8];
	for (unsigned i = 0; i < bytes; i++)
		b[file.big ? bytes - 1 - i : i] = (uint8_t)(v >> (8 * i));
	put(b, bytes);
}

static void u32(uint32_t v)
{
	number(v, 4);
}

static void u16(unsigned v)
{
	number(v, 2);
}

static void pcap_head(uint32_t magic, uint32_t link)
{
	u32(magic);
	u16(2);
	u16(4);
	u32(0);
	u32(0);
	u32(262144);
	u32(link);
}

static void record(uint32_t s, uint32_t part, const void *packet, uint32_t n)
{
	u32(s);
	u32(part);
	u32(n);
	u32(n);
	put(packet, n);
}

/* A SocketCAN packet: ID big-endian, then length, flags, two reserved bytes, data. */
static uint32_t socketcan(
	uint8_t out[72], uint32_t id, uint8_t len, uint8_t flags, const char *data, uint32_t size)
{
	memset(out, 0, 72);
	for (int i = 0; i < 4; i++)
		out[i] = (uint8_t)(id >> (24 - 8 * i));
	out[4] = len;
	out[5] = flags;
	memcpy(out + 8, data, strlen(data));
	return size;
}

static void can_record(uint32_t s, uint32_t part, uint32_t id, const char *data)
{
	uint8_t b[72];
	const uint32_t n = socketcan(b, id, (uint8_t)strlen(data), 0, data, 16);
	record(s, part, b, n);
}

static struct lull_capture *open_bytes(const char *bus)
{
	struct lull_capture *c = lull_capture_open_memory(file.at, file.n, bus, NULL, err, sizeof err);
	if (!c)
		fail_msg("%s", err);
	return c;
}

static size_t read_all(struct lull_capture *c)
{
	size_t n = 0, got;
	/* Small batches, so that their seams are tested, too. */
	while ((got = lull_capture_read(c, frames + n, 7)) > 0)
		n += got;
	assert_int_equal(lull_capture_read(c, frames + n, 7), 0);
	return n;
}

static void test_stamps(void **state)
{
	(void)state;
	static const struct {
		uint32_t magic, part;
		bool big;
		int64_t ns;
	} cases[] = {
		{0xa1b2c3d4, 249713, false, 249713000},
		{0xa1b2c3d4, 249713, true, 249713000},
		{0xa1b23c4d, 249713001, false, 249713001},
		{0xa1b23c4d, 249713001, true, 249713001},
	};
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		start(cases[i].big);
		pcap_head(cases[i].magic, 227);
		can_record(1436509052, cases[i].part, 0x123, "\x11\x22");
		struct lull_capture *c = open_bytes(NULL);
		assert_string_equal(lull_capture_kind(c), "pcap");
		assert_int_equal(lull_capture_bus_count(c), 1);
		assert_int_equal(read_all(c), 1);
		assert_true(frames[0].t == 1436509052 * LULL_SEC + cases[i].ns);
		assert_int_equal(frames[0].id, 0x123);
		assert_int_equal(frames[0].len, 2);
		assert_memory_equal(frames[0].data, "\x11\x22", 2);
		assert_string_equal(lull_capture_bus_name(c, 0), "can0");
		assert_true(lull_capture_has_dates(c));
		assert_null(lull_capture_damage(c));
		assert_true(lull_capture_progress(c) == 1.0);
		lull_capture_close(c);
	}
}

static void test_kinds_of_frames(void **state)
{
	(void)state;
	static const struct {
		uint32_t id;
		uint8_t len, flags;
		uint32_t size;
		/* expected */
		uint32_t got_id;
		uint8_t got_flags;
		int frame; /* 0: passed over */
	} cases[] = {
		{0x123, 8, 0, 16, 0x123, 0, 1},
		{0x80000123, 8, 0, 16, 0x123 | LULL_ID_EXTENDED, 0, 1},
		{0x98fef100, 3, 0, 11, 0x18fef100 | LULL_ID_EXTENDED, 0, 1}, /* trimmed to its length */
		{0x123, 0, 0, 8, 0x123, 0, 1},
		{0x40000123, 4, 0, 16, 0x123, LULL_FRAME_REMOTE, 1},
		{0xc0000123, 4, 0, 8, 0x123 | LULL_ID_EXTENDED, LULL_FRAME_REMOTE, 1},
		{0x20000088, 8, 0, 16, 0x88, LULL_FRAME_ERROR, 1},
		{0x123, 64, 0x04, 72, 0x123, LULL_FRAME_FD, 1},
		{0x123, 64, 0x05, 72, 0x123, LULL_FRAME_FD | LULL_FRAME_BRS, 1},
		{0x123, 8, 0x07, 16, 0x123, LULL_FRAME_FD | LULL_FRAME_BRS | LULL_FRAME_ESI, 1},
		{0x123, 4, 0x01, 72, 0x123, LULL_FRAME_FD | LULL_FRAME_BRS, 1}, /* no FDF: told by its size */
		{0x123, 12, 0, 20, 0x123, LULL_FRAME_FD, 1},
		{0x123, 65, 4, 72, 0, 0, 0}, /* longer than any frame */
		{0x123, 0x80, 0, 32, 0, 0, 0}, /* CAN XL */
		{0x123, 8, 0, 15, 0, 0, 0}, /* cut by the snapshot length */
		{0x123, 8, 0, 7, 0, 0, 0},
		{0x40000123, 9, 0, 16, 0, 0, 0},
	};
	size_t expected = 0, passed_over = 0;
	uint8_t b[72];
	start(false);
	pcap_head(0xa1b2c3d4, 227);
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		const uint32_t n = socketcan(
			b, cases[i].id, cases[i].len, cases[i].flags, "abcdefghijklmnop", cases[i].size);
		record((uint32_t)i, 0, b, n);
	}
	struct lull_capture *c = open_bytes("body");
	const size_t n = read_all(c);
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		if (!cases[i].frame) {
			passed_over++;
			continue;
		}
		const struct lull_frame *f = &frames[expected++];
		assert_true(f->t == (int64_t)i * LULL_SEC);
		assert_int_equal(f->id, cases[i].got_id);
		assert_int_equal(f->flags, cases[i].got_flags);
		assert_int_equal(f->len, cases[i].len);
		if (!(f->flags & LULL_FRAME_REMOTE))
			assert_memory_equal(f->data, "abcdefghijklmnop", f->len < 16 ? f->len : 16);
	}
	assert_int_equal(n, expected);
	const char *sentence;
	assert_int_equal(lull_capture_skipped(c, &sentence), passed_over);
	assert_string_equal(sentence, "memory: packet 13: claims a payload of more than 64 bytes");
	assert_string_equal(lull_capture_bus_name(c, 0), "body");
	assert_false(lull_capture_has_dates(c));
	lull_capture_close(c);
}

static void three_frames(void)
{
	start(false);
	pcap_head(0xa1b2c3d4, 227);
	for (uint32_t i = 0; i < 3; i++)
		can_record(1700000000 + i, 0, 0x100 + i, "12345678");
}

static void test_cut_anywhere(void **state)
{
	(void)state;
	three_frames();
	const size_t whole = file.n;
	for (size_t cut = 24; cut <= whole; cut++) {
		file.n = cut;
		struct lull_capture *c = open_bytes(NULL);
		const size_t want = (cut - 24) / 32;
		assert_int_equal(read_all(c), want);
		if ((cut - 24) % 32) {
			char place[128];
			snprintf(place, sizeof place, "memory: damaged after frame %zu (byte %zu): ", want,
				24 + 32 * want);
			assert_non_null(lull_capture_damage(c));
			assert_memory_equal(lull_capture_damage(c), place, strlen(place));
		} else {
			assert_null(lull_capture_damage(c));
		}
		lull_capture_close(c);
	}
	for (size_t cut = 1; cut < 24; cut++) {
		assert_null(lull_capture_open_memory(file.at, cut, NULL, NULL, err, sizeof err));
		assert_int_equal(strncmp(err, "memory:", 7), 0);
	}
}

static void test_garbage_and_zeros(void **state)
{
	(void)state;
	uint8_t junk[64];
	three_frames();
	memset(junk, 0xff, sizeof junk);
	put(junk, sizeof junk);
	struct lull_capture *c = open_bytes(NULL);
	assert_int_equal(read_all(c), 3);
	assert_non_null(strstr(lull_capture_damage(c), "damaged after frame 3 (byte 120)"));
	lull_capture_close(c);

	three_frames();
	memset(junk, 0, sizeof junk);
	for (int i = 0; i < 100; i++)
		put(junk, sizeof junk);
	c = open_bytes(NULL);
	assert_int_equal(read_all(c), 3);
	assert_non_null(
		strstr(lull_capture_damage(c), "damaged after frame 3 (byte 120): only zeros follow"));
	assert_int_equal(lull_capture_skipped(c, NULL), 0);
	lull_capture_close(c);

	three_frames();
	can_record(1700000003, 1000000, 0x103, "late");
	c = open_bytes(NULL);
	assert_int_equal(read_all(c), 3);
	assert_int_equal(lull_capture_skipped(c, NULL), 1);
	lull_capture_close(c);
}

static void test_other_links(void **state)
{
	(void)state;
	start(false);
	pcap_head(0xa1b2c3d4, 1);
	assert_null(lull_capture_open_memory(file.at, file.n, NULL, NULL, err, sizeof err));
	assert_non_null(strstr(err, "link type is 1 (Ethernet)"));
	assert_non_null(strstr(err, "227"));
}

/* Cooked captures: header, protocol 0x000C or 0x000D, then the frame with its ID in the writer's byte order. */
static void cooked_record(bool second, unsigned protocol, uint32_t index, uint32_t id, const char *data)
{
	const bool big = file.big;
	uint8_t packet[20 + 16];
	struct bytes *keep = malloc(sizeof *keep);
	assert_non_null(keep);
	*keep = file;
	file.n = 0;
	file.big = true;
	if (second) {
		u16(protocol);
		u16(0);
		u32(index);
		u16(280);
		number(0x0100, 2); /* packet type, length of the address */
		number(0, 8);
	} else {
		u16(0);
		u16(280);
		u16(0);
		number(0, 8);
		u16(protocol);
	}
	file.big = big;
	u32(id);
	number(0, 0);
	uint8_t rest[12] = {(uint8_t)strlen(data)};
	memcpy(rest + 4, data, strlen(data));
	put(rest, sizeof rest);
	const size_t n = file.n;
	memcpy(packet, file.at, n);
	file = *keep;
	free(keep);
	record(5, 0, packet, (uint32_t)n);
}

static void test_cooked(void **state)
{
	(void)state;
	for (int big = 0; big < 2; big++) {
		start(big);
		pcap_head(0xa1b2c3d4, 113);
		cooked_record(false, 0x000c, 0, 0x80000123, "ab");
		cooked_record(false, 0x0800, 0, 0x123, "ab");
		cooked_record(false, 0x000d, 0, 0x123, "abc");
		struct lull_capture *c = open_bytes(NULL);
		assert_int_equal(read_all(c), 2);
		assert_int_equal(frames[0].id, 0x123 | LULL_ID_EXTENDED);
		assert_memory_equal(frames[0].data, "ab", 2);
		assert_int_equal(frames[1].flags, LULL_FRAME_FD);
		assert_int_equal(lull_capture_skipped(c, NULL), 1);
		lull_capture_close(c);

		start(big);
		pcap_head(0xa1b2c3d4, 276);
		cooked_record(true, 0x000c, 3, 0x123, "ab");
		cooked_record(true, 0x000c, 4, 0x124, "ab");
		cooked_record(true, 0x000c, 3, 0x125, "ab");
		c = open_bytes(NULL);
		assert_int_equal(read_all(c), 3);
		assert_int_equal(frames[1].id, 0x124);
		assert_int_equal(frames[0].bus, frames[2].bus);
		assert_int_not_equal(frames[0].bus, frames[1].bus);
		assert_string_equal(lull_capture_bus_name(c, frames[1].bus), "if4");
		lull_capture_close(c);
	}
}

/* --- pcapng --- */

static size_t block(uint32_t type)
{
	const size_t at = file.n;
	u32(type);
	u32(0);
	return at;
}

static void block_end(size_t at)
{
	while ((file.n - at) % 4)
		number(0, 1);
	const size_t end = file.n, length = end + 4 - at;
	u32((uint32_t)length);
	file.n = at + 4;
	u32((uint32_t)length);
	file.n = end + 4;
}

static void section(void)
{
	const size_t at = block(0x0a0d0d0a);
	u32(0x1a2b3c4d);
	u16(1);
	u16(0);
	number(UINT64_MAX, 8);
	block_end(at);
}

static void interface(unsigned link, uint32_t snaplen, const char *name, int tsresol)
{
	const size_t at = block(1);
	u16(link);
	u16(0);
	u32(snaplen);
	if (name) {
		u16(2);
		u16((unsigned)strlen(name));
		put(name, strlen(name));
		while (file.n % 4)
			number(0, 1);
	}
	if (tsresol) {
		u16(9);
		u16(1);
		number((uint64_t)tsresol, 1);
		number(0, 3);
	}
	u16(0);
	u16(0);
	block_end(at);
}

static void packet(uint32_t index, uint64_t stamp, uint32_t id, const char *data)
{
	uint8_t b[72];
	const uint32_t n = socketcan(b, id, (uint8_t)strlen(data), 0, data, 16);
	const size_t at = block(6);
	u32(index);
	u32((uint32_t)(stamp >> 32));
	u32((uint32_t)stamp);
	u32(n);
	u32(n);
	put(b, n);
	block_end(at);
}

static void test_pcapng_interfaces(void **state)
{
	(void)state;
	for (int big = 0; big < 2; big++) {
		start(big);
		section();
		interface(227, 0, "drive", 9);
		interface(227, 72, NULL, 6); /* another snapshot length and resolution */
		interface(1, 65535, "eth0", 0);
		interface(227, 262144, "drive", 9);
		packet(0, UINT64_C(1700000000123456789), 0x100, "a");
		packet(1, UINT64_C(1700000000123457), 0x101, "bc");
		packet(2, UINT64_C(1700000000123458), 0x102, "no CAN");
		const size_t unknown = block(0x0badcafe); /* a block type nobody knows */
		u32(7);
		block_end(unknown);
		packet(9, 0, 0x103, "no such interface");
		packet(3, UINT64_C(1700000000223456789), 0x104, "d");
		packet(1, UINT64_C(1700000000323457), 0x105, "e");
		struct lull_capture *c = open_bytes(NULL);
		assert_string_equal(lull_capture_kind(c), "pcapng");
		assert_int_equal(read_all(c), 4);
		assert_null(lull_capture_damage(c));
		const char *first;
		assert_int_equal(lull_capture_skipped(c, &first), 2);
		assert_string_equal(first,
			"memory: packet 3 comes from interface 2 'eth0', which carries no CAN (link type 1)");
		assert_int_equal(lull_capture_bus_count(c), 2);
		static const struct {
			uint32_t id;
			const char *bus;
			int64_t t;
		} want[] = {
			{0x100, "drive", INT64_C(1700000000123456789)},
			{0x101, "can1", INT64_C(1700000000123457000)},
			{0x104, "drive", INT64_C(1700000000223456789)},
			{0x105, "can1", INT64_C(1700000000323457000)},
		};
		for (size_t i = 0; i < 4; i++) {
			assert_int_equal(frames[i].id, want[i].id);
			assert_string_equal(lull_capture_bus_name(c, frames[i].bus), want[i].bus);
			assert_true(frames[i].t == want[i].t);
		}
		lull_capture_close(c);
	}
}

/* Classic pcap has seconds without a sign (draft-ietf-opsawg-pcap, 4: "32-bit unsigned value"), pcapng has 64 bits. The dates by
 * `date -u -d @SECONDS`. */
static void test_beyond_2038(void **state)
{
	(void)state;
	static const uint32_t dates[] = {
		2147483647, /* 2038-01-19 03:14:07 */
		2147483648, /* a second later */
		2208988800, /* 2040-01-01 */
		4102444800, /* 2100-01-01 */
		4294967295, /* 2106-02-07 06:28:15 */
	};
	for (size_t i = 0; i < 2 * sizeof dates / sizeof *dates; i++) {
		const uint32_t seconds = dates[i / 2];
		start(i % 2);
		pcap_head(0xa1b23c4d, 227);
		can_record(seconds, 249713001, 0x123, "\x11\x22");
		struct lull_capture *c = open_bytes(NULL);
		assert_int_equal(read_all(c), 1);
		assert_true(frames[0].t == (int64_t)seconds * LULL_SEC + 249713001);
		assert_true(lull_capture_has_dates(c));
		lull_capture_close(c);

		start(i % 2);
		section();
		interface(227, 0, "drive", 9);
		packet(0, (uint64_t)seconds * LULL_SEC + 249713001, 0x123, "ab");
		c = open_bytes(NULL);
		assert_int_equal(read_all(c), 1);
		assert_true(frames[0].t == (int64_t)seconds * LULL_SEC + 249713001);
		assert_true(lull_capture_has_dates(c));
		lull_capture_close(c);
	}
}

static void test_pcapng_sections_and_names(void **state)
{
	(void)state;
	start(false);
	section();
	interface(227, 0, NULL, 0);
	packet(0, 1, 0x100, "a");
	section();
	interface(227, 0, "inner\x01\xff", 0);
	interface(227, 0, NULL, 0);
	packet(0, 2, 0x101, "a");
	packet(1, 3, 0x102, "a");
	struct lull_capture *c = open_bytes("body");
	assert_int_equal(read_all(c), 3);
	assert_string_equal(lull_capture_bus_name(c, frames[0].bus), "body");
	assert_string_equal(lull_capture_bus_name(c, frames[1].bus), "inner??");
	assert_string_equal(lull_capture_bus_name(c, frames[2].bus), "body1");
	lull_capture_close(c);
}

static void test_pcapng_many_packets(void **state)
{
	(void)state;
	/* More than the walker's queue and the stdio buffer hold at once, interfaces in turn. */
	start(false);
	section();
	interface(227, 0, "a", 0);
	interface(227, 0, "b", 0);
	for (uint32_t i = 0; i < 20000; i++)
		packet(i % 3 == 0, i, i & 0x7ff, "x");
	struct lull_capture *c = open_bytes(NULL);
	size_t n = 0, got;
	while ((got = lull_capture_read(c, frames, 100)) > 0) {
		for (size_t i = 0; i < got; i++, n++) {
			assert_int_equal(frames[i].id, n & 0x7ff);
			assert_string_equal(lull_capture_bus_name(c, frames[i].bus), n % 3 == 0 ? "b" : "a");
		}
	}
	assert_int_equal(n, 20000);
	lull_capture_close(c);
}

static void test_pcapng_cut_anywhere(void **state)
{
	(void)state;
	size_t ends[8];
	start(false);
	section();
	interface(227, 0, "drive", 0);
	const size_t head = file.n;
	for (uint32_t i = 0; i < 4; i++) {
		packet(0, i, 0x100 + i, "abc");
		ends[i] = file.n;
	}
	const size_t whole = file.n;
	for (size_t cut = head; cut < whole; cut++) {
		file.n = cut;
		size_t want = 0;
		while (want < 4 && ends[want] <= cut)
			want++;
		struct lull_capture *c = open_bytes(NULL);
		assert_int_equal(read_all(c), want);
		const bool between = cut == head || (want && cut == ends[want - 1]);
		if (between)
			assert_null(lull_capture_damage(c));
		else
			assert_non_null(strstr(lull_capture_damage(c), "the last block is cut off"));
		lull_capture_close(c);
	}
	for (size_t cut = 4; cut < head; cut++)
		assert_null(lull_capture_open_memory(file.at, cut, NULL, NULL, err, sizeof err));
}

static void test_pcapng_broken_block(void **state)
{
	(void)state;
	start(false);
	section();
	interface(227, 0, "drive", 0);
	packet(0, 1, 0x100, "abc");
	const size_t at = file.n;
	packet(0, 2, 0x101, "abc");
	packet(0, 3, 0x102, "abc");
	file.at[at + 4] ^= 1; /* its length */
	struct lull_capture *c = open_bytes(NULL);
	assert_int_equal(read_all(c), 1);
	char place[128];
	snprintf(place, sizeof place, "damaged after frame 1 (byte %zu): a block with an impossible length",
		at);
	assert_non_null(strstr(lull_capture_damage(c), place));
	lull_capture_close(c);
	start(false);
	section();
	interface(1, 0, "eth0", 0);
	assert_null(lull_capture_open_memory(file.at, file.n, NULL, NULL, err, sizeof err));
	assert_non_null(strstr(err, "link type is 1"));
}

static void test_more_buses_than_a_recording(void **state)
{
	(void)state;
	start(false);
	section();
	for (uint32_t i = 0; i < LULL_BUS_MAX + 1; i++)
		interface(227, 0, NULL, 0);
	for (uint32_t i = 0; i < LULL_BUS_MAX + 1; i++)
		packet(i, i, 0x100, "abc");
	struct lull_capture *c = open_bytes(NULL);
	assert_int_equal(read_all(c), LULL_BUS_MAX);
	assert_int_equal(lull_capture_skipped(c, NULL), 1);
	assert_null(lull_capture_bus_name(c, LULL_BUS_MAX));
	lull_capture_close(c);
}

/* --- from real files --- */

static void test_file_by_dumper(void **state)
{
	(void)state;
	char path[] = "/tmp/lull-test-XXXXXX";
	const int fd = mkstemp(path);
	assert_true(fd >= 0);
	pcap_t *p =
		pcap_open_dead_with_tstamp_precision(DLT_CAN_SOCKETCAN, 262144, PCAP_TSTAMP_PRECISION_NANO);
	pcap_dumper_t *d = pcap_dump_fopen(p, fdopen(fd, "wb"));
	assert_non_null(d);
	uint8_t b[72];
	for (int i = 0; i < 100000; i++) {
		const bool fd_frame = i % 10 == 0;
		const uint32_t n = socketcan(b, (uint32_t)i & 0x7ff, fd_frame ? 32 : 8, fd_frame ? 4 : 0,
			"payload!", fd_frame ? 40 : 16);
		const struct pcap_pkthdr h = {
			.ts = {1700000000 + i / 1000, i % 1000 * 1000 + 1}, .caplen = n, .len = n};
		pcap_dump((u_char *)d, &h, b);
	}
	pcap_dump_close(d);
	pcap_close(p);
	struct lull_capture *c = lull_capture_open(path, "body", NULL, err, sizeof err);
	assert_non_null(c);
	size_t total = 0, got, fd_frames = 0;
	double last = 0;
	while ((got = lull_capture_read(c, frames, 4096)) > 0) {
		for (size_t i = 0; i < got; i++) {
			const size_t k = total + i;
			assert_int_equal(frames[i].id, k & 0x7ff);
			assert_true(frames[i].t ==
				(int64_t)(1700000000 + k / 1000) * LULL_SEC + (int64_t)(k % 1000) * 1000 + 1);
			fd_frames += (frames[i].flags & LULL_FRAME_FD) != 0;
		}
		total += got;
		assert_true(lull_capture_progress(c) > last);
		last = lull_capture_progress(c);
	}
	assert_int_equal(total, 100000);
	assert_int_equal(fd_frames, 10000);
	lull_capture_close(c);
	unlink(path);
}

static void test_no_capture(void **state)
{
	(void)state;
	assert_null(lull_capture_open("/nonexistent/night.pcap", NULL, NULL, err, sizeof err));
	assert_string_equal(err, "/nonexistent/night.pcap: cannot be opened: No such file or directory");
	assert_null(lull_capture_open("/", NULL, NULL, err, sizeof err));
	assert_string_equal(err, "/: cannot be opened: Is a directory");
	uint8_t junk[1000];
	for (size_t i = 0; i < sizeof junk; i++)
		junk[i] = (uint8_t)(i * 37);
	assert_null(lull_capture_open_memory(junk, sizeof junk, NULL, NULL, err, sizeof err));
	assert_non_null(strstr(err, "is no capture that can be read"));
	assert_null(lull_capture_open_memory("PK\003\004\0\0\0\0", 8, NULL, NULL, err, sizeof err));
	assert_non_null(strstr(err, "zip"));
	struct lull_capture *c = lull_capture_open_memory("", 0, NULL, NULL, err, sizeof err);
	assert_non_null(c);
	assert_string_equal(lull_capture_kind(c), "empty file");
	assert_int_equal(read_all(c), 0);
	assert_null(lull_capture_damage(c));
	lull_capture_close(c);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_stamps),
		cmocka_unit_test(test_kinds_of_frames),
		cmocka_unit_test(test_cut_anywhere),
		cmocka_unit_test(test_garbage_and_zeros),
		cmocka_unit_test(test_other_links),
		cmocka_unit_test(test_cooked),
		cmocka_unit_test(test_pcapng_interfaces),
		cmocka_unit_test(test_beyond_2038),
		cmocka_unit_test(test_pcapng_sections_and_names),
		cmocka_unit_test(test_pcapng_many_packets),
		cmocka_unit_test(test_pcapng_cut_anywhere),
		cmocka_unit_test(test_pcapng_broken_block),
		cmocka_unit_test(test_more_buses_than_a_recording),
		cmocka_unit_test(test_file_by_dumper),
		cmocka_unit_test(test_no_capture),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
