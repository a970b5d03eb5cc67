/* SPDX-License-Identifier: GPL-3.0-or-later */
/* forecast: what the draw means for the battery, and what the complaint would need (trade rules 5 and 25). Pure. */
#include "core/case.h"

#include <math.h>

#define HALF 0.5
#define DOUBTFUL 0.3 /* common practice: below some 30 % a start is doubtful */
#define USUAL_CHARGE 0.8 /* trade rule 25 */

static struct lull_band around(double mid, double half_width, double least)
{
	return (struct lull_band){ fmax(least, mid - half_width), fmax(least, mid), fmax(least, mid + half_width) };
}

static struct lull_band nothing(void)
{
	return (struct lull_band){ NAN, NAN, NAN };
}

void case_forecast(struct lull_case *c)
{
	const struct lull_question *ask = c->ask;
	struct lull_battery_report *b = &c->v->battery;
	const struct lull_current_report *r = &c->v->current;
	double told = isfinite(ask->capacity_Ah) ? ask->capacity_Ah : c->profile ? c->profile->capacity_Ah : NAN;

	b->capacity_Ah = b->charge = b->days_to_half = b->days_to_doubtful = nothing();
	if (isfinite(told) && told > 0)
		b->capacity_Ah = (struct lull_band){ told * 0.8, told, told }; /* an aged battery holds less than its label */
	else if (isfinite(ask->reserve_min) && ask->reserve_min > 0)
		b->capacity_Ah = lull_battery_capacity_from_reserve(ask->reserve_min);
	b->known = isfinite(b->capacity_Ah.mid);
	if (b->known && isfinite(ask->flat_after_h) && ask->flat_after_h > 0)
		c->v->current.needed_mA = lull_battery_complaint_mA(b->capacity_Ah.mid, ask->flat_after_h);
	b->charge = nothing();
	if (isfinite(ask->rest_V))
		b->charge = lull_battery_charge_from_rest(ask->battery, ask->rest_V, ask->rest_celsius, NAN, NAN);
	if (!isfinite(b->charge.mid)) {
		double charge = isfinite(ask->charge) ? ask->charge : USUAL_CHARGE;
		b->charge = around(charge, isfinite(ask->charge) ? 0.05 : 0.1, 0.05);
		b->charge.high = fmin(1, b->charge.high);
	}
	/* the average is what empties it; without a pairing the quiet level is a lower bound */
	double draw = isfinite(r->average_mA) ? r->average_mA : r->quiet_mA;
	double error = isfinite(r->average_mA) ? r->average_error_mA : r->quiet_error_mA;
	if (!b->known || !r->usable || !isfinite(draw) || !isfinite(error))
		return;
	struct lull_band band = around(draw, error, 0.1);
	b->days_to_half = lull_battery_days(b->capacity_Ah, b->charge, band, HALF, ask->battery);
	b->days_to_doubtful = lull_battery_days(b->capacity_Ah, b->charge, band, DOUBTFUL, ask->battery);
}
