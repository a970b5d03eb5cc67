/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The report's JSON, parsed back and compared with the verdict it was made of. */
#include <jansson.h>
#include <math.h>
#include <report/report.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "made_verdict.h"

struct case_ {
	struct lull_night night;
	struct lull_verdict v;
	char *text;
	json_t *root;
};

static void begin(struct case_ *c, void (*make)(struct lull_night *, struct lull_verdict *))
{
	size_t size;
	FILE *out = open_memstream(&c->text, &size);
	json_error_t err;

	assert_non_null(out);
	make(&c->night, &c->v);
	assert_int_equal(lull_report_json(out, &c->night, &c->v, NULL), 0);
	assert_int_equal(fclose(out), 0);
	c->root = json_loads(c->text, JSON_REJECT_DUPLICATES, &err);
	if (!c->root)
		fail_msg("line %d: %s", err.line, err.text);
}

static void end(struct case_ *c)
{
	json_decref(c->root);
	free(c->text);
	made_free(&c->night, &c->v);
}

/* By a path such as "findings/0/suspects/1/node". */
static const json_t *at(const json_t *j, const char *path)
{
	char copy[128], *part, *rest = copy;

	(void)snprintf(copy, sizeof copy, "%s", path);
	while ((part = strsep(&rest, "/"))) {
		j = json_is_array(j) ? json_array_get(j, strtoul(part, NULL, 10)) : json_object_get(j, part);
		if (!j)
			fail_msg("%s: no '%s'", path, part);
	}
	return j;
}

static void is_text(const struct case_ *c, const char *path, const char *want)
{
	assert_true(json_is_string(at(c->root, path)));
	assert_string_equal(json_string_value(at(c->root, path)), want);
}

static void is_number(const struct case_ *c, const char *path, double want)
{
	assert_true(json_is_number(at(c->root, path)));
	assert_true(fabs(json_number_value(at(c->root, path)) - want) <= 1e-9 * (1 + fabs(want)));
}

static void is_null(const struct case_ *c, const char *path)
{
	if (!json_is_null(at(c->root, path)))
		fail_msg("%s is not null", path);
}

static void the_head(void **state)
{
	struct case_ c;

	(void)state;
	begin(&c, made_verdict);
	is_text(&c, "format", "lull.report");
	is_number(&c, "version", 1);
	is_text(&c, "start_utc", "2026-03-05T22:41:07.120Z");
	is_number(&c, "duration_s", 28800);
	is_number(&c, "key_off/at_s", 74.2);
	is_text(&c, "key_off/by", "mark");
	is_number(&c, "settle_from/at_s", 74.2);
	is_text(&c, "settle_from/by", "key-off");
	is_number(&c, "judged_to_s", 28790);
	is_number(&c, "limits/draw_mA", 50);
	is_number(&c, "limits/sleep_s", 1200);
	is_text(&c, "limits/source", "rule of thumb");
	is_number(&c, "coverage/observed_s", 28790);
	/* A row for every bus is told once for each. */
	assert_int_equal(json_array_size(at(c.root, "coverage/blind")), 3);
	is_text(&c, "coverage/blind/0/bus", "engine");
	is_text(&c, "coverage/blind/0/why", "capture ended");
	is_number(&c, "coverage/blind/1/from_s", 500);
	is_number(&c, "coverage/blind/1/to_s", 501);
	assert_int_equal(json_array_size(at(c.root, "left_out")), 1);
	end(&c);
}

