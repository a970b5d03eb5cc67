/* SPDX-License-Identifier: GPL-3.0-or-later */
/* known: who begins the wakes whose cause is known (doors, keys, our own link), and how the others follow. Pure. */
#include "core/known.h"

#include <math.h>
#include <stdlib.h>

#define BOOT_WINDOW (2 * LULL_SEC) /* all that are woken speak by then */

/* --- who was up already --- */

/* No controller that the first frame wakes speaks so soon: starting clock and software takes longer. Who does was awake before, or
 * was woken by the same cause. Stamps in whole milliseconds or batches come out no finer. */
#define UP_ALREADY (5 * LULL_MS)
#define NEXT_IN_TURN (LULL_MS / 2 + UP_ALREADY) /* what the first sender had ready follows its last unacknowledged copy at once */

static lull_time last_copy_of_first(const struct lull_case *c, const struct lull_spell *s)
{
	size_t lo = 0, hi = c->night->edges.n;
	while (lo < hi) {
		size_t mid = (lo + hi) / 2;
		if (c->night->edges.at[mid].frame.t < s->from)
			lo = mid + 1;
		else
			hi = mid;
	}
	/* batches cut one run of copies into several */
	lull_time last = LULL_NEVER;
	size_t copies = 0;
	for (; lo < c->night->edges.n; lo++) {
		const struct lull_edge *e = &c->night->edges.at[lo];
		if (e->frame.bus != s->bus || (e->frame.flags & LULL_FRAME_ERROR))
			continue;
		if (e->frame.id != s->first_id || (last != LULL_NEVER && e->frame.t > last + UP_ALREADY + LULL_MS))
			break;
		last = e->last_copy;
		copies += e->copies;
	}
	return copies > 1 ? last : LULL_NEVER;
}

/* Did this ID come with the first frame of the spell, or so soon after it that its sender was up already? copied: as above. */
static bool comes_early(const struct lull_case *c, const struct lull_spell *s, size_t ident, lull_time copied)
{
	lull_time first = case_first_in(c, ident, s->from, s->to);
	return first != LULL_NEVER &&
		(first <= s->from + UP_ALREADY || (copied != LULL_NEVER && first >= copied && first <= copied + NEXT_IN_TURN));
}

/* Did the node? */
static bool begins_with(const struct lull_case *c, const struct lull_spell *s, int node)
{
	if (case_node_of(c, s->bus, s->first_id) == node)
		return true;
	lull_time copied = last_copy_of_first(c, s);
	for (size_t i = 0; i < c->v->ids.n; i++)
		if (c->v->ids.at[i].bus == s->bus && c->v->ids.at[i].node == node && comes_early(c, s, i, copied))
			return true;
	return false;
}

void known_count_beginners(const struct lull_case *c, const struct lull_spell *s, size_t *count, size_t *seen, size_t turn)
{
	lull_time copied = last_copy_of_first(c, s);
	for (size_t i = 0; i < c->v->ids.n; i++) {
		int node = c->v->ids.at[i].node;
		if (c->v->ids.at[i].bus != s->bus || node < 0 || seen[node] == turn || !comes_early(c, s, i, copied))
			continue;
		seen[node] = turn;
		count[node]++;
	}
}

int known_active_bit(const struct lull_case *c, const struct nm_family *family, const struct lull_spell *s)
{
	int byte = family ? family->layout.control_byte : -1;
	int found = -1;
	if (!family || family->layout.kind != LULL_NM_AUTOSAR || byte < 0)
		return -1;
	for (size_t i = case_change_from(c, s->from); i < c->night->changes.n; i++) {
		const struct lull_change *row = &c->night->changes.at[i];
		if (row->t > s->from + 5 * LULL_SEC || row->t > s->to)
			break;
		if (row->bus != s->bus || row->t < s->from || byte >= row->len || !(row->byte[byte] & 0x10))
			continue;
		for (size_t k = 0; k < family->members.n; k++) {
			if (family->members.at[k].id != row->id)
				continue;
			int node = c->v->ids.at[family->members.at[k].ident].node;
			if (found >= 0 && found != node)
				return -2;
			found = node;
		}
	}
	return found;
}

/* --- how soon the others follow --- */

static int by_length(const void *a, const void *b)
{
	lull_time x = *(const lull_time *)a, y = *(const lull_time *)b;
	return x < y ? -1 : x > y;
}

