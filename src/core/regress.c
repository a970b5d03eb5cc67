/* SPDX-License-Identifier: GPL-3.0-or-later */
/* regress: what each node draws while it is awake: non-negative least squares of the current on who is awake. Pure.
 *
 * Not of levels but of steps between times in which nobody starts or stops: a clamp's zero drifts, its steps are good to the noise.
 * Every bus has a column of its own, for what nodes draw that are silent while it is awake. Weights follow the noise and a
 * spread between steps; steps far off count less (Huber 1964). Errors are those of leaving out one awake time after the other
 * (jackknife by cluster, with Student's t), never below what the noise makes: a node's draw is no constant, and errors
 * within one awake time go together. Where the sign constraint decides, the value is the constrained one, the error the free
 * one's. What no steps tell apart, or a single awake time only, gets no figure but is named together. */
#include "core/regress.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LEAST_SPELLS 3 /* in which a column moves */
#define OPEN 1e-6 /* of the projector on what is not told */
#define FAR_OFF 2.5 /* standard deviations; Huber's bend */
#define SHARP_MA 25.0 /* half width of an interval worth telling, or */
#define SHARP_SHARE 0.3 /* of the value */
#define SILENT_MA 10.0 /* what silent nodes may draw for a node's figure to stand, or */
#define SILENT_SHARE 0.1 /* of that figure */
#define PER_CENT_95 1.96

struct model {
	struct lull_case *c;
	int column[REGRESS_COLUMNS];
	size_t n;
	int *others; /* nodes that have no column, though they move */
	size_t other_n;
	step_list steps;
	size_t spells; /* numbers 1 .. spells */
	uint64_t moves; /* columns that start or stop in some step */
	int same[REGRESS_COLUMNS]; /* the column that moves with it always; itself */
	double *weight; /* of each step */
	struct regress_plain full;
	double best[REGRESS_COLUMNS]; /* none below zero */
	double *without; /* spells x n: plain solution without one of them */
	bool tied[REGRESS_COLUMNS][REGRESS_COLUMNS]; /* not told apart, or by one spell only */
};

/* After the first sleep of all buses: on the way to sleep retained supplies and relays drop as nodes stop, and the one cannot be
 * told from the other. Where a bus never sleeps, after those have had their time. */
static lull_time settled_from(const struct lull_case *c)
{
	lull_time from = c->v->settle_from;
	bool slept = true;
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		if (c->v->bus[bus].first_quiet == LULL_NEVER)
			slept = slept && c->night->bus[bus].first == LULL_NEVER;
		else if (c->v->bus[bus].first_quiet > from)
			from = c->v->bus[bus].first_quiet;
	}
	return slept ? from : from + 60 * LULL_MIN;
}

/* A node, and how often it starts or stops sending in the time that is looked at. */
struct mover {
	int node;
	size_t moves;
};

static int most_often(const void *x, const void *y)
{
	const struct mover *a = x, *b = y;
	if (a->moves != b->moves)
		return a->moves > b->moves ? -1 : 1;
	return (a->node > b->node) - (a->node < b->node);
}

static int in_order(const void *x, const void *y)
{
	const struct mover *a = x, *b = y;
	return (a->node > b->node) - (a->node < b->node);
}

static size_t moves_of(const struct lull_case *c, int node, lull_time from, lull_time to)
{
	const struct lull_node *n = &c->v->nodes.at[node];
	size_t moves = 0;
	for (size_t i = 0; i < n->id_count; i++) {
		int ident = case_ident(c, n->bus, n->ids[i]);
		for (size_t k = 0; ident >= 0 && k < c->run_count[ident]; k++) {
			const struct lull_stretch *s = c->run[c->run_at[ident] + k];
			moves += s->first > from && s->first < to;
			moves += s->last > from && s->last < to;
		}
	}
	return moves;
}

/* There are more nodes than columns: those that start and stop most often get one. What the others do spoils the steps in which they do
 * it, and the reader is told. */
static void choose_some(struct model *m, lull_time from, lull_time to)
{
	struct lull_case *c = m->c;
	size_t nodes = c->v->nodes.n, room = (size_t)REGRESS_COLUMNS - m->n, movers = 0;
	struct mover *of = malloc(nodes * sizeof *of);
	m->others = malloc(nodes * sizeof *m->others);
	if (!of || !m->others) {
		c->oom = true;
		free(of);
		return;
	}
	for (size_t i = 0; i < nodes; i++) {
		of[i] = (struct mover){ (int)i, moves_of(c, (int)i, from, to) };
		movers += of[i].moves > 0;
	}
	qsort(of, nodes, sizeof *of, most_often);
	for (size_t i = room; i < movers; i++)
		m->others[m->other_n++] = of[i].node;
	qsort(of, room, sizeof *of, in_order);
	for (size_t i = 0; i < room; i++)
		m->column[m->n++] = of[i].node;
	free(of);
	if (m->other_n)
		case_left_out(c, case_say(c, "current: %zu modules woke or fell asleep, too many to tell their draw apart. The %zu that did so least often have "
					     "no figure of their own.", movers, m->other_n));
}

