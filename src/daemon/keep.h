/* SPDX-License-Identifier: GPL-3.0-or-later */
/* keep: every frame, where keep-frames = all: captures beside the recording, pcap with the SocketCAN link type, compressed with zstd, one
 * series of files for each bus: NIGHT.BUS.0001.pcap.zst. A file ends after 64 MB of frames. When all that this recorder made
 * (keep_list.h) is more than the limit, the oldest of it goes; when the disk has little room left nothing is kept. What was
 * flushed survives whatever comes: a cut file reads up to there. */
#ifndef LULL_DAEMON_KEEP_H
#define LULL_DAEMON_KEEP_H

#include <daemon/wall.h>
#include <lull/frame.h>
#include <source/config.h>

struct lull_keep_files;

/* recording: path of the recording that they belong to. NULL: out of memory. */
struct lull_keep_files *lull_keep_open(const struct lull_config *, const char *recording, const struct lull_moment *);
/* t: CLOCK_BOOTTIME. Trouble with the disk is told once and ends the keeping until lull_keep_flush() finds room again. */
void lull_keep_frame(struct lull_keep_files *, unsigned bus, const struct lull_frame *);
/* What is held goes to the disk; files over the limit go. Call with each batch. */
void lull_keep_flush(struct lull_keep_files *, const struct lull_moment *);
uint64_t lull_keep_bytes(const struct lull_keep_files *); /* written since the start */
void lull_keep_close(struct lull_keep_files *);

#endif
