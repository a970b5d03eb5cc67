/* SPDX-License-Identifier: GPL-3.0-or-later */
/* draw_scale: a clamp whose scale was told ten times wrong is asked about; a large or a small car is not. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

#include "made_night.h"

struct night {
	double keyed_mA, network_mA, quiet_mA; /* as they truly are */
	double told_mV_per_A, times; /* true current over what is read */
	bool unzeroed, load;
};

/* Key on, settling, a wake of 20 s after an hour. */
static void judged(const struct night *n, struct lull_verdict *v)
{
	struct script s = { 0 };
	parks(&s, 0, 0);
	draws(&s, 60, n->keyed_mA);
	draws(&s, 105, n->network_mA + n->quiet_mA);
	draws(&s, 3600, n->quiet_mA);
	draws(&s, 3621, n->network_mA + n->quiet_mA);
	sends(&s, 0x244, 0.1, 3600.2, 3620, 0xa5a5);
	if (n->load) {
		marked(&s, 5000, LULL_MARK_TEST_LOAD);
		s.marks.at[s.marks.n - 1].value = 420;
		draws(&s, 5000, n->quiet_mA);
		draws(&s, 5007, n->quiet_mA + 420);
		draws(&s, 5010, n->quiet_mA);
		draws(&s, 5015, n->quiet_mA + 420);
	}
	draws(&s, 20000, n->quiet_mA);
	covered(&s, 0, 20000, LULL_OBSERVED);
	for (size_t i = 0; i < s.uA.n; i++)
		s.uA.at[i] = (int32_t)lround(s.uA.at[i] / n->times);
	s.clamp.mV_per_A = n->told_mV_per_A;
	s.clamp.range_A = NAN;
	if (n->unzeroed)
		s.clamp.zero_before_mA = s.clamp.zero_after_mA = NAN;
	judge(&s, 20000, NULL, v);
}

static bool asked(const struct night *n, double times)
{
	struct lull_verdict v;
	judged(n, &v);
	bool doubt = v.current.scale_doubt != NULL;
	if (doubt)
		assert_true(v.current.scale_times == times);
	else
		assert_true(isnan(v.current.scale_times));
	lull_verdict_clear(&v);
	return doubt;
}

static void a_right_scale_is_not_asked_about(void **state)
{
	(void)state;
	const struct night usual = { .keyed_mA = 6000, .network_mA = 900, .quiet_mA = 18, .told_mV_per_A = 100, .times = 1 };
	struct night large = usual, small = usual, drain = usual, charged = usual;
	large.keyed_mA = 26000;
	large.network_mA = 3000;
	large.told_mV_per_A = small.told_mV_per_A = 10;
	small.keyed_mA = 2500;
	small.network_mA = 350;
	drain.quiet_mA = 900; /* a bad one */
	charged.keyed_mA = -9000;
	assert_false(asked(&usual, 0));
	assert_false(asked(&large, 0));
	assert_false(asked(&small, 0));
	assert_false(asked(&drain, 0));
	assert_false(asked(&charged, 0));
}

static void ten_times_too_little_or_too_much(void **state)
{
	(void)state;
	const struct night little = { .keyed_mA = 6000, .network_mA = 900, .quiet_mA = 18, .told_mV_per_A = 100, .times = 10 };
	struct night much = little, unzeroed = little;
	much.told_mV_per_A = 10;
	much.times = 0.1;
	unzeroed.unzeroed = true;
	assert_true(asked(&little, 10));
	assert_true(asked(&much, 0.1));
	assert_true(asked(&unzeroed, 10));
	/* no clamp gives a tenth of 1 mV/A: there is no other range to ask for */
	struct night lowest = little;
	lowest.told_mV_per_A = 1;
	assert_false(asked(&lowest, 0));
}

