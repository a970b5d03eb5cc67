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

const char *lull_clue_name(enum lull_clue clue)
{
	switch (clue) {
	case LULL_CLUE_NONE:
		return "none";
	case LULL_CLUE_REQUESTS:
		return "requests";
	case LULL_CLUE_NM_ALONE:
		return "nm-alone";
	case LULL_CLUE_RING_ALONE:
		return "ring-alone";
	case LULL_CLUE_LEFT_ALONE:
		return "left-alone";
	case LULL_CLUE_ONLY_SENDER:
		return "only-sender";
	case LULL_CLUE_NM_SEVERAL:
		return "nm-several";
	case LULL_CLUE_NM_HIDDEN:
		return "nm-hidden";
	case LULL_CLUE_RING_SEVERAL:
		return "ring-several";
	case LULL_CLUE_LEFT_SEVERAL:
		return "left-several";
	case LULL_CLUE_PULL_SEVERAL:
		return "pull-several";
	case LULL_CLUE_PULL_LIKELY:
		return "pull-likely";
	case LULL_CLUE_PULL_CONFIRMED:
		return "pull-confirmed";
	case LULL_CLUE_REQUEST_FIRST:
		return "request-first";
	case LULL_CLUE_ACTIVE_BIT:
		return "active-bit";
	case LULL_CLUE_UNACKNOWLEDGED:
		return "unacknowledged";
	case LULL_CLUE_ORDER:
		return "order";
	case LULL_CLUE_ORDER_SEVERAL:
		return "order-several";
	case LULL_CLUE_COUNT:
		break;
	}
	return "?";
}

const char *lull_wake_rhythm_name(enum lull_wake_rhythm rhythm)
{
	switch (rhythm) {
	case LULL_RHYTHM_FEW:
		return "too-few";
	case LULL_RHYTHM_PERIODIC:
		return "periodic";
	case LULL_RHYTHM_IRREGULAR:
		return "irregular";
	}
	return "?";
}
