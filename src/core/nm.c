/* SPDX-License-Identifier: GPL-3.0-or-later */
/* nm: which frames are network management, by a profile's layout or by the standards' own structure. Pure.
 *
 * AUTOSAR CanNm (Specification of CAN Network Management): the PDU carries the source node identifier and the control bit
 * vector, each at byte 0, byte 1 or off. OSEK/VDX NM 2.5.3, direct: destination at byte 0, opcode at byte 1.
 * Without a profile a family is only inferred where IDs of one aligned block of 2^k carry their own low bits as
 * source address (AUTOSAR), or name each other as destination with opcodes of the standard (OSEK), and where every
 * end of the bus that was seen follows their last frame by the same time (nm_ends.c).
 *
 * A name that is inferred so is shown as "NM address", but pull tests do not count it as a name of its own: the same
 * structure that made one family of these IDs would make two nodes of one node's IDs if it were mistaken. A test on
 * such a node names it like one known by timing alone. */
#include "core/case.h"

#include <stdlib.h>
#include <string.h>

struct nm_family *case_family(struct lull_case *c, unsigned bus)
{
	for (size_t i = 0; i < c->families.n; i++)
		if (c->families.at[i].bus == bus && c->families.at[i].members.n)
			return &c->families.at[i];
	return NULL;
}

static int address_of(const struct lull_nm_layout *layout, const struct lull_stretch *s)
{
	if (layout->kind == LULL_NM_AUTOSAR && layout->source_byte >= 0 && layout->source_byte < s->len)
		return s->payload_first[layout->source_byte];
	return (int)(s->id & ~layout->ids.mask & 0xff);
}

static void told_family(struct lull_case *c, unsigned bus, const struct lull_nm_layout *layout)
{
	struct nm_family family = { .bus = (uint8_t)bus, .layout = *layout, .confidence = 1 };
	for (size_t i = 0; i < c->v->ids.n; i++) {
		const struct lull_id_info *info = &c->v->ids.at[i];
		if (info->bus != bus || (info->id & layout->ids.mask) != layout->ids.id)
			continue;
		struct nm_member member = { info->id, address_of(layout, c->run[c->run_at[i]]), i };
		CASE_PUSH(c, family.members, member);
	}
	CASE_PUSH(c, c->families, family);
}

/* Bits of the AUTOSAR control bit vector that a listener may meet: repeat request, partial network shutdown, coordinator
 * sleep ready, active wake-up, partial network information. */
#define CONTROL_BITS 0x5bu

/* Does this byte hold the ID's own low bits, and the other one a plausible control vector, in every stretch? */
static bool names_itself(const struct lull_case *c, size_t ident, int source_byte, unsigned low_mask)
{
	for (size_t i = 0; i < c->run_count[ident]; i++) {
		const struct lull_stretch *s = c->run[c->run_at[ident] + i];
		if (s->len < 2 || (s->flags & LULL_FRAME_REMOTE))
			return false;
		const uint8_t *payloads[] = { s->payload_first, s->frames > 1 ? s->payload_second : s->payload_first,
			s->payload_last };
		for (size_t k = 0; k < 3; k++) {
			if ((payloads[k][source_byte] & low_mask) != (s->id & low_mask))
				return false;
			if (payloads[k][1 - source_byte] & ~CONTROL_BITS & 0xffu)
				return false;
		}
		if ((s->changed_bits >> (8 * source_byte)) & 0xffu)
			return false;
	}
	return true;
}

static bool is_opcode(uint8_t op)
{
	unsigned kind = op & 0x07u;
	return !(op & 0xc8u) && (kind == 1 || kind == 2 || kind == 4);
}

/* OSEK: destination within the same block, opcodes of the standard. Bytes 0 and 1 of all rows. A ring may still call a member
 * that has gone: some destination is heard, and of the whole family half. */
static bool passes_a_ring(const struct lull_case *c, size_t ident, unsigned low_mask, bool pointed_at[256], size_t *answered, size_t *called)
{
	size_t heard = 0;
	for (size_t i = 0; i < c->run_count[ident]; i++) {
		const struct lull_stretch *s = c->run[c->run_at[ident] + i];
		if (s->len < 2 || (s->flags & LULL_FRAME_REMOTE))
			return false;
		const uint8_t *payloads[] = { s->payload_first, s->frames > 1 ? s->payload_second : s->payload_first,
			s->payload_last };
		for (size_t k = 0; k < 3; k++) {
			if (!is_opcode(payloads[k][1]))
				return false;
			int destination = case_ident(c, s->bus, (s->id & ~low_mask) | (payloads[k][0] & low_mask));
			++*called;
			if (destination < 0)
				continue;
			heard++;
			if ((size_t)destination != ident)
				pointed_at[payloads[k][0] & low_mask] = true;
		}
	}
	*answered += heard;
	return heard > 0;
}

