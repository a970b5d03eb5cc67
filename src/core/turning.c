/* SPDX-License-Identifier: GPL-3.0-or-later */
/* turning: the turning points of a night: key-off, the instant from which settling counts, the return of
 * people, and what that makes of each spell. Pure. */
#include "core/case.h"

#include <stdlib.h>

#define KEY_REACH (6 * LULL_SEC) /* what stops with the key stops within this */
#define NIGHT_QUIET (10 * LULL_MIN)
#define BLOCK_REACH (10 * LULL_SEC) /* trade rule 2: a port that closes does so within some 10 s */
#define OUR_LINK (5 * LULL_SEC) /* trade rule 6 */
#define OUR_TOUCH_BEFORE (10 * LULL_SEC) /* a mark is typed before or after the touch itself */
#define OUR_TOUCH_AFTER (30 * LULL_SEC)

static bool is_touch(unsigned kind)
{
	switch ((enum lull_mark_kind)kind) {
	case LULL_MARK_KEY_ON:
	case LULL_MARK_KEY_OFF:
	case LULL_MARK_DOOR:
	case LULL_MARK_UNPLUGGED:
	case LULL_MARK_REPLUGGED:
	case LULL_MARK_FUSE_OUT:
	case LULL_MARK_FUSE_BACK:
	case LULL_MARK_OTHER:
		return true;
	case LULL_MARK_MORNING:
	case LULL_MARK_CLAMP_ZERO:
	case LULL_MARK_TEST_LOAD:
	case LULL_MARK_LISTENING:
	case LULL_MARK_STOPPED_LISTENING:
	case LULL_MARK_COUNT:
		return false;
	}
	return false;
}

static bool is_pull(unsigned kind)
{
	return kind == LULL_MARK_UNPLUGGED || kind == LULL_MARK_REPLUGGED || kind == LULL_MARK_FUSE_OUT ||
		kind == LULL_MARK_FUSE_BACK;
}

/* The longest observed quiet between or after the spells of any bus that begins after `since`. */
static void find_longest_quiet(struct lull_case *c, lull_time since)
{
	lull_time best = 0;
	c->longest_from = c->longest_to = LULL_NEVER;
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		size_t first, n = case_bus_spells(c, bus, &first);
		const struct lull_spell *s = n ? &c->v->spells.at[first] : NULL;
		lull_time from = LULL_NEVER;
		for (size_t i = 0; i < n; i++) {
			if (s[i].lone)
				continue;
			if (from != LULL_NEVER && from >= since && s[i].begun) {
				lull_time length = case_observed_in(&c->observed[bus], from, s[i].from);
				if (length > best) {
					best = length;
					c->longest_from = from;
					c->longest_to = s[i].from;
				}
			}
			from = s[i].closed ? s[i].to : LULL_NEVER;
		}
		if (from != LULL_NEVER && from >= since) {
			lull_time length = case_observed_in(&c->observed[bus], from, c->night->end);
			if (length > best) {
				best = length;
				c->longest_from = from;
				c->longest_to = c->night->end;
			}
		}
	}
}

/* Where the night's quiet begins: a pause of a few minutes between two key cycles is none. */
static lull_time night_begins(const struct lull_case *c)
{
	bool long_enough = c->longest_from != LULL_NEVER && c->longest_to - c->longest_from >= NIGHT_QUIET;
	return long_enough ? c->longest_from : LULL_NEVER;
}

static bool told_key_off(struct lull_case *c)
{
	struct lull_verdict *v = c->v;
	if (c->ask->key_off != LULL_NEVER) {
		v->key_off = c->ask->key_off;
		v->key_off_by = LULL_FROM_MARK;
		return true;
	}
	/* with several key cycles: the last before the longest quiet */
	for (size_t i = 0; i < c->night->marks.n; i++) {
		const struct lull_mark *m = &c->night->marks.at[i];
		if (m->kind != LULL_MARK_KEY_OFF)
			continue;
		if (v->key_off != LULL_NEVER && night_begins(c) != LULL_NEVER && m->t > night_begins(c) + KEY_REACH)
			break;
		v->key_off = m->t;
		v->key_off_by = LULL_FROM_MARK;
	}
	return v->key_off != LULL_NEVER;
}

