/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pcapng: walks the blocks of a pcapng stream on their way to libpcap. */
#include <lull/text.h>
#include <source/pcapng.h>

#include <pcap/dlt.h>
#include <source/utf8.h>
#include <stdio_ext.h>
#include <stdlib.h>
#include <string.h>

#define BLOCK_SECTION 0x0a0d0d0au
#define BLOCK_INTERFACE 1u
#define BLOCK_PACKET 2u /* obsolete */
#define BLOCK_SIMPLE 3u
#define BLOCK_ENHANCED 6u
#define BYTE_ORDER_MAGIC 0x1a2b3c4du
#define OPTION_END 0
#define OPTION_IF_NAME 2

#define INPUT_BYTES 524288
#define BLOCK_MAX 262144 /* larger ones hold no CAN frame: passed over */
#define STDIO_BYTES 131072
#define INTERFACES_MAX 4096
/* Packets handed on and not yet asked for: a stdio buffer of the shortest packet blocks, with room. */
#define QUEUE 16384u

struct lull_pcapng {
	struct lull_capture *capture;
	uint8_t *input; /* INPUT_BYTES; [from, to) not yet walked */
	size_t from, to;
	uint64_t at; /* byte of the content that input[from] is */
	size_t handing; /* bytes at input[from] that belong to a whole block on its way out */
	bool swapped, in_section, ended;
	struct lull_pcapng_interface *interfaces;
	unsigned count, section; /* the current section's interfaces begin here */
	unsigned with_can;
	uint16_t queue[QUEUE];
	unsigned head, tail;
	uint64_t packets;
	char damage[128];
	char stdio_buffer[STDIO_BYTES];
};

bool lull_link_is_can(unsigned link)
{
	return link == DLT_CAN_SOCKETCAN || link == DLT_LINUX_SLL || link == DLT_LINUX_SLL2;
}

static uint32_t get32(const struct lull_pcapng *w, const uint8_t *p)
{
	uint32_t v;
	memcpy(&v, p, 4);
	return w->swapped ? __builtin_bswap32(v) : v;
}

static uint16_t get16(const struct lull_pcapng *w, const uint8_t *p)
{
	uint16_t v;
	memcpy(&v, p, 2);
	return w->swapped ? __builtin_bswap16(v) : v;
}

/* At least `want` bytes at input[from], if the file has them. */
static size_t fill(struct lull_pcapng *w, size_t want)
{
	while (w->to - w->from < want) {
		if (w->from) {
			memmove(w->input, w->input + w->from, w->to - w->from);
			w->to -= w->from;
			w->from = 0;
		}
		const size_t got =
			lull_stream_read(w->capture->stream, w->input + w->to, INPUT_BYTES - w->to);
		if (!got)
			break;
		w->to += got;
	}
	return w->to - w->from;
}

static void stop(struct lull_pcapng *w, const char *why)
{
	w->ended = true;
	if (why && !w->damage[0])
		snprintf(w->damage, sizeof w->damage, "%s", why);
}

static void pass_over(struct lull_pcapng *w, size_t n)
{
	w->from += n;
	w->at += n;
}

/* A block that libpcap need not see, of any length. */
static void drop_block(struct lull_pcapng *w, uint64_t n)
{
	while (n) {
		const size_t have = fill(w, 1);
		if (!have) {
			stop(w, "the last block is cut off");
			return;
		}
		const size_t part = n < have ? (size_t)n : have;
		pass_over(w, part);
		n -= part;
	}
}

static void find_name(const struct lull_pcapng *w, const uint8_t *p, size_t n, char name[LULL_BUS_NAME])
{
	while (n >= 4) {
		const uint16_t code = get16(w, p), length = get16(w, p + 2);
		const size_t padded = ((size_t)length + 3) & ~(size_t)3;
		if (code == OPTION_END || padded > n - 4)
			return;
		if (code == OPTION_IF_NAME) {
			char text[LULL_BUS_NAME * LULL_ESCAPED];
			size_t used = strnlen((const char *)p + 4, length < sizeof text ? length : sizeof text);
			memcpy(text, p + 4, used);
			used = lull_text_unescape(text, used);
			lull_utf8_clean(name, LULL_BUS_NAME, text, used);
			return;
		}
		p += 4 + padded;
		n -= 4 + padded;
	}
}

/* Body of an interface block: noted, and made to look like all others, since libpcap refuses a file whose
 * interfaces differ in link type or snapshot length. False: too many. */
static bool take_interface(struct lull_pcapng *w, uint8_t *body, size_t n)
{
	if (w->count == INTERFACES_MAX)
		return false;
	if ((w->count & (w->count - 1)) == 0) {
		const size_t room = w->count ? 2u * w->count : 1;
		void *grown = realloc(w->interfaces, room * sizeof *w->interfaces);
		if (!grown)
			return false;
		w->interfaces = grown;
	}
	struct lull_pcapng_interface *i = &w->interfaces[w->count];
	*i = (struct lull_pcapng_interface){
		.bus = -1,
		.number = w->count - w->section,
		.link = get16(w, body),
		.swapped = w->swapped,
	};
	w->count++;
	find_name(w, body + 8, n - 8, i->name);
	w->with_can += lull_link_is_can(i->link);
	const uint16_t link = w->swapped ? __builtin_bswap16(DLT_CAN_SOCKETCAN) : DLT_CAN_SOCKETCAN;
	memcpy(body, &link, 2);
	memset(body + 4, 0, 4);
	return true;
}

