/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json: format 1 of the report, through jansson. Numbers that are not known are null, never NaN. Text goes out as
 * ASCII with \u escapes, so that a name can do nothing to a terminal the report is printed on. */
#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <report/page.h>
#include <report/when.h>
#include <string.h>

static json_t *number(double x)
{
	return isfinite(x) ? json_real(x) : json_null();
}

static json_t *seconds(lull_time t)
{
	return t == LULL_NEVER ? json_null() : json_real((double)t / 1e9);
}

/* jansson takes valid UTF-8 only; anything else is shown as \xNN. */
static json_t *text(const char *s)
{
	json_t *j;
	char *clean;
	size_t room;

	if (!s)
		return json_null();
	j = json_string(s);
	if (j)
		return j;
	room = strlen(s) * 4 + 1;
	clean = malloc(room);
	if (!clean)
		return NULL;
	j = json_string(lull_page_clean(s, clean, room));
	free(clean);
	return j;
}

static json_t *node_name(const struct lull_verdict *v, int node)
{
	return node >= 0 && (size_t)node < v->nodes.n ? text(v->nodes.at[node].name) : json_null();
}

static json_t *bus_name(const struct lull_night *night, unsigned bus)
{
	return bus < night->bus_count ? text(night->bus[bus].name) : json_null();
}

static json_t *id_text(uint32_t id)
{
	char buf[11];

	return id == LULL_ID_NONE ? json_null() : json_string(lull_id_text(id, buf));
}

static json_t *id_list(const uint32_t *ids, size_t n)
{
	json_t *list = json_array();
	size_t i;

	for (i = 0; i < n; i++)
		(void)json_array_append_new(list, id_text(ids[i]));
	return list;
}

static json_t *text_list(char *const *at, size_t n)
{
	json_t *list = json_array();
	size_t i;

	for (i = 0; i < n; i++)
		(void)json_array_append_new(list, text(at[i]));
	return list;
}

static json_t *instant(lull_time t, enum lull_by by)
{
	return json_pack("{s:o, s:o}", "at_s", seconds(t), "by",
		t == LULL_NEVER ? json_null() : text(lull_by_name(by)));
}

static json_t *suspect(const struct lull_night *night, const struct lull_suspect *s)
{
	return json_pack("{s:o, s:o, s:s, s:o, s:s, s:o}", "node", text(s->node), "bus",
		bus_name(night, s->bus), "role", lull_role_name(s->role), "confidence", number(s->confidence),
		"standing", lull_standing_name(s->standing), "ids", id_list(s->ids, s->id_count));
}

static json_t *finding(const struct lull_night *night, const struct lull_finding *f)
{
	json_t *suspects = json_array(), *named = json_null();
	size_t i;

	for (i = 0; i < f->suspects.n; i++)
		(void)json_array_append_new(suspects, suspect(night, &f->suspects.at[i]));
	if (f->named >= 0 && (size_t)f->named < f->suspects.n)
		named = suspect(night, &f->suspects.at[f->named]);
	return json_pack("{s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "code",
		lull_code_name(f->code), "bus", bus_name(night, f->bus), "confidence", number(f->confidence),
		"cost_mAh_per_day", number(f->cost_mAh_per_day), "cost_mAh_per_day_error",
		number(f->cost_error_mAh_per_day), "cost_basis", text(f->cost_basis), "text",
		text(f->text), "named", named, "suspects", suspects, "evidence",
		text_list(f->evidence.at, f->evidence.n), "next", text_list(f->next.at, f->next.n));
}

/* Groups are told with their bus. */
static int first_group(const struct lull_verdict *v, unsigned bus)
{
	size_t i = 0;

	while (i < v->wakes.n && v->wakes.at[i].bus != bus)
		i++;
	return (int)i;
}

static json_t *spell(const struct lull_verdict *v, const struct lull_spell *s)
{
	json_t *j = json_pack("{s:o, s:o, s:o, s:o, s:o, s:I, s:o}", "from_s", seconds(s->from), "to_s",
		seconds(s->to), "first_id", id_text(s->first_id), "waker", node_name(v, s->waker), "keeper",
		node_name(v, s->keeper), "frames", (json_int_t)s->frames, "charge_mAs",
		number(s->charge_mAs));

	(void)json_object_set_new(j, "charge_mAs_error", number(s->charge_error_mAs));
	(void)json_object_set_new(j, "kind", text(lull_spell_kind_name(s->kind)));
	(void)json_object_set_new(j, "last_id", id_text(s->last_id));
	(void)json_object_set_new(j, "begun", json_boolean(s->begun));
	(void)json_object_set_new(j, "closed", json_boolean(s->closed));
	(void)json_object_set_new(j, "proof", text(lull_proof_name(s->proof)));
	(void)json_object_set_new(j, "relayed", json_boolean(s->relayed));
	(void)json_object_set_new(j, "lone", json_boolean(s->lone));
	(void)json_object_set_new(j, "unacknowledged", json_integer(s->unacknowledged));
	(void)json_object_set_new(j, "group", s->group < 0 ? json_null() : json_integer(s->group - first_group(v, s->bus)));
	return j;
}

