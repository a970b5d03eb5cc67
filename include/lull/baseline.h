/* SPDX-License-Identifier: GPL-3.0-or-later */
/* baseline: a good night of this car or its sister takes away what is normal (trade rule 16). Pure. */
#ifndef LULL_BASELINE_H
#define LULL_BASELINE_H

#include <lull/verdict.h>

/* Changes *v, the verdict on `night`, by what the good night shows on the same bus:
 * - a woken-again or woken-from-outside finding whose wakes begin with the same node, are no more often (as far as counts tell,
 *   from three wakes of the good night on) and no longer or dearer than there is housekeeping and is dropped, unless the night's
 *   average draw is above the limit;
 * - a keeper that runs on for as long in the good night, last as here, is not accused; the finding stays.
 * Where nothing else is left to say, the night becomes within-limit if its draw was measured below the limit, else
 * draw-not-measured. What was taken away, and why not more, goes into evidence and left_out. A good night whose IDs are mostly
 * others, or whose bus did not sleep, takes nothing away. -ENOMEM: *v is cleared. */
LULL_MUST_CHECK int lull_baseline(const struct lull_night *, struct lull_verdict *v, const struct lull_profile *,
	const struct lull_night *good_night, const struct lull_verdict *good);

#endif
