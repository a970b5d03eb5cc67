/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sim_random: draws from one generator. Pure. */
#include <math.h>
#include <source/sim_world.h>

double sim_uniform(gsl_rng *r, double low, double high)
{
	return low + (high - low) * gsl_rng_uniform(r);
}

double sim_log_uniform(gsl_rng *r, double low, double high)
{
	return exp(sim_uniform(r, log(low), log(high)));
}

int64_t sim_ns(gsl_rng *r, double low_s, double high_s)
{
	return (int64_t)(1e9 * sim_uniform(r, low_s, high_s));
}

int64_t sim_log_ns(gsl_rng *r, double low_s, double high_s)
{
	return (int64_t)(1e9 * sim_log_uniform(r, low_s, high_s));
}

unsigned sim_pick(gsl_rng *r, unsigned n)
{
	return (unsigned)gsl_rng_uniform_int(r, n);
}

bool sim_chance(gsl_rng *r, double probability)
{
	return gsl_rng_uniform(r) < probability;
}