static json_t *wake_group(const struct lull_night *night, const struct lull_verdict *v, const struct lull_wake_group *g)
{
	json_t *j = json_pack("{s:I, s:o, s:o, s:s, s:o, s:o, s:o, s:o, s:o, s:o}", "wakes", (json_int_t)g->n, "waker", node_name(v, g->waker),
		"first_id", id_text(g->first_id), "rhythm", lull_wake_rhythm_name(g->rhythm), "period_s", number(g->period_s), "spread_s",
		number(g->spread_s), "chance", number(g->chance), "first_s", seconds(g->first), "last_s", seconds(g->last), "length_s",
		number(g->length_s));

	(void)json_object_set_new(j, "skips", json_boolean(g->skips));
	(void)json_object_set_new(j, "length_least_s", number(g->length_least_s));
	(void)json_object_set_new(j, "length_most_s", number(g->length_most_s));
	(void)json_object_set_new(j, "ids", json_integer((json_int_t)g->ids));
	(void)json_object_set_new(j, "frames_per_s", number(g->frames_per_s));
	(void)json_object_set_new(j, "charge_mAs", number(g->charge_mAs));
	(void)json_object_set_new(j, "day_from_s", number(g->day_from_s));
	(void)json_object_set_new(j, "day_to_s", number(g->day_to_s));
	(void)json_object_set_new(j, "relayed", json_boolean(g->relayed));
	(void)json_object_set_new(j, "after_bus", json_integer((json_int_t)g->after_bus));
	(void)json_object_set_new(j, "leader", g->leader < 0 ? json_null() : text(night->bus[g->leader].name));
	(void)json_object_set_new(j, "lead_s", number(g->lead_s));
	(void)json_object_set_new(j, "after_mark", json_integer((json_int_t)g->after_mark));
	(void)json_object_set_new(j, "after_step", json_integer((json_int_t)g->after_step));
	(void)json_object_set_new(j, "rise_s", number(g->rise_s));
	(void)json_object_set_new(j, "known_rise_s", number(g->known_rise_s));
	return j;
}

static json_t *bus(const struct lull_night *night, const struct lull_verdict *v, unsigned index)
{
	const struct lull_bus *b = &night->bus[index];
	const struct lull_bus_report *r = &v->bus[index];
	json_t *spells = json_array(), *groups, *j;
	size_t i;

	for (i = 0; i < v->spells.n; i++) {
		if (v->spells.at[i].bus == index)
			(void)json_array_append_new(spells, spell(v, &v->spells.at[i]));
	}
	j = json_pack("{s:o, s:o, s:b, s:o, s:I, s:o, s:s, s:o}", "name", text(b->name), "bitrate",
		b->bitrate ? json_integer(b->bitrate) : json_null(), "representative", r->representative,
		"load_percent", number(r->load_percent), "frames", (json_int_t)b->frames, "first_quiet_s",
		seconds(r->first_quiet), "state_at_end", lull_bus_state_name(r->state_at_end), "spells",
		spells);
	if (!j)
		return NULL;
	groups = json_array();
	(void)json_object_set_new(j, "stub", json_boolean(r->stub));
	(void)json_object_set_new(j, "quiet_time_s", seconds(r->quiet_time_ns));
	(void)json_object_set_new(j, "quiet_why", text(r->quiet_why));
	(void)json_object_set_new(j, "proof_at_end", text(lull_proof_name(r->proof_at_end)));
	(void)json_object_set_new(j, "errors", json_integer((json_int_t)b->errors));
	(void)json_object_set_new(j, "errors_visible", json_boolean(r->errors_visible));
	for (i = 0; i < v->wakes.n; i++) {
		if (v->wakes.at[i].bus == index)
			(void)json_array_append_new(groups, wake_group(night, v, &v->wakes.at[i]));
	}
	(void)json_object_set_new(j, "wake_groups", groups);
	return j;
}

