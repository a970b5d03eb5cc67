/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_frame: lengths on the wire against published numbers and against frames built bit by bit. */
#include <lull/frame.h>

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>

#include <cmocka.h>

/* A frame spelled out field by field from ISO 11898-1, with no table: the second opinion. */
struct wire {
	uint8_t bit[700];
	unsigned n;
};

static void emit(struct wire *w, unsigned value, unsigned bits)
{
	while (bits)
		w->bit[w->n++] = (uint8_t)(value >> --bits & 1);
}

static uint16_t slow_crc15(const struct wire *w)
{
	unsigned crc = 0;

	for (unsigned i = 0; i < w->n; i++) {
		unsigned next = w->bit[i] ^ (crc >> 14 & 1);

		crc = crc << 1 & 0x7fff;
		if (next)
			crc ^= 0x4599;
	}
	return (uint16_t)crc;
}

/* Stuff bits among the bits from..to (exclusive), with the run as it stands at `from`. at_end: also one due after
 * the very last bit. */
static unsigned slow_stuff(const struct wire *w, unsigned from, unsigned to, bool at_end)
{
	unsigned run = 0, last = 2, count = 0;

	for (unsigned i = 0; i < w->n; i++) {
		run = w->bit[i] == last ? run + 1 : 1;
		last = w->bit[i];
		if (run == 5) {
			if (i >= from && i < to && (i + 1 < w->n || at_end))
				count++;
			last ^= 1;
			run = 1;
		}
	}
	return count;
}

static void slow_header(struct wire *w, const struct lull_frame *f, bool remote)
{
	unsigned id = f->id & LULL_ID_BITS;

	emit(w, 0, 1);
	if (f->id & LULL_ID_EXTENDED) {
		emit(w, id >> 18, 11);
		emit(w, 3, 2);
		emit(w, id & 0x3ffff, 18);
		emit(w, remote, 1);
	} else {
		emit(w, id, 11);
		emit(w, remote, 1);
		emit(w, 0, 1);
	}
}

static struct lull_frame_bits slow_bits(const struct lull_frame *f, uint16_t *crc)
{
	struct wire w = {.n = 0};
	bool extended = f->id & LULL_ID_EXTENDED;

	if (!(f->flags & LULL_FRAME_FD)) {
		bool remote = f->flags & LULL_FRAME_REMOTE;

		slow_header(&w, f, remote);
		emit(&w, 0, extended ? 2 : 1);
		emit(&w, f->len, 4);
		for (unsigned i = 0; !remote && i < f->len; i++)
			emit(&w, f->data[i], 8);
		*crc = slow_crc15(&w);
		emit(&w, *crc, 15);
		return (struct lull_frame_bits){w.n + slow_stuff(&w, 0, w.n, true) + 1 + 1 + 1 + 7 + 3, 0};
	}
	static const uint8_t length[] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64};
	unsigned dlc = 0;

	while (length[dlc] < f->len)
		dlc++;
	slow_header(&w, f, false);
	emit(&w, 2, 2); /* FDF, res */
	emit(&w, f->flags & LULL_FRAME_BRS ? 1 : 0, 1);
	unsigned nominal = w.n;

	emit(&w, f->flags & LULL_FRAME_ESI ? 1 : 0, 1);
	emit(&w, dlc, 4);
	for (unsigned i = 0; i < length[dlc]; i++)
		emit(&w, i < f->len ? f->data[i] : 0, 8);
	unsigned crc_field = length[dlc] > 16 ? 4 + 21 + 7 : 4 + 17 + 6;
	struct lull_frame_bits bits = {
		nominal + slow_stuff(&w, 0, nominal, false) + 1 + 1 + 7 + 3,
		w.n - nominal + slow_stuff(&w, nominal, w.n, false) + crc_field + 1,
	};

	if (!(f->flags & LULL_FRAME_BRS)) {
		bits.nominal += bits.data;
		bits.data = 0;
	}
	return bits;
}

static uint64_t random_state = 1;

