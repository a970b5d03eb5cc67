/* SPDX-License-Identifier: GPL-3.0-or-later */
/* keeper_nm: for which node network management says that a spell goes on. Pure.
 *
 * AUTOSAR: who goes on sending NM asks, but for repeat messages, which all nodes send (trade rule 10). OSEK: who is not ready
 * for sleep while the others are (trade rule 11); who sends last or acknowledges says nothing. */
#include "core/case.h"
#include "core/weights.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *name_of(const struct lull_case *c, int node)
{
	return node < 0 ? "an unknown node" : c->v->nodes.at[node].name;
}

static lull_time cycle_of(const struct lull_case *c, size_t ident)
{
	double ms = c->v->ids.at[ident].period_ms;
	return isfinite(ms) && ms > 0 ? (lull_time)(ms * 1e6) : LULL_SEC;
}

/* --- AUTOSAR --- */

struct asking {
	size_t ident;
	lull_time last; /* last NM frame */
	lull_time cycle;
};

static int later_first(const void *a, const void *b)
{
	const struct asking *x = a, *y = b;
	return x->last < y->last ? 1 : x->last > y->last ? -1 : 0;
}

#define REPEAT_REQUEST 0x01
#define PARTIAL 0x40
#define USUAL_REPEAT (5 * LULL_SEC) /* where no profile tells it */

/* The last repeat request at or before t whose answers reach t: all nodes send then, whether they ask for the network or
 * not. LULL_NEVER: none. */
static lull_time repeat_request(const struct lull_case *c, const struct nm_family *family, lull_time from, lull_time t)
{
	lull_time reach = (family->layout.repeat_message_ns > 0 ? family->layout.repeat_message_ns : USUAL_REPEAT) + 2 * LULL_SEC;
	lull_time found = LULL_NEVER;
	int byte = family->layout.control_byte;
	if (byte < 0)
		return LULL_NEVER;
	for (size_t i = case_change_from(c, t - reach > from ? t - reach : from); i < c->night->changes.n; i++) {
		const struct lull_change *row = &c->night->changes.at[i];
		if (row->t > t)
			break;
		if (row->bus != family->bus || byte >= row->len || !(row->byte[byte] & REPEAT_REQUEST))
			continue;
		for (size_t k = 0; k < family->members.n && (found == LULL_NEVER || row->t > found); k++)
			if (family->members.at[k].id == row->id)
				found = row->t;
	}
	return found;
}

/* Until when the member asked for the network: its last frame, those that answer a repeat request left out. Who sent up to the
 * request asked up to it at least. */
static lull_time asked_until(const struct lull_case *c, const struct nm_family *family, size_t ident, lull_time cycle, lull_time from,
	lull_time to)
{
	lull_time last = case_last_in(c, ident, from, to);
	for (unsigned k = 0; k < 16 && last != LULL_NEVER; k++) {
		lull_time request = repeat_request(c, family, from, last);
		if (request == LULL_NEVER)
			break;
		lull_time before = case_last_in(c, ident, from, request - 1);
		if (before != LULL_NEVER && before >= request - 3 * cycle)
			return request;
		last = before;
	}
	return last;
}

#define WINDOWS 8

static int by_size(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;
	return x < y ? -1 : x > y;
}

/* Parts per million by which the rhythms of two IDs differ, the median of their last common windows; NAN unknown. */
static double apart_ppm(const struct lull_case *c, size_t a, size_t b)
{
	const struct lull_id_info *x = &c->v->ids.at[a], *y = &c->v->ids.at[b];
	double apart[WINDOWS], error;
	size_t n = 0;
	for (size_t i = c->night->cadences.n; i-- > 0 && n < WINDOWS;) {
		const struct lull_cadence *one = &c->night->cadences.at[i];
		if (one->bus != x->bus || one->id != x->id || one->fit.n < 50)
			continue;
		for (size_t k = 0; k < c->night->cadences.n; k++) {
			const struct lull_cadence *other = &c->night->cadences.at[k];
			if (other->bus != y->bus || other->id != y->id || other->window != one->window || other->fit.n < 50)
				continue;
			double p = (double)one->period_ns * (1 + 1e-6 * lull_fit_ppm(&one->fit, one->period_ns, &error));
			double q = (double)other->period_ns * (1 + 1e-6 * lull_fit_ppm(&other->fit, other->period_ns, &error));
			if (isfinite(p / q))
				apart[n++] = 1e6 * (p / q - 1);
			break;
		}
	}
	if (n < 3)
		return NAN;
	qsort(apart, n, sizeof *apart, by_size);
	return apart[n / 2];
}