/* The NAME's fields as numbers: what they stand for is listed in the standard. */
static json_t *claim(const struct lull_claim *c)
{
	struct lull_name n = lull_name_decode(c->name);
	char hex[19];

	(void)snprintf(hex, sizeof hex, "0x%016llX", (unsigned long long)c->name);
	return json_pack("{s:i, s:o, s:o, s:s, s:i, s:i, s:i, s:i, s:i, s:i, s:i, s:i, s:b}", "address", (int)c->address, "first_s",
		seconds(c->first), "last_s", seconds(c->last), "name", hex, "identity", (int)n.identity, "manufacturer",
		(int)n.manufacturer, "ecu_instance", (int)n.ecu_instance, "function_instance", (int)n.function_instance,
		"function", (int)n.function, "vehicle_system", (int)n.vehicle_system, "system_instance",
		(int)n.system_instance, "industry_group", (int)n.industry_group, "arbitrary_address", (int)n.arbitrary);
}

static void addresses(json_t *j, const struct lull_verdict *v, size_t index)
{
	const struct lull_node *n = &v->nodes.at[index];
	json_t *claims = NULL;

	if (n->source_address >= 0)
		(void)json_object_set_new(j, "source_address", json_integer(n->source_address));
	if (n->second_address >= 0) {
		(void)json_object_set_new(j, "second_address", json_integer(n->second_address));
		(void)json_object_set_new(j, "second_address_because", text(n->second_why ? n->second_why : ""));
	}
	for (size_t i = 0; i < v->claims.n; i++) {
		if (v->claims.at[i].node != (int)index)
			continue;
		if (!claims)
			claims = json_array();
		(void)json_array_append_new(claims, claim(&v->claims.at[i]));
	}
	if (claims)
		(void)json_object_set_new(j, "claims", claims);
}

static json_t *node(const struct lull_night *night, const struct lull_verdict *v, size_t index)
{
	const struct lull_node *n = &v->nodes.at[index];
	json_t *j = json_pack("{s:o, s:o, s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "name", text(n->name), "bus",
		bus_name(night, n->bus), "named_by", lull_named_by_name(n->named_by), "ids",
		id_list(n->ids, n->id_count), "clock_ppm", number(n->clock_ppm), "awake_mA",
		number(n->awake_mA), "awake_mA_error", number(n->awake_mA_error), "stop_mA", number(n->stop_mA),
		"stop_mA_error", number(n->stop_mA_error), "kin", number(n->kin > 0 ? n->kin : (double)NAN));

	if (j)
		addresses(j, v, index);
	return j;
}

static json_t *id_info(
	const struct lull_night *night, const struct lull_verdict *v, const struct lull_id_info *d)
{
	return json_pack("{s:o, s:b, s:o, s:o, s:o, s:o, s:I, s:o, s:o, s:i, s:b, s:b, s:o, s:o, s:o, s:o}", "id",
		id_text(d->id), "extended", (d->id & LULL_ID_EXTENDED) != 0, "bus", bus_name(night, d->bus),
		"node", node_name(v, d->node), "period_ms", number(d->period_ms), "jitter_ms",
		number(d->jitter_ms), "frames", (json_int_t)d->frames, "first_s", seconds(d->first), "last_s",
		seconds(d->last), "stretches", (int)d->stretches, "cyclic", d->cyclic, "ignition_only",
		d->ignition_only, "clock_ppm", number(d->clock_ppm), "clock_ppm_error",
		number(d->clock_ppm_error), "last_after_key_off_s", seconds(d->last_after_key_off), "kin",
		number(d->kin > 0 ? d->kin : (double)NAN));
}

static json_t *blind(const struct lull_night *night, const struct lull_verdict *v)
{
	json_t *list = json_array();
	size_t i;
	unsigned b;

	for (i = 0; i < v->blind.n; i++) {
		const struct lull_coverage *c = &v->blind.at[i];

		for (b = 0; b < night->bus_count; b++) {
			if (c->bus != b && c->bus != LULL_BUS_ALL)
				continue;
			(void)json_array_append_new(list,
				json_pack("{s:o, s:o, s:o, s:s}", "bus", bus_name(night, b), "from_s",
					seconds(c->from), "to_s", seconds(c->to), "why",
					lull_coverage_name((enum lull_coverage_why)c->why)));
		}
	}
	return list;
}

static json_t *marks(const struct lull_night *night)
{
	json_t *list = json_array();
	size_t i;

	for (i = 0; i < night->marks.n; i++) {
		const struct lull_mark *m = &night->marks.at[i];

		(void)json_array_append_new(list,
			json_pack("{s:o, s:s, s:o, s:o}", "at_s", seconds(m->t), "kind",
				lull_mark_name((enum lull_mark_kind)m->kind), "name",
				m->name[0] ? text(m->name) : json_null(), "text", text(m->text)));
	}
	return list;
}

