/* SPDX-License-Identifier: GPL-3.0-or-later */
/* dead: times in which a clamp log is no measurement. Pure.
 *
 * A dead log looks like a low draw, and a good meter with a coarse digit on a quiet car looks dead: 0.1 mV at 10 mV/A is
 * 10 mA, and a whole night may fit into one digit. So a run of equal readings (120 at least, over 60 s at least) is called
 * dead only on evidence that noise should have moved the digit:
 *   - it holds a value from the midst of readings that scattered over three digits and more right before (or, at the
 *     start of the log, right after) it, for ten times longer than any equal run among those;
 *   - or the log elsewhere, at a draw as low or lower, scatters over three digits and more;
 *   - or the digit is 0.5 mA or finer, the log elsewhere scatters over more than five, and the run lasts for half an hour
 *     at either end of the log, which has no other such run: many of them show a meter that is merely still.
 *   - or it is exactly zero for two hours at either end of a log that elsewhere has a digit finer than 5 mA;
 *   - or it lasts for two hours to the end of such a log, at any value, and is the only such run.
 * What lies within a digit of such a run, next to it or between two, belongs to it.
 * Flicker between two digits alone is no such evidence: a reading near the rounding's edge flickers with hardly any noise, and
 * a slow drift then ends it.
 * A log that never moves at all has shown no life: an hour of that is dead, unless it stands at a value above zero that a
 * coarse digit could give (a multiple of 5 mA).
 * A clamp with an empty battery leaves the meter alone with its own last digit: the end of the log within three digits
 * of zero for half an hour (two hours, if little was seen of it alive), where it scattered over more than three before and
 * was never so low, is dead as well. A digit
 * above 1 mA cannot tell that from a car. */
#include <core/levels.h>

#include <errno.h>
#include <math.h>
#include <stdlib.h>

enum { LEAST_RUN = 120, WINDOW = 64, SHORT = 20, FEW = 20, MANY = 5 };
static const double least_run_s = 60, long_run_s = 1800, silent_s = 3600;
/* Nine of ten differences of neighbours are below this many digits where readings scatter over three digits. */
static const double scatter_digits = 1.9;

const char *lull_dead_name(enum lull_dead_why why)
{
	switch (why) {
	case LULL_DEAD_ENDED: return "ended early";
	case LULL_DEAD_FROZEN: return "frozen";
	case LULL_DEAD_FLAT: return "flat";
	case LULL_DEAD_SATURATED: return "at the end of the clamp's range";
	case LULL_DEAD_DROPPED: return "samples missing";
	case LULL_DEAD_OFF_CABLE: return "off the cable";
	}
	return "?";
}

struct search {
	const struct lull_series *log;
	double range_mA, hole_s, digit;
	struct lull_dead *dead;
	size_t n, room;
	unsigned runs; /* long runs of equal readings, dead or not */
	/* Windows between such runs: how far nineteen of twenty readings are from zero, and nine of ten from their neighbour. */
	struct window {
		double height, scatter;
	} * window;
	size_t windows;
	double usual; /* scatter of the middle window */
};

static int add(struct search *f, double from_s, double to_s, enum lull_dead_why why)
{
	if (f->n == f->room) {
		size_t room = f->room ? 2 * f->room : 16;
		struct lull_dead *more = reallocarray(f->dead, room, sizeof(*more));

		if (!more)
			return -ENOMEM;
		f->dead = more;
		f->room = room;
	}
	f->dead[f->n++] = (struct lull_dead){from_s, to_s, why};
	return 0;
}

static bool hole_after(const struct search *f, size_t i)
{
	return f->log->s[i + 1] - f->log->s[i] > f->hole_s;
}

static bool saturated(const struct search *f, size_t i)
{
	return fabs((double)f->log->mA[i]) >= 0.995 * f->range_mA; /* never with a range that is NAN */
}

/* End of the run of equal readings from i on; a hole with the same reading on both sides does not end it. */
static size_t equal_until(const struct search *f, size_t i)
{
	size_t end = i + 1;

	while (end < f->log->n && f->log->mA[end] == f->log->mA[i])
		end++;
	return end;
}

