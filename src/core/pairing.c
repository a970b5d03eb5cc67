/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pairing: what is the same in two nights. Pure. */
#include "core/pairing.h"

#include <string.h>

int pairing_bus(const struct lull_night *night, unsigned bus, const struct lull_night *other)
{
	if (bus >= night->bus_count)
		return -1;
	for (unsigned b = 0; b < other->bus_count; b++)
		if (!strcmp(night->bus[bus].name, other->bus[b].name))
			return (int)b;
	return night->bus_count == 1 && other->bus_count == 1 ? 0 : -1;
}

bool pairing_ids(const uint32_t *a, size_t n, const uint32_t *b, size_t m)
{
	for (size_t i = 0; i < n; i++)
		for (size_t k = 0; k < m; k++)
			if (a[i] == b[k])
				return true;
	return false;
}

int pairing_node(const struct lull_verdict *v, int node, const struct lull_verdict *other, int other_bus)
{
	if (node < 0 || (size_t)node >= v->nodes.n || other_bus < 0)
		return -1;
	const struct lull_node *x = &v->nodes.at[node];
	for (size_t i = 0; i < other->nodes.n; i++) {
		const struct lull_node *y = &other->nodes.at[i];
		bool named = x->named_by == LULL_BY_PROFILE && y->named_by == LULL_BY_PROFILE;
		bool same = named ? !strcmp(x->name, y->name) : pairing_ids(x->ids, x->id_count, y->ids, y->id_count);
		if (y->bus == other_bus && same)
			return (int)i;
	}
	return -1;
}

int pairing_sender(const struct lull_verdict *v, unsigned bus, uint32_t id)
{
	for (size_t i = 0; i < v->nodes.n; i++)
		if (v->nodes.at[i].bus == bus && pairing_ids(&id, 1, v->nodes.at[i].ids, v->nodes.at[i].id_count))
			return (int)i;
	return -1;
}

size_t pairing_shared(const struct lull_night *night, const struct lull_verdict *v, const struct lull_night *other,
	const struct lull_verdict *w)
{
	size_t shared = 0;
	for (size_t i = 0; i < v->ids.n; i++) {
		int bus = pairing_bus(night, v->ids.at[i].bus, other);
		for (size_t k = 0; k < w->ids.n && bus >= 0; k++)
			if (w->ids.at[k].bus == bus && w->ids.at[k].id == v->ids.at[i].id) {
				shared++;
				break;
			}
	}
	return shared;
}
