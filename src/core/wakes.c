/* SPDX-License-Identifier: GPL-3.0-or-later */
/* wakes: the wakes of a night in groups: one waker, and alike in who takes part, how long and who speaks first. Pure.
 *
 * A group's rhythm is set against chance: wakes at random leave exponential quiet times between them. What came before a wake
 * (another bus, a mark, the current) is counted; that the current rises before the first frame says something only with the
 * recording's own clock, 20 samples a second, and beyond what the same sender does in known wakes (trade rule 20). */
#include "core/case.h"
#include "core/counts.h"
#include "core/even.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ALIKE_LENGTH 2.5 /* times as long, or as short, is still alike */
#define ALIKE_IDS 0.6 /* of all IDs of the two, so many are in both */
#define BEFORE_MARK (120 * LULL_SEC)
#define BEFORE_STEP (60 * LULL_SEC)
#define REACH (3 * LULL_SEC) /* of one bus waking another, and of a rise before the first frame */
#define SAMPLES_STEP (50 * LULL_MS)
#define LEAD_BEYOND 0.15 /* s: a rise so much earlier than the sender's own is not its boot */

static int by_value(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;
	return (x > y) - (x < y);
}

static double quantile(double *x, size_t n, double q)
{
	if (!n)
		return NAN;
	qsort(x, n, sizeof *x, by_value);
	double at = q * (double)(n - 1), low = floor(at);
	size_t i = (size_t)low;
	return i + 1 < n ? x[i] + (at - low) * (x[i + 1] - x[i]) : x[n - 1];
}

/* --- who is alike --- */

/* IDs heard in a spell, one bit each. */
struct look {
	size_t spell;
	uint64_t *ids;
	size_t id_count;
	double length_s;
};

static void look_at(const struct lull_case *c, size_t spell, uint64_t *room, struct look *look)
{
	const struct lull_spell *s = &c->v->spells.at[spell];
	*look = (struct look){ .spell = spell, .ids = room, .length_s = lull_seconds(s->to - s->from) };
	for (size_t i = 0; i < c->v->ids.n; i++)
		if (c->v->ids.at[i].bus == s->bus && case_first_in(c, i, s->from, s->to) != LULL_NEVER) {
			room[i / 64] |= UINT64_C(1) << (i % 64);
			look->id_count++;
		}
}

static bool alike(const struct lull_case *c, const struct look *a, const struct look *b)
{
	const struct lull_spell *x = &c->v->spells.at[a->spell], *y = &c->v->spells.at[b->spell];
	if (x->bus != y->bus || x->waker != y->waker || x->relayed != y->relayed)
		return false;
	/* a second of either says nothing */
	if (a->length_s + 1 > ALIKE_LENGTH * (b->length_s + 1) || b->length_s + 1 > ALIKE_LENGTH * (a->length_s + 1))
		return false;
	size_t both = 0;
	for (size_t i = 0; i < (c->v->ids.n + 63) / 64; i++)
		for (uint64_t left = a->ids[i] & b->ids[i]; left; left &= left - 1)
			both++;
	return (double)both >= ALIKE_IDS * (double)(a->id_count + b->id_count - both);
}

/* --- the current before the first frame --- */

static bool common_clock(const struct lull_case *c)
{
	const struct lull_lineup *up = &c->v->current.lineup;
	bool shared = c->night->clamp.live || (up->paired && up->by_load && up->error_s <= lull_seconds(SAMPLES_STEP));
	return c->draw_n > 0 && c->draw_step > 0 && c->draw_step <= SAMPLES_STEP && shared;
}

static size_t sample_from(const struct lull_case *c, lull_time t)
{
	size_t lo = 0, hi = c->draw_n;
	while (lo < hi) {
		size_t mid = (lo + hi) / 2;
		if (c->draw_at[mid] < t)
			lo = mid + 1;
		else
			hi = mid;
	}
	return lo;
}