/* Instants at which IDs of a bus fell silent. */
struct silence {
	lull_time t;
	size_t ident;
};

static int by_time(const void *a, const void *b)
{
	const struct silence *x = a, *y = b;
	return x->t < y->t ? -1 : x->t > y->t;
}

static size_t running_at(const struct lull_case *c, unsigned bus, lull_time t)
{
	size_t n = 0;
	for (size_t i = 0; i < c->v->ids.n; i++)
		if (c->v->ids.at[i].bus == bus && c->v->ids.at[i].cyclic &&
			case_last_in(c, i, t - LULL_SEC, t + LULL_SEC) != LULL_NEVER)
			n++;
	return n;
}

/* Stops of one instant show as last frames up to a period apart. */
static lull_time stop_reach(const struct lull_case *c, size_t ident)
{
	return (lull_time)(c->v->ids.at[ident].period_ms * 1.5e6) + 200 * LULL_MS;
}

/* When many IDs fall silent together while others go on: key-off. The greatest such moment before `until`, the last of about
 * equal ones (several key cycles); *block is set when there is none but everything ends as one block at `until`. */
static lull_time traffic_key_off(struct lull_case *c, unsigned bus, lull_time until, bool *block)
{
	LULL_ARRAY(struct silence) stops = { 0 };
	lull_time found = LULL_NEVER;
	size_t best = 0;

	*block = false;
	for (size_t i = 0; i < c->v->ids.n; i++) {
		if (c->v->ids.at[i].bus != bus || !c->v->ids.at[i].cyclic)
			continue;
		for (size_t k = 0; k < c->run_count[i]; k++) {
			const struct lull_stretch *s = c->run[c->run_at[i] + k];
			if (s->kind == LULL_STRETCH_CYCLIC && s->end == LULL_END_GAP && s->frames >= 5 && s->last <= until + LULL_SEC)
				CASE_PUSH(c, stops, ((struct silence){ s->last, i }));
		}
	}
	if (stops.n)
		qsort(stops.at, stops.n, sizeof *stops.at, by_time);
	for (size_t i = 0, j = 0; i < stops.n; i++) {
		/* stops within 3 s from the i-th on */
		if (j < i)
			j = i;
		while (j < stops.n && stops.at[j].t - stops.at[i].t <= 3 * LULL_SEC)
			j++;
		size_t together = j - i;
		/* within a burst of stops its first one speaks for it */
		bool inside = i > 0 && stops.at[i].t - stops.at[i - 1].t < 50 * LULL_MS;
		if (inside || together < 2 || together * 10 < best * 7)
			continue;
		size_t running = running_at(c, bus, stops.at[i].t);
		bool others_go_on = running_at(c, bus, stops.at[j - 1].t + 4 * LULL_SEC) > 0;
		bool next_cycle = found != LULL_NEVER && stops.at[i].t - found > 10 * LULL_SEC;
		if (others_go_on && together * 100 >= running * 12 && (together > best || next_cycle)) {
			if (together > best)
				best = together;
			found = stops.at[i].t;
		}
	}
	/* nothing dropped before: does all of it end at once? */
	if (found == LULL_NEVER && stops.n >= 2) {
		size_t at_end = 0, before = running_at(c, bus, until - BLOCK_REACH);
		for (size_t i = 0; i < stops.n; i++)
			at_end += stops.at[i].t > until - stop_reach(c, stops.at[i].ident);
		if (before >= 2 && at_end * 10 >= before * 9)
			*block = true;
	}
	free(stops.at);
	return found;
}

