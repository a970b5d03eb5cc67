/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuse: the current of a circuit from the voltage drop across its blade fuse. Pure.
 *
 * The fuse stays in: nothing wakes. Cold resistances; makers differ by some 10 %, so the figure ranks circuits
 * and does not measure them. */
#include <lull/battery.h>

#include <errno.h>
#include <math.h>
#include <string.h>

static const char read_there[] = "a maker's table of cold resistance";
static const char memory[] = "a maker's table of cold resistance, from memory";

static const struct lull_fuse_row rows[] = {
	{"ato", 1, 123, memory},
	{"ato", 2, 53.5, memory},
	{"ato", 3, 31.1, memory},
	{"ato", 4, 22.8, memory},
	{"ato", 5, 17.85, memory},
	{"ato", 7.5, 10.91, memory},
	{"ato", 10, 7.70, read_there},
	{"ato", 15, 4.80, read_there},
	{"ato", 20, 3.38, memory},
	{"ato", 25, 2.52, memory},
	{"ato", 30, 1.97, memory},
	{"ato", 35, 1.61, memory},
	{"ato", 40, 1.44, memory},
};

/* Between makers; a value that nobody looked up again may be off itself. */
static const double spread_read = 0.10, spread_memory = 0.15;

const struct lull_fuse_row *lull_fuse_table(size_t *n)
{
	*n = sizeof(rows) / sizeof(*rows);
	return rows;
}

static const struct lull_fuse_row *find(const char *type, double rating_A)
{
	for (size_t i = 0; i < sizeof(rows) / sizeof(*rows); i++)
		if (strcasecmp(rows[i].type, type) == 0 && fabs(rows[i].rating_A - rating_A) < 1e-6)
			return &rows[i];
	return NULL;
}

static int current(double milliohm, double spread, double mV, double shorted_mV, double resolution_mV, struct lull_band *mA, double *least_mA)
{
	*mA = (struct lull_band){(double)NAN, (double)NAN, (double)NAN};
	*least_mA = (double)NAN;
	if (!(milliohm > 0) || !isfinite(milliohm) || !isfinite(mV))
		return -EINVAL;
	if (!isfinite(shorted_mV))
		shorted_mV = 0;
	if (!(resolution_mV > 0) || !isfinite(resolution_mV))
		resolution_mV = 0.1;
	/* mV over mOhm is A. */
	double per_mV = 1000 / milliohm, net = mV - shorted_mV, size = fabs(net);
	/* Two readings, each within half a digit: one digit together. */
	double low = fmax(0, size - resolution_mV) * per_mV / (1 + spread);
	double high = (size + resolution_mV) * per_mV / (1 - spread);

	*least_mA = resolution_mV * per_mV;
	*mA = net < 0 ? (struct lull_band){-high, net * per_mV, -low}
		      : (struct lull_band){low, net * per_mV, high};
	return 0;
}

int lull_fuse_current(const char *type, double rating_A, double mV, double shorted_mV, double resolution_mV,
	struct lull_band *mA, double *least_mA)
{
	const struct lull_fuse_row *row = type ? find(type, rating_A) : NULL;
	double spread = row && row->source == read_there ? spread_read : spread_memory;

	return current(row ? row->milliohm : (double)NAN, spread, mV, shorted_mV, resolution_mV, mA, least_mA);
}

int lull_fuse_current_by(double milliohm, double mV, double shorted_mV, double resolution_mV, struct lull_band *mA, double *least_mA)
{
	return current(milliohm, spread_read, mV, shorted_mV, resolution_mV, mA, least_mA);
}
