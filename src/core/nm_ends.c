/* SPDX-License-Identifier: GPL-3.0-or-later */
/* nm_ends: does everything end a constant time after the last network-management frame? Pure.
 *
 * With network management all others stop together, the timeout after the last request, or with the sleep acknowledge: within
 * one NM cycle it is the same time at each end. IDs that only look like network management have no such thing. */
#include "core/case.h"

#include <stdlib.h>

#define SILENCE (5 * LULL_SEC) /* so long a silence is an end */
#define REACH (60 * LULL_SEC)
#define SLACK (250 * LULL_MS) /* the last of the others need not be sent at once */

static int by_length(const void *a, const void *b)
{
	lull_time x = *(const lull_time *)a, y = *(const lull_time *)b;
	return x < y ? -1 : x > y;
}

static lull_time cycle_of(const struct lull_case *c, const struct nm_family *family)
{
	double most = 100;
	for (size_t i = 0; i < family->members.n; i++) {
		double ms = c->v->ids.at[family->members.at[i].ident].period_ms;
		if (ms > most && ms < 5000)
			most = ms;
	}
	return (lull_time)(most * 1e6);
}

/* Of all ends of the family's bus that were seen, how long after its last frame; how many. */
static size_t find_delays(const struct lull_case *c, const struct nm_family *family, lull_time *delay)
{
	size_t n = 0;
	for (size_t i = 0; i < c->night->gaps.n; i++) {
		const struct lull_gap *gap = &c->night->gaps.at[i];
		lull_time next = gap->next == LULL_NEVER ? c->night->end : gap->next, last = LULL_NEVER;
		if (gap->bus != family->bus || gap->last == LULL_NEVER || next - gap->last < SILENCE ||
			!case_is_observed(&c->observed[gap->bus], gap->last, gap->last + SILENCE))
			continue;
		for (size_t k = 0; k < family->members.n; k++) {
			lull_time t = case_last_in(c, family->members.at[k].ident, gap->last - REACH, gap->last);
			if (t > last)
				last = t;
		}
		if (last != LULL_NEVER)
			delay[n++] = gap->last - last;
	}
	return n;
}

bool case_nm_ends(struct lull_case *c, struct nm_family *family)
{
	lull_time *delay = malloc((c->night->gaps.n + 1) * sizeof *delay);
	if (!delay) {
		c->oom = true;
		return true;
	}
	size_t n = family->ends = find_delays(c, family, delay);
	if (n < 2) {
		free(delay);
		return true;
	}
	qsort(delay, n, sizeof *delay, by_length);
	lull_time middle = delay[n / 2], reach = cycle_of(c, family) + SLACK;
	size_t agree = 0;
	for (size_t i = 0; i < n; i++)
		agree += delay[i] >= middle - reach && delay[i] <= middle + reach;
	free(delay);
	family->ends_agree = agree;
	family->delay = middle;
	return agree * 3 >= n * 2;
}