/* Frames in the fullest of the ID's last windows: losses can only make one poorer. 0: no window. */
static double most_a_window(const struct lull_case *c, size_t ident, lull_time to)
{
	const struct lull_id_info *info = &c->v->ids.at[ident];
	double most = 0;
	for (size_t i = c->night->cadences.n, n = 0; i-- > 0 && n < WINDOWS;) {
		const struct lull_cadence *one = &c->night->cadences.at[i];
		if (one->bus != info->bus || one->id != info->id || one->window > to)
			continue;
		most = fmax(most, one->fit.n);
		n++;
	}
	return most;
}

/* False: the period that the run at `to` is counted by is no longer the one it is sent at, so that counts slip and no fit holds. */
static bool keeps_count(const struct lull_case *c, size_t ident, lull_time to)
{
	for (size_t i = c->run_count[ident]; i-- > 0;) {
		const struct lull_stretch *s = c->run[c->run_at[ident] + i];
		if (s->first <= to && s->last >= to - 30 * LULL_SEC)
			return s->index * 100 <= s->frames * 101;
	}
	return false;
}

enum turns { TURNS_NOT, TURNS_MAYBE, TURNS_TAKEN };

/* With bus-load reduction the two shortest timers take turns, and all others that ask are silent. Each of the two then sends as often
 * as the other, more slowly than the cycle of this car; and their rhythm is one to some parts in a million, which two timers
 * of their own hardly ever are. What cannot be told is no proof of release (trade rule 10). */
static enum turns takes_turns(const struct lull_case *c, const struct nm_family *family, const struct asking *ask, size_t tied, lull_time to)
{
	if (tied != 2)
		return TURNS_NOT;
	double a = most_a_window(c, ask[0].ident, to), b = most_a_window(c, ask[1].ident, to);
	if (a > 0 && b > 0 && fabs(a - b) > 2 + fmax(a, b) / 50)
		return TURNS_NOT;
	if (family->layout.cycle_told && a > 0 && b > 0)
		return (double)LULL_CADENCE / fmax(a, b) > 1.03 * (double)family->layout.cycle_ns ? TURNS_TAKEN : TURNS_NOT;
	if (!keeps_count(c, ask[0].ident, to) || !keeps_count(c, ask[1].ident, to))
		return TURNS_MAYBE;
	double apart = fabs(apart_ppm(c, ask[0].ident, ask[1].ident));
	return isnan(apart) ? TURNS_MAYBE : apart < 2 ? TURNS_TAKEN : TURNS_NOT;
}

/* Nodes that the two who take turns may hide: all others that still send. */
static bool may_hide(const struct lull_case *c, const struct lull_finding *f, size_t node, lull_time to)
{
	const struct lull_node *n = &c->v->nodes.at[node];
	if (n->bus != f->bus || n->asker)
		return false;
	for (size_t i = 0; i < f->suspects.n; i++)
		if (f->suspects.at[i].node_index == (int)node)
			return false;
	for (size_t i = 0; i < n->id_count; i++) {
		int ident = case_ident(c, n->bus, n->ids[i]);
		if (ident >= 0 && !c->v->ids.at[ident].ignition_only && case_last_in(c, (size_t)ident, to - 15 * LULL_SEC, to) != LULL_NEVER)
			return true;
	}
	return false;
}

static size_t list_hidden(struct lull_case *c, struct lull_finding *f, lull_time to)
{
	size_t visible = f->suspects.n, hidden = 0;
	double whole = case_weight(LULL_CLUE_NM_HIDDEN, 0, 0);
	for (size_t i = 0; i < c->v->nodes.n; i++)
		hidden += may_hide(c, f, i, to);
	for (size_t i = 0; i < visible && hidden; i++)
		f->suspects.at[i].confidence *= 1 - whole;
	for (size_t i = 0; i < c->v->nodes.n && hidden; i++)
		if (may_hide(c, f, i, to))
			case_accuse(c, f, (int)i, LULL_KEEPER, (struct ground){ LULL_CLUE_NM_HIDDEN, 0, -1, hidden });
	return hidden;
}

static void clusters_text(const uint8_t *payload, int len, char text[static 3 * LULL_PAYLOAD_KEPT + 1])
{
	text[0] = 0;
	for (int i = 2; i < len; i++)
		snprintf(text + strlen(text), 3 * LULL_PAYLOAD_KEPT + 1 - strlen(text), "%s%02X", i > 2 ? " " : "", payload[i]);
}