static bool is_long(const struct search *f, size_t from, size_t to)
{
	return to - from >= LEAST_RUN && f->log->s[to - 1] - f->log->s[from] >= least_run_s;
}

static double scatter_of(const float *x, size_t n)
{
	double d[WINDOW];

	for (size_t i = 0; i + 1 < n; i++)
		d[i] = fabs((double)x[i + 1] - (double)x[i]);
	return lull_select(d, n - 1, (size_t)(0.9 * (double)(n - 2) + 0.5));
}

static double height_share(const float *x, size_t n, double share)
{
	double a[WINDOW];

	for (size_t i = 0; i < n; i++)
		a[i] = (double)x[i];
	return lull_select(a, n, (size_t)(share * (double)(n - 1) + 0.5));
}

/* Windows everywhere but in long runs of equal readings. */
static int make_windows(struct search *f)
{
	const struct lull_series *log = f->log;
	double *scatter;

	f->window = malloc((log->n / WINDOW + 1) * sizeof(*f->window));
	scatter = malloc((log->n / WINDOW + 1) * sizeof(*scatter));
	if (!f->window || !scatter) {
		free(scatter);
		return -ENOMEM;
	}
	for (size_t i = 0; i + WINDOW <= log->n;) {
		size_t end = equal_until(f, i);

		if (is_long(f, i, end)) {
			i = end;
			continue;
		}
		/* A run that begins within the window cuts it short. */
		size_t last = equal_until(f, i + WINDOW - 1);

		if (is_long(f, i + WINDOW - 1, last) ||
			(log->mA[i + WINDOW - 2] == log->mA[i + WINDOW - 1] && last - i > 2 * WINDOW)) {
			i = last;
			continue;
		}
		f->window[f->windows] =
			(struct window){fmax(fabs(height_share(log->mA + i, WINDOW, 0.05)),
						fabs(height_share(log->mA + i, WINDOW, 0.95))),
				scatter_of(log->mA + i, WINDOW)};
		scatter[f->windows] = f->window[f->windows].scatter;
		f->windows++;
		i += WINDOW;
	}
	f->usual = f->windows > 0 ? lull_select(scatter, f->windows, f->windows / 2) : 0;
	free(scatter);
	return 0;
}

/* Does the run [from, to) hold a value from the midst of `about` scattered readings beside it? */
static bool holds_beside(const struct search *f, size_t from, size_t to, size_t about)
{
	const struct lull_series *log = f->log;
	size_t lo, n, longest = 0;

	if (from > 0) {
		n = from < about ? from : about;
		lo = from - n;
	} else {
		n = log->n - to < about ? log->n - to : about;
		lo = to;
	}
	if (n < SHORT)
		return false;
	const float *x = log->mA + lo;
	double value = (double)log->mA[from];

	for (size_t i = lo, end; i < lo + n; i = end) {
		end = equal_until(f, i);
		if (end - i > longest && end <= lo + n)
			longest = end - i;
	}
	/* All on one level: a window over the end of a wake scatters as the wake did, not as what comes after it. */
	double scatter = scatter_of(x, n), low = height_share(x, n, 0.1), high = height_share(x, n, 0.9);

	/* the reading that stays is the last of them, and one of ten is that far out */
	return scatter > scatter_digits * f->digit && high - low <= 4 * scatter && value >= low - scatter / 2 &&
		value <= high + scatter / 2 && to - from >= 10 * longest;
}

/* Soon after key-off the car itself steps so often that only a short time is on one level. */
static bool holds(const struct search *f, size_t from, size_t to)
{
	return holds_beside(f, from, to, WINDOW) || holds_beside(f, from, to, SHORT);
}

/* Do readings scatter elsewhere, where no more is drawn? */
static bool scatters_elsewhere(const struct search *f, double value)
{
	unsigned found = 0;

	for (size_t i = 0; i < f->windows && found < MANY; i++) {
		double scatter = f->window[i].scatter;

		found += f->window[i].height <= fabs(value) + 3 * f->digit + scatter &&
			scatter > scatter_digits * f->digit;
	}
	return found == MANY;
}