/* Up to where the key can have been turned: the night's quiet on this bus, or its last frame. */
static lull_time life_ends(const struct lull_case *c, unsigned bus)
{
	size_t first, n = case_bus_spells(c, bus, &first);
	const struct lull_spell *s = n ? &c->v->spells.at[first] : NULL;
	lull_time end = LULL_NEVER, night = night_begins(c);
	for (size_t i = 0; i < n; i++)
		if (!s[i].lone && (night == LULL_NEVER || s[i].from <= night + KEY_REACH))
			end = s[i].to;
	return end;
}

/* Unplug tests are made with the key off: what stops from the first one on is no key. */
static lull_time first_out(const struct lull_case *c)
{
	for (size_t i = 0; i < c->night->marks.n; i++)
		if (is_pull(c->night->marks.at[i].kind))
			return c->night->marks.at[i].t - OUR_TOUCH_BEFORE;
	return LULL_NEVER;
}

static void find_key_off_before(struct lull_case *c, lull_time pull)
{
	struct lull_verdict *v = c->v;
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		lull_time until = life_ends(c, bus);
		bool block;
		if (until == LULL_NEVER)
			continue;
		if (pull != LULL_NEVER && until > pull)
			until = pull;
		lull_time found = traffic_key_off(c, bus, until, &block);
		if (found == LULL_NEVER && block)
			found = until - 100 * LULL_MS;
		if (found != LULL_NEVER && (v->key_off == LULL_NEVER || found > v->key_off)) {
			v->key_off = found;
			v->key_off_by = LULL_FROM_TRAFFIC;
		}
	}
}

static void find_key_off(struct lull_case *c)
{
	lull_time pull = first_out(c);
	if (told_key_off(c))
		return;
	find_key_off_before(c, pull);
	if (c->v->key_off == LULL_NEVER && pull != LULL_NEVER)
		find_key_off_before(c, LULL_NEVER);
}

static bool diagnostic(uint32_t id)
{
	return lull_id_is_request(id) || lull_id_is_answer(id);
}

/* How many of these last frames can belong to one stop with the k-th. */
static size_t stop_with(const struct lull_case *c, const struct silence *ends, size_t n, size_t k)
{
	size_t with = 0;
	for (size_t i = 0; i < n; i++) {
		lull_time reach = stop_reach(c, ends[i].ident) > stop_reach(c, ends[k].ident) ? stop_reach(c, ends[i].ident) :
											      stop_reach(c, ends[k].ident);
		with += ends[i].t - ends[k].t <= reach && ends[k].t - ends[i].t <= reach;
	}
	return with;
}

/* IDs that are neither a tester's nor answers to one, heard in this time. */
static size_t heard_in(const struct lull_case *c, unsigned bus, lull_time from, lull_time to)
{
	size_t n = 0;
	for (size_t i = 0; i < c->v->ids.n; i++) {
		const struct lull_id_info *info = &c->v->ids.at[i];
		n += info->bus == bus && !diagnostic(info->id) && case_first_in(c, i, from, to) != LULL_NEVER;
	}
	return n;
}

/* A port that is closed carries nothing of the car until the key returns, and with it most of what ended. Heard before that, be it right
 * on beside a tester or in a wake, are some of the IDs that sleep without the key: then the bus behind it ended, not the port. */
static bool open_later(const struct lull_case *c, unsigned bus, lull_time end, size_t ended)
{
	size_t first, n = case_bus_spells(c, bus, &first);
	for (size_t i = 0; i < n; i++) {
		const struct lull_spell *s = &c->v->spells.at[first + i];
		if (s->lone || s->to < end + OUR_LINK)
			continue;
		bool same = s->from <= end;
		size_t heard = same ? heard_in(c, bus, end + OUR_LINK, end + NIGHT_QUIET < s->to ? end + NIGHT_QUIET : s->to) :
				      heard_in(c, bus, s->from, s->to);
		if (heard >= 2 && (same || heard * 2 < ended))
			return true;
	}
	return false;
}

/* Trade rule 2. A stub carried nothing but answers to a tester, or ended in a block or two within 10 s of key-off, with no ID
 * that stopped by itself, and nothing of the car was heard until the key returned. */
