/* SPDX-License-Identifier: GPL-3.0-or-later */
/* big_night: a night of 10 hours, 300 IDs of 30 nodes, 500 spells and 1.8 million current samples; how long judging and the HTML
 * report take, and how large that is. Prints: seconds of processor time for each, bytes. */
#include <errno.h>
#include <lull/observe.h>
#include <lull/verdict.h>
#include <math.h>
#include <report/report.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

enum { IDS = 300, NODES = 30, SPELLS = 500, HOURS = 10, RATE = 50 };

static double cpu(void)
{
	return (double)clock() / CLOCKS_PER_SEC;
}

static uint64_t seed = 88172645463325252u;

static double uniform(void)
{
	seed ^= seed << 13;
	seed ^= seed >> 7;
	seed ^= seed << 17;
	return (double)(seed >> 11) / 9007199254740992.0;
}

struct due {
	lull_time t;
	uint32_t id;
};

static int by_time(const void *x, const void *y)
{
	const lull_time a = ((const struct due *)x)->t, b = ((const struct due *)y)->t;

	return (a > b) - (a < b);
}

/* One spell: every node boots within 0.2 s and sends each of its IDs with a period of 0.1 to 1 s. */
static void spell(struct lull_observer *o, lull_time from, lull_time length)
{
	struct due *d = malloc((size_t)IDS * 200 * sizeof *d);
	size_t n = 0;

	if (!d)
		exit(1);
	for (uint32_t i = 0; i < IDS; i++) {
		const lull_time period = 100 * LULL_MS * (1 + i % 10);
		lull_time t = from + (i % NODES) * 6 * LULL_MS + (i / NODES) * LULL_MS + (lull_time)(uniform() * 2e5);

		for (; t < from + length && n < (size_t)IDS * 200; t += period)
			d[n++] = (struct due){t + (lull_time)(uniform() * 1e5), 0x100 + i};
	}
	qsort(d, n, sizeof *d, by_time);
	for (size_t i = 0; i < n; i++) {
		struct lull_frame f = {.t = d[i].t, .id = d[i].id, .len = 8};

		if (lull_observer_frame(o, &f))
			exit(1);
	}
	free(d);
}

static void current(struct lull_night *night)
{
	enum { CHUNK = 300 * RATE, CHUNKS = HOURS * 12 };

	night->clamp = (struct lull_clamp){.present = true, .mV_per_A = NAN, .range_A = NAN, .zero_before_mA = 0, .zero_after_mA = 0, .logger_mA = NAN, .live = true,
		.samples = (uint64_t)CHUNK * CHUNKS};
	night->chunks.at = calloc(CHUNKS, sizeof *night->chunks.at);
	if (!night->chunks.at)
		exit(1);
	night->chunks.n = night->chunks.room = CHUNKS;
	for (int64_t i = 0; i < CHUNKS; i++) {
		struct lull_chunk *c = &night->chunks.at[i];

		*c = (struct lull_chunk){.tau_ns = i * 300 * LULL_SEC, .step_ns = LULL_SEC / RATE, .count = CHUNK, .uA = malloc(CHUNK * sizeof *c->uA)};
		if (!c->uA)
			exit(1);
		for (uint32_t k = 0; k < CHUNK; k++) {
			const double s = (double)i * 300 + (double)k / RATE, in = fmod(s, 72);

			c->uA[k] = (int32_t)(25000 + 4000 * (uniform() + uniform() - 1) + (in < 4 ? 900000 : 0));
		}
	}
}

int main(void)
{
	static struct lull_night night;
	static struct lull_verdict v;
	struct lull_question q = lull_question_default();
	struct lull_sink sink;
	struct lull_observer *o;
	char *html = NULL;
	size_t size = 0;
	double judged, shown;
	FILE *out;

	lull_night_init(&night);
	sink = lull_night_sink(&night);
	o = lull_observer_new(&sink);
	if (!o || lull_observer_bus(o, "can0", 500000, 0) < 0)
		return 1;
	for (lull_time i = 0; i < SPELLS; i++)
		spell(o, 2 * LULL_SEC + i * 72 * LULL_SEC, i ? 4 * LULL_SEC : 60 * LULL_SEC);
	if (lull_observer_finish(o, (lull_time)HOURS * 3600 * LULL_SEC))
		return 1;
	lull_observer_free(o);
	current(&night);
	q.key_off = 30 * LULL_SEC;
	if (lull_night_sort(&night))
		return 1;
	judged = cpu();
	if (lull_judge(&night, &q, &v))
		return 1;
	judged = cpu() - judged;
	out = open_memstream(&html, &size);
	shown = cpu();
	if (!out || lull_report_html(out, &night, &v, NULL) || fclose(out))
		return 1;
	shown = cpu() - shown;
	printf("%.3f %.3f %zu %zu %zu\n", judged, shown, size, v.ids.n, v.spells.n);
	free(html);
	lull_verdict_clear(&v);
	lull_night_clear(&night);
	return 0;
}