/* Seconds from the last sample still at the level before to the first frame; NAN if the log does not show it. */
static double rise_before(const struct lull_case *c, const struct lull_spell *s)
{
	double error, before = case_mean_mA(c, s->from - 4 * REACH, s->from - REACH, &error);
	double after = case_mean_mA(c, s->from + LULL_SEC / 2, s->from + REACH, &error);
	size_t i = sample_from(c, s->from + LULL_SEC / 2), first = sample_from(c, s->from - REACH);
	double noise = fmax(c->draw_noise, 1);
	if (!isfinite(before) || !isfinite(after) || after - before < 20 * noise)
		return NAN;
	/* backwards from the rise, so that a spike before it does not count; two samples together are no noise */
	double least = before + fmax(5 * noise, 0.05 * (after - before));
	while (i > first + 1 && (c->draw_mA[i - 1] > least || c->draw_mA[i - 2] > least))
		i--;
	if (i <= first + 1 || i >= c->draw_n)
		return NAN;
	return lull_seconds(s->from - c->draw_at[i]);
}

/* --- a group --- */

static void find_leads(struct lull_case *c, const struct look *look, const size_t *member, size_t n, struct lull_wake_group *g, double *room)
{
	size_t led[LULL_BUS_MAX] = { 0 }, leads = 0;
	for (size_t i = 0; i < n; i++) {
		const struct lull_spell *s = &c->v->spells.at[look[member[i]].spell];
		lull_time lead = 0;
		unsigned bus = 0;
		for (size_t k = 0; k < c->v->spells.n; k++) {
			const struct lull_spell *other = &c->v->spells.at[k];
			if (other->bus != s->bus && !other->lone && other->begun && other->from < s->from - 2 * LULL_MS && other->from > s->from - REACH &&
				s->from - other->from > lead) {
				lead = s->from - other->from;
				bus = other->bus;
			}
		}
		if (lead) {
			led[bus]++;
			room[leads++] = lull_seconds(lead);
		}
		for (size_t k = 0; k < c->night->marks.n; k++)
			if (c->night->marks.at[k].t <= s->from && c->night->marks.at[k].t > s->from - BEFORE_MARK) {
				g->after_mark++;
				break;
			}
		for (size_t k = 0; k < c->v->current.steps.n; k++) {
			const struct lull_step *step = &c->v->current.steps.at[k];
			if (step->to_mA > step->from_mA && step->at <= s->from - REACH && step->at > s->from - BEFORE_STEP) {
				g->after_step++;
				break;
			}
		}
	}
	g->after_bus = leads;
	g->lead_s = quantile(room, leads, 0.5);
	for (unsigned bus = 0; bus < LULL_BUS_MAX; bus++)
		if (led[bus] && (g->leader < 0 || led[bus] > led[g->leader]))
			g->leader = (int)bus;
}

static void find_rises(struct lull_case *c, const struct look *look, const size_t *member, size_t n, struct lull_wake_group *g, double *room)
{
	size_t rises = 0, known = 0;
	int first = case_node_of(c, g->bus, g->first_id);
	if (!common_clock(c))
		return;
	for (size_t i = 0; i < n; i++) {
		room[rises] = rise_before(c, &c->v->spells.at[look[member[i]].spell]);
		rises += isfinite(room[rises]) ? 1 : 0;
	}
	g->rise_s = quantile(room, rises, 0.5);
	size_t at, spells = case_bus_spells(c, g->bus, &at);
	for (size_t i = 0; i < spells; i++) {
		const struct lull_spell *s = &c->v->spells.at[at + i];
		if (!case_wake_known(c, s) || first < 0 || case_node_of(c, g->bus, s->first_id) != first)
			continue;
		room[known] = rise_before(c, s);
		known += isfinite(room[known]) ? 1 : 0;
	}
	g->known_rise_s = quantile(room, known, 0.5);
}

