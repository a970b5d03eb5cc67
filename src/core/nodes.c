/* SPDX-License-Identifier: GPL-3.0-or-later */
/* nodes: who sends which IDs. Names come, in this order, from the profile, a source address, network management,
 * else the kin group. Pure. */
#include "core/case.h"
#include "core/kin.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int new_node(struct lull_case *c, unsigned bus, enum lull_named_by by, const char *name)
{
	struct lull_node node = { .bus = (uint8_t)bus,
		.named_by = by,
		.clock_ppm = NAN,
		.awake_mA = NAN,
		.awake_mA_error = NAN,
		.stop_mA = NAN,
		.stop_mA_error = NAN,
		.profile_node = -1,
		.nm_address = -1,
		.source_address = -1,
		.second_address = -1 };
	snprintf(node.name, sizeof node.name, "%s", name);
	CASE_PUSH(c, c->v->nodes, node);
	return c->oom ? -1 : (int)c->v->nodes.n - 1;
}

static void give(struct lull_case *c, int node, size_t ident)
{
	if (node < 0)
		return;
	struct lull_node *to = &c->v->nodes.at[node];
	uint32_t *grown = realloc(to->ids, (to->id_count + 1) * sizeof *grown);
	if (!grown) {
		c->oom = true;
		return;
	}
	to->ids = grown;
	to->ids[to->id_count++] = c->v->ids.at[ident].id;
	c->v->ids.at[ident].node = node;
}

static int profile_match(const struct lull_case *c, const struct lull_id_info *info)
{
	if (!c->profile)
		return -1;
	int best = -1;
	uint32_t best_mask = 0;
	for (size_t i = 0; i < c->profile->node_count; i++) {
		const struct lull_profile_node *node = &c->profile->nodes[i];
		if (node->bus[0] && strcmp(node->bus, c->night->bus[info->bus].name) != 0)
			continue;
		/* the narrowest mask wins */
		for (size_t k = 0; k < node->id_count; k++)
			if ((info->id & node->ids[k].mask) == node->ids[k].id && (best < 0 || node->ids[k].mask > best_mask)) {
				best = (int)i;
				best_mask = node->ids[k].mask;
			}
		if (best < 0 && node->source_address >= 0 && (info->id & LULL_ID_EXTENDED) &&
			(int)(info->id & 0xff) == node->source_address)
			best = (int)i;
	}
	return best;
}

static int node_with(const struct lull_case *c, unsigned bus, int profile_node, int source_address)
{
	for (size_t i = 0; i < c->v->nodes.n; i++) {
		const struct lull_node *node = &c->v->nodes.at[i];
		if (node->bus != bus)
			continue;
		if (profile_node >= 0 && node->profile_node == profile_node)
			return (int)i;
		if (source_address >= 0 && node->source_address == source_address)
			return (int)i;
	}
	return -1;
}

static void by_profile(struct lull_case *c, size_t ident)
{
	const struct lull_id_info *info = &c->v->ids.at[ident];
	int match = profile_match(c, info);
	if (match < 0)
		return;
	int node = node_with(c, info->bus, match, -1);
	if (node < 0) {
		node = new_node(c, info->bus, LULL_BY_PROFILE, c->profile->nodes[match].name);
		if (node < 0)
			return;
		c->v->nodes.at[node].profile_node = match;
		c->v->nodes.at[node].nm_address = c->profile->nodes[match].nm_address;
		c->v->nodes.at[node].source_address = c->profile->nodes[match].source_address;
	}
	give(c, node, ident);
}

/* Requests of a tester: one asker a bus, whoever it is. */
static void by_request(struct lull_case *c, unsigned bus)
{
	int node = -1;
	for (size_t i = 0; i < c->v->ids.n; i++) {
		struct lull_id_info *info = &c->v->ids.at[i];
		if (info->bus != bus || info->node >= 0 || !lull_id_is_request(info->id))
			continue;
		if (node < 0) {
			node = new_node(c, bus, LULL_BY_SOURCE_ADDRESS, "tester or device at the diagnostic port");
			if (node < 0)
				return;
			c->v->nodes.at[node].asker = true;
		}
		give(c, node, i);
	}
}

/* ISO 15765-2 normal fixed addressing (parameter groups 0xDA00 physical, 0xDB00 functional, priority 6): the target's address, then the
 * source's. Says so of itself, whatever the other IDs of the bus are. */
static bool normal_fixed(uint32_t id)
{
	uint32_t group = id & ~LULL_ID_EXTENDED & 0x1fff0000u;
	return (id & LULL_ID_EXTENDED) && (group == 0x18da0000u || group == 0x18db0000u);
}

/* Do the 29-bit IDs of this bus carry source addresses? An address claim (SAE J1939, PGN 0xEE00) says so; else many IDs from few
 * addresses. */
