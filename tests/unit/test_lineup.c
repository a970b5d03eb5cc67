/* SPDX-License-Identifier: GPL-3.0-or-later */
/* test_lineup: the clamp log's clock beside the recording's, on invented nights with their truth; the correlation
 * against scipy. */
#include "made_current.h"
#include "share.h"

#include <core/correlate.h>
#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

/* --- correlation --- */

static void correlates_by_definition(void **state)
{
	(void)state;
	static const size_t sizes[][2] = {{1, 1}, {1, 5}, {5, 1}, {2, 2}, {17, 9}, {30, 64}};
	double a[64], b[64], out[128];
	unsigned x = 1;

	for (size_t i = 0; i < sizeof(sizes) / sizeof(*sizes); i++) {
		size_t na = sizes[i][0], nb = sizes[i][1];

		for (size_t k = 0; k < 64; k++) {
			x = x * 1103515245u + 12345u;
			a[k] = (double)(x >> 16 & 0xff) / 16;
			x = x * 1103515245u + 12345u;
			b[k] = (double)(x >> 16 & 0xff) / 16 - 8;
		}
		struct correlate_pair pairs[] = {{a, b, 1}, {a, b, 0.5}};

		assert_int_equal(correlate(pairs, 2, na, nb, out), 0);
		for (size_t k = 0; k < na + nb - 1; k++) {
			double want = 0;

			for (size_t m = 0; m < nb; m++)
				if (m + k >= nb - 1 && m + k - (nb - 1) < na)
					want += 1.5 * a[m + k - (nb - 1)] * b[m];
			assert_true(fabs(out[k] - want) < 1e-9);
		}
	}
}

/* scipy.signal.correlate(a, b, "full") of 3000 and 1700 values made by one rule on both sides. */
static const char scipy_program[] = "from scipy.signal import correlate\\n"
				    "import numpy\\n"
				    "def make(seed, n):\\n"
				    "    x, out = seed, []\\n"
				    "    for _ in range(n):\\n"
				    "        x = (x * 1103515245 + 12345) % 2**32\\n"
				    "        out.append((x >> 8 & 0xffff) / 65536 - 0.5)\\n"
				    "    return numpy.array(out)\\n"
				    "for v in correlate(make(7, 3000), make(11, 1700), \\\"full\\\", "
				    "\\\"direct\\\"): print(repr(float(v)))\\n";

static void make_values(unsigned seed, size_t n, double *out)
{
	for (size_t i = 0; i < n; i++) {
		seed = seed * 1103515245u + 12345u;
		out[i] = (double)(seed >> 8 & 0xffff) / 65536 - 0.5;
	}
}

static void correlates_as_scipy(void **state)
{
	(void)state;
	enum { NA = 3000, NB = 1700 };
	static double a[NA], b[NB], out[NA + NB - 1];
	static const char *const pythons[] = {"python3", "/usr/bin/python3"};
	char command[2048], line[64];
	size_t n = 0;
	double worst = 0;

	make_values(7, NA, a);
	make_values(11, NB, b);
	struct correlate_pair pair = {a, b, 1};

	assert_int_equal(correlate(&pair, 1, NA, NB, out), 0);
	for (size_t i = 0; i < 2 && !n; i++) {
		snprintf(command, sizeof(command), "printf '%%b' \"%s\" | %s - 2>/dev/null", scipy_program,
			pythons[i]);
		FILE *f = popen(command, "r");

		assert_non_null(f);
		while (fgets(line, sizeof(line), f) && n < NA + NB - 1)
			worst = fmax(worst, fabs(strtod(line, NULL) - out[n++]));
		(void)pclose(f);
	}
	if (!n) {
		print_message("skipped: correlation as scipy.signal.correlate: python3-scipy is not there\n");
		skip();
	}
	assert_int_equal(n, NA + NB - 1);
	assert_true(worst < 1e-9);
}

/* --- whole nights --- */

struct tally {
	unsigned nights, fit; /* with three steps that have an edge; of these, paired within the tolerance */
	unsigned paired, far; /* far: paired, and off by more than any tolerance */
	unsigned shuffled, false_pairs;
	double square; /* of error over stated error */
	unsigned sure, sure_right; /* confidence of 0.9 and above */
};

static double error_in_middle(const struct made_current *m, const struct lull_lineup *out)
{
	double s = 0.5 * m->series.s[m->series.n - 1];

	return out->start_s - m->start_s + 1e-6 * s * (out->drift_ppm - m->drift_ppm);
}

