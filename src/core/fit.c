/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fit: straight line of arrival time over index, from moments. Pure. */
#include <lull/rows.h>

#include <math.h>

/* a*b - c*d to about one rounding (Kahan's difference of products): index moments of a long stretch are
 * large and nearly cancel. */
static double difference(double a, double b, double c, double d)
{
	double cd = c * d;
	double lost = fma(-c, d, cd);

	return fma(a, b, -cd) + lost;
}

void lull_fit_join(struct lull_fit *into, const struct lull_fit *other)
{
	if (!(other->n > 0))
		return;
	if (!(into->n > 0)) {
		*into = *other;
		return;
	}
	into->n += other->n;
	into->sk += other->sk;
	into->skk += other->skk;
	into->sr += other->sr;
	into->skr += other->skr;
	into->srr += other->srr;
	if (other->r_min < into->r_min)
		into->r_min = other->r_min;
}

/* n times the sums of squares about the means. */
struct about_mean {
	double kk, kr, rr;
};

static struct about_mean about_mean(const struct lull_fit *fit)
{
	return (struct about_mean){
		.kk = difference(fit->n, fit->skk, fit->sk, fit->sk),
		.kr = difference(fit->n, fit->skr, fit->sk, fit->sr),
		.rr = difference(fit->n, fit->srr, fit->sr, fit->sr),
	};
}

/* Sum of squares that the line leaves, or the mean where all k are equal. Rounding may take it below zero. */
static double left_squares(const struct lull_fit *fit, const struct about_mean *m)
{
	double rest = m->kk > 0 ? difference(m->rr, m->kk, m->kr, m->kr) / m->kk : m->rr;

	return rest > 0 ? rest / fit->n : 0;
}

double lull_fit_ppm(const struct lull_fit *fit, int64_t period_ns, double *error_ppm)
{
	struct about_mean m = about_mean(fit);

	if (error_ppm)
		*error_ppm = (double)NAN;
	if (!(fit->n >= 3) || !(m.kk > 0) || period_ns <= 0)
		return (double)NAN;
	double to_ppm = 1e6 / (double)period_ns;

	if (error_ppm) /* s^2 = SSE / (n - 2), var(slope) = s^2 / Skk */
		*error_ppm = to_ppm * sqrt(left_squares(fit, &m) / (fit->n - 2) / (m.kk / fit->n));
	return to_ppm * (m.kr / m.kk);
}

double lull_fit_residual(const struct lull_fit *fit)
{
	struct about_mean m = about_mean(fit);

	if (!(fit->n > 0))
		return (double)NAN;
	return sqrt(left_squares(fit, &m) / fit->n);
}
