/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clamp_report: the tables of nights with a clamp, and what they must reach. */
#include "nights.h"

#include <stdio.h>

static void join(struct share *to, struct share s)
{
	to->n += s.n;
	to->hit += s.hit;
}

static void add(struct clamp_score *to, const struct clamp_score *s)
{
	to->nights += s->nights;
	to->right += s->right;
	to->all_clear_wrong += s->all_clear_wrong;
	to->broken += s->broken;
	join(&to->aligned, s->aligned);
	join(&to->rises, s->rises);
	join(&to->falls, s->falls);
	join(&to->falls_exact, s->falls_exact);
	join(&to->counted, s->counted);
	join(&to->stated, s->stated);
	join(&to->steps, s->steps);
	for (int why = 0; why < REFUSALS; why++)
		for (int rises = 0; rises <= MOST_RISES; rises++)
			to->refused[why][rises] += s->refused[why][rises];
	for (int i = 0; i < DECILES; i++) {
		to->bin_n[i] += s->bin_n[i];
		to->bin_hit[i] += s->bin_hit[i];
		to->bin_sum[i] += s->bin_sum[i];
	}
	to->paired += s->paired;
	to->paired_wrong += s->paired_wrong;
	to->aliased += s->aliased;
	join(&to->shuffled, s->shuffled);
	join(&to->quiet_zeroed, s->quiet_zeroed);
	join(&to->quiet_band, s->quiet_band);
	to->quiet_missing += s->quiet_missing;
	join(&to->node, s->node);
	join(&to->stop, s->stop);
	join(&to->together, s->together);
	join(&to->pair, s->pair);
	to->half_mA += s->half_mA;
	join(&to->charge, s->charge);
	join(&to->asked, s->asked);
	to->asked_in_vain += s->asked_in_vain;
	to->charge_share += s->charge_share;
	join(&to->sign, s->sign);
	join(&to->lost, s->lost);
	join(&to->cost, s->cost);
	to->early_s += s->early_s;
	to->early += s->early;
	to->samples += s->samples;
}

static const char *of(struct share s, char buf[static 24])
{
	if (!s.n)
		return "-";
	(void)snprintf(buf, 24, "%u/%u", s.hit, s.n);
	return buf;
}

static void print_row(const char *name, const struct clamp_score *s)
{
	char a[24], q[24], b[24], n[24], c[24], l[24];

	printf("%-20s %6u %6u %9s %7u %7u %9s %9s %7u %9s %9s %7s %8llu\n", name, s->nights, s->right, of(s->aligned, a), s->paired,
		s->paired_wrong + s->aliased, of(s->quiet_zeroed, q), of(s->quiet_band, b), s->quiet_missing, of(s->node, n),
		of(s->cost, c), of(s->lost, l), s->nights ? s->samples / s->nights : 0);
}

/* A share against its bounds, in percent; few cases are given the benefit of their own uncertainty. */
static bool reaches(const char *what, struct share s, double least, double most)
{
	if (!s.n) {
		printf("%-56s no case\n", what);
		return true;
	}

	double low = 100 * wilson(s.hit, s.n, -1.96), high = 100 * wilson(s.hit, s.n, 1.96), share = 100.0 * s.hit / s.n;
	bool good = s.n >= 400 ? share >= least && share <= most : high >= least && low <= most;

	printf("%-56s %6.1f %% of %5u (%.1f to %.1f; wanted %.0f to %.0f)%s\n", what, share, s.n, low, high, least, most,
		good ? "" : "  FAILED");
	return good;
}

static bool none(const char *what, unsigned n, unsigned of_nights)
{
	printf("%-56s %6u of %u (wanted 0)%s\n", what, n, of_nights, n ? "  FAILED" : "");
	return n == 0;
}

/* A confidence of c should be right in about c; half of what is asked are strangers, more or less. */
static void print_confidence(const struct clamp_score *s)
{
	static const char *const why[REFUSALS] = { "fewer than three steps, or no rise, found", "no better than chance", "one lag as good as another" };

	printf("\nconfidence of lining up, right nights and strangers' logs together:\n");
	for (int i = 0; i < DECILES; i++)
		if (s->bin_n[i])
			printf("  %.1f to %.1f  %5u, right %5u (%5.1f %%), told %5.1f %%\n", i / 10.0, (i + 1) / 10.0, s->bin_n[i],
				s->bin_hit[i], 100.0 * s->bin_hit[i] / s->bin_n[i], 100 * s->bin_sum[i] / s->bin_n[i]);
	printf("nights with three steps that are not paired, by their rises:      none   one   two  more\n");
	for (int i = 0; i < REFUSALS; i++) {
		printf("  %-60s", why[i]);
		for (int rises = 0; rises <= MOST_RISES; rises++)
			printf(" %5u", s->refused[i][rises]);
		printf("\n");
	}
}