/* Delay of a node's first frame after the first frame of the spell; LULL_NEVER: not heard that soon. */
static lull_time delay_in(const struct lull_case *c, int node, const struct lull_spell *s)
{
	const struct lull_node *n = &c->v->nodes.at[node];
	lull_time first = LULL_NEVER;
	for (size_t k = 0; k < n->id_count; k++) {
		int ident = case_ident(c, n->bus, n->ids[k]);
		lull_time t = ident < 0 ? LULL_NEVER : case_first_in(c, (size_t)ident, s->from, s->from + BOOT_WINDOW);
		if (t != LULL_NEVER && (first == LULL_NEVER || t < first))
			first = t;
	}
	return first == LULL_NEVER ? LULL_NEVER : first - s->from;
}

/* Its median over these spells; LULL_NEVER if it spoke in fewer than half of them. */
static lull_time boot_delay(struct lull_case *c, int node, const size_t *spells, size_t n)
{
	lull_time *delays = n ? malloc(n * sizeof *delays) : NULL, middle = LULL_NEVER;
	size_t heard = 0;
	if (n && !delays)
		c->oom = true;
	for (size_t i = 0; i < n && delays; i++) {
		lull_time delay = delay_in(c, node, &c->v->spells.at[spells[i]]);
		if (delay != LULL_NEVER)
			delays[heard++] = delay;
	}
	if (heard >= 1 && heard * 2 >= n) {
		qsort(delays, heard, sizeof *delays, by_length);
		middle = delays[heard / 2];
	}
	free(delays);
	return middle;
}

/* --- wakes whose cause is known --- */

bool case_wake_known(const struct lull_case *c, const struct lull_spell *s)
{
	if (s->lone || !s->begun)
		return false;
	if (s->kind == LULL_SPELL_BY_US || s->kind == LULL_SPELL_MORNING)
		return true;
	for (size_t k = 0; k < c->touches.n && s->kind != LULL_SPELL_WAKE; k++)
		if (s->from >= c->touches.at[k] - 10 * LULL_SEC && s->from <= c->touches.at[k] + 30 * LULL_SEC)
			return true;
	return false;
}

/* Did the node outlast the rest of this spell? By its NM frames where it has some; else one of its IDs runs to the end while
 * more than half of what was heard stopped before. What stops with the whole bus says nothing. */
static bool outlasts(const struct lull_case *c, const struct lull_spell *s, int node)
{
	size_t heard = 0, to_end = 0;
	bool mine = false;
	for (size_t f = 0; f < c->families.n; f++) {
		const struct nm_family *family = &c->families.at[f];
		lull_time own = LULL_NEVER, others = LULL_NEVER;
		if (family->bus != s->bus)
			continue;
		for (size_t i = 0; i < family->members.n; i++) {
			size_t ident = family->members.at[i].ident;
			lull_time last = case_last_in(c, ident, s->from, s->to);
			lull_time *to = c->v->ids.at[ident].node == node ? &own : &others;
			if (last > *to)
				*to = last;
		}
		if (own != LULL_NEVER)
			return own > others;
	}
	for (size_t i = 0; i < c->v->ids.n; i++) {
		const struct lull_id_info *info = &c->v->ids.at[i];
		lull_time last = info->bus == s->bus ? case_last_in(c, i, s->from, s->to) : LULL_NEVER;
		if (last == LULL_NEVER)
			continue;
		double period = isfinite(info->period_ms) ? info->period_ms * 1e6 : 0;
		bool end = last >= s->to - (lull_time)(1.25 * period) - 20 * LULL_MS;
		heard++;
		to_end += end;
		mine |= end && info->node == node;
	}
	return mine && to_end * 2 <= heard;
}

/* Nothing tells who began this wake: what timing knows of its sender is not heard again in it, as with the message of a changed input,
 * which keeps no timer and is grouped with none that does. Who wakes a bus goes on sending for a while. */
static bool sender_unknown(const struct lull_case *c, const struct lull_spell *s)
{
	int node = case_node_of(c, s->bus, s->first_id);
	if (node < 0)
		return true;
	const struct lull_node *n = &c->v->nodes.at[node];
	for (size_t i = 0; i < n->id_count; i++) {
		int ident = case_ident(c, s->bus, n->ids[i]);
		lull_time last = ident < 0 ? LULL_NEVER : case_last_in(c, (size_t)ident, s->from, s->to);
		if (last != LULL_NEVER && last > s->from + BOOT_WINDOW)
			return false;
	}
	return n->named_by == LULL_BY_TIMING;
}

#define SOONER (10 * LULL_MS) /* than at night: no stamp is so wrong */