static void the_findings(void **state)
{
	struct case_ c;

	(void)state;
	begin(&c, made_verdict);
	assert_int_equal(json_array_size(at(c.root, "findings")), c.v.findings.n);
	for (size_t i = 0; i < c.v.findings.n; i++) {
		const struct lull_finding *f = &c.v.findings.at[i];
		const json_t *j = json_array_get(at(c.root, "findings"), i);

		assert_string_equal(json_string_value(at(j, "code")), lull_code_name(f->code));
		assert_string_equal(json_string_value(at(j, "text")), f->text);
		assert_true(fabs(json_number_value(at(j, "confidence")) - f->confidence) < 1e-9);
		assert_int_equal(json_array_size(at(j, "suspects")), f->suspects.n);
		assert_int_equal(json_array_size(at(j, "evidence")), f->evidence.n);
		assert_int_equal(json_array_size(at(j, "next")), f->next.n);
		for (size_t k = 0; k < f->suspects.n; k++) {
			const struct lull_suspect *s = &f->suspects.at[k];
			const json_t *t = json_array_get(at(j, "suspects"), k);

			assert_string_equal(json_string_value(at(t, "node")), s->node);
			assert_string_equal(json_string_value(at(t, "bus")), "comfort");
			assert_string_equal(json_string_value(at(t, "role")), lull_role_name(s->role));
			assert_string_equal(
				json_string_value(at(t, "standing")), lull_standing_name(s->standing));
			assert_true(fabs(json_number_value(at(t, "confidence")) - s->confidence) < 1e-9);
			assert_int_equal(json_array_size(at(t, "ids")), s->id_count);
		}
	}
	is_number(&c, "findings/0/cost_mAh_per_day", 412.25);
	is_text(&c, "findings/0/cost_basis", "per parked day");
	is_text(&c, "findings/0/named/node", "LIFT-GATE");
	is_text(&c, "findings/0/named/ids/0", "0x3A1");
	is_text(&c, "findings/0/named/ids/1", "0x18FEF100");
	is_null(&c, "findings/1/named");
	is_null(&c, "findings/1/cost_mAh_per_day");
	is_null(&c, "findings/1/cost_basis");
	end(&c);
}

static void the_buses(void **state)
{
	struct case_ c;

	(void)state;
	begin(&c, made_verdict);
	assert_int_equal(json_array_size(at(c.root, "buses")), 2);
	is_text(&c, "buses/0/name", "comfort");
	is_number(&c, "buses/0/bitrate", 500000);
	assert_true(json_is_true(at(c.root, "buses/0/representative")));
	is_number(&c, "buses/0/load_percent", 12.34);
	is_number(&c, "buses/0/frames", 1234567);
	is_number(&c, "buses/0/first_quiet_s", 2539);
	is_text(&c, "buses/0/state_at_end", "quiet");
	assert_int_equal(json_array_size(at(c.root, "buses/0/spells")), 41);
	is_number(&c, "buses/0/spells/1/from_s", 3000);
	is_number(&c, "buses/0/spells/1/to_s", 3031);
	is_text(&c, "buses/0/spells/1/first_id", "0x3A1");
	is_text(&c, "buses/0/spells/1/waker", "LIFT-GATE");
	is_text(&c, "buses/0/spells/1/keeper", "IDs 0x510, 0x511, 0x512");
	is_null(&c, "buses/0/spells/0/waker");
	is_null(&c, "buses/0/spells/0/charge_mAs");
	is_null(&c, "buses/1/bitrate");
	is_null(&c, "buses/1/load_percent");
	is_null(&c, "buses/1/first_quiet_s");
	is_text(&c, "buses/1/state_at_end", "blind");
	assert_int_equal(json_array_size(at(c.root, "buses/1/spells")), 0);
	end(&c);
}

static void nodes_and_ids(void **state)
{
	struct case_ c;

	(void)state;
	begin(&c, made_verdict);
	is_text(&c, "nodes/0/name", "LIFT-GATE");
	is_text(&c, "nodes/0/named_by", "profile");
	is_number(&c, "nodes/0/clock_ppm", -47.5);
	is_null(&c, "nodes/0/awake_mA");
	is_null(&c, "nodes/0/awake_mA_error");
	is_null(&c, "nodes/1/clock_ppm");
	is_text(&c, "nodes/2/ids/2", "0x512");
	is_text(&c, "ids/1/id", "0x18FEF100");
	assert_true(json_is_true(at(c.root, "ids/1/extended")));
	assert_true(json_is_false(at(c.root, "ids/0/extended")));
	is_text(&c, "ids/0/node", "LIFT-GATE");
	is_number(&c, "ids/0/period_ms", 100);
	is_number(&c, "ids/0/jitter_ms", 0.25);
	is_number(&c, "ids/0/frames", 287901);
	is_number(&c, "ids/0/first_s", 0);
	is_number(&c, "ids/0/last_s", 28790);
	is_number(&c, "ids/0/stretches", 1);
	end(&c);
}

