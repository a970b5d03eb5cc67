/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile_keys: sections and keys of a profile, and what their values may be. */
#include <source/decimal.h>
#include <source/hex.h>
#include <source/profile_keys.h>
#include <source/utf8.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define NODES_MAX 512
#define IDS_MAX 4096

/* --- values; each says what is wrong and gives false --- */

static bool bad_value(struct profile_reader *r, const char *key, const char *value, const char *wanted)
{
	lull_profile_error(r, "'%s' value \"%s\" is not %s%s", key, value, wanted,
		strchr(value, '#') ? "; a comment behind a value begins with ' ;'" : "");
	return false;
}

static void set_text(struct profile_reader *r, const char *key, const char *value, char *out, size_t size)
{
	if (strlen(value) >= size) {
		lull_profile_error(
			r, "'%s' has %zu bytes, at most %zu are kept", key, strlen(value), size - 1);
		return;
	}
	memset(out, 0, size);
	memcpy(out, value, strlen(value));
}

static void set_number(struct profile_reader *r, const char *key, const char *value, double most, double *out)
{
	double v;
	if (lull_decimal(value, strlen(value), &v) < 0 || !(v > 0) || v > most)
		(void)bad_value(r, key, value, "a number above 0 (with a decimal point)");
	else
		*out = v;
}

static void set_ms(struct profile_reader *r, const char *key, const char *value, int64_t *out)
{
	int64_t ns;
	if (lull_decimal_ns(value, strlen(value), 6, '.', &ns) < 0 || ns < 0 || ns > 3600 * LULL_SEC)
		(void)bad_value(r, key, value, "a time in milliseconds, an hour at most");
	else
		*out = ns;
}

static void set_flag(struct profile_reader *r, const char *key, const char *value, bool *out)
{
	if (!strcasecmp(value, "yes") || !strcasecmp(value, "true") || !strcmp(value, "1"))
		*out = true;
	else if (!strcasecmp(value, "no") || !strcasecmp(value, "false") || !strcmp(value, "0"))
		*out = false;
	else
		(void)bad_value(r, key, value, "yes or no");
}

/* 0..255, decimal or 0x. */
static bool byte_value(const char *value, int *out)
{
	int v = 0;
	const bool hex = value[0] == '0' && (value[1] | 0x20) == 'x';
	const char *p = value + (hex ? 2 : 0);
	if (!*p)
		return false;
	for (; *p; p++) {
		const int d = lull_hex(*p);
		if (d < 0 || (!hex && d > 9))
			return false;
		v = v * (hex ? 16 : 10) + d;
		if (v > 255)
			return false;
	}
	*out = v;
	return true;
}

static void set_address(struct profile_reader *r, const char *key, const char *value, int *out)
{
	if (!byte_value(value, out))
		(void)bad_value(r, key, value, "a number from 0 to 255 (0x21 or 33)");
}

static void set_opcode(struct profile_reader *r, const char *key, const char *value, uint8_t *out)
{
	int v;
	if (!byte_value(value, &v) || !v)
		(void)bad_value(r, key, value, "an opcode bit from 0x01 to 0xFF");
	else
		*out = (uint8_t)v;
}

static void set_position(struct profile_reader *r, const char *key, const char *value, int *out)
{
	if (!strcmp(value, "0") || !strcmp(value, "1"))
		*out = *value - '0';
	else if (!strcasecmp(value, "off"))
		*out = -1;
	else
		(void)bad_value(r, key, value, "0, 1 or off");
}

/* "500000", "500k", "83.333k", "2M". */
static void set_bitrate(struct profile_reader *r, const char *key, const char *value, uint32_t *out)
{
	size_t n = strlen(value);
	double v, factor = 1;
	if (n && (value[n - 1] == 'k' || value[n - 1] == 'K'))
		factor = 1e3;
	else if (n && value[n - 1] == 'M')
		factor = 1e6;
	if (factor > 1)
		n--;
	if (lull_decimal(value, n, &v) < 0 || v * factor < 1000 || v * factor > 20e6)
		(void)bad_value(r, key, value, "a bit rate (500000, 500k, 2M)");
	else
		*out = (uint32_t)(v * factor + 0.5);
}