/* The shortest arc of the day that holds all starts. */
static void find_day(struct lull_case *c, const struct look *look, const size_t *member, size_t n, struct lull_wake_group *g, double *room)
{
	const double day = 86400;
	for (size_t i = 0; i < n; i++) {
		int64_t utc = lull_night_utc(c->night, c->v->spells.at[look[member[i]].spell].from);
		if (utc == INT64_MIN)
			return;
		int64_t second = utc / LULL_SEC % 86400;
		room[i] = (double)second;
	}
	qsort(room, n, sizeof *room, by_value);
	double widest = room[0] + day - room[n - 1];
	g->day_from_s = room[0];
	g->day_to_s = room[n - 1];
	for (size_t i = 1; i < n; i++)
		if (room[i] - room[i - 1] > widest) {
			widest = room[i] - room[i - 1];
			g->day_from_s = room[i];
			g->day_to_s = room[i - 1];
		}
}

static void find_rhythm(struct lull_case *c, const struct look *look, const size_t *member, size_t n, struct lull_wake_group *g, double *room)
{
	for (size_t i = 0; i < n; i++) {
		const struct lull_spell *s = &c->v->spells.at[look[member[i]].spell];
		room[i] = lull_seconds(s->from);
		room[n + i] = lull_seconds(s->to);
	}
	struct even e = even_of(room, room + n, n);
	g->rhythm = e.rhythm;
	g->period_s = e.period_s;
	g->spread_s = e.spread_s;
	g->chance = e.chance;
	g->skips = e.skips;
}

static void sum_up(struct lull_case *c, const struct look *look, const size_t *member, size_t n, struct lull_wake_group *g, double *room)
{
	double frames = 0, length = 0, ids = 0, charge = 0;
	bool measured = true;
	size_t best = 0;
	for (size_t i = 0; i < n; i++) {
		const struct lull_spell *s = &c->v->spells.at[look[member[i]].spell];
		size_t same = 0;
		for (size_t k = 0; k < n; k++)
			same += c->v->spells.at[look[member[k]].spell].first_id == s->first_id;
		if (same > best) {
			best = same;
			g->first_id = s->first_id;
		}
		frames += (double)s->frames;
		length += look[member[i]].length_s;
		ids += (double)look[member[i]].id_count;
		measured &= isfinite(s->charge_mAs);
		charge += s->charge_mAs;
		room[i] = look[member[i]].length_s;
	}
	g->ids = (size_t)lround(ids / (double)n);
	g->frames_per_s = length > 0 ? frames / length : NAN;
	g->charge_mAs = measured ? charge : NAN;
	g->length_s = quantile(room, n, 0.5);
	g->length_least_s = room[0];
	g->length_most_s = room[n - 1];
}

static struct lull_wake_group make_group(struct lull_case *c, const struct look *look, const size_t *member, size_t n, double *room)
{
	const struct lull_spell *s = &c->v->spells.at[look[member[0]].spell];
	struct lull_wake_group g = { .bus = s->bus, .relayed = s->relayed, .waker = s->waker, .n = n, .first = s->from,
		.last = c->v->spells.at[look[member[n - 1]].spell].from, .rhythm = LULL_RHYTHM_FEW, .period_s = NAN, .spread_s = NAN, .chance = NAN,
		.charge_mAs = NAN, .day_from_s = NAN, .day_to_s = NAN, .leader = -1, .lead_s = NAN, .rise_s = NAN, .known_rise_s = NAN };
	sum_up(c, look, member, n, &g, room);
	find_rhythm(c, look, member, n, &g, room);
	find_day(c, look, member, n, &g, room);
	find_leads(c, look, member, n, &g, room);
	find_rises(c, look, member, n, &g, room);
	return g;
}

/* By bus, then most wakes first: few groups, insertion; spells keep theirs. */
static void order(struct lull_case *c)
{
	struct lull_wake_group *g = c->v->wakes.at;
	for (size_t i = 1; i < c->v->wakes.n; i++)
		for (size_t k = i; k > 0 && (g[k].bus < g[k - 1].bus || (g[k].bus == g[k - 1].bus && g[k].n > g[k - 1].n)); k--) {
			struct lull_wake_group swap = g[k];
			g[k] = g[k - 1];
			g[k - 1] = swap;
			for (size_t s = 0; s < c->v->spells.n; s++) {
				int *group = &c->v->spells.at[s].group;
				if (*group == (int)k)
					*group = (int)k - 1;
				else if (*group == (int)k - 1)
					*group = (int)k;
			}
		}
}

/* --- what the findings say of it --- */

