/* SPDX-License-Identifier: GPL-3.0-or-later */
/* claims: SAE J1939 address claims (PGN 60928) and what they say of addresses that belong to one ECU. Pure.
 *
 * One ECU may own two addresses: their NAMEs then carry one manufacturer code and one identity number, which a maker gives
 * only once. And an ECU that lost its address claims another one with the same NAME: it is followed there. */
#include "core/case.h"

#include <stdlib.h>

#define NO_ADDRESS 0xfe
#define CLAIM 0xeeff /* PDU format and destination: to all */

struct lull_name lull_name_decode(uint64_t name)
{
	return (struct lull_name){
		.identity = (uint32_t)(name & 0x1fffff),
		.manufacturer = (uint16_t)(name >> 21 & 0x7ff),
		.ecu_instance = (uint8_t)(name >> 32 & 0x7),
		.function_instance = (uint8_t)(name >> 35 & 0x1f),
		.function = (uint8_t)(name >> 40 & 0xff),
		.vehicle_system = (uint8_t)(name >> 49 & 0x7f),
		.system_instance = (uint8_t)(name >> 56 & 0xf),
		.industry_group = (uint8_t)(name >> 60 & 0x7),
		.arbitrary = name >> 63 != 0,
	};
}

static void take(struct lull_case *c, const struct lull_stretch *s, const uint8_t payload[LULL_PAYLOAD_KEPT])
{
	uint64_t name = 0;
	uint8_t address = (uint8_t)(s->id & 0xff);
	for (int i = 7; i >= 0; i--)
		name = name << 8 | payload[i];
	if (!name)
		return; /* says nothing of anybody */
	for (size_t i = 0; i < c->v->claims.n; i++) {
		struct lull_claim *claim = &c->v->claims.at[i];
		if (claim->bus == s->bus && claim->address == address && claim->name == name) {
			claim->first = s->first < claim->first ? s->first : claim->first;
			claim->last = s->last > claim->last ? s->last : claim->last;
			return;
		}
	}
	struct lull_claim claim = { s->bus, address, name, s->first, s->last, -1 };
	CASE_PUSH(c, c->v->claims, claim);
}

static int by_address(const void *a, const void *b)
{
	const struct lull_claim *x = a, *y = b;
	if (x->bus != y->bus)
		return x->bus - y->bus;
	if (x->address != y->address)
		return x->address - y->address;
	return x->first < y->first ? -1 : x->first > y->first;
}

void case_claims(struct lull_case *c)
{
	for (size_t i = 0; i < c->v->ids.n; i++) {
		uint32_t id = c->v->ids.at[i].id;
		if (!(id & LULL_ID_EXTENDED) || (id >> 8 & 0xffff) != CLAIM)
			continue;
		for (size_t k = 0; k < c->run_count[i]; k++) {
			const struct lull_stretch *s = c->run[c->run_at[i] + k];
			if (s->len != 8 || (s->flags & LULL_FRAME_REMOTE))
				continue;
			take(c, s, s->payload_first);
			take(c, s, s->payload_last);
		}
	}
	if (c->v->claims.n)
		qsort(c->v->claims.at, c->v->claims.n, sizeof *c->v->claims.at, by_address);
}

/* Is the address claimed under one NAME only? */
static bool held_by_one(const struct lull_case *c, unsigned bus, int address)
{
	size_t names = 0;
	for (size_t i = 0; i < c->v->claims.n; i++)
		names += c->v->claims.at[i].bus == bus && c->v->claims.at[i].address == address;
	return names == 1;
}

static bool silent_after(const struct lull_case *c, unsigned bus, int address, lull_time t)
{
	for (size_t i = 0; i < c->v->ids.n; i++) {
		const struct lull_id_info *info = &c->v->ids.at[i];
		if (info->bus == bus && (info->id & LULL_ID_EXTENDED) && (int)(info->id & 0xff) == address && info->last > t)
			return false;
	}
	return true;
}

static bool same_ecu(uint64_t a, uint64_t b)
{
	struct lull_name x = lull_name_decode(a), y = lull_name_decode(b);
	return a != b && x.identity && x.identity == y.identity && x.manufacturer == y.manufacturer;
}

int case_home_address(const struct lull_case *c, unsigned bus, int address, const char **why)
{
	const struct lull_claim *own = NULL;
	int home = address;
	if (!held_by_one(c, bus, address))
		return address;
	for (size_t i = 0; i < c->v->claims.n; i++)
		if (c->v->claims.at[i].bus == bus && c->v->claims.at[i].address == address)
			own = &c->v->claims.at[i];
	if (!own) /* held_by_one() saw it */
		return address;
	lull_time newest = own->first;
	for (size_t i = 0; i < c->v->claims.n; i++) {
		const struct lull_claim *other = &c->v->claims.at[i];
		if (other->bus != bus || other->address == address || other->address >= NO_ADDRESS || !held_by_one(c, bus, other->address))
			continue;
		if (other->name == own->name && other->first > newest && silent_after(c, bus, address, other->first + LULL_SEC)) {
			newest = other->first;
			home = other->address;
			*why = "the same NAME claimed it after the other address fell silent";
		} else if (same_ecu(other->name, own->name) && other->address < home) {
			home = other->address;
			*why = "both NAMEs carry one manufacturer code and one identity number";
		}
	}
	return home;
}