/* "0x3A1", "0x500/0x7C0", "0x18FEF100/0x1FFFFF00". */
static bool match_value(
	struct profile_reader *r, const char *key, const char *token, struct lull_id_match *out)
{
	char id_text[24];
	const char *slash = strchr(token, '/');
	const size_t n = slash ? (size_t)(slash - token) : strlen(token);
	uint32_t id, mask = 0;
	if (n >= sizeof id_text)
		return bad_value(r, key, token, "an ID (0x3A1, 0x18FEF100)");
	memcpy(id_text, token, n);
	id_text[n] = 0;
	if (lull_id_parse(id_text, &id) < 0)
		return bad_value(r, key, token, "an ID (0x3A1, 0x18FEF100) or ID/mask (0x500/0x7C0)");
	const uint32_t all = id & LULL_ID_EXTENDED ? LULL_ID_BITS : 0x7ff;
	if (!slash) {
		mask = all;
	} else {
		const char *p = slash + 1;
		if (p[0] == '0' && (p[1] | 0x20) == 'x')
			p += 2;
		const size_t digits = strspn(p, "0123456789abcdefABCDEF");
		if (!digits || digits > 8 || p[digits])
			return bad_value(r, key, token, "ID/mask with a hexadecimal mask (0x500/0x7C0)");
		for (; *p; p++)
			mask = mask << 4 | (uint32_t)lull_hex(*p);
	}
	if (mask & ~all)
		return bad_value(r, key, token,
			id & LULL_ID_EXTENDED ? "ID/mask: the mask has more than 29 bits"
					      : "ID/mask: the mask of a standard ID has 11 bits");
	if (id & all & ~mask) {
		lull_profile_error(r,
			"'%s' value \"%s\" fits no ID: its ID has bits that the mask leaves out; write "
			"0x%X/0x%X",
			key, token, (unsigned)(id & mask), (unsigned)mask);
		return false;
	}
	out->id = id;
	out->mask = mask | LULL_ID_EXTENDED;
	return true;
}

static void add_ids(
	struct profile_reader *r, const char *key, const char *value, struct lull_profile_node *node)
{
	char copy[256], *save = NULL;
	bool any = false;
	if (strlen(value) >= sizeof copy)
		return; /* cannot be: the line is shorter */
	strcpy(copy, value);
	for (char *token = strtok_r(copy, ", \t", &save); token; token = strtok_r(NULL, ", \t", &save)) {
		struct lull_id_match match;
		any = true;
		if (!match_value(r, key, token, &match))
			return;
		if (r->ids++ == IDS_MAX) {
			lull_profile_error(r, "there are more than %d IDs; use masks", IDS_MAX);
			return;
		}
		if ((node->id_count & (node->id_count - 1)) == 0) {
			const size_t room = node->id_count ? 2 * node->id_count : 1;
			void *grown = realloc(node->ids, room * sizeof *node->ids);
			if (!grown) {
				lull_profile_no_memory(r);
				return;
			}
			node->ids = grown;
		}
		node->ids[node->id_count++] = match;
	}
	if (!any)
		(void)bad_value(r, key, value, "a list of IDs (0x3A1, 0x500/0x7C0)");
}

/* --- keys --- */

enum key {
	CAR_VEHICLE,
	CAR_CAPACITY,
	LIMITS_DRAW,
	LIMITS_SLEEP,
	LIMITS_SOURCE,
	BUS_BITRATE,
	BUS_DATA_BITRATE,
	NODE_BUS,
	NODE_IDS,
	NODE_NM_ADDRESS,
	NODE_SOURCE_ADDRESS,
	NODE_GATEWAY,
	NODE_NEVER_UNPLUG,
	NODE_PLACE,
	NODE_CONNECTOR,
	NODE_FUSE,
	NM_KIND,
	NM_BUS,
	NM_IDS,
	NM_SOURCE_BYTE,
	NM_CONTROL_BYTE,
	NM_CYCLE,
	NM_REPEAT_MESSAGE,
	NM_TIMEOUT,
	NM_WAIT_SLEEP,
	NM_ALIVE,
	NM_RING,
	NM_LIMP_HOME,
	NM_SLEEP_INDICATION,
	NM_SLEEP_ACKNOWLEDGE
};

