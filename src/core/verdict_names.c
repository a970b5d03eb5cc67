/* SPDX-License-Identifier: GPL-3.0-or-later */
/* verdict_names: the words of a verdict's enumerations. Pure. */
#include <lull/verdict.h>

const char *lull_spell_kind_name(enum lull_spell_kind kind)
{
	switch (kind) {
	case LULL_SPELL_BEFORE:
		return "before";
	case LULL_SPELL_SETTLING:
		return "settling";
	case LULL_SPELL_WAKE:
		return "wake";
	case LULL_SPELL_BY_US:
		return "by us";
	case LULL_SPELL_MORNING:
		return "morning";
	}
	return "?";
}

const char *lull_proof_name(enum lull_proof proof)
{
	switch (proof) {
	case LULL_PROOF_NONE:
		return "none";
	case LULL_PROOF_CONTROLLER:
		return "controller";
	case LULL_PROOF_CURRENT:
		return "current";
	case LULL_PROOF_FRAMES_AFTER:
		return "frames-after";
	}
	return "?";
}
