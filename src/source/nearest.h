/* SPDX-License-Identifier: GPL-3.0-or-later */
/* nearest: what a mistyped word was probably meant to be. */
#ifndef LULL_SOURCE_NEAREST_H
#define LULL_SOURCE_NEAREST_H

#include <stddef.h>

/* The word of the list that `word` was most likely meant to be, case aside, or NULL if none is near. */
const char *lull_nearest(const char *word, const char *const *list, size_t n);

#endif