static uint32_t random_bits(void)
{
	/* splitmix64, written out: Steele, Lea, Flood, "Fast splittable pseudorandom number generators", 2014 */
	uint64_t z = random_state += UINT64_C(0x9e3779b97f4a7c15);

	z = (z ^ z >> 30) * UINT64_C(0xbf58476d1ce4e5b9);
	z = (z ^ z >> 27) * UINT64_C(0x94d049bb133111eb);
	return (uint32_t)(z >> 32);
}

static struct lull_frame random_frame(void)
{
	static const uint8_t length[] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64};
	static const uint8_t fill[] = {0x00, 0xff, 0xf0, 0x1f, 0x07, 0x83};
	struct lull_frame f = {0};
	bool fd = random_bits() & 1;
	unsigned style = random_bits() % 3;

	f.id = random_bits() & 1 ? (random_bits() & LULL_ID_BITS) | LULL_ID_EXTENDED : random_bits() & 0x7ff;
	if (style == 0) /* long runs */
		f.id = f.id & LULL_ID_EXTENDED ? LULL_ID_EXTENDED | (random_bits() & 1 ? 0 : LULL_ID_BITS)
					       : 0;
	f.len = length[random_bits() % (fd ? 16 : 9)];
	if (fd)
		f.flags = (uint8_t)(LULL_FRAME_FD | (random_bits() & (LULL_FRAME_BRS | LULL_FRAME_ESI)));
	else if (random_bits() % 8 == 0)
		f.flags = LULL_FRAME_REMOTE;
	for (unsigned i = 0; i < f.len; i++)
		f.data[i] = style == 2 ? (uint8_t)random_bits() : fill[random_bits() % sizeof(fill)];
	return f;
}

static void same_as_bit_by_bit(void **state)
{
	(void)state;
	for (int i = 0; i < 60000; i++) {
		struct lull_frame f = random_frame();
		uint16_t crc = 0;
		struct lull_frame_bits want = slow_bits(&f, &crc), got = lull_frame_bits(&f),
				       most = lull_frame_bits_max(&f);

		assert_int_equal(got.nominal, want.nominal);
		assert_int_equal(got.data, want.data);
		assert_true(got.nominal <= most.nominal && got.data <= most.data);
		if (!(f.flags & LULL_FRAME_FD))
			assert_int_equal(lull_frame_crc15(&f), crc);
	}
}

/* 47 + 8n, 67 + 8n: kernel include/linux/can/length.h, the table of fields (ISO 11898-1), without stuff bits.
 * 55 + 10n, 80 + 10n, and 135 for 8 bytes: Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN)
 * schedulability analysis: refuted, revisited and revised", Real-Time Systems 35, 2007. */
static void classical_against_published(void **state)
{
	(void)state;
	for (uint8_t n = 0; n <= 8; n++) {
		struct lull_frame standard = {.id = 0x555, .len = n},
				  extended = {.id = 0x15555555u | LULL_ID_EXTENDED, .len = n};

		assert_int_equal(lull_frame_bits_max(&standard).nominal, 55 + 10 * n);
		assert_int_equal(lull_frame_bits_max(&extended).nominal, 80 + 10 * n);
		memset(standard.data, 0x55, n);
		memset(extended.data, 0x55, n);
		assert_in_range(lull_frame_bits(&standard).nominal, 47u + 8u * n, 55u + 10u * n);
		assert_in_range(lull_frame_bits(&extended).nominal, 67u + 8u * n, 80u + 10u * n);
	}
	assert_int_equal(lull_frame_bits_max(&(struct lull_frame){.id = 1, .len = 8}).nominal, 135);
	/* More than 8 bytes a classical frame cannot carry, and a remote frame carries none. */
	assert_int_equal(lull_frame_bits_max(&(struct lull_frame){.id = 1, .len = 64}).nominal, 135);
	assert_int_equal(
		lull_frame_bits_max(&(struct lull_frame){.id = 1, .len = 8, .flags = LULL_FRAME_REMOTE})
			.nominal,
		55);
}

