/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pulls: what a bus did at the instant of an unplug test, shared by pulls and pulls_stop. Pure. */
#ifndef LULL_CORE_PULLS_H
#define LULL_CORE_PULLS_H

#include "core/case.h"

#define PULL_EARLY (10 * LULL_SEC) /* a mark is typed before or after the pull itself */
#define PULL_LATE (30 * LULL_SEC)

/* The stop of one ID. It fell silent between its last frame and the time when the next was due. */
struct stop {
	size_t ident;
	lull_time last, period;
	bool ended; /* within the reach of the mark; else it goes on */
};

struct test {
	struct lull_pull *p;
	lull_time until; /* the next mark of any test: what is judged ends there */
	lull_time quiet; /* last frame of the spell if quiet was seen after it; LULL_NEVER */
	struct stop *stop; /* of all IDs running on the bus */
	size_t n;
	int told; /* the node that the mark names; -1 */
	lull_time cut_from, cut_to; /* earliest and latest instant of the pull, by what ended */
	int named, named_too; /* nodes with a name of their own that can have ended with it, beside the told one; -1 */
	bool unsure; /* so many followers stop so soon after it that they cannot be told from it */
};

/* All IDs of the bus that ran when the mark's reach began. t->stop holds room for every ID. */
void pull_find_stops(const struct lull_case *, struct test *);
/* The IDs that ended at one instant, into p->ids and p->unclear; sets the rest of the test. */
void pull_find_ended(struct lull_case *, struct test *);
/* Latest instant at which this ID can have fallen silent. */
lull_time pull_cut_by(const struct stop *);
int pull_owner(const struct lull_case *, const struct stop *);
/* An ID that had ended before any of the told node's: that node followed, it did not lead. */
const struct stop *pull_ended_before(const struct lull_case *, const struct test *);
/* All that ran can have ended at one instant, it was more than one node, and no ring said that it goes to sleep. */
bool pull_all_at_once(struct lull_case *, const struct test *);
/* Has a name that does not come from timing or from a test. */
bool pull_has_name(struct lull_case *, int node);

#endif