static void find_stubs(struct lull_case *c)
{
	struct silence *ends = malloc((c->v->ids.n + 1) * sizeof *ends);
	if (!ends) {
		c->oom = true;
		return;
	}
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		struct lull_bus_report *report = &c->v->bus[bus];
		size_t cyclic = 0, n = 0, goes_on = 0, alone = 0;
		lull_time key = c->v->key_off;
		for (size_t i = 0; i < c->v->ids.n; i++) {
			const struct lull_id_info *info = &c->v->ids.at[i];
			if (info->bus != bus || !info->cyclic || diagnostic(info->id))
				continue;
			cyclic++;
			if (key == LULL_NEVER || case_last_in(c, i, key - 10 * LULL_SEC, key) == LULL_NEVER)
				continue;
			lull_time end = case_last_in(c, i, key - 10 * LULL_SEC, key + BLOCK_REACH + 5 * LULL_SEC);
			goes_on += end > key + BLOCK_REACH;
			ends[n++] = (struct silence){ end, i };
		}
		for (size_t k = 0; k < n && !goes_on; k++)
			alone += stop_with(c, ends, n, k) * 12 < n || stop_with(c, ends, n, k) < 2;
		/* the silence must have been heard: an adapter that goes deaf ends as one block too */
		lull_time end = LULL_NEVER;
		for (size_t k = 0; k < n; k++)
			end = ends[k].t > end ? ends[k].t : end;
		report->stub = n >= 2 && !goes_on && alone * 20 <= n && case_observed_in(&c->observed[bus], end, end + 5 * LULL_SEC) > 4 * LULL_SEC &&
			!open_later(c, bus, end, n);
		report->representative = cyclic > 0 && !report->stub;
	}
	free(ends);
}

/* IDs that ran with the key on, ended with it, while the bus went on. */
static void find_ignition_only(struct lull_case *c)
{
	lull_time key = c->v->key_off;
	if (key == LULL_NEVER)
		return;
	for (size_t i = 0; i < c->v->ids.n; i++) {
		struct lull_id_info *info = &c->v->ids.at[i];
		lull_time until = c->longest_from != LULL_NEVER && c->longest_from > key ? c->longest_from : c->night->end;
		lull_time last = case_last_in(c, i, key - 30 * LULL_SEC, until);
		lull_time reach = KEY_REACH + (info->period_ms > 0 ? (lull_time)(info->period_ms * 1e6) : 0);
		info->ignition_only = last != LULL_NEVER && info->cyclic && last <= key + reach && last + 15 * LULL_SEC <= until;
		lull_time quiet = c->v->bus[info->bus].first_quiet;
		info->last_after_key_off = case_last_in(c, i, key, quiet != LULL_NEVER ? quiet : c->night->end);
	}
}

static bool brings_the_key_back(const struct lull_case *c, const struct lull_spell *spell)
{
	size_t all = 0, back = 0;
	for (size_t i = 0; i < c->v->ids.n; i++) {
		if (c->v->ids.at[i].bus != spell->bus || !c->v->ids.at[i].ignition_only)
			continue;
		all++;
		back += case_first_in(c, i, spell->from, spell->to) != LULL_NEVER;
	}
	return all >= 2 && back * 2 >= all;
}