/* Partial networks: which clusters its last frame asks for, and which it asked for before. Rows hold first and last payload of a run,
 * and which bits changed between them. */
static void say_clusters(struct lull_case *c, struct lull_finding *f, const struct nm_family *family, size_t ident, lull_time from,
	lull_time to)
{
	int byte = family->layout.control_byte;
	const struct lull_stretch *last = NULL, *other = NULL;
	char now[3 * LULL_PAYLOAD_KEPT + 1], before[3 * LULL_PAYLOAD_KEPT + 1] = "";
	uint64_t changed = 0;
	for (size_t i = 0; i < c->run_count[ident]; i++) {
		const struct lull_stretch *s = c->run[c->run_at[ident] + i];
		if (s->first <= to)
			last = s;
	}
	if (!last || byte < 0 || byte >= last->len || last->len < 3 || !(last->payload_last[byte] & PARTIAL))
		return;
	for (size_t i = 0; i < c->run_count[ident]; i++) {
		const struct lull_stretch *s = c->run[c->run_at[ident] + i];
		if (s->first > to || s->last < from || s->len != last->len)
			continue;
		changed |= s->changed_bits >> 16;
		if (memcmp(s->payload_first + 2, last->payload_last + 2, (size_t)last->len - 2) != 0)
			other = s;
	}
	clusters_text(last->payload_last, last->len, now);
	if (other)
		clusters_text(other->payload_first, other->len, before);
	case_evidence(c, f, case_say(c, "It asks for partial networks (bytes 2 to %d: %s%s%s): nodes of others stop one by one, rightly.", last->len - 1, now,
		other ? ", before that " : changed ? ", with changes in between" : "", before));
}

static void say_ends(struct lull_case *c, struct lull_finding *f, const struct nm_family *family)
{
	char a[32];
	if (family->layout.inferred && family->ends >= 2)
		case_evidence(c, f, case_say(c, "In %zu of %zu ends of the bus everything stops %s after the last of these frames, as network management "
					      "has it.", family->ends_agree, family->ends, span_text(family->delay, a)));
	else if (family->layout.inferred)
		case_evidence(c, f, case_say(c, "No two ends of the bus were seen, which would show whether everything stops a constant time after these "
					      "frames."));
}

static unsigned doubts_of(const struct nm_family *family)
{
	return family->layout.inferred ? LULL_DOUBT_INFERRED : 0;
}

static bool keeper_manages(struct lull_case *c, struct lull_finding *f, const struct nm_family *family, lull_time from, lull_time to,
	bool held)
{
	struct asking *ask = calloc(family->members.n, sizeof *ask);
	size_t n = 0;
	char a[32], b[32];
	if (!ask) {
		c->oom = true;
		return false;
	}
	for (size_t i = 0; i < family->members.n; i++) {
		size_t ident = family->members.at[i].ident;
		lull_time last = asked_until(c, family, ident, cycle_of(c, ident), from, to);
		if (last != LULL_NEVER)
			ask[n++] = (struct asking){ ident, last, cycle_of(c, ident) };
	}
	/* a request near the end hides who goes on: what is known is the time before it */
	lull_time request = held ? repeat_request(c, family, from, to) : LULL_NEVER, heard_to = to;
	if (request != LULL_NEVER)
		to = request;
	if (n)
		qsort(ask, n, sizeof *ask, later_first);
	lull_time cycle = n ? ask[0].cycle : LULL_SEC;
	/* how long the rest may outlast the last request: timeout and wait-for-sleep, else what is usual */
	lull_time outlast = family->layout.timeout_ns + family->layout.wait_sleep_ns;
	outlast = (outlast > 0 ? outlast : 10 * LULL_SEC) + 5 * LULL_SEC;
	if (!n || (held ? to - ask[0].last > 3 * cycle + LULL_SEC : to - ask[0].last > outlast)) {
		free(ask);
		return false; /* not NM is what holds it */
	}
	size_t tied = 1;
	lull_time near = held ? 3 * cycle + LULL_SEC : cycle + cycle / 2;
	if (!held) {
		/* another that asked nearly as long would have kept it up nearly as long */
		lull_time tenth = (ask[0].last - from) / 10;
		near = tenth > near ? tenth : near;
	}
	while (tied < n && ask[0].last - ask[tied].last <= near)
		tied++;
	const char *how = family->layout.inferred ? " (the NM frames were recognised by their structure, not by a profile)" : "";
	if (tied == 1) {
		int node = c->v->ids.at[ask[0].ident].node;
		case_accuse(c, f, node, LULL_KEEPER, (struct ground){ LULL_CLUE_NM_ALONE, doubts_of(family), (int)ask[0].ident, 1 });
		if (n > 1)
			case_evidence(c, f,
				case_say(c, "%s asks for the network %s: its network-management frames go on for %s after the last other "
					    "node released%s.",
					name_of(c, node), held ? "to the end" : "last",
					span_text((held ? to : ask[0].last) - ask[1].last, a), how));
		else
			case_evidence(c, f, case_say(c, "%s alone sends network-management frames%s.", name_of(c, node), how));
		say_clusters(c, f, family, ask[0].ident, from, heard_to);
		if (!held)
			case_evidence(c, f, case_say(c, "The whole bus ends %s after its last request.", span_text(to - ask[0].last, b)));
	} else {
		for (size_t i = 0; i < tied; i++)
			case_accuse(c, f, c->v->ids.at[ask[i].ident].node, LULL_KEEPER,
				(struct ground){ LULL_CLUE_NM_SEVERAL, doubts_of(family), (int)ask[i].ident, tied });
		enum turns turns = takes_turns(c, family, ask, tied, to);
		size_t hidden = turns != TURNS_NOT ? list_hidden(c, f, to) : 0;
		if (hidden)
			case_evidence(c, f, case_say(c, "These two %s: %zu more may ask without being heard, and a missing frame is no release.",
				turns == TURNS_TAKEN ? "take turns in one rhythm, as with bus-load reduction" :
						       "may take turns, as with bus-load reduction, since nothing tells their timers apart", hidden));
		case_evidence(c, f,
			case_say(c, "%zu nodes ask for the network %s%s: each of them is enough to keep the bus awake.", tied,
				held ? "to the end" : "until about the same time", how));
	}
	say_ends(c, f, family);
	free(ask);
	return true;
}