/* A common period (AUTOSAR). With bus-load reduction two members take turns, each at the sum of two reduced times of half a cycle to a
 * whole one, while those that asked only with the key on were heard at the cycle: up to twice as slow. */
static bool share_a_period(const struct lull_case *c, const struct nm_family *family)
{
	double low = 1e300, high = 0;
	for (size_t i = 0; i < family->members.n; i++) {
		const struct lull_id_info *info = &c->v->ids.at[family->members.at[i].ident];
		if (!(info->period_ms > 0))
			continue;
		if (info->period_ms < low)
			low = info->period_ms;
		if (info->period_ms > high)
			high = info->period_ms;
	}
	return high > 0 && high <= 2 * low;
}

static void drop_family(struct nm_family *family)
{
	free(family->members.at);
	memset(&family->members, 0, sizeof family->members);
}

/* One aligned block of 2^k IDs: every ID in it that is heard must fit. */
static bool try_block(struct lull_case *c, unsigned bus, size_t seed, unsigned k, enum lull_nm_kind kind, int source_byte,
	struct nm_family *out)
{
	unsigned low_mask = (1u << k) - 1;
	uint32_t base = c->v->ids.at[seed].id & ~low_mask;
	bool pointed_at[256] = { false }; /* k is at most 8 */
	struct nm_family family = { .bus = (uint8_t)bus };
	size_t answered = 0, called = 0;

	for (size_t i = 0; i < c->v->ids.n; i++) {
		const struct lull_id_info *info = &c->v->ids.at[i];
		if (info->bus != bus || (info->id & ~low_mask) != base)
			continue;
		bool fits = kind == LULL_NM_AUTOSAR ? names_itself(c, i, source_byte, low_mask) :
						      passes_a_ring(c, i, low_mask, pointed_at, &answered, &called);
		if (!fits) {
			drop_family(&family);
			return false;
		}
		struct nm_member member = { info->id, (int)(info->id & low_mask & 0xff), i };
		CASE_PUSH(c, family.members, member);
	}
	/* In a ring each is somebody's successor; a constant byte points at one only. */
	size_t successors = 0;
	for (size_t i = 0; i < 256; i++)
		successors += pointed_at[i];
	/* Two that agree can be chance; three on distinct addresses hardly. */
	size_t needed = kind == LULL_NM_AUTOSAR && k >= 5 ? 2 : 3;
	if (family.members.n < needed || (kind == LULL_NM_AUTOSAR && !share_a_period(c, &family)) ||
		(kind == LULL_NM_OSEK && (successors * 2 < family.members.n || answered * 2 < called))) {
		drop_family(&family);
		return false;
	}
	family.layout = (struct lull_nm_layout){ .kind = kind,
		.ids = { base, ~low_mask },
		.source_byte = kind == LULL_NM_AUTOSAR ? source_byte : -1,
		.control_byte = kind == LULL_NM_AUTOSAR ? 1 - source_byte : 1,
		.op_alive = 0x01,
		.op_ring = 0x02,
		.op_limp_home = 0x04,
		.op_sleep_indication = 0x10,
		.op_sleep_acknowledge = 0x20,
		.inferred = true };
	family.confidence = family.members.n >= 4 ? 0.95 : family.members.n == 3 ? 0.9 : 0.8;
	*out = family;
	return true;
}

/* The block with most members wins; of equal ones the smaller. */
static void infer_family(struct lull_case *c, unsigned bus)
{
	struct nm_family best = { 0 };
	for (size_t seed = 0; seed < c->v->ids.n; seed++) {
		if (c->v->ids.at[seed].bus != bus)
			continue;
		for (unsigned k = 3; k <= 8; k++)
			for (int form = 0; form < 3; form++) {
				struct nm_family found;
				enum lull_nm_kind kind = form < 2 ? LULL_NM_AUTOSAR : LULL_NM_OSEK;
				if (!try_block(c, bus, seed, k, kind, form & 1, &found))
					continue;
				if (found.members.n > best.members.n && case_nm_ends(c, &found)) {
					drop_family(&best);
					best = found;
				} else {
					drop_family(&found);
				}
			}
	}
	if (best.members.n)
		CASE_PUSH(c, c->families, best);
}

void case_nm(struct lull_case *c)
{
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		bool told = false;
		for (size_t i = 0; c->profile && i < c->profile->nm_count; i++) {
			const struct lull_nm_layout *layout = &c->profile->nm[i];
			if (layout->bus[0] && strcmp(layout->bus, c->night->bus[bus].name) != 0)
				continue;
			told_family(c, bus, layout);
			told = true;
		}
		if (!told)
			infer_family(c, bus);
	}
}
