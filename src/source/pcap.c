/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pcap: pcap and pcapng through libpcap: SocketCAN packets (LINKTYPE_CAN_SOCKETCAN) and CAN in Linux cooked
 * captures, to the nanosecond. */
#include <source/libpcap.h>
#include <source/pcapng.h>

#include <errno.h>
#include <limits.h>
#include <linux/can.h>
#include <linux/can/error.h>
#include <pcap/sll.h>
#include <stdlib.h>
#include <string.h>

#define HEADER 8 /* struct can_frame and canfd_frame up to the data */
#define FILE_HEADER 24
#define RECORD_HEADER 16
/* Stamps outside of this (years 1678 to 2262) do not fit nanoseconds in 64 bits. */
#define SECONDS_MAX INT64_C(9223372035)

#ifndef CANXL_XLF
#define CANXL_XLF 0x80
#endif
#ifndef CANFD_FDF
#define CANFD_FDF 0x04
#endif

struct pcap_source {
	struct lull_capture *capture;
	pcap_t *pcap;
	struct lull_pcapng *walk; /* NULL: classic pcap */
	int link;
	bool swapped; /* cooked captures in pcapng: the ID's byte order is not ours */
	struct lull_frame *out;
	size_t n;
	uint64_t packets;
	uint64_t bytes; /* read so far; classic pcap */
	uint32_t last_index; /* of a cooked capture's interface, with its bus */
	int last_bus;
	bool zeros;
};

static uint32_t be32(const uint8_t *p)
{
	return (uint32_t)p[0] << 24 | (uint32_t)p[1] << 16 | (uint32_t)p[2] << 8 | p[3];
}

static void skip(struct pcap_source *s, const char *why)
{
	lull_capture_skip(s->capture, " packet %llu: %s", (unsigned long long)s->packets, why);
}

/* One packet in the layout of struct can_frame or canfd_frame with its ID given apart. */
static bool dissect(struct pcap_source *s, const uint8_t *b, size_t n, size_t wire, uint32_t id, bool fd,
	struct lull_frame *f)
{
	const uint8_t length = b[4], flags = b[5];
	f->id = id & CAN_EFF_FLAG ? (id & CAN_EFF_MASK) | LULL_ID_EXTENDED : id & CAN_SFF_MASK;
	f->len = length;
	f->flags = 0;
	if (__builtin_expect(length <= CAN_MAX_DLEN && n == CAN_MTU && wire == CAN_MTU &&
			    !((flags & CANFD_FDF) | fd | (id & (CAN_RTR_FLAG | CAN_ERR_FLAG))),
		    1)) {
		memcpy(f->data, b + HEADER, CAN_MAX_DLEN);
		return true;
	}
	if (length & CANXL_XLF) {
		skip(s, "is a CAN XL frame");
		return false;
	}
	if (length > CANFD_MAX_DLEN) {
		skip(s, "claims a payload of more than 64 bytes");
		return false;
	}
	if (id & CAN_ERR_FLAG) {
		f->id = id & CAN_ERR_MASK;
		f->flags = LULL_FRAME_ERROR;
		if (length > CAN_ERR_DLC) {
			skip(s, "is an error frame of more than 8 bytes");
			return false;
		}
	} else if (id & CAN_RTR_FLAG) {
		f->flags = LULL_FRAME_REMOTE;
		if (length > CAN_MAX_DLEN) {
			skip(s, "is a remote frame that asks for more than 8 bytes");
			return false;
		}
		return true;
	} else if (fd || flags & CANFD_FDF || length > CAN_MAX_DLEN || wire == CANFD_MTU) {
		/* Older kernels do not set CANFD_FDF: then the size tells. */
		f->flags = (uint8_t)(LULL_FRAME_FD | (flags & CANFD_BRS ? LULL_FRAME_BRS : 0) |
			(flags & CANFD_ESI ? LULL_FRAME_ESI : 0));
	}
	if (length > n - HEADER) {
		skip(s, "is cut short (snapshot length below the frame)");
		return false;
	}
	memcpy(f->data, b + HEADER, length);
	return true;
}

/* A cooked capture holds the ID in the byte order of the machine that wrote it. */
static uint32_t native_id(const struct pcap_source *s, const uint8_t *p)
{
	uint32_t id;
	memcpy(&id, p, 4);
	return s->swapped ? __builtin_bswap32(id) : id;
}