/* --- OSEK --- */

/* Opcodes that the member's rows and runs show in [from, to], or-ed; *alive: how often it began anew. */
static unsigned opcodes(const struct lull_case *c, const struct nm_family *family, size_t ident, lull_time from, lull_time to, size_t *alive)
{
	const struct lull_id_info *info = &c->v->ids.at[ident];
	unsigned all = 0;
	for (size_t i = case_change_from(c, from); i < c->night->changes.n && c->night->changes.at[i].t <= to; i++) {
		const struct lull_change *row = &c->night->changes.at[i];
		if (row->bus != info->bus || row->id != info->id || row->len < 2)
			continue;
		all |= row->byte[1];
		*alive += (row->byte[1] & family->layout.op_alive) != 0;
	}
	for (size_t k = 0; k < c->run_count[ident]; k++) {
		const struct lull_stretch *s = c->run[c->run_at[ident] + k];
		if (s->first <= to && s->last >= from && s->len >= 2)
			all |= s->payload_last[1];
	}
	return all;
}

/* A member in limp-home hears nobody; a ring that begins anew again and again is broken. */
static void say_ring(struct lull_case *c, struct lull_finding *f, const struct nm_family *family, lull_time from, lull_time to)
{
	size_t alive = 0;
	for (size_t i = 0; i < family->members.n; i++) {
		size_t ident = family->members.at[i].ident;
		unsigned seen = case_last_in(c, ident, from, to) == LULL_NEVER ? 0 : opcodes(c, family, ident, from + 10 * LULL_SEC, to, &alive);
		if (seen & family->layout.op_limp_home)
			case_evidence(c, f, case_say(c, "%s is in limp-home: it sends, but hears no ring. Look at its receiver, connector and wiring first.",
				name_of(c, c->v->ids.at[ident].node)));
	}
	/* the shared low bits of a swapped layout would count ring messages: alive is rare where it is told rightly */
	if (alive > 3 && !family->layout.inferred)
		case_evidence(c, f, case_say(c, "The ring broke and began anew: %zu alive messages were seen after settling began.", alive));
}