static bool has_source_addresses(const struct lull_case *c, unsigned bus)
{
	bool seen[256] = { false };
	size_t ids = 0, addresses = 0;
	for (size_t i = 0; i < c->v->ids.n; i++) {
		uint32_t id = c->v->ids.at[i].id;
		if (c->v->ids.at[i].bus != bus || !(id & LULL_ID_EXTENDED))
			continue;
		uint32_t format = (id >> 16) & 0xff;
		if (format == 0xee)
			return true;
		ids++;
		addresses += !seen[id & 0xff];
		seen[id & 0xff] = true;
	}
	return ids >= 4 && addresses * 3 <= ids * 2;
}

static void by_source_address(struct lull_case *c, unsigned bus)
{
	bool all = has_source_addresses(c, bus);
	for (size_t i = 0; i < c->v->ids.n; i++) {
		struct lull_id_info *info = &c->v->ids.at[i];
		if (info->bus != bus || info->node >= 0 || !(info->id & LULL_ID_EXTENDED) || !(all || normal_fixed(info->id)))
			continue;
		int address = (int)(info->id & 0xff);
		if (address >= 0xfe) /* none, or everybody: no sender */
			continue;
		const char *why = NULL;
		int home = case_home_address(c, bus, address, &why);
		int node = node_with(c, bus, -1, home);
		if (node < 0) {
			char name[LULL_NODE_NAME];
			snprintf(name, sizeof name, "source address 0x%02X", (unsigned)home);
			node = new_node(c, bus, LULL_BY_SOURCE_ADDRESS, name);
			if (node < 0)
				return;
			c->v->nodes.at[node].source_address = home;
		}
		if (home != address) {
			c->v->nodes.at[node].second_address = address;
			c->v->nodes.at[node].second_why = why;
		}
		give(c, node, i);
	}
}

#define ADDRESS_SURE 0.98
#define ADDRESS_SENT (10 * LULL_MIN) /* what stops and starts with the whole bus proves nothing: clocks do, in time */

/* In step, for all runs together. */
static lull_time sent_for(const struct lull_case *c, size_t ident)
{
	lull_time sum = 0;
	for (size_t i = 0; i < c->run_count[ident]; i++) {
		const struct lull_stretch *s = c->run[c->run_at[ident] + i];
		sum = case_longer(sum, s->kind == LULL_STRETCH_CYCLIC ? s->last - s->first : 0);
	}
	return sum;
}

/* Two IDs of each and more are in one group that holds no third node. */
static bool shares_group(const struct lull_case *c, const size_t *idents, const size_t *group, const double *sure, size_t n, int a, int b)
{
	for (size_t g = 0; g < n; g++) {
		size_t of_a = 0, of_b = 0, others = 0;
		for (size_t i = 0; i < n; i++) {
			if (group[i] != g || sure[i] < ADDRESS_SURE)
				continue;
			int node = c->v->ids.at[idents[i]].node;
			of_a += node == a;
			of_b += node == b;
			others += node != a && node != b;
		}
		if (of_a >= 2 && of_b >= 2 && !others)
			return true;
	}
	return false;
}

static void join_addresses(struct lull_case *c, int to, int from)
{
	struct lull_node *gone = &c->v->nodes.at[from];
	for (size_t i = 0; i < c->v->ids.n; i++)
		if (c->v->ids.at[i].node == from)
			give(c, to, i);
	c->v->nodes.at[to].second_address = gone->source_address;
	c->v->nodes.at[to].second_why = "their IDs run on one timer";
	free(gone->ids);
	size_t last = --c->v->nodes.n;
	for (size_t i = (size_t)from; i < last; i++)
		c->v->nodes.at[i] = c->v->nodes.at[i + 1];
	for (size_t i = 0; i < c->v->ids.n; i++)
		c->v->ids.at[i].node -= c->v->ids.at[i].node > from;
}

static bool one_address(const struct lull_node *n, unsigned bus)
{
	return n->bus == bus && n->named_by == LULL_BY_SOURCE_ADDRESS && !n->asker && n->second_address < 0;
}