static void choose_columns(struct model *m, lull_time from, lull_time to)
{
	const struct lull_case *c = m->c;
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		m->column[m->n++] = REGRESS_BUS(bus);
	if (c->v->nodes.n + m->n > REGRESS_COLUMNS) {
		choose_some(m, from, to);
		return;
	}
	for (size_t i = 0; i < c->v->nodes.n; i++)
		m->column[m->n++] = (int)i;
}

/* Columns that move in the same steps become one. */
static void join_same(struct model *m)
{
	for (size_t k = 0; k < m->n; k++) {
		m->same[k] = (int)k;
		for (size_t j = 0; j < k && m->same[k] == (int)k; j++) {
			bool alike = m->same[j] == (int)j;
			for (size_t i = 0; i < m->steps.n && alike; i++) {
				const struct regress_step *s = &m->steps.at[i];
				alike = (s->up >> k & 1) == (s->up >> j & 1) && (s->down >> k & 1) == (s->down >> j & 1);
			}
			if (alike)
				m->same[k] = (int)j;
		}
	}
	for (size_t i = 0; i < m->steps.n; i++)
		m->moves |= m->steps.at[i].up | m->steps.at[i].down;
	for (size_t i = 0; i < m->steps.n; i++)
		for (size_t k = 0; k < m->n; k++)
			if (m->same[k] != (int)k) {
				m->steps.at[i].up &= ~(UINT64_C(1) << k);
				m->steps.at[i].down &= ~(UINT64_C(1) << k);
			}
}

static double left_over(const struct model *m, const struct regress_step *s, const double *beta)
{
	double left = s->y;
	for (size_t k = 0; k < m->n; k++)
		left -= beta[k] * ((double)(s->up >> k & 1) - (double)(s->down >> k & 1));
	return left;
}

static void add_up(const struct model *m, unsigned without, struct regress_sum *sum)
{
	memset(sum, 0, sizeof *sum);
	sum->n = m->n;
	for (size_t i = 0; i < m->steps.n; i++)
		if (m->steps.at[i].spell != without)
			regress_add(sum, &m->steps.at[i], m->weight[i]);
}

static int by_value(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;
	return x < y ? -1 : x > y;
}

/* How far the steps are off, in standard deviations of their weights: by the median, and so many less as there are columns to
 * fit them. */
static double spread_of(const struct model *m, double between, double *room)
{
	size_t n = m->steps.n, told = 0;
	for (size_t i = 0; i < n; i++)
		room[i] = fabs(left_over(m, &m->steps.at[i], m->full.beta)) / sqrt(m->steps.at[i].variance + between * between);
	for (size_t k = 0; k < m->n; k++)
		told += (m->moves >> k & 1) && m->same[k] == (int)k;
	qsort(room, n, sizeof *room, by_value);
	double free_share = n > told ? (double)(n - told) / (double)n : 1 / (double)n;
	return 1.4826 * room[n / 2] / sqrt(free_share);
}

/* Weights, in a few rounds: the smallest spread between steps that explains what the fit leaves. */
static int fit(struct model *m, struct regress_sum *sum)
{
	double *room = calloc(m->steps.n, sizeof *room), between = 1;
	if (!room)
		return -1;
	for (size_t i = 0; i < m->steps.n; i++)
		m->weight[i] = 1 / (m->steps.at[i].variance + between * between);
	for (int round = 0; round < 5; round++) {
		add_up(m, 0, sum);
		if (regress_plain(sum, &m->full)) {
			free(room);
			return -1;
		}
		for (between = 1; between < 64 && spread_of(m, between, room) > 1.2;)
			between *= 1.4;
		for (size_t i = 0; i < m->steps.n; i++) {
			double variance = m->steps.at[i].variance + between * between;
			double off = fabs(left_over(m, &m->steps.at[i], m->full.beta)) / sqrt(variance);
			m->weight[i] = (off > FAR_OFF ? FAR_OFF / off : 1) / variance;
		}
	}
	free(room);
	add_up(m, 0, sum);
	return regress_plain(sum, &m->full) || regress_non_negative(sum, m->best) ? -1 : 0;
}

