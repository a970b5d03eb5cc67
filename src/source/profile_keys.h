/* SPDX-License-Identifier: GPL-3.0-or-later */
/* profile_keys: sections and keys of a profile, and what their values may be. For the files of src/source only. */
#ifndef LULL_SOURCE_PROFILE_KEYS_H
#define LULL_SOURCE_PROFILE_KEYS_H

#include <lull/frame.h>
#include <source/ini_lines.h>
#include <source/profile.h>

enum profile_section { SECTION_NONE, SECTION_CAR, SECTION_LIMITS, SECTION_BATTERY, SECTION_CLAMP, SECTION_BUS,
	SECTION_NODE, SECTION_NM };

#define PROFILE_KEYS 24 /* most keys of one section */
#define PROFILE_NM_MAX 8

struct profile_reader {
	struct lull_ini ini;
	struct lull_profile *profile;
	enum profile_section section;
	bool kept; /* in a recording: names are taken as they are */
	bool seen[PROFILE_KEYS]; /* keys of this section so far */
	bool seen_car, seen_limits, seen_battery, seen_clamp;
	size_t node_room;
	unsigned *node_line; /* where each node begins */
	unsigned nm_line[PROFILE_NM_MAX];
	char nm_name[PROFILE_NM_MAX][LULL_NODE_NAME];
	size_t ids; /* of all nodes */
};

/* What a value may be, and the type of the member it goes to. */
enum profile_value {
	VALUE_TEXT, /* char[] */
	VALUE_NAME, /* char[], of a bus */
	VALUE_VEHICLE, /* the same, a name that may go where recordings go */
	VALUE_NUMBER, /* double, above 0 */
	VALUE_MS, /* int64_t, ns; a number alone is ms, as for the next two the unit that their name says */
	VALUE_S, /* double, s, above 0 */
	VALUE_MIN, /* double, min, above 0 */
	VALUE_FLAG, /* bool */
	VALUE_ADDRESS, /* int, 0 to 255 */
	VALUE_OPCODE, /* uint8_t, not 0 */
	VALUE_POSITION, /* int: 0, 1 or -1 for off */
	VALUE_BITRATE, /* uint32_t */
	VALUE_MATCH, /* struct lull_id_match */
	VALUE_IDS, /* struct lull_profile_node: its list of IDs grows */
	VALUE_KIND, /* enum lull_nm_kind */
	VALUE_BATTERY, /* enum lull_battery_kind */
	VALUE_PERCENT, /* double, 0..1 */
	VALUE_SCALE, /* double, mV/A */
	VALUE_SOURCE /* bool: the limits are the maker's */
};

struct profile_key {
	enum profile_section section;
	const char *name;
	enum profile_value value;
	size_t offset, size; /* of the member in what the section describes */
	double most; /* VALUE_NUMBER; VALUE_S and VALUE_MIN, in their unit */
};

/* Of a [nm] section that has not said it: see lull_profile_finish_nm(). */
#define PROFILE_NOT_SAID (-2)

/* A section begins: "node" and its name. */
void lull_profile_section(
	struct profile_reader *, const char *kind, size_t kind_length, const char *name, size_t name_length);
void lull_profile_key(struct profile_reader *, const char *name, const char *value);
/* Writes value to the member at `at`, or says what is wrong with it. */
void lull_profile_value(struct profile_reader *, const struct profile_key *key, void *at, const char *value);
/* Defaults for what the section did not say, and whether what it said fits its kind. */
void lull_profile_finish_nm(struct profile_reader *, size_t index);

#endif
