/* SPDX-License-Identifier: GPL-3.0-or-later */
/* drain: findings that come from the current: draw and pulses with the bus quiet, a life that the bus never shows, a lost log,
 * and the all-clear, which needs a measured, settled current below the limit (trade rule 1). Pure. */
#include "core/case.h"

#include <math.h>

#define PULSE_RATE 3
#define NOT_A_PULSE (5 * LULL_SEC) /* around a spell's edges */
#define HEARD_SHARE 0.95 /* of the night, where nobody knows what part of it matters */
#define LEAVES (20 * LULL_MIN) /* until nobody touches a parked car any more, where no bus tells when it slept */
#define LIFE_MA 40.0 /* least step of a node that wakes */

static void say_zero(struct lull_case *c, struct lull_finding *f)
{
	const struct lull_current_report *r = &c->v->current;
	bool before = r->zero_before, after = r->zero_after;
	if (before && after)
		case_evidence(c, f, case_say(c, "The clamp was zeroed before and after (drift %.1f mA, taken off).", r->zero_drift_mA));
	else if (before || after)
		case_evidence(c, f, case_say(c, "The clamp was zeroed only %s: its drift over the night is within the band.", before ? "before" : "after"));
	else
		case_evidence(c, f, case_say(c, "No zero of the clamp was read: its level is good to some %.0f mA only.", r->zero_error_mA));
	if (r->reversed)
		case_evidence(c, f, case_say(c, "The clamp hung the other way round; the sign was turned."));
	if (r->scale_doubt)
		case_evidence(c, f, case_say(c, "%s", r->scale_doubt));
}

static void say_lineup(struct lull_case *c, struct lull_finding *f)
{
	if (!c->v->current.lineup.paired)
		case_evidence(c, f, case_say(c, "The clamp's log could not be lined up with the bus: %s.", c->v->current.lineup.why));
}

static void find_lost(struct lull_case *c)
{
	char a[32];
	const struct lull_current_report *r = &c->v->current;
	/* in a log that is not lined up nobody knows where in the night that was */
	if (r->lost_at == LULL_NEVER || (r->lineup.paired && r->lost_at >= c->v->judged_to))
		return;
	struct lull_finding *f = case_finding(c, LULL_CLAMP_LOST, LULL_BUS_ALL, 0.95);
	if (!f)
		return;
	if (!r->lineup.paired)
		case_text(f, case_say(c, "The clamp's log is no measurement from %s after its start on (%s): what is said of current ends there.",
			span_text((lull_time)(r->lost_log_s * 1e9), a), lull_dead_name(r->lost_why)));
	else
		case_text(f, case_say(c, "The clamp's log is no measurement from %s after %s on (%s): what is said of current ends there.",
			span_text(r->lost_at - c->v->settle_from, a), c->v->settle_by == LULL_FROM_KEY_OFF ? "key-off" : "settling began",
			lull_dead_name(r->lost_why)));
	case_evidence(c, f, case_say(c, "A dead log is never a low draw."));
}

/* Nothing on any bus that was heard is talking. */
static void find_draw(struct lull_case *c)
{
	const struct lull_current_report *r = &c->v->current;
	double low = r->quiet_mA - r->quiet_error_mA, limit = c->v->limit_draw_mA;
	bool slept = false;
	unsigned bus = LULL_BUS_ALL;
	for (unsigned b = 0; b < c->night->bus_count; b++)
		if (c->v->bus[b].first_quiet != LULL_NEVER) {
			slept = true;
			bus = b;
		}
	if (!isfinite(r->quiet_mA) || !slept || low <= limit)
		return;
	/* lost before it could be seen to drop */
	if (r->lost_at != LULL_NEVER && r->lineup.paired && r->lost_at < c->v->settle_from + CASE_RETAINED)
		return;
	struct lull_finding *f = case_finding(c, LULL_DRAW_WHILE_QUIET, c->night->bus_count == 1 ? bus : LULL_BUS_ALL, 0.96);
	if (!f)
		return;
	case_text(f, case_say(c, "With nothing on %s talking the car draws %.0f mA (+-%.0f), above the limit of %.0f mA: not this network.",
		c->night->bus_count == 1 ? "this bus" : "these buses", r->quiet_mA, r->quiet_error_mA, limit));
	f->cost_mAh_per_day = (r->quiet_mA - limit) * 24;
	f->cost_error_mAh_per_day = r->quiet_error_mA * 24;
	f->cost_basis = "per parked day, above the limit";
	case_evidence(c, f, case_say(c, "A circuit, another bus, or a module that is silent but powered."));
	if (c->v->limit_source == LULL_LIMIT_RULE_OF_THUMB && r->quiet_mA < 2 * limit)
		case_evidence(c, f, case_say(c, "The limit of %.0f mA is a rule of thumb, and the draw is below twice that: the maker's value decides.", limit));
	say_zero(c, f);
	say_lineup(c, f);
}