/* Is this packet one for libpcap? Else it is counted as passed over. */
static bool take_packet(struct lull_pcapng *w, uint32_t type, const uint8_t *body, size_t n)
{
	w->packets++;
	if (type == BLOCK_SIMPLE || n < 20) {
		lull_capture_skip(
			w->capture, " packet %llu has no time stamp", (unsigned long long)w->packets);
		return false;
	}
	const uint32_t index = type == BLOCK_PACKET ? get16(w, body) : get32(w, body);
	if (index >= w->count - w->section) {
		lull_capture_skip(w->capture,
			" packet %llu names interface %lu, which the file does not describe",
			(unsigned long long)w->packets, (unsigned long)index);
		return false;
	}
	const struct lull_pcapng_interface *i = &w->interfaces[w->section + index];
	if (!lull_link_is_can(i->link)) {
		lull_capture_skip(w->capture,
			" packet %llu comes from interface %lu%s%s%s, which carries no CAN (link type %u)",
			(unsigned long long)w->packets, (unsigned long)index, i->name[0] ? " '" : "", i->name,
			i->name[0] ? "'" : "", i->link);
		return false;
	}
	w->queue[w->tail++ % QUEUE] = (uint16_t)(w->section + index);
	return true;
}

/* Sets w->handing to the length of the next block for libpcap, or ends. */
static void next_block(struct lull_pcapng *w)
{
	while (!w->ended && !w->handing) {
		const size_t have = fill(w, 12);
		const uint8_t *p = w->input + w->from;
		if (have < 12) {
			stop(w, have ? "the last block is cut off" : NULL);
			return;
		}
		uint32_t type;
		memcpy(&type, p, 4); /* the section header's type reads the same both ways */
		if (type == BLOCK_SECTION) {
			uint32_t magic;
			memcpy(&magic, p + 8, 4);
			if (magic != BYTE_ORDER_MAGIC && magic != __builtin_bswap32(BYTE_ORDER_MAGIC)) {
				stop(w, "a section header without its byte-order mark");
				return;
			}
			w->swapped = magic != BYTE_ORDER_MAGIC;
			w->in_section = true;
			w->section = w->count;
		} else if (!w->in_section) {
			stop(w, "a block before the section header");
			return;
		}
		type = get32(w, p);
		const uint32_t length = get32(w, p + 4);
		if (length < 12 || length % 4) {
			stop(w, "a block with an impossible length");
			return;
		}
		const bool packet = type == BLOCK_ENHANCED || type == BLOCK_PACKET || type == BLOCK_SIMPLE;
		if (!packet && type != BLOCK_SECTION && type != BLOCK_INTERFACE) {
			drop_block(w, length);
			continue;
		}
		if (length > BLOCK_MAX) {
			w->packets += packet;
			lull_capture_skip(w->capture, " the block at byte %llu is too large for a CAN frame",
				(unsigned long long)w->at);
			drop_block(w, length);
			continue;
		}
		if (fill(w, length) < length) {
			stop(w, "the last block is cut off");
			return;
		}
		uint8_t *block = w->input + w->from;
		if (get32(w, block + length - 4) != length) {
			stop(w, "a block's length at its end differs from the one at its start");
			return;
		}
		bool wanted;
		if (packet)
			wanted = take_packet(w, type, block + 8, length - 12);
		else if (type == BLOCK_SECTION)
			wanted = true;
		else
			wanted = length >= 20 && take_interface(w, block + 8, length - 12);
		if (wanted)
			w->handing = length;
		else
			pass_over(w, length);
	}
}

static ssize_t cookie_read(void *cookie, char *buffer, size_t n)
{
	struct lull_pcapng *w = cookie;
	size_t done = 0;
	while (done < n && w->tail - w->head < QUEUE) {
		if (!w->handing)
			next_block(w);
		if (!w->handing)
			break;
		const size_t part = n - done < w->handing ? n - done : w->handing;
		memcpy(buffer + done, w->input + w->from, part);
		pass_over(w, part);
		w->handing -= part;
		done += part;
	}
	return (ssize_t)done;
}

struct lull_pcapng *lull_pcapng_new(struct lull_capture *c)
{
	struct lull_pcapng *w = calloc(1, sizeof *w);
	if (!w)
		return NULL;
	w->capture = c;
	w->input = malloc(INPUT_BYTES);
	if (!w->input) {
		free(w);
		return NULL;
	}
	return w;
}

void lull_pcapng_free(struct lull_pcapng *w)
{
	if (!w)
		return;
	free(w->interfaces);
	free(w->input);
	free(w);
}

FILE *lull_pcapng_stdio(struct lull_pcapng *w)
{
	const cookie_io_functions_t io = {.read = cookie_read};
	FILE *f = fopencookie(w, "rb", io);
	if (f) {
		setvbuf(f, w->stdio_buffer, _IOFBF, sizeof w->stdio_buffer);
		__fsetlocking(f, FSETLOCKING_BYCALLER);
	}
	return f;
}

struct lull_pcapng_interface *lull_pcapng_next(struct lull_pcapng *w)
{
	return w->head == w->tail ? NULL : &w->interfaces[w->queue[w->head++ % QUEUE]];
}

unsigned lull_pcapng_interfaces(const struct lull_pcapng *w, unsigned *with_can, unsigned *first_link)
{
	*with_can = w->with_can;
	*first_link = w->count ? w->interfaces[0].link : 0;
	return w->count;
}

const char *lull_pcapng_damage(const struct lull_pcapng *w, uint64_t *byte)
{
	*byte = w->at;
	return w->damage[0] ? w->damage : NULL;
}
