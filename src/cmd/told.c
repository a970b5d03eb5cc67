/* SPDX-License-Identifier: GPL-3.0-or-later */
/* told: what people and recorders say beside the captures, brought to recording time. */
#include <cmd/told.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int add_key_off(struct lull_told *told, const char *text, char *err, size_t err_size)
{
	struct lull_stamped_mark *grown, *m;

	grown = realloc(told->marks, (told->mark_count + 1) * sizeof *grown);
	if (!grown)
		return -ENOMEM;
	told->marks = grown;
	m = &grown[told->mark_count];
	memset(m, 0, sizeof *m);
	lull_mark_parse("key off", &m->mark);
	if (lull_stamp_parse(text, &m->at)) {
		(void)snprintf(err, err_size,
			"key-off time '%s' is neither seconds from the first frame nor a date like "
			"2026-03-05T22:41:07Z",
			text);
		return -EINVAL;
	}
	told->mark_count++;
	return 0;
}

int lull_told_read(struct lull_told *told, const char *marks, const char *coverage, const char *key_off,
	char *err, size_t err_size)
{
	int r = 0;

	*told = (struct lull_told){0};
	if (marks)
		r = lull_marks_read(marks, &told->marks, &told->mark_count, err, err_size);
	if (!r && coverage)
		r = lull_coverage_read(coverage, &told->coverage, &told->coverage_count, err, err_size);
	if (!r && key_off)
		r = add_key_off(told, key_off, err, err_size);
	if (r)
		lull_told_clear(told);
	return r;
}

void lull_told_clear(struct lull_told *told)
{
	free(told->marks);
	free(told->coverage);
	*told = (struct lull_told){0};
}

/* Every stamp that was told, one after the other; false at the end. `starts`: observation starts there. */
static bool next_stamp(const struct lull_told *told, size_t *i, const struct lull_stamp **at, bool *starts)
{
	size_t k = (*i)++;

	*starts = false;
	if (k < told->mark_count) {
		*at = &told->marks[k].at;
		*starts = told->marks[k].mark.kind == LULL_MARK_LISTENING;
		return true;
	}
	k -= told->mark_count;
	if (k / 2 >= told->coverage_count)
		return false;
	*at = k % 2 ? &told->coverage[k / 2].to : &told->coverage[k / 2].from;
	*starts = !(k % 2) && told->coverage[k / 2].why == LULL_OBSERVED;
	return true;
}

/* INT64_MIN where the sum has no place. */
static int64_t source_stamp(const struct lull_stamp *at, const struct lull_told_base *base)
{
	int64_t sum;

	if (at->absolute)
		return at->ns;
	return __builtin_add_overflow(base->first, at->ns, &sum) ? INT64_MIN : sum;
}

static lull_time recording_time(const struct lull_stamp *at, const struct lull_told_base *base)
{
	int64_t s = source_stamp(at, base), t;

	return s == INT64_MIN || __builtin_sub_overflow(s, base->zero, &t) ? LULL_NEVER : t;
}

int lull_told_base(const struct lull_told *told, struct lull_told_base *base, char *err, size_t err_size)
{
	const struct lull_stamp *at;
	bool starts, any_start = false, any_date = false;
	int64_t first_date = INT64_MAX;
	size_t i = 0;

	while (next_stamp(told, &i, &at, &starts)) {
		if (!at->absolute)
			continue;
		any_date = true;
		if (starts && at->ns < first_date)
			first_date = at->ns;
	}
	if (any_date && base->frames && !base->dates) {
		(void)snprintf(err, err_size,
			"the captures have no dates, so marks, coverage and key-off cannot be given as "
			"dates: give seconds from the first frame");
		return -EINVAL;
	}
	if (!base->frames) {
		base->dates = any_date;
		base->first = first_date == INT64_MAX ? 0 : first_date;
	}
	base->zero = base->first;
	for (i = 0; next_stamp(told, &i, &at, &starts);) {
		int64_t s = source_stamp(at, base);

		if (!starts || s == INT64_MIN)
			continue;
		if ((!any_start && !base->frames) || s < base->zero)
			base->zero = s;
		any_start = true;
	}
	return base->frames || any_start ? 0 : -ENODATA;
}

struct list {
	struct lull_coverage *at;
	size_t n, room;
};

