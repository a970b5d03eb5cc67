/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fuses: readings across fuses as currents. The leads may lie either way round, so only sizes count. */
#include <errno.h>
#include <math.h>
#include <report/fuses.h>
#include <stdlib.h>
#include <string.h>

/* 299 mA, 4.6 mA, 12.3 A */
static const char *amps(double mA, char buf[static 32])
{
	(void)snprintf(buf, 32, mA < 9.95 ? "%.1f mA" : mA < 9999.5 ? "%.0f mA" : "%.1f A", mA < 9999.5 ? mA : mA / 1000);
	return buf;
}

/* Without its sign: the leads' way round. */
static struct lull_band sized(const struct lull_band *b)
{
	if (b->mid >= 0)
		return *b;
	return (struct lull_band){-b->high, -b->mid, -b->low};
}

/* Half of the last digit or less is what a meter shows as nothing. */
static bool below(const struct lull_fuse_reading *f)
{
	return fabs(f->mA.mid) < 0.5 * f->least_mA;
}

static void cautions(const struct lull_page *p)
{
	static const char *const lines[] = {
		"Leave fuses in: pulling one, and putting it back, wakes modules. Measuring across its two test points does not.",
		"A meter fed by its own battery. An earthed oscilloscope's clip on a fuse shorts the battery.",
		"Fine tips, one fuse at a time: a tip that bridges two contacts bypasses a fuse.",
		"Wait until the car sleeps, latches tricked shut, key far away. Readings of different minutes belong to different states.",
		"Restraint, high-voltage and brake circuits: the maker's procedure only.",
	};
	size_t i;

	lull_page_heading(p, "TAKING THESE READINGS", "");
	for (i = 0; i < sizeof lines / sizeof lines[0]; i++)
		lull_page_para(p, 3, "- ", LULL_INK_NONE, lines[i]);
}

/* More than its rating, even at the least: it would have blown, so something was told wrong. */
static bool beyond_rating(const struct lull_fuse_reading *f)
{
	return isfinite(f->rating_A) && sized(&f->mA).low > 1e3 * f->rating_A;
}

static const struct lull_fuse_row *row_of(const struct lull_fuse_reading *f)
{
	size_t n, i;
	const struct lull_fuse_row *row = lull_fuse_table(&n);

	for (i = 0; i < n; i++) {
		if (!strcasecmp(row[i].type, f->type) && fabs(row[i].rating_A - f->rating_A) < 1e-6)
			return &row[i];
	}
	return NULL;
}

void lull_fuses_one(const struct lull_page *p, const struct lull_fuse_reading *f)
{
	const struct lull_band b = sized(&f->mA);
	const struct lull_fuse_row *row = row_of(f);
	char mid[32], low[32], high[32];

	if (below(f))
		lull_page_itemf(p, "Current", "below %s: nothing this meter can show on this fuse, which is not none", amps(b.high, high));
	else
		lull_page_itemf(p, "Current", "%s (%s to %s)", amps(b.mid, mid), amps(b.low, low), amps(b.high, high));
	if (beyond_rating(f))
		lull_page_item(p, "Rating", "this is more than the fuse carries: is the reading in millivolts, and are rating and type right?");
	lull_page_itemf(p, "Sees from", "%s: one digit of this meter on this fuse", amps(f->least_mA, low));
	if (isfinite(f->milliohm))
		lull_page_itemf(p, "Fuse", "%.2f mOhm cold, as you told; fuses of one kind differ by some 10 %%", f->milliohm);
	else if (row)
		lull_page_itemf(p, "Fuse", "%s %g A, %.2f mOhm cold: %s; makers differ by some 10 %%", row->type, row->rating_A,
			row->milliohm, row->source);
	cautions(p);
}

static int by_current(const void *x, const void *y)
{
	const struct lull_fuse_reading *a = *(const struct lull_fuse_reading *const *)x, *b = *(const struct lull_fuse_reading *const *)y;
	const double p = below(a) ? 0 : fabs(a->mA.mid), q = below(b) ? 0 : fabs(b->mA.mid);

	if (p != q)
		return (p < q) - (p > q);
	/* Among those that show nothing, the one that may hide most. */
	return (a->least_mA < b->least_mA) - (a->least_mA > b->least_mA);
}

static void cell(FILE *out, const char *clean, unsigned columns)
{
	unsigned w = lull_page_columns(clean);

	(void)fputs(clean, out);
	for (; w < columns; w++)
		(void)putc(' ', out);
}

static void ranked_row(const struct lull_page *p, const struct lull_fuse_reading *f, unsigned name)
{
	const struct lull_band b = sized(&f->mA);
	char fit[200], text[96], low[32], high[32];

	(void)fputs("   ", p->out);
	cell(p->out, lull_page_fit(f->name, name - 1, fit, sizeof fit), name);
	cell(p->out, lull_page_fit(f->type, 5, fit, sizeof fit), 6);
	(void)snprintf(text, sizeof text, "%g A", f->rating_A);
	cell(p->out, text, 8);
	(void)snprintf(text, sizeof text, "%.4g", f->mV);
	cell(p->out, text, 8);
	if (below(f)) {
		(void)snprintf(text, sizeof text, "below %s", amps(b.high, high));
		cell(p->out, text, 28);
	} else {
		cell(p->out, amps(b.mid, text), 10);
		(void)snprintf(text, sizeof text, "%s to %s", amps(b.low, low), amps(b.high, high));
		cell(p->out, text, 18);
	}
	(void)fprintf(p->out, "%s\n", amps(f->least_mA, text));
}

