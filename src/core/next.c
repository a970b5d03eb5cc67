/* SPDX-License-Identifier: GPL-3.0-or-later */
/* next: what to do next, in the order of trade rule 8: inputs and sub-bus children, connector and water, what the node is told to
 * do, then unplug. Replacing is never a next step. Pure. */
#include "core/case.h"

#include <math.h>

static const struct lull_profile_node *told(const struct lull_case *c, const struct lull_suspect *s)
{
	int at = s->node_index >= 0 ? c->v->nodes.at[s->node_index].profile_node : -1;
	return at >= 0 ? &c->profile->nodes[at] : NULL;
}

static void where(struct lull_case *c, struct lull_finding *f, const struct lull_suspect *s)
{
	const struct lull_profile_node *p = told(c, s);
	if (p && (p->place[0] || p->connector[0] || p->fuse[0]))
		case_next(c, f, case_say(c, "%s: place %s, connector %s, fuse %s (from the profile).", s->node, p->place[0] ? p->place : "not given",
			p->connector[0] ? p->connector : "not given", p->fuse[0] ? p->fuse : "not given"));
	else if (!p && s->standing == LULL_SEEN)
		case_next(c, f, case_say(c, "Find out which module sends the IDs of %s: the maker's service information, or an unplug test.", s->node));
}

static void unplug(struct lull_case *c, struct lull_finding *f, const struct lull_suspect *s)
{
	const struct lull_profile_node *p = told(c, s);
	if (p && p->never_unplug) {
		case_next(c, f, case_say(c, "Do not unplug %s as a test (restraint, high voltage, brake, steering lock or immobiliser): the maker's procedure only.",
			s->node));
		return;
	}
	switch (s->standing) {
	case LULL_CONFIRMED: return; /* by its plug, more than once: nothing is left to unplug */
	case LULL_LIKELY:
		case_next(c, f, case_say(c, "To confirm, key off: plug %s in again with the mark \"replugged %s\", wait until the bus has been held awake again "
					   "for longer than it takes by itself, and unplug it once more with a mark.", s->node, s->node));
		return;
	case LULL_SEEN: break;
	}
	case_next(c, f, case_say(c, "Last, key off and bus awake: set the mark \"unplugged %s\", unplug it, and see whether the bus goes quiet; plug it in "
				   "again and repeat to confirm. Never restraint or high-voltage parts.", s->node));
}

static void for_asker(struct lull_case *c, struct lull_finding *f)
{
	case_next(c, f, case_say(c, "Look for what is plugged into the diagnostic port or tapped behind it: a tester, a dongle, a tracker, a tow or camera "
				   "module."));
	case_next(c, f, case_say(c, "Take it out, and record one more night without it to compare."));
}

static void for_keeper(struct lull_case *c, struct lull_finding *f, const struct lull_suspect *s)
{
	case_next(c, f, case_say(c, "Check the inputs of %s and what hangs on its sub-buses (LIN): a door, lid or pedal switch, a sensor that reports a person.",
		s->node));
	case_next(c, f, case_say(c, "Look at its connector: water, corrosion, a bent pin, a wire rubbed through."));
	case_next(c, f, case_say(c, "Ask what it is told to do: a key lying near, a phone app, no radio reception, an update waiting, a setting."));
	where(c, f, s);
	unplug(c, f, s);
}

static void undecided(struct lull_case *c, struct lull_finding *f)
{
	size_t n = f->suspects.n;
	if (n)
		case_next(c, f, case_say(c, "The evidence leaves %zu %s: do not unplug on a guess. What they share first: inputs, water, keys lying near.", n,
			n == 1 ? "node or what it listens to" : "nodes"));
	case_next(c, f, case_say(c, "What decides: with the key off and the bus awake, unplug one after the other with a mark for each (\"unplugged NAME\"), "
				   "most accessible first; the one after which the bus goes quiet keeps it awake."));
	case_next(c, f, case_say(c, "A profile with the car's network-management layout, or a node map, can decide without touching it."));
}

static const struct lull_suspect *relay_of(const struct lull_finding *f)
{
	for (size_t i = 0; f->suspects.at && i < f->suspects.n; i++)
		if (f->suspects.at[i].role == LULL_RELAY && f->suspects.at[i].bus == f->bus)
			return &f->suspects.at[i];
	return NULL;
}

static void for_outside(struct lull_case *c, struct lull_finding *f)
{
	const struct lull_suspect *relay = relay_of(f);
	if (relay)
		case_next(c, f, case_say(c, "Look behind %s: record the next night with a second adapter on the bus behind it. If that bus wakes first, the waker is "
					   "there; if this one does, it is %s itself.", relay->node, relay->node));
	else
		case_next(c, f, case_say(c, "Record the next night with a second adapter on the other bus behind the gateway: the order of events shows where it "
					   "begins."));
	case_next(c, f, case_say(c, "Check the wake-up line and the wiring for water and chafing, and our own lead at the port."));
	case_next(c, f, case_say(c, "Log the battery current beside it: a rise before the first frame comes from outside this bus."));
}