/* Since when the node has set sleep indication without a break up to `to`: LULL_NEVER if it is not set then. */
static lull_time ready_since(const struct lull_case *c, const struct nm_family *family, size_t ident, lull_time from, lull_time to)
{
	/* who acknowledges sleep is ready for it, whatever else the message says */
	uint8_t bit = family->layout.op_sleep_indication | family->layout.op_sleep_acknowledge;
	const struct lull_id_info *info = &c->v->ids.at[ident];
	lull_time since = LULL_NEVER;
	size_t rows = 0;
	for (size_t i = case_change_from(c, from); i < c->night->changes.n; i++) {
		const struct lull_change *row = &c->night->changes.at[i];
		if (row->t > to)
			break;
		if (row->bus != info->bus || row->id != info->id || row->t < from || row->len < 2)
			continue;
		rows++;
		if (!(row->byte[1] & bit))
			since = LULL_NEVER;
		else if (since == LULL_NEVER)
			since = row->t;
	}
	if (!rows)
		for (size_t k = 0; k < c->run_count[ident]; k++) {
			const struct lull_stretch *s = c->run[c->run_at[ident] + k];
			if (s->first <= to && s->last >= from && s->len >= 2)
				since = (s->payload_last[1] & bit) ? (s->first > from ? s->first : from) : LULL_NEVER;
		}
	return since;
}

static bool keeper_rings(struct lull_case *c, struct lull_finding *f, const struct nm_family *family, lull_time from, lull_time to, bool held)
{
	struct asking *late = calloc(family->members.n, sizeof *late);
	size_t n = 0, not_ready = 0, heard = 0;
	char a[32];
	if (!late) {
		c->oom = true;
		return false;
	}
	lull_time newest = LULL_NEVER;
	for (size_t i = 0; i < family->members.n; i++) {
		lull_time last = case_last_in(c, family->members.at[i].ident, from, to);
		if (last > newest)
			newest = last;
	}
	for (size_t i = 0; i < family->members.n; i++) {
		size_t ident = family->members.at[i].ident;
		lull_time last = case_last_in(c, ident, from, to);
		if (last == LULL_NEVER || last < newest - 10 * LULL_SEC)
			continue; /* left the ring before: neither asks nor holds */
		heard++;
		lull_time since = ready_since(c, family, ident, from, to);
		if (since == LULL_NEVER) {
			since = INT64_MAX;
			not_ready++;
		}
		late[n++] = (struct asking){ ident, since, LULL_SEC };
	}
	if (n)
		qsort(late, n, sizeof *late, later_first);
	bool usable = n >= 2 && to - newest < (held ? 10 : 15) * LULL_SEC && (held ? not_ready > 0 : true);
	if (!usable) {
		free(late);
		return false;
	}
	size_t tied = 1;
	if (not_ready) {
		tied = not_ready;
	} else {
		lull_time near = (late[0].last - from) / 10;
		if (near < 3 * LULL_SEC)
			near = 3 * LULL_SEC; /* one round of the ring and more */
		while (tied < n && late[0].last - late[tied].last <= near)
			tied++;
	}
	const char *how = family->layout.inferred ? " (the ring was recognised by its structure, not by a profile)" : "";
	if (tied == 1) {
		int node = c->v->ids.at[late[0].ident].node;
		case_accuse(c, f, node, LULL_KEEPER, (struct ground){ LULL_CLUE_RING_ALONE, doubts_of(family), (int)late[0].ident, 1 });
		if (not_ready)
			case_evidence(c, f,
				case_say(c, "In the ring of %zu nodes %s alone does not indicate that it is ready for sleep, while the others do%s.",
					heard, name_of(c, node), how));
		else
			case_evidence(c, f,
				case_say(c, "In the ring of %zu nodes %s is the last to indicate that it is ready for sleep, %s after the one before%s.",
					heard, name_of(c, node), span_text(late[0].last - late[1].last, a), how));
	} else {
		for (size_t i = 0; i < tied; i++)
			case_accuse(c, f, c->v->ids.at[late[i].ident].node, LULL_KEEPER,
				(struct ground){ LULL_CLUE_RING_SEVERAL, doubts_of(family), (int)late[i].ident, tied });
		case_evidence(c, f,
			case_say(c, "In the ring of %zu nodes %zu are not ready for sleep%s: each of them is enough to keep the bus awake.", heard, tied,
				how));
	}
	say_ring(c, f, family, from, to);
	say_ends(c, f, family);
	free(late);
	return true;
}

bool case_keeper_nm(struct lull_case *c, struct lull_finding *f, const struct nm_family *family, lull_time from, lull_time to, bool held)
{
	switch (family->layout.kind) {
	case LULL_NM_AUTOSAR: return keeper_manages(c, f, family, from, to, held);
	case LULL_NM_OSEK: return keeper_rings(c, f, family, from, to, held);
	case LULL_NM_NONE: break;
	}
	return false;
}

