/* SPDX-License-Identifier: GPL-3.0-or-later */
/* frame: one CAN frame as the core sees it, and its length on the wire. Pure. */
#ifndef LULL_FRAME_H
#define LULL_FRAME_H

#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>

/* An arbitration ID carries its kind in bit 31 (as linux/can.h does), so that 0x123 standard
 * and 0x123 extended are two IDs. */
#define LULL_ID_EXTENDED 0x80000000u
#define LULL_ID_BITS 0x1fffffffu
#define LULL_ID_NONE 0xffffffffu

enum {
	LULL_FRAME_REMOTE = 1,
	LULL_FRAME_ERROR = 2, /* id holds the CAN_ERR_* class bits of linux/can/error.h, data its detail */
	LULL_FRAME_FD = 4,
	LULL_FRAME_BRS = 8,
	LULL_FRAME_ESI = 16,
	LULL_FRAME_SENT = 32 /* sent by the adapter that captured it: ours, of no node */
};

struct lull_frame {
	lull_time t; /* a source gives its own stamps in ns; the core wants recording time */
	uint32_t id;
	uint8_t bus; /* index into the recording's buses */
	uint8_t flags; /* LULL_FRAME_* */
	uint8_t len; /* payload bytes, 0..64; for a remote frame the requested length */
	uint8_t data[64]; /* only the first len bytes are defined */
};

/* Bits of a classical frame on the wire up to the end of EOF plus the 3 bits of inter-frame
 * space, with the stuff bits its content really needs: ISO 11898-1 (47 + 8n or 67 + 8n, plus
 * stuffing over SOF..CRC with CRC-15, polynomial 0x4599). FD frames: arbitration and data
 * phase bits are given apart, since they run at two rates (CRC-17 0x1685B, CRC-21 0x102899,
 * fixed stuff bits and stuff count in the CRC field). Error frames: 0. */
struct lull_frame_bits {
	unsigned nominal; /* bits at the arbitration rate */
	unsigned data; /* bits at the data rate; 0 without bit-rate switch */
};
struct lull_frame_bits lull_frame_bits(const struct lull_frame *);
/* The same without looking at the content: the most the frame can take. Classical, 8 bytes,
 * 11-bit: 135 (Davis, Burns, Bril, Lukkien 2007). */
struct lull_frame_bits lull_frame_bits_max(const struct lull_frame *);
/* CRC-15 of a classical frame, for checks against published sequences. */
uint16_t lull_frame_crc15(const struct lull_frame *);

/* "0x3A1" (3 hex digits) or "0x18FEF100" (8): buf of at least 11 bytes; returns buf. */
const char *lull_id_text(uint32_t id, char buf[static 11]);
/* "3A1", "0x3A1", "18FEF100x"/"x18FEF100" or more than 3 digits or above 0x7FF: extended.
 * -EINVAL if it is no ID. */
LULL_MUST_CHECK int lull_id_parse(const char *text, uint32_t *id);

/* Diagnostic traffic by ISO 15765-4 (0x7DF, 0x7E0-0x7E7 requests, 0x7E8-0x7EF answers, 0x18DB33F1,
 * 0x18DAxxF1, 0x18DAF1xx) and J1939 requests from the off-board addresses 0xF9, 0xFA [mem]. */
bool lull_id_is_request(uint32_t id);
bool lull_id_is_answer(uint32_t id);

#endif