/* What settles the clamp's scale, before anything that leans on it. */
static void for_scale(struct lull_case *c, struct lull_finding *f)
{
	double times = c->v->current.scale_times;
	if (times > 500 || times < 1.0 / 500) {
		case_next(c, f, case_say(c, "Settle the unit of the log's values first: look at the display of the meter that wrote it. If it was another one, import "
					   "the log again with `--clamp-unit` (mV, V, mA or A)."));
		return;
	}
	case_next(c, f, case_say(c, "Settle the clamp's scale first: look at its switch, or switch a known load and mark it (`test load 420 mA`). If it was "
				   "another scale, import the log again with `--clamp-scale`."));
}

/* Pulling a fuse wakes modules; measuring across one does not. */
static void for_circuit(struct lull_case *c, struct lull_finding *f)
{
	case_next(c, f, case_say(c, "Ask what was added to the car: alarm, tracker, camera, tow module, charger lead at the battery."));
	case_next(c, f, case_say(c, "With the car asleep, latches tricked shut and the lid open since before: measure the voltage drop across each fuse with a "
				   "millivolt meter at its two test points, without pulling any, and let `lull fuse --survey` rank the circuits."));
	case_next(c, f, case_say(c, "Use a battery-powered meter: the clip of an earthed scope across a fuse shorts the battery. Stay off restraint and high-voltage "
				   "circuits: the maker's procedure only."));
	case_next(c, f, case_say(c, "A rest that no fuse explains: alternator B+, starter cable, wires added at the battery post."));
}

static void for_current_alone(struct lull_case *c, struct lull_finding *f)
{
	const struct lull_current_report *r = &c->v->current;
	if (r->scale_doubt)
		for_scale(c, f);
	case_next(c, f, case_say(c, "Record a bus beside the clamp for a night: only the two together say whether a draw belongs to the network."));
	if (isfinite(r->quiet_mA) && r->quiet_mA - r->quiet_error_mA > c->v->limit_draw_mA)
		for_circuit(c, f);
}

void case_next_steps(struct lull_case *c, struct lull_finding *f)
{
	const struct lull_suspect *named = f->named >= 0 ? &f->suspects.at[f->named] : NULL;
	bool asker = named && named->node_index >= 0 && c->v->nodes.at[named->node_index].asker;

	switch (f->code) {
	case LULL_HELD_AWAKE:
	case LULL_LATE_TO_SLEEP:
	case LULL_WOKEN_AGAIN:
		if (asker)
			for_asker(c, f);
		else if (named)
			for_keeper(c, f, named);
		else
			undecided(c, f);
		break;
	case LULL_WOKEN_FROM_OUTSIDE:
		for_outside(c, f);
		break;
	case LULL_DRAW_NOT_MEASURED:
		if (c->v->current.scale_doubt) {
			for_scale(c, f);
			break;
		}
		if (f->bus < LULL_BUS_MAX && c->v->bus[f->bus].stub)
			case_next(c, f, case_say(c, "Tap a bus behind the gateway where the maker's service information allows it; this port cannot answer."));
		case_next(c, f, case_say(c, "Log the battery current for a night with a DC clamp around all cables of the negative post, zeroed off the cable "
					   "before and after."));
		break;
	case LULL_TOO_EARLY:
		case_next(c, f, case_say(c, "Listen on without touching the car: doors latched, key far away, charger off; a whole night tells most."));
		break;
	case LULL_BLIND:
		if (!c->night->bus_count && c->v->current.present) {
			for_current_alone(c, f);
			break;
		}
		case_next(c, f, case_say(c, "Check adapter, pins and bitrate with the key on until frames come, then record again."));
		break;
	case LULL_DRAW_WHILE_QUIET:
		if (c->v->current.scale_doubt)
			for_scale(c, f);
		for_circuit(c, f);
		break;
	case LULL_PULSES_WHILE_QUIET:
		for_circuit(c, f);
		break;
	case LULL_BUS_NOT_VISIBLE:
		case_next(c, f, case_say(c, "Tap a bus behind the gateway where the maker's service information allows it; check pins and bitrate with the key on."));
		case_next(c, f, case_say(c, "Until then find the circuit by the fuses: `lull fuse` on voltage drops, without pulling one."));
		break;
	case LULL_CLAMP_LOST:
		case_next(c, f, case_say(c, "Give clamp and meter fresh batteries, switch the meter's automatic switch-off off, and record again."));
		break;
	case LULL_WITHIN_LIMIT:
		case_next(c, f, case_say(c, "If the complaint stays: battery test, charging system, and what the customer leaves plugged in or switched on."));
		break;
	case LULL_CODE_COUNT:
		break;
	}
}
