/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile_keys: the keys of a profile, and where their values go. */
#include <source/profile_keys.h>

#include <stdio.h>
#include <string.h>
#include <strings.h>

#define MEMBER(type, member) offsetof(struct type, member), sizeof((struct type *)0)->member

static const struct profile_key keys[] = {
	{SECTION_CAR, "vehicle", VALUE_VEHICLE, MEMBER(lull_profile, vehicle), 0},
	{SECTION_CAR, "model", VALUE_VEHICLE, MEMBER(lull_profile, model), 0},
	{SECTION_CAR, "capacity_Ah", VALUE_NUMBER, MEMBER(lull_profile, capacity_Ah), 10000},
	{SECTION_LIMITS, "draw_mA", VALUE_NUMBER, MEMBER(lull_profile, limit_draw_mA), 100000},
	{SECTION_LIMITS, "sleep_s", VALUE_S, MEMBER(lull_profile, limit_sleep_s), 1000000},
	{SECTION_LIMITS, "source", VALUE_SOURCE, MEMBER(lull_profile, limits_from_maker), 0},
	{SECTION_BATTERY, "capacity_Ah", VALUE_NUMBER, MEMBER(lull_profile, capacity_Ah), 10000},
	{SECTION_BATTERY, "reserve_min", VALUE_MIN, MEMBER(lull_profile, reserve_min), 10000},
	{SECTION_BATTERY, "type", VALUE_BATTERY, MEMBER(lull_profile, battery), 0},
	{SECTION_BATTERY, "charge", VALUE_PERCENT, MEMBER(lull_profile, charge), 0},
	{SECTION_CLAMP, "scale", VALUE_SCALE, MEMBER(lull_profile, clamp_mV_per_A), 0},
	{SECTION_CLAMP, "range_A", VALUE_NUMBER, MEMBER(lull_profile, clamp_range_A), 2000},
	{SECTION_CLAMP, "logger_mA", VALUE_NUMBER, MEMBER(lull_profile, clamp_logger_mA), 10000},
	{SECTION_BUS, "bitrate", VALUE_BITRATE, MEMBER(lull_profile_bus, bitrate), 0},
	{SECTION_BUS, "data_bitrate", VALUE_BITRATE, MEMBER(lull_profile_bus, bitrate_data), 0},
	{SECTION_NODE, "bus", VALUE_NAME, MEMBER(lull_profile_node, bus), 0},
	{SECTION_NODE, "ids", VALUE_IDS, 0, 0, 0},
	{SECTION_NODE, "nm_address", VALUE_ADDRESS, MEMBER(lull_profile_node, nm_address), 0},
	{SECTION_NODE, "source_address", VALUE_ADDRESS, MEMBER(lull_profile_node, source_address), 0},
	{SECTION_NODE, "gateway", VALUE_FLAG, MEMBER(lull_profile_node, gateway), 0},
	{SECTION_NODE, "never_unplug", VALUE_FLAG, MEMBER(lull_profile_node, never_unplug), 0},
	{SECTION_NODE, "place", VALUE_TEXT, MEMBER(lull_profile_node, place), 0},
	{SECTION_NODE, "connector", VALUE_TEXT, MEMBER(lull_profile_node, connector), 0},
	{SECTION_NODE, "fuse", VALUE_TEXT, MEMBER(lull_profile_node, fuse), 0},
	{SECTION_NM, "kind", VALUE_KIND, MEMBER(lull_nm_layout, kind), 0},
	{SECTION_NM, "bus", VALUE_NAME, MEMBER(lull_nm_layout, bus), 0},
	{SECTION_NM, "ids", VALUE_MATCH, MEMBER(lull_nm_layout, ids), 0},
	{SECTION_NM, "source_byte", VALUE_POSITION, MEMBER(lull_nm_layout, source_byte), 0},
	{SECTION_NM, "control_byte", VALUE_POSITION, MEMBER(lull_nm_layout, control_byte), 0},
	{SECTION_NM, "cycle_ms", VALUE_MS, MEMBER(lull_nm_layout, cycle_ns), 0},
	{SECTION_NM, "repeat_message_ms", VALUE_MS, MEMBER(lull_nm_layout, repeat_message_ns), 0},
	{SECTION_NM, "timeout_ms", VALUE_MS, MEMBER(lull_nm_layout, timeout_ns), 0},
	{SECTION_NM, "wait_sleep_ms", VALUE_MS, MEMBER(lull_nm_layout, wait_sleep_ns), 0},
	{SECTION_NM, "alive", VALUE_OPCODE, MEMBER(lull_nm_layout, op_alive), 0},
	{SECTION_NM, "ring", VALUE_OPCODE, MEMBER(lull_nm_layout, op_ring), 0},
	{SECTION_NM, "limp_home", VALUE_OPCODE, MEMBER(lull_nm_layout, op_limp_home), 0},
	{SECTION_NM, "sleep_indication", VALUE_OPCODE, MEMBER(lull_nm_layout, op_sleep_indication), 0},
	{SECTION_NM, "sleep_acknowledge", VALUE_OPCODE, MEMBER(lull_nm_layout, op_sleep_acknowledge), 0},
};
#define KEYS (sizeof keys / sizeof *keys)

static const char *section_name(enum profile_section section)
{
	switch (section) {
	case SECTION_CAR: return "car";
	case SECTION_LIMITS: return "limits";
	case SECTION_BATTERY: return "battery";
	case SECTION_CLAMP: return "clamp";
	case SECTION_BUS: return "bus";
	case SECTION_NODE: return "node";
	case SECTION_NM: return "nm";
	case SECTION_NONE: break;
	}
	return "";
}

static void unknown_key(struct profile_reader *r, const char *name)
{
	const char *names[KEYS];
	char what[120];
	size_t n = 0;
	for (size_t i = 0; i < KEYS; i++)
		if (keys[i].section == r->section)
			names[n++] = keys[i].name;
	snprintf(what, sizeof what, "'%s' is no key of [%s]", name, section_name(r->section));
	lull_ini_unknown(&r->ini, what, name, names, NULL, n);
}

/* What the section at hand describes: the last of its kind. */
static void *described(struct profile_reader *r)
{
	struct lull_profile *p = r->profile;
	switch (r->section) {
	case SECTION_BUS: return &p->bus[p->bus_count - 1];
	case SECTION_NODE: return &p->nodes[p->node_count - 1];
	case SECTION_NM: return &p->nm[p->nm_count - 1];
	case SECTION_CAR:
	case SECTION_LIMITS:
	case SECTION_BATTERY:
	case SECTION_CLAMP:
	case SECTION_NONE: break;
	}
	return p;
}

void lull_profile_key(struct profile_reader *r, const char *name, const char *value)
{
	if (r->section == SECTION_NONE) {
		lull_ini_error(&r->ini, "'%s' stands before the first section; begin with [car]", name);
		return;
	}
	for (size_t i = 0, nth = 0; i < KEYS; i++) {
		if (keys[i].section != r->section)
			continue;
		if (strcasecmp(keys[i].name, name) != 0) {
			nth++;
			continue;
		}
		if (r->seen[nth] && keys[i].value != VALUE_IDS) {
			lull_ini_error(&r->ini, "'%s' is given twice in this section", keys[i].name);
			return;
		}
		r->seen[nth] = true;
		/* An example to fill in leaves values empty: as if the line were not there. */
		if (*value)
			lull_profile_value(r, &keys[i], (char *)described(r) + keys[i].offset, value);
		return;
	}
	unknown_key(r, name);
}
