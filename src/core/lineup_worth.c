/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lineup_worth: what a fit is worth beside all lags that might have been, and how near the truth it lies. Pure. */
#include <core/lineup.h>
#include <math.h>

#define TURNED 1.7 /* who hangs a clamp minds the arrow, or the log has told the direction already */
/* What each kind of evidence counts: edges of one spell, wakes of one length, one rhythm are not independent, and all cars
 * do alike when the key is turned off. Steps that no edge explains speak against a lag. Where neither a rise found its edge nor
 * the bus began or ended, chance comes nearest. By logistic regression over invented nights, seeds 1 to 24, and shuffled pairs
 * of such; on seeds 1 to 20, with other nights of the same car among the shuffled, LEVEL comes out the same. */
#define BY_RISES 0.55
#define BY_FALLS 0.6
#define BY_KEY 0.8
#define BY_DATE 0.2 /* who dates logs rightly begins them with the recording: mostly that is counted already */
#define UNEXPLAINED 1.05
#define NO_RISE 0.55
#define NO_SPELL 1.55
#define LEVEL 1.5
#define VISIT 120.0 /* s */
#define VISITS 0.7
#define ROOM 3.0 /* s: what falls trail by, where nothing else tells */

/* Dates are a hint: right, or off by whole hours, likelier than anything else; or worth nothing. */
static double hint(const struct lineup *l, double start)
{
	if (isnan(l->dated))
		return 0;
	double off = start - l->dated, hours = fabs(off - 3600 * round(off / 3600));

	if (fabs(off) < 30)
		return 2;
	if (fabs(off) < 600)
		return 1;
	return hours < 30 && fabs(off) < 14.5 * 3600 ? 0.7 : 0;
}

/* Recorder and logger are mostly started in one visit to the car, and stopped in one, minutes apart: log of how much likelier
 * that makes what lies between two such ends than chance does. No more than a hint: many a log is begun or ends at another
 * time. */
static double visit(double apart, double chance)
{
	double near = 1 / (M_PI * VISIT * (1 + (apart / VISIT) * (apart / VISIT)));
	double far = 1 / (M_PI * chance * (1 + (apart / chance) * (apart / chance)));

	return log(VISITS * near / far + 1 - VISITS);
}

static double ends(const struct lineup *l, const struct lineup_fit *f)
{
	double says = visit(f->start + l->lo, 600) + visit(f->start + l->hi - l->end, 5000);

	/* What falls after a key stands equally far from the visits in any two nights: there these tell the nights alike, not the
	 * night, and may only speak against a lag. */
	return f->rises ? says : fmin(says, 0);
}

/* Log of the odds that two recordings belong together by this lag against two of different nights: its score, shared among
 * all lags that might have been. */
double lineup_worth(const struct lineup *l, const struct lineup_fit *f)
{
	double lags = fmax(1, l->end + l->hi - l->lo);

	return LEVEL + BY_RISES * f->by[1] + BY_FALLS * f->by[0] + BY_KEY * f->by_key -
		UNEXPLAINED * log1p(f->unexplained) - (f->rises ? 0 : NO_RISE) - (f->overlapping ? 0 : NO_SPELL) - log(lags) + ends(l, f) +
		BY_DATE * hint(l, f->start) - (f->turned ? TURNED : 0);
}

/* Where all that matched leaves room, the right lag may still be off by more than a step in the current allows. */
double lineup_near_enough(const struct lineup *l, const struct lineup_fit *f)
{
	double room = fmax(ROOM, 2 * l->sample_s);

	return f->error_s > 0 ? erf(room / (f->error_s * sqrt(2))) : 1;
}