/* Two addresses whose IDs timing puts into one group, and no third: one ECU. */
static void by_one_timer(struct lull_case *c, unsigned bus)
{
	size_t room = c->v->ids.n + 1, n = 0;
	size_t *idents = malloc(room * sizeof *idents), *group = malloc(room * sizeof *group);
	int *settled = malloc(room * sizeof *settled);
	double *sure = malloc(room * sizeof *sure);

	if (!idents || !group || !settled || !sure) {
		c->oom = true;
		goto out;
	}
	for (size_t i = 0; i < c->v->ids.n; i++) {
		int node = c->v->ids.at[i].node;
		if (c->v->ids.at[i].bus != bus || node < 0 || !one_address(&c->v->nodes.at[node], bus))
			continue;
		if (sent_for(c, i) < ADDRESS_SENT)
			continue;
		settled[n] = -1;
		idents[n++] = i;
	}
	if (n < 4)
		goto out;
	case_kin(c, idents, n, settled, group, sure);
	for (size_t a = 0; a < c->v->nodes.n && !c->oom; a++)
		for (size_t b = a + 1; b < c->v->nodes.n; b++)
			if (one_address(&c->v->nodes.at[a], bus) && one_address(&c->v->nodes.at[b], bus) &&
				shares_group(c, idents, group, sure, n, (int)a, (int)b)) {
				join_addresses(c, (int)a, (int)b);
				break;
			}
out:
	free(idents);
	free(group);
	free(settled);
	free(sure);
}

/* NM frames name their own sender. */
static void by_management(struct lull_case *c, unsigned bus)
{
	const struct nm_family *family = case_family(c, bus);
	for (size_t i = 0; family && i < family->members.n; i++) {
		const struct nm_member *member = &family->members.at[i];
		if (c->v->ids.at[member->ident].node >= 0)
			continue;
		char name[LULL_NODE_NAME];
		snprintf(name, sizeof name, "NM address 0x%02X", (unsigned)member->address);
		int node = new_node(c, bus, LULL_BY_NM, name);
		if (node < 0)
			return;
		c->v->nodes.at[node].nm_address = member->address;
		give(c, node, member->ident);
	}
}

void case_name_group(char name[static LULL_NODE_NAME], uint32_t id, size_t kin)
{
	char text[11];
	lull_id_text(id, text);
	if (kin > 1)
		snprintf(name, LULL_NODE_NAME, "sender of %s and %zu more", text, kin - 1);
	else
		snprintf(name, LULL_NODE_NAME, "sender of %s", text);
}

/* A ring's messages follow each other, not a timer of their own. */
static bool in_ring(const struct lull_case *c, size_t ident)
{
	for (size_t f = 0; f < c->families.n; f++)
		for (size_t i = 0; c->families.at[f].layout.kind == LULL_NM_OSEK && i < c->families.at[f].members.n; i++)
			if (c->families.at[f].members.at[i].ident == ident)
				return true;
	return false;
}

/* The rest: groups by timing. An ID whose timing proves it joins the node that an NM frame named. */
static void by_timing(struct lull_case *c, unsigned bus)
{
	size_t room = c->v->ids.n + 1, n = 0;
	size_t *idents = malloc(room * sizeof *idents), *group = malloc(room * sizeof *group);
	int *settled = malloc(room * sizeof *settled), *node_of = malloc(room * sizeof *node_of);
	double *sure = malloc(room * sizeof *sure);

	if (!idents || !group || !settled || !node_of || !sure) {
		c->oom = true;
		goto out;
	}
	for (size_t i = 0; i < c->v->ids.n; i++) {
		int node = c->v->ids.at[i].node;
		if (c->v->ids.at[i].bus == bus && (node < 0 || (c->v->nodes.at[node].named_by == LULL_BY_NM && !in_ring(c, i)))) {
			idents[n] = i;
			settled[n++] = node;
		}
	}
	case_kin(c, idents, n, settled, group, sure);
	for (size_t i = 0; i < n; i++)
		node_of[i] = -1;
	for (size_t i = 0; i < n; i++)
		if (settled[i] >= 0)
			node_of[group[i]] = settled[i];
	for (size_t i = 0; i < n && !c->oom; i++) {
		if (settled[i] >= 0)
			continue;
		if (node_of[group[i]] < 0) {
			char name[LULL_NODE_NAME];
			size_t kin = 0;
			for (size_t k = i; k < n; k++)
				kin += group[k] == group[i];
			case_name_group(name, c->v->ids.at[idents[i]].id, kin);
			node_of[group[i]] = new_node(c, bus, LULL_BY_TIMING, name);
		}
		give(c, node_of[group[i]], idents[i]);
	}
	for (size_t i = 0; i < n && !c->oom; i++) {
		size_t kin = 0;
		for (size_t k = 0; k < n; k++)
			kin += group[k] == group[i];
		if (kin < 2)
			continue;
		struct lull_node *node = &c->v->nodes.at[node_of[group[i]]];
		double kept = fmin(sure[i], 0.99); /* no invented night is a car */
		c->v->ids.at[idents[i]].kin = kept;
		node->kin = node->kin > 0 ? fmin(node->kin, kept) : kept;
	}
out:
	free(sure);
	free(idents);
	free(group);
	free(settled);
	free(node_of);
}

static int by_value(const void *a, const void *b)
{
	uint32_t x = *(const uint32_t *)a, y = *(const uint32_t *)b;
	return x < y ? -1 : x > y;
}

