/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_uuid: names of recordings and recorders. */
#include "store/uuid.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

/* RFC 9562: version in bits 48 to 51 (figure of section 4), variant 10 in bits 64 and 65. */
static void made_ones_are_well_formed(void **state)
{
	char a[LULL_UUID], b[LULL_UUID];
	uint8_t hash[16];

	(void)state;
	lull_uuid_random(a);
	lull_uuid_random(b);
	assert_true(lull_uuid_valid(a) && lull_uuid_valid(b));
	assert_string_not_equal(a, b);
	assert_int_equal(a[14], '4');
	assert_non_null(strchr("89ab", a[19]));
	memset(hash, 0xff, sizeof hash);
	lull_uuid_of_hash(hash, a);
	assert_string_equal(a, "ffffffff-ffff-8fff-bfff-ffffffffffff");
	assert_true(lull_uuid_valid(a));
	memset(hash, 0, sizeof hash);
	lull_uuid_of_hash(hash, a);
	assert_string_equal(a, "00000000-0000-8000-8000-000000000000");
	hash[15] = 1;
	lull_uuid_of_hash(hash, a);
	assert_string_equal(a, "00000000-0000-8000-8000-000000000001");
	/* The example of RFC 9562, appendix B.2, from a hash of its own. */
	assert_true(lull_uuid_valid("5c146b14-3c52-8afd-938a-375d0df1fbf6"));
}

static void others_are_refused(void **state)
{
	static const char *const bad[] = {"", "5c146b14-3c52-8afd-938a-375d0df1fbf",
		"5c146b14-3c52-8afd-938a-375d0df1fbf66", "5C146B14-3C52-8AFD-938A-375D0DF1FBF6",
		"5c146b143c528afd938a375d0df1fbf6", "5c146b14-3c52-8afd-038a-375d0df1fbf6",
		"5c146b14-3c52-8afd-938a-375d0df1fbfg", " 5c146b14-3c52-8afd-938a-375d0df1fbf",
		"5c146b14_3c52_8afd_938a_375d0df1fbf6"};

	(void)state;
	for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
		assert_false(lull_uuid_valid(bad[i]));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(made_ones_are_well_formed),
		cmocka_unit_test(others_are_refused),
	};
	return cmocka_run_group_tests_name("uuid", tests, NULL, NULL);
}