static const struct {
	enum profile_section section;
	enum key key;
	const char *name;
} keys[] = {
	{SECTION_CAR, CAR_VEHICLE, "vehicle"},
	{SECTION_CAR, CAR_CAPACITY, "capacity_Ah"},
	{SECTION_LIMITS, LIMITS_DRAW, "draw_mA"},
	{SECTION_LIMITS, LIMITS_SLEEP, "sleep_s"},
	{SECTION_LIMITS, LIMITS_SOURCE, "source"},
	{SECTION_BUS, BUS_BITRATE, "bitrate"},
	{SECTION_BUS, BUS_DATA_BITRATE, "data_bitrate"},
	{SECTION_NODE, NODE_BUS, "bus"},
	{SECTION_NODE, NODE_IDS, "ids"},
	{SECTION_NODE, NODE_NM_ADDRESS, "nm_address"},
	{SECTION_NODE, NODE_SOURCE_ADDRESS, "source_address"},
	{SECTION_NODE, NODE_GATEWAY, "gateway"},
	{SECTION_NODE, NODE_NEVER_UNPLUG, "never_unplug"},
	{SECTION_NODE, NODE_PLACE, "place"},
	{SECTION_NODE, NODE_CONNECTOR, "connector"},
	{SECTION_NODE, NODE_FUSE, "fuse"},
	{SECTION_NM, NM_KIND, "kind"},
	{SECTION_NM, NM_BUS, "bus"},
	{SECTION_NM, NM_IDS, "ids"},
	{SECTION_NM, NM_SOURCE_BYTE, "source_byte"},
	{SECTION_NM, NM_CONTROL_BYTE, "control_byte"},
	{SECTION_NM, NM_CYCLE, "cycle_ms"},
	{SECTION_NM, NM_REPEAT_MESSAGE, "repeat_message_ms"},
	{SECTION_NM, NM_TIMEOUT, "timeout_ms"},
	{SECTION_NM, NM_WAIT_SLEEP, "wait_sleep_ms"},
	{SECTION_NM, NM_ALIVE, "alive"},
	{SECTION_NM, NM_RING, "ring"},
	{SECTION_NM, NM_LIMP_HOME, "limp_home"},
	{SECTION_NM, NM_SLEEP_INDICATION, "sleep_indication"},
	{SECTION_NM, NM_SLEEP_ACKNOWLEDGE, "sleep_acknowledge"},
};
#define KEYS (sizeof keys / sizeof *keys)

static const struct {
	enum profile_section section;
	const char *name;
	bool named; /* wants a name behind it */
} sections[] = {
	{SECTION_CAR, "car", false},
	{SECTION_LIMITS, "limits", false},
	{SECTION_BUS, "bus", true},
	{SECTION_NODE, "node", true},
	{SECTION_NM, "nm", true},
};
#define SECTIONS (sizeof sections / sizeof *sections)

/* Edits (one letter put in, left out or changed) from a to b; words of up to 31 letters. */
static unsigned distance(const char *a, const char *b)
{
	unsigned row[32];
	const size_t n = strlen(b);
	if (n >= 32 || strlen(a) >= 32)
		return 99;
	for (unsigned i = 0; i <= n; i++)
		row[i] = i;
	for (unsigned i = 0; a[i]; i++) {
		unsigned corner = row[0];
		row[0] = i + 1;
		for (size_t k = 0; k < n; k++) {
			const bool same = (a[i] | 0x20) == (b[k] | 0x20);
			unsigned best = corner + !same;
			if (row[k] + 1 < best)
				best = row[k] + 1;
			if (row[k + 1] + 1 < best)
				best = row[k + 1] + 1;
			corner = row[k + 1];
			row[k + 1] = best;
		}
	}
	return row[n];
}

static void append(char *list, size_t size, const char *word)
{
	const size_t n = strlen(list);
	snprintf(list + n, size - n, "%s%s", n ? ", " : "", word);
}

static void unknown_key(struct profile_reader *r, const char *key)
{
	char known[320] = "";
	const char *near = NULL, *section = "";
	unsigned best = 3;
	for (size_t i = 0; i < SECTIONS; i++) {
		if (sections[i].section == r->section)
			section = sections[i].name;
	}
	for (size_t i = 0; i < KEYS; i++) {
		if (keys[i].section != r->section)
			continue;
		append(known, sizeof known, keys[i].name);
		const unsigned d = distance(key, keys[i].name);
		if (d < best) {
			best = d;
			near = keys[i].name;
		}
	}
	lull_profile_error(r, "'%s' is no key of [%s]%s%s%s; known are: %s", key, section,
		near ? ", did you mean '" : "", near ? near : "", near ? "'?" : "", known);
}

