/* SPDX-License-Identifier: GPL-3.0-or-later */
/* pulses: short excursions from a level, which blocks blur and a capped cost forgives. Pure.
 *
 * Two samples in a row, 0.1 s at least, that stand off by six times the noise on the same side are a pulse. A single
 * sample is an outlier, unless the log is slow (0.4 s a sample and more, so that a short wake has no second sample) and
 * at least three single samples of the log stand at the same height: loads repeat, disturbances do not. */
#include <core/levels.h>

#include <errno.h>
#include <math.h>
#include <stdlib.h>

static const double far_off = 6, still_off = 3;

int lull_pieces_add(struct lull_pieces *list, const struct lull_piece *piece)
{
	if (list->n == list->room) {
		size_t room = list->room ? 2 * list->room : 64;
		struct lull_piece *more = reallocarray(list->piece, room, sizeof(*more));

		if (!more)
			return -ENOMEM;
		list->piece = more;
		list->room = room;
	}
	list->piece[list->n++] = *piece;
	return 0;
}

struct scan {
	const struct lull_log *log;
	double threshold; /* what stands off */
	size_t least; /* samples in a pulse */
	bool singles;
	struct lull_pieces alone; /* single samples, waiting for their like */
	struct lull_pieces found;
};

static double off(const struct lull_log *log, const struct lull_piece *p, size_t i)
{
	double e = (double)log->x[i] - p->value;

	return p->slope != 0 ? e - p->slope * (lull_log_time(log, i) - p->centre) : e;
}

/* The excursion that sample i begins, from half its height to half its height. *end: where it is over. */
static struct lull_piece excursion(
	const struct scan *s, const struct lull_piece *p, size_t i, size_t free_from, size_t *end)
{
	double side = off(s->log, p, i) > 0 ? 1 : -1, highest = 0, sum = 0, n = 0;
	struct lull_piece pulse = {.from = i, .ratio = p->ratio};

	for (*end = i; *end < p->to && side * off(s->log, p, *end) > s->threshold * still_off / far_off;
		(*end)++)
		highest = fmax(highest, side * off(s->log, p, *end));
	for (size_t k = i; k < *end; k++) {
		double e = side * off(s->log, p, k);

		if (e > 0.5 * highest) {
			sum += e;
			n++;
		}
	}
	pulse.value = side * sum / n;
	pulse.to = *end;
	while (side * off(s->log, p, pulse.from) < 0.5 * sum / n)
		pulse.from++;
	while (side * off(s->log, p, pulse.to - 1) < 0.5 * sum / n)
		pulse.to--;
	/* A slow start belongs to the pulse too. */
	while (pulse.from > free_from && pulse.from <= i &&
		side * off(s->log, p, pulse.from - 1) > 0.5 * sum / n)
		pulse.from--;
	return pulse;
}

static int scan_piece(struct scan *s, const struct lull_piece *p)
{
	size_t free_from = p->from; /* behind the last excursion */

	for (size_t i = p->from; i < p->to; i++) {
		size_t end;

		if (fabs(off(s->log, p, i)) <= s->threshold)
			continue;
		struct lull_piece pulse = excursion(s, p, i, free_from, &end);
		int error = 0;

		/* What fills the piece is no excursion from it. */
		if (2 * (pulse.to - pulse.from) < p->to - p->from) {
			if (pulse.to - pulse.from >= s->least)
				error = lull_pieces_add(&s->found, &pulse);
			else if (s->singles && pulse.to - pulse.from == 1)
				error = lull_pieces_add(&s->alone, &pulse);
		}
		if (error)
			return error;
		free_from = end;
		i = end - 1;
	}
	return 0;
}

static int by_height(const void *a, const void *b)
{
	const struct lull_piece *x = a, *y = b;

	return (x->value > y->value) - (x->value < y->value);
}

static int by_place(const void *a, const void *b)
{
	const struct lull_piece *x = a, *y = b;

	return (x->from > y->from) - (x->from < y->from);
}

/* Single samples of one height that are at least three, and a third of all: among many outliers some are alike by chance. */
static int add_repeated(struct scan *s, double noise)
{
	struct lull_piece *a = s->alone.piece;
	size_t n = s->alone.n, least = n / 3 > 3 ? n / 3 : 3, added = 0;

	if (n < least)
		return 0;
	qsort(a, n, sizeof(*a), by_height);
	for (size_t from = 0; from + least <= n; from++) {
		size_t to = from + least;

		if (a[to - 1].value - a[from].value > 4 * noise + 0.05 * fabs(a[from].value))
			continue;
		for (size_t i = from > added ? from : added; i < to; i++) {
			int error = lull_pieces_add(&s->found, &a[i]);

			if (error)
				return error;
		}
		added = to;
	}
	return 0;
}

/* The levels with the pulses cut out of them. */
static int cut(const struct lull_pieces *levels, const struct lull_pieces *pulses, struct lull_pieces *out)
{
	size_t k = 0;
	int error = 0;

	for (size_t i = 0; i < levels->n && !error; i++) {
		struct lull_piece rest = levels->piece[i];

		for (; k < pulses->n && pulses->piece[k].from < rest.to && !error; k++) {
			struct lull_piece before = rest, pulse = pulses->piece[k];

			if (pulse.from < rest.from || pulse.to > rest.to)
				continue;
			before.to = pulse.from;
			if (before.to > before.from)
				error = lull_pieces_add(out, &before);
			pulse.value += rest.value;
			if (!error)
				error = lull_pieces_add(out, &pulse);
			rest.from = pulse.to;
		}
		if (!error && rest.to > rest.from)
			error = lull_pieces_add(out, &rest);
	}
	return error;
}

int lull_find_pulses(const struct lull_log *log, const struct lull_noise *noise, struct lull_pieces *in_out)
{
	double span = log->n > 1 ? lull_log_time(log, log->n - 1) - lull_log_time(log, 0) : 0;
	double step = log->s && log->n > 1 && span > 0 ? span / (double)(log->n - 1) : 1;
	double at_least = ceil(0.1 / step - 1e-6);
	struct scan s = {.log = log,
		.least = at_least > 2 ? (at_least < (double)log->n ? (size_t)at_least : log->n) : 2,
		.singles = step >= 0.4};
	struct lull_pieces out = {0};
	int error = 0;

	for (size_t i = 0; i < in_out->n && !error; i++) {
		struct lull_piece p = in_out->piece[i];
		struct lull_level level = lull_level_of(log, noise, &p);

		s.threshold = far_off * fmax(level.noise, fmax(noise->spread, 0.4 * noise->digit));
		error = scan_piece(&s, &p);
	}
	if (!error)
		error = add_repeated(&s, noise->spread);
	if (!error && s.found.n > 0) {
		qsort(s.found.piece, s.found.n, sizeof(*s.found.piece), by_place);
		error = cut(in_out, &s.found, &out);
		if (!error) {
			struct lull_pieces old = *in_out;

			*in_out = out;
			out = old;
		}
	}
	free(s.found.piece);
	free(s.alone.piece);
	free(out.piece);
	return error;
}
