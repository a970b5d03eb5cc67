/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stream: the bytes of a file or of memory, gzip and zstd read through. A damaged or cut compressed stream
 * gives everything before the damage, then ends and says why. */
#ifndef LULL_SOURCE_STREAM_H
#define LULL_SOURCE_STREAM_H

#include <lull/terms.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

struct lull_stream;

/* How much of the head can be looked at before it is read. */
#define LULL_STREAM_HEAD 65536

/* Regular files, pipes and devices. NULL: *error_number says why. */
struct lull_stream *lull_stream_open(const char *path, int *error_number);
/* The bytes stay the caller's. NULL: out of memory. */
struct lull_stream *lull_stream_open_memory(const void *bytes, size_t size);
void lull_stream_close(struct lull_stream *);

/* Looks at up to LULL_STREAM_HEAD bytes without consuming them; only before the first read. Valid until
 * the first read. */
size_t lull_stream_head(struct lull_stream *, const uint8_t **bytes);
/* Up to n uncompressed bytes; 0: end or damage. */
size_t lull_stream_read(struct lull_stream *, void *buffer, size_t n);
/* NULL, or what ended the stream early. */
const char *lull_stream_damage(const struct lull_stream *);
/* XXH3-128 of all uncompressed bytes, in its canonical order: reads what is left first. A damaged compressed stream counts up to
 * the damage. */
#define LULL_DIGEST 16
void lull_stream_digest(struct lull_stream *, uint8_t out[LULL_DIGEST]);
/* The reader of lull_stream_plain() has come this far: bytes up to here are hashed while they are at hand. */
void lull_stream_follow(struct lull_stream *, uint64_t to);
/* Share of the (compressed) file read, -1 unknown. */
double lull_stream_progress(const struct lull_stream *);
/* Size of the file in bytes, -1 unknown. */
int64_t lull_stream_size(const struct lull_stream *);

/* A stdio view for readers that want one. The stream must outlive it. NULL: out of memory. */
FILE *lull_stream_stdio(struct lull_stream *);
/* The file itself, from its first byte, where it is an uncompressed regular file: the fast path. NULL if it
 * is not (or on any failure: then use lull_stream_stdio()). */
FILE *lull_stream_plain(struct lull_stream *);

#endif
