/* SPDX-License-Identifier: GPL-3.0-or-later */
/* frame: length of a CAN frame on the wire, and the text of arbitration IDs. Pure. */
#include <lull/frame.h>

#include "frame_tables.h"
#include <errno.h>
#include <stdio.h>
#include <string.h>

/* Fields of ISO 11898-1 after the CRC: delimiter, ACK slot, ACK delimiter, 7 of EOF, 3 of inter-frame space. */
#define CRC_DELIMITER 1u
#define AFTER_CRC_DELIMITER (1u + 1u + 7u + 3u)
#define CRC15_BITS 15u
/* An FD frame up to and with BRS, and from ESI to the DLC. */
#define FD_NOMINAL_STANDARD 17u
#define FD_NOMINAL_EXTENDED 36u
#define FD_CONTROL 5u

static bool is_extended(const struct lull_frame *f)
{
	return f->id & LULL_ID_EXTENDED;
}

/* Bits as they are sent, most significant first: value holds `bits` of them. */
struct field {
	uint64_t value;
	unsigned bits;
};

static void put(struct field *field, unsigned bits, uint32_t value)
{
	field->value = field->value << bits | value;
	field->bits += bits;
}

/* SOF, arbitration field, and IDE where it follows. `rtr`: the RTR bit, or RRS (0) of an FD frame. */
static struct field arbitration(const struct lull_frame *f, uint32_t rtr)
{
	struct field field = {0};
	uint32_t id = f->id & LULL_ID_BITS;

	put(&field, 1, 0); /* SOF */
	if (is_extended(f)) {
		put(&field, 11, id >> 18);
		put(&field, 2, 3); /* SRR, IDE */
		put(&field, 18, id & 0x3ffff);
		put(&field, 1, rtr);
	} else {
		put(&field, 11, id & 0x7ff);
		put(&field, 1, rtr);
		put(&field, 1, 0); /* IDE */
	}
	return field;
}

static unsigned classical_length(const struct lull_frame *f)
{
	return f->len > 8 ? 8 : f->len;
}

/* Everything of a classical frame before its data. */
static struct field classical_header(const struct lull_frame *f)
{
	struct field field = arbitration(f, f->flags & LULL_FRAME_REMOTE ? 1 : 0);

	if (is_extended(f))
		put(&field, 1, 0); /* r1 */
	put(&field, 1, 0); /* r0, or FDF = 0 */
	put(&field, 4, classical_length(f));
	return field;
}

static unsigned fd_dlc(unsigned len)
{
	static const uint8_t above_8[] = {12, 16, 20, 24, 32, 48, 64};
	unsigned dlc = 8;

	if (len <= 8)
		return len;
	for (size_t i = 0; i < sizeof(above_8); i++) {
		dlc++;
		if (len <= above_8[i])
			break;
	}
	return dlc;
}

static unsigned fd_length(unsigned dlc)
{
	static const uint8_t length[] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64};

	return length[dlc & 15];
}

/* Stuff count, CRC and the fixed stuff bits (one before, then one after every four): none of them is stuffed
 * dynamically, so the CRC's value does not matter for the length. */
static unsigned fd_crc_field(unsigned length)
{
	return length <= 16 ? 4 + 17 + 6 : 4 + 21 + 7;
}

/* --- stuffing ---
 *
 * State: the last bit sent and how many of it in a row (1..4), as (bit << 2 | run - 1). A fifth one is
 * followed at once by its opposite, so the run never rests at five. */
#define STUFF_IDLE (1u << 2) /* the recessive bus before SOF */

struct stuffer {
	unsigned state;
	unsigned stuffed;
};

static void stuff_byte(struct stuffer *s, uint8_t byte)
{
	uint8_t entry = lull_stuff_table[s->state][byte];

	s->state = entry & 7;
	s->stuffed += entry >> 3;
}