/* Nodes may be renamed or grown: always by index. */
static struct lull_profile_node *node(struct profile_reader *r)
{
	return &r->profile->nodes[r->profile->node_count - 1];
}

static void set_source(struct profile_reader *r, const char *value)
{
	if (!strcasecmp(value, "maker"))
		r->profile->limits_from_maker = true;
	else if (strcasecmp(value, "workshop") != 0)
		(void)bad_value(r, "source", value, "maker or workshop");
}

static void set_kind(struct profile_reader *r, const char *value, struct lull_nm_layout *nm)
{
	if (!strcasecmp(value, "autosar"))
		nm->kind = LULL_NM_AUTOSAR;
	else if (!strcasecmp(value, "osek"))
		nm->kind = LULL_NM_OSEK;
	else
		(void)bad_value(r, "kind", value, "autosar or osek");
}

static void set_key(struct profile_reader *r, enum key key, const char *name, const char *value)
{
	struct lull_profile *p = r->profile;
	struct lull_profile_bus *bus = p->bus_count ? &p->bus[p->bus_count - 1] : NULL;
	struct lull_nm_layout *nm = p->nm_count ? &p->nm[p->nm_count - 1] : NULL;
	switch (key) {
	case CAR_VEHICLE: set_text(r, name, value, p->vehicle, sizeof p->vehicle); break;
	case CAR_CAPACITY: set_number(r, name, value, 10000, &p->capacity_Ah); break;
	case LIMITS_DRAW: set_number(r, name, value, 100000, &p->limit_draw_mA); break;
	case LIMITS_SLEEP: set_number(r, name, value, 1e6, &p->limit_sleep_s); break;
	case LIMITS_SOURCE: set_source(r, value); break;
	case BUS_BITRATE: set_bitrate(r, name, value, &bus->bitrate); break;
	case BUS_DATA_BITRATE: set_bitrate(r, name, value, &bus->bitrate_data); break;
	case NODE_BUS: set_text(r, name, value, node(r)->bus, sizeof node(r)->bus); break;
	case NODE_IDS: add_ids(r, name, value, node(r)); break;
	case NODE_NM_ADDRESS: set_address(r, name, value, &node(r)->nm_address); break;
	case NODE_SOURCE_ADDRESS: set_address(r, name, value, &node(r)->source_address); break;
	case NODE_GATEWAY: set_flag(r, name, value, &node(r)->gateway); break;
	case NODE_NEVER_UNPLUG: set_flag(r, name, value, &node(r)->never_unplug); break;
	case NODE_PLACE: set_text(r, name, value, node(r)->place, sizeof node(r)->place); break;
	case NODE_CONNECTOR: set_text(r, name, value, node(r)->connector, sizeof node(r)->connector); break;
	case NODE_FUSE: set_text(r, name, value, node(r)->fuse, sizeof node(r)->fuse); break;
	case NM_KIND: set_kind(r, value, nm); break;
	case NM_BUS: set_text(r, name, value, nm->bus, sizeof nm->bus); break;
	case NM_IDS: (void)match_value(r, name, value, &nm->ids); break;
	case NM_SOURCE_BYTE: set_position(r, name, value, &nm->source_byte); break;
	case NM_CONTROL_BYTE: set_position(r, name, value, &nm->control_byte); break;
	case NM_CYCLE: set_ms(r, name, value, &nm->cycle_ns); break;
	case NM_REPEAT_MESSAGE: set_ms(r, name, value, &nm->repeat_message_ns); break;
	case NM_TIMEOUT: set_ms(r, name, value, &nm->timeout_ns); break;
	case NM_WAIT_SLEEP: set_ms(r, name, value, &nm->wait_sleep_ns); break;
	case NM_ALIVE: set_opcode(r, name, value, &nm->op_alive); break;
	case NM_RING: set_opcode(r, name, value, &nm->op_ring); break;
	case NM_LIMP_HOME: set_opcode(r, name, value, &nm->op_limp_home); break;
	case NM_SLEEP_INDICATION: set_opcode(r, name, value, &nm->op_sleep_indication); break;
	case NM_SLEEP_ACKNOWLEDGE: set_opcode(r, name, value, &nm->op_sleep_acknowledge); break;
	}
}

