/* SPDX-License-Identifier: GPL-3.0-or-later */
/* truth: what an invented night was made of, as JSON. The analysis may not read it. */
#include <cmd/truth.h>
#include <jansson.h>
#include <math.h>

static json_t *number(double x)
{
	return isfinite(x) ? json_real(x) : json_null();
}

static json_t *findings(const struct lull_truth *t)
{
	json_t *list = json_array();
	size_t i;

	for (i = 0; i < t->finding_count; i++) {
		const struct lull_truth_finding *f = &t->finding[i];

		(void)json_array_append_new(list,
			json_pack("{s:s, s:o, s:o, s:b, s:o}", "code", lull_code_name(f->code), "node",
				f->node[0] ? json_string(f->node) : json_null(), "role",
				f->node[0] ? json_string(lull_role_name(f->role)) : json_null(), "decidable",
				f->decidable, "cost_mAh_per_day", number(f->cost_mAh_per_day)));
	}
	return list;
}

static json_t *nodes(const struct lull_truth *t)
{
	json_t *list = json_array();
	size_t i, k;

	for (i = 0; i < t->node_count; i++) {
		const struct lull_truth_node *n = &t->nodes[i];
		json_t *ids = json_array();

		for (k = 0; k < n->id_count; k++) {
			char buf[11];

			(void)json_array_append_new(ids, json_string(lull_id_text(n->ids[k], buf)));
		}
		(void)json_array_append_new(
			list, json_pack("{s:s, s:s, s:o, s:o, s:o}", "name", n->name, "bus", n->bus, "ids", ids,
				  "awake_mA", number(n->awake_mA), "silent_mA", number(n->silent_mA)));
	}
	return list;
}

static json_t *pulls(const struct lull_truth *t)
{
	json_t *list = json_array();
	size_t i;

	for (i = 0; i < t->pull_count; i++)
		(void)json_array_append_new(list,
			json_pack("{s:f, s:o, s:b}", "at_s", t->pulls[i].at_s, "node",
				t->pulls[i].node[0] ? json_string(t->pulls[i].node) : json_null(), "ends_it", t->pulls[i].ends_it));
	return list;
}

static json_t *clamp(const struct lull_truth_clamp *c)
{
	if (!c->present)
		return json_null();
	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:b, s:o, s:i}", "start_s", number(c->start_s), "drift_ppm",
		number(c->drift_ppm), "quiet_mA", number(c->quiet_mA), "zero_mA", number(c->zero_mA),
		"zero_drift_mA", number(c->zero_drift_mA), "lost_at_s", number(c->lost_at_s), "reversed",
		c->reversed, "step_s", number(c->step_s), "test_loads", (int)c->loads);
}

void lull_truth_write(FILE *f, const struct lull_sim_night *night)
{
	const struct lull_truth *t = &night->truth;
	json_t *j = json_pack("{s:s, s:i, s:s, s:I, s:o, s:o, s:i, s:o, s:o, s:o, s:o}", "format", "lull.truth",
		"version", 1, "scenario", t->scenario ? t->scenario : "", "seed", (json_int_t)t->seed,
		"key_off_s", number(t->key_off_s), "first_quiet_s", number(t->first_quiet_s), "wakes",
		(int)t->wakes, "findings", findings(t), "nodes", nodes(t), "pulls", pulls(t), "clamp", clamp(&t->clamp));

	/* A failed write shows in the stream's error flag, which the caller looks at. */
	if (j)
		(void)json_dumpf(j, f, JSON_INDENT(2) | JSON_REAL_PRECISION(15));
	(void)putc('\n', f);
	json_decref(j);
}
