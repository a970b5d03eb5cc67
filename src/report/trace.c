/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trace: millions of samples as so many columns, each with its least and greatest value. */
#include <errno.h>
#include <math.h>
#include <report/trace.h>
#include <stdlib.h>

static void take(struct lull_trace *t, uint32_t *count, double column, double mA)
{
	if (!(column >= 0) || column >= t->columns)
		return;
	const unsigned i = (unsigned)column;
	const float x = (float)mA;

	t->least[i] = fminf(t->least[i], x);
	t->most[i] = fmaxf(t->most[i], x);
	t->lowest = fminf(t->lowest, x);
	t->highest = fmaxf(t->highest, x);
	t->mean[i] = count[i]++ ? t->mean[i] + (x - t->mean[i]) / (float)count[i] : x;
}

int lull_trace_make(const struct lull_night *night, const struct lull_verdict *v, lull_time from, lull_time to, unsigned columns,
	struct lull_trace *t)
{
	const struct lull_correction *k = &v->current.correction;

	*t = (struct lull_trace){.columns = columns, .lowest = NAN, .highest = NAN};
	t->least = malloc(columns * sizeof *t->least);
	t->most = malloc(columns * sizeof *t->most);
	t->mean = malloc(columns * sizeof *t->mean);
	uint32_t *count = calloc(columns, sizeof *count);
	if (!t->least || !t->most || !t->mean || !count) {
		free(count);
		lull_trace_clear(t);
		return -ENOMEM;
	}
	for (unsigned i = 0; i < columns; i++)
		t->least[i] = t->most[i] = t->mean[i] = NAN;
	const double per_s = columns / ((double)(to - from) / 1e9);
	for (size_t i = 0; i < night->chunks.n; i++) {
		const struct lull_chunk *c = &night->chunks.at[i];

		for (uint32_t n = 0; n < c->count; n++) {
			if (c->uA[n] == LULL_NO_SAMPLE)
				continue;
			const double s = ((double)c->tau_ns + (double)c->step_ns * n) / 1e9;

			take(t, count, (lull_correction_time_s(k, s) - (double)from / 1e9) * per_s, lull_correction_mA(k, c->uA[n] / 1e3, s));
		}
	}
	free(count);
	return 0;
}

void lull_trace_clear(struct lull_trace *t)
{
	free(t->least);
	free(t->most);
	free(t->mean);
	t->least = t->most = t->mean = NULL;
}