static void tie_open(struct model *m, const struct regress_plain *p)
{
	for (size_t i = 0; i < m->n; i++)
		for (size_t k = 0; k < m->n; k++)
			m->tied[i][k] |= fabs(p->open[i * m->n + k]) > OPEN;
}

static int leave_one_out(struct model *m, struct regress_sum *sum)
{
	struct regress_plain *part = malloc(sizeof *part);
	if (!part)
		return -1;
	tie_open(m, &m->full);
	int error = 0;
	for (unsigned g = 1; g <= m->spells && !error; g++) {
		add_up(m, g, sum);
		error = regress_plain(sum, part);
		tie_open(m, part);
		memcpy(m->without + (size_t)(g - 1) * m->n, part->beta, m->n * sizeof *part->beta);
	}
	free(part);
	return error;
}

/* Of the sum of the columns in `these`. NAN where too few awake times tell it. */
static double error_of(const struct model *m, const bool *these)
{
	double noise = 0, mean = 0, squares = 0;
	size_t moves = 0;
	uint64_t bits = 0;
	for (size_t i = 0; i < m->n; i++) {
		bits |= these[i] ? UINT64_C(1) << i : 0;
		for (size_t k = 0; k < m->n; k++)
			noise += these[i] && these[k] ? m->full.inverse[i * m->n + k] : 0;
	}
	for (unsigned g = 1; g <= m->spells; g++) {
		double value = 0;
		bool moved = false;
		for (size_t i = 0; i < m->steps.n && !moved; i++)
			moved = m->steps.at[i].spell == g && ((m->steps.at[i].up | m->steps.at[i].down) & bits);
		for (size_t k = 0; k < m->n; k++)
			value += these[k] ? m->without[(size_t)(g - 1) * m->n + k] : 0;
		moves += moved;
		mean += value / (double)m->spells;
	}
	if (moves < LEAST_SPELLS)
		return NAN;
	for (unsigned g = 1; g <= m->spells; g++) {
		double value = -mean;
		for (size_t k = 0; k < m->n; k++)
			value += these[k] ? m->without[(size_t)(g - 1) * m->n + k] : 0;
		squares += value * value;
	}
	double jackknife = squares * (double)(m->spells - 1) / (double)m->spells;
	return sqrt(fmax(noise, jackknife)) * gsl_cdf_tdist_Pinv(0.975, (double)(moves - 1)) / PER_CENT_95;
}

static bool is_sharp(double value, double error)
{
	return isfinite(error) && PER_CENT_95 * error <= fmax(SHARP_MA, SHARP_SHARE * value);
}

/* All figures share what a known load left open of the gain. */
static double gain_error(const struct model *m)
{
	const struct lull_current_report *r = &m->c->v->current;
	return isfinite(r->gain) ? r->gain_error / fabs(r->gain) : 0;
}

static bool alone(const struct model *m, size_t k)
{
	for (size_t i = 0; i < m->n; i++)
		if (m->tied[k][i] || (i != k && m->same[i] == (int)k))
			return false;
	return m->same[k] == (int)k && (m->moves >> k & 1);
}

/* What silent nodes of the bus draw at the most, all together, while it is awake; INFINITY: not told. */
static double silent_most(const struct model *m, unsigned bus)
{
	for (size_t k = 0; k < m->n; k++) {
		bool these[REGRESS_COLUMNS] = { false };
		if (m->column[k] != REGRESS_BUS(bus) || !alone(m, k))
			continue;
		these[k] = true;
		double error = error_of(m, these);
		return isfinite(error) ? fmax(m->full.beta[k], 0) + PER_CENT_95 * error : INFINITY;
	}
	return INFINITY;
}

static void tell_node(const struct model *m, size_t k)
{
	bool these[REGRESS_COLUMNS] = { false };
	struct lull_node *node = &m->c->v->nodes.at[m->column[k]];
	these[k] = true;
	double error = error_of(m, these), silent = silent_most(m, node->bus);
	if (!is_sharp(m->best[k], error) || fabs(m->best[k] - m->full.beta[k]) > 2 * error)
		return;
	error = hypot(error, gain_error(m) * m->best[k]);
	node->stop_mA = m->best[k];
	node->stop_mA_error = error;
	if (silent > fmax(SILENT_MA, SILENT_SHARE * m->best[k]))
		return;
	/* of the little that all of them may draw when silent, none to all may be its own */
	node->awake_mA = m->best[k];
	node->awake_mA_error = hypot(error, silent / 4 / PER_CENT_95);
}