static json_t *lineup(const struct lull_lineup *l)
{
	return json_pack("{s:b, s:o, s:o, s:b, s:o, s:I}", "paired", l->paired, "why", l->why[0] ? text(l->why) : json_null(),
		"error_s", number(l->paired ? l->error_s : (double)NAN), "by_load", l->by_load, "other_start_s",
		number(l->other_start_s), "matched", (json_int_t)l->matched);
}

static json_t *steps(const struct lull_current_report *c)
{
	json_t *list = json_array();
	size_t i;

	for (i = 0; c->present && i < c->steps.n; i++) {
		const struct lull_step *s = &c->steps.at[i];

		(void)json_array_append_new(list,
			json_pack("{s:o, s:o, s:o, s:o, s:o}", "at_s", seconds(s->at), "from_mA",
				number(s->from_mA), "to_mA", number(s->to_mA), "error_mA", number(s->error_mA), "because",
				text(s->because)));
	}
	return list;
}

static json_t *stages(const struct lull_current_report *c)
{
	json_t *list = json_array();
	size_t i;

	for (i = 0; c->present && i < c->stages.n; i++) {
		const struct lull_stage *s = &c->stages.at[i];

		(void)json_array_append_new(list,
			json_pack("{s:o, s:o, s:o, s:o, s:o}", "from_s", seconds(s->from), "to_s", seconds(s->to), "mA",
				number(s->mA), "error_mA", number(s->error_mA), "noise_mA", number(s->noise_mA)));
	}
	return list;
}

static json_t *inseparable(const struct lull_night *night, const struct lull_verdict *v)
{
	json_t *list = json_array();
	size_t i, k;

	for (i = 0; v->current.present && i < v->current.inseparable.n; i++) {
		const struct lull_inseparable *set = &v->current.inseparable.at[i];
		json_t *names = json_array();

		for (k = 0; k < set->n; k++)
			(void)json_array_append_new(names, node_name(v, set->nodes[k]));
		(void)json_array_append_new(list,
			json_pack("{s:o, s:o, s:b, s:o, s:o}", "nodes", names, "bus", bus_name(night, set->bus), "with_silent",
				set->whole, "mA", number(set->mA), "mA_error", number(set->mA_error)));
	}
	return list;
}

static json_t *dead(const struct lull_current_report *c)
{
	json_t *list = json_array();
	size_t i;

	for (i = 0; c->present && i < c->dead.n; i++)
		(void)json_array_append_new(list,
			json_pack("{s:o, s:o, s:s}", "from_s", seconds(c->dead.at[i].from), "to_s", seconds(c->dead.at[i].to), "why",
				lull_dead_name(c->dead.at[i].why)));
	return list;
}

/* A night without a clamp log: every value unknown. */
static json_t *current(const struct lull_night *night, const struct lull_verdict *v)
{
	const struct lull_current_report *c = &v->current;
	const bool here = c->present, paired = here && c->lineup.paired, lost = here && c->lost_at != LULL_NEVER;
	const double none = (double)NAN;
	const struct {
		const char *key;
		double value;
	} numbers[] = {
		{"clock_offset_s", paired ? c->clock_offset_s : none},
		{"clock_drift_ppm", paired ? c->lineup.drift_ppm : none},
		{"alignment_confidence", c->lineup.confidence},
		{"zero_mA", c->zero_mA},
		{"zero_drift_mA", c->zero_drift_mA},
		{"zero_mA_error", c->zero_error_mA},
		{"quiet_mA", c->quiet_mA},
		{"quiet_mA_error", c->quiet_error_mA},
		{"average_mA", c->average_mA},
		{"average_mA_error", c->average_error_mA},
		{"charge_mAh", c->charge_mAh},
		{"logger_mA", c->logger_mA},
		{"gain", c->gain},
		{"gain_error", c->gain_error},
		{"range_taken_A", c->range_taken_A},
	};
	json_t *j = json_object();
	size_t i;

	(void)json_object_set_new(j, "samples", here ? json_integer((json_int_t)c->samples) : json_null());
	for (i = 0; i < sizeof numbers / sizeof numbers[0]; i++)
		(void)json_object_set_new(j, numbers[i].key, number(here ? numbers[i].value : none));
	/* The complaint needs no log. */
	(void)json_object_set_new(j, "needed_mA", number(c->needed_mA > 0 ? c->needed_mA : none));
	(void)json_object_set_new(j, "usable", json_boolean(here && c->usable));
	(void)json_object_set_new(j, "reversed", json_boolean(here && c->reversed));
	(void)json_object_set_new(j, "load_unread", json_boolean(here && c->load_unread));
	(void)json_object_set_new(j, "scale_doubt", here ? text(c->scale_doubt) : json_null());
	(void)json_object_set_new(j, "alignment", here ? lineup(&c->lineup) : json_null());
	(void)json_object_set_new(j, "lost_at_s", lost ? seconds(c->lost_at) : json_null());
	(void)json_object_set_new(j, "lost_why", lost ? text(lull_dead_name(c->lost_why)) : json_null());
	(void)json_object_set_new(j, "dead", dead(c));
	(void)json_object_set_new(j, "stages", stages(c));
	(void)json_object_set_new(j, "steps", steps(c));
	(void)json_object_set_new(j, "inseparable", inseparable(night, v));
	return j;
}