static void ranked(const struct lull_page *p, const struct lull_fuse_reading *const *order, size_t n)
{
	const unsigned name = p->width - 3 - 6 - 8 - 8 - 28 - 9;
	size_t i;

	lull_page_heading(p, "FUSES, BY CURRENT", "");
	(void)fprintf(p->out, "   %s", lull_page_on(p, LULL_INK_STRONG));
	cell(p->out, "fuse", name);
	cell(p->out, "type", 6);
	cell(p->out, "rating", 8);
	cell(p->out, "mV", 8);
	cell(p->out, "current", 10);
	cell(p->out, "between", 18);
	(void)fprintf(p->out, "sees from%s\n", lull_page_off(p, LULL_INK_STRONG));
	for (i = 0; i < n; i++)
		ranked_row(p, order[i], name);
}

static void changes(const struct lull_page *p, const struct lull_fuse_reading *const *order, size_t n)
{
	size_t i;
	bool any = false;

	for (i = 0; i < n; i++) {
		const struct lull_fuse_reading *f = order[i];
		const struct lull_band less = f->less_mA;
		const double sign = f->mV < 0 ? -1 : 1;
		char clean[160], mid[32], low[32], high[32];

		if (!isfinite(f->after_mV))
			continue;
		if (!any)
			lull_page_heading(p, "WITH THE SUSPECT UNPLUGGED", "");
		any = true;
		lull_page_fit(f->name, 40, clean, sizeof clean);
		if (less.low <= 0 && less.high >= 0)
			lull_page_itemf(p, "", "%s: no change that this meter can show (%s)", clean, amps(f->least_mA, low));
		else if (sign * less.mid > 0)
			lull_page_itemf(p, "", "%s: %s less (%s to %s)", clean, amps(fabs(less.mid), mid), amps(sized(&less).low, low),
				amps(sized(&less).high, high));
		else
			lull_page_itemf(p, "", "%s: %s MORE: something woke, read again once it sleeps", clean, amps(fabs(less.mid), mid));
	}
}

static void sum_up(const struct lull_page *p, const struct lull_fuse_reading *f, size_t n, double clamp_mA)
{
	struct lull_band sum = {0, 0, 0};
	double hidden = 0;
	size_t i, none = 0;
	char a[32], b[32], c[32];

	for (i = 0; i < n; i++) {
		const struct lull_band one = sized(&f[i].mA);

		sum.high += one.high;
		if (below(&f[i])) {
			none++;
			hidden += one.high;
			continue;
		}
		sum.low += one.low;
		sum.mid += one.mid;
	}
	lull_page_heading(p, "TOGETHER", "");
	lull_page_itemf(p, "Fuses", "%zu read, %s together (%s to %s)", n, amps(sum.mid, a), amps(sum.low, b), amps(sum.high, c));
	if (none)
		lull_page_itemf(p, "", "%zu of them %s nothing: up to %s may hide there, most in the large ones", none, none == 1 ? "shows" : "show",
			amps(hidden, a));
	for (size_t k = 0; k < n; k++) {
		if (beyond_rating(&f[k]))
			lull_page_itemf(p, "Rating", "%s reads more than it carries: is that in millivolts, and are rating and type right?", f[k].name);
	}
	if (!isfinite(clamp_mA))
		return;
	clamp_mA = fabs(clamp_mA);
	lull_page_itemf(p, "Clamp", "%s at the same time", amps(clamp_mA, a));
	if (clamp_mA > sum.high)
		lull_page_itemf(p, "Rest",
			"%s (at least %s) flows through none of these fuses: look at fuses not read yet, and at feeds without a blade fuse: the "
			"alternator's B+ cable, the starter, and wires added at the battery post",
			amps(clamp_mA - sum.mid, a), amps(clamp_mA - sum.high, b));
	else if (clamp_mA < sum.low)
		lull_page_item(p, "Rest",
			"none: the fuses show more than the clamp. Were modules awake for some readings? Is the clamp's scale right (10 and 100 "
			"mV/A), and are all cables of that post in it?");
	else
		lull_page_item(p, "Rest", "none that these readings could tell: the fuses explain what the clamp shows");
}

int lull_fuses_survey(const struct lull_page *p, const struct lull_fuse_reading *f, size_t n, double clamp_mA)
{
	const struct lull_fuse_reading **order = calloc(n ? n : 1, sizeof *order);
	size_t i;

	if (!order)
		return -ENOMEM;
	for (i = 0; i < n; i++)
		order[i] = &f[i];
	qsort(order, n, sizeof *order, by_current);
	ranked(p, order, n);
	changes(p, order, n);
	sum_up(p, f, n, clamp_mA);
	(void)putc('\n', p->out);
	lull_page_para(p, 3, "", LULL_INK_NONE,
		"These figures rank circuits and do not measure them: makers of fuses differ by some 10 %. 'Sees from' is one digit of the "
		"meter: what is smaller reads 0.0 and is still there.");
	cautions(p);
	free(order);
	return 0;
}

void lull_fuses_table(const struct lull_page *p)
{
	size_t n, i;
	const struct lull_fuse_row *row = lull_fuse_table(&n);

	(void)fprintf(p->out, "type   rating    mOhm    1 mV is  source\n");
	for (i = 0; i < n; i++)
		(void)fprintf(p->out, "%-6s %5g A  %6.2f  %6.0f mA  %s\n", row[i].type, row[i].rating_A, row[i].milliohm,
			1000 / row[i].milliohm, row[i].source);
}