static struct lull_finding *finding_of(struct lull_case *c, const struct lull_wake_group *g)
{
	for (size_t i = 0; i < c->v->findings.n; i++) {
		struct lull_finding *f = &c->v->findings.at[i];
		if (f->bus != g->bus || g->relayed)
			continue;
		if (f->code == LULL_WOKEN_FROM_OUTSIDE && g->waker < 0)
			return f;
		for (size_t k = 0; f->code == LULL_WOKEN_AGAIN && k < f->suspects.n; k++)
			if (f->suspects.at[k].role == LULL_WAKER && f->suspects.at[k].node_index == g->waker)
				return f;
	}
	return NULL;
}

static void say_group(struct lull_case *c, struct lull_finding *f, const struct lull_wake_group *g, size_t kinds)
{
	char id[11], a[32];
	if (kinds > 1)
		case_evidence(c, f, case_say(c, "Of one kind are %zu %s of about %s, in which %zu IDs take part and %s speaks first.", g->n,
			g->n == 1 ? "wake" : "wakes", span_text((lull_time)(g->length_s * 1e9), a), g->ids, lull_id_text(g->first_id, id)));
	if (g->after_mark * 2 > g->n)
		case_evidence(c, f, case_say(c, "%zu of %zu come within two minutes of something a person did.", g->after_mark, g->n));
	if (g->n >= 3 && g->after_step * 3 >= g->n * 2)
		case_evidence(c, f, case_say(c, "In %zu of %zu the current stepped up within the minute before: something draws before the bus wakes.", g->after_step, g->n));
	if (isfinite(g->rise_s) && isfinite(g->known_rise_s) && g->rise_s > g->known_rise_s + LEAD_BEYOND)
		case_evidence(c, f, case_say(c, "The current rises %.1f s before the first frame, but only %.1f s in known wakes that the same sender begins: woken from "
					      "outside this bus.", g->rise_s, g->known_rise_s));
}

static void say_groups(struct lull_case *c)
{
	for (size_t i = 0; i < c->v->wakes.n && !c->oom; i++) {
		const struct lull_wake_group *g = &c->v->wakes.at[i];
		struct lull_finding *f = finding_of(c, g);
		size_t kinds = 0;
		for (size_t k = 0; k < c->v->wakes.n; k++)
			kinds += c->v->wakes.at[k].bus == g->bus && c->v->wakes.at[k].waker == g->waker && c->v->wakes.at[k].relayed == g->relayed;
		if (f)
			say_group(c, f, g, kinds);
	}
}

void case_wake_groups(struct lull_case *c)
{
	size_t words = (c->v->ids.n + 63) / 64, n = 0, spells = c->v->spells.n;
	struct look *look = calloc(spells + 1, sizeof *look);
	uint64_t *bits = calloc(spells * words + 1, sizeof *bits);
	size_t *member = malloc((spells + 1) * sizeof *member);
	double *room = malloc((2 * spells + 1) * sizeof *room);
	for (size_t i = 0; i < spells; i++)
		c->v->spells.at[i].group = -1;
	if (!look || !bits || !member || !room) {
		c->oom = true;
		goto out;
	}
	for (size_t i = 0; i < spells; i++)
		if (counts_as_wake(&c->v->spells.at[i])) {
			look_at(c, i, bits + n * words, &look[n]);
			n++;
		}
	for (size_t i = 0; i < n && !c->oom; i++) {
		size_t members = 0, before = c->v->wakes.n;
		if (c->v->spells.at[look[i].spell].group >= 0)
			continue;
		for (size_t k = i; k < n; k++)
			if (c->v->spells.at[look[k].spell].group < 0 && alike(c, &look[i], &look[k]))
				member[members++] = k;
		if (!members)
			continue;
		CASE_PUSH(c, c->v->wakes, make_group(c, look, member, members, room));
		for (size_t k = 0; k < members && c->v->wakes.n > before; k++)
			c->v->spells.at[look[member[k]].spell].group = (int)before;
	}
	order(c);
	say_groups(c);
out:
	free(look);
	free(bits);
	free(member);
	free(room);
}
