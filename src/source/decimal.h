/* SPDX-License-Identifier: GPL-3.0-or-later */
/* decimal: decimal numbers as text -> integer nanoseconds, without a detour through floating point. */
#ifndef LULL_SOURCE_DECIMAL_H
#define LULL_SOURCE_DECIMAL_H

#include <lull/terms.h>
#include <stddef.h>

/* "12.5", "-3", "9e-06" in units of 10^unit ns (9: seconds, 6: ms, 3: us, 0: ns), rounded half away from zero
 * at the ns. point: the decimal sign ('.', or ',' where both are taken). -EINVAL: no number, -ERANGE. */
LULL_MUST_CHECK int lull_decimal_ns(const char *text, size_t n, int unit, char point, int64_t *ns);
/* The same scale as a double, independent of the locale: text in 10^0. */
LULL_MUST_CHECK int lull_decimal(const char *text, size_t n, double *value);

#endif
