/* SPDX-License-Identifier: GPL-3.0-or-later */
/* judge: a night in, a verdict out: runs the steps of case.h in their order. Pure. */
#include "core/case.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define THUMB_DRAW_MA 50 /* common practice; the maker's value rules */
#define THUMB_SLEEP_S 1200 /* common practice: 2 to 20 minutes */

struct lull_question lull_question_default(void)
{
	return (struct lull_question){ .limit_draw_mA = NAN,
		.limit_sleep_s = NAN,
		.key_off = LULL_NEVER,
		.flat_after_h = NAN,
		.stops_a_day = 3,
		.capacity_Ah = NAN,
		.reserve_min = NAN,
		.charge = NAN,
		.rest_V = NAN,
		.rest_celsius = NAN };
}

/* The user's word beats the profile, the profile the rule of thumb. The source told is that of the sleep limit where
 * the two differ: it is the one judged without current. */
static void choose_limits(struct lull_case *c)
{
	struct lull_verdict *v = c->v;
	v->limit_draw_mA = THUMB_DRAW_MA;
	v->limit_sleep_s = THUMB_SLEEP_S;
	v->limit_source = LULL_LIMIT_RULE_OF_THUMB;
	if (c->profile && isfinite(c->profile->limit_draw_mA))
		v->limit_draw_mA = c->profile->limit_draw_mA;
	if (c->profile && isfinite(c->profile->limit_sleep_s)) {
		v->limit_sleep_s = c->profile->limit_sleep_s;
		v->limit_source = c->profile->limits_from_maker ? LULL_LIMIT_MAKER : LULL_LIMIT_PROFILE;
	}
	if (isfinite(c->ask->limit_draw_mA))
		v->limit_draw_mA = c->ask->limit_draw_mA;
	if (isfinite(c->ask->limit_sleep_s)) {
		v->limit_sleep_s = c->ask->limit_sleep_s;
		v->limit_source = LULL_LIMIT_USER;
	}
}

static void find_load(struct lull_case *c)
{
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		const struct lull_bus *b = &c->night->bus[bus];
		lull_time awake = 0;
		size_t at, n = case_bus_spells(c, bus, &at);
		for (size_t i = 0; i < n; i++)
			awake += c->v->spells.at[at + i].to - c->v->spells.at[at + i].from;
		c->v->bus[bus].load_percent =
			b->bitrate && awake > 0 ? 100.0 * (double)b->bits / ((double)b->bitrate * (double)awake / 1e9) : NAN;
	}
}

static void keep_left_out(struct lull_case *c)
{
	for (size_t i = 0; i < c->night->left_out.n; i++)
		case_left_out(c, case_say(c, "%s", c->night->left_out.at[i]));
	for (unsigned bus = 0; bus < c->night->bus_count; bus++) {
		const struct lull_bus *b = &c->night->bus[bus];
		if (b->overflow)
			case_left_out(c, case_say(c, "bus %s: %llu frames of at least %u IDs had no place in the table and are only counted", b->name,
				(unsigned long long)b->overflow, b->overflow_ids));
	}
}

static void free_case(struct lull_case *c)
{
	free(c->run);
	free(c->run_at);
	free(c->run_count);
	for (unsigned bus = 0; bus < LULL_BUS_MAX; bus++) {
		free(c->observed[bus].at);
		free(c->unproven[bus].at);
	}
	for (size_t i = 0; i < c->families.n; i++)
		free(c->families.at[i].members.at);
	free(c->families.at);
	free(c->touches.at);
	free(c->draw_at);
	free(c->draw_mA);
}

int lull_judge(const struct lull_night *night, const struct lull_question *ask, struct lull_verdict *v)
{
	struct lull_case c = { .night = night, .ask = ask, .profile = ask->profile, .v = v };

	memset(v, 0, sizeof *v);
	v->end = night->end;
	v->key_off = v->settle_from = v->judged_to = LULL_NEVER;
	void (*const steps[])(struct lull_case *) = { choose_limits, keep_left_out, case_watch, case_idents, case_nm, case_nodes, case_spells, case_turning, case_pulls,
		find_load, case_draw, case_charge, case_regress, case_forecast, case_findings };
	for (size_t i = 0; i < sizeof steps / sizeof *steps && !c.oom; i++)
		steps[i](&c);
	free_case(&c);
	if (c.oom) {
		lull_verdict_clear(v);
		return -ENOMEM;
	}
	return 0;
}

static void free_strings(char **at, size_t n)
{
	for (size_t i = 0; i < n; i++)
		free(at[i]);
	free(at);
}

void lull_verdict_clear(struct lull_verdict *v)
{
	for (size_t i = 0; i < v->findings.n; i++)
		case_drop_finding(&v->findings.at[i]);
	free(v->findings.at);
	free(v->blind.at);
	free(v->spells.at);
	for (size_t i = 0; i < v->nodes.n; i++)
		free(v->nodes.at[i].ids);
	free(v->nodes.at);
	free(v->claims.at);
	free(v->ids.at);
	for (size_t i = 0; i < v->pulls.n; i++) {
		free(v->pulls.at[i].ids);
		free(v->pulls.at[i].unclear);
		free(v->pulls.at[i].why);
	}
	free(v->pulls.at);
	free(v->wakes.at);
	free_strings(v->left_out.at, v->left_out.n);
	for (size_t i = 0; i < v->current.steps.n; i++)
		free(v->current.steps.at[i].because);
	free(v->current.steps.at);
	free(v->current.stages.at);
	free(v->current.dead.at);
	for (size_t i = 0; i < v->current.inseparable.n; i++)
		free(v->current.inseparable.at[i].nodes);
	free(v->current.inseparable.at);
	free(v->current.scale_doubt);
	for (unsigned bus = 0; bus < LULL_BUS_MAX; bus++)
		free(v->bus[bus].quiet_why);
	memset(v, 0, sizeof *v);
}

int lull_verdict_status(const struct lull_verdict *v)
{
	/* one for each bus, but nothing else */
	for (size_t i = 0; i < v->findings.n; i++)
		if (v->findings.at[i].code != LULL_WITHIN_LIMIT)
			return 1;
	return v->findings.n ? 0 : 1;
}
