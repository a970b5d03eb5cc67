/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile (source): the INI file of a car, read with inih. Unknown sections and keys are errors with file:line. */
#ifndef LULL_SOURCE_PROFILE_H
#define LULL_SOURCE_PROFILE_H

#include <lull/profile.h>

/* 0, or -EINVAL/-errno with "car.ini:12: ..." in err. *profile is set up anew; clear it after success. */
LULL_MUST_CHECK int lull_profile_read(const char *path, struct lull_profile *, char *err, size_t err_size);
LULL_MUST_CHECK int lull_profile_parse_text(
	const char *name, const char *text, size_t size, struct lull_profile *, char *err, size_t err_size);
/* The profile that a recording keeps, whose names may be of an older program or a foreign one: they are taken as they are, and whoever
 * shows them makes them harmless. */
LULL_MUST_CHECK int lull_profile_parse_kept(
	const char *name, const char *text, size_t size, struct lull_profile *, char *err, size_t err_size);
/* Every error of a profile, one call each, the lines in no order; line 0: none of the file's. Returns how many there are (50 at most
 * are looked for), or -ENOMEM. */
typedef void lull_profile_problem(void *ctx, unsigned line, const char *message);
LULL_MUST_CHECK int lull_profile_check(const char *path, lull_profile_problem *, void *ctx);
LULL_MUST_CHECK int lull_profile_check_text(const char *name, const char *text, size_t size, lull_profile_problem *, void *ctx);
/* Whole file as a string, for keeping it in the recording. Caller frees. NULL: err says why. */
char *lull_text_read(const char *path, size_t max, size_t *size, char *err, size_t err_size);

#endif
