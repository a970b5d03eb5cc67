/* SPDX-License-Identifier: GPL-3.0-or-later */
/* judged: a recording from its file to a verdict, for the commands that show one. */
#include <cmd/cmd.h>
#include <cmd/judged.h>
#include <cmd/tee.h>
#include <math.h>
#include <source/marks.h>
#include <source/profile.h>
#include <store/store.h>
#include <string.h>

/* The user's profile, else the one that was kept with the recording. */
static int get_profile(struct lull_judged *j, const char *path, const char *who)
{
	char err[1024];
	int r = 0;

	lull_profile_init(&j->profile);
	if (path)
		r = lull_profile_read(path, &j->profile, err, sizeof err);
	else if (j->night.profile)
		r = lull_profile_parse_kept("profile in the recording", j->night.profile,
			strlen(j->night.profile), &j->profile, err, sizeof err);
	return r ? lull_fail(who, "%s", err) : 0;
}

/* "74.2" from the first frame, or a date by the recording's clock. */
static int get_key_off(const struct lull_night *night, const char *text, lull_time *t, const char *who)
{
	struct lull_tee maps = {.clocks = night->clocks.at, .clock_count = night->clocks.n};
	struct lull_stamp at;
	lull_time first = LULL_NEVER;
	unsigned b;

	if (lull_stamp_parse(text, &at))
		return lull_misuse(who,
			"key-off time '%s' is neither seconds from the first frame nor a date like "
			"2026-03-05T22:41:07Z",
			text);
	for (b = 0; b < night->bus_count; b++) {
		if (night->bus[b].first != LULL_NEVER && (first == LULL_NEVER || night->bus[b].first < first))
			first = night->bus[b].first;
	}
	if (first == LULL_NEVER)
		first = 0;
	if (at.absolute)
		*t = lull_tee_from_utc(&maps, at.ns);
	else if (__builtin_add_overflow(first, at.ns, t))
		*t = LULL_NEVER;
	if (*t == LULL_NEVER && at.absolute)
		return lull_fail(
			who, "this recording has no dates: give --key-off in seconds from the first frame");
	if (*t < 0 || *t > night->end)
		return lull_fail(who, "key-off '%s' does not lie within the recording", text);
	return 0;
}

struct lull_judged_options lull_judged_options_default(void)
{
	return (struct lull_judged_options){.limit_draw_mA = (double)NAN,
		.limit_sleep_s = (double)NAN,
		.flat_after_h = (double)NAN,
		.stops_a_day = (double)NAN,
		.capacity_Ah = (double)NAN,
		.reserve_min = (double)NAN,
		.charge = (double)NAN,
		.rest_V = (double)NAN};
}

static double told_or(double told, double otherwise)
{
	return isfinite(told) ? told : otherwise;
}

/* What is told on the command line stands before the profile. One capacity is enough: told as one, the profile's other is
 * not another word on it. */
static void ask(struct lull_question *q, const struct lull_judged_options *o, struct lull_profile *profile)
{
	if (isfinite(o->capacity_Ah) || isfinite(o->reserve_min))
		profile->capacity_Ah = profile->reserve_min = (double)NAN;
	q->profile = profile;
	q->limit_draw_mA = o->limit_draw_mA;
	q->limit_sleep_s = o->limit_sleep_s;
	q->flat_after_h = o->flat_after_h;
	q->stops_a_day = told_or(o->stops_a_day, q->stops_a_day);
	q->capacity_Ah = told_or(o->capacity_Ah, profile->capacity_Ah);
	q->reserve_min = told_or(o->reserve_min, profile->reserve_min);
	q->battery = o->battery != LULL_BATTERY_UNKNOWN ? o->battery : profile->battery;
	q->rest_V = o->rest_V;
	q->charge = told_or(o->charge, isfinite(o->rest_V) ? q->charge : told_or(profile->charge, q->charge));
}

int lull_judged_load(struct lull_judged *j, const struct lull_judged_options *o, const char *who)
{
	struct lull_question q = lull_question_default();
	char err[1024] = "";
	int r;

	memset(j, 0, sizeof *j);
	if (lull_store_load(o->recording, &j->night, err, sizeof err))
		return lull_fail(who, "%s", err);
	r = get_profile(j, o->profile, who);
	if (r) {
		lull_night_clear(&j->night);
		return r;
	}
	ask(&q, o, &j->profile);
	if (o->key_off)
		r = get_key_off(&j->night, o->key_off, &q.key_off, who);
	if (!r && lull_judge(&j->night, &q, &j->verdict))
		r = lull_fail(who, "out of memory");
	if (r) {
		lull_profile_clear(&j->profile);
		lull_night_clear(&j->night);
	}
	return r;
}

void lull_judged_clear(struct lull_judged *j)
{
	lull_verdict_clear(&j->verdict);
	lull_profile_clear(&j->profile);
	lull_night_clear(&j->night);
}