/* --- pulses --- */

static bool near_a_spell(const struct lull_case *c, lull_time t)
{
	for (size_t i = 0; i < c->v->spells.n; i++) {
		const struct lull_spell *s = &c->v->spells.at[i];
		if (!s->lone && t >= s->from - NOT_A_PULSE - 2 * c->draw_step && t <= s->to + NOT_A_PULSE + 2 * c->draw_step)
			return true;
	}
	return false;
}

struct pulses {
	size_t n;
	double charge_mAs, variance, least, most; /* variance: of the charge */
	lull_time total, first, last;
	lull_time watched; /* how long a pulse would have counted */
};

static bool was_heard(const struct lull_case *c, lull_time from, lull_time to)
{
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		if (!case_is_observed(&c->observed[bus], from, to))
			return false;
	return true;
}

static bool heard_all_night(const struct lull_case *c, lull_time from)
{
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		if ((double)case_observed_in(&c->observed[bus], from, c->v->judged_to) < HEARD_SHARE * (double)(c->v->judged_to - from))
			return false;
	return true;
}

/* Stages above the quiet level, between settled times, in which every recorded bus was observed and silent. Where in the night a log lies
 * that is not lined up nobody knows: then all of it counts in which the car was left alone, if the buses were heard all night. */
static struct pulses count_pulses(const struct lull_case *c)
{
	const struct lull_current_report *r = &c->v->current;
	struct pulses p = { .least = INFINITY, .first = LULL_NEVER };
	double high = r->quiet_mA + fmax(10, 4 * c->draw_noise);
	lull_time slept = LULL_NEVER;
	bool placed = r->lineup.paired;
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		if (c->v->bus[bus].first_quiet > slept)
			slept = c->v->bus[bus].first_quiet;
	lull_time from = (slept == LULL_NEVER ? c->v->settle_from + LEAVES : slept) + LULL_MIN, to = c->v->judged_to;
	p.watched = c->v->judged_to - c->v->settle_from;
	if (!placed) {
		if (!heard_all_night(c, from) || !case_left_alone(c, &from, &to))
			return p;
		p.watched = to - from;
	}
	for (size_t i = 1; i + 1 < r->stages.n; i++) {
		const struct lull_stage *s = &r->stages.at[i], *before = &r->stages.at[i - 1], *after = &r->stages.at[i + 1];
		/* up and down again within an hour; a relay that drops only goes down */
		if (s->mA < high || before->mA > s->mA - 8 || after->mA > s->mA - 8 || s->to - s->from > 60 * LULL_MIN)
			continue;
		if (s->from < from || s->to > to || (placed && (near_a_spell(c, s->from) || near_a_spell(c, s->to) || !was_heard(c, s->from, s->to))))
			continue;
		double above = s->mA - fmax(r->quiet_mA, fmin(before->mA, after->mA));
		p.n++;
		p.charge_mAs += above * (double)(s->to - s->from + c->draw_step) / 1e9;
		/* its edges lie somewhere between two samples, its level is as good as the noise */
		p.variance += pow(above * (double)c->draw_step / 1e9, 2) / 6 +
			(s->error_mA * s->error_mA + before->error_mA * before->error_mA) * pow((double)(s->to - s->from) / 1e9, 2);
		p.total += s->to - s->from + c->draw_step;
		p.least = fmin(p.least, above);
		p.most = fmax(p.most, above);
		if (p.first == LULL_NEVER)
			p.first = s->from;
		p.last = s->from;
	}
	return p;
}

static bool any_wake(const struct lull_case *c)
{
	for (size_t i = 0; i < c->v->spells.n; i++)
		if (c->v->spells.at[i].from > c->v->settle_from + 30 * LULL_SEC && !c->v->spells.at[i].lone)
			return true;
	return false;
}

static bool any_bus_shows_life(const struct lull_case *c)
{
	for (unsigned bus = 0; bus < c->night->bus_count; bus++)
		if (c->v->bus[bus].representative && c->night->bus[bus].first != LULL_NEVER)
			return true;
	return false;
}

