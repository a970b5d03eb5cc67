/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile_sections: the sections of a profile. */
#include <lull/text.h>
#include <source/profile_keys.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define NODES_MAX 512

static const struct {
	enum profile_section section;
	const char *name;
	bool named; /* wants a name behind it */
} sections[] = {
	{SECTION_CAR, "car", false},
	{SECTION_LIMITS, "limits", false},
	{SECTION_BATTERY, "battery", false},
	{SECTION_CLAMP, "clamp", false},
	{SECTION_BUS, "bus", true},
	{SECTION_NODE, "node", true},
	{SECTION_NM, "nm", true},
};
#define SECTIONS (sizeof sections / sizeof *sections)

static void unknown_section(struct profile_reader *r, const char *title)
{
	const char *names[SECTIONS], *forms[SECTIONS];
	char form[SECTIONS][24], what[64];
	for (size_t i = 0; i < SECTIONS; i++) {
		snprintf(form[i], sizeof form[i], "[%s%s]", sections[i].name, sections[i].named ? " NAME" : "");
		names[i] = sections[i].name;
		forms[i] = form[i];
	}
	snprintf(what, sizeof what, "[%s] is no section", title);
	lull_ini_unknown(&r->ini, what, title, names, forms, SECTIONS);
}

static void begin_bus(struct profile_reader *r, const char *name)
{
	struct lull_profile *p = r->profile;
	if (strlen(name) >= LULL_BUS_NAME) {
		lull_ini_error(&r->ini, "the bus name has %zu bytes, at most %d are kept", strlen(name),
			LULL_BUS_NAME - 1);
		return;
	}
	for (size_t i = 0; i < p->bus_count; i++) {
		if (!strcmp(p->bus[i].name, name)) {
			lull_ini_error(&r->ini, "bus '%s' has a section already; join the two", name);
			return;
		}
	}
	if (p->bus_count == sizeof p->bus / sizeof *p->bus) {
		lull_ini_error(&r->ini, "there are more than %zu buses", p->bus_count);
		return;
	}
	struct lull_profile_bus *bus = &p->bus[p->bus_count++];
	*bus = (struct lull_profile_bus){.bitrate = 0};
	strcpy(bus->name, name);
}

static void begin_node(struct profile_reader *r, const char *name)
{
	struct lull_profile *p = r->profile;
	for (size_t i = 0; i < p->node_count; i++) {
		if (!strcasecmp(p->nodes[i].name, name)) {
			lull_ini_error(&r->ini,
				"node '%s' has a section already, at line %u; join the two or rename one",
				name, r->node_line[i]);
			return;
		}
	}
	if (p->node_count == NODES_MAX) {
		lull_ini_error(&r->ini, "there are more than %d nodes", NODES_MAX);
		return;
	}
	if (p->node_count == r->node_room) {
		const size_t room = r->node_room ? 2 * r->node_room : 16;
		void *nodes = realloc(p->nodes, room * sizeof *p->nodes);
		if (nodes)
			p->nodes = nodes;
		void *lines = realloc(r->node_line, room * sizeof *r->node_line);
		if (lines)
			r->node_line = lines;
		if (!nodes || !lines) {
			lull_ini_no_memory(&r->ini);
			return;
		}
		r->node_room = room;
	}
	r->node_line[p->node_count] = r->ini.line;
	struct lull_profile_node *n = &p->nodes[p->node_count++];
	*n = (struct lull_profile_node){.nm_address = -1, .source_address = -1};
	strcpy(n->name, name);
}

static void begin_nm(struct profile_reader *r, const char *name)
{
	struct lull_profile *p = r->profile;
	for (size_t i = 0; i < p->nm_count; i++) {
		if (!strcmp(r->nm_name[i], name)) {
			lull_ini_error(&r->ini,
				"[nm %s] is there already, at line %u; join the two or rename one", name,
				r->nm_line[i]);
			return;
		}
	}
	if (p->nm_count == PROFILE_NM_MAX) {
		lull_ini_error(&r->ini, "there are more than %d sections [nm NAME]", PROFILE_NM_MAX);
		return;
	}
	strcpy(r->nm_name[p->nm_count], name);
	r->nm_line[p->nm_count] = r->ini.line;
	p->nm[p->nm_count++] = (struct lull_nm_layout){
		.kind = LULL_NM_NONE,
		.source_byte = PROFILE_NOT_SAID,
		.control_byte = PROFILE_NOT_SAID,
		.cycle_ns = PROFILE_NOT_SAID,
		.repeat_message_ns = PROFILE_NOT_SAID,
		.timeout_ns = PROFILE_NOT_SAID,
		.wait_sleep_ns = PROFILE_NOT_SAID,
	};
}

static void only_once(struct profile_reader *r, const char *name, bool *seen)
{
	if (*seen)
		lull_ini_error(&r->ini, "[%s] is there already; join the two", name);
	*seen = true;
}

void lull_profile_section(
	struct profile_reader *r, const char *kind, size_t kind_length, const char *name, size_t name_length)
{
	char word[32], copy[LULL_NODE_NAME];
	size_t i = 0;
	snprintf(word, sizeof word, "%.*s", (int)(kind_length < sizeof word ? kind_length : sizeof word - 1),
		kind);
	while (i < SECTIONS && strcasecmp(sections[i].name, word) != 0)
		i++;
	if (i == SECTIONS) {
		unknown_section(r, word);
		return;
	}
	if (sections[i].named && !name_length) {
		lull_ini_error(&r->ini, "[%s] wants a name: [%s NAME]", sections[i].name, sections[i].name);
		return;
	}
	if (!sections[i].named && name_length) {
		lull_ini_error(&r->ini, "[%s] takes no name", sections[i].name);
		return;
	}
	if (name_length >= sizeof copy) {
		lull_ini_error(
			&r->ini, "the name has %zu bytes, at most %zu are kept", name_length, sizeof copy - 1);
		return;
	}
	const char *fault = name_length && !r->kept ? lull_name_fault(name, name_length) : NULL;
	if (fault) {
		lull_ini_error(&r->ini, "the name in [%s NAME] %s", sections[i].name, fault);
		return;
	}
	if (name_length)
		memcpy(copy, name, name_length);
	copy[name_length] = 0;
	r->section = sections[i].section;
	switch (r->section) {
	case SECTION_CAR: only_once(r, "car", &r->seen_car); break;
	case SECTION_LIMITS: only_once(r, "limits", &r->seen_limits); break;
	case SECTION_BATTERY: only_once(r, "battery", &r->seen_battery); break;
	case SECTION_CLAMP: only_once(r, "clamp", &r->seen_clamp); break;
	case SECTION_BUS: begin_bus(r, copy); break;
	case SECTION_NODE: begin_node(r, copy); break;
	case SECTION_NM: begin_nm(r, copy); break;
	case SECTION_NONE: break;
	}
}
