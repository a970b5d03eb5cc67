/* SPDX-License-Identifier: GPL-3.0-or-later */
/* every_form: a night judged, and told in every form there is. */
#ifndef LULL_TESTS_EVERY_FORM_H
#define LULL_TESTS_EVERY_FORM_H

#include <lull/verdict.h>

struct every_form {
	unsigned look; /* of the reports: plain, on a narrow terminal, on a page that loads its style */
	const struct lull_question *ask;
	/* A night of the same car to compare with, and to take away from this one; may be NULL. */
	const struct lull_night *good;
	const struct lull_verdict *good_verdict;
	const struct lull_profile *profile; /* not NULL where `good` is not */
};
/* Ends the program where a form fails, or where JSON is none. */
void every_form(const struct lull_night *, const struct every_form *);

#endif
