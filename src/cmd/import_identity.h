/* SPDX-License-Identifier: GPL-3.0-or-later */
/* import_identity: which recording an import makes, by what was measured: the same captures and clamp log give the same UUID. */
#ifndef LULL_CMD_IMPORT_IDENTITY_H
#define LULL_CMD_IMPORT_IDENTITY_H

#include <cmd/clamp_input.h>
#include <cmd/inputs.h>
#include <lull/night.h>

/* Call when captures and log have been read. What counts: the uncompressed content of each capture with the bus name that was
 * given for it ("" none), and that of the clamp's log; their order does not, nor do names of files, notes, coverage, options
 * and profile. So a corrected import of the same night is the same recording. -ENOMEM. */
LULL_MUST_CHECK int lull_import_uuid(
	const struct lull_inputs *, struct lull_clamp_input *, char out[LULL_UUID]);

#endif
