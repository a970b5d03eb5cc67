/* SPDX-License-Identifier: GPL-3.0-or-later */
/* jump: what a leap of a source's clock was: a silence, a step of the clock, or lost frames. Pure. */
#ifndef LULL_CORE_JUMP_H
#define LULL_CORE_JUMP_H

#include <lull/observe.h>

enum lull_jump_kind {
	LULL_JUMP_SILENCE, /* time really passed and nobody sent */
	LULL_JUMP_STEP, /* the clock was set */
	LULL_JUMP_LOST, /* time really passed, and the senders went on unheard */
	LULL_JUMP_UNDECIDED
};

struct lull_jump {
	lull_time start; /* the source's first frame */
	lull_time before; /* the last frame before the leap */
	int64_t undone; /* sum of the steps of this source so far: a leap back by as much is one more step */
	const struct lull_rhythm *rhythms; /* every ID heard before the leap */
	size_t rhythm_count;
	const struct lull_frame *after; /* what follows, with t as if the clock had not been set; at least one */
	size_t after_count;
};

struct lull_jump_verdict {
	enum lull_jump_kind kind;
	int64_t shift; /* LULL_JUMP_STEP: to be taken off the times after the leap */
	int64_t error; /* of shift, ns; LULL_SEC where no phase tells it */
};

/* Sorts `rhythms` by bus and ID. */
struct lull_jump_verdict lull_jump_judge(const struct lull_jump *, struct lull_rhythm *rhythms);

#endif