/* Milliamperes taken for amperes, or amperes for milliamperes: in a log of amperes as well, where no scale can be wrong. */
static void a_thousand_times(void **state)
{
	(void)state;
	struct night n = { .keyed_mA = 6000, .network_mA = 900, .quiet_mA = 18, .told_mV_per_A = NAN, .times = 0.001 };
	assert_true(asked(&n, 0.001));
	const struct night little = { .keyed_mA = 6000, .network_mA = 900, .quiet_mA = 18, .told_mV_per_A = 100, .times = 1000 };
	assert_true(asked(&little, 1000));
	/* one odd figure is not enough to ask; and ten times wrong is not a thousand times wrong */
	const struct night odd = { .keyed_mA = 6000, .network_mA = 900, .quiet_mA = 30000, .told_mV_per_A = NAN, .times = 1 };
	assert_false(asked(&odd, 0));
	struct lull_verdict v;
	judged(&little, &v);
	assert_non_null(strstr(v.current.scale_doubt, "--clamp-unit"));
	bool said = false;
	for (size_t i = 0; i < v.findings.n; i++)
		for (size_t k = 0; k < v.findings.at[i].next.n; k++)
			said |= strstr(v.findings.at[i].next.at[k], "--clamp-unit") != NULL;
	assert_true(said);
	lull_verdict_clear(&v);
}

/* What the figures cannot tell is not asked: both readings of this car are as usual as the other. */
static void both_scales_alike(void **state)
{
	(void)state;
	const struct night n = { .keyed_mA = 19000, .network_mA = 3000, .quiet_mA = 10, .told_mV_per_A = 100, .times = 10 };
	assert_false(asked(&n, 0));
}

/* 60 mA that read 6 are no all-clear under a limit of 50; 2 mA that read 0.2 are, whichever scale it was. */
static void no_all_clear_in_doubt(void **state)
{
	(void)state;
	struct night n = { .keyed_mA = 6000, .network_mA = 900, .quiet_mA = 60, .told_mV_per_A = 100, .times = 10 };
	struct lull_verdict v;
	judged(&n, &v);
	const struct lull_finding *f = only(&v, LULL_DRAW_NOT_MEASURED);
	assert_non_null(strstr(f->text, "scale or unit is in doubt"));
	assert_true(f->next.n > 0);
	assert_non_null(strstr(f->next.at[0], "--clamp-scale"));
	assert_non_null(strstr(v.current.scale_doubt, "600 mA with the key on"));
	assert_non_null(strstr(v.current.scale_doubt, "10 mV/A where 100 mV/A was told"));
	lull_verdict_clear(&v);
	n.quiet_mA = 2;
	judged(&n, &v);
	assert_non_null(v.current.scale_doubt);
	only(&v, LULL_WITHIN_LIMIT);
	lull_verdict_clear(&v);
}

/* A known load in the log leaves nothing to ask: it puts the scale right, or shows that the car is an unusual one. */
static void a_known_load_settles_it(void **state)
{
	(void)state;
	struct night n = { .keyed_mA = 6000, .network_mA = 900, .quiet_mA = 18, .told_mV_per_A = 100, .times = 10, .load = true };
	struct lull_verdict v;
	judged(&n, &v);
	assert_null(v.current.scale_doubt);
	assert_true(fabs(v.current.gain - 10) < 0.3);
	assert_true(fabs(v.current.quiet_mA - 18) < 3);
	lull_verdict_clear(&v);
	struct night unusual = { .keyed_mA = 700, .network_mA = 100, .quiet_mA = 18, .told_mV_per_A = 100, .times = 1 };
	assert_true(asked(&unusual, 10));
	unusual.load = true;
	assert_false(asked(&unusual, 0));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_right_scale_is_not_asked_about),
		cmocka_unit_test(ten_times_too_little_or_too_much),
		cmocka_unit_test(a_thousand_times),
		cmocka_unit_test(both_scales_alike),
		cmocka_unit_test(no_all_clear_in_doubt),
		cmocka_unit_test(a_known_load_settles_it),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
