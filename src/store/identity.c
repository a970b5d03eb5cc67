/* SPDX-License-Identifier: GPL-3.0-or-later */
/* identity: which texts of a recording say which night it is. */
#include "recording.h"

#define TEXT(name, is_uuid) \
	{ \
#name, offsetof(struct lull_night_identity, name), \
			sizeof(((struct lull_night_identity *)0)->name), is_uuid \
	}
const struct lull_identity_text lull_identity_texts[LULL_IDENTITY_TEXTS] = {
	TEXT(uuid, true),
	TEXT(recorder, true),
	TEXT(vehicle, false),
	TEXT(model, false),
};