static void check_values(const struct lull_lineup *out)
{
	assert_true(isfinite(out->start_s) && isfinite(out->drift_ppm) && isfinite(out->error_s));
	assert_true(out->confidence >= 0 && out->confidence <= 1);
	assert_true(!out->paired || out->confidence >= 0.5);
	assert_true(memchr(out->why, 0, sizeof(out->why)) && out->why[0]);
}

static void add_night(struct tally *t, const struct made_current *m)
{
	struct lull_lineup out;

	assert_int_equal(lull_line_up(&m->in, &out), 0);
	check_values(&out);
	double error = error_in_middle(m, &out), tolerance = fmax(0.5, m->sample_s);
	bool right = fabs(error) < 2 * tolerance + 1;

	t->paired += out.paired;
	t->far += out.paired && !right;
	if (out.paired)
		t->square += error * error / (out.error_s * out.error_s);
	t->sure += out.confidence >= 0.9;
	t->sure_right += out.confidence >= 0.9 && right;
	if (m->pairs < 3)
		return;
	t->nights++;
	t->fit += out.paired && fabs(error) <= tolerance;
}

static void add_shuffled(struct tally *t, const struct made_current *bus, const struct made_current *clamp)
{
	struct lull_lineup_input in = clamp->in;
	struct lull_lineup out;

	in.edges = bus->in.edges;
	in.edge_count = bus->in.edge_count;
	in.end = bus->in.end;
	in.load_count = 0;
	assert_int_equal(lull_line_up(&in, &out), 0);
	check_values(&out);
	t->shuffled++;
	t->false_pairs += out.paired || out.confidence >= 0.5;
}

static struct tally run_nights(struct made_current_rule rule, unsigned nights)
{
	struct tally t = {0};
	struct made_current before = {0};

	for (unsigned i = 0; i < nights; i++) {
		struct made_current m;

		made_current_make(&m, &rule);
		rule.seed++;
		add_night(&t, &m);
		if (i) {
			add_shuffled(&t, &before, &m);
			made_current_clear(&before);
		}
		before = m;
		before.in.series = NULL; /* it moved; only its bus is used from here on */
	}
	made_current_clear(&before);
	print_message("%u nights with three steps, %u within tolerance; %u paired, %u far off; %u shuffled, "
		      "%u paired; "
		      "error over stated error %.2f; %u of %u right at 0.9\n",
		t.nights, t.fit, t.paired, t.far, t.shuffled, t.false_pairs,
		sqrt(t.square / fmax(1, t.paired)), t.sure_right, t.sure);
	return t;
}

static void lines_up_nights(void **state)
{
	(void)state;
	struct tally t = run_nights(
		(struct made_current_rule){.seed = 0, .hours = 10, .samples = 400000}, 300 / test_share());

	/* Fewer nights, more room. */
	assert_true(t.fit + 0.02 * t.nights + 2 >= t.nights);
	assert_int_equal(t.far, 0);
	assert_int_equal(t.false_pairs, 0);
	assert_true(t.sure_right >= 0.99 * t.sure);
	assert_true(t.square / t.paired < 2.5);
}

static void lines_up_long_nights(void **state)
{
	(void)state;
	struct tally t = run_nights(
		(struct made_current_rule){.seed = 5000, .hours = 72, .samples = 600000}, 20 / test_share());

	assert_true(t.fit + 2 >= t.nights);
	assert_int_equal(t.far, 0);
	assert_int_equal(t.false_pairs, 0);
}

/* Trade rule 20: a quartz wakes the car, the log begins when it sleeps: one period off is as good. */
static void refuses_aliases(void **state)
{
	(void)state;
	unsigned told = 0, n = 200 / test_share();

	for (unsigned i = 0; i < n; i++) {
		struct made_current_rule rule = {
			.seed = 9000 + i, .rhythm = MADE_STRICT, .hours = 10, .samples = 400000};
		struct made_current m;
		struct lull_lineup out;
		char text[16];

		made_current_make(&m, &rule);
		assert_int_equal(lull_line_up(&m.in, &out), 0);
		check_values(&out);
		assert_false(out.paired);
		assert_true(out.confidence < 0.5);
		if (m.pairs >= 6) {
			snprintf(text, sizeof(text), "%.1f s", out.other_start_s);
			assert_true(isfinite(out.other_start_s) != 0);
			told += strstr(out.why, text) && strstr(out.why, "cannot be told") ? 1 : 0;
		} else {
			told++;
		}
		made_current_clear(&m);
	}
	assert_true(told >= 0.95 * n);
}