bool clamp_report(const struct clamp_table *tables, unsigned long jobs, bool died)
{
	size_t count;
	const struct lull_sim_scenario *scenarios = lull_sim_scenarios(&count);
	struct clamp_score all = { 0 };
	unsigned passed = 0, failed = 0;

	printf("%-20s %6s %6s %9s %7s %7s %9s %9s %7s %9s %9s %7s %8s\n", "scenario", "nights", "right", "aligned", "paired", "wrongly",
		"zeroed", "in band", "no lvl", "node", "cost", "lost", "samples");
	for (size_t i = 0; i < count; i++) {
		struct clamp_score s = { 0 };

		for (unsigned long job = 0; job < jobs; job++)
			add(&s, &tables[job].of[i]);
		if (!s.nights && !s.broken)
			continue;
		print_row(scenarios[i].name, &s);
		add(&all, &s);
				if (s.broken || too_few_right(s.right, s.nights, 0.9))
			failed++;
		else
			passed++;
	}
	print_row("all", &all);
	printf("\naligned: of nights with three steps that the bus shows, a rise among them; wrongly: paired at 0.5 or more and far off, or by a guess; zeroed: quiet\n"
	       "level within 3 mA with a zero before and after; in band: else, within its own; no lvl: none told though it was there; node:\n"
	       "within its 95 %%; cost: within its band; lost: told, and when.\n\n");

	bool good[] = {
		reaches("right findings", (struct share){ all.nights, all.right }, 95, 100),
		none("all-clear above the limit, or from a log that was dead", all.all_clear_wrong, all.nights),
		reaches("alignment within a sample or 0.5 s (aim: 98; floor:)", all.aligned, 95, 100),
		none("paired wrongly at 0.5 or more", all.paired_wrong, all.nights),
		none("paired by a guess at 0.5 or more", all.aliased, all.nights),
		none("a stranger's log paired at 0.5 or more", all.shuffled.hit, all.shuffled.n),
		reaches("quiet level within 3 mA, zero before and after", all.quiet_zeroed, 95, 100),
		reaches("quiet level within its band, else", all.quiet_band, 90, 99),
		reaches("node's draw within its 95 %", all.node, 90, 99),
		reaches("fall at a node's stop within its 95 %", all.stop, 90, 99),
		reaches("sum of nodes never apart within its 95 %", all.together, 90, 100),
		reaches("charge of a spell within its 95 %", all.charge, 90, 100),
		reaches("cost of a finding within its 95 %", all.cost, 90, 100),
		reaches("pairs never apart told as such", all.pair, 95, 100),
		reaches("wrong scale asked about, or put right", all.asked, 90, 100),
		reaches("nights of a right scale asked about", (struct share){ all.nights, all.asked_in_vain }, 0, 2),
		reaches("direction of the clamp", all.sign, 95, 100),
		reaches("lost logs told", all.lost, 95, 100),
	};

	(void)reaches("(of these with three rises: aligned)", all.rises, 0, 100);
	(void)reaches("(three steps, all falls: within what is stated)", all.falls, 0, 100);
	(void)reaches("(three steps, all falls: within a sample or 0.5 s)", all.falls_exact, 0, 100);
	(void)reaches("(all nights with three steps: aligned)", all.steps, 0, 100);
	(void)reaches("(the same, all falls within what is stated counted)", all.counted, 0, 100);
	(void)reaches("(those paired: within what is stated)", all.stated, 0, 100);
	printf("(paired at all: %u of the %u nights with three steps, a rise among them)\n", all.paired, all.aligned.n);
	if (all.stop.n)
		printf("(half width of the band of a node's fall: %.1f mA on average)\n", all.half_mA / all.stop.n);
	if (all.charge.n)
		printf("(half width of the band of a spell's charge: %.0f %% of it on average)\n", 100 * all.charge_share / all.charge.n);
	if (all.early)
		printf("(pairings put the log %.2f s too early on average, where that is under 3 s)\n", all.early_s / all.early);
	print_confidence(&all);
	for (size_t i = 0; i < sizeof good / sizeof *good; i++) {
		passed += good[i];
		failed += !good[i];
	}
	if (died || all.broken || !all.nights) {
		printf("%u nights broken%s\n", all.broken, died ? "; a job died" : "");
		failed++;
	}
	printf("%u passed, %u failed\n", passed, failed);
	return failed == 0;
}
