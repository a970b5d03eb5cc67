/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_claims: SAE J1939 NAMEs, two addresses of one ECU, an address that was lost. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "made_night.h"

/* Field positions as in linux/can/j1939.h (reference values: identity 0-20, manufacturer 21-31, ECU instance 32-34, function
 * instance 35-39, function 40-47, vehicle system 49-55, system instance 56-59, industry group 60-62, arbitrary 63). */
static void test_fields(void **state)
{
	(void)state;
	static const struct {
		unsigned from, to;
	} bits[] = { { 0, 20 }, { 21, 31 }, { 32, 34 }, { 35, 39 }, { 40, 47 }, { 49, 55 }, { 56, 59 }, { 60, 62 }, { 63, 63 } };
	for (unsigned bit = 0; bit < 64; bit++) {
		struct lull_name n = lull_name_decode(UINT64_C(1) << bit);
		const uint64_t got[] = { n.identity, n.manufacturer, n.ecu_instance, n.function_instance, n.function, n.vehicle_system,
			n.system_instance, n.industry_group, n.arbitrary };
		for (size_t i = 0; i < sizeof bits / sizeof *bits; i++)
			assert_int_equal(got[i], bit >= bits[i].from && bit <= bits[i].to ? UINT64_C(1) << (bit - bits[i].from) : 0);
	}
	/* A claim of address 0x14 in the open capture nmea2000/can0-2.pcap, bytes 0D 5C B6 2F 00 91 78 C0; fields by hand. */
	struct lull_name n = lull_name_decode(UINT64_C(0xC07891002FB65C0D));
	assert_int_equal(n.identity, 0x165c0d);
	assert_int_equal(n.manufacturer, 381);
	assert_int_equal(n.function, 145);
	assert_int_equal(n.vehicle_system, 60);
	assert_int_equal(n.industry_group, 4);
	assert_true(n.arbitrary);
}

static void claims(struct script *s, double t, uint8_t address, uint64_t name)
{
	once(s, LULL_ID_EXTENDED | 0x18eeff00u | address, t, 0, 1);
	struct lull_frame *f = &s->frames.at[s->frames.n - 1];
	f->len = 8;
	for (unsigned i = 0; i < 8; i++)
		f->data[i] = (uint8_t)(name >> (8 * i));
}

static uint32_t from(uint32_t group, uint8_t address)
{
	return LULL_ID_EXTENDED | group | address;
}

static const struct lull_node *owner(const struct lull_verdict *v, uint32_t id)
{
	for (size_t i = 0; i < v->ids.n; i++)
		if (v->ids.at[i].id == id && v->ids.at[i].node >= 0)
			return &v->nodes.at[v->ids.at[i].node];
	fail_msg("nobody sends it");
	return NULL;
}

#define NAME(identity, function) ((uint64_t)(identity) | UINT64_C(77) << 21 | (uint64_t)(function) << 40)

static void test_two_addresses(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	claims(&s, 0.1, 0x20, NAME(4711, 3));
	claims(&s, 0.2, 0x31, NAME(4711, 9));
	claims(&s, 0.3, 0x40, NAME(4712, 3));
	sends(&s, from(0x18ff0100, 0x20), 0.11, 1, 600, 1);
	sends(&s, from(0x18ff0200, 0x31), 0.13, 1, 600, 1);
	sends(&s, from(0x18ff0300, 0x40), 0.17, 1, 600, 1);
	covered(&s, 0, 600, LULL_OBSERVED);
	judge(&s, 600, NULL, &v);
	const struct lull_node *n = owner(&v, from(0x18ff0100, 0x20));
	assert_ptr_equal(n, owner(&v, from(0x18ff0200, 0x31)));
	assert_ptr_not_equal(n, owner(&v, from(0x18ff0300, 0x40)));
	assert_int_equal(n->source_address, 0x20);
	assert_int_equal(n->second_address, 0x31);
	assert_non_null(n->second_why);
	assert_int_equal(v.claims.n, 3);
	assert_int_equal(v.claims.at[1].address, 0x31);
	assert_true(v.claims.at[1].name == NAME(4711, 9));
	lull_verdict_clear(&v);
}

/* Another ECU takes the address: both have had it, and nothing of it is given to either's other address. */
static void test_address_lost(void **state)
{
	(void)state;
	for (int contested = 0; contested < 2; contested++) {
		struct script s = { 0 };
		struct lull_verdict v;
		claims(&s, 0.1, 0x20, NAME(4711, 3));
		sends(&s, from(0x18ff0100, 0x20), 0.11, 1, 100, 1);
		if (contested)
			claims(&s, 101, 0x20, NAME(9, 3));
		claims(&s, 102, 0x99, NAME(4711, 3));
		sends(&s, from(0x18ff0100, 0x99), 0.11, 103, 600, 1);
		sends(&s, from(0x18ff0300, 0x40), 0.17, 1, 600, 1);
		covered(&s, 0, 600, LULL_OBSERVED);
		judge(&s, 600, NULL, &v);
		const struct lull_node *before = owner(&v, from(0x18ff0100, 0x20)), *after = owner(&v, from(0x18ff0100, 0x99));
		if (contested) {
			assert_ptr_not_equal(before, after);
		} else {
			assert_ptr_equal(before, after);
			assert_int_equal(after->source_address, 0x99);
			assert_int_equal(after->second_address, 0x20);
		}
		lull_verdict_clear(&v);
	}
}

/* ISO 15765-2 normal fixed addressing on a bus of 11-bit IDs: 0x18DA, target, source (kernel documentation networking/iso15765-2; the
 * form is that of ISO 15765-4 as well). A 29-bit ID that is not of that form carries no address. */
static void test_normal_fixed(void **state)
{
	(void)state;
	struct script s = { 0 };
	struct lull_verdict v;
	for (unsigned i = 0; i < 5; i++)
		sends(&s, 0x210 + 9 * i, 0.1, 0.02 * i, 600, 0x33 + i);
	for (unsigned i = 0; i < 20; i++) {
		once(&s, LULL_ID_EXTENDED | 0x18db33f1u, 10 + 20 * i, 0x0201, 1);
		once(&s, LULL_ID_EXTENDED | 0x18daf110u, 10.02 + 20 * i, 0x0441, 1);
		once(&s, LULL_ID_EXTENDED | 0x18daf128u, 10.03 + 20 * i, 0x0441, 1);
	}
	sends(&s, LULL_ID_EXTENDED | 0x1abcde10u, 1, 0.5, 600, 7);
	covered(&s, 0, 600, LULL_OBSERVED);
	judge(&s, 600, NULL, &v);
	const struct lull_node *n = owner(&v, LULL_ID_EXTENDED | 0x18daf110u);
	assert_int_equal(n->named_by, LULL_BY_SOURCE_ADDRESS);
	assert_int_equal(n->source_address, 0x10);
	assert_int_equal(owner(&v, LULL_ID_EXTENDED | 0x18daf128u)->source_address, 0x28);
	assert_true(owner(&v, LULL_ID_EXTENDED | 0x18db33f1u)->asker);
	assert_ptr_not_equal(owner(&v, LULL_ID_EXTENDED | 0x1abcde10u), n);
	assert_int_equal(owner(&v, LULL_ID_EXTENDED | 0x1abcde10u)->named_by, LULL_BY_TIMING);
	lull_verdict_clear(&v);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(test_fields),
		cmocka_unit_test(test_two_addresses),
		cmocka_unit_test(test_address_lost),
		cmocka_unit_test(test_normal_fixed),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