/* A node's clock: that of its best-measured ID against the nominal period. */
static void find_clock(const struct lull_case *c, struct lull_node *node)
{
	double best = INFINITY;
	for (size_t i = 0; i < node->id_count; i++) {
		int ident = case_ident(c, node->bus, node->ids[i]);
		if (ident < 0)
			continue;
		const struct lull_id_info *info = &c->v->ids.at[ident];
		if (isfinite(info->clock_ppm) && info->clock_ppm_error < best) {
			best = info->clock_ppm_error;
			node->clock_ppm = info->clock_ppm;
		}
	}
}

void case_nodes(struct lull_case *c)
{
	case_claims(c);
	for (size_t i = 0; i < c->v->ids.n; i++)
		by_profile(c, i);
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		by_request(c, bus);
		by_source_address(c, bus);
		by_one_timer(c, bus);
		by_management(c, bus);
		by_timing(c, bus);
		/* an NM frame that the profile gives to a node tells its address */
		const struct nm_family *family = case_family(c, bus);
		for (size_t i = 0; family && i < family->members.n; i++) {
			int node = c->v->ids.at[family->members.at[i].ident].node;
			if (node >= 0 && c->v->nodes.at[node].nm_address < 0)
				c->v->nodes.at[node].nm_address = family->members.at[i].address;
		}
	}
	for (size_t i = 0; i < c->v->claims.n; i++) {
		struct lull_claim *claim = &c->v->claims.at[i];
		claim->node = case_node_of(c, claim->bus, LULL_ID_EXTENDED | 0x18eeff00u | claim->address);
	}
	for (size_t i = 0; i < c->v->nodes.n; i++) {
		struct lull_node *node = &c->v->nodes.at[i];
		qsort(node->ids, node->id_count, sizeof *node->ids, by_value);
		find_clock(c, node);
	}
}

int case_node_of(const struct lull_case *c, unsigned bus, uint32_t id)
{
	int ident = case_ident(c, bus, id);
	return ident < 0 ? -1 : c->v->ids.at[ident].node;
}

/* Coordinator sleep ready (0x08) in the control bits of a CanNm frame: only a coordinating gateway sets it. */
static bool coordinates(const struct lull_case *c, const struct lull_node *node)
{
	for (size_t f = 0; f < c->families.n; f++) {
		const struct nm_family *family = &c->families.at[f];
		int byte = family->layout.control_byte;
		if (family->bus != node->bus || family->layout.kind != LULL_NM_AUTOSAR || byte < 0)
			continue;
		for (size_t i = 0; i < family->members.n; i++) {
			size_t ident = family->members.at[i].ident;
			if (c->v->ids.at[ident].node < 0 || &c->v->nodes.at[c->v->ids.at[ident].node] != node)
				continue;
			for (size_t k = 0; k < c->run_count[ident]; k++) {
				const struct lull_stretch *s = c->run[c->run_at[ident] + k];
				if (byte < s->len && ((s->payload_first[byte] | s->payload_last[byte]) & 0x08))
					return true;
			}
		}
	}
	return false;
}

bool case_node_is_gateway(const struct lull_case *c, int node)
{
	if (node < 0)
		return false;
	const struct lull_node *n = &c->v->nodes.at[node];
	if (n->profile_node >= 0 && c->profile->nodes[n->profile_node].gateway)
		return true;
	return coordinates(c, n);
}

static int span_before(const void *a, const void *b)
{
	const struct span *x = a, *y = b;
	return x->from < y->from ? -1 : x->from > y->from;
}

span_list case_node_spans(struct lull_case *c, int node)
{
	span_list all = { 0 }, merged = { 0 };
	for (size_t i = 0; i < c->v->nodes.at[node].id_count; i++) {
		int ident = case_ident(c, c->v->nodes.at[node].bus, c->v->nodes.at[node].ids[i]);
		/* An answer or an event comes when it comes: its sender was awake before it and is after it. */
		if (ident < 0 || !c->v->ids.at[ident].cyclic)
			continue;
		for (size_t k = 0; k < c->run_count[ident]; k++) {
			const struct lull_stretch *s = c->run[c->run_at[ident] + k];
			CASE_PUSH(c, all, ((struct span){ s->first, s->last }));
		}
	}
	if (all.n)
		qsort(all.at, all.n, sizeof *all.at, span_before);
	for (size_t i = 0; i < all.n; i++) {
		if (merged.n && all.at[i].from <= merged.at[merged.n - 1].to + LULL_SEC) {
			if (all.at[i].to > merged.at[merged.n - 1].to)
				merged.at[merged.n - 1].to = all.at[i].to;
		} else {
			CASE_PUSH(c, merged, all.at[i]);
		}
	}
	free(all.at);
	return merged;
}