/* Outside the run the log has readings that no digit of 5 mA and coarser gives. */
static bool finer_elsewhere(const struct lull_series *log, size_t from, size_t to)
{
	size_t fine = 0, others = log->n - (to - from), stride = others / 1000 + 1;

	for (size_t i = 0; i < log->n; i += stride) {
		double fives = (double)log->mA[i] / 5;

		if (i >= from && i < to) {
			i = to - 1;
			continue;
		}
		fine += fabs(fives - round(fives)) > 1e-4;
	}
	return fine >= 8; /* a coarse digit gives none at all */
}

static bool run_is_dead(const struct search *f, size_t from, size_t to)
{
	const struct lull_series *log = f->log;
	double value = (double)log->mA[from], lasts = log->s[to - 1] - log->s[from];

	if (from == 0 && to == log->n) { /* no life at all */
		double fives = fabs(value) / 5;

		return lasts >= silent_s && (value == 0 || fabs(fives - round(fives)) > 1e-4);
	}
	if (holds(f, from, to) || scatters_elsewhere(f, value))
		return true;
	/* not a digit in two hours, from a meter with fine ones: neither clamp nor car is so still, at zero or anywhere */
	if ((from == 0 || to == log->n) && (value == 0 || (from > 0 && f->runs == 1)) && lasts >= 4 * long_run_s &&
		finer_elsewhere(log, from, to))
		return true;
	return (from == 0 || to == log->n) && f->runs == 1 && f->digit <= 0.5 &&
		f->usual > 5 * fmax(f->digit, 1e-3) && lasts >= long_run_s;
}

/* A dead meter flickers by a digit now and then. What lies within one of the held value, next to a dead run or between two, is dead too:
 * that readings scatter over more digits when the log lives is what called the run dead. A few may do so alive. */
static void grow_runs(struct search *f, size_t first)
{
	const struct lull_series *log = f->log;
	size_t i = 0, kept = first;
	double near = 1.05 * f->digit;

	for (size_t k = first; k < f->n; k++) {
		struct lull_dead d = f->dead[k];

		if (kept > first && d.to_s <= f->dead[kept - 1].to_s)
			continue;
		while (i + 1 < log->n && log->s[i] < d.from_s)
			i++;
		double value = (double)log->mA[i];
		size_t from = i, to;

		while (from > 0 && fabs((double)log->mA[from - 1] - value) <= near)
			from--;
		while (i + 1 < log->n && log->s[i + 1] <= d.to_s)
			i++;
		for (to = i; to + 1 < log->n && fabs((double)log->mA[to + 1] - value) <= near;)
			to++;
		if (log->s[from] < d.from_s && (kept > first && log->s[from] <= f->dead[kept - 1].to_s))
			d.from_s = f->dead[--kept].from_s;
		else if (d.from_s - log->s[from] > FEW * log->step_s)
			d.from_s = log->s[from];
		if (to - i > FEW || to + 1 == log->n)
			d.to_s = log->s[to];
		f->dead[kept++] = d;
	}
	f->n = kept;
}

static int find_runs(struct search *f)
{
	const struct lull_series *log = f->log;
	size_t first = f->n;
	int error = 0;

	for (size_t i = 0, end; i < log->n && !error; i = end) {
		end = equal_until(f, i);
		if (saturated(f, i) || !is_long(f, i, end))
			continue;
		f->runs++;
		if (!f->window)
			error = make_windows(f);
		if (!error && run_is_dead(f, i, end))
			error = add(
				f, log->s[i], log->s[end - 1], i == 0 ? LULL_DEAD_FLAT : LULL_DEAD_FROZEN);
	}
	if (!error)
		grow_runs(f, first);
	return error;
}

/* The smallest step between two readings of the log's last half; 0: it never moves there. */
static double least_move(const struct lull_series *log)
{
	double least = 0;

	for (size_t i = log->n / 2 + 1; i < log->n; i++) {
		double move = fabs((double)log->mA[i] - (double)log->mA[i - 1]);

		if (move > 1e-3 && (least == 0 || move < least))
			least = move;
	}
	return least;
}