/* Trade rule 4: judgement ends at the last quiet before people return. */
static void find_morning(struct lull_case *c)
{
	struct lull_verdict *v = c->v;
	lull_time morning = LULL_NEVER;

	for (size_t i = 0; i < c->night->marks.n; i++) {
		const struct lull_mark *m = &c->night->marks.at[i];
		bool returns = m->kind == LULL_MARK_MORNING ||
			(m->kind == LULL_MARK_KEY_ON && v->key_off != LULL_NEVER && m->t > v->key_off &&
				c->longest_from != LULL_NEVER && m->t >= c->longest_to - LULL_MIN);
		if (returns && (morning == LULL_NEVER || m->t < morning))
			morning = m->t;
	}
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		size_t first, n = case_bus_spells(c, bus, &first);
		for (size_t i = 1; i < n; i++) {
			const struct lull_spell *s = &v->spells.at[first + i];
			if (v->key_off == LULL_NEVER || s->from <= v->key_off || s->lone)
				continue;
			/* the spell in which a person pressed the button began with their coming */
			if (morning != LULL_NEVER && s->from < morning && s->to >= morning && s->begun &&
				morning - s->from < 10 * LULL_MIN)
				morning = s->from;
			/* a drive in the middle of the night is another key cycle, no morning */
			if (c->longest_from != LULL_NEVER && s->from < c->longest_to)
				continue;
			if (brings_the_key_back(c, s) && (morning == LULL_NEVER || s->from < morning))
				morning = s->from;
		}
	}
	v->judged_to = morning != LULL_NEVER ? morning : c->night->end;
}

static void find_touches(struct lull_case *c)
{
	struct lull_verdict *v = c->v;
	c->first_pull = LULL_NEVER;
	for (size_t i = 0; i < c->night->marks.n; i++) {
		const struct lull_mark *m = &c->night->marks.at[i];
		if (!is_touch(m->kind))
			continue;
		CASE_PUSH(c, c->touches, m->t);
		if (is_pull(m->kind) && (v->key_off == LULL_NEVER || m->t > v->key_off) && c->first_pull == LULL_NEVER)
			c->first_pull = m->t - OUR_TOUCH_BEFORE;
	}
}

static bool after_touch(const struct lull_case *c, lull_time t)
{
	for (size_t i = 0; i < c->touches.n; i++)
		if (t >= c->touches.at[i] - OUR_TOUCH_BEFORE && t <= c->touches.at[i] + OUR_TOUCH_AFTER)
			return true;
	return false;
}

/* Our own link coming up: within 5 s of the end of a time when the link or adapter was not there. */
static bool after_our_link(const struct lull_case *c, const struct lull_spell *s)
{
	for (size_t i = 0; i < c->v->blind.n; i++) {
		const struct lull_coverage *row = &c->v->blind.at[i];
		bool ours = row->why == LULL_BLIND_LINK_DOWN || row->why == LULL_BLIND_ADAPTER_GONE ||
			row->why == LULL_BLIND_RESTARTED || row->why == LULL_BLIND_BUS_OFF || row->why == LULL_BLIND_POWER;
		if (ours && row->bus == s->bus && s->from >= row->to && s->from <= row->to + OUR_LINK)
			return true;
	}
	return false;
}

static bool awake_around(const struct lull_case *c, lull_time t)
{
	for (size_t i = 0; i < c->v->spells.n; i++) {
		const struct lull_spell *s = &c->v->spells.at[i];
		if (!s->lone && s->from <= t + OUR_TOUCH_AFTER && s->to >= t)
			return true;
	}
	return false;
}

/* Where the first of the buses that were observed at all begins to be; 0 if none was. */
static lull_time observed_first(const struct lull_case *c)
{
	lull_time first = LULL_NEVER;
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		if (c->observed[bus].n && (first == LULL_NEVER || c->observed[bus].at[0].from < first))
			first = c->observed[bus].at[0].from;
	return first == LULL_NEVER ? 0 : first;
}

/* Trade rule 3 with engineering rule 15: from the last disturbance that the buses took notice of; pull marks do not restart
 * the clock. */
static void find_settle(struct lull_case *c)
{
	struct lull_verdict *v = c->v;
	v->settle_from = v->key_off;
	v->settle_by = v->key_off != LULL_NEVER ? LULL_FROM_KEY_OFF : LULL_FROM_START;
	if (v->settle_from == LULL_NEVER)
		v->settle_from = observed_first(c);
	for (size_t i = 0; i < c->night->marks.n; i++) {
		const struct lull_mark *m = &c->night->marks.at[i];
		if (!is_touch(m->kind) || is_pull(m->kind) || m->kind == LULL_MARK_KEY_OFF || m->t <= v->settle_from ||
			m->t >= v->judged_to)
			continue;
		if (awake_around(c, m->t)) {
			v->settle_from = m->t;
			v->settle_by = LULL_FROM_MARK;
		}
	}
}

