/* SPDX-License-Identifier: GPL-3.0-or-later */
/* weights: from a clue and its doubts to a probability. Pure. */
#include "core/weights.h"

#include <stddef.h>

#define WEIGHT(clue, probability) [clue] = (probability),
#define DOUBT(doubt, factor) { (doubt), (factor) },

static const double weights[LULL_CLUE_COUNT] = { WEIGHTS(WEIGHT) };
static const struct {
	enum lull_doubt doubt;
	double factor;
} doubted[] = { DOUBTS(DOUBT) };

double case_weight(enum lull_clue clue, unsigned doubts)
{
	double odds = weights[clue] / (1 - weights[clue]);

	for (size_t i = 0; i < sizeof doubted / sizeof *doubted; i++)
		if (doubts & doubted[i].doubt)
			odds *= doubted[i].factor;
	return odds / (1 + odds);
}