/* Among random contents there are frames without any stuff bit, and some that come near the bound. */
static void classical_range_is_met(void **state)
{
	unsigned fewest = 1000, most = 0;

	(void)state;
	for (int i = 0; i < 20000; i++) {
		/* DLC 4: 0100 after RTR, IDE, r0 leaves a run of four zeros at most. */
		struct lull_frame f = {.id = random_bits() & 0x7ff, .len = 4};
		uint32_t data = random_bits();

		memcpy(f.data, &data, 4);
		unsigned bits = lull_frame_bits(&f).nominal;

		fewest = bits < fewest ? bits : fewest;
		most = bits > most ? bits : most;
	}
	assert_int_equal(fewest, 47 + 8 * 4);
	assert_in_range(most, 87, 55 + 10 * 4);
}

/* FD without dynamic stuff bits, 3 bits of inter-frame space included: 67 + 8n (11-bit) and 86 + 8n (29-bit) with
 * CRC-21, 5 less with CRC-17 (4 CRC bits, 1 fixed stuff bit): kernel include/linux/can/length.h, table of fields. */
static void fd_against_published(void **state)
{
	static const uint8_t length[] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64};

	(void)state;
	for (size_t i = 0; i < sizeof(length); i++) {
		unsigned n = length[i], less = n <= 16 ? 5 : 0;
		struct lull_frame f = {.flags = LULL_FRAME_FD, .len = (uint8_t)n};

		memset(f.data, 0x55, n);
		f.id = 0x555;
		unsigned plain = lull_frame_bits(&f).nominal;

		/* 0x555, FDF, res = 0, BRS = 0, ESI = 0, DLC: only the zeros from res on can need a stuff bit. */
		assert_in_range(plain, 67 + 8 * n - less, 67 + 8 * n - less + 1);
		if (n == 7) /* DLC 0111: runs of four at most, no stuff bit */
			assert_int_equal(plain, 67 + 8 * 7 - 5);
		assert_int_equal(lull_frame_bits(&f).data, 0);
		assert_int_equal(lull_frame_bits_max(&f).nominal, 67 + 8 * n - less + (21 + 8 * n) / 4);
		f.id = 0x15555555u | LULL_ID_EXTENDED;
		assert_in_range(lull_frame_bits(&f).nominal, 86 + 8 * n - less, 86 + 8 * n - less + 1);
		/* (40 + 8n) / 4 would put the last stuff bit right before the CRC field, where the fixed one stands. */
		assert_int_equal(lull_frame_bits_max(&f).nominal, 86 + 8 * n - less + (40 + 8 * n) / 4 - 1);

		/* With a bit-rate switch the same bits run at two rates: 29 and 48 bits, and their stuff bits, stay slow. */
		f.flags |= LULL_FRAME_BRS;
		assert_int_equal(lull_frame_bits(&f).nominal, 36 + 12);
		assert_int_equal(lull_frame_bits_max(&f).nominal, 36 + 12 + 8);
		assert_int_equal(lull_frame_bits_max(&f).data, 50 - less + 8 * n - 12 + (5 + 8 * n) / 4);
	}
	/* A length between two DLCs goes out padded. */
	assert_int_equal(lull_frame_bits_max(&(struct lull_frame){.flags = LULL_FRAME_FD, .len = 33}).nominal,
		lull_frame_bits_max(&(struct lull_frame){.flags = LULL_FRAME_FD, .len = 48}).nominal);
}

static void error_frames_have_no_length(void **state)
{
	struct lull_frame f = {.flags = LULL_FRAME_ERROR, .id = 0x88, .len = 8};

	(void)state;
	assert_int_equal(lull_frame_bits(&f).nominal + lull_frame_bits(&f).data, 0);
	assert_int_equal(lull_frame_bits_max(&f).nominal, 0);
}

