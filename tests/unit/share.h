/* SPDX-License-Identifier: GPL-3.0-or-later */
/* share: a test that takes a sample of many nights takes one in so many of them where each costs ten times as much: under sanitizers,
 * and where LULL_TEST_SHARE says so (scripts/cross.sh, under an emulated processor). */
#ifndef TESTS_SHARE_H
#define TESTS_SHARE_H

#include <stdlib.h>

static inline unsigned test_share(void)
{
#if defined(__SANITIZE_ADDRESS__)
	return 10;
#elif defined(__has_feature)
#if __has_feature(address_sanitizer)
	return 10;
#endif
#endif
	const char *told = getenv("LULL_TEST_SHARE");
	const unsigned long share = told ? strtoul(told, NULL, 10) : 0;

	return share >= 1 && share <= 10 ? (unsigned)share : 1;
}

#endif