/* How many others come in this wake when they come at night, where the node wakes them; -1: one of them comes sooner, by its boot time:
 * it was up, and began. */
static int woken_alike(struct lull_case *c, const struct lull_spell *s, int node, const size_t *night, size_t nights)
{
	int alike = 0;
	for (size_t i = 0; i < c->v->nodes.n; i++) {
		if (c->v->nodes.at[i].bus != s->bus || (int)i == node || (int)i == case_node_of(c, s->bus, s->first_id))
			continue;
		lull_time then = delay_in(c, (int)i, s), now = boot_delay(c, (int)i, night, nights);
		if (then == LULL_NEVER || now == LULL_NEVER)
			continue;
		if (then < now - SOONER - now / 20)
			return -1;
		alike++;
	}
	return alike;
}

/* A door that opens is told at once by whoever watches it, before its other messages. Where nobody knows whose message that is, it
 * may be of any that does not need to boot then. Where too few others show that: of the node that follows first, or of the one that
 * is the last to go, as gateways are. Is it this one? */
static bool may_have_begun(struct lull_case *c, const struct lull_spell *s, int node, bool last, const size_t *night, size_t nights)
{
	lull_time first = LULL_NEVER;
	int who = -1;
	if (!sender_unknown(c, s))
		return false;
	int alike = woken_alike(c, s, node, night, nights);
	if (alike < 0 || alike >= 3 || last)
		return alike >= 0;
	for (size_t i = 0; i < c->v->ids.n; i++) {
		const struct lull_id_info *info = &c->v->ids.at[i];
		lull_time t = info->bus == s->bus && info->cyclic ? case_first_in(c, i, s->from, s->to) : LULL_NEVER;
		if (t != LULL_NEVER && (first == LULL_NEVER || t < first)) {
			first = t;
			who = info->node;
		}
	}
	return who == node;
}

struct reference known_refer(struct lull_case *c, unsigned bus, int node)
{
	struct reference r = { 0 };
	size_t nights = 0, at, n = case_bus_spells(c, bus, &at), *night = malloc((n + 1) * sizeof *night);
	if (!night) {
		c->oom = true;
		return r;
	}
	for (size_t i = 0; i < n; i++) {
		const struct lull_spell *s = &c->v->spells.at[at + i];
		if (s->kind == LULL_SPELL_WAKE && !s->lone && case_node_of(c, bus, s->first_id) == node)
			night[nights++] = at + i;
	}
	for (size_t i = 0; i < n; i++) {
		const struct lull_spell *s = &c->v->spells.at[at + i];
		if (s->lone || !s->begun)
			continue;
		bool last = s->closed && (case_node_of(c, bus, s->last_id) == node || outlasts(c, s, node));
		if (case_wake_known(c, s)) {
			r.known++;
			bool first = begins_with(c, s, node) || known_active_bit(c, case_family(c, bus), s) == node;
			r.first_there += first;
			r.maybe_there += first || may_have_begun(c, s, node, last, night, nights);
		}
		r.spells += s->closed;
		r.last_there += last;
	}
	free(night);
	return r;
}

static int by_value(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;
	return x < y ? -1 : x > y;
}

double known_woken_together(struct lull_case *c, unsigned bus, int first, const size_t *night, size_t nights, const size_t *known, size_t knowns)
{
	lull_time own = boot_delay(c, first, known, knowns);
	size_t n = 0;
	if (own == LULL_NEVER || own < 8 * LULL_MS)
		return NAN;
	double *shift = malloc((c->v->nodes.n + 1) * sizeof *shift), middle = NAN;
	if (!shift)
		c->oom = true;
	for (size_t i = 0; i < c->v->nodes.n && shift; i++) {
		if (c->v->nodes.at[i].bus != bus || (int)i == first)
			continue;
		bool begins = false;
		for (size_t k = 0; k < knowns; k++)
			begins |= case_node_of(c, bus, c->v->spells.at[known[k]].first_id) == (int)i;
		lull_time then = begins ? LULL_NEVER : boot_delay(c, (int)i, known, knowns);
		lull_time now = begins ? LULL_NEVER : boot_delay(c, (int)i, night, nights);
		if (then != LULL_NEVER && now != LULL_NEVER)
			shift[n++] = (double)(then - now);
	}
	if (n >= 2) {
		qsort(shift, n, sizeof *shift, by_value);
		middle = shift[n / 2] / (double)own;
	}
	free(shift);
	return middle;
}