void lull_profile_key(struct profile_reader *r, const char *name, const char *value)
{
	if (r->section == SECTION_NONE) {
		lull_profile_error(r, "'%s' stands before the first section; begin with [car]", name);
		return;
	}
	for (size_t i = 0, nth = 0; i < KEYS; i++) {
		if (keys[i].section != r->section)
			continue;
		if (strcasecmp(keys[i].name, name) != 0) {
			nth++;
			continue;
		}
		if (r->seen[nth] && keys[i].key != NODE_IDS) {
			lull_profile_error(r, "'%s' is given twice in this section", keys[i].name);
			return;
		}
		r->seen[nth] = true;
		if (r->section == SECTION_NM)
			r->nm_given[r->profile->nm_count - 1] |= 1u << (keys[i].key - NM_KIND);
		/* An example to fill in leaves values empty: as if the line were not there. */
		if (*value)
			set_key(r, keys[i].key, keys[i].name, value);
		return;
	}
	unknown_key(r, name);
}

/* --- sections --- */

static void unknown_section(struct profile_reader *r, const char *title)
{
	char known[80] = "";
	const char *near = NULL;
	unsigned best = 3;
	for (size_t i = 0; i < SECTIONS; i++) {
		char form[24];
		snprintf(form, sizeof form, "[%s%s]", sections[i].name, sections[i].named ? " NAME" : "");
		append(known, sizeof known, form);
		const unsigned d = distance(title, sections[i].name);
		if (d < best) {
			best = d;
			near = sections[i].name;
		}
	}
	lull_profile_error(r, "[%s] is no section%s%s%s; known are: %s", title,
		near ? ", did you mean '" : "", near ? near : "", near ? "'?" : "", known);
}

static void begin_bus(struct profile_reader *r, const char *name)
{
	struct lull_profile *p = r->profile;
	if (strlen(name) >= LULL_BUS_NAME) {
		lull_profile_error(r, "the bus name has %zu bytes, at most %d are kept", strlen(name),
			LULL_BUS_NAME - 1);
		return;
	}
	for (size_t i = 0; i < p->bus_count; i++) {
		if (!strcmp(p->bus[i].name, name)) {
			lull_profile_error(r, "bus '%s' has a section already; join the two", name);
			return;
		}
	}
	if (p->bus_count == sizeof p->bus / sizeof *p->bus) {
		lull_profile_error(r, "there are more than %zu buses", p->bus_count);
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
			lull_profile_error(r,
				"node '%s' has a section already, at line %u; join the two or rename one",
				name, r->node_line[i]);
			return;
		}
	}
	if (p->node_count == NODES_MAX) {
		lull_profile_error(r, "there are more than %d nodes", NODES_MAX);
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
			lull_profile_no_memory(r);
			return;
		}
		r->node_room = room;
	}
	r->node_line[p->node_count] = r->line;
	struct lull_profile_node *n = &p->nodes[p->node_count++];
	*n = (struct lull_profile_node){.nm_address = -1, .source_address = -1};
	strcpy(n->name, name);
}

static void begin_nm(struct profile_reader *r, const char *name)
{
	struct lull_profile *p = r->profile;
	for (size_t i = 0; i < p->nm_count; i++) {
		if (!strcmp(r->nm_name[i], name)) {
			lull_profile_error(r,
				"[nm %s] is there already, at line %u; join the two or rename one", name,
				r->nm_line[i]);
			return;
		}
	}
	if (p->nm_count == PROFILE_NM_MAX) {
		lull_profile_error(r, "there are more than %d sections [nm NAME]", PROFILE_NM_MAX);
		return;
	}
	strcpy(r->nm_name[p->nm_count], name);
	r->nm_line[p->nm_count] = r->line;
	p->nm[p->nm_count++] = (struct lull_nm_layout){.kind = LULL_NM_NONE};
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
		lull_profile_error(r, "[%s] wants a name: [%s NAME]", sections[i].name, sections[i].name);
		return;
	}
	if (!sections[i].named && name_length) {
		lull_profile_error(r, "[%s] takes no name", sections[i].name);
		return;
	}
	if (name_length >= sizeof copy) {
		lull_profile_error(
			r, "the name has %zu bytes, at most %zu are kept", name_length, sizeof copy - 1);
		return;
	}
	if (name_length)
		memcpy(copy, name, name_length);
	copy[name_length] = 0;
	r->section = sections[i].section;
	switch (r->section) {
	case SECTION_CAR:
		if (r->seen_car)
			lull_profile_error(r, "[car] is there already; join the two");
		r->seen_car = true;
		break;
	case SECTION_LIMITS:
		if (r->seen_limits)
			lull_profile_error(r, "[limits] is there already; join the two");
		r->seen_limits = true;
		break;
	case SECTION_BUS: begin_bus(r, copy); break;
	case SECTION_NODE: begin_node(r, copy); break;
	case SECTION_NM: begin_nm(r, copy); break;
	case SECTION_NONE: break;
	}
}

