/* SPDX-License-Identifier: GPL-3.0-or-later */
/* weights: from a clue and its doubts to a probability. Pure. */
#include "core/weights.h"

#include <math.h>
#include <stddef.h>

#define WEIGHT(clue, probability) [clue] = (probability),
#define DOUBT(doubt, factor) { (doubt), (factor) },

static const double weights[LULL_CLUE_COUNT] = { WEIGHTS(WEIGHT) };
static const struct {
	enum lull_doubt doubt;
	double factor;
} doubted[] = { DOUBTS(DOUBT) };

/* That the ID is of the node. */
static double own(double kin)
{
	double odds = KIN_ODDS * kin / (1 - kin);

	return kin > 0 ? odds / (1 + odds) : 1;
}

double case_weight(enum lull_clue clue, unsigned doubts, double kin)
{
	double most = MOST_STATED / (1 - MOST_STATED), odds = weights[clue] / (1 - weights[clue]);

	for (size_t i = 0; i < sizeof doubted / sizeof *doubted; i++)
		if (doubts & doubted[i].doubt) {
			odds *= doubted[i].factor;
			most *= doubted[i].factor;
		}
	return fmin(odds / (1 + odds) * own(kin), most / (1 + most));
}