static void find_pulses(struct lull_case *c)
{
	char a[32], b[32];
	const struct lull_current_report *r = &c->v->current;
	/* without a pairing only where no wake of a bus could be meant */
	if (!isfinite(r->quiet_mA) || (!r->lineup.paired && any_wake(c)))
		return;
	struct pulses p = count_pulses(c);
	if (p.n < PULSE_RATE)
		return;
	double a_day = p.charge_mAs / 3600 * 86400e9 / (double)p.watched;
	/* out of proportion: more than a twentieth of what the limit allows in a day */
	if (a_day < c->v->limit_draw_mA * 24 / 20)
		return;
	bool life = any_bus_shows_life(c);
	struct lull_finding *f = case_finding(c, life ? LULL_PULSES_WHILE_QUIET : LULL_BUS_NOT_VISIBLE, LULL_BUS_ALL, r->lineup.paired ? 0.93 : 0.85);
	if (!f)
		return;
	if (life && r->lineup.paired)
		case_text(f, case_say(c, "The current rises %zu times with the bus quiet, by %.0f to %.0f mA.", p.n, p.least, p.most));
	else if (life)
		case_text(f, case_say(c, "The current rises %zu times, by %.0f to %.0f mA, and in all that was heard of the night the bus shows "
				     "no wake that it could be.",
			p.n, p.least, p.most));
	else
		case_text(f, case_say(c, "The current shows a life that the bus never shows: %zu rises of %.0f to %.0f mA while nothing was heard.", p.n,
			p.least, p.most));
	f->cost_mAh_per_day = a_day;
	/* one more or less may have been seen */
	f->cost_error_mAh_per_day = hypot(1.96 * sqrt(p.variance), p.charge_mAs / (double)p.n) / 3600 * 86400e9 / (double)p.watched;
	f->cost_basis = p.watched < 12 * 60 * LULL_MIN ? "per parked day, from less than half a day" : "per parked day";
	case_evidence(c, f, case_say(c, "On average %s long, typically %s apart.", span_text(p.total / (lull_time)p.n, a),
		span_text(p.n > 1 ? (p.last - p.first) / (lull_time)(p.n - 1) : 0, b)));
	if (!life)
		case_evidence(c, f, case_say(c, "A gateway between this port and the buses that live, wrong pins or a wrong bitrate would look like this."));
	say_lineup(c, f);
}

static bool near_a_mark(const struct lull_case *c, lull_time t)
{
	for (size_t i = 0; i < c->night->marks.n; i++)
		if (t > c->night->marks.at[i].t - 30 * LULL_SEC && t < c->night->marks.at[i].t + 2 * LULL_MIN)
			return true;
	return false;
}

/* Rises of a node's size while nothing is heard, each after a fall: relays that drop one after the other, in a log that hangs the other way
 * round, are none. What somebody does who tells it is not the car's life. */
static size_t count_rises(const struct lull_case *c)
{
	const struct lull_current_report *r = &c->v->current;
	double least = fmax(LIFE_MA, 6 * c->draw_noise);
	size_t up = 0;
	bool fell = true;
	for (size_t i = 0; i < r->steps.n; i++) {
		const struct lull_step *s = &r->steps.at[i];
		double by = s->to_mA - s->from_mA;
		if (s->at <= c->v->settle_from + LULL_MIN || s->at >= c->v->judged_to || fabs(by) <= least)
			continue;
		up += by > 0 && fell && !near_a_mark(c, s->at);
		fell = by < 0;
	}
	return up;
}

/* A stub or a bus never heard: the night's current still tells whether the car went to sleep. */
static void find_invisible(struct lull_case *c)
{
	if (any_bus_shows_life(c) || !c->night->bus_count)
		return;
	for (size_t i = 0; i < c->v->findings.n; i++)
		if (c->v->findings.at[i].code == LULL_BUS_NOT_VISIBLE)
			return;
	size_t up = count_rises(c);
	if (up < PULSE_RATE)
		return;
	struct lull_finding *f = case_finding(c, LULL_BUS_NOT_VISIBLE, LULL_BUS_ALL, 0.92);
	if (!f)
		return;
	case_text(f, case_say(c, "The current shows a life that the bus never shows: it rises %zu times in the night while nothing was heard.", up));
	case_evidence(c, f, case_say(c, "A gateway between this port and the buses that live, wrong pins or a wrong bitrate would look like this."));
	say_lineup(c, f);
}

void case_draw_findings(struct lull_case *c)
{
	if (!c->v->current.present)
		return;
	find_draw(c);
	find_pulses(c);
	find_invisible(c);
	find_lost(c);
}
