/* SPDX-License-Identifier: GPL-3.0-or-later */
/* rows_pcapng: the kept frames as pcapng. libpcap writes pcap only, which has no names for interfaces and no comments.
 * Blocks and options: draft-ietf-opsawg-pcapng; packets: LINKTYPE_CAN_SOCKETCAN (227), ID in network byte order. */
#include <errno.h>
#include <lull/text.h>
#include <report/rows.h>
#include <string.h>

enum { SECTION = 0x0A0D0D0A, INTERFACE = 1, PACKET = 6, MAGIC = 0x1A2B3C4D, LINK_CAN = 227 };
enum { OPT_END = 0, OPT_COMMENT = 1, OPT_IF_NAME = 2, OPT_IF_TSRESOL = 9 };
enum { CAN_MTU = 16, CANFD_MTU = 72 };
/* Of an ID in linux/can.h. */
#define EFF_FLAG 0x80000000u
#define RTR_FLAG 0x40000000u
#define ERR_FLAG 0x20000000u

struct block {
	uint8_t at[512];
	size_t n;
};

static void u16(struct block *b, uint16_t x)
{
	memcpy(b->at + b->n, &x, 2);
	b->n += 2;
}

static void u32(struct block *b, uint32_t x)
{
	memcpy(b->at + b->n, &x, 4);
	b->n += 4;
}

static void bytes(struct block *b, const void *data, size_t n)
{
	memcpy(b->at + b->n, data, n);
	b->n += n;
	while (b->n % 4)
		b->at[b->n++] = 0;
}

static void option(struct block *b, uint16_t code, const void *data, size_t n)
{
	u16(b, code);
	u16(b, (uint16_t)n);
	bytes(b, data, n);
}

static void write_block(FILE *out, uint32_t type, const struct block *body)
{
	const uint32_t length = (uint32_t)body->n + 12;

	(void)fwrite(&type, 4, 1, out);
	(void)fwrite(&length, 4, 1, out);
	(void)fwrite(body->at, 1, body->n, out);
	(void)fwrite(&length, 4, 1, out);
}

static void section(FILE *out)
{
	struct block b = {.n = 0};

	u32(&b, MAGIC);
	u16(&b, 1);
	u16(&b, 0);
	u32(&b, 0xffffffffu); /* length of the section: not told */
	u32(&b, 0xffffffffu);
	write_block(out, SECTION, &b);
}

static void interface(FILE *out, const struct lull_bus *bus)
{
	struct block b = {.n = 0};
	const uint8_t nanoseconds = 9;
	char name[LULL_BUS_NAME * LULL_ESCAPED], *end = name;
	const char *rest = bus->name;

	while (*rest)
		end = stpcpy(end, lull_text_escape(&rest, rest == bus->name, (char[LULL_ESCAPED]){0}));
	u16(&b, LINK_CAN);
	u16(&b, 0);
	u32(&b, CANFD_MTU);
	option(&b, OPT_IF_NAME, name, (size_t)(end - name));
	option(&b, OPT_IF_TSRESOL, &nanoseconds, 1);
	option(&b, OPT_END, "", 0);
	write_block(out, INTERFACE, &b);
}

/* struct can_frame or canfd_frame as it stands in a capture. Returns its length. */
static size_t wire(const struct lull_frame *f, uint8_t out[CANFD_MTU])
{
	const bool fd = f->flags & LULL_FRAME_FD;
	const uint8_t most = fd ? 64 : 8, len = f->len > most ? most : f->len;
	uint32_t id = f->id & LULL_ID_BITS;

	id |= f->flags & LULL_FRAME_ERROR ? ERR_FLAG : f->id & LULL_ID_EXTENDED ? EFF_FLAG : 0;
	if (f->flags & LULL_FRAME_REMOTE)
		id |= RTR_FLAG;
	memset(out, 0, CANFD_MTU);
	for (unsigned i = 0; i < 4; i++)
		out[i] = (uint8_t)(id >> (24 - 8 * i) & 0xff);
	out[4] = len;
	if (fd) /* CANFD_FDF, and what goes with it */
		out[5] = (uint8_t)(4u | (f->flags & LULL_FRAME_BRS ? 1u : 0u) | (f->flags & LULL_FRAME_ESI ? 2u : 0u));
	if (!(f->flags & LULL_FRAME_REMOTE))
		memcpy(out + 8, f->data, len);
	return fd ? CANFD_MTU : CAN_MTU;
}

static void packet(FILE *out, const struct lull_night *night, const struct lull_edge *e)
{
	struct block b = {.n = 0};
	uint8_t data[CANFD_MTU];
	const size_t n = wire(&e->frame, data);
	const int64_t utc = lull_night_utc(night, e->frame.t);
	const uint64_t t = (uint64_t)(utc == INT64_MIN ? e->frame.t : utc);

	u32(&b, e->frame.bus);
	u32(&b, (uint32_t)(t >> 32));
	u32(&b, (uint32_t)t);
	u32(&b, (uint32_t)n);
	u32(&b, (uint32_t)n);
	bytes(&b, data, n);
	if (e->copies > 1) {
		char text[96];
		const int k = snprintf(text, sizeof text, "%u copies back to back, the last after %.3f ms", (unsigned)e->copies,
			(double)(e->last_copy - e->frame.t) / 1e6);

		option(&b, OPT_COMMENT, text, (size_t)k);
		option(&b, OPT_END, "", 0);
	}
	write_block(out, PACKET, &b);
}

int lull_rows_frames_pcapng(FILE *out, const struct lull_night *night)
{
	section(out);
	for (unsigned i = 0; i < night->bus_count; i++)
		interface(out, &night->bus[i]);
	for (size_t i = 0; i < night->edges.n && !ferror(out); i++) {
		if (night->edges.at[i].frame.bus < night->bus_count)
			packet(out, night, &night->edges.at[i]);
	}
	if (fflush(out) || ferror(out))
		return errno ? -errno : -EIO;
	return 0;
}
