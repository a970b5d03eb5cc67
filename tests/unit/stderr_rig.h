/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stderr_rig: what a test's code writes to stderr, to be looked at. */
#ifndef LULL_TESTS_STDERR_RIG_H
#define LULL_TESTS_STDERR_RIG_H

#include <stdbool.h>

/* stderr goes into memory from here to stderr_give_back(). A second call does nothing. */
void stderr_take(void);
void stderr_give_back(void);
/* What was written since it was taken, or since this was called last; valid until the next call. */
const char *stderr_text(void);
/* Is this in what stderr_text() would give? It stays there. */
bool stderr_has(const char *text);

#endif
