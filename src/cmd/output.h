/* SPDX-License-Identifier: GPL-3.0-or-later */
/* output: standard output, or a file that appears only when it is complete. */
#ifndef LULL_CMD_OUTPUT_H
#define LULL_CMD_OUTPUT_H

#include <lull/terms.h>
#include <stdio.h>

struct lull_output {
	FILE *stream;
	char *path, *temporary; /* NULL: standard output */
};

/* path NULL or "-": standard output. 0 or a negative errno. */
LULL_MUST_CHECK int lull_output_open(struct lull_output *, const char *path);
/* Written, closed and renamed into place (err 0), or given up (err not 0, which is returned). */
LULL_MUST_CHECK int lull_output_close(struct lull_output *, int err);

#endif
