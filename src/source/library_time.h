/* SPDX-License-Identifier: GPL-3.0-or-later */
/* library_time: for a header that wraps that of a library with times in its structures. On a 32-bit machine the library may have been
 * built with another width of time_t than lull itself. Each file that includes the wrapper is compiled with the library's width:
 * the Makefile finds these files, and scripts/build-flags.sh the width. No header of lull may hold a time_t, timespec or timeval. */
#ifndef LULL_SOURCE_LIBRARY_TIME_H
#define LULL_SOURCE_LIBRARY_TIME_H

#if !defined(LULL_LIBRARY_TIME_BITS) && __SIZEOF_LONG__ == 8
#define LULL_LIBRARY_TIME_BITS 64
#elif !defined(LULL_LIBRARY_TIME_BITS)
#error "the width of the library's time_t is not known: compile this file as the Makefile does (library_time)"
#endif

/* Whether a member of the library's structure has the width that the library itself was built with. */
#define LULL_LIBRARY_TIME(type, member) \
	_Static_assert(sizeof(((type *)0)->member) * 8 == LULL_LIBRARY_TIME_BITS, \
		"time_t here is not as wide as in the library")

#endif
