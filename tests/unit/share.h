/* SPDX-License-Identifier: GPL-3.0-or-later */
/* share: what a test does where programs run otherwise than on a common machine: under sanitizers, under an emulated processor. */
#ifndef TESTS_SHARE_H
#define TESTS_SHARE_H

#include <stdbool.h>
#include <stdlib.h>

/* Under the address sanitizer, which makes system calls of its own at any moment. */
static inline bool test_sanitized(void)
{
#if defined(__SANITIZE_ADDRESS__)
	return true;
#elif defined(__has_feature)
#if __has_feature(address_sanitizer)
	return true;
#endif
#endif
	return false;
}

/* A test that takes a sample of many nights takes one in so many of them where each costs ten times as much: under sanitizers, and
 * where LULL_TEST_SHARE says so (scripts/cross.sh, under an emulated processor). */
static inline unsigned test_share(void)
{
	if (test_sanitized())
		return 10;
	const char *told = getenv("LULL_TEST_SHARE");
	const unsigned long share = told ? strtoul(told, NULL, 10) : 0;

	return share >= 1 && share <= 10 ? (unsigned)share : 1;
}

#endif