/* The fields before the data. They fill no whole bytes: in front go bits that alternate and end recessive, as the
 * idle bus is, and so never need a stuff bit. */
static struct stuffer stuff_header(struct field header)
{
	struct stuffer s = {.state = STUFF_IDLE};
	unsigned fill = -header.bits % 8;

	header.value |= (0x55ull & ((1u << fill) - 1)) << header.bits;
	for (unsigned shift = header.bits + fill; shift;)
		stuff_byte(&s, (uint8_t)(header.value >> (shift -= 8)));
	return s;
}

static uint16_t crc15_byte(uint16_t crc, uint8_t byte)
{
	return (uint16_t)((crc << 8 ^ lull_crc15_table[(crc >> 7 ^ byte) & 0xff]) & 0x7fff);
}

uint16_t lull_frame_crc15(const struct lull_frame *f)
{
	struct field header = classical_header(f);
	uint16_t crc = 0;

	/* The register starts at 0, so zeros in front, up to a whole byte, change nothing. */
	for (unsigned shift = (header.bits + 7) / 8 * 8; shift;)
		crc = crc15_byte(crc, (uint8_t)(header.value >> (shift -= 8)));
	if (!(f->flags & LULL_FRAME_REMOTE))
		for (unsigned i = 0; i < classical_length(f); i++)
			crc = crc15_byte(crc, f->data[i]);
	return crc;
}

static struct lull_frame_bits classical_bits(const struct lull_frame *f)
{
	struct field header = classical_header(f);
	struct stuffer s = stuff_header(header);
	unsigned length = f->flags & LULL_FRAME_REMOTE ? 0 : classical_length(f);
	uint16_t crc = lull_frame_crc15(f);

	for (unsigned i = 0; i < length; i++)
		stuff_byte(&s, f->data[i]);
	/* 15 bits, and one unlike the last of them: it needs no stuff bit, nor does it undo one that is due. */
	stuff_byte(&s, (uint8_t)(crc >> 7));
	stuff_byte(&s, (uint8_t)(crc << 1 | (~crc & 1)));
	return (struct lull_frame_bits){
		header.bits + 8 * length + CRC15_BITS + CRC_DELIMITER + AFTER_CRC_DELIMITER + s.stuffed, 0};
}

static struct lull_frame_bits fd_phases(const struct lull_frame *f, unsigned nominal, unsigned data)
{
	/* The rate changes within the BRS bit and the CRC delimiter; each is counted with what comes before it. */
	if (f->flags & LULL_FRAME_BRS)
		return (struct lull_frame_bits){nominal + AFTER_CRC_DELIMITER, data};
	return (struct lull_frame_bits){nominal + AFTER_CRC_DELIMITER + data, 0};
}

static struct lull_frame_bits fd_bits(const struct lull_frame *f)
{
	struct field header = arbitration(f, 0);
	unsigned dlc = fd_dlc(f->len), length = fd_length(dlc), last = dlc & 1;

	put(&header, 2, 2); /* FDF = 1, res = 0 */
	put(&header, 1, f->flags & LULL_FRAME_BRS ? 1 : 0);
	unsigned slow_stuffed = stuff_header(header).stuffed, nominal = header.bits + slow_stuffed;

	put(&header, FD_CONTROL, (f->flags & LULL_FRAME_ESI ? 16u : 0u) | dlc);
	struct stuffer s = stuff_header(header);

	for (unsigned i = 0; i < length; i++) {
		uint8_t byte = i < f->len ? f->data[i] : 0;

		stuff_byte(&s, byte);
		last = byte & 1;
	}
	unsigned stuffed = s.stuffed - slow_stuffed;

	/* A stuff bit due right before the CRC field gives way to the fixed one. */
	if (last != s.state >> 2)
		stuffed--;
	return fd_phases(
		f, nominal, FD_CONTROL + 8 * length + stuffed + fd_crc_field(length) + CRC_DELIMITER);
}