static void ids_as_text(void **state)
{
	static const struct {
		uint32_t id;
		const char *text;
	} cases[] = {
		{0, "0x000"},
		{0x3a1, "0x3A1"},
		{0x7ff, "0x7FF"},
		{0x123 | LULL_ID_EXTENDED, "0x00000123"},
		{0x18fef100u | LULL_ID_EXTENDED, "0x18FEF100"},
		{0x1fffffffu | LULL_ID_EXTENDED, "0x1FFFFFFF"},
	};
	char buf[11];

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		uint32_t back = 0;

		assert_string_equal(lull_id_text(cases[i].id, buf), cases[i].text);
		assert_int_equal(lull_id_parse(buf, &back), 0);
		assert_int_equal(back, cases[i].id);
	}
	assert_string_equal(lull_id_text(LULL_ID_NONE, buf), "none");
}

static void ids_from_text(void **state)
{
	static const struct {
		const char *text;
		int result;
		uint32_t id;
	} cases[] = {
		{"3A1", 0, 0x3a1},
		{"3a1", 0, 0x3a1},
		{"0x3A1", 0, 0x3a1},
		{"0X7ff", 0, 0x7ff},
		{"7", 0, 7},
		{"800", 0, 0x800 | LULL_ID_EXTENDED},
		{"0123", 0, 0x123 | LULL_ID_EXTENDED},
		{"18FEF100", 0, 0x18fef100u | LULL_ID_EXTENDED},
		{"18FEF100x", 0, 0x18fef100u | LULL_ID_EXTENDED},
		{"x18FEF100", 0, 0x18fef100u | LULL_ID_EXTENDED},
		{"123x", 0, 0x123 | LULL_ID_EXTENDED},
		{"0x123x", 0, 0x123 | LULL_ID_EXTENDED},
		{"1FFFFFFF", 0, 0x1fffffffu | LULL_ID_EXTENDED},
		{"20000000", -EINVAL, 0},
		{"018FEF100", -EINVAL, 0},
		{"", -EINVAL, 0},
		{"0x", -EINVAL, 0},
		{"x", -EINVAL, 0},
		{"xx", -EINVAL, 0},
		{"3A1 ", -EINVAL, 0},
		{"-1", -EINVAL, 0},
		{"3G1", -EINVAL, 0},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		uint32_t id = 0;

		assert_int_equal(lull_id_parse(cases[i].text, &id), cases[i].result);
		assert_int_equal(id, cases[i].id);
	}
}

/* ISO 15765-4: functional and physical request IDs, their answers, and the 29-bit ones. J1939 request PGN 0xEA00
 * from 0xF9, 0xFA: from memory. */
static void diagnostic_ids(void **state)
{
	static const struct {
		uint32_t id;
		bool request, answer;
	} cases[] = {
		{0x7df, true, false},
		{0x7e0, true, false},
		{0x7e7, true, false},
		{0x7e8, false, true},
		{0x7ef, false, true},
		{0x7f0, false, false},
		{0x7de, false, false},
		{0x18db33f1u | LULL_ID_EXTENDED, true, false},
		{0x18da10f1u | LULL_ID_EXTENDED, true, false},
		{0x18daf110u | LULL_ID_EXTENDED, false, true},
		{0x18da1022u | LULL_ID_EXTENDED, false, false},
		{0x7df | LULL_ID_EXTENDED, false, false},
		{0x18ea00f9u | LULL_ID_EXTENDED, true, false},
		{0x18eafffau | LULL_ID_EXTENDED, true, false},
		{0x0ceafffau | LULL_ID_EXTENDED, true, false},
		{0x18eaff00u | LULL_ID_EXTENDED, false, false},
		{0x18fef100u | LULL_ID_EXTENDED, false, false},
		{LULL_ID_NONE, false, false},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		assert_int_equal(lull_id_is_request(cases[i].id), cases[i].request);
		assert_int_equal(lull_id_is_answer(cases[i].id), cases[i].answer);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(same_as_bit_by_bit),
		cmocka_unit_test(classical_against_published),
		cmocka_unit_test(classical_range_is_met),
		cmocka_unit_test(fd_against_published),
		cmocka_unit_test(error_frames_have_no_length),
		cmocka_unit_test(ids_as_text),
		cmocka_unit_test(ids_from_text),
		cmocka_unit_test(diagnostic_ids),
	};
	return cmocka_run_group_tests_name("frame", tests, NULL, NULL);
}
