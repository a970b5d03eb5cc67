/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuzz_lineup: any two recordings. No crash, and no number that is none where the header does not say so.
 * Input: records of 9 bytes, a kind and a value. Kinds make samples, steps, edges, loads; some take the value as it is,
 * any double, some as a small number after the one before, which reaches further. Recordings are hours long and their
 * events few, so that an input takes milliseconds; a kind of 128 and above takes any value there is. */
#include <lull/current.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#define MOST 512 /* samples */
#define FEW 32 /* steps, edges, loads */
#define HOURS 2e4 /* s */

struct made {
	double s[MOST];
	float mA[MOST];
	struct lull_series series;
	struct lull_current_step steps[FEW];
	struct lull_bus_edge edges[FEW];
	struct lull_known_load loads[FEW];
	struct lull_lineup_input in;
	double sample_at, step_at, edge_at, level;
};

/* Any number that is none stays so. */
static double hours(double any)
{
	return isfinite(any) ? fmod(any, HOURS) : any;
}

static void add_sample(struct made *m, double s, double mA)
{
	if (m->series.n == MOST)
		return;
	m->sample_at = s;
	m->s[m->series.n] = s;
	m->mA[m->series.n++] = (float)fmax(-1e38, fmin(1e38, mA));
}

static void add_step(struct made *m, double s, double to)
{
	if (m->in.step_count == FEW)
		return;
	m->step_at = s;
	m->steps[m->in.step_count++] = (struct lull_current_step){s, m->level, to, 1};
	m->level = to;
}

static void add_edge(struct made *m, lull_time t, bool up, double weight)
{
	if (m->in.edge_count < FEW)
		m->edges[m->in.edge_count++] = (struct lull_bus_edge){t, up, weight};
}

static void add_load(struct made *m, lull_time t, double mA)
{
	if (m->in.load_count < FEW)
		m->loads[m->in.load_count++] = (struct lull_known_load){t, mA};
}

static void take(struct made *m, uint8_t kind, const uint8_t value[8])
{
	double any;
	int64_t whole;
	int16_t small[4];

	memcpy(&any, value, 8);
	memcpy(&whole, value, 8);
	memcpy(small, value, 8);
	double after = 0.1 * fabs((double)small[0]), mA = small[1];

	if (kind < 128) {
		any = hours(any);
		whole %= (int64_t)HOURS * LULL_SEC;
	}

	switch (kind % 16) {
	case 0: m->in.end = whole; break;
	case 1: m->in.end = (lull_time)(uint16_t)small[0] * LULL_SEC; break;
	case 2: m->in.dated_start_s = any; break;
	case 3:
		if (kind & 16)
			m->in.key_room_s = any;
		else
			m->series.step_s = any;
		break;
	case 4: add_step(m, any, mA); break;
	case 5: add_step(m, m->step_at, any); break;
	case 6:
	case 7: add_step(m, m->step_at + after, mA); break;
	case 8: add_edge(m, whole, kind & 16, 1); break;
	case 9: add_edge(m, (lull_time)(m->edge_at * 1e9), kind & 16, any); break;
	case 10:
	case 11:
		m->edge_at += after;
		add_edge(m, (lull_time)(m->edge_at * 1e9), kind & 16, kind & 32 ? 0.3 : 1);
		break;
	case 12: add_sample(m, any, mA); break;
	case 13: /* a level */
		for (int i = 0; i < small[2] % 64; i++)
			add_sample(m, m->sample_at + (kind & 16 ? 0.5 : 1 + after), mA + i % 2);
		break;
	case 14: /* the known load */
		for (int i = 0; i < 40; i++)
			add_sample(m, m->sample_at + 1,
				mA + ((i >= 10 && i < 17) || (i >= 20 && i < 25) ? small[2] : 0));
		break;
	case 15:
		add_load(m, kind & 16 ? whole : (lull_time)small[0] * LULL_SEC, kind & 32 ? any : small[1]);
		break;
	}
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	struct made *m = calloc(1, sizeof(*m));
	struct lull_lineup out;

	if (!m)
		return 0;
	m->series.s = m->s;
	m->series.mA = m->mA;
	m->series.step_s = 1;
	m->in = (struct lull_lineup_input){.steps = m->steps,
		.edges = m->edges,
		.loads = m->loads,
		.end = 3600 * LULL_SEC,
		.dated_start_s = NAN};
	for (size_t i = 0; i + 9 <= size; i += 9)
		take(m, data[i], data + i + 1);
	m->in.series = m->series.n ? &m->series : NULL;
	if (!lull_line_up(&m->in, &out)) {
		if (!isfinite(out.start_s) || !isfinite(out.drift_ppm) || !isfinite(out.error_s) ||
			!(out.confidence >= 0) || out.confidence > 1 || isinf(out.other_start_s) ||
			isinf(out.scale) || (out.paired && out.confidence < 0.5) || !out.why[0] ||
			!memchr(out.why, 0, sizeof(out.why)))
			abort();
	}
	free(m);
	return 0;
}
