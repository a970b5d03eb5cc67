/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuzz_capture: any bytes as a capture: pcap, pcapng, text log, CSV, and gzip or zstd around them. */
#include <source/capture.h>

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* More frames than any seed holds: packed input may unfold without end. */
#define FRAMES_MAX 2000000

static void check(const struct lull_capture *c, const struct lull_frame *f)
{
	if (f->len > sizeof f->data || f->bus >= lull_capture_bus_count(c))
		abort();
	if (!(f->flags & LULL_FRAME_FD) && f->len > 8)
		abort();
	if (f->id & ~(LULL_ID_EXTENDED | LULL_ID_BITS))
		abort();
	if (!(f->id & LULL_ID_EXTENDED) && !(f->flags & LULL_FRAME_ERROR) && f->id > 0x7ff)
		abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	static struct lull_frame frames[64];
	static const struct lull_csv_columns columns = {
		.time = "2", .id = "id", .data = "3-6", .bus = "where", .unit = LULL_UNIT_US};
	char err[256];
	/* The last byte chooses whether anything is told about the file. */
	const unsigned told = size ? data[size - 1] & 3 : 0;
	struct lull_capture *c = lull_capture_open_memory(
		data, size, told & 1 ? "body" : NULL, told & 2 ? &columns : NULL, err, sizeof err);
	if (!c) {
		if (!memchr(err, 0, sizeof err) || !err[0])
			abort();
		return 0;
	}
	size_t n, total = 0;
	while ((n = lull_capture_read(c, frames, sizeof frames / sizeof *frames)) > 0 && total < FRAMES_MAX) {
		if (n > sizeof frames / sizeof *frames)
			abort();
		for (size_t i = 0; i < n; i++)
			check(c, &frames[i]);
		total += n;
		const double progress = lull_capture_progress(c);
		if (progress > 1 || (progress < 0 && progress > -1))
			abort();
	}
	const char *sentence;
	if (lull_capture_skipped(c, &sentence) && !sentence)
		abort();
	for (unsigned i = 0; i < lull_capture_bus_count(c); i++) {
		if (!lull_capture_bus_name(c, i)[0])
			abort();
	}
	lull_capture_close(c);
	return 0;
}
