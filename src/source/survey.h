/* SPDX-License-Identifier: GPL-3.0-or-later */
/* survey: CSV of voltage drops across fuses, as a person writes it down at the fuse box: fuse,type,rating,millivolts and, once
 * a suspect has been unplugged, a column `after` with the same again; `milliohm` for a fuse that is in no table. Comma or semicolon, decimal point or comma, # comments. */
#ifndef LULL_SOURCE_SURVEY_H
#define LULL_SOURCE_SURVEY_H

#include <lull/terms.h>
#include <stddef.h>

#define LULL_SURVEY_NAME 64
/* Of fuses of a car's box, from large ones to those of half an ampere, with room on both sides. */
#define LULL_SURVEY_OHMS_LEAST 0.05
#define LULL_SURVEY_OHMS_MOST 5000.0

struct lull_survey_row {
	char fuse[LULL_SURVEY_NAME]; /* as written: F12, radio */
	char type[16]; /* in small letters */
	double rating_A;
	double mV;
	double after_mV; /* NAN: not read */
	double milliohm; /* cold, by the fuse's data sheet; NAN: as its type and rating have it */
	unsigned line;
};

/* A bad line is an error with file:line and the way out. The header is optional; with one, columns may stand in any order.
 * Caller frees *out. Whether a fuse of that type and rating is known is not looked at here. */
LULL_MUST_CHECK int lull_survey_read(
	const char *path, struct lull_survey_row **out, size_t *n, char *err, size_t err_size);
LULL_MUST_CHECK int lull_survey_parse_text(
	const char *name, const char *text, size_t size, struct lull_survey_row **out, size_t *n, char *err, size_t err_size);
/* "2.3mV", "2,3", "0.0 mV"; the unit may be missing: `unit`. -EINVAL. */
LULL_MUST_CHECK int lull_survey_value(const char *text, size_t n, const char *unit, double *value);

#endif