static bool cooked(struct pcap_source *s, const uint8_t *b, size_t n, size_t wire, struct lull_frame *f)
{
	const bool second = s->link == DLT_LINUX_SLL2;
	const size_t head = second ? SLL2_HDR_LEN : SLL_HDR_LEN;
	if (n < head + HEADER) {
		skip(s, "is too short for a CAN frame");
		return false;
	}
	const uint8_t *at = second ? b : b + 14;
	const unsigned protocol = (unsigned)at[0] << 8 | at[1];
	if (protocol != LINUX_SLL_P_CAN && protocol != LINUX_SLL_P_CANFD) {
		skip(s, "is no CAN frame");
		return false;
	}
	if (second) {
		const uint32_t index = be32(b + 4);
		if (s->last_bus < 0 || index != s->last_index) {
			char name[24];
			snprintf(name, sizeof name, "if%lu", (unsigned long)index);
			s->last_bus = lull_capture_bus(s->capture, name, strlen(name));
			s->last_index = index;
		}
		if (s->last_bus < 0) {
			skip(s, "belongs to one bus more than a recording holds");
			return false;
		}
		f->bus = (uint8_t)s->last_bus;
	}
	return dissect(s, b + head, n - head, wire > head ? wire - head : 0, native_id(s, b + head),
		protocol == LINUX_SLL_P_CANFD, f);
}

/* Bus and link type of this packet, from the walker. */
static bool from_interface(struct pcap_source *s, struct lull_frame *f)
{
	struct lull_pcapng_interface *i = lull_pcapng_next(s->walk);
	if (!i) {
		skip(s, "belongs to no interface");
		return false;
	}
	s->link = i->link;
	s->swapped = i->swapped;
	if (i->link == DLT_LINUX_SLL2)
		return true;
	if (i->bus < 0)
		i->bus = i->name[0] ? lull_capture_bus(s->capture, i->name, strlen(i->name))
				    : lull_capture_bus_number(s->capture, i->number);
	if (i->bus < 0) {
		skip(s, "belongs to one bus more than a recording holds");
		return false;
	}
	f->bus = (uint8_t)i->bus;
	return true;
}

/* Classic pcap has seconds of 32 bits without a sign, up to the year 2106; libpcap gives them one. Where libpcap has times of 32 bits
 * it cuts those of pcapng in the same way. */
static int64_t seconds_of(const struct pcap_source *s, const struct pcap_pkthdr *h)
{
	if (!s->walk || sizeof h->ts.tv_sec < sizeof(int64_t))
		return (uint32_t)h->ts.tv_sec;
	return h->ts.tv_sec;
}

static void take(u_char *user, const struct pcap_pkthdr *h, const u_char *b)
{
	struct pcap_source *s = (struct pcap_source *)(void *)user;
	struct lull_frame *f = &s->out[s->n];
	const int64_t seconds = seconds_of(s, h);
	s->packets++;
	s->bytes += RECORD_HEADER + h->caplen;
	f->bus = 0;
	if (s->walk && !from_interface(s, f))
		return;
	if (seconds > SECONDS_MAX || seconds < -SECONDS_MAX ||
		(uint64_t)h->ts.tv_usec >= (uint64_t)LULL_SEC) {
		skip(s, "has an impossible time stamp");
		return;
	}
	f->t = seconds * LULL_SEC + h->ts.tv_usec; /* nanoseconds, by the precision asked for */
	if (__builtin_expect(s->link != DLT_CAN_SOCKETCAN, 0)) {
		s->n += cooked(s, b, h->caplen, h->len, f);
		return;
	}
	if (h->caplen < HEADER) {
		/* What a power cut leaves of a file that was growing: zeros to its end. */
		if (!h->caplen && !h->len && !seconds && !h->ts.tv_usec && !s->walk) {
			s->zeros = true;
			s->bytes -= RECORD_HEADER;
			pcap_breakloop(s->pcap);
			return;
		}
		skip(s, "is too short for a CAN frame");
		return;
	}
	s->n += dissect(s, b, h->caplen, h->len, be32(b), false, f);
}

