/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pairing: what is the same bus, ID and node in two nights of one car or of its sister. Pure. */
#ifndef LULL_CORE_PAIRING_H
#define LULL_CORE_PAIRING_H

#include <lull/verdict.h>

/* The other night's bus of the same name, or the only one where each night has but one. -1: none. */
int pairing_bus(const struct lull_night *, unsigned bus, const struct lull_night *other);
/* One list of IDs has one of the other's. */
bool pairing_ids(const uint32_t *a, size_t n, const uint32_t *b, size_t m);
/* Node `node` of v on the other night's bus: by its IDs, or by a name that a profile gave both. -1: none. */
int pairing_node(const struct lull_verdict *v, int node, const struct lull_verdict *other, int other_bus);
/* The node that sends this ID; -1. */
int pairing_sender(const struct lull_verdict *, unsigned bus, uint32_t id);
/* Standard and extended IDs that both have, on paired buses. */
size_t pairing_shared(const struct lull_night *, const struct lull_verdict *, const struct lull_night *other, const struct lull_verdict *);

#endif