struct lull_frame_bits lull_frame_bits(const struct lull_frame *f)
{
	if (f->flags & LULL_FRAME_ERROR)
		return (struct lull_frame_bits){0, 0};
	return f->flags & LULL_FRAME_FD ? fd_bits(f) : classical_bits(f);
}

struct lull_frame_bits lull_frame_bits_max(const struct lull_frame *f)
{
	if (f->flags & LULL_FRAME_ERROR)
		return (struct lull_frame_bits){0, 0};
	if (f->flags & LULL_FRAME_FD) {
		unsigned nominal = is_extended(f) ? FD_NOMINAL_EXTENDED : FD_NOMINAL_STANDARD;
		unsigned length = fd_length(fd_dlc(f->len)), data = FD_CONTROL + 8 * length;

		/* One stuff bit in four after the first; none right before the CRC field. */
		return fd_phases(f, nominal + (nominal - 1) / 4,
			data + data / 4 + fd_crc_field(length) + CRC_DELIMITER);
	}
	unsigned stuffable = (is_extended(f) ? 39 : 19) + CRC15_BITS +
		(f->flags & LULL_FRAME_REMOTE ? 0 : 8 * classical_length(f));

	return (struct lull_frame_bits){
		stuffable + (stuffable - 1) / 4 + CRC_DELIMITER + AFTER_CRC_DELIMITER, 0};
}

/* --- IDs --- */

const char *lull_id_text(uint32_t id, char buf[static 11])
{
	if (id == LULL_ID_NONE)
		memcpy(buf, "none", sizeof("none"));
	else
		(void)snprintf(
			buf, 11, id & LULL_ID_EXTENDED ? "0x%08X" : "0x%03X", (unsigned)(id & LULL_ID_BITS));
	return buf;
}

static int hex_digit(char c)
{
	if (c >= '0' && c <= '9')
		return c - '0';
	if (c >= 'a' && c <= 'f')
		return c - 'a' + 10;
	if (c >= 'A' && c <= 'F')
		return c - 'A' + 10;
	return -1;
}

int lull_id_parse(const char *text, uint32_t *id)
{
	uint32_t value = 0;
	unsigned digits = 0;
	bool extended = false;

	if (text[0] == '0' && (text[1] == 'x' || text[1] == 'X')) {
		text += 2;
	} else if (*text == 'x' || *text == 'X') {
		extended = true;
		text++;
	}
	for (int d; (d = hex_digit(*text)) >= 0; text++) {
		if (++digits > 8)
			return -EINVAL;
		value = value << 4 | (uint32_t)d;
	}
	if (*text == 'x' || *text == 'X') {
		extended = true;
		text++;
	}
	if (*text || !digits || value > LULL_ID_BITS)
		return -EINVAL;
	if (digits > 3 || value > 0x7ff)
		extended = true;
	*id = value | (extended ? LULL_ID_EXTENDED : 0);
	return 0;
}

bool lull_id_is_request(uint32_t id)
{
	if (id == LULL_ID_NONE)
		return false;
	if (!(id & LULL_ID_EXTENDED))
		return id == 0x7df || (id >= 0x7e0 && id <= 0x7e7);
	uint32_t bits = id & LULL_ID_BITS;
	uint32_t source = bits & 0xff;

	if (bits == 0x18db33f1 || (bits & 0x1fff00ff) == 0x18da00f1)
		return true;
	/* J1939 request, PGN 0xEA00 in both data pages 0, any priority and destination. */
	return (bits >> 16 & 0x3ff) == 0xea && (source == 0xf9 || source == 0xfa);
}

bool lull_id_is_answer(uint32_t id)
{
	if (id == LULL_ID_NONE)
		return false;
	if (!(id & LULL_ID_EXTENDED))
		return id >= 0x7e8 && id <= 0x7ef;
	return (id & 0x1fffff00) == 0x18daf100;
}
