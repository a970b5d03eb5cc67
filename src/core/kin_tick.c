/* SPDX-License-Identifier: GPL-3.0-or-later */
/* kin_tick: what a software timer makes of a nominal period. Pure. */
#include "core/kin_tick.h"

#include <math.h>

/* A watch crystal of 32,768 Hz divided by powers of two; megahertz clocks likewise (1024 us and its halves). */
static const double tick_ns[KIN_TICKS] = { 0, 1e9 / 1024, 1e9 / 2048, 1.024e6, 0.512e6, 2.048e6 };
static const double share[KIN_TICKS] = { 0.5, 0.04, 0.04, 0.04, 0.04, 0.01 };
static const double usual = 5e6; /* ns: common schedulers tick in multiples of 5 ms */

double kin_tick_rounding(unsigned kind, double period)
{
	if (!kind)
		return 0;
	double ticks = fmax(1, round(period / tick_ns[kind]));
	return 1e6 * (ticks * tick_ns[kind] / period - 1);
}

double kin_tick_length(unsigned kind, double a, double b)
{
	if (kind)
		return tick_ns[kind];
	return fabs(remainder(a, usual)) > 1 || fabs(remainder(b, usual)) > 1 ? 0 : usual;
}

double kin_tick_share(unsigned kind)
{
	return share[kind];
}

double kin_tick_share_other(void)
{
	double rest = 1;

	for (unsigned i = 0; i < KIN_TICKS; i++)
		rest -= share[i];
	return rest;
}
