/* SPDX-License-Identifier: GPL-3.0-or-later */
/* make_capture: writes a long pcap of one bus held awake: 300 cyclic IDs of an invented car at 500 kbit/s.
 * usage: make_capture FRAMES FILE */
#include <arpa/inet.h>
#include <errno.h>
#include <source/libpcap.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define IDS 300
#define BIT_NS 2000 /* 500 kbit/s */

struct sender {
	int64_t due; /* ns */
	int64_t period; /* ns, on the sender's own clock */
	uint32_t id;
	uint8_t payload[8];
};

static uint64_t random_state = 20260305;

/* xorshift64*: the same capture on every machine. */
static uint32_t random32(void)
{
	random_state ^= random_state >> 12;
	random_state ^= random_state << 25;
	random_state ^= random_state >> 27;
	return (uint32_t)((random_state * UINT64_C(2685821657736338717)) >> 32);
}

static void sift(struct sender *heap, size_t n, size_t i)
{
	for (;;) {
		size_t least = i;
		for (size_t child = 2 * i + 1; child <= 2 * i + 2 && child < n; child++)
			if (heap[child].due < heap[least].due)
				least = child;
		if (least == i)
			return;
		struct sender swap = heap[i];
		heap[i] = heap[least];
		heap[least] = swap;
		i = least;
	}
}

/* Periods as cars have them: few fast IDs, many slow ones; some 2,300 frames/s in all. */
static void invent(struct sender *senders)
{
	static const struct {
		unsigned count, ms;
	} mix[] = {{6, 10}, {28, 20}, {6, 40}, {20, 100}, {40, 200}, {80, 500}, {120, 1000}};
	size_t n = 0;
	for (size_t m = 0; m < sizeof mix / sizeof *mix; m++) {
		for (unsigned k = 0; k < mix[m].count; k++, n++) {
			struct sender *s = &senders[n];
			int64_t nominal = (int64_t)mix[m].ms * 1000000;
			int64_t ppm = (int64_t)(random32() % 201) - 100;
			s->period = nominal + nominal * ppm / 1000000;
			s->due = (int64_t)(random32() % 1000) * nominal / 1000;
			s->id = 0x080 + (uint32_t)n * 5;
			for (size_t b = 0; b < sizeof s->payload; b++)
				s->payload[b] = (uint8_t)random32();
		}
	}
}

int main(int argc, char **argv)
{
	char *end;
	uint64_t frames = argc == 3 ? strtoull(argv[1], &end, 10) : 0;
	if (argc != 3 || *end || !frames) {
		fprintf(stderr, "usage: make_capture FRAMES FILE\n");
		return 2;
	}
	pcap_t *pcap = pcap_open_dead(DLT_CAN_SOCKETCAN, 72);
	pcap_dumper_t *out = pcap ? pcap_dump_open(pcap, argv[2]) : NULL;
	if (!out) {
		fprintf(stderr, "make_capture: %s\n", pcap ? pcap_geterr(pcap) : strerror(ENOMEM));
		return 1;
	}
	struct sender heap[IDS];
	invent(heap);
	for (size_t i = IDS / 2; i-- > 0;)
		sift(heap, IDS, i);

	const int64_t start_s = 1772750000;
	int64_t bus_free = 0;
	for (uint64_t f = 0; f < frames; f++) {
		struct sender *s = &heap[0];
		s->payload[0]++; /* a counter, as many IDs carry one */
		if (f % 7 == 0)
			s->payload[3] = (uint8_t)random32();
		/* 111 bits and the stuff bits of an ordinary payload; a receiver stamps the end of a frame. */
		int64_t begin = s->due > bus_free ? s->due : bus_free;
		bus_free = begin + (118 + (int64_t)(s->payload[0] % 8)) * BIT_NS;
		uint8_t packet[16] = {0};
		uint32_t id = htonl(s->id);
		memcpy(packet, &id, sizeof id);
		packet[4] = 8;
		memcpy(packet + 8, s->payload, 8);
		struct pcap_pkthdr header = {.caplen = sizeof packet, .len = sizeof packet};
		header.ts.tv_sec = start_s + bus_free / 1000000000;
		header.ts.tv_usec = bus_free % 1000000000 / 1000;
		pcap_dump((u_char *)out, &header, packet);
		s->due += s->period;
		sift(heap, IDS, 0);
	}
	int failed = pcap_dump_flush(out) != 0 || ferror(pcap_dump_file(out));
	pcap_dump_close(out);
	pcap_close(pcap);
	if (failed) {
		fprintf(stderr, "make_capture: %s: could not be written whole\n", argv[2]);
		return 1;
	}
	printf("%.1f\n", (double)bus_free / 3.6e12);
	return 0;
}