static void ended(struct pcap_source *s, int rc)
{
	struct lull_capture *c = s->capture;
	const unsigned long long frames = c->frames + s->n;
	const char *deeper = lull_stream_damage(c->stream);
	uint64_t byte = s->bytes;
	const char *walked = s->walk ? lull_pcapng_damage(s->walk, &byte) : NULL;
	const char *why;
	if (deeper) /* the packing is damaged: that the last packet is cut follows from it */
		why = deeper;
	else if (walked)
		why = walked;
	else if (s->zeros)
		why = "only zeros follow, a write was cut off";
	else if (rc == PCAP_ERROR)
		why = pcap_geterr(s->pcap);
	else
		return;
	if (why == walked || !s->walk)
		lull_capture_set_damage(c,
			"damaged after frame %llu (byte %llu): %s; what comes before is used", frames,
			(unsigned long long)byte, why);
	else /* the walker is some blocks ahead of libpcap */
		lull_capture_set_damage(
			c, "damaged after frame %llu: %s; what comes before is used", frames, why);
}

static size_t read_pcap(struct lull_capture *c, struct lull_frame *out, size_t max)
{
	struct pcap_source *s = c->priv;
	s->out = out;
	s->n = 0;
	while (!c->ended && s->n < max) {
		const size_t room = max - s->n;
		const int rc =
			pcap_dispatch(s->pcap, room > INT_MAX ? INT_MAX : (int)room, take, (u_char *)s);
		lull_stream_follow(c->stream, s->bytes);
		if (rc <= 0 || s->zeros) {
			ended(s, rc);
			c->ended = true;
		}
	}
	return s->n;
}

static double progress(const struct lull_capture *c)
{
	const struct pcap_source *s = c->priv;
	const int64_t size = lull_stream_size(c->stream);
	if (s->walk || lull_stream_progress(c->stream) > 0 || size <= 0)
		return lull_stream_progress(c->stream);
	const double share = (double)s->bytes / (double)size;
	return share > 1 ? 1 : share;
}

static void close_pcap(struct lull_capture *c)
{
	struct pcap_source *s = c->priv;
	if (!s)
		return;
	if (s->pcap)
		pcap_close(s->pcap); /* closes the FILE, too */
	lull_pcapng_free(s->walk);
	free(s);
}

static const struct lull_capture_format pcap_format = {
	.read = read_pcap, .close = close_pcap, .progress = progress};

static int wrong_link(const struct lull_capture *c, unsigned link, char *err, size_t err_size)
{
	const char *text = link <= INT_MAX ? pcap_datalink_val_to_description((int)link) : NULL;
	snprintf(err, err_size,
		"%s: holds no CAN frames: its link type is %u%s%s%s; capture the CAN interface itself (link "
		"type 227, "
		"SocketCAN)",
		c->name, link, text ? " (" : "", text ? text : "", text ? ")" : "");
	return -EINVAL;
}

int lull_pcap_open(struct lull_capture *c, bool pcapng, char *err, size_t err_size)
{
	struct pcap_source *s = calloc(1, sizeof *s);
	FILE *f = NULL;
	char why[PCAP_ERRBUF_SIZE] = "";
	c->priv = s;
	c->format = &pcap_format;
	c->kind = pcapng ? "pcapng" : "pcap";
	if (!s)
		goto memory;
	s->capture = c;
	s->bytes = FILE_HEADER;
	s->last_bus = -1;
	if (pcapng) {
		s->walk = lull_pcapng_new(c);
		if (!s->walk)
			goto memory;
		f = lull_pcapng_stdio(s->walk);
	} else {
		f = lull_stream_plain(c->stream);
		if (!f)
			f = lull_stream_stdio(c->stream);
	}
	if (!f)
		goto memory;
	s->pcap = pcap_fopen_offline_with_tstamp_precision(f, PCAP_TSTAMP_PRECISION_NANO, why);
	if (!s->pcap) {
		uint64_t byte;
		fclose(f);
		const char *deeper = lull_stream_damage(c->stream);
		if (!deeper && s->walk)
			deeper = lull_pcapng_damage(s->walk, &byte);
		snprintf(err, err_size, "%s: its head cannot be read as %s: %s", c->name, c->kind,
			deeper ? deeper : why);
		return -EBADMSG;
	}
	unsigned with_can = 1, link;
	if (s->walk) {
		lull_pcapng_interfaces(s->walk, &with_can, &link);
		s->link = DLT_CAN_SOCKETCAN;
	} else {
		s->link = pcap_datalink(s->pcap);
		link = (unsigned)s->link;
		with_can = lull_link_is_can(link);
		if (s->link == DLT_CAN_SOCKETCAN || s->link == DLT_LINUX_SLL)
			(void)lull_capture_bus_number(c, 0);
	}
	return with_can ? 0 : wrong_link(c, link, err, err_size);
memory:
	snprintf(err, err_size, "%s: out of memory", c->name);
	return -ENOMEM;
}