/* Columns that hang together, from k on; nothing is left of them in `left`. */
static void gather(const struct model *m, size_t k, bool *left, bool *set)
{
	if (!left[k])
		return;
	left[k] = false;
	set[k] = true;
	for (size_t i = 0; i < m->n; i++)
		if (m->tied[k][i] || m->same[i] == (int)k || m->same[k] == (int)i || (m->same[i] == m->same[k]))
			gather(m, i, left, set);
}

/* A set that is not told apart, and all of it together if that is told. */
static void tell_set(const struct model *m, const bool *set)
{
	struct lull_case *c = m->c;
	struct lull_inseparable out = { .mA = NAN, .mA_error = NAN, .bus = LULL_BUS_ALL };
	bool spans = false;
	bool these[REGRESS_COLUMNS] = { false };
	double value = 0;
	for (size_t k = 0; k < m->n; k++) {
		if (!set[k])
			continue;
		these[k] = m->same[k] == (int)k;
		value += these[k] ? m->best[k] : 0;
		out.whole |= m->column[k] < 0;
		out.n += m->column[k] >= 0;
		unsigned bus = m->column[k] < 0 ? (unsigned)(-2 - m->column[k]) : c->v->nodes.at[m->column[k]].bus;
		spans |= out.bus != LULL_BUS_ALL && out.bus != bus;
		out.bus = (uint8_t)bus;
	}
	if (spans)
		out.bus = LULL_BUS_ALL;
	if (!out.n || (out.n == 1 && !out.whole) || m->spells < LEAST_SPELLS)
		return;
	out.nodes = calloc(out.n, sizeof *out.nodes);
	if (!out.nodes) {
		c->oom = true;
		return;
	}
	out.n = 0;
	for (size_t k = 0; k < m->n; k++)
		if (set[k] && m->column[k] >= 0)
			out.nodes[out.n++] = m->column[k];
	double open = 0;
	for (size_t i = 0; i < m->n; i++)
		for (size_t k = 0; k < m->n; k++)
			open += these[i] && these[k] ? m->full.open[i * m->n + k] : 0;
	double error = error_of(m, these);
	if (open < OPEN && is_sharp(value, error)) {
		out.mA = value;
		out.mA_error = hypot(error, gain_error(m) * value);
	}
	size_t before = c->v->current.inseparable.n;
	CASE_PUSH(c, c->v->current.inseparable, out);
	if (c->v->current.inseparable.n == before)
		free(out.nodes);
}

static void tell(struct model *m)
{
	bool left[REGRESS_COLUMNS];
	for (size_t k = 0; k < m->n; k++)
		left[k] = m->moves >> k & 1; /* else asleep all night, or awake */
	for (size_t k = 0; k < m->n; k++) {
		bool set[REGRESS_COLUMNS] = { false };
		if (!left[k])
			continue;
		if (alone(m, k)) {
			left[k] = false;
			if (m->column[k] >= 0)
				tell_node(m, k);
			continue;
		}
		gather(m, k, left, set);
		tell_set(m, set);
	}
}

void case_regress(struct lull_case *c)
{
	const struct lull_verdict *v = c->v;
	lull_time from = settled_from(c), to = v->judged_to;
	for (size_t i = 0; i < v->nodes.n; i++) {
		struct lull_node *node = &c->v->nodes.at[i];
		node->awake_mA = node->awake_mA_error = node->stop_mA = node->stop_mA_error = NAN;
	}
	if (!v->current.lineup.paired || !c->draw_n || to == LULL_NEVER)
		return;
	if (v->current.lost_at != LULL_NEVER && v->current.lost_at < to)
		to = v->current.lost_at;

	/* what ends with its plug or fuse says nothing of what it draws silently */
	if (c->first_pull != LULL_NEVER && c->first_pull < to)
		to = c->first_pull;

	struct model *m = calloc(1, sizeof *m);
	struct regress_sum *sum = malloc(sizeof *sum);
	if (!m || !sum) {
		c->oom = true;
		goto out;
	}
	m->c = c;
	choose_columns(m, from, to);
	if (!c->oom)
		case_steps(c, &(struct regress_columns){ m->column, m->n, m->others, m->other_n }, from, to, &m->steps);
	if (!m->steps.n || c->oom)
		goto out;
	m->spells = m->steps.at[m->steps.n - 1].spell;
	m->weight = calloc(m->steps.n, sizeof *m->weight);
	m->without = calloc(m->spells * m->n, sizeof *m->without);
	join_same(m);
	if (!m->weight || !m->without || fit(m, sum) || leave_one_out(m, sum))
		c->oom = true;
	else
		tell(m);
out:
	if (m) {
		free(m->others);
		free(m->steps.at);
		free(m->weight);
		free(m->without);
	}
	free(m);
	free(sum);
}