/* The end of the log within three digits of zero. */
static int find_empty_battery(struct search *f)
{
	const struct lull_series *log = f->log;
	size_t from = log->n;
	int error = 0;

	double digit = f->digit > 0 ? f->digit : least_move(log);

	if (!(digit > 0 && digit <= 1.05))
		return 0;
	/* across holes and equal runs: a dead clamp does not come back in them */
	while (from > 0 && fabs((double)log->mA[from - 1]) < 3.5 * digit)
		from--;
	if (from == 0 || log->n - from < 600 || log->s[log->n - 1] - log->s[from] < long_run_s)
		return 0;
	struct lull_series before = {.s = log->s, .mA = log->mA, .n = from, .step_s = log->step_s};
	struct search earlier = {
		.log = &before, .hole_s = f->hole_s, .digit = digit, .range_mA = f->range_mA};

	error = make_windows(&earlier);
	for (size_t i = 0; i < earlier.windows; i++)
		if (earlier.window[i].height < 3.5 * digit)
			from = log->n;
	/* little was heard of it alive: then only hours so near to zero tell, which noise and drift of a clamp do not allow */
	bool alive_before = earlier.windows >= MANY && earlier.usual > 2.9 * digit;
	bool long_dead = from < log->n && log->s[log->n - 1] - log->s[from] >= 4 * long_run_s && finer_elsewhere(log, from, log->n);

	if (!error && from < log->n && (alive_before || long_dead))
		error = add(f, log->s[from], log->s[log->n - 1], LULL_DEAD_FLAT);
	free(earlier.window);
	return error;
}

/* Readings at the end of the range, and what lies between two of them within a second. */
static int find_saturated(struct search *f)
{
	const struct lull_series *log = f->log;
	int error = 0;

	for (size_t i = 0; i < log->n && !error; i++) {
		if (!saturated(f, i))
			continue;
		size_t last = i;

		for (size_t k = i + 1; k < log->n && log->s[k] - log->s[last] <= fmax(1, log->step_s); k++)
			if (saturated(f, k))
				last = k;
		error = add(f, log->s[i], log->s[last], LULL_DEAD_SATURATED);
		i = last;
	}
	return error;
}

static int find_holes(struct search *f)
{
	int error = 0;

	for (size_t i = 0; i + 1 < f->log->n && !error; i++)
		if (hole_after(f, i))
			error = add(f, f->log->s[i], f->log->s[i + 1], LULL_DEAD_DROPPED);
	return error;
}

static int by_time(const void *a, const void *b)
{
	const struct lull_dead *x = a, *y = b;

	return (x->from_s > y->from_s) - (x->from_s < y->from_s);
}

int lull_find_dead(const struct lull_series *series, double range_mA, double wanted_to_s,
	struct lull_dead **out, size_t *n)
{
	double last = series->n > 0 ? series->s[series->n - 1] : 0;
	struct search f = {.log = series,
		.range_mA = range_mA > 0 ? range_mA : (double)NAN,
		.hole_s = fmax(10, 5 * series->step_s)};
	const struct lull_log samples = {.x = series->mA, .n = series->n, .s = series->s};
	struct lull_noise noise;
	int error = lull_noise_of_samples(&samples, &noise);

	f.digit = noise.digit;
	if (!error)
		error = find_holes(&f);
	if (!error)
		error = find_saturated(&f);
	if (!error)
		error = find_runs(&f);
	if (!error)
		error = find_empty_battery(&f);
	if (!error && wanted_to_s > last + f.hole_s)
		error = add(&f, last, wanted_to_s, LULL_DEAD_ENDED);
	free(f.window);
	*out = NULL;
	*n = 0;
	if (error) {
		free(f.dead);
		return error;
	}
	if (f.n > 0)
		qsort(f.dead, f.n, sizeof(*f.dead), by_time);
	*out = f.dead;
	*n = f.n;
	return 0;
}