/* With the key-off in both, it decides; where it is not seen well enough, nothing is paired. */
static void key_off_decides(void **state)
{
	(void)state;
	struct made_current_rule rule = {
		.seed = 0, .rhythm = MADE_STRICT_WITH_KEY, .hours = 10, .samples = 400000};
	struct tally t = run_nights(rule, 100 / test_share());

	assert_true(t.fit >= 0.5 * t.nights);
	assert_int_equal(t.far, 0);
}

/* A clamp that hung the other way round is told from one that did not, without a known load. */
static void reversed_is_told(void **state)
{
	(void)state;
	unsigned right = 0, told = 0, n = 40 / test_share();

	for (unsigned i = 0; i < 2 * n; i++) {
		bool turned = i < n;
		struct made_current_rule rule = {.seed = 30000 + i,
			.hours = 10,
			.samples = 400000,
			.read_scale = turned ? -1 : 1};
		struct made_current m;
		struct lull_lineup out;

		made_current_make(&m, &rule);
		assert_int_equal(lull_line_up(&m.in, &out), 0);
		check_values(&out);
		right += turned && (m.pairs < 4 || (out.paired && fabs(error_in_middle(&m, &out)) < 1.5));
		told += turned ? !out.paired || out.scale < 0 : !out.paired || isnan(out.scale);
		made_current_clear(&m);
	}
	print_message("reversed: %u of %u lined up, direction told in %u of %u\n", right, n, told, 2 * n);
	assert_int_equal(told, 2 * n);
	assert_true(right + 1 + 0.05 * n >= n);
}

/* Trade rule 19. */
static void known_load_decides(void **state)
{
	(void)state;
	static const struct {
		double read;
		bool start, end;
		enum made_rhythm rhythm;
	} cases[] = {
		{1, true, true, MADE_ANY},
		{1, true, true, MADE_STRICT},
		{10, true, true, MADE_STRICT},
		{-1, true, true, MADE_STRICT},
		{-0.1, true, false, MADE_ANY},
		{1, true, false, MADE_STRICT},
	};

	for (size_t c = 0; c < sizeof(cases) / sizeof(*cases); c++) {
		unsigned right = 0, by_load = 0, scaled = 0, n = test_share() > 1 ? 8 : 40;

		for (unsigned i = 0; i < n; i++) {
			struct made_current_rule rule = {.seed = 20000 + i,
				.rhythm = cases[c].rhythm,
				.hours = 8,
				.samples = 400000,
				.load_start = cases[c].start,
				.load_end = cases[c].end,
				.read_scale = cases[c].read};
			struct made_current m;
			struct lull_lineup out;

			made_current_make(&m, &rule);
			assert_int_equal(lull_line_up(&m.in, &out), 0);
			check_values(&out);
			by_load += out.by_load && out.paired;
			scaled += fabs(out.scale * cases[c].read - 1) < 0.1;
			right += out.paired && fabs(error_in_middle(&m, &out)) < 1.5;
			made_current_clear(&m);
		}
		print_message(
			"known load, read as %g: %u of %u by the load, %u right, %u with the right scale\n",
			cases[c].read, by_load, n, right, scaled);
		assert_true(right + 1 + 0.05 * n >= n);
		assert_true(scaled + 1 + 0.1 * n >= n);
	}
}

/* The mark stands ten minutes late. Where the bus hardly knows anything the load tells the lag; where the bus knows about as much,
 * neither is taken and both are named; from there on the load is dropped. */