/* --- network management: defaults --- */

static bool given(const struct profile_reader *r, size_t i, enum key key)
{
	return r->nm_given[i] >> (key - NM_KIND) & 1;
}

/* OSEK/VDX NM 2.5.3: destination in byte 0, opcode in byte 1, its own bits; TTyp 100 ms, TMax 260 ms,
 * TWaitBusSleep 1.5 or 5 s (the longer one: it accuses less). AUTOSAR CanNm: the source node identifier in byte 0 and
 * the control bit vector in byte 1; the times are up to the car, these are common ones (from memory), repeat message on
 * the long side, since frames within it are no evidence of asking. */
static void defaults(const struct profile_reader *r, size_t i, struct lull_nm_layout *nm)
{
	const bool osek = nm->kind == LULL_NM_OSEK;
	if (!given(r, i, NM_SOURCE_BYTE))
		nm->source_byte = osek ? -1 : 0;
	if (!given(r, i, NM_CONTROL_BYTE))
		nm->control_byte = 1;
	if (!nm->cycle_ns)
		nm->cycle_ns = osek ? 100 * LULL_MS : 500 * LULL_MS;
	if (!given(r, i, NM_REPEAT_MESSAGE))
		nm->repeat_message_ns = osek ? 0 : 3 * LULL_SEC;
	if (!nm->timeout_ns)
		nm->timeout_ns = osek ? 260 * LULL_MS : 2 * LULL_SEC;
	if (!given(r, i, NM_WAIT_SLEEP))
		nm->wait_sleep_ns = osek ? 5 * LULL_SEC : 1500 * LULL_MS;
	if (!osek)
		return;
	const struct {
		uint8_t *op, usual;
	} ops[] = {
		{&nm->op_alive, 0x01},
		{&nm->op_ring, 0x02},
		{&nm->op_limp_home, 0x04},
		{&nm->op_sleep_indication, 0x10},
		{&nm->op_sleep_acknowledge, 0x20},
	};
	for (size_t k = 0; k < sizeof ops / sizeof *ops; k++) {
		if (!*ops[k].op)
			*ops[k].op = ops[k].usual;
	}
}

void lull_profile_finish_nm(struct profile_reader *r, size_t i)
{
	struct lull_nm_layout *nm = &r->profile->nm[i];
	if (nm->kind == LULL_NM_NONE) {
		lull_profile_error(r, "[nm %s] does not say its kind: autosar or osek", r->nm_name[i]);
		return;
	}
	if (!nm->ids.mask) {
		lull_profile_error(
			r, "[nm %s] does not say its ids, as ID/mask: ids = 0x500/0x7C0", r->nm_name[i]);
		return;
	}
	for (int key = NM_ALIVE; key <= NM_SLEEP_ACKNOWLEDGE && nm->kind == LULL_NM_AUTOSAR; key++) {
		if (given(r, i, (enum key)key)) {
			lull_profile_error(r,
				"[nm %s] is autosar, and has no opcodes (alive, ring, limp_home, ...)",
				r->nm_name[i]);
			return;
		}
	}
	if (nm->kind == LULL_NM_OSEK && given(r, i, NM_REPEAT_MESSAGE)) {
		lull_profile_error(r, "[nm %s] is osek, and has no repeat_message_ms", r->nm_name[i]);
		return;
	}
	defaults(r, i, nm);
	if (nm->source_byte >= 0 && nm->source_byte == nm->control_byte)
		lull_profile_error(
			r, "[nm %s]: source_byte and control_byte cannot be the same byte", r->nm_name[i]);
}
