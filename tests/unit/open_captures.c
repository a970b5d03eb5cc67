/* SPDX-License-Identifier: GPL-3.0-or-later */
/* open_captures: frames of the open captures beside the project, for tests of the core. */
#include "open_captures.h"

#include <source/libpcap.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

void frame_list_add(struct frame_list *list, const struct lull_frame *frame)
{
	if (list->n == list->room) {
		list->room = list->room ? 2 * list->room : 1024;
		list->at = realloc(list->at, list->room * sizeof(*list->at));
		if (!list->at)
			abort();
	}
	list->at[list->n++] = *frame;
}

void frame_list_clear(struct frame_list *list)
{
	free(list->at);
	*list = (struct frame_list){0};
}

static bool data_path(const char *name, char *path, size_t size)
{
	const char *shared = getenv("LULL_SHARED");

	snprintf(path, size, "%s/data/%s", shared ? shared : "../shared", name);
	if (access(path, R_OK) == 0)
		return true;
	printf("# SKIP: there is no %s (open data; set LULL_SHARED)\n", path);
	return false;
}

static bool volvo_line(const char *line, struct lull_frame *frame)
{
	char *end;
	double t = strtod(line, &end);

	if (*end != ',')
		return false;
	unsigned long id = strtoul(end + 1, &end, 16);

	if (*end != ',')
		return false;
	unsigned long bits = strtoul(end + 1, &end, 10);

	if (*end != ',' || bits > 64 || id > LULL_ID_BITS)
		return false;
	const char *hex = end + 1;

	*frame = (struct lull_frame){.t = (int64_t)(t * 1e6 + 0.5) * LULL_US, .id = (uint32_t)id, .len = (uint8_t)(bits / 8)};
	for (unsigned i = 0; i < frame->len && hex[2 * i] && hex[2 * i + 1]; i++) {
		const char two[3] = {hex[2 * i], hex[2 * i + 1], 0};

		frame->data[i] = (uint8_t)strtoul(two, NULL, 16);
	}
	return true;
}

bool open_capture_volvo(struct frame_list *list)
{
	char path[512], command[600], line[512];

	if (!data_path("volvo_v40/V40_03.can.zip", path, sizeof(path)))
		return false;
	snprintf(command, sizeof(command), "unzip -p '%s'", path);
	FILE *in = popen(command, "r"); /* NOLINT(cert-env33-c): a test, of a path of ours */

	if (!in)
		return false;
	while (fgets(line, sizeof(line), in)) {
		struct lull_frame frame;

		if (volvo_line(line, &frame))
			frame_list_add(list, &frame);
	}
	if (pclose(in) != 0 || !list->n) {
		printf("# SKIP: `unzip -p` cannot read %s\n", path);
		return false;
	}
	return true;
}

bool open_capture_pcap(const char *name, struct frame_list *list)
{
	char path[512], err[PCAP_ERRBUF_SIZE];
	struct pcap_pkthdr *head;
	const u_char *bytes;

	if (!data_path(name, path, sizeof(path)))
		return false;
	pcap_t *pcap = pcap_open_offline_with_tstamp_precision(path, PCAP_TSTAMP_PRECISION_NANO, err);

	if (!pcap)
		return false;
	while (pcap_next_ex(pcap, &head, &bytes) == 1) {
		uint32_t raw;

		if (head->caplen < 8)
			continue;
		raw = (uint32_t)bytes[0] << 24 | (uint32_t)bytes[1] << 16 | (uint32_t)bytes[2] << 8 | bytes[3];
		struct lull_frame frame = {
			.t = (int64_t)head->ts.tv_sec * LULL_SEC + head->ts.tv_usec,
			.id = raw & 0x80000000u ? raw & 0x9fffffffu : raw & 0x7ffu,
			.flags = (uint8_t)((raw & 0x40000000u ? LULL_FRAME_REMOTE : 0) | (raw & 0x20000000u ? LULL_FRAME_ERROR : 0)),
			.len = bytes[4] <= 8 ? bytes[4] : 8,
		};

		if (head->caplen >= 8u + frame.len)
			memcpy(frame.data, bytes + 8, frame.len);
		frame_list_add(list, &frame);
	}
	pcap_close(pcap);
	return list->n > 0;
}
