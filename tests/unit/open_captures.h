/* SPDX-License-Identifier: GPL-3.0-or-later */
/* open_captures: frames of the open captures beside the project, for tests of the core. */
#ifndef LULL_TESTS_OPEN_CAPTURES_H
#define LULL_TESTS_OPEN_CAPTURES_H

#include <lull/night.h>

struct frame_list {
	struct lull_frame *at;
	size_t n, room;
};

/* False, with a line that says so, where the data folder ($LULL_SHARED or ../shared) or the file is absent. */
bool open_capture_volvo(struct frame_list *); /* volvo_v40/V40_03.can.zip, through `unzip -p` */
bool open_capture_pcap(const char *name, struct frame_list *); /* "nmea2000/can0-1.pcap"; stamps ns since 1970 */
void frame_list_add(struct frame_list *, const struct lull_frame *);
void frame_list_clear(struct frame_list *);

#endif