/* The middle of a band, and half its width under a second name. */
static void add_band(json_t *j, const char *key, const char *error_key, bool known, const struct lull_band *band)
{
	const double none = (double)NAN;

	(void)json_object_set_new(j, key, number(known ? band->mid : none));
	(void)json_object_set_new(j, error_key, number(known ? (band->high - band->low) / 2 : none));
}

static json_t *battery(const struct lull_battery_report *b)
{
	json_t *j = json_object();

	add_band(j, "capacity_Ah", "capacity_Ah_error", b->known, &b->capacity_Ah);
	add_band(j, "charge", "charge_error", b->known, &b->charge);
	add_band(j, "days_to_half", "days_to_half_error", b->known, &b->days_to_half);
	add_band(j, "days_to_doubtful", "days_to_doubtful_error", b->known, &b->days_to_doubtful);
	return j;
}

/* "" is not known. */
static json_t *told(const char *s)
{
	return s[0] ? text(s) : json_null();
}

static json_t *start_utc(const struct lull_night *night)
{
	int64_t utc = lull_night_utc(night, 0);
	char iso[LULL_WHEN];

	if (utc == INT64_MIN || !lull_when_iso(utc, 3, iso)[0])
		return json_null();
	return json_string(iso);
}

static json_t *report(const struct lull_night *night, const struct lull_verdict *v)
{
	json_t *findings = json_array(), *buses = json_array(), *nodes = json_array(), *ids = json_array();
	size_t i;

	for (i = 0; i < v->findings.n; i++)
		(void)json_array_append_new(findings, finding(night, &v->findings.at[i]));
	for (i = 0; i < night->bus_count; i++)
		(void)json_array_append_new(buses, bus(night, v, (unsigned)i));
	for (i = 0; i < v->nodes.n; i++)
		(void)json_array_append_new(nodes, node(night, v, i));
	for (i = 0; i < v->ids.n; i++)
		(void)json_array_append_new(ids, id_info(night, v, &v->ids.at[i]));
	const struct lull_night_identity *id = &night->identity;

	return json_pack("{s:s, s:i, s:o, s:{s:o, s:o}, s:o, s:o, s:o, s:o, s:o, s:o, s:{s:o, s:o, s:s}, "
			 "s:{s:o, s:o}, s:o, s:o, "
			 "s:o, s:o, s:o, s:o, s:o, s:o}",
		"format", "lull.report", "version", 1, "recording", told(id->uuid), "vehicle", "id",
		told(id->vehicle), "model", told(id->model), "recorder", told(id->recorder), "start_utc",
		start_utc(night), "duration_s", seconds(v->end), "key_off",
		instant(v->key_off, v->key_off_by), "settle_from", instant(v->settle_from, v->settle_by),
		"judged_to_s", seconds(v->judged_to), "limits", "draw_mA", number(v->limit_draw_mA),
		"sleep_s", number(v->limit_sleep_s), "source", lull_limit_source_name(v->limit_source),
		"coverage", "observed_s", seconds(v->observed), "blind", blind(night, v), "findings",
		findings, "buses", buses, "nodes", nodes, "ids", ids, "current", current(night, v), "battery",
		battery(&v->battery), "marks", marks(night), "left_out",
		text_list(v->left_out.at, v->left_out.n));
}

int lull_report_json(FILE *out, const struct lull_night *night, const struct lull_verdict *v,
	const struct lull_report_style *style)
{
	json_t *j = report(night, v);
	int err = 0;

	(void)style; /* the form knows no columns and no colour */
	if (!j)
		return -ENOMEM;
	if (json_dumpf(j, out, JSON_INDENT(2) | JSON_ENSURE_ASCII | JSON_REAL_PRECISION(15)) ||
		putc('\n', out) == EOF || fflush(out))
		err = errno ? -errno : -EIO;
	json_decref(j);
	return err;
}
