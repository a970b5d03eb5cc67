/* SPDX-License-Identifier: GPL-3.0-or-later */
/* duration: lengths of time as people write them: "90 s", "12h", "1.5 h", "1h30m", "250ms". The one reader of such text, for
 * options, configuration, profiles and notes. Pure. */
#ifndef LULL_SOURCE_DURATION_H
#define LULL_SOURCE_DURATION_H

#include <lull/terms.h>
#include <stddef.h>

enum lull_duration_unit { LULL_IN_MS, LULL_IN_S, LULL_IN_MIN, LULL_IN_H, LULL_IN_D, LULL_UNIT_REQUIRED };

/* What one place takes. */
struct lull_duration_rule {
	enum lull_duration_unit bare; /* of a number without a unit; LULL_UNIT_REQUIRED: there is none */
	int64_t least_ns, most_ns; /* bounds, both allowed; 0 or more */
};

#define LULL_DURATION_WHY 200 /* bytes that the longest sentence takes */

/* Numbers with a decimal point or comma, each with ms, s, min (m), h or d, in any case, with or without blanks; several parts from
 * the longest unit to the shortest, a fraction in the last one only. No sign, no exponent. -EINVAL: it is none; -ERANGE: it is
 * outside the bounds. *ns is written on success only. */
LULL_MUST_CHECK int lull_duration_parse(const char *text, size_t n, const struct lull_duration_rule *, int64_t *ns);
/* What goes behind the value in a message: "is no length of time; write 90 s, 5 min, 1.5 h or 1h30m, or a number of seconds" for
 * -EINVAL, "is not between 1 s and 10 min" for -ERANGE. Returns out. */
const char *lull_duration_why(int error, const struct lull_duration_rule *, char *out, size_t size);

#endif
