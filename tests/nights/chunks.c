/* SPDX-License-Identifier: GPL-3.0-or-later */
/* chunks: a clamp log's samples on their grid, by the rule of lull/current.h: a sample that lies more than half a step
 * off begins a new chunk, and none is longer than 300 s. */
#include "nights.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define CHUNK_NS (300 * LULL_SEC)

int chunker_take(struct chunker *c, const struct lull_sim_sample *sample)
{
	if (c->n == c->room) {
		size_t room = c->room ? 2 * c->room : 4096;
		struct lull_sim_sample *at = reallocarray(c->at, room, sizeof *at);

		if (!at)
			return -ENOMEM;
		c->at = at;
		c->room = room;
	}
	c->at[c->n++] = *sample;
	return 0;
}

void chunker_clear(struct chunker *c)
{
	free(c->at);
	*c = (struct chunker){ 0 };
}

static int by_size(const void *a, const void *b)
{
	const double *x = a, *y = b;

	return (*x > *y) - (*x < *y);
}

/* The middle distance of the first samples; holes are rare. */
static int64_t usual_step(const struct chunker *c)
{
	double d[1001];
	size_t n = 0;

	for (size_t i = 1; i < c->n && n < sizeof d / sizeof *d; i++)
		d[n++] = c->at[i].clamp_s - c->at[i - 1].clamp_s;
	if (!n)
		return LULL_SEC;
	qsort(d, n, sizeof *d, by_size);
	return (int64_t)llround(1e9 * d[n / 2]);
}

int chunker_give(const struct chunker *c, double mV_per_A, const struct lull_sink *sink)
{
	int64_t step = usual_step(c);
	uint32_t most = (uint32_t)(CHUNK_NS / step) + 1;
	struct lull_chunk chunk = { .step_ns = step, .uA = malloc(most * sizeof(int32_t)) };
	int err = chunk.uA ? 0 : -ENOMEM;

	for (size_t i = 0; i < c->n && !err; i++) {
		int64_t tau = (int64_t)llround(1e9 * (c->at[i].clamp_s - c->at[0].clamp_s));
		int64_t off = tau - chunk.tau_ns - (int64_t)chunk.count * step;

		if (chunk.count == most || (chunk.count && (off > step / 2 || off < -step / 2))) {
			err = sink->chunk(sink->ctx, &chunk);
			chunk.count = 0;
		}
		if (!chunk.count)
			chunk.tau_ns = tau;
		chunk.uA[chunk.count++] = (int32_t)lround(c->at[i].mV / mV_per_A * 1e6);
	}
	if (!err && chunk.count)
		err = sink->chunk(sink->ctx, &chunk);
	free(chunk.uA);
	return err;
}