static void no_clamp_is_null(void **state)
{
	static const char *const keys[] = {"current/samples", "current/clock_offset_s",
		"current/clock_drift_ppm", "current/alignment_confidence", "current/zero_mA",
		"current/quiet_mA", "current/average_mA", "battery/capacity_Ah", "battery/days_to_half",
		"battery/days_to_half_error"};
	struct case_ c;

	(void)state;
	begin(&c, made_verdict);
	for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++)
		is_null(&c, keys[i]);
	assert_int_equal(json_array_size(at(c.root, "current/steps")), 0);
	end(&c);
}

static void a_clamp_tells(void **state)
{
	struct lull_step step = {.at = 3000 * LULL_SEC, .from_mA = 21.5, .to_mA = 480};
	struct lull_night night;
	struct lull_verdict v;
	struct case_ c = {0};
	size_t size;
	FILE *out = open_memstream(&c.text, &size);

	(void)state;
	assert_non_null(out);
	made_verdict(&night, &v);
	v.current = (struct lull_current_report){.present = true,
		.samples = 86400,
		.clock_offset_s = -3612.5,
		.zero_mA = NAN,
		.quiet_mA = 21.5,
		.average_mA = NAN,
		.steps = {.at = &step, .n = 1}};
	v.current.lineup = (struct lull_lineup){.paired = true, .drift_ppm = 42, .confidence = 0.97};
	v.battery = (struct lull_battery_report){
		.known = true, .capacity_Ah = {60, 70, 84}, .days_to_half = {20, 25, 32}};
	assert_int_equal(lull_report_json(out, &night, &v, NULL), 0);
	assert_int_equal(fclose(out), 0);
	c.root = json_loads(c.text, 0, NULL);
	assert_non_null(c.root);
	is_number(&c, "current/samples", 86400);
	is_number(&c, "current/clock_offset_s", -3612.5);
	is_number(&c, "current/clock_drift_ppm", 42);
	is_number(&c, "current/alignment_confidence", 0.97);
	is_null(&c, "current/zero_mA");
	is_number(&c, "current/quiet_mA", 21.5);
	is_null(&c, "current/average_mA");
	is_number(&c, "current/steps/0/at_s", 3000);
	is_number(&c, "current/steps/0/to_mA", 480);
	is_null(&c, "current/steps/0/because");
	is_number(&c, "battery/capacity_Ah", 70);
	is_number(&c, "battery/days_to_half", 25);
	is_number(&c, "battery/days_to_half_error", 6);
	json_decref(c.root);
	free(c.text);
	memset(&v.current, 0, sizeof v.current); /* its rows are not owned here */
	made_free(&night, &v);
}

/* JSON has no NaN and no Infinity (RFC 8259, 6): what is unknown is null. */
static void unknown_is_null(void **state)
{
	struct case_ c;

	(void)state;
	begin(&c, made_empty);
	is_null(&c, "start_utc");
	is_null(&c, "key_off/at_s");
	is_null(&c, "key_off/by");
	is_null(&c, "judged_to_s");
	is_null(&c, "limits/draw_mA");
	is_null(&c, "findings/0/confidence");
	is_null(&c, "findings/0/cost_mAh_per_day");
	is_null(&c, "findings/0/bus");
	assert_null(strcasestr(c.text, "nan"));
	assert_null(strcasestr(c.text, "infinity"));
	end(&c);
}

static void hostile_names_stay_names(void **state)
{
	struct case_ c;

	(void)state;
	begin(&c, made_hostile);
	/* Valid UTF-8 comes back as it was; what is not valid is shown. */
	is_text(&c, "buses/0/name", "b\\x1b[7m\\xc3(");
	is_text(&c, "nodes/0/name", "n\\x1bc\\x7f\\xf0\\x9f");
	end(&c);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_head),
		cmocka_unit_test(the_findings),
		cmocka_unit_test(the_buses),
		cmocka_unit_test(nodes_and_ids),
		cmocka_unit_test(no_clamp_is_null),
		cmocka_unit_test(a_clamp_tells),
		cmocka_unit_test(unknown_is_null),
		cmocka_unit_test(hostile_names_stay_names),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