static void find_first_quiet(struct lull_case *c)
{
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		size_t first, n = case_bus_spells(c, bus, &first);
		lull_time quiet = LULL_NEVER, awake_to = LULL_NEVER;
		bool closed = false;
		for (size_t i = 0; i < n; i++) {
			const struct lull_spell *s = &c->v->spells.at[first + i];
			if (s->lone)
				continue;
			if (s->from > c->v->settle_from + OUR_TOUCH_AFTER)
				break;
			awake_to = s->to;
			closed = s->closed;
		}
		if (awake_to != LULL_NEVER && closed && awake_to < c->v->judged_to)
			quiet = awake_to > c->v->settle_from ? awake_to : c->v->settle_from;
		c->v->bus[bus].first_quiet = quiet;
	}
}

static void sort_spells_into_kinds(struct lull_case *c)
{
	struct lull_verdict *v = c->v;
	for (size_t i = 0; i < v->spells.n; i++) {
		struct lull_spell *s = &v->spells.at[i];
		if (s->from >= v->judged_to)
			s->kind = LULL_SPELL_MORNING;
		else if (v->key_off != LULL_NEVER && s->to < v->key_off)
			s->kind = LULL_SPELL_BEFORE;
		else if (s->begun && s->from > v->key_off && (after_touch(c, s->from) || after_our_link(c, s)))
			s->kind = LULL_SPELL_BY_US;
		else if (s->from <= v->settle_from || !s->begun)
			s->kind = LULL_SPELL_SETTLING;
		else
			s->kind = LULL_SPELL_WAKE;
	}
}

static void find_state_at_end(struct lull_case *c)
{
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		struct lull_bus_report *report = &c->v->bus[bus];
		size_t first, n = case_bus_spells(c, bus, &first);
		const struct lull_spell *last = NULL;
		for (size_t i = 0; c->v->spells.at && i < n; i++) {
			struct lull_spell *s = &c->v->spells.at[first + i];
			const struct lull_spell *next = i + 1 < n ? &c->v->spells.at[first + i + 1] : NULL;
			/* frames that a receiver set up anew heard prove nothing of the one before it (trade rule 6) */
			bool followed = next && next->begun && !case_set_up_anew_between(c, bus, s->to, next->from);
			s->proof = !s->closed ? LULL_PROOF_NONE : followed ? LULL_PROOF_FRAMES_AFTER : LULL_PROOF_CONTROLLER;
			if (s->from < c->v->judged_to || c->v->judged_to == LULL_NEVER)
				last = s;
		}
		lull_time end = c->v->judged_to;
		report->errors_visible = c->night->bus[bus].errors > 0;
		report->state_at_end = LULL_BUS_BLIND;
		if (!last)
			continue;
		report->proof_at_end = last->proof;
		bool observed = case_is_observed(&c->observed[bus], end - LULL_SEC, end);
		if (last->to >= end - report->quiet_time_ns)
			report->state_at_end = LULL_BUS_AWAKE;
		else if (observed && last->closed && case_observed_in(&c->unproven[bus], end - LULL_SEC, end) == 0)
			report->state_at_end = LULL_BUS_QUIET;
	}
}

void case_turning(struct lull_case *c)
{
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		c->v->bus[bus].first_quiet = LULL_NEVER;
	find_longest_quiet(c, 0);
	find_key_off(c);
	find_longest_quiet(c, c->v->key_off == LULL_NEVER ? 0 : c->v->key_off);
	find_ignition_only(c);
	find_stubs(c);
	find_touches(c);
	find_morning(c);
	find_settle(c);
	find_first_quiet(c);
	find_ignition_only(c);
	sort_spells_into_kinds(c);
	find_state_at_end(c);
}