static void load_the_bus_contradicts(void **state)
{
	(void)state;
	unsigned n = test_share() > 1 ? 4 : 12, alone = 0, both = 0, right = 0;

	for (unsigned i = 0; i < n; i++) {
		struct made_current_rule rule = {
			.seed = 40000 + i, .hours = 8, .samples = 400000, .load_start = true};
		struct made_current m;
		struct lull_lineup out;
		bool named = false;

		made_current_make(&m, &rule);
		size_t all = m.in.edge_count;

		m.loads[0].t += 600 * LULL_SEC;
		for (m.in.edge_count = 0; m.in.edge_count < 8; m.in.edge_count++) {
			assert_int_equal(lull_line_up(&m.in, &out), 0);
			check_values(&out);
			alone += !m.in.edge_count && out.paired && out.by_load;
			named |= !out.paired && out.by_load && strstr(out.why, "cannot be told") &&
				fabs(out.other_start_s - m.start_s) < 2;
		}
		m.in.edge_count = all;
		assert_int_equal(lull_line_up(&m.in, &out), 0);
		check_values(&out);
		assert_false(out.by_load);
		both += named;
		right += out.paired && fabs(error_in_middle(&m, &out)) < 1.5;
		made_current_clear(&m);
	}
	print_message("load with a wrong mark: %u of %u taken without a bus, %u named beside the right lag, %u right by the bus\n",
		alone, n, both, right);
	assert_true(alone + 1 >= n);
	assert_true(4 * both >= n);
	assert_true(right + 1 >= n);
}

/* --- small and odd inputs --- */

static void refuses_too_little(void **state)
{
	(void)state;
	static const struct lull_bus_edge edges[] = {
		{100 * LULL_SEC, true, 1}, {160 * LULL_SEC, false, 1}, {900 * LULL_SEC, true, 1}};
	static const struct lull_current_step steps[] = {{50, 10, 300, 1}, {111, 300, 10, 1}};
	struct lull_lineup_input in = {.end = 1000 * LULL_SEC, .dated_start_s = NAN};
	struct lull_lineup out;

	assert_int_equal(lull_line_up(&in, &out), 0);
	check_values(&out);
	assert_false(out.paired);
	assert_non_null(strstr(out.why, "no steps"));

	in.steps = steps;
	in.step_count = 2;
	assert_int_equal(lull_line_up(&in, &out), 0);
	check_values(&out);
	assert_false(out.paired);
	assert_non_null(strstr(out.why, "no edges"));

	in.edges = edges;
	in.edge_count = 3;
	assert_int_equal(lull_line_up(&in, &out), 0);
	check_values(&out);
	assert_false(out.paired);
	assert_true(out.confidence < 0.5);
}

static void survives_nonsense(void **state)
{
	(void)state;
	double s[] = {0, 1, 1, NAN, 5, -3, 1e300};
	float mA[] = {0, NAN, INFINITY, 1, -INFINITY, 3e38f, 2};
	struct lull_series series = {s, mA, 7, 1};
	const struct lull_current_step steps[] = {{NAN, 0, 1, 1}, {1e300, 0, 1, 1}, {3, NAN, 1, NAN},
		{4, -1e308, 1e308, 0}, {1, 5, 5, 0}, {2, 0, 50, -1}, {7, 50, 0, 1}, {9, 0, 50, 1}};
	const struct lull_bus_edge edges[] = {{LULL_NEVER, true, 1}, {INT64_MAX, false, 1},
		{2 * LULL_SEC, true, NAN}, {2 * LULL_SEC, true, 1}, {7 * LULL_SEC, false, 5},
		{9 * LULL_SEC, true, -1}};
	const struct lull_known_load loads[] = {{LULL_NEVER, 1}, {5, NAN}, {6, 0}, {INT64_MAX, INFINITY}};
	const lull_time ends[] = {0, -5, LULL_NEVER, INT64_MAX, 20 * LULL_SEC};
	const double dates[] = {NAN, INFINITY, -1e300, 0};

	for (size_t e = 0; e < 5; e++) {
		for (size_t d = 0; d < 4; d++) {
			for (int with = 0; with < 2; with++) {
				struct lull_lineup_input in = {with ? &series : NULL, steps, 8, edges, 6,
					loads, 4, ends[e], dates[d], dates[3 - d]};
				struct lull_lineup out;

				assert_int_equal(lull_line_up(&in, &out), 0);
				check_values(&out);
				assert_false(out.paired);
			}
		}
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(correlates_by_definition),
		cmocka_unit_test(correlates_as_scipy),
		cmocka_unit_test(refuses_too_little),
		cmocka_unit_test(survives_nonsense),
		cmocka_unit_test(lines_up_nights),
		cmocka_unit_test(lines_up_long_nights),
		cmocka_unit_test(refuses_aliases),
		cmocka_unit_test(key_off_decides),
		cmocka_unit_test(reversed_is_told),
		cmocka_unit_test(known_load_decides),
		cmocka_unit_test(load_the_bus_contradicts),
	};

	return cmocka_run_group_tests_name("lineup", tests, NULL, NULL);
}