static int add(struct list *list, uint8_t bus, enum lull_coverage_why why, lull_time from, lull_time to)
{
	if (from == LULL_NEVER || to == LULL_NEVER || to < from || to < 0)
		return 0;
	if (list->n == list->room) {
		size_t room = list->room ? list->room * 2 : 16;
		void *grown = realloc(list->at, room * sizeof *list->at);

		if (!grown)
			return -ENOMEM;
		list->at = grown;
		list->room = room;
	}
	list->at[list->n++] = (struct lull_coverage){
		.bus = bus, .why = (uint8_t)why, .from = from < 0 ? 0 : from, .to = to};
	return 0;
}

static int by_from(const void *x, const void *y)
{
	const struct lull_coverage *a = x, *b = y;

	if (a->from != b->from)
		return a->from < b->from ? -1 : 1;
	return (a->to > b->to) - (a->to < b->to);
}

static int by_instant(const void *x, const void *y)
{
	const struct lull_coverage *a = x, *b = y;

	return (a->from > b->from) - (a->from < b->from);
}

/* `listening` opens, `stopped listening` closes; a close without an opening extends what the capture showed
 * from its first frame, and an opening without a close counts up to the first frame. */
static int from_marks(struct list *list, const struct lull_told *told, const struct lull_told_base *base)
{
	struct list turns = {0}; /* rows of no length: observed = starts */
	lull_time open = LULL_NEVER, closed = LULL_NEVER;
	lull_time first = base->frames ? base->first - base->zero : 0;
	size_t i;
	int r = 0;

	for (i = 0; i < told->mark_count && !r; i++) {
		const struct lull_stamped_mark *m = &told->marks[i];
		lull_time t = recording_time(&m->at, base);

		if (m->mark.kind == LULL_MARK_LISTENING)
			r = add(&turns, LULL_BUS_ALL, LULL_OBSERVED, t, t);
		else if (m->mark.kind == LULL_MARK_STOPPED_LISTENING)
			r = add(&turns, LULL_BUS_ALL, LULL_BLIND_NOT_LISTENING, t, t);
	}
	if (turns.n > 1)
		qsort(turns.at, turns.n, sizeof *turns.at, by_instant);
	for (i = 0; i < turns.n && !r; i++) {
		lull_time t = turns.at[i].from;

		if (turns.at[i].why == LULL_OBSERVED) {
			if (closed != LULL_NEVER)
				r = add(list, LULL_BUS_ALL, LULL_BLIND_NOT_LISTENING, closed, t);
			closed = LULL_NEVER;
			open = t;
		} else if (closed == LULL_NEVER) {
			r = add(list, LULL_BUS_ALL, LULL_OBSERVED, open != LULL_NEVER ? open : first, t);
			open = LULL_NEVER;
			closed = t;
		}
	}
	if (!r && open != LULL_NEVER)
		r = add(list, LULL_BUS_ALL, LULL_OBSERVED, open, first > open ? first : open);
	free(turns.at);
	return r;
}

int lull_told_coverage(const struct lull_told *told, const struct lull_told_base *base,
	const struct lull_inputs *inputs, struct lull_coverage **out, size_t *n,
	const char **unknown)
{
	struct list list = {0};
	size_t i;
	int r;

	*unknown = NULL;
	r = from_marks(&list, told, base);
	for (i = 0; i < told->coverage_count && !r; i++) {
		const struct lull_stamped_coverage *c = &told->coverage[i];
		const int b = c->bus[0] ? lull_inputs_bus(inputs, c->bus) : LULL_BUS_ALL;

		if (b < 0) {
			if (!*unknown)
				*unknown = c->bus;
			continue;
		}
		r = add(&list, (uint8_t)b, c->why, recording_time(&c->from, base),
			recording_time(&c->to, base));
	}
	if (r) {
		free(list.at);
		return r;
	}
	if (list.n > 1)
		qsort(list.at, list.n, sizeof *list.at, by_from);
	*out = list.at;
	*n = list.n;
	return 0;
}

lull_time lull_told_mark_time(
	const struct lull_stamped_mark *m, const struct lull_told_base *base, const struct lull_tee *tee)
{
	if (m->at.absolute && tee->clock_count)
		return lull_tee_from_utc(tee, m->at.ns);
	return recording_time(&m->at, base);
}
